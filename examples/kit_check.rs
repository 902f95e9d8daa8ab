//! How well kits hold together, one JSON line for each recording: what `cargo xtask score kit` prints.
//!
//!     kit_check [--out FOLDER] FILE...     makes a kit of each recording with the default fit and measures every pad;
//!                                          FOLDER receives one stroke of each pad as WAV

use kitwright_core::{
    cast::{
        CastOptions,
        auditioner::{Auditioner, RATE, mono},
        balance, cohesion, make_kit, score,
    },
    error::Result,
    kit::{Kit, Pad, Role},
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
    units::gain_to_db,
};
use serde_json::{Value, json};
use std::{path::Path, process::ExitCode, sync::Arc};

fn main() -> ExitCode {
    let mut files: Vec<String> = std::env::args().skip(1).collect();
    let out = (files.first().is_some_and(|f| f == "--out") && files.len() > 1)
        .then(|| files.drain(..2).nth(1))
        .flatten();
    for file in &files {
        match report(file, out.as_deref()) {
            Ok(line) => println!("{line}"),
            Err(e) => {
                eprintln!("kit_check: {e}");
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}

fn report(file: &str, out: Option<&str>) -> Result<Value> {
    let kit = if file.ends_with(".kitwright") { Kit::load(Path::new(file), &Quiet)? } else { made(file)? };
    let mut auditioner = Auditioner::new(&kit);
    let stem = Path::new(file).file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let kick = of_role(&kit, Role::Kick).and_then(|pad| {
        let [left, right] = auditioner.play(pad, balance::MAX_STROKE_S);
        balance::loudness(&left, &right)
    });
    let mut pads = Vec::new();
    for pad in kit.doc.pads.iter().filter(|p| !p.is_empty()) {
        let sound = auditioner.play(pad, 2.0);
        if let Some(folder) = out {
            save(Path::new(folder), &stem, pad, &sound);
        }
        pads.push(measured(&mut auditioner, pad, &sound, kick));
    }
    let toms = of_role(&kit, Role::LowTom).zip(of_role(&kit, Role::HighTom));
    let apart = toms.and_then(|(low, high)| cohesion::tom_interval(&mut auditioner, low, high));
    Ok(json!({ "file": file, "hits": kit.doc.takes[0].hits.len(), "toms_st": apart, "pads": pads }))
}

fn measured(
    auditioner: &mut Auditioner,
    pad: &Pad,
    [left, right]: &[Vec<f32>; 2],
    kick: Option<f32>,
) -> Value {
    let strokes: Vec<_> = pad
        .slices
        .iter()
        .filter_map(|s| cohesion::stroke(auditioner, &cohesion::with_slice(pad, *s), 1.0))
        .collect();
    let range = |of: &dyn Fn(&cohesion::Stroke) -> f32| {
        let (low, high) = strokes.iter().map(of).fold((f32::MAX, f32::MIN), |(l, h), x| (l.min(x), h.max(x)));
        if strokes.is_empty() { 0.0 } else { high - low }
    };
    let [soft, hard] = [64.0 / 127.0, 1.0].map(|v| cohesion::stroke(auditioner, pad, v));
    let lufs = balance::loudness(left, right);
    let peak = left.iter().chain(right).fold(0.0f32, |a, x| a.max(x.abs()));
    let features = auditioner.measure(pad);
    let energy = |x: &[f32]| x.iter().map(|s| f64::from(*s) * f64::from(*s)).sum::<f64>();
    let both = (energy(left) + energy(right)) / 2.0;
    json!({
        "role": pad.role.word(),
        "pad": pad,
        "hit": pad.audition.as_ref().map(|a| a.hit),
        "score": features.as_ref().map(|f| score::score(pad.role, f)),
        "outside": features.as_ref().map(|f| score::outside(pad.role, f)),
        "unusual": features.as_ref().map(|f| score::unusual(pad.role, f)),
        "alternates": pad.slices.len(),
        "alternates_lu": range(&|s| s.lufs),
        "alternates_oct": range(&|s| s.centre_hz.log2()),
        "fall_lu": hard.zip(soft).map(|(h, s)| h.lufs - s.lufs),
        "soft_centre": hard.zip(soft).map(|(h, s)| s.centre_hz / h.centre_hz),
        "lufs": lufs,
        "place_off_lu": lufs.zip(kick).map(|(l, k)| l - k - balance::offset_lu(pad.role)),
        "crest_db": lufs.map(|l| gain_to_db(peak) - l),
        "mono_db": 10.0 * (energy(&mono(left, right)) / both.max(1e-30)).log10(),
    })
}

fn save(folder: &Path, stem: &str, pad: &Pad, [left, right]: &[Vec<f32>; 2]) {
    let name = folder.join(stem).join("pads").join(format!("{:02}-{}.wav", pad.note, pad.role.file_word()));
    std::fs::create_dir_all(name.parent().expect("a folder")).expect("the folder is made");
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE as u32,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut file = hound::WavWriter::create(name, spec).expect("the file is made");
    for (l, r) in left.iter().zip(right) {
        file.write_sample(*l).and_then(|()| file.write_sample(*r)).expect("written");
    }
    file.finalize().expect("written");
}

fn of_role(kit: &Kit, role: Role) -> Option<&Pad> {
    kit.doc.pads.iter().find(|p| p.role == role && !p.is_empty())
}

fn made(file: &str) -> Result<Kit> {
    let take = Arc::new(Take::read(file, &Quiet)?);
    let hits = detect(&take, &DetectOptions::default(), &Quiet)?;
    make_kit(&[(take, hits)], &CastOptions::default(), &Quiet)
}
