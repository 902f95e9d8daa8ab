//! The end of a window: the host asks for it and goes on once the window's thread is over.
//!
//! On X11 baseview gives each window a thread and, when the host closes the window, waits for its end only where
//! the window was closed already (0.4: else it asks the stopped thread to show the window and takes the missing
//! answer for its end). A thread that is left behind still lets go of OpenGL's libraries; a process that ends
//! meanwhile crashes.

use super::lock::lock;
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

/// What host and window know of the window's end.
#[derive(Default)]
pub struct Closing {
    asked: AtomicBool,
    over: Mutex<bool>,
    told: Condvar,
}

impl Closing {
    /// Whether the host has asked the window to close.
    pub fn is_asked(&self) -> bool {
        self.asked.load(Relaxed)
    }

    /// The window lives on this thread and is over when the thread ends. Only where windows have threads of
    /// their own.
    pub fn watch_this_thread(self: &Arc<Self>) {
        if cfg!(target_os = "linux") {
            THREAD.set(Some(Watched(self.clone())));
        }
    }

    /// Asks the window to close and waits for its thread, where it has one.
    pub fn ask_and_wait(&self) {
        self.asked.store(true, Relaxed);
        if cfg!(target_os = "linux") {
            let over = lock(&self.over);
            // when it takes too long, baseview tries its own way
            let _ = self.told.wait_timeout_while(over, MAX_WAIT, |over| !*over);
        }
    }
}

thread_local! {
    /// Goes with the thread, after everything that its function owned.
    static THREAD: RefCell<Option<Watched>> = const { RefCell::new(None) };
}

struct Watched(Arc<Closing>);

impl Drop for Watched {
    fn drop(&mut self) {
        *lock(&self.0.over) = true;
        self.0.told.notify_all();
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use std::{sync::mpsc::channel, thread};

    #[test]
    fn the_host_goes_on_when_the_window_s_thread_has_let_go_of_everything() {
        struct Graphics(Arc<AtomicBool>);
        impl Drop for Graphics {
            fn drop(&mut self) {
                thread::sleep(Duration::from_millis(50));
                self.0.store(true, Relaxed);
            }
        }
        let (closing, gone) = (Arc::<Closing>::default(), Arc::<AtomicBool>::default());
        let (theirs, graphics) = (closing.clone(), Graphics(gone.clone()));
        let (open, opened) = channel();
        let window = thread::spawn(move || {
            let _held = graphics;
            theirs.watch_this_thread();
            open.send(()).unwrap();
            while !theirs.is_asked() {
                thread::sleep(Duration::from_millis(1));
            }
        });
        opened.recv().unwrap();
        closing.ask_and_wait();
        assert!(gone.load(Relaxed), "the graphics are still there");
        window.join().unwrap();
        // a second time there is nothing to wait for
        closing.ask_and_wait();
    }
}
