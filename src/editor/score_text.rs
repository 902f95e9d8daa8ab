//! A pad's score as text, the same wherever it is shown.

use kitwright_core::{
    cast::weakness,
    kit::{Pad, Role},
};

/// In a word or two, for a pad's tile: "93 %", "as is", "empty".
pub fn word(pad: &Pad) -> String {
    match &pad.audition {
        _ if pad.is_empty() => "empty".to_owned(),
        None => "by hand".to_owned(),
        Some(a) if pad.role.is_scored() => percent(a.score),
        Some(_) if pad.target.is_some() => "target".to_owned(),
        Some(_) => "as is".to_owned(),
    }
}

/// In a sentence, for tooltips and screen readers.
pub fn sentence(pad: &Pad) -> String {
    match &pad.audition {
        _ if pad.is_empty() => "Empty: it is silent.".to_owned(),
        None => "Made by hand.".to_owned(),
        Some(a) if pad.role.is_scored() => {
            let score = format!("Scores {} as {}.", percent(a.score), with_article(pad.role));
            weakness(pad).map_or(score.clone(), |weak| format!("{score} {}.", capital(&weak)))
        }
        Some(_) => match &pad.target {
            Some(target) => format!("Shaped towards {}; {NO_SCORE}.", target.name),
            None => format!("Stays as it is; {NO_SCORE}."),
        },
    }
}

fn capital(sentence: &str) -> String {
    let (first, rest) = sentence.split_at(1);
    first.to_uppercase() + rest
}

/// Why percussion has no score.
pub const NO_SCORE: &str = "percussion can be any drum, so it has no score";

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
        Pad { audition, slices: vec![slice], ..Pad::empty(36, role) }
    }

    #[test]
    fn percussion_and_empty_pads_have_no_score() {
        assert_eq!(word(&cast(Role::Kick, 0.934)), "93 %");
        assert_eq!(sentence(&cast(Role::OpenHat, 0.5)), "Scores 50 % as an open hat.");
        assert!(
            sentence(&cast(Role::OpenHat, 0.1)).contains("Open hat: nothing in this recording comes close")
        );
        let percussion = cast(Role::Percussion, 0.004);
        assert_eq!(word(&percussion), "as is");
        assert!(!sentence(&percussion).contains('%'));
        let target = Some(Target { name: "wood block".into(), ..Target::default() });
        let with_target = Pad { target, ..percussion };
        assert_eq!(word(&with_target), "target");
        assert!(sentence(&with_target).contains("wood block"));
        assert_eq!(word(&Pad::empty(36, Role::Kick)), "empty");
        assert_eq!(word(&Pad { audition: None, ..cast(Role::Kick, 0.0) }), "by hand");
    }
}
