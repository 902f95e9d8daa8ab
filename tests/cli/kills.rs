//! Signals at random instants: what was to be written is as before or as it was to be, and the next run leaves nothing.

use super::{Made, kitwright, outputs::contents, run, short_take};
use kitwright_core::{kit::Kit, progress::Quiet};
use std::{
    fs,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};
use tempfile::TempDir;

type Contents = Vec<(PathBuf, Vec<u8>)>;

/// Random numbers by a linear congruential generator (constants of Knuth's MMIX), 0 to 1.
struct Draws(u64);

impl Draws {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f64 / (1_u64 << 24) as f64
    }
}

/// A call that replaces an older output, and what its outputs are before and after.
struct Job {
    name: &'static str,
    call: Vec<PathBuf>,
    /// Outputs that are old or new as one: files or folders.
    outputs: Vec<PathBuf>,
    /// The call changes a file that must be there.
    needs_old: bool,
    old: Vec<Contents>,
    new: Vec<Contents>,
    /// How long the call takes.
    time: Duration,
}

impl Job {
    fn new(name: &'static str, before: &[&Path], call: &[&Path], outputs: &[PathBuf]) -> Self {
        assert!(run(before).status.success());
        let old = outputs.iter().map(|path| read(path)).collect::<Vec<_>>();
        let begun = Instant::now();
        assert!(run(call).status.success());
        let time = begun.elapsed();
        println!("{name}: {time:.1?}");
        let new = outputs.iter().map(|path| read(path)).collect::<Vec<_>>();
        assert!(old.iter().zip(&new).all(|(old, new)| old != new), "{name}: both calls write the same");
        let call = call.iter().map(|word| word.to_path_buf()).collect();
        Self { name, call, outputs: outputs.to_vec(), needs_old: false, old, new, time }
    }

    /// A call that changes what is there.
    fn needing_old(self) -> Self {
        Self { needs_old: true, ..self }
    }

    /// Puts the older outputs in place, or none at all.
    fn prepare(&self, with_old: bool) {
        for (output, old) in self.outputs.iter().zip(&self.old) {
            let _ = if output.is_dir() { fs::remove_dir_all(output) } else { fs::remove_file(output) };
            for (path, bytes) in old.iter().filter(|_| with_old) {
                fs::create_dir_all(path.parent().unwrap()).unwrap();
                fs::write(path, bytes).unwrap();
            }
        }
    }

    fn start(&self) -> Child {
        kitwright().args(&self.call).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    }

    /// The outputs must all be as before, or not there as before, or all as they were to be.
    fn check(&self, with_old: bool, what: &str) {
        let found: Vec<_> = self.outputs.iter().map(|output| read(output)).collect();
        let as_before = if with_old { found == self.old } else { found.iter().all(Vec::is_empty) };
        let names: Vec<_> = found.iter().flatten().map(|(path, bytes)| (path, bytes.len())).collect();
        assert!(as_before || found == self.new, "{} {what}: {names:?}", self.name);
    }
}

/// A file, or every file below a folder.
fn read(path: &Path) -> Contents {
    if path.is_dir() {
        contents(path)
    } else {
        fs::read(path).map(|b| (path.into(), b)).into_iter().collect()
    }
}

/// Sends a signal to a process after a part of `time` and waits for its end; every second time within the last tenth,
/// where files are moved.
fn signal(child: &mut Child, signal: &str, time: Duration, draws: &mut Draws) {
    let part = if draws.next() < 0.5 { draws.next() } else { 0.9 + 0.2 * draws.next() };
    std::thread::sleep(time.mul_f64(part));
    // it may have ended before
    let _ = Command::new("kill").args([signal, &child.id().to_string()]).stderr(Stdio::null()).status();
    child.wait().unwrap();
}

/// Hidden files anywhere below a folder.
fn hidden(folder: &Path) -> Vec<PathBuf> {
    let is_hidden = |path: &Path| path.iter().any(|part| part.to_string_lossy().starts_with(".kitwright"));
    contents(folder).into_iter().map(|(path, _)| path).filter(|path| is_hidden(path)).collect()
}

/// A run that writes into every folder below this one, and removes what it wrote.
fn next_run(tiny: &Path, folder: &Path) {
    let next = folder.join("next.wav");
    let call = [Path::new("shift"), tiny, "--semitones".as_ref(), "0".as_ref(), "-o".as_ref(), &next];
    assert!(run(&call).status.success());
    fs::remove_file(next).unwrap();
    for entry in fs::read_dir(folder).unwrap().flatten() {
        if entry.path().is_dir() {
            next_run(tiny, &entry.path());
        }
    }
}

/// The calls, with a folder of inputs and one for all outputs.
fn jobs(inputs: &Path, work: &Path) -> Vec<Job> {
    let at = |name: &str| work.join(name);
    let word = |word: &'static str| Path::new(word);
    let take = short_take(inputs);
    let song = inputs.join("song.mid");
    // Two strokes, a fifth of a beat apart.
    let midi = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0\x0c\0\x99\x24\x64\x10\x99\x26\x64\0\xff\x2f\0";
    fs::write(&song, midi).unwrap();
    let plain = ["kit", "--quick", "--fit", "0", "--name", "Cello", "--roles"];
    let kit_call = |roles, seed, out, take| {
        [&plain.map(Path::new)[..], &[word(roles), word("--seed"), word(seed), word("--out"), out, take]]
            .concat()
    };
    let small = inputs.join("small");
    assert!(run(&kit_call("kick", "5", &small, &take)).status.success());
    let kit = small.join("Cello.kitwright");
    let (folder, song_out, stems, low) = (at("kit"), at("song.wav"), at("stems"), at("low.wav"));
    let made = |seed| kit_call("kick,snare,closed-hat", seed, &folder, &take);
    let render = |seed| {
        [word("render"), &kit, &song, word("--out"), &song_out, word("--stems"), &stems, word("--seed"), seed]
    };
    let shift = |by| [word("shift"), &take, word("--semitones"), by, word("-o"), &low];
    let samples = at("samples");
    let export = |rate| {
        [word("export"), &kit, word("--as"), word("sfz"), word("-o"), &samples, word("--rate"), word(rate)]
    };
    let library = at("library");
    let tag = |tag| [word("library"), word("--folder"), &library, word("tag"), word("cello"), word(tag)];
    assert!(run(&[word("library"), word("--folder"), &library, word("add"), &kit]).status.success());
    vec![
        Job::new("kit", &made("1"), &made("2"), std::slice::from_ref(&folder)),
        Job::new("render", &render(word("3")), &render(word("4")), &[song_out.clone(), stems.clone()]),
        Job::new("shift", &shift(word("1")), &shift(word("-1")), std::slice::from_ref(&low)),
        Job::new("export", &export("8000"), &export("11025"), std::slice::from_ref(&samples)),
        Job::new("library", &tag("dry"), &tag("wet"), std::slice::from_ref(&library)).needing_old(),
    ]
}

#[test]
fn a_killed_or_interrupted_run_leaves_old_or_new_and_the_next_one_leaves_nothing_else() {
    let (inputs, work) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let jobs = jobs(inputs.path(), work.path());
    let tiny = inputs.path().join("tiny.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&tiny, spec).unwrap();
    (0..4800).for_each(|i| writer.write_sample((i % 100) as i16 * 100).unwrap());
    writer.finalize().unwrap();
    let mut draws = Draws(22);
    let each: usize = std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    let mut left_by_kills = 0;
    for (i, job) in (0..each).flat_map(|i| jobs.iter().map(move |job| (i, job))) {
        for name in ["-KILL", "-INT"] {
            let with_old = job.needs_old || draws.next() < 0.7;
            job.prepare(with_old);
            signal(&mut job.start(), name, job.time, &mut draws);
            if name == "-INT" {
                assert_eq!(hidden(work.path()), Vec::<PathBuf>::new(), "{} {i} after Ctrl-C", job.name);
            }
            left_by_kills += usize::from(!hidden(work.path()).is_empty());
            next_run(&tiny, work.path());
            assert_eq!(hidden(work.path()), Vec::<PathBuf>::new(), "{} {i} after {name}", job.name);
            job.check(with_old, &format!("{i} after {name}"));
        }
    }
    println!(
        "{} signals of each kind, {left_by_kills} kills left something for the next run",
        each * jobs.len()
    );
}

const SAVED: &str = "KITWRIGHT_TEST_SAVED";

#[test]
fn a_process_killed_while_it_saves_leaves_a_whole_kit() {
    let dir = TempDir::new().unwrap();
    let mut kit = Kit::load(Made::get().file("Cello.kitwright"), &Quiet).unwrap();
    let versions = [1, 2].map(|seed| {
        kit.doc.seed = seed;
        kit.to_bytes(&Quiet).unwrap()
    });
    let file = dir.path().join("saved.kitwright");
    fs::write(&file, &versions[0]).unwrap();
    let mut draws = Draws(23);
    let times: usize = std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(4);
    for i in 0..times {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--ignored", "--exact", "kills::saves_a_kit_over_and_over"])
            .env(SAVED, &file)
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        // a process that a background job began ignores SIGINT
        let name = if i % 2 == 0 { "-KILL" } else { "-TERM" };
        signal(&mut child, name, Duration::from_millis(500), &mut draws);
        assert!(versions.contains(&fs::read(&file).unwrap()), "{i} after {name}");
        Kit::load(&file, &Quiet).unwrap().save(&file, &Quiet).unwrap();
        assert_eq!(contents(dir.path()).len(), 1, "{i} after {name}");
    }
}

#[test]
#[ignore = "another test runs it in a process of its own and kills it"]
fn saves_a_kit_over_and_over() {
    let Some(file) = std::env::var_os(SAVED) else { return };
    let mut kit = Kit::load(&file, &Quiet).unwrap();
    for seed in (1..=2).cycle() {
        kit.doc.seed = seed;
        kit.save(&file, &Quiet).unwrap();
    }
}
