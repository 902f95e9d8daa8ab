//! VST3 instances that come and go, many at once, and a main thread that stands still while audio plays.

use super::{
    super::{super::streams_vst3::MemoryStream, *},
    Notes, block, note, setup,
};
use kitwright_core::{
    kit::{Kit, Slice, TakeEntry},
    take::Take,
};
use std::{
    ffi::c_void,
    sync::{Arc, atomic::AtomicBool},
    thread,
    time::{Duration, Instant},
};
use vst3::{
    ComWrapper,
    Steinberg::{IBStreamTrait, int64},
};

/// How often to try: `few` times in the ordinary tests, as often as `KITWRIGHT_TRIALS` says in `cargo xtask soak`.
pub(super) fn trials(few: usize) -> usize {
    std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(few)
}

/// An instance whose first pad sounds.
pub(super) fn with_kit() -> GuardVst3 {
    let guard = GuardVst3::new().expect("an instance");
    let samples = (0..24_000).map(|i| (i as f32 * 0.05).sin() * 0.5).collect();
    let take = Take::from_samples("tone", 48_000, vec![samples]);
    guard.link.session.edit("a kit", |kit: &mut Kit| {
        kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
        let slice = Slice { take: 0, start: 0, end: 24_000, gain_db: 0.0, velocities: [0.0, 1.0] };
        kit.doc.pads[0].slices = vec![slice];
        kit.takes.push(Arc::new(take));
    });
    guard
}

fn activate(guard: &GuardVst3, on: bool) {
    // SAFETY: in the order that VST3 demands.
    unsafe {
        assert!(!on || guard.setupProcessing(&mut setup(48_000.0)) == kResultOk);
        if !on {
            guard.setProcessing(0);
        }
        assert_eq!(guard.setActive(u8::from(on)), kResultOk);
        if on {
            guard.setProcessing(1);
        }
    }
}

/// The main output's left channel over `count` blocks, the first pad struck in every tenth.
fn play(guard: &GuardVst3, count: usize, pause: Duration) -> Vec<f32> {
    let strokes = ComWrapper::new(Notes(vec![note(true, 7, 36)]));
    let strokes = strokes.as_com_ref::<IEventList>().unwrap().as_ptr();
    let of_block = |i: usize| {
        thread::sleep(pause);
        let notes = if i.is_multiple_of(10) { strokes } else { std::ptr::null_mut() };
        block(guard, std::ptr::null_mut(), notes)
    };
    (0..count).flat_map(of_block).collect()
}

/// An instance for an audio thread.
struct Shared(*const GuardVst3);
// SAFETY: VST3's audio functions may be called from another thread, one at a time.
unsafe impl Send for Shared {}
impl Shared {
    fn play(&self, count: usize, pause: Duration) -> Vec<f32> {
        // SAFETY: the tests keep the instance until the thread has ended.
        play(unsafe { &*self.0 }, count, pause)
    }
}

/// Memory of the process in use, kilobytes.
#[cfg(target_os = "linux")]
fn memory_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/statm").unwrap();
    status.split(' ').nth(1).unwrap().parse::<u64>().unwrap() * 4
}

#[test]
fn instances_are_made_and_destroyed_again_and_again() {
    let rounds = trials(20);
    #[cfg(target_os = "linux")]
    let mut early = 0;
    for i in 0..rounds {
        let guard = if i % 2 == 0 { with_kit() } else { GuardVst3::new().expect("an instance") };
        if i % 3 > 0 {
            activate(&guard, true);
            play(&guard, 2, Duration::ZERO);
        }
        // a host that forgets to deactivate
        if i % 3 == 1 {
            activate(&guard, false);
        }
        drop(guard);
        #[cfg(target_os = "linux")]
        if i == rounds / 5 {
            early = memory_kb();
        }
    }
    #[cfg(target_os = "linux")]
    if std::env::var_os("KITWRIGHT_TRIALS").is_some() {
        // alone in its process only
        let grown = memory_kb().saturating_sub(early);
        println!("{rounds} instances, {grown} kB more than after a fifth of them");
        assert!(grown < 20_000, "{grown} kB");
    }
}

#[test]
#[ignore = "another test runs it in a process of its own"]
fn destroys_the_last_instance_while_the_worker_is_late() {
    super::super::super::link::WORKER_LATE_MS.store(300, Ordering::SeqCst);
    for _ in 0..3 {
        let session = {
            let guard = GuardVst3::new().expect("an instance");
            Arc::downgrade(&guard.link.session)
        };
        assert!(session.upgrade().is_none(), "its session lives on");
    }
    println!("destroyed");
}

/// The framework's worker thread would wait for its own end if it were the last to drop an instance.
#[test]
fn the_last_instance_is_destroyed_although_the_worker_holds_it_for_a_while() {
    let me = std::env::current_exe().expect("the test's own path");
    let test = "plugin::guard_vst3::tests::life_tests::destroys_the_last_instance_while_the_worker_is_late";
    let run = std::process::Command::new(me).args(["--ignored", "--exact", "--nocapture", test]).output();
    let run = run.expect("it starts");
    let text = [run.stdout, run.stderr].concat();
    let text = String::from_utf8_lossy(&text);
    assert!(run.status.success() && text.contains("destroyed") && !text.contains("panicked"), "{text}");
}

#[test]
fn many_instances_play_alike_at_the_same_time() {
    let guards: Vec<_> = (0..trials(6).min(100)).map(|_| with_kit()).collect();
    guards.iter().for_each(|guard| activate(guard, true));
    let threads: Vec<_> = guards
        .iter()
        .map(|guard| {
            let shared = Shared(guard);
            thread::spawn(move || shared.play(12, Duration::ZERO))
        })
        .collect();
    let sounds: Vec<_> = threads.into_iter().map(|thread| thread.join().expect("an audio thread")).collect();
    assert!(sounds[0].iter().any(|x| x.abs() > 0.05));
    assert!(sounds.iter().all(|sound| *sound == sounds[0]));
    println!("{} instances at once", guards.len());
}

/// A stream of the host's that takes nothing until the audio thread has played to its end.
struct Stalled {
    memory: MemoryStream,
    reached: Arc<AtomicBool>,
    played: Arc<AtomicBool>,
}

/// Whether it becomes true; the limit is a guard against hanging, not a measure.
fn wait_for(it: &AtomicBool) -> bool {
    let begun = Instant::now();
    while !it.load(Ordering::SeqCst) && begun.elapsed() < Duration::from_secs(120) {
        thread::sleep(Duration::from_millis(1));
    }
    it.load(Ordering::SeqCst)
}

impl Stalled {
    fn wait(&self) -> bool {
        self.reached.store(true, Ordering::SeqCst);
        wait_for(&self.played)
    }
}

impl Class for Stalled {
    type Interfaces = (IBStream,);
}

impl IBStreamTrait for Stalled {
    unsafe fn read(&self, to: *mut c_void, count: int32, got: *mut int32) -> tresult {
        // SAFETY: as for this method, here and below.
        if self.wait() { unsafe { self.memory.read(to, count, got) } } else { kResultFalse }
    }
    unsafe fn write(&self, from: *mut c_void, count: int32, written: *mut int32) -> tresult {
        // SAFETY: as above.
        if self.wait() { unsafe { self.memory.write(from, count, written) } } else { kResultFalse }
    }
    unsafe fn seek(&self, to: int64, mode: int32, result: *mut int64) -> tresult {
        // SAFETY: as above.
        unsafe { self.memory.seek(to, mode, result) }
    }
    unsafe fn tell(&self, position: *mut int64) -> tresult {
        // SAFETY: as above.
        unsafe { self.memory.tell(position) }
    }
}

/// The main thread is held within a call of the plugin that the audio thread must not wait for.
#[test]
fn audio_continues_while_the_main_thread_is_blocked() {
    let is_soak = std::env::var_os("KITWRIGHT_TRIALS").is_some();
    let blocks = if is_soak { 1000 } else { 30 };
    let guard = with_kit();
    activate(&guard, true);
    let whole = play(&guard, blocks, Duration::ZERO);
    activate(&guard, false);
    assert!(whole.iter().any(|x| x.abs() > 0.05));
    let mut state = Vec::new();
    for saves in [true, false] {
        activate(&guard, true);
        let (reached, played) = <(Arc<AtomicBool>, Arc<AtomicBool>)>::default();
        let (shared, seen, done) = (Shared(&guard), reached.clone(), played.clone());
        let thread = thread::spawn(move || {
            assert!(wait_for(&seen), "the main thread never stands still");
            let sound = shared.play(blocks, Duration::from_millis(10));
            done.store(true, Ordering::SeqCst);
            sound
        });
        let stream = ComWrapper::new(Stalled { memory: MemoryStream::new(state), reached, played });
        let pointer = stream.as_com_ref::<IBStream>().unwrap().as_ptr();
        // SAFETY: the test's own stream.
        let result = unsafe {
            if saves {
                IComponentTrait::getState(&guard, pointer)
            } else {
                IComponentTrait::setState(&guard, pointer)
            }
        };
        assert_eq!(result, kResultOk, "saves: {saves}");
        assert!(thread.join().expect("the audio thread") == whole, "saves: {saves}");
        state = stream.memory.take();
        activate(&guard, false);
    }
    println!("{} s in each of two calls", blocks as f64 / 100.0);
}
