//! `kitwright hits`: the hits of a recording.

use super::{
    arguments,
    reading::read_take,
    terminal::{Terminal, printable, say},
};
use kitwright_core::{
    cast::score_hits,
    error::Result,
    export::{tidy, tidy_db},
    kit::Role,
    listen::{Hit, detect},
    take::Take,
};
use serde::Serialize;
use std::{collections::BTreeMap, sync::Arc};

/// The JSON of `kitwright hits --json`.
#[derive(Serialize)]
struct Listing {
    sample_rate: u32,
    seconds: f64,
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
    /// How well it serves each role; only when asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    roles: Option<BTreeMap<Role, f64>>,
}

pub(super) fn run(a: &arguments::Hits, terminal: &Terminal) -> Result<()> {
    let take = Arc::new(read_take(&a.take, terminal)?);
    let hits = detect(&take, &a.detection.options(), terminal)?;
    let roles = if a.roles { Some(score_hits(&take, &hits, terminal)?) } else { None };
    terminal.clear();
    let listing = Listing {
        sample_rate: take.sample_rate,
        seconds: tidy(take.seconds()),
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
        roles: roles.map(|r| r.iter().map(|(&role, &score)| (role, tidy(f64::from(score)))).collect()),
    }
}

fn table(name: &str, listing: &Listing) -> String {
    let count = listing.hits.len();
    let mut text = format!(
        "{name}: {count} {} in {:.1} s at {} Hz",
        if count == 1 { "hit" } else { "hits" },
        listing.seconds,
        listing.sample_rate
    );
    if count == 0 {
        return text;
    }
    text += "\n\n   #    start   length      peak    loudness   centre    pitch";
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
            hit.roles.as_ref().map_or(String::new(), best_roles)
        );
    }
    text.trim_end().to_owned()
}

/// The two roles with the highest scores: "  rim 0.82, snare 0.64".
fn best_roles(roles: &BTreeMap<Role, f64>) -> String {
    let mut best: Vec<_> = roles.iter().collect();
    best.sort_by(|a, b| b.1.total_cmp(a.1));
    let words: Vec<_> = best.iter().take(2).map(|(role, score)| format!("{role} {score:.2}")).collect();
    format!("  {}", words.join(", "))
}
