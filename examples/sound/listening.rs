//! Files to judge by ear: hits of a take as recorded, then with one stage after the other, then with all stages but
//! one. All files of a folder are equally loud.

use crate::support::figures::tone::full;
use kitwright_core::{
    demo::borrowed_cello,
    engine::{Engine, PlayKit},
    error::{Error, Result},
    export::write_take,
    kit::{Kit, Layer, Pad, Role, Slice, Timing, Tone, ToneStage},
    listen::{DetectOptions, Hit, detect},
    progress::Quiet,
    take::Take,
    units::{db_to_gain, gain_to_db},
};
use std::{fmt::Write, path::Path, sync::Arc};

const RATE: u32 = 48_000;
/// Velocities of each file's triggers, one every half second.
const VELOCITIES: [f32; 6] = [1.0, 0.8, 0.5, 1.0, 0.7, 1.0];
/// Peak that the loudest file of a folder reaches.
const PEAK: f32 = 0.89;
/// Stages with their names.
const STAGES: [(ToneStage, &str); 7] = [
    (ToneStage::Cuts, "cuts"),
    (ToneStage::Limiter, "limiter"),
    (ToneStage::Saturation, "saturation"),
    (ToneStage::Eq, "EQ"),
    (ToneStage::Punch, "punch"),
    (ToneStage::LowBand, "low band"),
    (ToneStage::Colour, "colour limiter"),
];

/// Writes a folder for each of three hits: the loudest, the lowest and the brightest among the loud ones.
///
/// # Errors
/// A take that cannot be read or has no hits; files that cannot be written.
pub fn write(folder: &Path, take: Option<&Path>) -> Result<()> {
    let take = match take {
        Some(path) => Take::read(path, &Quiet)?,
        None => borrowed_cello(1).0,
    };
    let hits = detect(&take, &DetectOptions::default(), &Quiet)?;
    let take = Arc::new(take);
    let mut text = String::from("All files of a folder are equally loud (ITU-R BS.1770, by ebur128).\n");
    for (what, hit) in chosen(&hits) {
        let folder = folder.join(what);
        std::fs::create_dir_all(&folder).map_err(|e| Error::file(&folder, e.to_string()))?;
        let _ =
            writeln!(text, "\n{what}: the hit at {:.3} s", hit.start as f64 / f64::from(take.sample_rate));
        equally_loud(&folder, versions(&take, hit), &mut text)?;
    }
    let page = folder.join("what is what.txt");
    std::fs::write(&page, text).map_err(|e| Error::file(&page, e.to_string()))
}

fn chosen(hits: &[Hit]) -> Vec<(&'static str, &Hit)> {
    let mut loud: Vec<&Hit> = hits.iter().collect();
    loud.sort_by(|a, b| b.description.peak_db.total_cmp(&a.description.peak_db));
    loud.truncate((hits.len() / 3).max(1));
    let centre = |h: &&&Hit| h.description.centroid_hz;
    let lowest = loud.iter().min_by(|a, b| centre(a).total_cmp(&centre(b)));
    let brightest = loud.iter().max_by(|a, b| centre(a).total_cmp(&centre(b)));
    let mut found: Vec<(&str, &Hit)> = Vec::new();
    for (what, hit) in [("loudest", loud.first()), ("lowest", lowest), ("brightest", brightest)] {
        if let Some(hit) = hit {
            found.push((what, hit));
        }
    }
    found
}

/// Each version of a pad: its name and sound.
fn versions(take: &Arc<Take>, hit: &Hit) -> Vec<(String, [Vec<f32>; 2])> {
    let mut pad = Pad::empty(36, Role::Percussion);
    let slice = Slice { take: 0, start: hit.start, end: hit.end, gain_db: 0.0, velocities: [0.0, 1.0] };
    pad.slices = vec![slice];
    pad.layers = vec![Layer::default()];
    let mut made = Vec::new();
    let mut add = |name: String, pad: &Pad| made.push((name, play(take, pad)));
    let mut number = 0;
    let mut next = |what: &str| {
        number += 1;
        format!("{number:02} {what}")
    };
    add(next("raw hit"), &pad);
    type Change = fn(&mut Pad);
    let steps: [(&str, Change); 6] = [
        ("and pitched down by a fifth", |p| p.layers[0].settings.pitch_st = -7.0),
        ("and a pitch drop", |p| p.layers[0].settings.drop_st = 12.0),
        ("and a short decay", |p| p.layers[0].settings.decay_ms = 250.0),
        ("and a falling high cut", |p| {
            let s = &mut p.layers[0].settings;
            (s.high_cut_hz, s.sweep_oct) = (2500.0, 2.0);
        }),
        ("and a cloud of 12", |p| p.cloud.copies = 12),
        ("and the cloud in bursts, smeared", |p| {
            (p.cloud.copies, p.cloud.timing, p.cloud.diffusion) = (32, Timing::Bursts, 0.5);
        }),
    ];
    for (what, change) in steps {
        change(&mut pad);
        add(next(what), &pad);
    }
    // The tone chain, stage by stage, on the hit alone.
    pad.cloud.copies = 0;
    for n in 1..=STAGES.len() {
        pad.tone = only(|stage| STAGES[..n].iter().any(|(s, _)| *s == stage));
        add(
            next(&format!("tone with {}", STAGES[..n].iter().map(|s| s.1).collect::<Vec<_>>().join(", "))),
            &pad,
        );
    }
    for (without, what) in STAGES {
        pad.tone = only(|stage| stage != without);
        add(next(&format!("tone with all but {what}")), &pad);
    }
    made
}

/// A strong chain with only these stages.
fn only(on: impl Fn(ToneStage) -> bool) -> Tone {
    let mut tone = full();
    let off = Tone::default();
    if !on(ToneStage::Cuts) {
        (tone.low_cut, tone.high_cut) = (off.low_cut, off.high_cut);
    }
    if !on(ToneStage::Eq) {
        (tone.bands, tone.dips, tone.note_bell, tone.tilt_db) =
            (off.bands, off.dips, off.note_bell, off.tilt_db);
    }
    tone.limiter.on = on(ToneStage::Limiter);
    tone.saturation.on = on(ToneStage::Saturation);
    tone.punch.on = on(ToneStage::Punch);
    tone.low_band.on = on(ToneStage::LowBand);
    tone.colour.on = on(ToneStage::Colour);
    tone
}

/// The triggers on one pad, without the ceiling of the output.
fn play(take: &Arc<Take>, pad: &Pad) -> [Vec<f32>; 2] {
    let mut kit = Kit { takes: vec![take.clone()], ..Kit::default() };
    kit.doc.pads = vec![pad.clone()];
    kit.doc.trims.kit.ceiling_on = false;
    let trims = kit.doc.trims.clone();
    let mut engine = Engine::new(f64::from(RATE));
    engine.set_trims(&trims);
    engine.set_kit(Arc::new(PlayKit::new(Arc::new(kit), f64::from(RATE))));
    engine.reset();
    let mut sound = [Vec::new(), Vec::new()];
    const BLOCK: usize = 240;
    for block in 0..(VELOCITIES.len() + 1) * 100 {
        if let (true, Some(velocity)) = (block % 100 == 0, VELOCITIES.get(block / 100)) {
            engine.trigger(0, *velocity);
        }
        engine.render(BLOCK);
        for (to, from) in sound.iter_mut().zip(engine.main()) {
            to.extend_from_slice(&from[..BLOCK]);
        }
    }
    sound
}

/// Writes the versions, each as loud as the first, with the highest peak at [`PEAK`].
fn equally_loud(folder: &Path, versions: Vec<(String, [Vec<f32>; 2])>, text: &mut String) -> Result<()> {
    let wanted = loudness(&versions[0].1);
    let gains: Vec<f32> = versions.iter().map(|(_, s)| db_to_gain((wanted - loudness(s)) as f32)).collect();
    let peak = |sound: &[Vec<f32>; 2]| sound.iter().flatten().fold(0.0_f32, |p, x| p.max(x.abs()));
    let highest = versions.iter().zip(&gains).map(|((_, s), g)| peak(s) * g).fold(1e-9, f32::max);
    for ((name, sound), gain) in versions.into_iter().zip(gains) {
        let all = gain * PEAK / highest;
        let sound = sound.map(|channel| channel.into_iter().map(|x| x * all).collect());
        let file = format!("{name}.wav");
        let _ = writeln!(text, "  {file}: {:+.1} dB to be as loud as the raw hit", gain_to_db(gain));
        write_take(&Take::from_samples(name, RATE, sound.into()), &folder.join(file))?;
    }
    Ok(())
}

/// Integrated loudness, LUFS, at least -70.
fn loudness([left, right]: &[Vec<f32>; 2]) -> f64 {
    let measured = ebur128::EbuR128::new(2, RATE, ebur128::Mode::I).and_then(|mut meter| {
        meter.add_frames_planar_f32(&[left, right])?;
        meter.loudness_global()
    });
    measured.unwrap_or(-70.0).max(-70.0)
}
