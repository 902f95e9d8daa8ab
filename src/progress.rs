//! How long work reports its progress and learns that it is no longer wanted.

use crate::error::{Error, Result};
use std::sync::atomic::{AtomicBool, Ordering};

/// Receives progress and tells whether to go on. Implementors are shared between threads.
pub trait Progress: Sync {
    /// `done` runs from 0 to 1 within `step`, a short phrase such as "hearing hits".
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
