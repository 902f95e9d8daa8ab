//! WAV files: the strokes and what is said of them.

use super::{chunks, export, kit, names_in, played, u32_at, wav};
use kitwright_core::{
    export::{SampleOptions, SamplerFormat, export_sampler},
    kit::Kit,
    progress::Quiet,
};
use std::{fs, sync::Arc};

#[test]
fn samples_are_the_strokes_that_the_plugin_plays_in_turn() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit();
    let count = export(&kit, SamplerFormat::Wav, dir.path());
    assert_eq!(names_in(dir.path()).len(), count);
    // note, name, velocity of the step, its number, alternates
    for (key, stem, velocity, step, alternates) in [
        (37, "37-rim", 127, 4, 3),
        (37, "37-rim", 32, 1, 3),
        (38, "38-snare", 127, 5, 2),
        (38, "38-snare", 51, 2, 1),
        (42, "42-closed-hat", 96, 3, 4),
        (46, "46-open-hat", 64, 2, 4),
    ] {
        for (turn, stroke) in played(&kit, key, velocity, alternates).iter().enumerate() {
            let name = format!("{stem}-v{step}-a{}.wav", turn + 1);
            for (sample, engine) in wav(&dir.path().join(&name)).iter().zip(stroke) {
                let (here, silent) = engine.split_at(sample.len());
                assert!(sample.iter().any(|s| s.abs() > 0.001), "{name} sounds");
                // half a step of 24 bits
                assert!(sample.iter().zip(here).all(|(a, b)| (a - b).abs() <= 6.0e-8), "{name}");
                assert!(silent.iter().all(|s| s.abs() < 1e-6), "{name} is whole");
            }
        }
        assert!(!dir.path().join(format!("{stem}-v{step}-a{}.wav", alternates + 1)).exists());
    }
    assert!(
        names_in(dir.path()).iter().all(|name| !name.starts_with("36")),
        "pads without a sound are left out"
    );
}

#[test]
fn wav_files_say_key_velocities_name_and_loop() {
    let dir = tempfile::tempdir().unwrap();
    export(&kit(), SamplerFormat::Wav, dir.path());
    let rim = chunks(&fs::read(dir.path().join("37-rim-v2-a3.wav")).unwrap());
    assert_eq!(rim["inst"], [37, 0, 0, 37, 37, 33, 64]);
    assert_eq!(
        (u32_at(&rim["smpl"], 8), u32_at(&rim["smpl"], 12), u32_at(&rim["smpl"], 28)),
        (20_833, 37, 0)
    );
    assert_eq!((u32_at(&rim["cue "], 0), &rim["cue "][12..16]), (1, &b"data"[..]));
    assert_eq!(u32_at(&rim["adtl labl"], 0), u32_at(&rim["cue "], 4), "the label is that of the point");
    assert_eq!(&rim["adtl labl"][4..], b"37-rim, velocities 33 to 64, alternate 3 of 3\0");
    let held = chunks(&fs::read(dir.path().join("56-percussion-v4-a1.wav")).unwrap());
    let smpl = &held["smpl"];
    let (start, end) = (u32_at(smpl, 44) as usize, u32_at(smpl, 48) as usize);
    assert_eq!((u32_at(smpl, 28), smpl.len()), (1, 60));
    let [left, _] = wav(&dir.path().join("56-percussion-v4-a1.wav"));
    assert!(start < end && end + 1 == left.len());
    assert!((left[end] - left[start - 1]).abs() < 1e-6, "what follows the end is what follows the start");
    assert!(left[start..].iter().any(|s| s.abs() > 0.001), "the loop sounds");
}

#[test]
fn samples_without_tone_leave_the_chain_out() {
    let mut toned = kit();
    toned.doc.pads[1].tone.saturation.on = true;
    toned.doc.pads[1].tone.saturation.drive_db = 30.0;
    toned.doc.trims.pads[1].tilt_db = 6.0;
    let dir = tempfile::tempdir().unwrap();
    let sample = |kit: &Kit, name: &str, tone: bool| {
        let options = SampleOptions { tone, ..SampleOptions::default() };
        export_sampler(&Arc::new(kit.clone()), SamplerFormat::Wav, &options, &dir.path().join(name), &Quiet)
            .unwrap();
        fs::read(dir.path().join(name).join("37-rim-v4-a1.wav")).unwrap()
    };
    let without = sample(&toned, "without", false);
    assert!(without == sample(&kit(), "plain", false), "nothing of the chain is left");
    assert!(without != sample(&toned, "with", true));
}

#[test]
fn mutes_solos_and_the_kits_level_do_not_silence_an_export() {
    let dir = tempfile::tempdir().unwrap();
    let mut kit = kit();
    kit.doc.trims.pads[1].mute = true;
    kit.doc.trims.pads[2].solo = true;
    kit.doc.trims.kit.level_db = -6.0;
    export(&kit, SamplerFormat::Wav, dir.path());
    let peak = |kit: &Kit| {
        let stroke = &played(kit, 37, 127, 1)[0];
        stroke[0].iter().fold(0.0f32, |peak, s| peak.max(s.abs()))
    };
    (kit.doc.trims.pads[1].mute, kit.doc.trims.pads[2].solo) = (false, false);
    let [left, _] = wav(&dir.path().join("37-rim-v4-a1.wav"));
    let exported = left.iter().fold(0.0f32, |peak, s| peak.max(s.abs()));
    assert!((exported / peak(&kit) - 1.0).abs() < 1e-3, "as loud as the plugin with the kit's level");
}
