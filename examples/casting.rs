//! Results of casting audio files, one JSON line each, for `cargo xtask score roles` and `score fit`.
//!
//!     casting sounds FILE...     how likely each drum sound is each class
//!     casting kit FILE...        a fully shaped kit of each take, and its measures
//!     casting search FILE ROLE   the search of one pad: prints its start and its result, then the cost of
//!                                each point (a JSON array, one a line) from standard input

use kitwright_core::{
    cast::{
        CastOptions,
        auditioner::{self, Auditioner},
        balance,
        features::Features,
        make_kit, resonances, score,
        trial::Trial,
    },
    engine::PlayKit,
    error::{Error, Result},
    export::{RenderOptions, Score, groove_midi, render},
    kit::{Kit, Pad, Role},
    listen::{DetectOptions, detect},
    progress::Quiet,
    spectrum::hann_periodic,
    take::Take,
    units::{cents_to_ratio, gain_to_db, hz_to_note},
};
use serde_json::{Value, json};
use std::{io::BufRead, process::ExitCode, sync::Arc};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let result = match arguments.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["sounds", files @ ..] => files.iter().try_for_each(|f| print_line(f, sound(f))),
        ["kit", files @ ..] => files.iter().try_for_each(|f| print_line(f, kit(f))),
        ["search", file, role] => search(file, role),
        _ => {
            Err(Error::invalid("give a task and its files; the first lines of examples/casting.rs list them"))
        }
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("casting: {e}");
            ExitCode::FAILURE
        }
    }
}

fn print_line(file: &str, found: Result<Value>) -> Result<()> {
    println!("{}", json!({ "file": file, "found": found? }));
    Ok(())
}

fn sound(file: &str) -> Result<Value> {
    let take = Take::read(file, &Quiet)?;
    let mono = auditioner::mono(&take.channels[0], take.channels.last().unwrap_or(&take.channels[0]));
    let features = Features::of(&mono, f64::from(take.sample_rate));
    let features = features.ok_or_else(|| Error::invalid(format!("{file}: it is silent")))?;
    let likely = score::CLASSES.iter().zip(score::probabilities(&features));
    Ok(likely.map(|(class, p)| (class.to_string(), json!(p))).collect::<serde_json::Map<_, _>>().into())
}

/// The take with its hits, cast and fully shaped.
fn made(file: &str, options: &CastOptions) -> Result<Kit> {
    let take = Arc::new(Take::read(file, &Quiet)?);
    let hits = detect(&take, &DetectOptions::default(), &Quiet)?;
    make_kit(&[(take, hits)], options, &Quiet)
}

fn kit(file: &str) -> Result<Value> {
    let key = Some("E minor".parse().expect("a key"));
    let options = CastOptions { fit: 1.0, key, tune_kick: true, ..CastOptions::default() };
    let kit = made(file, &options)?;
    let mut auditioner = Auditioner::new(&kit);
    let kick = kit.doc.pads.iter().find(|p| p.role == Role::Kick).and_then(|p| lufs(&mut auditioner, p));
    let mut pads = Vec::new();
    for pad in kit.doc.pads.iter().filter(|p| !p.is_empty()) {
        let Some(audition) = &pad.audition else { continue };
        let recipe = Trial::new(&kit, (audition.take, audition.hit), pad.role)?.recipe_score();
        pads.push(json!({
            "role": pad.role.word(),
            "score": audition.score,
            "recipe": recipe,
            "over_kick_lu": lufs(&mut auditioner, pad).zip(kick).map(|(is, kick)| is - kick),
            "dips": pad.tone.dips.len(),
            "tone_db": [tone_db(&mut auditioner, pad, 0.0), tone_db(&mut auditioner, pad, 1.0)],
            "cents": cents_off(&mut auditioner, pad),
        }));
    }
    Ok(json!({
        "hits": kit.doc.takes[0].hits.len(),
        "groove_db": groove_db(&kit)?,
        "pads": pads,
    }))
}

fn lufs(auditioner: &mut Auditioner, pad: &Pad) -> Option<f32> {
    let [left, right] = auditioner.play(pad, 1.2);
    balance::loudness(&left, &right)
}

/// Level of the highest partial over the noise of a hat or shaker, with its dips at `amount`, dB.
fn tone_db(auditioner: &mut Auditioner, pad: &Pad, amount: f32) -> Option<f32> {
    resonances::removes_resonances(pad.role).then(|| {
        let mut pad = pad.clone();
        pad.tone.dip_amount = amount;
        let [left, right] = auditioner.play(&pad, 0.8);
        let found = resonances::partials(&auditioner::mono(&left, &right), auditioner::AUDITION_RATE);
        found.first().map_or(0.0, |p| p.over_db)
    })
}

/// Distance of a tuned pad's fundamental from its note, cents: the loudest half cent of the whole sound's
/// spectrum (Goertzel 1958, Hann window, until 40 dB of the energy are gone) within 60 cents. `None` for pads that
/// are not tuned.
fn cents_off(auditioner: &mut Auditioner, pad: &Pad) -> Option<f64> {
    let hz = f64::from(pad.tone.note_bell.hz);
    if !pad.tone.note_bell.on || (hz_to_note(hz) - hz_to_note(hz).round()).abs() > 0.01 {
        return None;
    }
    let mut still = pad.clone();
    let v = &mut still.variation;
    (v.start_ms, v.pitch_ct, v.level_db, v.cut_oct) = (0.0, 0.0, 0.0, 0.0);
    still.cloud.copies = 0;
    let [left, right] = auditioner.play(&still, 1.0);
    let mut sound = auditioner::mono(&left, &right);
    let mut left = 1e-4 * sound.iter().map(|s| s * s).sum::<f32>();
    while let Some(last) = sound.pop_if(|s| *s * *s < left) {
        left -= last * last;
    }
    let level = |cents: f64| {
        let turn =
            2.0 * (std::f64::consts::TAU * hz * cents_to_ratio(cents) / auditioner::AUDITION_RATE).cos();
        let (mut a, mut b) = (0.0, 0.0);
        for (i, s) in sound.iter().enumerate() {
            (a, b) = (f64::from(*s) * hann_periodic(i, sound.len()) + turn * a - b, a);
        }
        a * a + b * b - turn * a * b
    };
    let places = (-120..=120).map(|i| f64::from(i) * 0.5);
    places.max_by(|a, b| level(*a).total_cmp(&level(*b)))
}

/// Peak of the groove before the ceiling, dBFS.
fn groove_db(kit: &Kit) -> Result<f32> {
    let mut kit = kit.clone();
    kit.doc.trims.kit.ceiling_on = false;
    let song = Score::parse(&groove_midi(&kit))?;
    let play = Arc::new(PlayKit::new(Arc::new(kit), 48_000.0));
    let mut peak = 0.0f32;
    render(&play, &song, RenderOptions::default(), &Quiet, &mut |engine, n| {
        peak = engine.main().iter().flat_map(|c| &c[..n]).fold(peak, |a, x| a.max(x.abs()));
        Ok(())
    })?;
    Ok(gain_to_db(peak))
}

fn search(file: &str, role: &str) -> Result<()> {
    let role: Role = role.parse()?;
    let options = CastOptions { roles: Some(vec![role]), fit: 0.0, ..CastOptions::default() };
    let kit = made(file, &options)?;
    let audition = kit.doc.pads.iter().find_map(|p| p.audition.as_ref());
    let audition = audition.ok_or_else(|| Error::invalid(format!("{file}: no hit for {role}")))?;
    let mut trial = Trial::new(&kit, (audition.take, audition.hit), role)?;
    let start = trial.start();
    let recipe = trial.cost(&start);
    let (found, trials) = trial.found()?;
    println!("{}", json!({ "start": start, "recipe": recipe, "found": found, "trials": trials }));
    for line in std::io::stdin().lock().lines().map_while(std::result::Result::ok) {
        let positions: Vec<f64> = serde_json::from_str(&line).unwrap_or_default();
        println!("{}", trial.cost(&positions));
    }
    Ok(())
}
