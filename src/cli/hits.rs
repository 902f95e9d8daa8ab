//! `kitwright hits`: the hits of a recording.

use super::{
    arguments, kit_table,
    reading::read_take,
    terminal::{Terminal, printable, say},
};
use kitwright_core::{
    cast::{score_hits, unsure_role},
    error::Result,
    export::{tidy, tidy_db},
    kit::Role,
    listen::{Hit, Quality, detect},
    take::Take,
};
use serde::Serialize;
use std::{collections::BTreeMap, sync::Arc};

/// The JSON of `kitwright hits --json`.
#[derive(Serialize)]
struct Listing {
    sample_rate: u32,
    seconds: f64,
    /// What is amiss with the recording, one sentence each, with what to do.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    faults: Vec<String>,
    /// Roles whose scores say little: recorded drums of them cannot be told well by sound alone.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    unsure_roles: Vec<Role>,
    hits: Vec<HitRow>,
}

#[derive(Serialize)]
struct HitRow {
    start: f64,
    end: f64,
    peak_db: f64,
    loudness_lufs: f64,
    centroid_hz: f64,
    pitch_hz: Option<f64>,
    /// How well it serves each role but percussion, which can be any drum; only when asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    roles: Option<BTreeMap<Role, f64>>,
}

pub(super) fn run(a: &arguments::Hits, terminal: &Terminal) -> Result<()> {
    let take = Arc::new(read_take(&a.take, terminal)?);
    let hits = detect(&take, &a.detection.options(), terminal)?;
    let roles = if a.roles { Some(score_hits(&take, &hits, terminal)?) } else { None };
    terminal.clear();
    let unsure = |role: &Role| a.roles && unsure_role(*role).is_some();
    let listing = Listing {
        sample_rate: take.sample_rate,
        seconds: tidy(take.seconds()),
        faults: Quality::of(&take).sentences(),
        unsure_roles: Role::ALL.into_iter().filter(unsure).collect(),
        hits: rows(&take, &hits, roles.as_deref()),
    };
    if a.json {
        say(&serde_json::to_string(&listing).expect("the listing can be written as JSON"));
    } else {
        say(&table(&printable(&take.name), &listing));
    }
    Ok(())
}

fn rows(take: &Take, hits: &[Hit], roles: Option<&[BTreeMap<Role, f32>]>) -> Vec<HitRow> {
    hits.iter().enumerate().map(|(i, hit)| row(take, hit, roles.map(|roles| &roles[i]))).collect()
}

fn row(take: &Take, hit: &Hit, roles: Option<&BTreeMap<Role, f32>>) -> HitRow {
    let seconds = |frame: u64| tidy(frame as f64 / f64::from(take.sample_rate));
    let d = &hit.description;
    HitRow {
        start: seconds(hit.start),
        end: seconds(hit.end),
        peak_db: tidy_db(d.peak_db),
        loudness_lufs: tidy_db(d.loudness_lufs),
        centroid_hz: tidy(f64::from(d.centroid_hz)),
        pitch_hz: d.pitch_hz.filter(|hz| hz.is_finite()).map(|hz| tidy(f64::from(hz))),
        roles: roles.map(scores),
    }
}

fn scores(roles: &BTreeMap<Role, f32>) -> BTreeMap<Role, f64> {
    let scored = roles.iter().filter(|(role, _)| role.is_scored());
    scored.map(|(&role, &score)| (role, tidy(f64::from(score)))).collect()
}

fn table(name: &str, listing: &Listing) -> String {
    let mut text = format!(
        "{name}: {} in {:.1} s at {} Hz\n",
        kit_table::hits(listing.hits.len()),
        listing.seconds,
        listing.sample_rate
    );
    text += &kit_table::faults(&listing.faults);
    if listing.hits.is_empty() {
        return text.trim_end().to_owned();
    }
    text += "\n   #    start   length      peak    loudness   centre    pitch";
    text += if listing.hits[0].roles.is_some() { "  serves best as\n" } else { "\n" };
    for (i, hit) in listing.hits.iter().enumerate() {
        let pitch = hit.pitch_hz.map_or("-".into(), |hz| format!("{hz:.1} Hz"));
        text += &format!(
            "{:>4} {:>7.3} s {:>5.0} ms {:>6.1} dB {:>6.1} LUFS {:>5.0} Hz {:>8}{}\n",
            i + 1,
            hit.start,
            (hit.end - hit.start) * 1000.0,
            hit.peak_db,
            hit.loudness_lufs,
            hit.centroid_hz,
            pitch,
            hit.roles.as_ref().map_or(String::new(), |roles| best_roles(roles, &listing.unsure_roles))
        );
    }
    if text.contains(" ?") {
        text += kit_table::UNSURE;
    }
    text.trim_end().to_owned()
}

/// The two kinds of drums with the highest scores: "  rim 0.82 ?, snare 0.64". Roles of one kind share their score, and
/// would fill the line with one word.
fn best_roles(roles: &BTreeMap<Role, f64>, unsure: &[Role]) -> String {
    let mut best: Vec<_> = roles.iter().collect();
    best.sort_by(|a, b| b.1.total_cmp(a.1));
    let mut kinds: Vec<&str> = Vec::new();
    let mut words = Vec::new();
    for (role, score) in best {
        if kinds.len() < 2 && !kinds.contains(&role.kind_word()) {
            kinds.push(role.kind_word());
            let mark = if unsure.contains(role) { " ?" } else { "" };
            words.push(format!("{} {score:.2}{mark}", roles_word(*role)));
        }
    }
    format!("  {}", words.join(", "))
}

/// The roles of one kind in the words of `--roles`.
fn roles_word(role: Role) -> &'static str {
    match role {
        Role::Crash | Role::Ride => "crash or ride",
        Role::LowTom | Role::MiddleTom | Role::HighTom => "low to high tom",
        other => other.kind_word(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_two_best_kinds_are_named_and_unsure_ones_are_marked() {
        let scores = [(Role::Crash, 0.95), (Role::Ride, 0.95), (Role::OpenHat, 0.9), (Role::Kick, 0.1)];
        assert_eq!(best_roles(&scores.into(), &[Role::OpenHat]), "  crash or ride 0.95, open hat 0.90 ?");
        let toms = [(Role::LowTom, 0.8), (Role::HighTom, 0.8), (Role::MiddleTom, 0.8)];
        assert_eq!(best_roles(&toms.into(), &[Role::OpenHat]), "  low to high tom 0.80");
    }

    #[test]
    fn percussion_has_no_score() {
        let scores = [(Role::Kick, 0.25), (Role::Percussion, 0.97)];
        assert_eq!(super::scores(&scores.into()), [(Role::Kick, 0.25)].into());
    }
}
