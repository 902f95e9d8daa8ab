//! One thread that follows the current kit: it prepares kits for the audio thread and packs the host's state.
//!
//! The audio thread pops from lock-free queues and never frees anything: a second handle of every kit
//! and preview it was given is kept here until the audio thread holds none any more.

use super::{
    audio_requests::Preview,
    open_kit::OpenKit,
    threads::{join_unless_own, lock},
};
use crate::{
    engine::{Meters, PlayKit},
    error::{Error, Result},
    kit::Kit,
    progress::Flag,
};
use arc_swap::ArcSwapOption;
use base64::{Engine as _, engine::general_purpose::STANDARD as BASE64};
use crossbeam_queue::ArrayQueue;
use std::{
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{Arc, Condvar, Mutex, OnceLock, atomic::Ordering::Relaxed},
    thread::{self, JoinHandle, Thread},
    time::{Duration, Instant},
};

/// The state is packed once the kit has been left alone for this long.
const PACK_DELAY: Duration = Duration::from_millis(300);
/// How often the thread looks for what the audio thread has given back.
const POLL_INTERVAL: Duration = Duration::from_millis(100);

pub(super) struct KitPreparer {
    open_kit: Arc<OpenKit>,
    engine: ArcSwapOption<AttachedEngine>,
    /// Held while a kit is prepared, so that the newest is the last to be handed over.
    preparing: Mutex<()>,
    /// Revision and sample rate (its bits) prepared last.
    prepared: Mutex<Option<(u64, u64)>>,
    prepared_changed: Condvar,
    kits: ArrayQueue<Arc<PlayKit>>,
    previews: ArrayQueue<Arc<Preview>>,
    kept_kits: Mutex<Vec<Arc<PlayKit>>>,
    kept_previews: Mutex<Vec<Arc<Preview>>>,
    /// A host's state that waits to become the kit.
    pending: ArcSwapOption<String>,
    /// The kit's revision and its state as text.
    state: Mutex<Option<(u64, Arc<String>)>>,
    stop: Flag,
    thread: Mutex<Option<JoinHandle<()>>>,
    handle: OnceLock<Thread>,
}

struct AttachedEngine {
    sample_rate: f64,
    meters: Arc<Meters>,
}

impl KitPreparer {
    pub(super) fn start(open_kit: Arc<OpenKit>) -> Arc<Self> {
        let ready = Arc::new(Self {
            open_kit,
            engine: ArcSwapOption::empty(),
            preparing: Mutex::default(),
            prepared: Mutex::default(),
            prepared_changed: Condvar::new(),
            kits: ArrayQueue::new(1),
            previews: ArrayQueue::new(1),
            kept_kits: Mutex::default(),
            kept_previews: Mutex::default(),
            pending: ArcSwapOption::empty(),
            state: Mutex::default(),
            stop: Flag::default(),
            thread: Mutex::default(),
            handle: OnceLock::new(),
        });
        let own = ready.clone();
        let thread = thread::Builder::new()
            .name("kitwright-ready".into())
            .spawn(move || own.run())
            .expect("the system starts no thread");
        ready.open_kit.set_preparer(thread.thread().clone());
        let _ = ready.handle.set(thread.thread().clone());
        *lock(&ready.thread) = Some(thread);
        ready
    }

    /// Ends the thread; its work is given up.
    pub(super) fn end(&self) {
        self.stop.0.store(true, Relaxed);
        self.wake();
        if let Some(thread) = lock(&self.thread).take() {
            join_unless_own(thread);
        }
    }

    fn wake(&self) {
        if let Some(thread) = self.handle.get() {
            thread.unpark();
        }
    }

    fn run(&self) {
        let mut seen = (self.open_kit.revision(), Instant::now());
        let mut unpackable = None;
        while !self.stop.0.load(Relaxed) {
            self.restore_pending();
            self.prepare();
            self.sweep();
            let revision = self.open_kit.revision();
            if revision != seen.0 {
                seen = (revision, Instant::now());
            }
            let packed = lock(&self.state).as_ref().is_some_and(|s| s.0 == revision);
            let stale = revision != 0 && !packed && unpackable != Some(revision);
            if stale
                && seen.1.elapsed() >= PACK_DELAY
                && let Err(e) = self.pack()
            {
                unpackable = Some(revision);
                self.open_kit.report(e);
            }
            if stale || self.keeps() {
                thread::park_timeout(POLL_INTERVAL);
            } else {
                thread::park();
            }
        }
    }

    /// Prepares the current kit for the attached engine, unless that is done.
    fn prepare(&self) {
        let _preparing = lock(&self.preparing);
        let Some(engine) = self.engine.load_full() else { return };
        let version = self.open_kit.version();
        let mark = (version.revision, engine.sample_rate.to_bits());
        if *lock(&self.prepared) == Some(mark) {
            return;
        }
        match catch_unwind(AssertUnwindSafe(|| PlayKit::new(version.kit.clone(), engine.sample_rate))) {
            Ok(kit) => {
                let kit = Arc::new(kit);
                lock(&self.kept_kits).push(kit.clone());
                self.kits.force_push(kit);
            }
            Err(_) => self.open_kit.report(Error::invalid(
                "the kit could not be made ready for playing: undo the last step, and please report this",
            )),
        }
        *lock(&self.prepared) = Some(mark);
        self.prepared_changed.notify_all();
    }

    /// Frees what the audio thread has given back. A handle kept here alone cannot be taken again: only the
    /// queue hands out new ones.
    fn sweep(&self) {
        lock(&self.kept_kits).retain(|kit| Arc::strong_count(kit) > 1);
        lock(&self.kept_previews).retain(|preview| Arc::strong_count(preview) > 1);
    }

    /// Whether something may have to be freed soon: more than the one kit that plays is kept.
    fn keeps(&self) -> bool {
        lock(&self.kept_kits).len() > 1 || !lock(&self.kept_previews).is_empty()
    }

    pub(super) fn attach(&self, sample_rate: f64, meters: Arc<Meters>) {
        self.engine.store(Some(Arc::new(AttachedEngine { sample_rate, meters })));
        // a new engine has no kit yet, even at the same rate
        *lock(&self.prepared) = None;
        self.prepare();
        self.wake();
    }

    pub(super) fn wait(&self, timeout: Duration) -> bool {
        let end = Instant::now() + timeout;
        let mut prepared = lock(&self.prepared);
        loop {
            let ready = self.engine.load().as_ref().is_none_or(|engine| {
                *prepared == Some((self.open_kit.revision(), engine.sample_rate.to_bits()))
            });
            if ready && self.pending.load().is_none() {
                return true;
            }
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            // a change between the check and the wait is seen after the short wait
            let short = left.min(Duration::from_millis(20));
            prepared =
                self.prepared_changed.wait_timeout(prepared, short).unwrap_or_else(|e| e.into_inner()).0;
        }
    }

    /// Rate of the attached engine, Hz.
    pub(super) fn sample_rate(&self) -> Option<f64> {
        self.engine.load().as_ref().map(|e| e.sample_rate)
    }

    pub(super) fn meters(&self) -> Option<Arc<Meters>> {
        self.engine.load().as_ref().map(|e| e.meters.clone())
    }

    pub(super) fn take_kit(&self) -> Option<Arc<PlayKit>> {
        self.kits.pop()
    }

    pub(super) fn take_preview(&self) -> Option<Arc<Preview>> {
        self.previews.pop()
    }

    pub(super) fn preview(&self, preview: Preview) {
        let preview = Arc::new(preview);
        lock(&self.kept_previews).push(preview.clone());
        self.previews.force_push(preview);
        self.wake();
    }

    /// Stores a host's state and wakes the thread, which makes it the kit.
    pub(super) fn restore(&self, text: Arc<String>) {
        self.pending.store(Some(text));
        self.wake();
    }

    /// Whether the kit is known to be the one of this state.
    pub(super) fn is_in_state(&self, text: &str) -> bool {
        if let Some(pending) = self.pending.load_full() {
            return *pending == text;
        }
        let version = self.open_kit.version();
        let known =
            lock(&self.state).as_ref().filter(|(at, _)| *at == version.revision).map(|(_, t)| t.clone());
        match known {
            Some(known) => *known == text,
            None => version.kit.takes.is_empty() && self.pack().is_ok_and(|now| *now == text),
        }
    }

    /// Makes a waiting state the current kit. A broken one leaves the kit as it was, is reported, and stays the
    /// host's state at its next save, so that a project from a newer version survives an older one.
    fn restore_pending(&self) {
        let waiting = self.pending.load_full();
        let Some(text) = waiting.clone() else { return };
        let revision = match self.unpack(&text) {
            Ok(kit) => self.open_kit.replace(kit),
            Err(Error::Cancelled) => return,
            Err(e) => {
                self.open_kit.report(Error::invalid(format!("the kit kept in the project {e}")));
                self.open_kit.revision()
            }
        };
        *lock(&self.state) = Some((revision, text));
        // a state that arrived meanwhile stays
        self.pending.compare_and_swap(&waiting, None);
        // for who waits without an engine: nothing is prepared then
        self.prepared_changed.notify_all();
    }

    fn unpack(&self, text: &str) -> Result<Kit> {
        catch_unwind(AssertUnwindSafe(|| {
            let bytes = BASE64.decode(text).map_err(|e| {
                Error::invalid(format!("is damaged ({e}); open an older copy of the project"))
            })?;
            Kit::from_bytes(&bytes, &self.stop)
        }))
        .unwrap_or_else(|_| Err(Error::invalid("is damaged; open an older copy of the project")))
    }

    /// The state as text: as it was packed ahead, or packed now.
    pub(super) fn state(&self) -> Result<Arc<String>> {
        if let Some(text) = self.pending.load_full() {
            return Ok(text);
        }
        let revision = self.open_kit.revision();
        let known =
            lock(&self.state).as_ref().filter(|(at, _)| *at == revision).map(|(_, text)| text.clone());
        let text = known.map_or_else(|| self.pack(), Ok)?;
        // a state that could not be packed is in no project
        self.open_kit.taken_by_host(revision);
        Ok(text)
    }

    fn pack(&self) -> Result<Arc<String>> {
        let version = self.open_kit.version();
        let text = Arc::new(BASE64.encode(version.kit.to_bytes(&self.stop)?));
        *lock(&self.state) = Some((version.revision, text.clone()));
        Ok(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::job_parts::with_take;

    #[test]
    fn the_state_is_packed_ahead_once_the_kit_is_left_alone() {
        let open_kit = Arc::new(OpenKit::default());
        let preparer = KitPreparer::start(open_kit.clone());
        for name in ["a", "b"] {
            open_kit
                .change("name", false, |kit| {
                    name.clone_into(&mut kit.doc.name);
                    Ok(())
                })
                .unwrap();
        }
        // a guard against hanging, not a measure
        let end = Instant::now() + Duration::from_secs(300);
        let packed = || lock(&preparer.state).as_ref().map(|(revision, _)| *revision);
        while packed() != Some(open_kit.revision()) {
            assert!(Instant::now() < end, "the state is never packed ahead");
            thread::sleep(Duration::from_millis(5));
        }
        let ahead = lock(&preparer.state).as_ref().unwrap().1.clone();
        assert!(Arc::ptr_eq(&preparer.state().unwrap(), &ahead), "a save costs a copy");
        preparer.end();
    }

    #[test]
    fn a_state_that_cannot_be_packed_does_not_count_as_kept_by_the_host() {
        let open_kit = Arc::new(OpenKit::default());
        let preparer = KitPreparer::start(open_kit.clone());
        // an ended preparer gives its work up
        preparer.end();
        let take = Arc::new(crate::take::Take::from_samples("take", 48_000, vec![vec![0.5; 8]]));
        let add_take = |kit: &mut Kit| {
            *kit = with_take(kit, &take, &[]);
            Ok(())
        };
        open_kit.change("add take", false, add_take).unwrap();
        assert!(preparer.state().is_err() && !open_kit.is_kept_by_host());
        preparer.stop.0.store(false, Relaxed);
        assert!(preparer.state().is_ok() && open_kit.is_kept_by_host());
    }

    /// Miri runs this as well (tests/RELIABILITY.md): it looks for data races in other orders of the threads.
    #[test]
    fn what_the_audio_thread_gives_back_is_freed_by_another() {
        let open_kit = Arc::new(OpenKit::default());
        let preparer = KitPreparer::start(open_kit.clone());
        let (audio, done) = (preparer.clone(), Arc::new(Flag::default()));
        let ended = done.clone();
        // its own handle must not be the last one
        let returned = |kit: Option<Arc<PlayKit>>| {
            assert!(kit.is_none_or(|kit| Arc::into_inner(kit).is_none()), "freed by the audio thread");
        };
        let thread = thread::spawn(move || {
            let (mut playing, mut taken) = (None, 0);
            while !ended.0.load(Relaxed) || taken == 0 {
                while let Some(kit) = audio.take_kit() {
                    taken += 1;
                    returned(playing.replace(kit));
                }
                let preview = audio.take_preview();
                assert!(preview.is_none_or(|preview| Arc::into_inner(preview).is_none()));
                // an interpreter would spend its time on this loop
                if cfg!(miri) { thread::sleep(Duration::from_millis(2)) } else { thread::yield_now() }
            }
            returned(playing);
            taken
        });
        let take = Arc::new(crate::take::Take::from_samples("take", 48_000, vec![vec![0.5; 8]]));
        for round in 0..if cfg!(miri) { 3 } else { 100 } {
            let name = |kit: &mut Kit| {
                kit.doc.name = format!("{round}");
                Ok(())
            };
            open_kit.change("name", false, name).unwrap();
            if round % 2 == 0 {
                preparer.attach([44_100.0, 48_000.0][round / 2 % 2], Arc::default());
            }
            preparer.preview(Preview { take: take.clone(), start: 0, end: 8 });
            thread::sleep(Duration::from_millis(1));
        }
        done.0.store(true, Relaxed);
        let taken = thread.join().unwrap();
        println!("{taken} kits were taken");
        preparer.end();
    }
}
