//! How well kits hold together, one table (as JSON) for each recording: what `cargo xtask score kit` prints.
//!
//!     kit_check [--out FOLDER] FILE...     makes a kit of each recording with the default fit (a kit file is taken as
//!                                          it is) and measures every pad; FOLDER receives one stroke of each as WAV

use kitwright_core::{
    cast::{
        CastOptions,
        auditioner::{AUDITION_RATE, Auditioner, mono},
        balance,
        cohesion::{self, Stroke},
        make_kit, score, toms,
    },
    error::{Error, Result},
    kit::{Kit, Pad, Role},
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
    units::{db_to_gain, gain_to_db, power_to_db},
};
use serde_json::{Value, json};
use std::{path::Path, process::ExitCode, sync::Arc};

/// Longest stroke that is played, seconds.
const STROKE_S: f64 = 2.0;
/// A stroke has begun when its level is this far below its peak, dB.
const BEGUN_DB: f32 = -20.0;

const COLUMNS: [&str; 14] = [
    "pad",
    "hit",
    "score",
    "outside",
    "alternates",
    "LU apart",
    "octaves",
    "fall LU",
    "brightness",
    "place LU",
    "crest dB",
    "begins ms",
    "onset dB",
    "mono dB",
];
const NOTES: [&str; 6] = [
    "score: probability of the role; outside: how far the sound lies outside of the 10th to 90th percentile of recorded",
    "drums (standard deviations, root mean square over all measures). alternates: their number, how far they lie apart",
    "in loudness, and in the centre of their spectrum. fall: from velocity 127 to 64, after the tone chain; brightness:",
    "the centre of the spectrum at 64 over that at 127. place: loudness beside the role's place in the balance. begins:",
    "when the latest alternate is within 20 dB of its peak. onset: its first sample that is no silence, beside its peak: a click would",
    "be high. mono: level of both channels' mean beside theirs.",
];

fn main() -> ExitCode {
    let mut files: Vec<String> = std::env::args().skip(1).collect();
    let to_folder = files.first().is_some_and(|f| f == "--out") && files.len() > 1;
    let out = to_folder.then(|| files.drain(..2).nth(1)).flatten();
    let report = |file: &String| report(file, out.as_deref()).map(|table| println!("{table}"));
    match files.iter().try_for_each(report) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("kit_check: {e}");
            ExitCode::FAILURE
        }
    }
}

fn report(file: &str, out: Option<&str>) -> Result<Value> {
    let kit = if file.ends_with(".kitwright") { Kit::load(Path::new(file), &Quiet)? } else { made(file)? };
    let mut auditioner = Auditioner::new(&kit);
    let stem = Path::new(file).file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let kick = of_role(&kit, Role::Kick).and_then(|pad| {
        let [left, right] = auditioner.play(pad, balance::MAX_STROKE_S);
        balance::loudness(&left, &right)
    });
    let (mut rows, mut notes) = (Vec::new(), NOTES.map(String::from).to_vec());
    for pad in kit.doc.pads.iter().filter(|p| !p.is_empty()) {
        let sound = auditioner.play(pad, STROKE_S);
        if let Some(folder) = out {
            save(Path::new(folder), &stem, pad, &sound)?;
        }
        rows.push(row(&mut auditioner, pad, &sound, kick));
        notes.extend(unusual(&mut auditioner, pad));
    }
    let scored = kit.doc.pads.iter().filter(|p| p.role.is_scored()).map(|p| p.role);
    let weak: std::collections::BTreeSet<Role> = scored.filter(|r| score::named_right(*r) < 0.5).collect();
    for role in weak {
        let right = 100.0 * score::named_right(role);
        notes.push(format!(
            "{role}: the score names {right:.0} % right on drums that it has not met and says little; see \"outside\""
        ));
    }
    let toms = of_role(&kit, Role::LowTom).zip(of_role(&kit, Role::HighTom));
    if let Some(apart) = toms.and_then(|(low, high)| toms::interval_st(&mut auditioner, low, high)) {
        let middle = of_role(&kit, Role::LowTom).zip(of_role(&kit, Role::MiddleTom));
        let between = middle.and_then(|(low, middle)| toms::interval_st(&mut auditioner, low, middle));
        let between = between.map_or(String::new(), |st| format!(", the middle tom {st:.1}"));
        notes.push(format!("the high tom is {apart:.1} semitones above the low tom{between}"));
    }
    let title = format!("{stem}: {} hits", kit.doc.takes.iter().map(|t| t.hits.len()).sum::<usize>());
    Ok(json!({ "title": title, "columns": COLUMNS, "rows": rows, "notes": notes }))
}

/// The pad's row of the table.
fn row(
    auditioner: &mut Auditioner,
    pad: &Pad,
    [left, right]: &[Vec<f32>; 2],
    kick_lufs: Option<f32>,
) -> Vec<String> {
    let number = |x: Option<f32>, digits: usize| x.map_or("-".into(), |x| format!("{x:.digits$}"));
    let alternates: Vec<Stroke> = pad
        .slices
        .iter()
        .filter_map(|s| cohesion::heard(auditioner, &cohesion::with_slice(pad, *s), 1.0))
        .collect();
    let apart = |of: &dyn Fn(&Stroke) -> f32| {
        let all = alternates.iter().map(of);
        let (low, high) = all.fold((f32::MAX, f32::MIN), |(l, h), x| (l.min(x), h.max(x)));
        (alternates.len() > 1).then_some(high - low)
    };
    let [soft, hard] = [64.0, 127.0].map(|v| cohesion::heard(auditioner, pad, v / 127.0));
    let strokes = hard.zip(soft);
    let lufs = balance::loudness(left, right);
    let peak = left.iter().chain(right).fold(0.0f32, |a, x| a.max(x.abs()));
    let begins = pad.slices.iter().map(|s| begins(auditioner, &cohesion::with_slice(pad, *s)));
    let begins = begins.fold(begun(left, right), |latest, alternate| latest.max(alternate));
    let onset = left.iter().zip(right).map(|(l, r)| l.abs().max(r.abs())).find(|x| *x > 0.0);
    let features = auditioner.measure(pad).filter(|_| pad.role.is_scored());
    let energy = |x: &[f32]| x.iter().map(|s| s * s).sum::<f32>();
    let both = (energy(left) + energy(right)) / 2.0;
    vec![
        format!("{} {}", pad.note, pad.role),
        pad.audition.as_ref().map_or("-".into(), |a| (a.hit + 1).to_string()),
        number(features.as_ref().map(|f| score::score(pad.role, f)), 2),
        number(features.as_ref().map(|f| score::outside(pad.role, f)), 2),
        pad.slices.len().to_string(),
        number(apart(&|s| s.lufs), 2),
        number(apart(&|s| s.centre_hz.log2()), 2),
        number(strokes.map(|(h, s)| h.lufs - s.lufs), 1),
        number(strokes.map(|(h, s)| s.centre_hz / h.centre_hz), 2),
        number(lufs.zip(kick_lufs).map(|(l, k)| l - k - balance::offset_lu(pad.role)), 1),
        number(lufs.map(|l| gain_to_db(peak) - l), 1),
        number(begins.map(|i| 1000.0 * i as f32 / AUDITION_RATE as f32), 1),
        number(onset.map(|x| gain_to_db(x / peak)), 0),
        number((both > 0.0).then(|| power_to_db(energy(&mono(left, right)) / both)), 1),
    ]
}

/// The frame at which a stroke of the pad has begun; `None` for silence.
fn begins(auditioner: &mut Auditioner, pad: &Pad) -> Option<usize> {
    let [left, right] = auditioner.play(pad, STROKE_S);
    begun(&left, &right)
}

/// The frame at which a stroke has begun; `None` for silence.
fn begun(left: &[f32], right: &[f32]) -> Option<usize> {
    let level = |(l, r): (&f32, &f32)| l.abs().max(r.abs());
    let peak = left.iter().zip(right).map(level).fold(0.0, f32::max);
    left.iter().zip(right).position(|x| peak > 0.0 && level(x) >= peak * db_to_gain(BEGUN_DB))
}

/// The measures of a pad that lie outside of the range of recorded drums, in one line.
fn unusual(auditioner: &mut Auditioner, pad: &Pad) -> Option<String> {
    let features = auditioner.measure(pad).filter(|_| pad.role.is_scored())?;
    let unusual = score::unusual(pad.role, &features);
    let words: Vec<String> = unusual
        .iter()
        .map(|(name, is, [low, high])| format!("{name} {is:.1} [{low:.1}, {high:.1}]"))
        .collect();
    Some(format!("{}: {}", pad.role, if words.is_empty() { "all within".into() } else { words.join(", ") }))
}

fn save(folder: &Path, stem: &str, pad: &Pad, [left, right]: &[Vec<f32>; 2]) -> Result<()> {
    let folder = folder.join(stem).join("pads");
    let failed = |e: &dyn std::fmt::Display| Error::invalid(format!("{}: {e}", folder.display()));
    std::fs::create_dir_all(&folder).map_err(|e| failed(&e))?;
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: AUDITION_RATE as u32,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let name = folder.join(format!("{:02}-{}.wav", pad.note, pad.role.file_word()));
    let mut file = hound::WavWriter::create(name, spec).map_err(|e| failed(&e))?;
    for (l, r) in left.iter().zip(right) {
        file.write_sample(*l).and_then(|()| file.write_sample(*r)).map_err(|e| failed(&e))?;
    }
    file.finalize().map_err(|e| failed(&e))
}

fn of_role(kit: &Kit, role: Role) -> Option<&Pad> {
    kit.doc.pads.iter().find(|p| p.role == role && !p.is_empty())
}

/// A kit of the recording with the default fit.
fn made(file: &str) -> Result<Kit> {
    let take = Arc::new(Take::read(file, &Quiet)?);
    let hits = detect(&take, &DetectOptions::default(), &Quiet)?;
    make_kit(&[(take, hits)], &CastOptions::default(), &Quiet)
}
