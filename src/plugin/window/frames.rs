//! Schedules the frames of a window.
//!
//! On X11 the window schedules its own frames. Baseview (0.4) asks the X server when a frame is due and draws at most
//! every second one. It also asks before it listens for the answer, and never again before it has the answer, so a
//! frame requested before the window is shown leaves the window unpainted forever. Therefore a thread of the window
//! waits until a frame is due, and the window draws it when baseview calls `poll`. On other systems baseview schedules
//! the frames.

use crate::plugin::lock::lock;
use baseview::WindowWaker;
use std::{
    sync::{Arc, Condvar, Mutex, MutexGuard},
    thread::JoinHandle,
    time::{Duration, Instant},
};

/// Minimum time from one frame to the next: 60 frames a second.
const MIN_FRAME_TIME: Duration = Duration::from_nanos(16_666_667);

/// Whether the window schedules its own frames.
const OWN_SCHEDULE: bool = !cfg!(any(target_os = "windows", target_os = "macos"));

/// Requests frames of one window, from any thread.
#[derive(Clone)]
pub(super) struct Frames {
    waker: WindowWaker,
    clock: Arc<FrameClock>,
}

impl Frames {
    /// Requests a frame as soon as possible.
    pub fn request(&self) {
        self.request_after(Duration::ZERO);
    }

    /// Requests a frame after `delay`.
    pub fn request_after(&self, delay: Duration) {
        if OWN_SCHEDULE {
            self.clock.request(Instant::now(), delay);
        } else {
            self.waker.request_redraw_after(delay);
        }
    }
}

/// The scheduler of one window, with the thread that waits for the next frame.
pub(super) struct FrameScheduler {
    pub frames: Frames,
    thread: Option<JoinHandle<()>>,
}

impl FrameScheduler {
    /// Starts the thread where the window schedules its own frames.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn new(waker: WindowWaker) -> std::io::Result<Self> {
        let clock = Arc::<FrameClock>::default();
        let mut thread = None;
        if OWN_SCHEDULE {
            let (clock, waker) = (clock.clone(), waker.clone());
            let wait = move || {
                while clock.wait() {
                    waker.request_poll();
                }
            };
            thread = Some(std::thread::Builder::new().name("window frames".into()).spawn(wait)?);
        }
        Ok(Self { frames: Frames { waker, clock }, thread })
    }

    /// Whether a frame is due and must be drawn now.
    pub fn is_due(&self) -> bool {
        self.frames.clock.lock().ready.is_some()
    }

    /// Notes that a frame is drawn now, whoever requested it.
    pub fn frame_begins(&self) {
        self.frames.clock.frame_begins(Instant::now());
    }
}

impl Drop for FrameScheduler {
    /// Ends the thread: after this the host may unload the library that holds its code.
    fn drop(&mut self) {
        self.frames.clock.lock().ended = true;
        self.frames.clock.changed.notify_all();
        if let Some(thread) = self.thread.take() {
            // a panic there has already been reported by its own thread
            let _ = thread.join();
        }
    }
}

/// The time of the next frame.
#[derive(Default)]
struct FrameClock {
    next: Mutex<NextFrame>,
    changed: Condvar,
}

#[derive(Default)]
struct NextFrame {
    due: Option<Instant>,
    /// When the frame was due that the thread has waited for.
    ready: Option<Instant>,
    drawn: Option<Instant>,
    ended: bool,
}

impl FrameClock {
    fn lock(&self) -> MutexGuard<'_, NextFrame> {
        lock(&self.next)
    }

    fn request(&self, now: Instant, delay: Duration) {
        // a delay beyond the range of the system's clock means no frame
        let Some(at) = now.checked_add(delay) else { return };
        let mut next = self.lock();
        // a view that requests "in 16 ms" during a frame means the next frame
        let at = if delay <= MIN_FRAME_TIME { now } else { at };
        let at = next.drawn.map_or(at, |drawn| at.max(drawn + MIN_FRAME_TIME));
        if next.due.is_none_or(|due| at < due) {
            next.due = Some(at);
            self.changed.notify_all();
        }
    }

    fn frame_begins(&self, now: Instant) {
        let mut next = self.lock();
        // the thread wakes a little late: counting from its wake-up would add up the delays
        let drawn =
            next.ready.filter(|due| now.saturating_duration_since(*due) < MIN_FRAME_TIME / 2).unwrap_or(now);
        *next = NextFrame { drawn: Some(drawn), ended: next.ended, ..NextFrame::default() };
    }

    /// Waits until a frame is due; false when the window closes.
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

    fn due_in(clock: &FrameClock, now: Instant) -> Option<Duration> {
        clock.lock().due.map(|due| due - now)
    }

    #[test]
    fn the_earliest_requested_frame_is_due_but_not_sooner_than_the_minimum_time() {
        let (clock, now) = (FrameClock::default(), Instant::now());
        assert_eq!(due_in(&clock, now), None, "no frame without a request");
        clock.request(now, Duration::MAX);
        assert_eq!(due_in(&clock, now), None);
        clock.request(now, Duration::from_millis(500));
        clock.request(now, Duration::from_millis(100));
        clock.request(now, Duration::from_millis(300));
        assert_eq!(due_in(&clock, now), Some(Duration::from_millis(100)));
        clock.frame_begins(now);
        assert_eq!(due_in(&clock, now), None, "one frame answers all earlier requests");
        clock.request(now + Duration::from_millis(2), Duration::ZERO);
        assert_eq!(due_in(&clock, now), Some(MIN_FRAME_TIME));
        clock.frame_begins(now);
        clock.request(now + Duration::from_millis(9), Duration::from_millis(16));
        assert_eq!(due_in(&clock, now), Some(MIN_FRAME_TIME), "continuous movement skips no frame");
        clock.frame_begins(now + MIN_FRAME_TIME);
        clock.request(now + Duration::from_millis(80), Duration::ZERO);
        assert_eq!(
            due_in(&clock, now),
            Some(Duration::from_millis(80)),
            "at once when the last frame is long ago"
        );
    }

    #[test]
    fn the_thread_waits_until_a_frame_is_due_and_ends_with_the_window() {
        let clock = Arc::new(FrameClock::default());
        let start = Instant::now();
        clock.request(start, Duration::from_millis(20));
        assert!(clock.wait());
        assert!(start.elapsed() >= Duration::from_millis(20) && clock.lock().ready.is_some());
        let due = clock.lock().ready.unwrap();
        clock.frame_begins(due + MIN_FRAME_TIME / 4);
        assert!(clock.lock().ready.is_none());
        clock.request(due + MIN_FRAME_TIME / 2, Duration::ZERO);
        assert_eq!(
            due_in(&clock, due),
            Some(MIN_FRAME_TIME),
            "a frame that is a little late does not delay the next"
        );
        clock.frame_begins(due + MIN_FRAME_TIME * 2);
        let waiting = {
            let clock = clock.clone();
            std::thread::spawn(move || clock.wait())
        };
        clock.lock().ended = true;
        clock.changed.notify_all();
        assert!(!waiting.join().unwrap());
    }
}
