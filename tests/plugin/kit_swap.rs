//! The next kit of a folder while the last one still sounds, as a host's browser or the window loads it.

use crate::support::{
    host::{DECLARED, Ev, Host},
    kit::clap_state,
};
use clap_sys::{
    ext::preset_load::{CLAP_EXT_PRESET_LOAD, clap_plugin_preset_load},
    factory::preset_discovery::CLAP_PRESET_DISCOVERY_LOCATION_FILE,
    process::CLAP_PROCESS_ERROR,
};
use kitwright_core::{
    kit::{Kit, Layer, LayerSettings, Slice, TakeEntry, Variation},
    progress::Quiet,
    take::Take,
};
use std::{ffi::CString, path::Path, sync::Arc};

const RATE: usize = 48_000;
/// Frames until the swap, at a crest of the first tone, and in all.
const SWAP: usize = RATE / 2 + 109;
const N: usize = RATE;
const BLOCK: usize = 480;
const KEY: u8 = 36;

/// A kit whose first pad is a steady tone of two seconds.
fn steady(hz: f32) -> Kit {
    let tone = |i: usize| 0.4 * (std::f32::consts::TAU * hz * i as f32 / RATE as f32).sin();
    let take = Take::from_samples("tone", RATE as u32, vec![(0..2 * RATE).map(tone).collect()]);
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    kit.takes.push(Arc::new(take));
    let pad = &mut kit.doc.pads[0];
    pad.note = KEY;
    pad.slices =
        vec![Slice { take: 0, start: 0, end: 2 * RATE as u64, gain_db: 0.0, velocities: [0.0, 1.0] }];
    pad.layers = vec![Layer {
        settings: LayerSettings { decay_ms: 10_000.0, ..LayerSettings::default() },
        ..Layer::default()
    }];
    pad.variation =
        Variation { start_ms: 0.0, pitch_ct: 0.0, level_db: 0.0, cut_oct: 0.0, ..Variation::default() };
    kit
}

fn load(host: &mut Host, path: &Path) {
    let plugin = host.raw();
    let path = CString::new(path.to_str().unwrap()).unwrap();
    // SAFETY: the plugin is alive and this is its main thread; the extension is a constant of the loaded library.
    unsafe {
        let load = (*plugin).get_extension.unwrap()(plugin, CLAP_EXT_PRESET_LOAD.as_ptr());
        let load = (*load.cast::<clap_plugin_preset_load>()).from_location.unwrap();
        assert!(load(plugin, CLAP_PRESET_DISCOVERY_LOCATION_FILE, path.as_ptr(), std::ptr::null()));
    }
}

/// The main output of so many frames with these events, without the halt that a host's stop and start would be.
fn go_on(host: &mut Host, frames: usize, events: &[Ev]) -> Vec<f32> {
    let mut sound = Vec::new();
    while sound.len() < frames {
        let count = BLOCK.min(frames - sound.len());
        let events = if sound.is_empty() { events } else { &[] };
        let (status, block) = host.process_once(count, DECLARED, events);
        assert_ne!(status, CLAP_PROCESS_ERROR);
        sound.extend(&block[0][0]);
    }
    sound
}

/// The main output: the first kit's tone, from the swap on the second kit, with these events at the swap.
fn swapped(events: &[Ev]) -> Vec<f32> {
    let folder = tempfile::tempdir().unwrap();
    let next = folder.path().join("next.kitwright");
    steady(165.0).save(&next, &Quiet).unwrap();
    let mut host = Host::with_state(&clap_state(&steady(110.0)));
    assert!(host.activate(RATE as f64, BLOCK as u32));
    let mut sound = go_on(&mut host, SWAP, &[Ev::On { at: 0, key: KEY, velocity: 1.0 }]);
    load(&mut host, &next);
    sound.extend(go_on(&mut host, N - SWAP, events));
    host.deactivate();
    sound
}

/// Largest difference from one frame to the next.
fn steepest(sound: &[f32]) -> f32 {
    sound.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max)
}

fn peak(sound: &[f32]) -> f32 {
    sound.iter().fold(0.0, |peak, s| peak.max(s.abs()))
}

#[test]
fn the_next_kit_plays_from_the_swap_on_without_a_gap_or_a_click() {
    let sound = swapped(&[Ev::On { at: 0, key: KEY, velocity: 1.0 }]);
    // half a period of the lower tone is 218 frames
    let gap = sound[480..N - 480].chunks(240).map(peak).fold(f32::INFINITY, f32::min);
    assert!(gap > 0.1, "it falls to {gap}");
    let (before, after) = (steepest(&sound[480..SWAP - 480]), steepest(&sound[SWAP + 2400..]));
    let swap = steepest(&sound[SWAP - 480..SWAP + 2400]);
    assert!(
        before > 0.001 && (after / before - 1.5).abs() < 0.1,
        "one tone, then the other: {before}, {after}"
    );
    assert!(swap < before + after, "a step of {swap} for {before} and {after}");
}

#[test]
fn what_still_sounds_of_the_last_kit_is_faded_out() {
    let sound = swapped(&[]);
    let before = steepest(&sound[480..SWAP - 480]);
    let swap = steepest(&sound[SWAP - 480..]);
    // a fade of some milliseconds hardly makes a tone of 110 Hz steeper
    assert!(swap < 1.5 * before, "a step of {swap} for {before}");
    assert!(peak(&sound[SWAP..SWAP + 48]) > 0.8 * peak(&sound[SWAP - 480..SWAP]), "it is not cut off");
    assert_eq!(peak(&sound[SWAP + RATE / 10..]), 0.0, "and ends");
}
