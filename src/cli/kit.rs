//! `kitwright kit`: a kit from takes, the main job.

use super::{
    arguments::{self, HitChoice, WhichHit},
    kit_table, protect,
    reading::read_take,
    terminal::{Terminal, printable, say},
};
use kitwright_core::{
    cast::{CastOptions, DetectedTake, make_kit, target_of},
    error::{Error, Result},
    export::{Summary, kit_file, write_folder},
    listen::{Quality, SILENT, detect, read_key},
    session::read_preference,
    take::check_memory,
};
use std::{
    path::{Path, PathBuf},
    sync::Arc,
};

pub(super) fn run(a: &arguments::MakeKit, terminal: &Terminal) -> Result<()> {
    if a.out.exists() && !a.out.is_dir() {
        return Err(Error::file(&a.out, "is a file; give the name of a folder"));
    }
    let name = a.name.clone().unwrap_or_else(|| stem(&a.take[0]));
    let targets = a.target.iter().map(|(_, sound)| sound);
    let others = a.key_from.iter().chain(&a.preference).chain(targets);
    let inputs: Vec<&Path> = a.take.iter().chain(others).map(PathBuf::as_path).collect();
    protect::check_folder(&a.out, &name, &inputs)?;
    let preference = a.preference.as_deref().map(read_preference).transpose()?;
    let takes = detect_takes(a, terminal)?;
    if takes.iter().all(|(_, hits)| hits.is_empty()) {
        return Err(no_hits(&a.take[0], &takes));
    }
    let detected_key = a.key_from.as_deref().map(|song| read_key(song, terminal)).transpose()?;
    let targets = a
        .target
        .iter()
        .map(|(role, sound)| Ok((*role, target_of(&read_take(sound, terminal)?)?)))
        .collect::<Result<_>>()?;
    let options = CastOptions {
        name,
        fit: a.fit,
        seed: a.seed,
        roles: a.roles.clone(),
        key: a.key.or(detected_key),
        tune_kick: a.tune_kick,
        targets,
        given: a.cast.iter().map(|(role, hit)| Ok((*role, chosen(hit, &takes)?))).collect::<Result<_>>()?,
        left_out: a.not.iter().map(|hit| chosen(hit, &takes)).collect::<Result<_>>()?,
        preference,
        quick: a.quick,
        ..CastOptions::default()
    };
    let mut kit = make_kit(&takes, &options, terminal)?;
    kit.doc.key_parts = kit.usual_key_parts();
    if a.keep_used {
        kit = kit.keep_used()?;
    }
    let kit = Arc::new(kit);
    let summary = write_folder(&kit, &a.out, terminal)?;
    terminal.clear();
    if a.json {
        say(&serde_json::to_string_pretty(&summary).expect("a summary can be written as JSON"));
    } else {
        say(&report(&summary, a));
    }
    Ok(())
}

/// Reads the takes and detects their hits; all of them together must fit into the memory of one kit.
fn detect_takes(a: &arguments::MakeKit, terminal: &Terminal) -> Result<Vec<DetectedTake>> {
    let options = a.detection.options();
    let (mut takes, mut bytes) = (Vec::with_capacity(a.take.len()), 0);
    for path in &a.take {
        let take = Arc::new(read_take(path, terminal)?);
        bytes += take.memory();
        check_memory(bytes)?;
        let hits = detect(&take, &options, terminal)?;
        takes.push((take, hits));
    }
    Ok(takes)
}

/// Why there is nothing to make a kit of.
fn no_hits(file: &Path, takes: &[DetectedTake]) -> Error {
    let trouble = if takes.iter().all(|(take, _)| Quality::of(take).is_silent()) {
        SILENT
    } else {
        "no hits were found; record some knocks, plucks or scratches well above the noise"
    };
    Error::file(file, trouble)
}

/// Index of the recording and of the hit in it that the player named.
fn chosen(hit: &HitChoice, takes: &[DetectedTake]) -> Result<(usize, usize)> {
    let Some((take, hits)) = takes.get(hit.take) else {
        let (named, there) = (hit.take + 1, takes.len());
        return Err(Error::invalid(format!(
            "--cast or --not: there is no recording {named} among the {there} given; recordings count from 1"
        )));
    };
    let found = match hit.which {
        WhichHit::Number(index) => (index < hits.len()).then_some(index),
        WhichHit::Moment(seconds) => {
            let frame = (seconds * f64::from(take.sample_rate)) as u64;
            let early = frame.saturating_add(u64::from(take.sample_rate) / 20);
            // the last hit that has begun by then, with 50 ms to spare
            hits.iter().rposition(|h| h.start <= early).filter(|&i| hits[i].end > frame)
        }
    };
    let which = match hit.which {
        WhichHit::Number(index) => format!("hit {}", index + 1),
        WhichHit::Moment(seconds) => format!("hit at {seconds} s"),
    };
    let trouble =
        format!("there is no {which}; \"kitwright hits\" lists its {}", kit_table::hits(hits.len()));
    found.map(|index| (hit.take, index)).ok_or_else(|| Error::file(&take.name, trouble))
}

/// A file's name without folder and ending.
fn stem(path: &Path) -> String {
    path.file_stem().map_or("Untitled".into(), |s| s.to_string_lossy().into_owned())
}

/// The table of a kit's pads, what is to be known of them, and the files.
fn report(summary: &Summary, a: &arguments::MakeKit) -> String {
    let mut text = kit_table::table(summary) + &kit_table::remarks(summary, a.roles.as_deref());
    if a.quick {
        text +=
            "made by the recipes alone: without --quick every pad is fitted to its role or target as well\n";
    }
    let out = &a.out;
    text += &format!("\nkit:      {}\n", printable(out.join(kit_file(&summary.name))));
    text += &format!("groove:   {}\n", printable(out.join("groove.wav")));
    text += &format!("picture:  {}", printable(out.join("overview.png")));
    if let Some(key) = &summary.key {
        text += &format!("\nkey:      {key}{}", tuned(summary));
    }
    text
}

/// "; low tom to A2 by -37 cents, rim ..." or that nothing has moved.
fn tuned(summary: &Summary) -> String {
    let moved: Vec<String> = summary
        .pads
        .iter()
        .filter_map(|pad| {
            let tuned = pad.tuned.as_ref()?;
            Some(format!("{} to {} by {:+.0} cents", pad.role, tuned.note, tuned.cents))
        })
        .collect();
    if moved.is_empty() {
        "; no pad was moved: none of those that are tuned has a certain pitch".into()
    } else {
        format!("; {}", moved.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::take::Take;

    #[test]
    fn a_moment_after_the_recording_is_refused() {
        let take = Arc::new(Take::from_samples("take.wav", 48_000, vec![vec![0.0; 480]]));
        for seconds in [1.0, 1e30] {
            let hit = HitChoice { take: 0, which: WhichHit::Moment(seconds) };
            let error = chosen(&hit, &[(take.clone(), Vec::new())]).expect_err("no hit there");
            assert!(error.to_string().contains("there is no hit at"), "{error}");
        }
    }
}
