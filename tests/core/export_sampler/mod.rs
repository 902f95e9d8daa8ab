//! Kits for other samplers, read back by small readers of their formats.

mod files;
mod keys;
mod midnam;
mod sf2;
mod sfz;
mod wav_files;

use kitwright_core::{
    engine::PlayKit,
    export::{Action, Event, RenderOptions, SampleOptions, SamplerFormat, Score, export_sampler, render},
    kit::{Kit, Layer, Slice, TakeEntry, Variation},
    progress::Quiet,
    take::Take,
};
use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::Path,
    sync::Arc,
};

const RATE: u32 = 48_000;

const HIT: u64 = 4800;

/// A rim with three hits, a snare whose hits change with the velocity, two hats that choke each other, a pad that is held,
/// and eleven pads that are silent.
fn kit() -> Kit {
    let mut seed = 1_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223); // Numerical Recipes
        (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    let channels = (0..2).map(|_| {
        let hit = |h: u64, noise: &mut dyn FnMut() -> f32| -> Vec<f32> {
            let sample = |i: u64| {
                let t = i as f32 / RATE as f32;
                let tone = (std::f32::consts::TAU * 200.0 * (h + 1) as f32 * t).sin();
                (-t * 40.0).exp() * (0.3 * tone + 0.1 * noise())
            };
            (0..HIT).map(sample).collect()
        };
        (0..10).flat_map(|h| hit(h, &mut noise)).collect()
    });
    let take = Take::from_samples("tones", RATE, channels.collect());
    let mut kit = Kit::default();
    kit.doc.name = "Tones & <noise>".into();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    let slice = |hit: u64, velocities| Slice {
        take: 0,
        start: hit * HIT,
        end: (hit + 1) * HIT,
        gain_db: 0.0,
        velocities,
    };
    let whole = [0.0, 1.0];
    let pads = [
        (1, vec![slice(0, whole), slice(1, whole), slice(2, whole)]),
        (2, vec![slice(3, [0.0, 0.4]), slice(4, [0.41, 1.0]), slice(5, [0.41, 1.0])]),
        (5, vec![slice(6, whole)]),
        (8, vec![slice(7, whole)]),
        (13, vec![slice(9, whole)]),
    ];
    for (pad, slices) in pads {
        let pad = &mut kit.doc.pads[pad];
        (pad.slices, pad.layers) = (slices, vec![Layer::default()]);
        pad.layers[0].settings.velocity_level = 0.6;
        pad.variation =
            Variation { start_ms: 0.0, pitch_ct: 0.0, level_db: 0.0, cut_oct: 0.0, ..Variation::default() };
    }
    for hat in [5, 8] {
        kit.doc.pads[hat].settings.choke_group = 1;
        kit.doc.pads[hat].variation = Variation::default();
    }
    kit.doc.pads[8].settings.pan = 0.7;
    let held = &mut kit.doc.pads[13];
    held.settings.held = true;
    let settings = &mut held.layers[0].settings;
    (settings.loop_on, settings.loop_ms, settings.sustain, settings.release_ms) = (true, 50.0, 0.5, 300.0);
    kit.takes.push(Arc::new(take));
    kit
}

fn export(kit: &Kit, format: SamplerFormat, dir: &Path) -> usize {
    export_sampler(&Arc::new(kit.clone()), format, &SampleOptions::default(), dir, &Quiet)
        .expect("exported")
        .samples
}

/// Strokes of one key at one velocity, two seconds apart, as the plugin plays them: left and right of each.
fn played(kit: &Kit, key: u8, velocity: u8, count: usize) -> Vec<[Vec<f32>; 2]> {
    let events = (0..count).flat_map(|i| {
        let at = |seconds: f64, action| Event { seconds: 2.0 * i as f64 + seconds, channel: 9, action };
        [at(0.0, Action::On(key, f32::from(velocity) / 127.0)), at(0.5, Action::Off(key))]
    });
    let score =
        Score { events: events.collect(), seconds: 2.0 * count as f64, ..Score::stroke(key, 1.0, 0.5) };
    let play = Arc::new(PlayKit::new(Arc::new(kit.clone()), f64::from(RATE)));
    let mut all = [Vec::new(), Vec::new()];
    render(&play, &score, RenderOptions::default(), &Quiet, &mut |engine, n| {
        for (to, from) in all.iter_mut().zip(engine.main()) {
            to.extend_from_slice(&from[..n]);
        }
        Ok(())
    })
    .expect("played");
    let frames = 2 * RATE as usize;
    (0..count).map(|i| all.each_ref().map(|channel| channel[i * frames..(i + 1) * frames].to_vec())).collect()
}

fn wav(path: &Path) -> [Vec<f32>; 2] {
    let mut reader = hound::WavReader::open(path).expect("a WAV file");
    assert_eq!(
        (reader.spec().sample_rate, reader.spec().bits_per_sample, reader.spec().channels),
        (RATE, 24, 2)
    );
    let samples: Vec<f32> =
        reader.samples::<i32>().map(|s| s.expect("a sample") as f32 / 8_388_608.0).collect();
    [0, 1].map(|channel| samples.iter().skip(channel).step_by(2).copied().collect())
}

/// Chunks of a RIFF file, those of lists among them as "LIST name".
fn chunks(bytes: &[u8]) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    assert_eq!(u32::from_le_bytes(bytes[4..8].try_into().expect("four bytes")) as usize, bytes.len() - 8);
    let mut at = 12;
    while at + 8 <= bytes.len() {
        let name = String::from_utf8_lossy(&bytes[at..at + 4]).into_owned();
        let size = u32::from_le_bytes(bytes[at + 4..at + 8].try_into().expect("four bytes")) as usize;
        let content = bytes[at + 8..at + 8 + size].to_vec();
        if name == "LIST" {
            let kind = String::from_utf8_lossy(&content[..4]).into_owned();
            let mut inner = 4;
            while inner + 8 <= content.len() {
                let name = String::from_utf8_lossy(&content[inner..inner + 4]).into_owned();
                let size = u32::from_le_bytes(content[inner + 4..inner + 8].try_into().expect("four bytes"));
                let end = inner + 8 + size as usize;
                found.insert(format!("{kind} {name}"), content[inner + 8..end].to_vec());
                inner = end + end % 2;
            }
        }
        found.insert(name, content);
        at += 8 + size + size % 2;
    }
    assert_eq!(at, bytes.len(), "the last chunk ends with the file");
    found
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(bytes[at..at + 4].try_into().expect("four bytes"))
}

fn names_in(folder: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(folder).expect("a folder");
    entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect()
}
