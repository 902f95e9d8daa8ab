//! Candidates for onsets with their starts and their log odds of being hits.

use super::{
    envelope::TakeEnvelope,
    onset_classifier, onsets,
    refine::{self, NoiseReference, Start},
    spectrogram::{self, Spectrogram},
};
use crate::{
    error::Result,
    parallel,
    progress::{Counter, Progress},
    take::Take,
};

/// A take is noisy where its mean power is less than this above its noise floor, dB. Candidates are then picked by the
/// evidence for a change of level, and trees fitted to noisy takes decide (`tests/SCORES.md`): above, the others do as
/// well or better.
const NOISY_DB: f32 = 23.0;

/// A candidate with its start and the classifier's verdict.
pub(super) struct Classified {
    pub start: Start,
    pub features: Vec<f32>,
    pub log_odds: f32,
    pub on_a_slope: bool,
}

/// Whether soft hits of a take may be hidden in noise, by its level over its noise floor, dB.
pub(super) fn is_noisy(over_floor_db: f32) -> bool {
    over_floor_db < NOISY_DB
}

/// Every candidate with its start and its log odds of being a hit; progress is reported as `step`.
///
/// # Errors
/// Only when cancelled.
pub(super) fn classified(
    take: &Take,
    envelope: &TakeEnvelope,
    s: &Spectrogram,
    step: &str,
    progress: &dyn Progress,
) -> Result<Vec<Classified>> {
    let reference = NoiseReference {
        means: &envelope.means,
        floor: envelope.floor(),
        recorded: envelope.recorded.clone(),
    };
    let over_floor_db = envelope.over_floor_db();
    let noisy = is_noisy(over_floor_db);
    let candidates = onsets::candidates(s, noisy);
    let counter = Counter::new(progress, step, candidates.len());
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
        let on_a_slope = onset_classifier::on_a_slope(c, &start);
        if noisy {
            let features = onset_classifier::in_noise(&features, &candidates, i, over_floor_db);
            let log_odds = onset_classifier::noisy_log_odds(&features);
            Classified { start, features: features.to_vec(), log_odds, on_a_slope }
        } else {
            let log_odds = onset_classifier::log_odds(&features);
            Classified { start, features: features.to_vec(), log_odds, on_a_slope }
        }
    });
    Ok(classified.collect())
}

/// Start (frame) and features of every candidate: what the trees of the onset classifier are fitted to by
/// `tests/reference/detection_fit.py`. Candidates of a noisy take have more features.
///
/// # Errors
/// Only when cancelled.
#[doc(hidden)]
pub fn onset_features(take: &Take, progress: &dyn Progress) -> Result<Vec<(usize, Vec<f32>)>> {
    const STEP: &str = "measuring candidates";
    let envelope = TakeEnvelope::of(take);
    let spectrogram = spectrogram::analyse(take, envelope.recorded.clone(), &envelope.means, STEP, progress)?;
    let classified = classified(take, &envelope, &spectrogram, STEP, progress)?;
    Ok(classified.into_iter().map(|c| (c.start.sample, c.features)).collect())
}
