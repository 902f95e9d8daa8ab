//! The host's state: quick to save and to load, whole in pieces of one byte.

use crate::support::{
    host::{Ev, Host, Run, note},
    kit::{clap_state, kit, notes},
    peak,
};
use clap_sys::{
    ext::state::{CLAP_EXT_STATE, clap_plugin_state},
    stream::{clap_istream, clap_ostream},
};
use kitwright_core::{
    kit::{Kit, Slice, TakeEntry},
    progress::Quiet,
    take::Take,
};
use std::{
    ffi::c_void,
    sync::Arc,
    time::{Duration, Instant},
};

const N: usize = 24_000;

fn every_pad() -> Vec<Ev> {
    notes().iter().enumerate().flat_map(|(i, key)| note(100 + 1000 * i as u64, *key, 0.8)).collect()
}

unsafe extern "C" fn write_one(stream: *const clap_ostream, from: *const c_void, size: u64) -> i64 {
    // SAFETY: the test's own stream; the plugin's bytes, of which there is one at least.
    unsafe { (*(*stream).ctx.cast::<Vec<u8>>()).push(*from.cast::<u8>()) };
    size.min(1) as i64
}

unsafe extern "C" fn read_one(stream: *const clap_istream, to: *mut c_void, _size: u64) -> i64 {
    // SAFETY: the test's own stream; the plugin's memory, of one byte at least.
    unsafe {
        let bytes = &mut *(*stream).ctx.cast::<&[u8]>();
        let Some((first, rest)) = bytes.split_first() else { return 0 };
        (*to.cast::<u8>(), *bytes) = (*first, rest);
    }
    1
}

fn state_extension(host: &mut Host) -> &'static clap_plugin_state {
    let plugin = host.raw();
    // SAFETY: the plugin is alive; its extensions are constants of the library, which stays loaded in these tests.
    unsafe {
        (*plugin).get_extension.unwrap()(plugin, CLAP_EXT_STATE.as_ptr())
            .cast::<clap_plugin_state>()
            .as_ref()
            .expect("state")
    }
}

fn load_in_single_bytes(host: &mut Host, mut bytes: &[u8]) -> bool {
    let stream = clap_istream { ctx: (&raw mut bytes).cast(), read: Some(read_one) };
    let state = state_extension(host);
    // SAFETY: as CLAP demands.
    unsafe { state.load.unwrap()(host.raw(), &stream) }
}

#[test]
fn states_are_written_and_read_in_pieces_of_one_byte() {
    let mut host = Host::with_state(&clap_state(&kit()));
    let whole = host.save();
    let mut pieces = Vec::<u8>::new();
    let stream = clap_ostream { ctx: (&raw mut pieces).cast(), write: Some(write_one) };
    let state = state_extension(&mut host);
    // SAFETY: as CLAP demands.
    assert!(unsafe { state.save.unwrap()(host.raw(), &stream) });
    assert!(pieces == whole);
    let mut other = Host::new();
    for cut in [0, 5, 8, 9, whole.len() / 2, whole.len() - 1] {
        assert!(!load_in_single_bytes(&mut other, &whole[..cut]), "{cut} bytes");
    }
    assert!(load_in_single_bytes(&mut other, &whole));
    assert!(other.save() == whole);
    let events = every_pad();
    let (a, b) = (host.play(&Run::new(N, &events)), other.play(&Run::new(N, &events)));
    assert!(a == b && peak(&a[0][0]) > 0.1);
}

#[test]
fn a_state_is_json_as_it_was_before_the_kit_was_kept_apart() {
    let mut host = Host::with_state(&clap_state(&kit()));
    let state = host.save();
    let length = u64::from_le_bytes(state[..8].try_into().unwrap());
    assert_eq!(length, state.len() as u64 - 8);
    let json: serde_json::Value = serde_json::from_slice(&state[8..]).unwrap();
    let before: serde_json::Value = serde_json::from_slice(&clap_state(&kit())[8..]).unwrap();
    assert!(json["fields"]["kit"] == before["fields"]["kit"]);
    assert!(json["params"].as_object().is_some_and(|params| params.len() > 300));
}

/// A kit whose file has about 8.4 MB: more than a minute of noise, of which one pad plays a stretch.
#[cfg(target_os = "linux")]
fn large_kit() -> Kit {
    let mut seed = 1_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223); // Numerical Recipes
        (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    let samples: Vec<f32> = (0..48_000 * 71).map(|_| 0.01 * noise()).collect();
    let take = Take::from_samples("noise", 48_000, vec![samples]);
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    kit.takes.push(Arc::new(take));
    kit.doc.pads[0].slices =
        vec![Slice { take: 0, start: 0, end: 48_000, gain_db: 30.0, velocities: [0.0, 1.0] }];
    kit
}

/// Processor time that some work takes in all threads of this process: other programs on the same processor take none of
/// it.
#[cfg(target_os = "linux")]
fn cost(work: impl FnOnce()) -> Duration {
    let now = || {
        let mut time = libc::timespec { tv_sec: 0, tv_nsec: 0 };
        // SAFETY: a place for the time.
        assert_eq!(unsafe { libc::clock_gettime(libc::CLOCK_PROCESS_CPUTIME_ID, &raw mut time) }, 0);
        Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
    };
    let start = now();
    work();
    now() - start
}

/// Rounds of the measurement; the cheapest of each counts.
#[cfg(target_os = "linux")]
const ROUNDS: usize = 20;

/// Costs beside those of what must be done in any case, in turns: what is left is the plugin's own.
#[cfg(target_os = "linux")]
#[test]
#[ignore = "another test runs it in a process of its own"]
fn costs_of_a_large_kit() {
    let kit = large_kit();
    let bytes = kit.to_bytes(&Quiet).unwrap();
    assert!((8_000_000..9_000_000).contains(&bytes.len()), "{} bytes", bytes.len());
    let state = clap_state(&kit);
    let mut empty = Host::new();
    let mut host = Host::new();
    // another kit in between: a state that is open already is not loaded again
    let other = empty.save();
    assert!(host.activate(48_000.0, 512));
    let [mut decoding, mut loading, mut waiting, mut copying, mut without_kit, mut saving] =
        [Duration::MAX; 6];
    for _ in 0..ROUNDS {
        decoding = decoding.min(cost(|| assert!(Kit::from_bytes(&bytes, &Quiet).is_ok())));
        assert!(host.load(&other));
        let start = Instant::now();
        loading = loading.min(cost(|| assert!(host.load(&state))));
        waiting = waiting.min(start.elapsed());
        copying = copying.min(cost(|| {
            let mut copy = Vec::new();
            copy.extend_from_slice(std::hint::black_box(&state));
            std::hint::black_box(copy);
        }));
        without_kit = without_kit.min(cost(|| drop(empty.save())));
        saving = saving.min(cost(|| drop(host.save())));
    }
    println!(
        "8.4 MB kit: saved at {saving:?} (a copy {copying:?}, an empty kit {without_kit:?}), loaded at {loading:?} in \
         {waiting:?} (decoded at {decoding:?})"
    );
    // 2: a host's buffer may grow on the way
    assert!(saving < 2 * without_kit + 4 * copying, "{saving:?} for a copy at {copying:?}");
    assert!(loading < 2 * decoding, "loaded at {loading:?}, decoded at {decoding:?}");
    host.deactivate();
    assert!(peak(&host.play(&Run::new(N, &note(0, 36, 1.0)))[0][0]) > 0.05, "it sounds at once");
}

#[cfg(target_os = "linux")]
#[test]
fn a_large_kit_is_saved_at_the_cost_of_a_copy_and_loaded_at_that_of_decoding() {
    let me = std::env::current_exe().expect("the test's own path");
    let words = ["--ignored", "--exact", "--nocapture", "state::costs_of_a_large_kit"];
    let mut alone = std::process::Command::new(me);
    // memory that is let go is kept: whether glibc gives megabytes back, and zeroes pages for them anew, is chance
    for (name, bytes) in [("MALLOC_MMAP_THRESHOLD_", 32_u32 << 20), ("MALLOC_TRIM_THRESHOLD_", 1 << 30)] {
        alone.env(name, bytes.to_string());
    }
    let run = alone.args(words).output().expect("it starts");
    let text = [run.stdout, run.stderr].concat();
    let text = String::from_utf8_lossy(&text);
    let figures = text.lines().find(|line| line.contains("8.4 MB kit"));
    assert!(run.status.success() && figures.is_some(), "{text}");
    println!("{}", figures.unwrap_or_default());
}
