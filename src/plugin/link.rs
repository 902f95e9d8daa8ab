//! Connects a guard with the instance inside the framework.

use super::{params::HostParams, tail};
use kitwright_core::session::Session;
use std::{
    cell::RefCell,
    ops::Deref,
    sync::{Arc, OnceLock, Weak, mpsc},
    thread::{self, ThreadId},
    time::{Duration, Instant},
};

/// What a guard shares with the instance inside the framework.
pub(super) struct InstanceLink {
    /// The open kit.
    pub session: Arc<Session>,
    /// The parameters, with the kit within the host's state.
    pub params: Weak<HostParams>,
    /// Queues a task on the framework's worker thread; missing until the framework asks for the editor.
    pub run_on_worker: Option<Box<dyn Fn(Fence)>>,
    /// The thread that has dropped the instance; empty before.
    pub ended_by: EndedBy,
}

/// Which thread has dropped an instance.
pub(super) type EndedBy = Arc<OnceLock<ThreadId>>;

/// A part of an instance that notes which thread drops it.
#[derive(Debug)]
pub struct EndMark(EndedBy);

impl EndMark {
    pub(super) fn new(ended_by: EndedBy) -> Self {
        Self(ended_by)
    }
}

impl Drop for EndMark {
    fn drop(&mut self) {
        let _ = self.0.set(thread::current().id());
    }
}

thread_local! {
    /// The framework makes the plugin by `Default` and gives no access to it: the guard finds here the link of the
    /// instance made last on its thread.
    static LAST_MADE: RefCell<Option<InstanceLink>> = const { RefCell::new(None) };
}

impl InstanceLink {
    /// Makes this the link of the instance made last on this thread.
    pub fn set_last_made(self) {
        LAST_MADE.set(Some(self));
    }

    /// Lets the instance made last on this thread queue tasks on the framework's worker thread.
    pub fn set_last_made_worker(run: impl Fn(Fence) + 'static) {
        LAST_MADE.with_borrow_mut(|link| {
            if let Some(link) = link {
                link.run_on_worker = Some(Box::new(run));
            }
        });
    }

    /// The link of the instance that this thread has just made.
    pub fn take_last_made() -> Option<GuardLink> {
        LAST_MADE.take().map(GuardLink)
    }

    /// How long the kit can ring at its present settings, frames at `sample_rate` Hz. Not for the audio
    /// thread.
    pub fn tail_frames(&self, sample_rate: f64) -> u32 {
        let Some(params) = self.params.upgrade() else { return 0 };
        let seconds = tail::ring_seconds(&self.session.kit(), &params.trims());
        (seconds * sample_rate).ceil() as u32
    }

    /// Waits until the framework's worker thread has done all that this instance has queued there, at most
    /// 2 s. The worker serves all instances, and dies when it finds a task whose instance is gone; the last
    /// instance to go would then end the host's process (read in nice-plug 0.4.2, `background_thread.rs`). The worker
    /// holds the instance for a few instructions more, which no call reports: this waits thousands of times as long, and
    /// the guard is prepared for more.
    pub fn drain_worker(&self) {
        let Some(run) = &self.run_on_worker else { return };
        let (done, wait) = mpsc::channel();
        // the queue may be full: the fence is queued again until one of them was reached
        for _ in 0..20 {
            run(Fence(done.clone()));
            if wait.recv_timeout(Duration::from_millis(100)).is_ok() {
                break;
            }
        }
        thread::sleep(Duration::from_millis(10));
    }
}

/// The link of a guard, which outlives its instance. Dropping it waits until the session is gone with its
/// threads, at most 5 s: a thread may still hold the session for a moment, and hosts may unload the library right
/// after this.
pub(super) struct GuardLink(InstanceLink);

impl Deref for GuardLink {
    type Target = InstanceLink;
    fn deref(&self) -> &InstanceLink {
        &self.0
    }
}

impl Drop for GuardLink {
    fn drop(&mut self) {
        let until = Instant::now() + Duration::from_secs(5);
        while Arc::strong_count(&self.0.session) > 1 && Instant::now() < until {
            thread::sleep(Duration::from_millis(1));
        }
    }
}

/// A task for the framework's worker that only reports that it was reached.
#[derive(Debug)]
pub struct Fence(mpsc::Sender<()>);

impl Fence {
    /// Reports that the tasks queued before this one are done.
    pub fn reached(self) {
        // the receiver may have given up
        let _ = self.0.send(());
        #[cfg(test)]
        thread::sleep(Duration::from_millis(WORKER_LATE_MS.load(std::sync::atomic::Ordering::SeqCst)));
    }
}

/// In a test: how long the worker holds an instance after its last task, ms.
#[cfg(test)]
pub(super) static WORKER_LATE_MS: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
