//! Progress reports of long work, and its cancellation.

use crate::error::{Error, Result};
use std::sync::{
    Mutex, PoisonError,
    atomic::{AtomicBool, Ordering},
};

/// Receives progress reports and answers whether the work was cancelled. Shared between threads.
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

/// Ignores reports and is never cancelled.
#[derive(Debug, Clone, Copy, Default)]
pub struct Quiet;

impl Progress for Quiet {
    fn report(&self, _step: &str, _done: f32) {}
    fn cancelled(&self) -> bool {
        false
    }
}

/// Ignores reports and is cancelled by its flag.
#[derive(Debug, Default)]
pub struct Flag(pub AtomicBool);

impl Progress for Flag {
    fn report(&self, _step: &str, _done: f32) {}
    fn cancelled(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Ignores reports and is cancelled with the whole: for work that runs while other work reports.
pub struct Beside<'a>(pub &'a dyn Progress);

impl Progress for Beside<'_> {
    fn report(&self, _step: &str, _done: f32) {}
    fn cancelled(&self) -> bool {
        self.0.cancelled()
    }
}

/// A part of longer work: its 0 to 1 becomes a stretch of the whole.
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
    done: Mutex<usize>,
}

impl<'a> Counter<'a> {
    /// Reports how many of `count` pieces of work are done as `step` of `progress`.
    pub fn new(progress: &'a dyn Progress, step: &'a str, count: usize) -> Self {
        Self { progress, step, count, done: Mutex::default() }
    }

    /// Counts one more piece and reports it; of many pieces about 500 to 1000 are reported. Reports never go back: other
    /// threads that finish a piece wait for one.
    pub fn one_done(&self) {
        let mut done = self.done.lock().unwrap_or_else(PoisonError::into_inner);
        *done += 1;
        if done.is_multiple_of((self.count / 500).max(1)) || *done == self.count {
            self.progress.report(self.step, *done as f32 / self.count.max(1) as f32);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
        for (count, reports) in [(1, 1), (4, 4), (1203, 602), (5000, 500)] {
            let log = Log::default();
            let counter = Counter::new(&log, "counting", count);
            (0..count).for_each(|_| counter.one_done());
            let log = log.0.into_inner().unwrap();
            assert_eq!((log.len(), log.last()), (reports, Some(&1.0)));
        }
    }
}
