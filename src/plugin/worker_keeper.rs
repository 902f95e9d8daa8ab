//! The end of the last VST3 instance, which the framework's worker thread must survive.

use super::{
    instance::Kitwright,
    link::{EndedBy, GuardLink, InstanceLink},
};
use nice_plug::wrapper::vst3::Wrapper;
use std::thread;

/// Keeps the framework's worker thread while the last instance goes. The worker may still hold that instance for a moment
/// after its last task; were it the last to drop it, it would wait for its own end and panic. This is another instance,
/// which has no tasks. It goes when this thread has dropped the first one; when the worker has, it stays for good.
pub(super) struct WorkerKeeper {
    other: Option<(Wrapper<Kitwright>, GuardLink)>,
    ended_by: EndedBy,
}

impl WorkerKeeper {
    /// For an instance that is to be dropped at once by this thread; `None` when the framework makes no other.
    pub fn new(ended_by: EndedBy) -> Option<Self> {
        let other = Wrapper::new();
        Some(Self { other: Some((other, InstanceLink::take_last_made()?)), ended_by })
    }
}

impl Drop for WorkerKeeper {
    fn drop(&mut self) {
        if self.ended_by.get() != Some(&thread::current().id()) {
            std::mem::forget(self.other.take());
        }
    }
}
