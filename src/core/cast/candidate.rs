//! Hits that can be cast: with their index and what was measured of them as recorded.

use super::{
    auditioner::on_all_cores,
    companions::Companions,
    features::{Features, MAX_SOUND_S},
    fit,
    recipe::Source,
};
use crate::{
    error::Result,
    kit::{Kit, Pad},
    listen::Hit,
    progress::{Part, Progress},
};

/// Minimum length of a hit that is cast, seconds.
const MIN_CAST_HIT_S: f64 = 0.01;

/// A hit with its index and its measures as recorded.
pub struct Candidate {
    /// Index of its take in the kit.
    pub take: usize,
    /// Rate of the take, Hz.
    pub rate: f64,
    /// Its index in the take.
    pub hit_index: usize,
    /// Where it lies, and its description.
    pub hit: Hit,
    /// Its measures as recorded.
    pub raw: Features,
    /// What other hits of its kit lend.
    pub companions: Companions,
}

impl Candidate {
    /// A search from this pad of the hit. Its seed is the hit's, not the kit's, so that the result does not depend
    /// on the kit's seed.
    pub fn start<'a>(&'a self, pad: &'a Pad) -> fit::Start<'a> {
        fit::Start { pad, raw: &self.raw, seed: self.hit.start, effort: 1.0 }
    }

    /// Index of its take and its own in it.
    pub fn index(&self) -> (usize, usize) {
        (self.take, self.hit_index)
    }

    /// What recipes look at.
    pub fn source(&self) -> Source<'_> {
        Source {
            take: self.take,
            rate: self.rate,
            hit: &self.hit,
            raw: &self.raw,
            companions: self.companions,
        }
    }
}

/// Every audible hit, measured as recorded.
pub fn candidates(kit: &Kit, progress: &dyn Progress) -> Result<Vec<Candidate>> {
    let indices: Vec<(usize, usize)> =
        kit.doc.takes.iter().enumerate().flat_map(|(t, e)| (0..e.hits.len()).map(move |h| (t, h))).collect();
    let part = Part::new(progress, 0.0, 0.1);
    let companions = Companions::of(kit);
    let found = on_all_cores(kit, &kit.takes, indices.len(), |_, i| {
        part.check()?;
        part.report("measuring hits", i as f32 / indices.len() as f32);
        let (take, hit) = indices[i];
        Ok(candidate(kit, take, hit, companions))
    });
    Ok(found.into_iter().collect::<Result<Vec<_>>>()?.into_iter().flatten().collect())
}

/// A hit of the kit; `None` when it is too short or silent. `companions` are those of the kit.
pub fn candidate(kit: &Kit, take: usize, hit: usize, companions: Companions) -> Option<Candidate> {
    let found = kit.doc.takes.get(take)?.hits.get(hit)?;
    let raw = measured(kit, take, found)?;
    let rate = f64::from(kit.takes.get(take)?.sample_rate);
    Some(Candidate { take, rate, hit_index: hit, hit: found.clone(), raw, companions })
}

/// The measures of a hit as recorded; `None` when it is too short or silent.
pub fn measured(kit: &Kit, take: usize, hit: &Hit) -> Option<Features> {
    let audio = kit.takes.get(take)?;
    let rate = f64::from(audio.sample_rate);
    let start = usize::try_from(hit.start).ok()?;
    let end = usize::try_from(hit.end).ok()?.min(audio.frames());
    if start >= end || ((end - start) as f64) < MIN_CAST_HIT_S * rate {
        return None;
    }
    let end = end.min(start + (MAX_SOUND_S * rate) as usize);
    Features::of(&mono(&audio.channels, start, end)?, rate)
}

/// The mean of the channels, or the stronger one where they cancel (a channel with its polarity turned).
pub fn mono(channels: &[Vec<f32>], start: usize, end: usize) -> Option<Vec<f32>> {
    let left = &channels.first()?[start..end];
    let Some(right) = channels.get(1).map(|c| &c[start..end]) else { return Some(left.to_vec()) };
    let mean: Vec<f32> = left.iter().zip(right).map(|(l, r)| (l + r) * 0.5).collect();
    let energy = |x: &[f32]| x.iter().map(|s| s * s).sum::<f32>();
    let stronger = if energy(left) >= energy(right) { left } else { right };
    // One silent channel leaves a quarter of the energy; less than a tenth is cancelling.
    Some(if energy(&mean) < 0.1 * energy(stronger) { stronger.to_vec() } else { mean })
}
