//! Instances that come and go, many at once, and a main thread that stands still while audio plays.

use crate::support::{
    host::{DECLARED, Ev, Host, Run, note},
    is_soak,
    kit::{clap_state, kit, notes},
    peak, trials,
};
use std::{
    io::{self, Read, Write},
    sync::atomic::{AtomicBool, Ordering::SeqCst},
    thread,
    time::{Duration, Instant},
};

fn pattern() -> Vec<Ev> {
    notes().iter().enumerate().flat_map(|(i, key)| note(300 + 2711 * (i / 2) as u64, *key, 0.6)).collect()
}

/// Memory of the process in use, kilobytes, and its threads.
#[cfg(target_os = "linux")]
fn in_use() -> (u64, usize) {
    let pages = std::fs::read_to_string("/proc/self/statm").unwrap();
    let pages: u64 = pages.split(' ').nth(1).unwrap().parse().unwrap();
    (pages * 4, std::fs::read_dir("/proc/self/task").unwrap().count())
}

#[test]
fn instances_are_made_and_destroyed_again_and_again() {
    let state = clap_state(&kit());
    let rounds = trials(40);
    #[cfg(target_os = "linux")]
    let mut early = (0, 0);
    for i in 0..rounds {
        let mut host = Host::new();
        match i % 4 {
            0 => (),
            1 => assert!(host.load(&state)),
            2 => assert!(host.activate(48_000.0, 256)),
            _ => {
                assert!(host.load(&state) && host.activate(96_000.0, 256));
                host.process_once(256, DECLARED, &note(0, 36, 1.0));
            }
        }
        drop(host);
        #[cfg(target_os = "linux")]
        if i == rounds / 5 {
            early = in_use();
        }
    }
    #[cfg(target_os = "linux")]
    if is_soak() {
        let late = in_use();
        let grown = late.0.saturating_sub(early.0);
        println!(
            "{rounds} instances, {grown} kB more than after a fifth of them; threads {early:?} {late:?}"
        );
        assert!(grown < 20_000 && late.1 <= early.1, "{early:?} {late:?}");
    }
}

#[test]
fn many_instances_play_alike_at_the_same_time() {
    let state = clap_state(&kit());
    let events = pattern();
    let mut hosts: Vec<_> = (0..trials(12).min(100)).map(|_| Host::with_state(&state)).collect();
    let first = hosts[0].play(&Run::new(4000, &events));
    assert!(peak(&first[0][0]) > 0.05);
    assert!(hosts.iter_mut().all(|host| host.activate(48_000.0, 1024)));
    let mut playing: Vec<_> = hosts.iter_mut().map(Host::begin).collect();
    thread::scope(|scope| {
        let (events, first) = (&events, &first);
        let threads: Vec<_> = playing
            .iter_mut()
            .map(|plugin| scope.spawn(move || plugin.play(&Run::new(4000, events)) == *first))
            .collect();
        assert!(threads.into_iter().all(|thread| thread.join().expect("an audio thread")));
    });
    hosts.iter_mut().for_each(Host::deactivate);
    println!("{} instances at once", hosts.len());
}

/// A stream of the host's that gives or takes nothing until the audio thread has played to its end.
struct Stalled<'a> {
    bytes: &'a mut Vec<u8>,
    at: usize,
    /// The main thread is within the plugin's call.
    reached: &'a AtomicBool,
    played: &'a AtomicBool,
}

impl Stalled<'_> {
    fn wait(&self) -> io::Result<()> {
        self.reached.store(true, SeqCst);
        wait_for(self.played).then_some(()).ok_or_else(|| io::Error::other("the audio thread waits too"))
    }
}

/// Whether it becomes true; the limit is a guard against hanging, not a measure.
fn wait_for(it: &AtomicBool) -> bool {
    let begun = Instant::now();
    while !it.load(SeqCst) && begun.elapsed() < Duration::from_secs(120) {
        thread::sleep(Duration::from_millis(1));
    }
    it.load(SeqCst)
}

impl Write for Stalled<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.wait()?;
        self.bytes.write(bytes)
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Read for Stalled<'_> {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        self.wait()?;
        let count = (&self.bytes[self.at..]).read(to)?;
        self.at += count;
        Ok(count)
    }
}

/// The main thread is held within a call of the plugin that the audio thread must not wait for: the plugin writes its state
/// to a stream that takes nothing, then reads one from a stream that gives nothing.
#[test]
fn audio_plays_on_while_the_main_thread_stands_still() {
    let seconds = if is_soak() { 10.0 } else { 0.3 };
    let frames = (seconds * 48_000.0) as usize;
    let mut events = Vec::new();
    for (i, key) in (0..frames as u64 / 6000).zip(notes().into_iter().cycle()) {
        events.extend(note(i * 6000 + 100, key, 0.7));
    }
    let mut host = Host::with_state(&clap_state(&kit()));
    let whole = host.play(&Run::new(frames, &events));
    assert!(peak(&whole[0][0]) > 0.05);
    let in_time = |_| {
        thread::sleep(Duration::from_millis(10));
        480
    };
    let mut state = Vec::new();
    for saves in [true, false] {
        assert!(host.activate(48_000.0, 1024));
        let mut audio = host.begin();
        let (reached, played) = (AtomicBool::new(false), AtomicBool::new(false));
        thread::scope(|scope| {
            let (reached, played, events) = (&reached, &played, &events);
            let thread = scope.spawn(move || {
                assert!(wait_for(reached), "the main thread never stands still");
                let sound = audio.play(&Run { block: &in_time, ..Run::new(frames, events) });
                played.store(true, SeqCst);
                sound
            });
            let mut stream = Stalled { bytes: &mut state, at: 0, reached, played };
            assert!(if saves { host.save_to(&mut stream) } else { host.load_from(&mut stream) });
            assert!(thread.join().expect("the audio thread") == whole, "saves: {saves}");
        });
        host.deactivate();
    }
    println!("{seconds} s in each of two calls");
}
