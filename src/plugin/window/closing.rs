//! Closing a window: the host requests it and continues once the window's thread has ended.
//!
//! On X11 baseview (0.4) runs each window on a thread of its own. When the host closes the window, baseview waits for
//! that thread only if the window has closed itself before; otherwise it asks the stopped thread to show the window
//! and takes the missing answer for the end of the thread. The thread may then still be unloading OpenGL while the
//! process ends, which crashes the process.

use crate::plugin::lock::lock;
use std::{
    cell::RefCell,
    sync::{
        Arc, Condvar, Mutex,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
    time::Duration,
};

/// Maximum time the host waits: a window that hangs must not hang the host.
const MAX_WAIT: Duration = Duration::from_secs(2);

/// The state of closing, shared by the host and the window.
#[derive(Default)]
pub struct Closing {
    requested: AtomicBool,
    ended: Mutex<bool>,
    changed: Condvar,
}

impl Closing {
    /// Whether the host has asked the window to close.
    pub fn is_requested(&self) -> bool {
        self.requested.load(Relaxed)
    }

    /// Reports the end of this thread, on which the window runs. Only Linux runs windows on threads of their own.
    pub fn report_end_of_this_thread(self: &Arc<Self>) {
        if cfg!(target_os = "linux") {
            THREAD_END.set(Some(ThreadEnd(self.clone())));
        }
    }

    /// Asks the window to close and waits for its thread, where it has one.
    pub fn request_and_wait(&self) {
        self.requested.store(true, Relaxed);
        if cfg!(target_os = "linux") {
            let ended = lock(&self.ended);
            // after the timeout baseview closes the window in its own way
            let _ = self.changed.wait_timeout_while(ended, MAX_WAIT, |ended| !*ended);
        }
    }
}

thread_local! {
    /// Dropped at the end of the thread, after everything that its function owned.
    static THREAD_END: RefCell<Option<ThreadEnd>> = const { RefCell::new(None) };
}

struct ThreadEnd(Arc<Closing>);

impl Drop for ThreadEnd {
    fn drop(&mut self) {
        *lock(&self.0.ended) = true;
        self.0.changed.notify_all();
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use std::{sync::mpsc::channel, thread};

    #[test]
    fn the_host_continues_after_the_window_thread_has_dropped_everything() {
        struct Graphics(Arc<AtomicBool>);
        impl Drop for Graphics {
            fn drop(&mut self) {
                thread::sleep(Duration::from_millis(50));
                self.0.store(true, Relaxed);
            }
        }
        let (closing, dropped) = (Arc::<Closing>::default(), Arc::<AtomicBool>::default());
        let (theirs, graphics) = (closing.clone(), Graphics(dropped.clone()));
        let (open, opened) = channel();
        let window = thread::spawn(move || {
            let _held = graphics;
            theirs.report_end_of_this_thread();
            open.send(()).unwrap();
            while !theirs.is_requested() {
                thread::sleep(Duration::from_millis(1));
            }
        });
        opened.recv().unwrap();
        closing.request_and_wait();
        assert!(dropped.load(Relaxed), "the graphics were not dropped yet");
        window.join().unwrap();
        // a second call has nothing to wait for
        closing.request_and_wait();
    }
}
