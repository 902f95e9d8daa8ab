//! What `kitwright kit` prints of a kit: the table of its pads, and what is to be known of them.

use super::terminal::printable;
use kitwright_core::{
    cast::ONE_DRUM_DB,
    export::{PadSummary, Summary},
    kit::Role,
};

/// What a question mark beside a score means.
pub(super) const UNSURE: &str =
    "? unsure: recorded drums of this kind differ too much to be told by sound alone; trust your ears";

/// "1 hit", "12 hits".
pub(super) fn hits(count: usize) -> String {
    format!("{count} {}", if count == 1 { "hit" } else { "hits" })
}

/// The takes with their faults, and a line for each pad.
pub(super) fn table(summary: &Summary) -> String {
    let mut text = String::new();
    for take in &summary.takes {
        text += &format!("{}: {} in {:.1} s\n", printable(&take.file), hits(take.hits), take.seconds);
        text += &faults(&take.faults);
    }
    text += "\nnote  role         score   from               alternates\n";
    for pad in &summary.pads {
        let place = if summary.takes.len() > 1 { format!("take {}, ", pad.take + 1) } else { String::new() };
        text += &format!(
            "{:>4}  {:<11} {:>6}{} {:<19} {:>9}\n",
            pad.note,
            pad.role,
            score(pad),
            if pad.unsure.is_some() { " ?" } else { "  " },
            format!("{place}{:.2} s", pad.start),
            pad.alternates
        );
    }
    text
}

/// What is amiss with a recording, a line each.
pub(super) fn faults(faults: &[String]) -> String {
    faults.iter().map(|fault| format!("  {fault}\n")).collect()
}

/// The score, or in a word why a pad has none.
fn score(pad: &PadSummary) -> String {
    match pad.score {
        _ if pad.target.is_some() => "target".into(),
        Some(score) => format!("{score:.2}"),
        None if pad.tidied => "tidied".into(),
        None => "raw".into(),
    }
}

/// Why toms share a hit although there are others.
const IN_ORDER: &str = "toms of one hit, so that they are heard in order";

/// What is to be known of the pads, a line each. `asked`: the roles that were asked for, `None` for all; a role that was
/// not asked for lacks no hit.
pub(super) fn remarks(summary: &Summary, asked: Option<&[Role]>) -> String {
    let mut lines = empty(summary, asked);
    let toms_alone = |pad: &&PadSummary| {
        let is_tom = |note: u8| summary.pads.iter().any(|pad| pad.note == note && pad.role.is_tom());
        pad.role.is_tom() && pad.shares_hit_with.iter().all(|note| is_tom(*note))
    };
    let (toms, others): (Vec<_>, Vec<_>) = summary.pads.iter().partition(toms_alone);
    let shared =
        |pads: Vec<&PadSummary>| pads.into_iter().filter_map(shared_hit).collect::<Vec<_>>().join("; ");
    for (pads, why) in [(others, "too few hits for all pads, so that some share one"), (toms, IN_ORDER)] {
        let shared = shared(pads);
        if !shared.is_empty() {
            lines.push(format!("{why}: {shared}"));
        }
    }
    lines.extend(summary.pads.iter().filter_map(|pad| same_sound(summary, pad)));
    if summary.pads.iter().any(|pad| pad.unsure.is_some()) {
        lines.push(UNSURE.into());
    }
    lines.extend(merged(summary, |pad| pad.weak.clone()));
    lines.extend(summary.pads.iter().filter_map(near_target));
    lines.into_iter().map(|line| line + "\n").collect()
}

/// The pads that have no hit.
fn empty(summary: &Summary, asked: Option<&[Role]>) -> Vec<String> {
    let is_empty = |(note, role): &&(u8, Role)| {
        asked.is_none_or(|asked| asked.contains(role)) && summary.pads.iter().all(|pad| pad.note != *note)
    };
    let words: Vec<String> =
        Role::DEFAULT_PADS.iter().filter(is_empty).map(|(note, role)| format!("{note} {role}")).collect();
    if words.is_empty() { Vec::new() } else { vec![format!("no hit for: {}", words.join(", "))] }
}

/// "36 kick and 37" for the first of the pads that are made of one hit.
fn shared_hit(pad: &PadSummary) -> Option<String> {
    let others = &pad.shares_hit_with;
    let first = !others.is_empty() && others.iter().all(|note| pad.note < *note);
    let notes: Vec<String> = others.iter().map(u8::to_string).collect();
    first.then(|| format!("{} {} and {}", pad.note, pad.role, notes.join(", ")))
}

/// A second pad of a role that is made of the first one's hit sounds like it.
fn same_sound(summary: &Summary, pad: &PadSummary) -> Option<String> {
    let first = summary.pads.iter().find(|first| {
        first.note < pad.note && first.role == pad.role && pad.shares_hit_with.contains(&first.note)
    })?;
    Some(format!("{} {}: the same sound as {}, from one hit", pad.note, pad.role, first.note))
}

/// What is said of pads, each sentence once, with the notes of all pads that it is said of.
fn merged(summary: &Summary, of: impl Fn(&PadSummary) -> Option<String>) -> Vec<String> {
    let mut said: Vec<(String, Vec<String>)> = Vec::new();
    for pad in &summary.pads {
        let Some(sentence) = of(pad) else { continue };
        let note = pad.note.to_string();
        match said.iter_mut().find(|(words, _)| *words == sentence) {
            Some((_, notes)) => notes.push(note),
            None => said.push((sentence, vec![note])),
        }
    }
    said.into_iter().map(|(words, notes)| format!("{} {words}", notes.join(", "))).collect()
}

/// "38 snare: 3.1 dB from mine.wav, by the recipe alone 8.4 dB (below 6 dB two sounds pass for one)".
fn near_target(pad: &PadSummary) -> Option<String> {
    let target = pad.target.as_ref()?;
    let beside = if target.not_fitted {
        "nothing was fitted to it".to_owned()
    } else {
        format!("by the recipe alone {:.1} dB", target.distance_by_recipe_db)
    };
    Some(format!(
        "{} {}: {:.1} dB from {}, {beside} (below {ONE_DRUM_DB:.0} dB two sounds pass for one)",
        pad.note,
        pad.role,
        target.distance_db,
        printable(&target.sound)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::export::{TakeSummary, TargetSummary};

    fn pad(note: u8, role: Role) -> PadSummary {
        PadSummary {
            note,
            role,
            file: String::new(),
            score: role.is_scored().then_some(0.9),
            unsure: None,
            tidied: !role.is_scored(),
            target: None,
            weak: None,
            tuned: None,
            shares_hit_with: Vec::new(),
            take: 0,
            start: 0.5,
            end: 0.75,
            fit: role.is_scored().then_some(0.8),
            alternates: 0,
        }
    }

    /// A kit with all pads but those of these notes.
    fn summary(without: &[u8], change: impl Fn(&mut PadSummary)) -> Summary {
        let take =
            TakeSummary { file: "take.wav".into(), seconds: 1.5, hits: 1, faults: vec!["it hums".into()] };
        let mut pads: Vec<_> = Role::DEFAULT_PADS.iter().map(|(note, role)| pad(*note, *role)).collect();
        pads.retain(|pad| !without.contains(&pad.note));
        pads.iter_mut().for_each(change);
        Summary { name: "Kit".into(), key: None, takes: vec![take], pads, roles_empty: Vec::new() }
    }

    #[test]
    fn the_table_counts_one_hit_and_gives_percussion_and_targets_no_score() {
        let target = TargetSummary {
            sound: "mine.wav".into(),
            distance_db: 3.12,
            distance_by_recipe_db: 8.4,
            not_fitted: false,
        };
        let as_made = TargetSummary { not_fitted: true, ..target.clone() };
        let made = summary(&[], |pad| match pad.note {
            37 => pad.unsure = Some("hard to tell".into()),
            38 => pad.target = Some(target.clone()),
            40 => pad.target = Some(as_made.clone()),
            60 => pad.tidied = false,
            _ => {}
        });
        let text = table(&made);
        assert!(text.starts_with("take.wav: 1 hit in 1.5 s\n  it hums\n"), "{text}");
        for line in [
            "  36  kick          0.90   0.50 s                      0",
            "  37  rim           0.90 ? 0.50 s                      0",
            "  38  snare       target   0.50 s                      0",
            "  56  percussion  tidied   0.50 s                      0",
            "  60  percussion     raw   0.50 s                      0",
        ] {
            assert!(text.lines().any(|l| l == line), "{line:?} in\n{text}");
        }
        let remarks = remarks(&made, None);
        assert!(
            remarks.contains("38 snare: 3.1 dB from mine.wav, by the recipe alone 8.4 dB (below 6 dB"),
            "{remarks}"
        );
        assert!(
            remarks.contains("40 snare: 3.1 dB from mine.wav, nothing was fitted to it (below 6 dB"),
            "{remarks}"
        );
        assert!(remarks.contains("? unsure: "), "{remarks}");
    }

    #[test]
    fn empty_pads_are_named_by_their_notes() {
        let said = remarks(&summary(&[56, 60], |_| {}), None);
        assert!(said.starts_with("no hit for: 56 percussion, 60 percussion\n"), "{said}");
        let without = summary(&[36, 40, 60], |_| {});
        let said = remarks(&without, Some(&[Role::Snare]));
        assert_eq!(said, "no hit for: 40 snare\n", "roles that were not asked for lack nothing");
    }

    #[test]
    fn toms_of_one_hit_are_told_apart_from_pads_that_lack_hits() {
        let said = remarks(
            &summary(&[], |pad| {
                if pad.role.is_tom() {
                    pad.shares_hit_with = [43, 47, 50].into_iter().filter(|note| *note != pad.note).collect();
                }
            }),
            None,
        );
        assert!(
            said.contains("toms of one hit, so that they are heard in order: 43 low tom and 47, 50\n"),
            "{said}"
        );
        assert!(!said.contains("too few hits"), "{said}");
    }

    #[test]
    fn pads_of_one_hit_and_of_one_sentence_are_told_once_with_their_notes() {
        let said = remarks(
            &summary(&[], |pad| {
                if pad.role == Role::Snare {
                    pad.weak = Some("snare: nothing comes close".into());
                    pad.shares_hit_with = vec![78 - pad.note];
                }
            }),
            None,
        );
        assert_eq!(
            said,
            "too few hits for all pads, so that some share one: 38 snare and 40\n\
             40 snare: the same sound as 38, from one hit\n\
             38, 40 snare: nothing comes close\n"
        );
    }
}
