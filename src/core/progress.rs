//! How long work reports its progress and learns that it is no longer wanted.

use crate::error::{Error, Result};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// Receives progress and tells whether to go on. Implementors are shared between threads.
pub trait Progress: Sync {
    /// `done` runs from 0 to 1 within `step`, a short phrase such as "detecting hits".
    fn report(&self, step: &str, done: f32);

    /// Whether the user asked to stop.
    fn cancelled(&self) -> bool;

    /// [`Error::Cancelled`] once the user asked to stop; call it in every long loop.
    fn check(&self) -> Result<()> {
        if self.cancelled() { Err(Error::Cancelled) } else { Ok(()) }
    }
}

/// Reports nowhere and is never cancelled.
#[derive(Debug, Clone, Copy, Default)]
pub struct Quiet;

impl Progress for Quiet {
    fn report(&self, _step: &str, _done: f32) {}
    fn cancelled(&self) -> bool {
        false
    }
}

/// Reports nowhere, cancelled by its flag.
#[derive(Debug, Default)]
pub struct Flag(pub AtomicBool);

impl Progress for Flag {
    fn report(&self, _step: &str, _done: f32) {}
    fn cancelled(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Reports nowhere and is cancelled with the whole: for what runs beside something that reports.
pub struct Beside<'a>(pub &'a dyn Progress);

impl Progress for Beside<'_> {
    fn report(&self, _step: &str, _done: f32) {}
    fn cancelled(&self) -> bool {
        self.0.cancelled()
    }
}

/// A part of longer work: its 0 to 1 is a stretch of the whole.
pub struct Part<'a> {
    whole: &'a dyn Progress,
    from: f32,
    to: f32,
}

impl<'a> Part<'a> {
    /// The stretch `from` to `to` (0 to 1) of `whole`.
    pub fn new(whole: &'a dyn Progress, from: f32, to: f32) -> Self {
        Self { whole, from, to }
    }

    /// Part `index` (from 0) of `count` equal parts of `whole`.
    pub fn nth(whole: &'a dyn Progress, index: usize, count: usize) -> Self {
        let count = count.max(1) as f32;
        Self::new(whole, index as f32 / count, (index + 1) as f32 / count)
    }
}

impl Progress for Part<'_> {
    fn report(&self, step: &str, done: f32) {
        self.whole.report(step, self.from + (self.to - self.from) * done.clamp(0.0, 1.0));
    }

    fn cancelled(&self) -> bool {
        self.whole.cancelled()
    }
}

/// Counts what is done of work that is shared out among threads, and reports it.
pub struct Counter<'a> {
    progress: &'a dyn Progress,
    step: &'a str,
    count: usize,
    done: AtomicUsize,
}

impl<'a> Counter<'a> {
    /// Reports how many of `count` pieces of work are done as `step` of `progress`.
    pub fn new(progress: &'a dyn Progress, step: &'a str, count: usize) -> Self {
        Self { progress, step, count, done: AtomicUsize::new(0) }
    }

    /// One more piece is done. Of many pieces only every five-hundredth part of the whole is reported.
    pub fn one_done(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        if done.is_multiple_of((self.count / 500).max(1)) {
            self.progress.report(self.step, done as f32 / self.count.max(1) as f32);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;

    #[derive(Default)]
    struct Log(Mutex<Vec<f32>>);

    impl Progress for Log {
        fn report(&self, _step: &str, done: f32) {
            self.0.lock().unwrap().push(done);
        }
        fn cancelled(&self) -> bool {
            false
        }
    }

    #[test]
    fn each_piece_of_little_work_is_reported_and_few_of_much() {
        for (count, reports) in [(1, 1), (4, 4), (5000, 500)] {
            let log = Log::default();
            let counter = Counter::new(&log, "counting", count);
            (0..count).for_each(|_| counter.one_done());
            let log = log.0.into_inner().unwrap();
            assert_eq!((log.len(), log.last()), (reports, Some(&1.0)));
        }
    }
}
