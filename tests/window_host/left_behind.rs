//! What windows that open and close again and again leave in their process.

use std::{
    thread::sleep,
    time::{Duration, Instant},
};

/// Most by which a process may grow over 200 windows, kilobytes, beyond the first ones: 100 kB a window.
pub const MOST_KB: u64 = 20_000;

/// Measures it over so many windows.
pub struct LeftBehind {
    rounds: usize,
    /// The first windows load the graphics library, whose threads and files stay.
    warm: usize,
    early: Option<(Held, u64, u64)>,
    start: Instant,
}

impl LeftBehind {
    /// Begins before the first window.
    pub fn new(rounds: usize) -> Self {
        Self { rounds, warm: rounds.min(20) / 2, early: None, start: Instant::now() }
    }

    /// A window has closed; counted from 0.
    pub fn after(&mut self, round: usize) {
        if round == self.warm {
            self.early = Some((Held::now(), memory_kb(), allocated_kb()));
        }
    }

    /// What was held after the first windows.
    pub fn held(&self) -> Held {
        self.early.expect("enough windows").0
    }

    /// Waits until no more is held than after the first windows; by how much the process has grown since, kilobytes,
    /// which is printed. It must be the only one in its process.
    pub fn growth_kb(&self, what: &str) -> u64 {
        let (held, memory, allocated) = self.early.expect("enough windows");
        let now = Held::wait_for(held);
        let grown = memory_kb().saturating_sub(memory);
        println!(
            "{what}: {} windows in {:.1?}, {grown} kB more than after {} ({memory} kB), {} kB of it allocated; {now:?}",
            self.rounds,
            self.start.elapsed(),
            self.warm + 1,
            allocated_kb().saturating_sub(allocated),
        );
        grown
    }
}

/// What this process holds that a window may leave behind.
#[derive(Debug, Clone, Copy)]
pub struct Held {
    pub threads: usize,
    pub files: usize,
    /// To the X server.
    pub connections: usize,
}

impl Held {
    /// What is held now.
    pub fn now() -> Self {
        let count = |folder| std::fs::read_dir(folder).unwrap().count();
        let display = std::env::var("DISPLAY").unwrap();
        let socket = format!("/tmp/.X11-unix/X{}", display.trim_start_matches(':'));
        // the server's ends of its connections bear the name of its socket; state 3 is "connected" (Linux, net.h)
        let sockets = std::fs::read_to_string("/proc/net/unix").unwrap();
        let connected = |line: &&str| line.ends_with(&socket) && line.split(' ').nth(5) == Some("03");
        let connections = sockets.lines().filter(connected).count();
        Self { threads: count("/proc/self/task"), files: count("/proc/self/fd"), connections }
    }

    /// Waits until no more is held than before; threads of the clipboard end a little later.
    pub fn wait_for(before: Self) -> Self {
        let start = Instant::now();
        loop {
            let now = Self::now();
            let is_back = now.threads <= before.threads
                && now.files <= before.files
                && now.connections <= before.connections;
            if is_back {
                return now;
            }
            assert!(start.elapsed() < Duration::from_secs(300), "{now:?} instead of {before:?}");
            sleep(Duration::from_millis(20));
        }
    }
}

/// Memory of this process in use, kilobytes, without what the allocator keeps of freed memory: that depends on which
/// threads ran at the same time.
fn memory_kb() -> u64 {
    #[cfg(target_env = "gnu")]
    // SAFETY: gives freed memory back, whatever other threads do (malloc_trim(3)).
    unsafe {
        libc::malloc_trim(0);
    }
    let status = std::fs::read_to_string("/proc/self/statm").unwrap();
    status.split(' ').nth(1).unwrap().parse::<u64>().unwrap() * 4
}

/// Memory that this process has allocated and not freed, kilobytes: pages of which a few bytes are left count for these
/// bytes only. 0 where the allocator does not tell.
fn allocated_kb() -> u64 {
    #[cfg(target_env = "gnu")]
    // SAFETY: reads counters of the allocator (mallinfo2(3)).
    unsafe {
        let info = libc::mallinfo2();
        (info.uordblks + info.hblkhd) as u64 / 1024
    }
    #[cfg(not(target_env = "gnu"))]
    0
}
