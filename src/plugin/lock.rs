//! Locks that survive a panic.

use std::sync::{Mutex, MutexGuard, PoisonError};

/// Locks a mutex even when an earlier holder panicked: no holder leaves its value half-changed.
pub(super) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
