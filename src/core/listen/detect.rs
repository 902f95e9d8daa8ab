//! Detection: from a take to its hits.

use super::{
    background::Background,
    classified::{classified, is_noisy},
    edit,
    envelope::TakeEnvelope,
    hit::Hit,
    hit_builder::HitBuilder,
    spectrogram::{self, Spectrogram},
    steady::Steadiness,
    swell,
};
use crate::{
    error::Result,
    parallel,
    progress::{Counter, Part, Progress},
    take::Take,
};
use serde::{Deserialize, Serialize};

/// The step of progress reports.
const STEP: &str = "detecting hits";

/// How hits are detected.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct DetectOptions {
    /// -1 (fewer hits) to 1 (more hits), 0 by default.
    pub sensitivity: f32,
    /// Ends every hit this far below its loudest moment, dB (1 to 60); by its decay alone when absent.
    pub gate_db: Option<f32>,
}

/// The hits of `take` in order of their starts; they do not overlap. Silence gives none.
///
/// Deterministic. Another polarity gives the same starts; another gain moves them by the 24-bit rounding only. Ends may
/// differ by up to 10 ms, since they are moved to a rising zero crossing.
///
/// # Errors
/// Only when cancelled.
pub fn detect(take: &Take, options: &DetectOptions, progress: &dyn Progress) -> Result<Vec<Hit>> {
    progress.check()?;
    if take.frames() == 0 {
        return Ok(Vec::new());
    }
    let envelope = TakeEnvelope::of(take);
    let recorded = envelope.recorded.clone();
    let analysis = Part::new(progress, 0.0, 0.4);
    let spectrogram = spectrogram::analyse(take, recorded, &envelope.means, STEP, &analysis)?;
    let starts = starts(take, &envelope, &spectrogram, options, &Part::new(progress, 0.4, 0.6))?;
    let steadiness = Steadiness::of(&spectrogram, envelope.rate);
    drop(spectrogram);
    let part = Part::new(progress, 0.6, 1.0);
    let counter = Counter::new(&part, STEP, starts.len());
    let hits = parallel::in_order(
        starts.len(),
        || HitBuilder::with_gate(take, &envelope, options.gate_db),
        |builder, i| {
            progress.check()?;
            let next = starts.get(i + 1).copied().unwrap_or(take.frames()) as u64;
            let start = starts[i] as u64;
            let end = builder.end(start, next);
            let hit = Hit { start, end, by_hand: false, description: builder.describe(start, end) };
            counter.one_done();
            Ok(hit)
        },
    );
    let mut hits = hits.into_iter().collect::<Result<Vec<_>>>()?;
    let background = Background::of(&envelope);
    let mut next = starts.iter().skip(1).map(|start| *start as u64);
    hits.retain(|hit| {
        let next = next.next().unwrap_or(take.frames() as u64);
        !background.is(hit) && !steadiness.sets_in_with(take, hit, next)
    });
    progress.report(STEP, 1.0);
    Ok(hits)
}

/// Detects the hits of `take` again: as [`detect`], but hits of `before` that were set by hand stay as they are, and
/// none is detected where one was `set_aside` (frames, see [`edit::set_aside`]).
///
/// # Errors
/// Only when cancelled.
pub fn detect_again(
    take: &Take,
    before: &[Hit],
    set_aside: &[u64],
    options: &DetectOptions,
    progress: &dyn Progress,
) -> Result<Vec<Hit>> {
    Ok(edit::keep_by_hand(before, set_aside, detect(take, options, progress)?, take))
}

/// Shortest time between two starts, seconds: strokes of a flam are 22 ms or more apart.
const MIN_SPACING_S: f64 = 0.012;
/// Lowest log odds of a hit at sensitivity 0: below 0, since a missed hit is a little worse than a false one.
const MIN_LOG_ODDS: f32 = -0.2;
/// Further log odds that a ripple on the slope of a hit needs, within this time from the hit's start, seconds.
const SLOPE_LOG_ODDS: f32 = 2.0;
const SLOPE_S: f64 = 0.3;
/// How much lower the least log odds lie where a take's noise floor comes near its own level: onsets in noise look less
/// sure, and few of them are wrong. Fitted to takes with pink noise 30, 20 and 10 dB below them (tests/SCORES.md).
const NOISE_LOG_ODDS: f32 = 2.8;
/// Slope: the least log odds fall by [`NOISE_LOG_ODDS`] over this range of the take's mean power over its floor, dB. Takes
/// below 23 dB (`classified::NOISY_DB`) have a limit of their own, so at most 68 % of it is applied.
const NOISE_RANGE_DB: [f32; 2] = [40.0, 15.0];
/// Lowest log odds of a hit at sensitivity 0 in a noisy take, whose trees were fitted to noise (found by trial).
const NOISY_MIN_LOG_ODDS: f32 = -0.7;
/// Where digital silence ends and a recording begins, a hit starts unless one is found within this time, seconds: the trees
/// compare with what was before, which nobody knows there. What follows tells whether it is background.
const SOON_S: f64 = 0.02;
/// Change of the lowest log odds when the sensitivity moves by 1.
const SENSITIVITY_LOG_ODDS: f32 = 7.0;

/// The least log odds of a hit at sensitivity 0, by the take's level over its noise floor, dB.
fn usual_log_odds(over_floor_db: f32) -> f32 {
    if is_noisy(over_floor_db) {
        return NOISY_MIN_LOG_ODDS;
    }
    let [quiet, loud] = NOISE_RANGE_DB;
    MIN_LOG_ODDS - NOISE_LOG_ODDS * ((quiet - over_floor_db) / (quiet - loud)).clamp(0.0, 1.0)
}

/// First samples of all hits.
fn starts(
    take: &Take,
    envelope: &TakeEnvelope,
    spectrogram: &Spectrogram,
    options: &DetectOptions,
    progress: &dyn Progress,
) -> Result<Vec<usize>> {
    let rate = f64::from(take.sample_rate);
    let (apart, swell) = ((MIN_SPACING_S * rate) as usize, (SLOPE_S * rate) as usize);
    let usual = usual_log_odds(envelope.over_floor_db());
    let least = usual - SENSITIVITY_LOG_ODDS * options.sensitivity.clamp(-1.0, 1.0);
    let mut starts: Vec<usize> = Vec::new();
    for c in classified(take, envelope, spectrogram, STEP, progress)? {
        let earliest = starts.last().map_or(0, |&s| s + apart);
        let swells = c.on_a_slope && starts.last().is_some_and(|&s| c.start.sample < s + swell);
        let least = if swells { least + SLOPE_LOG_ODDS } else { least };
        if c.log_odds >= least && c.start.sample >= earliest {
            starts.push(swell::audible(spectrogram, rate, c.start.sample, earliest));
        }
    }
    let first = envelope.recorded.start;
    let soon = first + (SOON_S * rate) as usize;
    if first > 0 && starts.first().is_none_or(|&s| s > soon) && envelope.begins_with_a_step() {
        starts.insert(0, first);
    }
    Ok(starts)
}
