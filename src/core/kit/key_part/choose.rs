//! Key parts made from the hits of a kit: which hit, and how it is played at first.

use super::{KEY_PARTS, KeyLoop, KeyPart, KeyPartSettings, find_loop};
use crate::{
    kit::{Kit, Slice},
    listen::Hit,
    take::Take,
    units::{db_to_power, gain_to_db, power_to_db},
};

/// Lowest confidence in a fundamental for a part that is made unasked (our choice: casting tunes pads from 0.5 on).
const SURE: f32 = 0.75;
/// Least correlation of the ends of a loop for such a part (our choice: below it a tremolo is heard).
const SURE_LOOP: f32 = 0.8;
/// Shortest decay by 20 dB of such a hit, ms (our choice: what is shorter is a knock).
const LONG_MS: f32 = 80.0;
/// Largest spectral flatness of such a hit (our choice: above it noise is heard beside the tone).
const MAX_FLATNESS: f32 = 0.05;
/// A hit loses one point for each 40 dB below the loudest (our choice: soft hits bring noise).
const DB_PER_POINT: f32 = 40.0;
/// Highest fundamental that serves a bass without loss, Hz, and the points that each octave above costs: played octaves
/// lower, a tone gets dull.
const BASS_HZ: f32 = 110.0;
const POINTS_PER_OCTAVE: f32 = 0.25;
/// Hits whose loops are tried.
const TRIED: usize = 10;

/// How a part is played at first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyPartKind {
    /// Low, one key at a time, gliding.
    Bass,
    /// Soft, several keys, slow to come and go.
    Chords,
}

impl KeyPartKind {
    /// Every kind.
    pub const ALL: [Self; KEY_PARTS] = [Self::Bass, Self::Chords];

    /// The name of a part of this kind.
    pub fn word(self) -> &'static str {
        match self {
            Self::Bass => "bass",
            Self::Chords => "chords",
        }
    }

    /// Settings of a fresh part. The channels leave 1, where keyboards send, and 10, where drums are, to the pads.
    /// The sounds are our choice, after common practice.
    fn settings(self) -> KeyPartSettings {
        let usual = KeyPartSettings::default();
        match self {
            Self::Bass => KeyPartSettings {
                channel: 2,
                mono: true,
                glide_ms: 60.0,
                attack_ms: 2.0,
                decay_ms: 2500.0,
                sustain: 0.6,
                release_ms: 90.0,
                low_cut_hz: 30.0,
                high_cut_hz: 1800.0,
                ..usual
            },
            Self::Chords => KeyPartSettings {
                channel: 3,
                attack_ms: 180.0,
                decay_ms: 4000.0,
                sustain: 0.8,
                release_ms: 900.0,
                low_cut_hz: 160.0,
                high_cut_hz: 3500.0,
                ..usual
            },
        }
    }

    /// Level of the sustained sound, and the highest peak, dBFS: a bass stands beside the kick, and eight chord
    /// voices together stay behind the pads (our choice).
    fn levels(self) -> (f64, f32) {
        match self {
            Self::Bass => (-20.0, -6.0),
            Self::Chords => (-30.0, -10.0),
        }
    }
}

impl KeyPart {
    /// The part that plays `hit` of `take`, which is take number `index` of the kit. A hit without a known fundamental
    /// counts as a 440 Hz one without a loop: the player sets its pitch.
    pub fn of_hit(kind: KeyPartKind, take: &Take, index: usize, hit: &Hit) -> Self {
        let found = hit.description.pitch_hz.and_then(|hz| find_loop(take, hit.start, hit.end, hz));
        let root_hz = found.map(|f| f.root_hz).or(hit.description.pitch_hz).unwrap_or(440.0);
        let slice =
            Slice { take: index, start: hit.start, end: hit.end, gain_db: 0.0, velocities: [0.0, 1.0] };
        let sustain = found.map(|f| KeyLoop { start: f.start, end: f.end, fade: f.fade });
        let mut settings = kind.settings();
        if let (KeyPartKind::Chords, Some(sustain)) = (kind, sustain) {
            // soft chords have no attack of their own: they begin where they are even
            let skipped = (sustain.start - hit.start) as f32 * 1000.0 / take.sample_rate as f32;
            settings.start_ms = skipped.min(2000.0);
        }
        let from = hit.start + (settings.start_ms * 0.001 * take.sample_rate as f32) as u64;
        let slice = Slice { gain_db: gain_db(kind, take, (from.min(hit.end), hit.end), sustain), ..slice };
        Self { name: kind.word().to_owned(), slice: Some(slice), root_hz, sustain, settings }
    }

    /// Plays another hit with the same settings, but for where in the hit it starts.
    pub fn change_hit(&mut self, take: &Take, index: usize, hit: &Hit) {
        let kind = if self.settings.mono { KeyPartKind::Bass } else { KeyPartKind::Chords };
        let made = Self::of_hit(kind, take, index, hit);
        (self.slice, self.root_hz, self.sustain) = (made.slice, made.root_hz, made.sustain);
        self.settings.start_ms = made.settings.start_ms;
    }
}

/// Gain that brings the loop, or all that is played, to the level of its kind without exceeding the highest peak.
fn gain_db(kind: KeyPartKind, take: &Take, played: (u64, u64), sustain: Option<KeyLoop>) -> f32 {
    let (start, end) = sustain.map_or(played, |l| (l.start, l.end));
    let part =
        |from: u64, to: u64| take.channels.iter().filter_map(move |c| c.get(from as usize..to as usize));
    let mean = part(start, end)
        .map(|c| c.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>() / c.len().max(1) as f64)
        .fold(0.0, f64::max);
    let peak = part(played.0, played.1).flatten().fold(0.0_f32, |p, x| p.max(x.abs()));
    let (level, highest) = kind.levels();
    let by_level = power_to_db(db_to_power(level) / mean.max(1e-12)) as f32;
    by_level.min(highest - gain_to_db(peak.max(1e-6))).clamp(-60.0, 60.0)
}

impl Kit {
    /// The key parts of a fresh kit: a bass and chords where a hit has a sure fundamental and a good loop, else none.
    /// The chords take the hit that serves best as a tone, the bass one that is low as well.
    pub fn usual_key_parts(&self) -> Vec<KeyPart> {
        let tones = self.doc.takes.iter().enumerate().flat_map(|(take, entry)| {
            let hits = entry.hits.iter().filter(|hit| is_tone(hit));
            hits.map(move |hit| (take, hit, entry.sample_rate))
        });
        let loudest = tones.clone().map(|(_, hit, _)| hit.description.loudness_lufs).fold(f32::MIN, f32::max);
        let mut tones: Vec<(usize, &Hit, f32)> =
            tones.map(|(take, hit, rate)| (take, hit, tone_score(hit, rate, loudest))).collect();
        tones.sort_by(|a, b| b.2.total_cmp(&a.2));
        tones.truncate(TRIED);
        tones.retain(|&(take, hit, _)| {
            let found = hit.description.pitch_hz.zip(self.takes.get(take));
            let found = found.and_then(|(hz, take)| find_loop(take, hit.start, hit.end, hz));
            found.is_some_and(|found| found.correlation >= SURE_LOOP)
        });
        let low = |tone: &&(usize, &Hit, f32)| {
            let hz = tone.1.description.pitch_hz.unwrap_or(0.0);
            tone.2 - POINTS_PER_OCTAVE * libm::log2f(hz / BASS_HZ).max(0.0)
        };
        let bass = tones.iter().max_by(|a, b| low(a).total_cmp(&low(b)));
        let parts = KeyPartKind::ALL.into_iter().zip([bass, tones.first()]);
        parts
            .filter_map(|(kind, tone)| {
                let &(take, hit, _) = tone?;
                Some(KeyPart::of_hit(kind, &self.takes[take], take, hit))
            })
            .collect()
    }
}

/// Whether it is a tone that lasts.
fn is_tone(hit: &Hit) -> bool {
    let d = &hit.description;
    d.pitch_hz.is_some()
        && d.pitch_confidence >= SURE
        && d.decay_20_ms >= LONG_MS
        && d.flatness < MAX_FLATNESS
}

/// Points for how well it serves as a tone at `rate` Hz: sure, long, loud against the `loudest` one; 2 at most.
fn tone_score(hit: &Hit, rate: u32, loudest: f32) -> f32 {
    let d = &hit.description;
    let whole_ms = (hit.end - hit.start) as f32 * 1000.0 / rate as f32;
    let long = (d.decay_20_ms.min(whole_ms) / 1000.0).min(1.0);
    d.pitch_confidence + long - (loudest - d.loudness_lufs) / DB_PER_POINT
}
