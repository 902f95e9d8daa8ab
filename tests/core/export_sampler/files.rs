//! What is written, and what is not.

use super::{RATE, export, keys::kit_with_bass, kit, names_in};
use kitwright_core::{
    error::Error,
    export::{SampleOptions, SamplerFormat, export_sampler, sampler_files},
    kit::Kit,
    progress::{Flag, Quiet},
};
use std::{
    fs,
    sync::{Arc, atomic::AtomicBool},
};

#[test]
fn what_will_be_written_is_known_before() {
    let kit = kit_with_bass();
    for format in SamplerFormat::ALL {
        let dir = tempfile::tempdir().unwrap();
        export(&kit, format, dir.path());
        for file in sampler_files(&kit, format, &SampleOptions::default()).unwrap() {
            assert!(dir.path().join(&file).is_file(), "{}", file.display());
            fs::remove_file(dir.path().join(file)).unwrap();
        }
        let left: Vec<String> = names_in(dir.path()).into_iter().filter(|name| name != "samples").collect();
        assert!(left.is_empty(), "{left:?}");
    }
}

#[test]
fn a_cancelled_or_refused_export_leaves_nothing_and_other_files_stay() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let stop = Flag(AtomicBool::new(true));
    for format in [SamplerFormat::Wav, SamplerFormat::Sfz, SamplerFormat::Sf2] {
        let result = export_sampler(&Arc::new(kit()), format, &SampleOptions::default(), &out, &stop);
        assert_eq!(result, Err(Error::Cancelled));
    }
    let refuse = |kit: &Kit, options: SampleOptions| {
        let result = export_sampler(&Arc::new(kit.clone()), SamplerFormat::Midnam, &options, &out, &Quiet);
        result.unwrap_err().to_string()
    };
    assert!(refuse(&Kit::default(), SampleOptions::default()).contains("no pad"));
    for (rate, velocities) in [(7999, 4), (RATE, 3), (RATE, 33)] {
        refuse(&kit(), SampleOptions { rate, velocities, ..SampleOptions::default() });
    }
    assert!(names_in(dir.path()).is_empty());
    fs::create_dir(&out).unwrap();
    fs::write(out.join("mine.txt"), "mine").unwrap();
    export(&kit(), SamplerFormat::Midnam, &out);
    export(&kit(), SamplerFormat::Midnam, &out);
    assert_eq!(names_in(&out).len(), 2);
}

#[test]
fn the_same_kit_gives_the_same_files() {
    let dir = tempfile::tempdir().unwrap();
    for format in [SamplerFormat::Sfz, SamplerFormat::Sf2] {
        let [a, b] = ["a", "b"].map(|name| {
            export(&kit(), format, &dir.path().join(name));
            fs::read(dir.path().join(name).join(format!("Tones & -noise-.{}", format.word()))).unwrap()
        });
        assert!(a == b, "{format:?}");
    }
}
