//! Other hits of the same takes that a recipe may play beside its own: what one hit lacks, another one has.

use crate::{
    kit::{Kit, Slice},
    listen::Hit,
};

/// Peak of a hit before its tone chain, dBFS, so that thresholds work alike on every hit.
pub const WORKING_PEAK_DB: f32 = -6.0;
/// Maximum gain that brings a hit to that peak, dB: softer hits are noise.
const MAX_LIFT_DB: f32 = 48.0;

/// Pitch of the shell that a side stick rings in, Hz: the strongest partial of recorded ones (our recordings).
pub const SHELL_HZ: f32 = 780.0;
/// Minimum length of a hit that rings, ms.
const MIN_RING_MS: f32 = 150.0;
/// What the takes of a kit lend; nothing by default.
#[derive(Debug, Clone, Copy, Default)]
pub struct Companions {
    /// The hit that rings best, for the body of drums with a shell; `None` where nothing rings.
    pub ring: Option<Ring>,
}

/// A hit that rings on a pitch.
#[derive(Debug, Clone, Copy)]
pub struct Ring {
    /// Where it lies.
    pub slice: Slice,
    /// Its fundamental, Hz.
    pub hz: f32,
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
        Self { ring: Ring::of(&hits) }
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

/// The slice of a hit, with the gain that brings it to the working peak.
pub fn slice_of(take: usize, hit: &Hit) -> Slice {
    let lift = (WORKING_PEAK_DB - hit.description.peak_db).clamp(-MAX_LIFT_DB, MAX_LIFT_DB);
    Slice { take, start: hit.start, end: hit.end, gain_db: lift, velocities: [0.0, 1.0] }
}

fn length_ms(hit: &Hit, rate: f64) -> f32 {
    (1000.0 * hit.end.saturating_sub(hit.start) as f64 / rate) as f32
}
