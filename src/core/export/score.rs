//! Scores: notes in time, read from MIDI files.

use crate::{
    error::{Error, Result},
    kit::{Kit, PADS, key_map},
};
use midly::{Fps, MetaMessage, MidiMessage, Smf, Timing, TrackEventKind};
use std::{collections::BTreeMap, path::Path};

/// Maximum size of a MIDI file, bytes. Common practice, no source: songs have up to some hundred kilobytes.
const MAX_MIDI_FILE_BYTES: u64 = 32 << 20;
/// Channel of drums, 10 as musicians count (General MIDI 1).
const DRUM_CHANNEL: u8 = 9;
/// Tempo until a file sets one, beats per minute (Standard MIDI Files 1.0, "Set Tempo").
const FIRST_TEMPO: f64 = 120.0;

/// What happens at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Action {
    /// A key goes down: MIDI note, velocity above 0 to 1.
    On(u8, f32),
    /// A key is let go: MIDI note.
    Off(u8),
    /// Everything fades out (MIDI controller 120, All Sound Off).
    Silence,
}

/// An action and its time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// Time from the start, seconds.
    pub seconds: f64,
    /// MIDI channel, 0 to 15: those of a kit's key parts play these, the others the pads.
    pub channel: u8,
    /// What happens.
    pub action: Action,
}

/// A stretch of even tempo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tempo {
    /// Where it begins, seconds.
    pub seconds: f64,
    /// Where it begins, beats (quarter notes).
    pub beats: f64,
    /// Beats per minute.
    pub bpm: f64,
}

/// Notes in time, in order.
#[derive(Debug, Clone, PartialEq)]
pub struct Score {
    /// In order of time; of simultaneous events in the order of the file.
    pub events: Vec<Event>,
    /// At least one, in order; the first begins at 0.
    pub tempi: Vec<Tempo>,
    /// Length, seconds: the last event of any kind, the tail not counted.
    pub seconds: f64,
}

impl Score {
    /// One note on the drums' channel at the start, released after `held` seconds.
    pub fn stroke(note: u8, velocity: f32, held: f64) -> Self {
        let events = vec![
            Event { seconds: 0.0, channel: DRUM_CHANNEL, action: Action::On(note, velocity) },
            Event { seconds: held, channel: DRUM_CHANNEL, action: Action::Off(note) },
        ];
        let tempi = vec![Tempo { seconds: 0.0, beats: 0.0, bpm: FIRST_TEMPO }];
        Self { events, tempi, seconds: held }
    }

    /// The notes that no pad and no key part of `kit` plays, with how often each one comes.
    pub fn unanswered(&self, kit: &Kit) -> BTreeMap<u8, usize> {
        let keys = key_map(&kit.doc);
        let sounds = |pad: usize| !kit.doc.pads[pad].is_empty();
        let mut counts = BTreeMap::new();
        for event in &self.events {
            let Action::On(note, _) = event.action else { continue };
            if kit.doc.key_parts.iter().any(|part| part.answers(event.channel, note)) {
                continue;
            }
            if !(0..kit.doc.pads.len().min(PADS)).any(|p| keys.plays(note, p) && sounds(p)) {
                *counts.entry(note).or_default() += 1;
            }
        }
        counts
    }

    /// Reads a MIDI file.
    ///
    /// # Errors
    /// A file that cannot be read, is no MIDI file or is larger than 32 MiB.
    pub fn read(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        let trouble = |t: &str| Error::file(path, t);
        let size = std::fs::metadata(path).map_err(|e| unreadable(path, &e))?.len();
        if size > MAX_MIDI_FILE_BYTES {
            return Err(trouble("is larger than 32 MiB, which no song is; choose a MIDI file"));
        }
        let bytes = std::fs::read(path).map_err(|e| unreadable(path, &e))?;
        Self::parse(&bytes)
            .map_err(|_| trouble("is not a MIDI file or is damaged; choose a Standard MIDI File (.mid)"))
    }

    /// Reads the bytes of a Standard MIDI File, format 0, 1 or 2, with ticks per beat or SMPTE time.
    /// Notes of every channel play, a key struck with velocity 0 is let go.
    ///
    /// # Errors
    /// What is wrong with the bytes, as the end of a sentence that names them.
    pub fn parse(bytes: &[u8]) -> Result<Self> {
        // -128 frames a second, which the library negates in any header; SMPTE time has 24, 25, 29 or 30
        if bytes.windows(13).any(|header| header.starts_with(b"MThd") && header[12] == 0x80) {
            return Err(Error::invalid("is not a MIDI file: its clock has no frames"));
        }
        let smf = Smf::parse(bytes).map_err(|e| Error::invalid(format!("is not a MIDI file: {e}")))?;
        let clock = Clock::new(smf.header.timing, &tempo_changes(&smf))?;
        let mut events = Vec::new();
        let mut last = 0;
        each_event(&smf, |tick, kind| {
            last = last.max(tick);
            if let Some((channel, action)) = action_of(kind) {
                events.push((tick, channel, action));
            }
        });
        events.sort_by_key(|&(tick, ..)| tick); // stable: the file's order stays
        let event = |(tick, channel, action)| Event { seconds: clock.seconds(tick), channel, action };
        let events = events.into_iter().map(event).collect();
        Ok(Self { events, seconds: clock.seconds(last), tempi: clock.tempi() })
    }

    /// Tempo and beats at a time in seconds.
    pub fn position_at(&self, seconds: f64) -> (f64, f64) {
        let i = self.tempi.partition_point(|t| t.seconds <= seconds).max(1) - 1;
        let t = self.tempi[i];
        (t.bpm, t.beats + (seconds - t.seconds) * t.bpm / 60.0)
    }
}

fn unreadable(path: &Path, e: &std::io::Error) -> Error {
    Error::file(path, format!("cannot be read ({e}); check the path and its permissions"))
}

/// Calls `f` with each event's tick; the tracks of a format 2 file follow each other.
fn each_event<'a>(smf: &'a Smf<'a>, mut f: impl FnMut(u64, &TrackEventKind<'a>)) {
    let one_by_one = smf.header.format == midly::Format::Sequential;
    let mut begin = 0;
    for track in &smf.tracks {
        let mut tick = begin;
        for event in track {
            tick += u64::from(event.delta.as_int());
            f(tick, &event.kind);
        }
        if one_by_one {
            begin = tick;
        }
    }
}

/// Channel and what happens there.
fn action_of(kind: &TrackEventKind) -> Option<(u8, Action)> {
    let TrackEventKind::Midi { channel, message } = kind else { return None };
    let action = match *message {
        MidiMessage::NoteOn { key, vel } if vel > 0 => {
            Action::On(key.as_int(), f32::from(vel.as_int()) / 127.0)
        }
        MidiMessage::NoteOn { key, .. } | MidiMessage::NoteOff { key, .. } => Action::Off(key.as_int()),
        MidiMessage::Controller { controller, .. } if controller == 120 => Action::Silence,
        _ => return None,
    };
    Some((channel.as_int(), action))
}

/// Tick and microseconds per beat of each tempo change, in order.
fn tempo_changes(smf: &Smf) -> Vec<(u64, f64)> {
    let mut changes = Vec::new();
    each_event(smf, |tick, kind| {
        if let TrackEventKind::Meta(MetaMessage::Tempo(us)) = kind {
            changes.push((tick, f64::from(us.as_int().max(1))));
        }
    });
    changes.sort_by_key(|&(tick, _)| tick);
    changes
}

/// Converts ticks to seconds.
struct Clock {
    /// Tick, seconds, beats, seconds per tick and beats per tick of each stretch.
    stretches: Vec<(u64, f64, f64, f64, f64)>,
}

impl Clock {
    fn new(timing: Timing, changes: &[(u64, f64)]) -> Result<Self> {
        let no_ticks = || Error::invalid("is not a MIDI file: its clock has no ticks");
        match timing {
            Timing::Timecode(fps, ticks) => {
                // SMPTE time does not follow the tempo; drop frame runs at 30000/1001
                let fps = match fps {
                    Fps::Fps29 => 30_000.0 / 1001.0,
                    fps => f64::from(fps.as_int()),
                };
                let per_tick = 1.0 / (fps * f64::from(ticks));
                if !per_tick.is_finite() {
                    return Err(no_ticks());
                }
                Ok(Self { stretches: vec![(0, 0.0, 0.0, per_tick, per_tick * FIRST_TEMPO / 60.0)] })
            }
            Timing::Metrical(per_beat) => {
                let per_beat = f64::from(per_beat.as_int());
                if per_beat == 0.0 {
                    return Err(no_ticks());
                }
                let seconds_per_tick = |us: f64| us / 1e6 / per_beat;
                let first = seconds_per_tick(60e6 / FIRST_TEMPO);
                let mut clock = Self { stretches: vec![(0, 0.0, 0.0, first, 1.0 / per_beat)] };
                for &(tick, us) in changes {
                    let next = (
                        tick,
                        clock.seconds(tick),
                        tick as f64 / per_beat,
                        seconds_per_tick(us),
                        1.0 / per_beat,
                    );
                    if clock.stretches.last().is_some_and(|s| s.0 == tick) {
                        clock.stretches.pop();
                    }
                    clock.stretches.push(next);
                }
                Ok(clock)
            }
        }
    }

    fn seconds(&self, tick: u64) -> f64 {
        let i = self.stretches.partition_point(|s| s.0 <= tick).max(1) - 1;
        let (from, seconds, _, per_tick, _) = self.stretches[i];
        seconds + (tick - from) as f64 * per_tick
    }

    fn tempi(&self) -> Vec<Tempo> {
        self.stretches
            .iter()
            .map(|&(_, seconds, beats, per_tick, beats_per_tick)| Tempo {
                seconds,
                beats,
                bpm: 60.0 * beats_per_tick / per_tick,
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use midly::{
        Format, Header, Track, TrackEvent,
        num::{u4, u7, u15, u24, u28},
    };

    fn note(delta: u32, vel: u8) -> TrackEvent<'static> {
        let message = MidiMessage::NoteOn { key: u7::new(38), vel: u7::new(vel) };
        TrackEvent { delta: u28::new(delta), kind: TrackEventKind::Midi { channel: u4::new(9), message } }
    }

    fn tempo(delta: u32, us: u32) -> TrackEvent<'static> {
        let kind = TrackEventKind::Meta(MetaMessage::Tempo(u24::new(us)));
        TrackEvent { delta: u28::new(delta), kind }
    }

    fn parse(format: Format, timing: Timing, tracks: Vec<Track<'static>>) -> Score {
        let mut bytes = Vec::new();
        Smf { header: Header::new(format, timing), tracks }.write_std(&mut bytes).unwrap();
        Score::parse(&bytes).unwrap()
    }

    fn times(score: &Score) -> Vec<f64> {
        score.events.iter().map(|e| e.seconds).collect()
    }

    #[test]
    fn notes_that_no_pad_plays_are_counted() {
        let mut kit = Kit::default();
        kit.doc.pads[0].slices =
            vec![crate::kit::Slice { take: 0, start: 0, end: 1, gain_db: 0.0, velocities: [0.0, 1.0] }];
        let on = |note| Event { seconds: 0.0, channel: 9, action: Action::On(note, 1.0) };
        let events =
            vec![on(36), on(35), on(38), on(35), Event { seconds: 1.0, channel: 9, action: Action::Off(36) }];
        let score = Score { events, ..Score::stroke(36, 1.0, 1.0) };
        // the snare's pad is empty
        assert_eq!(score.unanswered(&kit), BTreeMap::from([(35, 2), (38, 1)]));
    }

    #[test]
    fn the_tempo_map_applies_to_every_track() {
        let ticks = Timing::Metrical(u15::new(100));
        // one beat at 120, then 60 beats per minute
        let map = vec![tempo(0, 500_000), tempo(100, 1_000_000)];
        let notes = vec![note(50, 127), note(50, 0), note(100, 64)];
        let score = parse(Format::Parallel, ticks, vec![map, notes]);
        assert_eq!(times(&score), [0.25, 0.5, 1.5]);
        assert_eq!(score.events[0].action, Action::On(38, 1.0));
        assert_eq!(score.events[1].action, Action::Off(38));
        assert_eq!(score.events[2].action, Action::On(38, 64.0 / 127.0));
        assert_eq!(score.position_at(0.25), (120.0, 0.5));
        assert_eq!(score.position_at(1.5), (60.0, 2.0));
    }

    #[test]
    fn smpte_time_ignores_the_tempo() {
        let track = vec![tempo(0, 250_000), note(1000, 1)];
        let score = parse(Format::SingleTrack, Timing::Timecode(Fps::Fps25, 40), vec![track]);
        assert_eq!(times(&score), [1.0]);
    }

    #[test]
    fn tracks_of_format_2_follow_each_other() {
        let ticks = Timing::Metrical(u15::new(96));
        let score = parse(Format::Sequential, ticks, vec![vec![note(96, 9)], vec![note(96, 9)]]);
        assert_eq!(times(&score), [0.5, 1.0]);
    }

    #[test]
    fn other_bytes_are_refused() {
        assert!(Score::parse(b"").is_err());
        assert!(Score::parse(b"RIFF....WAVE").is_err());
        let no_ticks = b"MThd\0\0\0\x06\0\0\0\x01\0\0MTrk\0\0\0\x04\0\xff\x2f\0";
        assert!(Score::parse(no_ticks).is_err());
        let no_frames = b"MThd\0\0\0\x06\0\0\0\x01\x80\x60MTrk\0\0\0\x04\0\xff\x2f\0";
        assert!(Score::parse(no_frames).is_err());
    }
}
