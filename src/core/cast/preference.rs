//! How casting leans towards what a player has chosen before: for each role, which way the player's own choices differed
//! from what casting had chosen. A small document that anybody can read; nothing else is kept of the player's work.

use super::candidate::Candidate;
use crate::{
    kit::Role,
    listen::{Description, Hit},
};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Choices that count: an older one fades with each new one beyond (our choice).
const MEMORY: u32 = 16;
/// Choices after which a lean has half of its weight (our choice): one alone says little.
const HALF_TRUST: f32 = 2.0;
/// What a lean moves a score by at most (scores are 0 to 1); more than what lies between the first hits for most roles.
const MAX_LEAN: f32 = 0.4;
/// Limit of one observed difference: octaves of centroid, octaves of decay, spectral flatness.
const FARTHEST: [f32; 3] = [3.0, 3.0, 1.0];
/// One step: an octave of centroid, an octave of decay, 0.2 of spectral flatness.
const STEP: [f32; 3] = [1.0, 1.0, 0.2];

/// What a player's choices say, by role. Empty: casting is as without it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Preference {
    /// Whether choices are learned and casting leans. Off until the player asks for it.
    pub on: bool,
    /// Which way the choices for a role differed.
    pub roles: BTreeMap<Role, Lean>,
}

/// Which way the player's choices for a role differed from what casting had chosen: means, the last ones count most.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Lean {
    /// Hits that were replaced.
    pub choices: u32,
    /// Brighter (above 0) or darker, octaves of the spectrum's centre.
    pub brighter_octaves: f32,
    /// Longer (above 0) or shorter, octaves of the time to 20 dB below the peak.
    pub longer_octaves: f32,
    /// Noisier (above 0) or more tonal, spectral flatness.
    pub noisier: f32,
    /// Times the fit of a pad was moved.
    pub fits: u32,
    /// How far it was moved, of 1.
    pub more_fit: f32,
}

impl Preference {
    /// The player replaced the hit of a role by another one. Learned only while it is on.
    pub fn replaced(&mut self, role: Role, old: &Hit, new: &Hit) {
        if !self.on {
            return;
        }
        let (before, after) = (measures(&old.description), measures(&new.description));
        let lean = self.roles.entry(role).or_default();
        lean.choices = lean.choices.saturating_add(1);
        let share = 1.0 / lean.choices.min(MEMORY) as f32;
        let means = [&mut lean.brighter_octaves, &mut lean.longer_octaves, &mut lean.noisier];
        for (k, mean) in means.into_iter().enumerate() {
            *mean += ((after[k] - before[k]).clamp(-FARTHEST[k], FARTHEST[k]) - *mean) * share;
        }
    }

    /// The player moved the fit of a role's pad from one value to another, 0 to 1. Learned only while it is on.
    pub fn moved_fit(&mut self, role: Role, old: f32, new: f32) {
        if !self.on {
            return;
        }
        let lean = self.roles.entry(role).or_default();
        lean.fits = lean.fits.saturating_add(1);
        lean.more_fit += ((new - old).clamp(-1.0, 1.0) - lean.more_fit) / lean.fits.min(MEMORY) as f32;
    }

    /// The fit of a role's pad where `fit` is the kit's, 0 to 1.
    pub fn fit(&self, role: Role, fit: f32) -> f32 {
        let lean = self.roles.get(&role).filter(|lean| self.on && lean.fits > 0);
        lean.map_or(fit, |lean| (fit + trust(lean.fits) * lean.more_fit).clamp(0.0, 1.0))
    }

    /// Moves the scores of candidates towards the player's choices; scores stay within 0 to 1.
    pub(super) fn lean(&self, candidates: &[&Candidate], scores: &mut [BTreeMap<Role, f32>]) {
        let leans = self.roles.iter().filter(|(_, lean)| self.on && lean.choices > 0);
        let measured: Vec<[f32; 3]> = candidates.iter().map(|c| measures(&c.hit.description)).collect();
        let count = measured.len().max(1) as f32;
        let mean: [f32; 3] = std::array::from_fn(|k| measured.iter().map(|m| m[k]).sum::<f32>() / count);
        for (role, lean) in leans {
            let direction = lean.direction();
            for (scores, m) in scores.iter_mut().zip(&measured) {
                let Some(score) = scores.get_mut(role) else { continue };
                let along: f32 = (0..3).map(|k| direction[k] * (m[k] - mean[k]) / STEP[k]).sum();
                let moved = MAX_LEAN * trust(lean.choices) * libm::tanhf(along);
                *score = (*score + moved).clamp(0.0, 1.0);
            }
        }
    }
}

impl Lean {
    /// The direction of the choices in steps, of length 1 at most.
    fn direction(&self) -> [f32; 3] {
        let own = [self.brighter_octaves, self.longer_octaves, self.noisier];
        // a document may hold any number
        let steps: [f32; 3] = std::array::from_fn(|k| {
            let value = if own[k].is_finite() { own[k].clamp(-FARTHEST[k], FARTHEST[k]) } else { 0.0 };
            value / STEP[k]
        });
        let length = steps.iter().map(|s| s * s).sum::<f32>().sqrt();
        steps.map(|s| s / length.max(1.0))
    }
}

/// Weight of so many choices, 0 to 1.
fn trust(choices: u32) -> f32 {
    let choices = choices.min(MEMORY) as f32;
    choices / (choices + HALF_TRUST)
}

/// Brightness and length in octaves, and noise, 0 to 1.
fn measures(d: &Description) -> [f32; 3] {
    let octaves = |x: f32, least: f32| libm::log2f(if x.is_finite() { x.max(least) } else { least });
    [octaves(d.centroid_hz, 20.0), octaves(d.decay_20_ms, 1.0), d.flatness.clamp(0.0, 1.0)]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hit(centroid_hz: f32) -> Hit {
        let description = Description { centroid_hz, decay_20_ms: 100.0, ..Description::default() };
        Hit { start: 0, end: 1, by_hand: false, description }
    }

    #[test]
    fn choices_are_averaged_and_the_last_ones_count() {
        let mut preference = Preference { on: true, ..Preference::default() };
        preference.replaced(Role::Snare, &hit(2000.0), &hit(1000.0));
        assert_eq!(preference.roles[&Role::Snare].brighter_octaves, -1.0);
        for _ in 0..100 {
            preference.replaced(Role::Snare, &hit(1000.0), &hit(2000.0));
        }
        assert!((preference.roles[&Role::Snare].brighter_octaves - 1.0).abs() < 0.02);
        preference.moved_fit(Role::Snare, 0.8, 0.4);
        assert!(preference.fit(Role::Snare, 0.8) < 0.7);
        assert_eq!(preference.fit(Role::Kick, 0.8), 0.8);
    }

    #[test]
    fn nothing_is_learned_while_it_is_off() {
        let mut preference = Preference::default();
        preference.replaced(Role::Snare, &hit(2000.0), &hit(1000.0));
        preference.moved_fit(Role::Kick, 0.8, 0.1);
        assert_eq!(preference, Preference::default());
    }

    #[test]
    fn it_is_readable_and_read_whatever_it_holds() {
        let mut preference = Preference { on: true, ..Preference::default() };
        preference.replaced(Role::OpenHat, &hit(4000.0), &hit(2000.0));
        let text = serde_json::to_string(&preference).unwrap();
        assert!(text.contains("brighter_octaves") && text.contains("open hat"), "{text}");
        assert_eq!(serde_json::from_str::<Preference>(&text).unwrap(), preference);
        let wild = Lean { choices: u32::MAX, brighter_octaves: f32::NAN, noisier: 1e30, ..Lean::default() };
        assert!(wild.direction().iter().all(|x| x.is_finite() && x.abs() <= 1.0));
    }
}
