//! A pad's score as text, the same wherever it is shown.

use kitwright_core::{
    cast::{unsure, weakness},
    export::is_tidied,
    kit::{Pad, Role},
};

/// In a word or two, for a pad's tile: "93 %", "86 % ?" where the score is unsure, "tidied", "empty".
pub fn word(pad: &Pad) -> String {
    match &pad.audition {
        _ if pad.is_empty() => "empty".to_owned(),
        None => "by hand".to_owned(),
        Some(_) if pad.target.is_some() => "target".to_owned(),
        Some(a) if pad.role.is_scored() => percent(a.score) + if unsure(pad).is_some() { " ?" } else { "" },
        Some(_) if is_tidied(pad) => "tidied".to_owned(),
        Some(_) => "raw".to_owned(),
    }
}

/// In a sentence or more, for tooltips and screen readers.
pub fn sentence(pad: &Pad) -> String {
    match &pad.audition {
        _ if pad.is_empty() => "Empty: it is silent.".to_owned(),
        None => "Made by hand.".to_owned(),
        Some(a) if pad.role.is_scored() => {
            let role = with_article(pad.role);
            let score = match &pad.target {
                Some(target) => {
                    format!("Shaped towards {}; scores {} as {role}.", target.name, percent(a.score))
                }
                None => format!("Scores {} as {role}.", percent(a.score)),
            };
            [Some(score), weak(pad), doubt(pad)].into_iter().flatten().collect::<Vec<_>>().join(" ")
        }
        Some(_) => match &pad.target {
            Some(target) => format!("Shaped towards {}; {NO_SCORE}.", target.name),
            None if is_tidied(pad) => format!("Tidied up: {TIDIED}; {NO_SCORE}."),
            None => format!("As it was recorded; {NO_SCORE}."),
        },
    }
}

/// What a weak pad lacks and what would help, as a sentence.
pub fn weak(pad: &Pad) -> Option<String> {
    weakness(pad).map(|words| format!("{}.", capital(&words)))
}

/// Why the score of a pad says little, as a sentence.
pub fn doubt(pad: &Pad) -> Option<String> {
    unsure(pad).map(|words| format!("Unsure: {words}; trust your ears."))
}

fn capital(sentence: &str) -> String {
    let (first, rest) = sentence.split_at(1);
    first.to_uppercase() + rest
}

/// Why percussion has no score.
pub const NO_SCORE: &str = "percussion can be any drum, so it has no score";
/// What is done to percussion.
pub const TIDIED: &str = "lows cut, shortened, driven and compressed a little, towards no drum";

/// A score as it is shown.
pub fn percent(score: f32) -> String {
    format!("{:.0} %", score * 100.0)
}

/// "a kick", "an open hat"; "percussion" has none.
pub fn with_article(role: Role) -> String {
    match role {
        Role::Percussion => role.to_string(),
        Role::OpenHat => format!("an {role}"),
        _ => format!("a {role}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::kit::{Audition, Slice, Target};

    fn cast(role: Role, score: f32) -> Pad {
        let slice = Slice { take: 0, start: 0, end: 100, gain_db: 0.0, velocities: [0.0, 1.0] };
        let audition = Some(Audition { score, ..Audition::default() });
        Pad { audition, slices: vec![slice], fit: 0.8, ..Pad::empty(36, role) }
    }

    #[test]
    fn percussion_and_empty_pads_have_no_score() {
        assert_eq!(word(&cast(Role::Kick, 0.934)), "93 %");
        assert_eq!(sentence(&cast(Role::Kick, 0.5)), "Scores 50 % as a kick.");
        assert!(
            sentence(&cast(Role::OpenHat, 0.1)).contains("Open hat: nothing in this recording comes close")
        );
        let percussion = cast(Role::Percussion, 0.004);
        assert_eq!(word(&percussion), "tidied");
        assert!(!sentence(&percussion).contains('%'));
        let raw = Pad { fit: 0.0, ..percussion.clone() };
        assert_eq!((word(&raw).as_str(), sentence(&raw).contains("recorded")), ("raw", true));
        let target = Some(Target { name: "wood block".into(), ..Target::default() });
        for role in [Role::Percussion, Role::Snare] {
            let with_target = Pad { target: target.clone(), ..cast(role, 0.2) };
            assert_eq!(word(&with_target), "target");
            assert!(sentence(&with_target).starts_with("Shaped towards wood block"));
        }
        assert_eq!(word(&Pad::empty(36, Role::Kick)), "empty");
        assert_eq!(word(&Pad { audition: None, ..cast(Role::Kick, 0.0) }), "by hand");
    }

    #[test]
    fn an_unsure_score_says_so() {
        let rim = cast(Role::Rim, 0.86);
        assert_eq!(word(&rim), "86 % ?");
        assert_eq!(
            sentence(&rim),
            "Scores 86 % as a rim. Unsure: recorded rims differ too much to be told by sound alone; trust your ears."
        );
        assert_eq!(doubt(&cast(Role::Kick, 0.86)), None);
    }
}
