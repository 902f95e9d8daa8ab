//! When frames are drawn.
//!
//! On X11 this window keeps its own time. Baseview (0.4) asks the server when a frame is due and draws every
//! second one at most, and what is wanted before the window is on the screen leaves it unpainted for good: it
//! asks before it listens for the answer, and not again before that answer came. So a thread of the window's
//! waits until a frame is due, and draws through baseview's call to look around. Elsewhere the system keeps the
//! time.

use super::lock::lock;
use baseview::WindowWaker;
use std::{
    sync::{Arc, Condvar, Mutex, MutexGuard},
    thread::JoinHandle,
    time::{Duration, Instant},
};

/// Least time from one frame to the next: 60 a second.
const APART: Duration = Duration::from_nanos(16_666_667);

/// Whether frames are drawn in our own time.
const OWN_TIME: bool = !cfg!(any(target_os = "windows", target_os = "macos"));

/// Asks for frames of one window, from any thread.
#[derive(Clone)]
pub(super) struct Frames {
    waker: WindowWaker,
    clock: Arc<Clock>,
}

impl Frames {
    /// A frame as soon as can be.
    pub fn ask(&self) {
        self.ask_after(Duration::ZERO);
    }

    /// A frame in a while.
    pub fn ask_after(&self, delay: Duration) {
        if OWN_TIME {
            self.clock.ask(Instant::now(), delay);
        } else {
            self.waker.request_redraw_after(delay);
        }
    }
}

/// The window's side: the thread that waits, and what it waited for.
pub(super) struct Pace {
    pub frames: Frames,
    waiting: Option<JoinHandle<()>>,
}

impl Pace {
    /// Starts the thread, where frames are drawn in our own time.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(waker: WindowWaker) -> std::io::Result<Self> {
        let clock = Arc::<Clock>::default();
        let mut waiting = None;
        if OWN_TIME {
            let (clock, waker) = (clock.clone(), waker.clone());
            let wait = move || {
                while clock.wait() {
                    waker.request_poll();
                }
            };
            waiting = Some(std::thread::Builder::new().name("window frames".into()).spawn(wait)?);
        }
        Ok(Self { frames: Frames { waker, clock }, waiting })
    }

    /// Whether the frame that was waited for is due: then it is to be drawn.
    pub fn is_due(&self) -> bool {
        self.frames.clock.lock().ready.is_some()
    }

    /// A frame is drawn now, whoever asked for it.
    pub fn drawing(&self) {
        self.frames.clock.drawing(Instant::now());
    }
}

impl Drop for Pace {
    /// The thread ends before the library that holds its code may go.
    fn drop(&mut self) {
        self.frames.clock.lock().ended = true;
        self.frames.clock.changed.notify_all();
        if let Some(waiting) = self.waiting.take() {
            // it has nothing to tell
            let _ = waiting.join();
        }
    }
}

/// The time of the next frame.
#[derive(Default)]
struct Clock {
    next: Mutex<Next>,
    changed: Condvar,
}

#[derive(Default)]
struct Next {
    due: Option<Instant>,
    /// The one that has been waited for: when it was due.
    ready: Option<Instant>,
    drawn: Option<Instant>,
    ended: bool,
}

impl Clock {
    fn lock(&self) -> MutexGuard<'_, Next> {
        lock(&self.next)
    }

    fn ask(&self, now: Instant, delay: Duration) {
        // a frame in more than centuries is none
        let Some(at) = now.checked_add(delay) else { return };
        let mut next = self.lock();
        // "in 16 ms" is said at the end of a frame and means the next one
        let at = if delay <= APART { now } else { at };
        let at = next.drawn.map_or(at, |drawn| at.max(drawn + APART));
        if next.due.is_none_or(|due| at < due) {
            next.due = Some(at);
            self.changed.notify_all();
        }
    }

    fn drawing(&self, now: Instant) {
        let mut next = self.lock();
        // a thread wakes a little late: counted from there, frames would come ever later
        let beat = next.ready.filter(|due| now.saturating_duration_since(*due) < APART / 2).unwrap_or(now);
        *next = Next { drawn: Some(beat), ended: next.ended, ..Next::default() };
    }

    /// Waits until a frame is due; false when the window goes.
    fn wait(&self) -> bool {
        let mut next = self.lock();
        loop {
            if next.ended {
                return false;
            }
            let left = next.due.map(|due| due.saturating_duration_since(Instant::now()));
            next = match left {
                Some(Duration::ZERO) => {
                    next.ready = next.due.take();
                    return true;
                }
                Some(left) => {
                    self.changed.wait_timeout(next, left).map_or_else(|e| e.into_inner().0, |w| w.0)
                }
                None => self.changed.wait(next).unwrap_or_else(std::sync::PoisonError::into_inner),
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn due_in(clock: &Clock, now: Instant) -> Option<Duration> {
        clock.lock().due.map(|due| due - now)
    }

    #[test]
    fn the_earliest_frame_that_was_asked_for_comes_and_none_too_soon_after_another() {
        let (clock, now) = (Clock::default(), Instant::now());
        assert_eq!(due_in(&clock, now), None, "nothing is drawn unasked");
        clock.ask(now, Duration::MAX);
        assert_eq!(due_in(&clock, now), None);
        clock.ask(now, Duration::from_millis(500));
        clock.ask(now, Duration::from_millis(100));
        clock.ask(now, Duration::from_millis(300));
        assert_eq!(due_in(&clock, now), Some(Duration::from_millis(100)));
        clock.drawing(now);
        assert_eq!(due_in(&clock, now), None, "one frame serves all that asked before it");
        clock.ask(now + Duration::from_millis(2), Duration::ZERO);
        assert_eq!(due_in(&clock, now), Some(APART));
        clock.drawing(now);
        clock.ask(now + Duration::from_millis(9), Duration::from_millis(16));
        assert_eq!(due_in(&clock, now), Some(APART), "a picture that moves has no gaps");
        clock.drawing(now + APART);
        clock.ask(now + Duration::from_millis(80), Duration::ZERO);
        assert_eq!(due_in(&clock, now), Some(Duration::from_millis(80)), "at once after a rest");
    }

    #[test]
    fn what_is_due_is_waited_for_and_the_end_ends_the_waiting() {
        let clock = Arc::new(Clock::default());
        let start = Instant::now();
        clock.ask(start, Duration::from_millis(20));
        assert!(clock.wait());
        assert!(start.elapsed() >= Duration::from_millis(20) && clock.lock().ready.is_some());
        let due = clock.lock().ready.unwrap();
        clock.drawing(due + APART / 4);
        assert!(clock.lock().ready.is_none());
        clock.ask(due + APART / 2, Duration::ZERO);
        assert_eq!(due_in(&clock, due), Some(APART), "a frame that was a little late delays none after it");
        clock.drawing(due + APART * 2);
        let waiting = {
            let clock = clock.clone();
            std::thread::spawn(move || clock.wait())
        };
        clock.lock().ended = true;
        clock.changed.notify_all();
        assert!(!waiting.join().unwrap());
    }
}
