//! Warns about pads for which no hit of the takes comes close, and says what to record.

use crate::kit::{Pad, Role};

/// Below this score nothing in the takes comes close to the role (our choice: such pads are seldom named right).
const WEAK: f32 = 0.3;

/// One sentence for a pad that does not come close to its role, with what would help: "open hat: nothing in this
/// recording comes close; open strums near the bridge would help". `None` for all others.
pub fn weakness(pad: &Pad) -> Option<String> {
    let scored = pad.role.is_scored() && pad.target.is_none() && !pad.is_empty();
    let score = pad.audition.as_ref().filter(|_| scored)?.score;
    (score < WEAK).then(|| {
        format!("{}: nothing in this recording comes close; {} would help", pad.role, helps(pad.role))
    })
}

/// What of an instrument makes a good start for a role; common practice, no source.
fn helps(role: Role) -> &'static str {
    match role {
        Role::Kick => "a soft knock with the fist or a low thump",
        Role::Snare => "a slap with the flat hand or a muted strum",
        Role::Rim => "a knock with a knuckle on wood",
        Role::Clap => "a few muted strums",
        Role::ClosedHat => "a short scratch or a muted strum high up",
        Role::OpenHat => "open strums near the bridge",
        Role::Shaker => "a scratch along the strings",
        Role::PedalHat => "a short, soft scratch",
        Role::Crash | Role::Ride => "a hard open strum or a long scrape near the bridge",
        Role::LowTom | Role::MiddleTom | Role::HighTom => "a low note or a knock where the body is hollow",
        Role::Percussion => "anything",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::{Audition, Slice};

    #[test]
    fn a_pad_far_from_its_role_is_said_and_percussion_is_not() {
        let pad = |role, score| {
            let slice = Slice { take: 0, start: 0, end: 100, gain_db: 0.0, velocities: [0.0, 1.0] };
            let audition = Some(Audition { score, ..Audition::default() });
            Pad { audition, slices: vec![slice], ..Pad::empty(46, role) }
        };
        let said = weakness(&pad(Role::OpenHat, 0.1)).unwrap();
        assert_eq!(
            said,
            "open hat: nothing in this recording comes close; open strums near the bridge would help"
        );
        assert_eq!(weakness(&pad(Role::OpenHat, 0.6)), None);
        assert_eq!(weakness(&pad(Role::Percussion, 0.0)), None);
        assert_eq!(weakness(&Pad::empty(46, Role::OpenHat)), None, "an empty pad is named elsewhere");
    }
}
