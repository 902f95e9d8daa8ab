//! Long work, one job after the other, on one thread; each can be cancelled, and a job that fails or is
//! cancelled leaves the kit as it was.

use super::{
    job::{Job, JobState},
    open_kit::OpenKit,
    preparer::KitPreparer,
    rankings::Rankings,
    run_job,
    threads::{join_unless_own, lock},
};
use crate::{error::Error, progress::Progress};
use std::{
    collections::VecDeque,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{
        Arc, Condvar, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
    thread::{self, JoinHandle},
};

pub(super) struct Jobs {
    queue: Arc<Queue>,
    thread: Mutex<Option<JoinHandle<()>>>,
}

#[derive(Default)]
pub(super) struct Queue {
    line: Mutex<QueueState>,
    changed: Condvar,
}

#[derive(Default)]
struct QueueState {
    waiting: VecDeque<Job>,
    running: Option<Arc<RunningJob>>,
    stop: bool,
}

/// A running job, seen from outside.
#[derive(Default)]
struct RunningJob {
    cancelled: AtomicBool,
    state: Mutex<JobState>,
}

impl Progress for RunningJob {
    fn report(&self, step: &str, done: f32) {
        let mut state = lock(&self.state);
        if state.step != step {
            step.clone_into(&mut state.step);
        }
        state.done = done.clamp(0.0, 1.0);
    }

    fn cancelled(&self) -> bool {
        self.cancelled.load(Relaxed)
    }
}

impl Jobs {
    pub(super) fn start(open_kit: Arc<OpenKit>, rankings: Arc<Rankings>, preparer: Arc<KitPreparer>) -> Self {
        let queue = Arc::new(Queue::default());
        let own = queue.clone();
        let thread = thread::Builder::new()
            .name("kitwright-jobs".into())
            .spawn(move || own.run(&open_kit, &rankings, &preparer))
            .expect("the system starts no thread");
        Self { queue, thread: Mutex::new(Some(thread)) }
    }

    pub(super) fn push(&self, job: Job) {
        self.queue.push(job);
    }

    /// The line itself, for a thread that has a job to ask for.
    pub(super) fn queue(&self) -> Arc<Queue> {
        self.queue.clone()
    }

    pub(super) fn state(&self) -> Option<JobState> {
        let line = lock(&self.queue.line);
        match &line.running {
            Some(running) => Some(lock(&running.state).clone()),
            None if line.waiting.is_empty() => None,
            None => Some(JobState { step: "waiting".into(), done: 0.0 }),
        }
    }

    pub(super) fn cancel(&self) {
        let mut line = lock(&self.queue.line);
        line.waiting.clear();
        if let Some(running) = &line.running {
            running.cancelled.store(true, Relaxed);
        }
    }

    /// Ends the thread; the running job is cancelled first.
    pub(super) fn end(&self) {
        self.cancel();
        lock(&self.queue.line).stop = true;
        self.queue.changed.notify_all();
        if let Some(thread) = lock(&self.thread).take() {
            join_unless_own(thread);
        }
    }
}

impl Queue {
    pub(super) fn push(&self, job: Job) {
        lock(&self.line).waiting.push_back(job);
        self.changed.notify_all();
    }

    fn run(&self, open_kit: &OpenKit, rankings: &Rankings, preparer: &KitPreparer) {
        while let Some((job, running)) = self.next() {
            let result =
                catch_unwind(AssertUnwindSafe(|| run_job::run(job, open_kit, rankings, preparer, &*running)));
            match result {
                Ok(Ok(done)) => open_kit.succeeded(done.files, done.note),
                Ok(Err(e)) => open_kit.report(e),
                Err(_) => open_kit.report(Error::invalid(
                    "the work stopped by a fault of this program, the kit is as it was: please report it",
                )),
            }
            lock(&self.line).running = None;
        }
    }

    fn next(&self) -> Option<(Job, Arc<RunningJob>)> {
        let mut line = lock(&self.line);
        loop {
            if line.stop {
                return None;
            }
            if let Some(job) = line.waiting.pop_front() {
                let running = Arc::new(RunningJob::default());
                line.running = Some(running.clone());
                return Some((job, running));
            }
            line = self.changed.wait(line).unwrap_or_else(PoisonError::into_inner);
        }
    }
}
