//! What a finished sound is like: how well it serves each role, and which of its measures speak for and against its own.
//!
//! A measure speaks against a role when it lies outside the range of recorded drums of that role. It speaks for the role
//! when it lies inside that range and outside the ranges of at least four of the nine other classes. Everything is
//! measured on the sound as it is heard.

mod words;

use kitwright_core::{
    cast::{
        features::{Features, SCALAR_NAMES, SCALARS},
        score,
    },
    kit::Role,
};
use words::{Group, MEASURES};

/// One role for each class of drums that is told apart.
const CLASSES: [Role; 10] = [
    Role::Kick,
    Role::Snare,
    Role::Rim,
    Role::Clap,
    Role::ClosedHat,
    Role::OpenHat,
    Role::Shaker,
    Role::LowTom,
    Role::Crash,
    Role::Percussion,
];
/// Most reasons shown, and most of them against the role.
const MOST_REASONS: usize = 4;
const MOST_AGAINST: usize = 2;
/// A measure speaks for a role when its value is unusual for at least this many of the nine other classes (our choice).
const TELLS_FROM: usize = 4;

/// What a finished sound is like.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Character {
    /// Each class of drums, by one of its roles, with the score of the sound, 0 to 1; best first. Percussion, which can be
    /// any drum, is not among them.
    pub scores: Vec<(Role, f32)>,
    /// What speaks for the role, the most telling first, then what speaks against it; none for percussion.
    pub reasons: Vec<Reason>,
}

/// Something that speaks for or against a role.
#[derive(Debug, Clone, PartialEq)]
pub struct Reason {
    /// In three words at most: "sharp attack".
    pub words: &'static str,
    /// The measure with its value, in one sentence.
    pub detail: String,
    /// Whether it speaks for the role.
    pub speaks_for: bool,
}

/// A reason with its group.
type Telling = (Group, Reason);

impl Character {
    /// Compares the measures of a sound with recorded drums of `role`.
    pub fn of(features: &Features, role: Role) -> Self {
        let shares = score::probabilities(features);
        let drums = CLASSES.iter().filter(|role| role.is_scored());
        let mut scores: Vec<(Role, f32)> =
            drums.map(|&r| (r, shares[score::class_of(r)].clamp(0.0, 1.0))).collect();
        scores.sort_by(|a, b| b.1.total_cmp(&a.1));
        let mut reasons = Vec::new();
        if role.is_scored() {
            // what is said against a role is not contradicted by a measure of the same group
            let mut said = Vec::new();
            let against = first_of_each_group(speaking_against(role, features), &mut said, MOST_AGAINST);
            let room = MOST_REASONS - against.len();
            reasons = first_of_each_group(speaking_for(role, features), &mut said, room);
            reasons.extend(against);
        }
        Self { scores, reasons }
    }

    /// The score as a drum of this role, 0 to 1.
    pub fn score(&self, role: Role) -> f32 {
        let class = score::class_of(role);
        self.scores.iter().find(|(r, _)| score::class_of(*r) == class).map_or(0.0, |s| s.1)
    }
}

fn number_of(name: &str) -> Option<usize> {
    SCALAR_NAMES.iter().position(|n| *n == name)
}

/// The most unusual first.
fn speaking_against(role: Role, features: &Features) -> Vec<Telling> {
    let mut found: Vec<(f32, usize, f32, [f32; 2])> = score::unusual(role, features)
        .into_iter()
        .filter_map(|(name, value, [least, most])| {
            let over = (value - most).max(least - value) / (most - least).max(1e-3);
            Some((over, number_of(name)?, value, [least, most]))
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let reasons = found.into_iter().map(|(_, number, value, [least, most])| {
        let measure = &MEASURES[number];
        let reason = Reason {
            words: measure.words(value > most),
            detail: format!(
                "{}: {}; most recorded drums of this role: {} to {}.",
                measure.name,
                measure.show(value),
                measure.show(least),
                measure.show(most)
            ),
            speaks_for: false,
        };
        (measure.group, reason)
    });
    reasons.collect()
}

/// What tells the role from most others first.
fn speaking_for(role: Role, features: &Features) -> Vec<Telling> {
    let own = score::class_of(role);
    let outside = |role: Role| {
        score::unusual(role, features)
            .into_iter()
            .filter_map(|(name, value, [_, most])| Some((number_of(name)?, value > most)))
    };
    // how many other classes lie below and above the sound in each measure
    let mut others = [[0_usize; 2]; SCALARS];
    for (number, above) in CLASSES.into_iter().filter(|r| score::class_of(*r) != own).flat_map(outside) {
        others[number][usize::from(!above)] += 1;
    }
    outside(role).for_each(|(number, _)| others[number] = [0, 0]);
    let mut telling: Vec<(usize, usize)> = others.iter().map(|o| o[0].max(o[1])).zip(0..).collect();
    telling.retain(|(count, _)| *count >= TELLS_FROM);
    telling.sort_by_key(|&(count, number)| (std::cmp::Reverse(count), number));
    let row = features.row();
    let reasons = telling.into_iter().map(|(count, number)| {
        let measure = &MEASURES[number];
        let value = row[row.len() - SCALARS + number];
        let reason = Reason {
            words: measure.words(others[number][0] > others[number][1]),
            detail: format!(
                "{}: {}; usual for this role, and unusual for {count} of the nine other kinds of drums.",
                measure.name,
                measure.show(value)
            ),
            speaks_for: true,
        };
        (measure.group, reason)
    });
    reasons.collect()
}

/// The first `most` reasons, one of each group that was not `said` before: neighbouring measures say the same.
fn first_of_each_group(reasons: Vec<Telling>, said: &mut Vec<Group>, most: usize) -> Vec<Reason> {
    let mut first = Vec::new();
    for (group, reason) in reasons {
        if first.len() < most && !said.contains(&group) {
            said.push(group);
            first.push(reason);
        }
    }
    first
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    fn of(role: Role, sample: impl Fn(f32) -> f32) -> Character {
        let x: Vec<f32> = (0..RATE / 2).map(|i| sample(i as f32 / RATE as f32)).collect();
        Character::of(&Features::of(&x, f64::from(RATE)).expect("it sounds"), role)
    }

    /// A low sine that falls in pitch, as of a kick.
    fn thump(t: f32) -> f32 {
        (std::f32::consts::TAU * (55.0 * t - 4.0 * (-30.0 * t).exp())).sin() * (-9.0 * t).exp() * 0.8
    }

    #[test]
    fn a_thump_scores_best_as_a_low_drum_and_percussion_has_no_score() {
        let character = of(Role::Kick, thump);
        assert!(matches!(character.scores[0].0, Role::Kick | Role::LowTom), "{:?}", character.scores);
        let sum: f32 = character.scores.iter().map(|s| s.1).sum();
        // what is missing is the share of other percussion
        assert!((0.9..1.001).contains(&sum), "{sum}");
        assert!(character.scores.iter().all(|(role, _)| role.is_scored()), "{:?}", character.scores);
        assert_eq!(
            character.score(Role::Kick),
            character.scores.iter().find(|s| s.0 == Role::Kick).unwrap().1
        );
        assert_eq!(character.score(Role::HighTom), character.score(Role::LowTom));
    }

    #[test]
    fn its_lows_speak_for_a_kick_and_against_a_hat() {
        let said = |role, speaks_for| {
            let reasons = of(role, thump).reasons;
            reasons
                .into_iter()
                .filter(move |r| r.speaks_for == speaks_for)
                .map(|r| r.words)
                .collect::<Vec<_>>()
        };
        let low = |words: &[&str]| words.iter().any(|w| w.contains("low") || w.contains("dark"));
        assert!(low(&said(Role::Kick, true)), "{:?}", said(Role::Kick, true));
        assert!(!said(Role::ClosedHat, false).is_empty());
        assert!(said(Role::ClosedHat, true).len() <= said(Role::ClosedHat, false).len());
        for role in Role::ALL {
            let reasons = of(role, thump).reasons;
            assert!(reasons.len() <= MOST_REASONS && (role.is_scored() || reasons.is_empty()));
        }
    }

    #[test]
    fn every_class_has_one_role() {
        let mut classes = CLASSES.map(score::class_of);
        classes.sort_unstable();
        assert_eq!(classes.to_vec(), (0..CLASSES.len()).collect::<Vec<_>>());
    }
}
