//! Other hits of the same takes that a recipe may play beside its own: what one hit lacks, another one has.

use crate::{
    kit::{Kit, Slice},
    listen::Hit,
    units::{db_to_power, power_to_db},
};

/// Peak of a hit before its tone chain, dBFS, so that thresholds work alike on every hit.
pub const WORKING_PEAK_DB: f32 = -6.0;
/// Maximum gain that brings a hit to that peak, dB: softer hits are noise.
const MAX_LIFT_DB: f32 = 48.0;

/// Pitch of the shell that a side stick rings in, Hz: the strongest partial of recorded ones (our recordings).
pub const SHELL_HZ: f32 = 780.0;
/// Minimum length of a hit that rings, ms.
const MIN_RING_MS: f32 = 150.0;
/// Minimum length of a hit that lends its highs, ms.
const MIN_BRIGHT_MS: f32 = 60.0;
/// A hit softer than the loudest by more than this brings noise along, dB.
const MAX_SOFTER_DB: f32 = 24.0;
/// Stretches of a description that are the stroke and its body, and the first of its bands that counts as high: 5 kHz.
const STROKE_STRETCHES: usize = 3;
const HIGH_BAND: usize = 7;

/// What the takes of a kit lend; nothing by default.
#[derive(Debug, Clone, Copy, Default)]
pub struct Companions {
    /// The hit that rings best, for the body of drums with a shell; `None` where nothing rings.
    pub ring: Option<Ring>,
    /// The hit with the most highs, for sticks and wires.
    pub bright: Option<Bright>,
}

/// A hit that rings on a pitch.
#[derive(Debug, Clone, Copy)]
pub struct Ring {
    /// Where it lies.
    pub slice: Slice,
    /// Its fundamental, Hz.
    pub hz: f32,
}

/// A hit with many highs.
#[derive(Debug, Clone, Copy)]
pub struct Bright {
    /// Where it lies.
    pub slice: Slice,
    /// See [`high_share_db`].
    pub share_db: f32,
}

impl Companions {
    /// Those of all hits of a kit.
    pub fn of(kit: &Kit) -> Self {
        let takes = kit.doc.takes.iter().enumerate();
        let hits: Vec<(usize, f64, &Hit)> = takes
            .flat_map(|(take, entry)| {
                entry.hits.iter().map(move |hit| (take, f64::from(entry.sample_rate), hit))
            })
            .collect();
        Self { ring: Ring::of(&hits), bright: Bright::of(&hits) }
    }
}

impl Ring {
    /// Among hits (with their take and its rate), the one that rings longest at a pitch from which a shell's is
    /// reached without moving it far.
    fn of(hits: &[(usize, f64, &Hit)]) -> Option<Self> {
        let rings = hits.iter().filter_map(|&(take, rate, hit)| {
            let d = &hit.description;
            let hz = d.pitch_hz.filter(|_| d.pitch_confidence > 0.6)?;
            let lasting = d.decay_20_ms.min(length_ms(hit, rate));
            // an octave of transposition counts like half the length
            let value = lasting.min(600.0) * libm::exp2f(-(hz / SHELL_HZ).log2().abs());
            (lasting >= MIN_RING_MS).then_some((value, Self { slice: slice_of(take, hit), hz }))
        });
        rings.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, ring)| ring)
    }
}

impl Bright {
    /// Among hits (with their take and its rate), the loud and long enough one with the most highs.
    fn of(hits: &[(usize, f64, &Hit)]) -> Option<Self> {
        let loudest = hits.iter().map(|(_, _, hit)| hit.description.peak_db).fold(f32::MIN, f32::max);
        let usable = hits.iter().filter(|(_, rate, hit)| {
            hit.description.peak_db >= loudest - MAX_SOFTER_DB && length_ms(hit, *rate) >= MIN_BRIGHT_MS
        });
        let bright =
            usable.map(|&(take, _, hit)| Self { slice: slice_of(take, hit), share_db: high_share_db(hit) });
        bright.max_by(|a, b| a.share_db.total_cmp(&b.share_db))
    }
}

/// Power above 5 kHz in the first 150 ms of a hit over that of the whole hit, dB.
pub fn high_share_db(hit: &Hit) -> f32 {
    let stretches = &hit.description.bands_db[..STROKE_STRETCHES];
    power_to_db(stretches.iter().map(|bands| db_to_power(bands[HIGH_BAND])).sum())
}

/// The slice of a hit, with the gain that brings it to the working peak.
pub fn slice_of(take: usize, hit: &Hit) -> Slice {
    let lift = (WORKING_PEAK_DB - hit.description.peak_db).clamp(-MAX_LIFT_DB, MAX_LIFT_DB);
    Slice { take, start: hit.start, end: hit.end, gain_db: lift, velocities: [0.0, 1.0] }
}

fn length_ms(hit: &Hit, rate: f64) -> f32 {
    (1000.0 * hit.end.saturating_sub(hit.start) as f64 / rate) as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listen::Description;

    fn hit(start: u64, peak_db: f32, high_db: f32) -> Hit {
        let mut bands_db = [[-60.0; 8]; 4];
        bands_db[1][HIGH_BAND] = high_db;
        let description = Description { peak_db, bands_db, ..Description::default() };
        Hit { start, end: start + 4800, by_hand: false, description }
    }

    #[test]
    fn the_brightest_hit_that_is_no_noise_lends_its_highs() {
        let hits = [hit(0, -6.0, -20.0), hit(10_000, -12.0, -9.0), hit(20_000, -40.0, -1.0)];
        let with_rate: Vec<_> = hits.iter().map(|h| (0, 48_000.0, h)).collect();
        let bright = Bright::of(&with_rate).expect("a hit");
        assert_eq!(bright.slice.start, 10_000);
        assert!((bright.share_db - -9.0).abs() < 0.1, "{}", bright.share_db);
        let short: Vec<_> = hits.iter().map(|h| (0, 480_000.0, h)).collect();
        assert!(Bright::of(&short).is_none(), "10 ms are a click");
    }
}
