//! Warns about pads for which no hit of the takes comes close, with what to record, and about scores that cannot be
//! trusted.

use super::{features::Features, score};
use crate::kit::{Audition, Pad, Role};

/// Below this score nothing in the takes comes close to the role (our choice: such pads are seldom named right).
const WEAK: f32 = 0.4;
/// The same where the score itself is unsure: a low one says less.
const WEAK_UNSURE: f32 = 0.3;
/// A pad that is shaped less than this says nothing about what the takes give (our choice).
const SHAPED: f32 = 0.5;
/// A score is unsure where the models name less than this share of recorded drums of its role right, of collections that
/// they have not met.
const SURE: f32 = 0.5;

/// Writes down how well a pad serves its role, by its sound.
pub(super) fn judge(audition: &mut Audition, role: Role, heard: Option<&Features>) {
    audition.score = heard.map_or(0.0, |f| score::score(role, f));
    audition.dull = heard.is_some_and(|f| score::is_dull(role, f));
}

/// One sentence for a pad that does not come close to its role, with what would help: "open hat: nothing in this
/// recording comes close; bright, noisy strokes that ring on would help". `None` for all others, and for pads by recipe or
/// of little fit: there it is not the recording that lacks something. A dull hat is weak whatever its score says.
pub fn weakness(pad: &Pad) -> Option<String> {
    let searched = |a: &&Audition| !a.by_recipe && pad.fit >= SHAPED;
    let audition = scored(pad).filter(searched)?;
    let weak = if unsure_role(pad.role).is_some() { WEAK_UNSURE } else { WEAK };
    let lacks = match audition {
        a if a.score < weak => "comes close",
        a if a.dull => "is bright enough",
        _ => return None,
    };
    Some(format!("{}: nothing in this recording {lacks}; {} would help", pad.role, helps(pad.role)))
}

/// One sentence for a pad with a score that says little: "recorded rims differ too much to be told by sound alone".
pub fn unsure(pad: &Pad) -> Option<String> {
    scored(pad).and_then(|_| unsure_role(pad.role))
}

/// The same for every score of a role.
pub fn unsure_role(role: Role) -> Option<String> {
    let unsure = role.is_scored() && score::named_right(role) < SURE;
    unsure.then(|| format!("recorded {} differ too much to be told by sound alone", role.plural()))
}

/// How a pad was cast, where its score tells how well it serves its role.
fn scored(pad: &Pad) -> Option<&Audition> {
    let scored = pad.role.is_scored() && pad.target.is_none() && !pad.is_empty();
    pad.audition.as_ref().filter(|_| scored)
}

/// What of any instrument makes a good start for a role; common practice, no source.
fn helps(role: Role) -> &'static str {
    match role {
        Role::Kick => "a low, dull thump, as of a fist on the body,",
        Role::Snare => "a short, noisy stroke, such as a slap with the flat hand or a muted strum,",
        Role::Rim => "a dry knock with a knuckle or a stick",
        Role::Clap => "a few slaps or muted strokes",
        Role::ClosedHat => "a short, bright scratch or tap",
        Role::PedalHat => "a short, soft scratch",
        Role::OpenHat => "bright, noisy strokes that ring on, such as scrapes or strums near a bridge,",
        Role::Crash | Role::Ride => "a hard stroke that rings long, or a long, bright scrape,",
        Role::Shaker => "soft scratches, or rubbing along something rough,",
        Role::LowTom | Role::MiddleTom | Role::HighTom => "a low note, or a knock where the body is hollow,",
        Role::Percussion => "anything",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::{Slice, Target};

    fn pad(role: Role, score: f32) -> Pad {
        let slice = Slice { take: 0, start: 0, end: 100, gain_db: 0.0, velocities: [0.0, 1.0] };
        let audition = Some(Audition { score, ..Audition::default() });
        Pad { audition, slices: vec![slice], fit: 0.8, ..Pad::empty(46, role) }
    }

    #[test]
    fn a_pad_far_from_its_role_is_said_and_percussion_is_not() {
        assert_eq!(
            weakness(&pad(Role::OpenHat, 0.1)).unwrap(),
            "open hat: nothing in this recording comes close; bright, noisy strokes that ring on, such as scrapes or strums near a bridge, would help"
        );
        assert!(weakness(&pad(Role::Snare, 0.37)).is_some());
        assert_eq!(weakness(&pad(Role::Rim, 0.37)), None, "a low score of a rim says less");
        assert_eq!(weakness(&pad(Role::OpenHat, 0.6)), None);
        assert_eq!(weakness(&pad(Role::Percussion, 0.0)), None);
        assert_eq!(weakness(&Pad::empty(46, Role::OpenHat)), None, "an empty pad is named elsewhere");
    }

    #[test]
    fn a_dull_hat_is_said_whatever_its_score() {
        let mut dull = pad(Role::OpenHat, 0.8);
        dull.audition.as_mut().unwrap().dull = true;
        assert_eq!(
            weakness(&dull).unwrap(),
            "open hat: nothing in this recording is bright enough; bright, noisy strokes that ring on, such as scrapes or strums near a bridge, would help"
        );
        assert_eq!(weakness(&Pad { fit: 0.1, ..dull }), None);
    }

    #[test]
    fn a_recording_is_not_blamed_for_what_the_recipe_or_a_low_fit_left_out() {
        let far = pad(Role::Snare, 0.1);
        let audition = far.audition.clone().map(|a| Audition { by_recipe: true, ..a });
        assert_eq!(weakness(&Pad { audition, ..far.clone() }), None);
        assert_eq!(weakness(&Pad { fit: 0.1, ..far.clone() }), None);
        assert!(weakness(&far).is_some());
    }

    #[test]
    fn scores_of_roles_that_the_models_cannot_tell_are_unsure() {
        for role in Role::ALL {
            let unsure = unsure(&pad(role, 0.9));
            let poor = role != Role::Percussion && score::named_right(role) < 0.5;
            assert_eq!(unsure.is_some(), poor, "{role}");
        }
        assert_eq!(
            unsure(&pad(Role::Rim, 0.9)).unwrap(),
            "recorded rims differ too much to be told by sound alone"
        );
        let with_target = Pad { target: Some(Target::default()), ..pad(Role::Rim, 0.9) };
        assert_eq!(unsure(&with_target), None, "it is not shaped towards rims");
        assert_eq!(unsure(&Pad::empty(37, Role::Rim)), None);
    }
}
