//! Detected against true onsets.
//!
//! The rule is mir_eval's onset F-measure (Raffel et al., "mir_eval: a transparent implementation of common
//! MIR metrics", ISMIR 2014): estimates match true onsets one to one within a window, in the largest
//! matching there is; recall and precision count what matched. Two things are the data set's own: a sound
//! with an attack longer than 10 ms has no one instant, so nothing that is detected within
//! `[t - 30 ms, t + free_ms]` of a true onset counts as false.

use std::path::Path;

/// The matching window, seconds either way.
pub const WINDOW_S: f64 = 0.025;
/// A hit is sharp when its attack is shorter than this, ms; its start must be this exact, seconds.
pub const SHARP_MS: f64 = 10.0;
pub const SHARP_WINDOW_S: f64 = 0.005;
/// Detections up to this long before a true onset are not false, seconds.
const EARLY_S: f64 = 0.03;
/// Detections up to this long after a true onset are not false where the data set states no time, ms.
const FREE_MS: f64 = 30.0;

/// A true onset.
pub struct Onset {
    pub time_s: f64,
    pub attack_ms: Option<f64>,
    pub free_ms: f64,
    pub flam: bool,
}

/// True onsets of a CSV file with a header line.
pub fn truth(path: &Path) -> Vec<Onset> {
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let column = |name: &str| names.iter().position(|n| *n == name);
    lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |name: &str| column(name).and_then(|c| cells[c].parse::<f64>().ok());
            Onset {
                time_s: number("time_s").unwrap(),
                attack_ms: number("attack_ms"),
                free_ms: number("free_ms").unwrap_or(FREE_MS),
                flam: column("group").is_some_and(|c| cells[c].starts_with("flam")),
            }
        })
        .collect()
}

/// Counts over one or more takes.
#[derive(Default)]
pub struct Tally {
    pub truth: usize,
    pub matched: usize,
    pub false_hits: usize,
    pub sharp: usize,
    pub sharp_exact: usize,
    pub flams: usize,
    pub flams_matched: usize,
    pub errors_ms: Vec<f64>,
}

impl Tally {
    /// Scores what was detected (seconds) in one take.
    pub fn of(truth: &[Onset], detected: &[f64]) -> Self {
        let matches = matching(truth, detected);
        let mut tally = Self { truth: truth.len(), ..Self::default() };
        for (onset, found) in truth.iter().zip(&matches) {
            let error = found.map(|j| detected[j] - onset.time_s);
            let sharp = onset.attack_ms.is_some_and(|a| a < SHARP_MS);
            tally.matched += usize::from(error.is_some());
            tally.sharp += usize::from(sharp);
            tally.sharp_exact += usize::from(sharp && error.is_some_and(|e| e.abs() <= SHARP_WINDOW_S));
            tally.flams += usize::from(onset.flam);
            tally.flams_matched += usize::from(onset.flam && error.is_some());
            tally.errors_ms.extend(error.map(|e| e * 1000.0));
        }
        let excused =
            |at: f64| truth.iter().any(|t| at >= t.time_s - EARLY_S && at <= t.time_s + t.free_ms / 1000.0);
        tally.false_hits = detected
            .iter()
            .enumerate()
            .filter(|&(j, &at)| !matches.contains(&Some(j)) && !excused(at))
            .count();
        tally
    }

    pub fn add(&mut self, other: &Self) {
        self.truth += other.truth;
        self.matched += other.matched;
        self.false_hits += other.false_hits;
        self.sharp += other.sharp;
        self.sharp_exact += other.sharp_exact;
        self.flams += other.flams;
        self.flams_matched += other.flams_matched;
        self.errors_ms.extend(&other.errors_ms);
    }

    pub fn recall(&self) -> f64 {
        self.matched as f64 / self.truth.max(1) as f64
    }

    pub fn precision(&self) -> f64 {
        self.matched as f64 / (self.matched + self.false_hits).max(1) as f64
    }

    pub fn f_measure(&self) -> f64 {
        let (r, p) = (self.recall(), self.precision());
        if r + p > 0.0 { 2.0 * r * p / (r + p) } else { 0.0 }
    }

    pub fn sharp_share(&self) -> f64 {
        self.sharp_exact as f64 / self.sharp.max(1) as f64
    }

    pub fn median_error_ms(&self) -> f64 {
        let mut errors = self.errors_ms.clone();
        errors.sort_by(f64::total_cmp);
        errors.get(errors.len() / 2).copied().unwrap_or(f64::NAN)
    }
}

/// Heading of the table that [`row`] fills.
pub fn heading() -> String {
    format!(
        "{:<28} {:>5} {:>7} {:>5} {:>6} {:>9} {:>6} {:>11} {:>7} {:>9}",
        "take", "true", "matched", "false", "recall", "precision", "F", "sharp, 5 ms", "flams", "median ms"
    )
}

/// One line of the table.
pub fn row(name: &str, t: &Tally) -> String {
    format!(
        "{:<28} {:>5} {:>7} {:>5} {:>6.3} {:>9.3} {:>6.3} {:>11} {:>7} {:>9.2}",
        name,
        t.truth,
        t.matched,
        t.false_hits,
        t.recall(),
        t.precision(),
        t.f_measure(),
        format!("{}/{}", t.sharp_exact, t.sharp),
        format!("{}/{}", t.flams_matched, t.flams),
        t.median_error_ms()
    )
}

/// For each true onset the estimate it matches, in the largest matching (augmenting paths, nearest first).
fn matching(truth: &[Onset], detected: &[f64]) -> Vec<Option<usize>> {
    fn augment(i: usize, near: &[Vec<usize>], seen: &mut [bool], owner: &mut [Option<usize>]) -> bool {
        for &j in &near[i] {
            if std::mem::replace(&mut seen[j], true) {
                continue;
            }
            if owner[j].is_none_or(|other| augment(other, near, seen, owner)) {
                owner[j] = Some(i);
                return true;
            }
        }
        false
    }
    let near: Vec<Vec<usize>> = truth
        .iter()
        .map(|t| {
            let off = |j: &usize| (detected[*j] - t.time_s).abs();
            let mut near: Vec<usize> = (0..detected.len()).filter(|j| off(j) <= WINDOW_S).collect();
            near.sort_by(|a, b| off(a).total_cmp(&off(b)));
            near
        })
        .collect();
    let mut owner = vec![None; detected.len()];
    for i in 0..truth.len() {
        augment(i, &near, &mut vec![false; detected.len()], &mut owner);
    }
    let mut matches = vec![None; truth.len()];
    for (j, i) in owner.iter().enumerate() {
        if let Some(i) = *i {
            matches[i] = Some(j);
        }
    }
    matches
}
