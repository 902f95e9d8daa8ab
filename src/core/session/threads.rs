//! What the session's threads need: locks that survive a panic, and how a thread is waited for.

use std::{
    sync::{Mutex, MutexGuard, PoisonError},
    thread::{self, JoinHandle},
};

/// A lock whose holder may have panicked: what it guards is whole after every statement.
pub(super) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Waits for a thread that was asked to end. A hook may drop the last handle of a session on the session's
/// own thread: that one ends by itself once the hook returns.
pub(super) fn join_unless_own(thread: JoinHandle<()>) {
    if thread.thread().id() != thread::current().id() {
        // its panics were caught and reported where they happened
        let _ = thread.join();
    }
}
