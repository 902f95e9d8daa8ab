//! A short groove of the project's own: four bars that use every pad of a kit, as a MIDI file.

use super::summary::sounding;
use crate::kit::{Kit, Role};
use midly::{
    Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind,
    num::{u4, u7, u15, u24, u28},
};

/// Beats per minute.
pub const TEMPO: f64 = 92.0;
/// Bars of four beats.
pub const BARS: usize = 4;
/// Steps in a bar: sixteenths.
const STEPS: usize = 16;
/// Ticks in a quarter note.
const TICKS: u16 = 480;
/// Where the second of two sixteenths falls between its neighbours: 0.5 is straight, 0.67 a triplet.
const SWING: f64 = 0.57;

/// A stroke: bar, step, velocity (1 to 127).
type Stroke = (usize, usize, u8);

/// The groove for the pads that sound, as the bytes of a Standard MIDI File on channel 10.
pub fn groove_midi(kit: &Kit) -> Vec<u8> {
    let mut notes = Vec::new();
    for (note, role, nth) in parts(kit) {
        for (bar, step, velocity) in pattern(role, nth, &Present::of(kit)) {
            notes.push((tick(role, bar, step), note, velocity));
        }
    }
    write(&kit.doc.name, &notes)
}

/// MIDI note, role and how many pads of the role came before, of each pad that sounds.
fn parts(kit: &Kit) -> Vec<(u8, Role, usize)> {
    let mut parts: Vec<(u8, Role, usize)> = Vec::new();
    for (_, pad, _) in sounding(kit) {
        let nth = parts.iter().filter(|p| p.1 == pad.role).count();
        parts.push((pad.note, pad.role, nth));
    }
    parts
}

/// Roles that others stand in for when they are missing.
struct Present {
    snare: bool,
    hat: bool,
}

impl Present {
    fn of(kit: &Kit) -> Self {
        let has = |role| sounding(kit).any(|(_, pad, _)| pad.role == role);
        Self { snare: has(Role::Snare), hat: has(Role::ClosedHat) }
    }
}

/// What a role plays; the second and later pads of one role answer the first more softly.
fn pattern(role: Role, nth: usize, present: &Present) -> Vec<Stroke> {
    if nth > 0 && role != Role::Percussion {
        return percussion(nth + 3);
    }
    let backbeat =
        |velocity| (0..BARS).flat_map(move |b| [(b, 4, velocity), (b, 12, velocity + 3)]).collect();
    match role {
        Role::Kick => kick(),
        Role::Snare => snare(),
        Role::Clap if !present.snare => backbeat(100),
        Role::Clap => vec![(1, 12, 84), (3, 12, 92)],
        Role::Rim if !present.snare => backbeat(92),
        Role::Rim => vec![(0, 11, 58), (1, 3, 52), (1, 10, 70), (2, 11, 60), (3, 3, 55), (3, 6, 72)],
        Role::ClosedHat => closed_hat(),
        Role::OpenHat => vec![(0, 14, 74), (2, 14, 80)],
        Role::Shaker => shaker(!present.hat),
        Role::LowTom => vec![(1, 14, 78), (1, 15, 64), (3, 14, 96), (3, 15, 104)],
        Role::HighTom => vec![(1, 13, 70), (3, 12, 72), (3, 13, 92)],
        Role::Percussion => percussion(nth),
    }
}

fn kick() -> Vec<Stroke> {
    let mut strokes = Vec::new();
    for bar in 0..BARS {
        strokes.push((bar, 0, 118));
        if bar % 2 == 0 {
            strokes.extend([(bar, 7, 78), (bar, 10, 108)]);
        } else {
            strokes.extend([(bar, 3, 70), (bar, 8, 62), (bar, 10, 110)]);
        }
    }
    strokes
}

fn snare() -> Vec<Stroke> {
    let mut strokes = Vec::new();
    for bar in 0..BARS {
        strokes.extend([(bar, 4, 112), (bar, 12, 116)]);
        // ghost notes
        strokes.extend([(bar, 7, 30), (bar, 9, 38)]);
        if bar % 2 == 1 {
            strokes.extend([(bar, 1, 26), (bar, 15, 44)]);
        }
    }
    strokes
}

fn closed_hat() -> Vec<Stroke> {
    let mut strokes = Vec::new();
    for bar in 0..BARS {
        for step in (0..STEPS).step_by(2) {
            // the open hat has its own places
            if !(bar % 2 == 0 && step == 14) {
                strokes.push((bar, step, if step % 4 == 0 { 92 } else { 66 }));
            }
        }
        strokes.extend([(bar, 5, 34), (bar, 11, 40)]);
        if bar % 2 == 1 {
            strokes.push((bar, 15, 48));
        }
    }
    strokes
}

/// Sixteenths leaning on the beat; from the third bar on, or throughout when nothing else keeps time.
fn shaker(alone: bool) -> Vec<Stroke> {
    let first = if alone { 0 } else { 2 };
    (first..BARS)
        .flat_map(|bar| (0..STEPS).map(move |step| (bar, step, [82, 40, 58, 46][step % 4])))
        .collect()
}

/// Three soft strokes somewhere off the beat, elsewhere for each pad.
fn percussion(nth: usize) -> Vec<Stroke> {
    let first = [3, 6, 14, 11, 1, 9, 5, 13, 7, 2, 15, 10][nth % 12];
    let bar = nth % 2;
    let velocity = [74, 62, 80, 68][nth % 4];
    vec![
        (bar, first, velocity),
        (bar + 2, first, velocity + 8),
        (bar + 2, (first + 5) % STEPS, velocity - 24),
    ]
}

/// When a stroke falls, in ticks: swung, with the hats a little ahead and the backbeat a little behind.
fn tick(role: Role, bar: usize, step: usize) -> u32 {
    let sixteenth = f64::from(TICKS) / 4.0;
    let swing = if step % 2 == 1 { (SWING - 0.5) * 2.0 * sixteenth } else { 0.0 };
    let lean = match role {
        Role::Snare | Role::Clap => 7.0,
        Role::Rim | Role::Percussion => 3.0,
        Role::ClosedHat | Role::Shaker if step > 0 => -4.0,
        _ => 0.0,
    };
    ((bar * STEPS + step) as f64 * sixteenth + swing + lean).round() as u32
}

/// A MIDI file of one track; `notes` are tick, MIDI note and velocity.
fn write(name: &str, notes: &[(u32, u8, u8)]) -> Vec<u8> {
    let length = u32::from(TICKS) / 8;
    let mut events = Vec::new();
    for &(tick, note, velocity) in notes {
        let (key, vel) = (u7::new(note.min(127)), u7::new(velocity.clamp(1, 127)));
        events.push((tick, 1, MidiMessage::NoteOn { key, vel }));
        events.push((tick + length, 0, MidiMessage::NoteOff { key, vel: u7::new(64) }));
    }
    events.sort_by_key(|&(tick, order, message)| (tick, order, key_of(message)));

    let meta = |message| TrackEvent { delta: u28::new(0), kind: TrackEventKind::Meta(message) };
    let title = format!("{name}: groove");
    let mut track = vec![
        meta(MetaMessage::TrackName(title.as_bytes())),
        meta(MetaMessage::Tempo(u24::new((60e6 / TEMPO).round() as u32))),
        meta(MetaMessage::TimeSignature(4, 2, 24, 8)),
    ];
    let mut now = 0;
    for (tick, _, message) in events {
        let kind = TrackEventKind::Midi { channel: u4::new(9), message };
        track.push(TrackEvent { delta: u28::new(tick - now), kind });
        now = tick;
    }
    let end = (BARS * STEPS) as u32 * u32::from(TICKS) / 4;
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
