//! The groove as a MIDI file.

use crate::{
    error::Result,
    groove::{
        BARS, STEPS, TEMPO, TICKS, notes,
        patterns::{self, GrooveSettings, MAX_STROKES, PATTERN_BARS, Stroke},
    },
    kit::Kit,
    staging::{StagedFile, unwritten},
};
use midly::{
    Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind,
    num::{u4, u7, u15, u24, u28},
};
use std::path::Path;

/// The groove for the pads that sound, as the bytes of a Standard MIDI File on channel 10.
pub fn groove_midi(kit: &Kit) -> Vec<u8> {
    let notes: Vec<(u32, u8, u8)> =
        notes(kit).iter().map(|n| (n.tick, kit.doc.pads[n.pad].note, n.velocity)).collect();
    write(&format!("{}: groove", kit.doc.name), &notes, TEMPO, BARS)
}

/// A pattern for the pads of `kit` that sound, as the bytes of a Standard MIDI File on channel 10.
pub fn pattern_midi(kit: &Kit, settings: &GrooveSettings) -> Vec<u8> {
    let mut strokes = [Stroke::default(); MAX_STROKES];
    let count = patterns::strokes(settings, &patterns::parts_of(&kit.doc), &mut strokes);
    let notes: Vec<(u32, u8, u8)> = strokes[..count]
        .iter()
        .map(|s| {
            let tick = (s.beat * f64::from(TICKS)).round() as u32;
            (tick, kit.doc.pads[usize::from(s.pad)].note, (s.velocity * 127.0).round() as u8)
        })
        .collect();
    let name = format!("{}: {}", kit.doc.name, settings.pattern.word());
    write(&name, &notes, f64::from(settings.tempo), PATTERN_BARS)
}

/// Writes a pattern into a MIDI file.
///
/// # Errors
/// One sentence when the file cannot be written; an older one stays then.
pub fn write_pattern(kit: &Kit, settings: &GrooveSettings, file: &Path) -> Result<()> {
    let staged = StagedFile::new(file)?;
    let bytes = pattern_midi(kit, settings);
    staged.write(|path| std::fs::write(path, &bytes).map_err(|e| unwritten(file, &e)))?;
    staged.commit()
}

/// A MIDI file of one track; `notes` are tick, MIDI note and velocity.
fn write(title: &str, notes: &[(u32, u8, u8)], tempo: f64, bars: usize) -> Vec<u8> {
    let length = u32::from(TICKS) / 8;
    let mut events = Vec::new();
    for &(tick, note, velocity) in notes {
        let (key, vel) = (u7::new(note.min(127)), u7::new(velocity.clamp(1, 127)));
        events.push((tick, 1, MidiMessage::NoteOn { key, vel }));
        events.push((tick + length, 0, MidiMessage::NoteOff { key, vel: u7::new(64) }));
    }
    events.sort_by_key(|&(tick, order, message)| (tick, order, key_of(message)));

    let meta = |message| TrackEvent { delta: u28::new(0), kind: TrackEventKind::Meta(message) };
    let mut track = vec![
        meta(MetaMessage::TrackName(title.as_bytes())),
        meta(MetaMessage::Tempo(u24::new((60e6 / tempo).round() as u32))),
        meta(MetaMessage::TimeSignature(4, 2, 24, 8)),
    ];
    let mut now = 0;
    for (tick, _, message) in events {
        let kind = TrackEventKind::Midi { channel: u4::new(9), message };
        track.push(TrackEvent { delta: u28::new(tick - now), kind });
        now = tick;
    }
    let end = (bars * STEPS) as u32 * u32::from(TICKS) / 4;
    let kind = TrackEventKind::Meta(MetaMessage::EndOfTrack);
    track.push(TrackEvent { delta: u28::new(end.saturating_sub(now)), kind });

    let header = Header::new(Format::SingleTrack, Timing::Metrical(u15::new(TICKS)));
    let mut bytes = Vec::new();
    Smf { header, tracks: vec![track] }.write_std(&mut bytes).expect("writing to memory does not fail");
    bytes
}

fn key_of(message: MidiMessage) -> u8 {
    match message {
        MidiMessage::NoteOn { key, .. } | MidiMessage::NoteOff { key, .. } => key.as_int(),
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        export::score::{Action, Score},
        kit::Slice,
    };

    fn kit_with(pads: &[usize]) -> Kit {
        let mut kit = Kit::default();
        for &pad in pads {
            let slice = Slice { take: 0, start: 0, end: 100, gain_db: 0.0, velocities: [0.0, 1.0] };
            kit.doc.pads[pad].slices = vec![slice];
        }
        kit
    }

    fn notes_of(kit: &Kit) -> Vec<(f64, u8, f32)> {
        let score = Score::parse(&groove_midi(kit)).unwrap();
        let on = |e: &super::super::score::Event| match e.action {
            Action::On(note, velocity) => Some((e.seconds, note, velocity)),
            _ => None,
        };
        score.events.iter().filter_map(on).collect()
    }

    #[test]
    fn every_sounding_pad_is_used_and_no_other() {
        for pads in [(0..16).collect::<Vec<_>>(), vec![0, 6], vec![3], vec![4, 5, 7, 8]] {
            let kit = kit_with(&pads);
            let notes = notes_of(&kit);
            for (i, pad) in kit.doc.pads.iter().enumerate() {
                assert_eq!(notes.iter().any(|n| n.1 == pad.note), pads.contains(&i), "pad {i} of {pads:?}");
            }
        }
    }

    #[test]
    fn it_has_ghost_notes_and_accents_and_stays_within_its_bars() {
        let notes = notes_of(&kit_with(&(0..16).collect::<Vec<_>>()));
        let soft = notes.iter().filter(|n| n.2 < 0.4).count();
        let loud = notes.iter().filter(|n| n.2 > 0.8).count();
        assert!(soft > 8 && loud > 8, "{soft} soft, {loud} loud");
        let length = BARS as f64 * 4.0 * 60.0 / TEMPO;
        assert!(notes.iter().all(|n| (0.0..length).contains(&n.0)));
    }

    #[test]
    fn a_kit_without_pads_gives_an_empty_groove() {
        assert!(notes_of(&Kit::default()).is_empty());
    }
}
