//! Pads: sixteen slots, each a hit made into a role.

use super::{
    bounded,
    layer::{Cloud, Layer, Slice},
    limits::{LAYERS, MAX_BY_HAND, MAX_MEASURES, MAX_PHRASES, MAX_SLICES},
    role::Role,
    tone::Tone,
};
use crate::settings::{choice, settings};
use serde::{Deserialize, Serialize};

/// One slot of the kit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Pad {
    /// What it stands for.
    pub role: Role,
    /// MIDI note that plays it.
    pub note: u8,
    /// How far it was shaped from the raw hit (0) to its role or its target (1); 0 for percussion without a target.
    #[serde(skip_serializing_if = "is_zero")]
    pub fit: f32,
    /// How far percussion without a target was tidied up, towards no drum; 0 for all others.
    #[serde(skip_serializing_if = "is_zero")]
    pub tidied: f32,
    /// Why this hit: how it was cast. `None` for an empty pad or one made by hand.
    pub audition: Option<Audition>,
    /// A drum sound that the pad is shaped towards instead of its role's profile.
    pub target: Option<Target>,
    /// The hit and its alternates; the first is the one that was cast. Empty: the pad is silent.
    #[serde(deserialize_with = "bounded::list::<MAX_SLICES, _, _>")]
    pub slices: Vec<Slice>,
    /// One to four readings of the chosen slice.
    #[serde(deserialize_with = "bounded::list::<LAYERS, _, _>")]
    pub layers: Vec<Layer>,
    /// The copies around the hit.
    pub cloud: Cloud,
    /// Filters, limiter, saturation, EQ, compressors.
    pub tone: Tone,
    /// How hits differ.
    pub variation: Variation,
    /// Place in the mix and manner of playing.
    #[serde(flatten)]
    pub settings: PadSettings,
    /// Names of what was set by hand, sorted ([`super::by_hand`]): it stays when the pad is shaped or cast again.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "bounded::list::<MAX_BY_HAND, _, _>"
    )]
    pub by_hand: Vec<String>,
    /// Neither a moved fit nor another casting changes the pad.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub locked: bool,
}

/// How a hit did when it was tried in the pad's role.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Audition {
    /// Index of the take.
    pub take: usize,
    /// Index of the hit in its take.
    pub hit: usize,
    /// How well it serves, 0 to 1; 0 for percussion, which has no score.
    #[serde(skip_serializing_if = "is_zero")]
    pub score: f32,
    /// It holds nearly nothing of the highs that recorded drums of its role have.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub dull: bool,
    /// Its role's recipe alone made the pad: nothing was searched.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub by_recipe: bool,
    /// How far tuning to the key has moved its pitch, cents; none when it was not tuned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tuned_ct: Option<f32>,
    /// Next-best hits: take, hit, score (0 for percussion).
    #[serde(deserialize_with = "bounded::list::<MAX_PHRASES, _, _>")]
    pub next_best: Vec<(usize, usize, f32)>,
    /// What was done to the sound, one phrase each: "an octave down", "cut below 5.2 kHz".
    #[serde(rename = "moves", deserialize_with = "bounded::list::<MAX_PHRASES, _, _>")]
    pub edit_summary: Vec<String>,
}

/// A drum sound to come close to: its measures only, so that its audio can never be played by the kit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Target {
    /// Name to show.
    pub name: String,
    /// The numbers of [`crate::cast::features::Features::row`]; another count of them is passed over.
    #[serde(deserialize_with = "bounded::list::<MAX_MEASURES, _, _>")]
    pub measures: Vec<f32>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde passes references")]
fn is_zero(x: &f32) -> bool {
    *x == 0.0
}

settings! {
    /// A pad's place in the mix and manner of playing.
    pub struct PadSettings, table PAD, count PAD_COUNT {
        level_db: f32 = 0.0, "Level", Decibels, -60.0 ..= 24.0, Linear, "Level of the pad as cast.";
        pan: f32 = 0.0, "Pan", Pan, -1.0 ..= 1.0, Linear, "Place of the pad as cast.";
        held: bool = 0.0, "Held", Switch, 0.0 ..= 1.0, Linear, "Ends with the key instead of playing through.";
        choke_group: u8 = 0.0, "Choke group", Count, 0.0 ..= 8.0, Linear, "Pads of one group cut each other off; 0 is none.";
        alternate: Alternate = 0.0, "Alternates", Choice(ALTERNATE_WORDS), 0.0 ..= 1.0, Linear, "How alike hits take turns.";
    }
}

choice! {
    /// How the slices of a pad take turns.
    pub enum Alternate words ALTERNATE_WORDS {
        /// One after the other.
        InTurn = "in turn",
        /// At random, never the same twice in a row.
        Random = "at random",
    }
}

choice! {
    /// Where the draws of a hit come from.
    pub enum VariationMode words VARIATION_MODE_WORDS {
        /// Never the same twice.
        Live = "live",
        /// The same spot of the song always draws the same.
        Placed = "placed",
        /// One frozen draw.
        Held = "held",
    }
}

settings! {
    /// How hits of one pad differ, drawn anew for each hit, uniform within plus and minus the range.
    pub struct Variation, table VARIATION, count VARIATION_COUNT {
        mode as "way": VariationMode = 0.0, "Variation", Choice(VARIATION_MODE_WORDS), 0.0 ..= 2.0, Linear, "Live: never the same twice. Placed: the same spot of the song, the same sound. Held: one frozen draw.";
        frozen: f32 = 0.0, "Frozen draw", Count, 0.0 ..= 9999.0, Linear, "Which draw a held variation keeps.";
        start_ms: f32 = 0.9, "Start", Milliseconds, 0.0 ..= 20.0, Fine, "How far the start moves.";
        pitch_ct: f32 = 15.0, "Pitch", Cents, 0.0 ..= 200.0, Fine, "How far the pitch moves.";
        level_db: f32 = 0.8, "Level", Decibels, 0.0 ..= 12.0, Fine, "How far the level moves.";
        cut_oct: f32 = 0.1, "High cut", Octaves, 0.0 ..= 2.0, Fine, "How far the high cut moves.";
    }
}

impl Pad {
    /// A silent pad that waits for a hit.
    pub fn empty(note: u8, role: Role) -> Self {
        Self {
            role,
            note,
            fit: 0.0,
            tidied: 0.0,
            audition: None,
            target: None,
            slices: Vec::new(),
            layers: vec![Layer::default()],
            cloud: Cloud::default(),
            tone: Tone::default(),
            variation: Variation::default(),
            settings: PadSettings::default(),
            by_hand: Vec::new(),
            locked: false,
        }
    }

    /// Whether it has nothing to play.
    pub fn is_empty(&self) -> bool {
        self.slices.is_empty() && self.layers.iter().all(|l| l.slice.is_none())
    }

    /// Whether it is shaped towards a drum: its role's, or its target. Percussion without a target is tidied up only.
    pub fn is_fitted(&self) -> bool {
        self.role.is_scored() || self.target.is_some()
    }

    /// How far it was shaped from the raw hit: its fit, or how far it was tidied up.
    pub fn shaped(&self) -> f32 {
        self.fit.max(self.tidied)
    }

    /// Leaves out what percussion has none of: scores, and a fit where it has no target. Kits from before hold them.
    pub(crate) fn mend_percussion(&mut self) {
        let shaped = self.shaped();
        (self.fit, self.tidied) = if self.is_fitted() { (shaped, 0.0) } else { (0.0, shaped) };
        if let Some(audition) = self.audition.as_mut().filter(|_| !self.role.is_scored()) {
            audition.score = 0.0;
            audition.next_best.iter_mut().for_each(|b| b.2 = 0.0);
        }
    }

    /// Every slice: those that take turns, and its layers' own.
    pub fn all_slices(&self) -> impl Iterator<Item = &Slice> {
        self.slices.iter().chain(self.layers.iter().filter_map(|l| l.slice.as_ref()))
    }
}

impl Default for Pad {
    fn default() -> Self {
        Self::empty(36, Role::Percussion)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As kits before wrote it.
    const OLD: &str = r#"{"role": "percussion", "note": 56, "fit": 0.8,
        "audition": {"take": 0, "hit": 2, "score": 0.5, "next_best": [[0, 3, 0.25]]}}"#;

    #[test]
    fn percussion_of_an_old_kit_is_tidied_up_as_far_as_it_was_and_is_written_without_fit_and_score() {
        let mut pad: Pad = serde_json::from_str(OLD).unwrap();
        assert_eq!(pad.shaped(), 0.8);
        pad.mend_percussion();
        assert_eq!((pad.fit, pad.tidied, pad.shaped()), (0.0, 0.8, 0.8));
        let text = serde_json::to_string(&pad).unwrap();
        assert!(!text.contains("\"fit\"") && !text.contains("\"score\""), "{text}");
        assert!(text.contains(r#""tidied":0.8"#) && text.contains(r#""next_best":[[0,3,0.0]]"#), "{text}");
        assert_eq!(serde_json::from_str::<Pad>(&text).unwrap(), pad);
    }

    #[test]
    fn percussion_with_a_target_has_a_fit_and_other_roles_keep_what_they_have() {
        let mut pad: Pad = serde_json::from_str(OLD).unwrap();
        pad.target = Some(Target::default());
        pad.mend_percussion();
        assert_eq!((pad.fit, pad.tidied), (0.8, 0.0));
        pad.target = None;
        pad.mend_percussion();
        assert_eq!((pad.fit, pad.tidied), (0.0, 0.8));
        let snare = Pad { role: Role::Snare, ..serde_json::from_str(OLD).unwrap() };
        let mut same = snare.clone();
        same.mend_percussion();
        assert_eq!(same, snare);
        // another role is shaped as far
        pad.role = Role::Snare;
        pad.mend_percussion();
        assert_eq!((pad.fit, pad.tidied), (0.8, 0.0));
    }
}
