//! Detection: from a take to its hits.

use super::{
    background::Background,
    edit,
    envelope::TakeEnvelope,
    hit::Hit,
    hit_builder::HitBuilder,
    onset_classifier, onsets,
    refine::{self, NoiseReference, Start},
    spectrogram::{self, Spectrogram},
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
/// The same take gives the same hits, also with another gain or polarity.
///
/// # Errors
/// Only when cancelled.
pub fn detect(take: &Take, options: &DetectOptions, progress: &dyn Progress) -> Result<Vec<Hit>> {
    progress.check()?;
    if take.frames() == 0 {
        return Ok(Vec::new());
    }
    let envelope = TakeEnvelope::of(take);
    let spectrogram = spectrogram::analyse(take, &envelope.means, STEP, &Part::new(progress, 0.0, 0.4))?;
    let starts = starts(take, &envelope, &spectrogram, options, &Part::new(progress, 0.4, 0.6))?;
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
    hits.retain(|hit| !background.is(hit));
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
/// sure, and few of them are wrong. The ratio of the take's mean power to its floor where that begins and where it is
/// whole, dB. Fitted to takes with pink noise 30, 20 and 10 dB below them (tests/SCORES.md).
const NOISE_LOG_ODDS: f32 = 2.8;
const NOISE_RANGE_DB: [f32; 2] = [40.0, 15.0];
/// Change of the lowest log odds when the sensitivity moves by 1.
const SENSITIVITY_LOG_ODDS: f32 = 7.0;

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
    let [quiet, loud] = NOISE_RANGE_DB;
    let noise = ((quiet - envelope.over_floor_db()) / (quiet - loud)).clamp(0.0, 1.0);
    let least =
        MIN_LOG_ODDS - NOISE_LOG_ODDS * noise - SENSITIVITY_LOG_ODDS * options.sensitivity.clamp(-1.0, 1.0);
    let mut starts: Vec<usize> = Vec::new();
    for c in classified(take, envelope, spectrogram, progress)? {
        let earliest = starts.last().map_or(0, |&s| s + apart);
        let swells = c.on_a_slope && starts.last().is_some_and(|&s| c.start.sample < s + swell);
        let least = if swells { least + SLOPE_LOG_ODDS } else { least };
        if c.log_odds >= least && c.start.sample >= earliest {
            starts.push(swell::audible(spectrogram, rate, c.start.sample, earliest));
        }
    }
    Ok(starts)
}

/// Every candidate with its start and its log odds of being a hit.
fn classified(
    take: &Take,
    envelope: &TakeEnvelope,
    s: &Spectrogram,
    progress: &dyn Progress,
) -> Result<Vec<Classified>> {
    let reference = NoiseReference { means: &envelope.means, floor: envelope.floor() };
    let candidates = onsets::candidates(s);
    let counter = Counter::new(progress, STEP, candidates.len());
    let own = parallel::in_order(
        candidates.len(),
        || (),
        |_, i| {
            progress.check()?;
            let (c, previous) = (&candidates[i], i.checked_sub(1).map(|p| &candidates[p]));
            let earliest = previous.map_or(0, |p| s.centre(p.frame));
            let start = refine::start(take, &reference, s.centre(c.frame), earliest);
            let features = onset_classifier::own_features(c, &start, previous);
            counter.one_done();
            Ok((start, (start.sample, features)))
        },
    );
    let own = own.into_iter().collect::<Result<Vec<_>>>()?;
    let (starts, own): (Vec<Start>, Vec<_>) = own.into_iter().unzip();
    let classified = candidates.iter().zip(starts).enumerate().map(|(i, (c, start))| {
        let features = onset_classifier::in_context(&own, i, f64::from(take.sample_rate));
        let log_odds = onset_classifier::log_odds(&features);
        let on_a_slope = onset_classifier::on_a_slope(c, &start);
        Classified { start, features, log_odds, on_a_slope }
    });
    Ok(classified.collect())
}

/// Start (frame) and features of every candidate: what the trees of the onset classifier are fitted to by
/// `tests/reference/detection_fit.py`.
///
/// # Errors
/// Only when cancelled.
#[doc(hidden)]
pub fn onset_features(take: &Take, progress: &dyn Progress) -> Result<Vec<(usize, Vec<f32>)>> {
    let envelope = TakeEnvelope::of(take);
    let spectrogram = spectrogram::analyse(take, &envelope.means, STEP, progress)?;
    let classified = classified(take, &envelope, &spectrogram, progress)?;
    Ok(classified.into_iter().map(|c| (c.start.sample, c.features.to_vec())).collect())
}

/// A candidate with its start and the classifier's verdict.
struct Classified {
    start: Start,
    features: [f32; onset_classifier::FEATURES],
    log_odds: f32,
    on_a_slope: bool,
}
