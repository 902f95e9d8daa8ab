//! Windows of the VST3 in a host's windows: opened, resized and closed again and again, while a job runs, left open when
//! the instance goes, and in hosts that forget something.

use super::{
    super::*,
    AutomationPoints, Automations, block,
    life_tests::{trials, with_kit},
    setup,
};
use kitwright_core::{demo::Instrument, export::write_take, session::Job};
use std::{
    process::Command,
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering::SeqCst},
    },
    thread::sleep,
    time::Duration,
};
use vst3::{
    ComPtr, ComRef, ComWrapper,
    Steinberg::{
        IPlugFrame, IPlugFrameTrait, IPlugViewTrait,
        Linux::{
            FileDescriptor, IEventHandler, IEventHandlerTrait, IRunLoop, IRunLoopTrait, ITimerHandler,
            TimerInterval,
        },
        ViewRect, kPlatformTypeX11EmbedWindowID,
    },
};
use x11rb::protocol::xproto::Window;

#[allow(dead_code)]
#[path = "../../tests/window_host/left_behind.rs"]
mod left_behind;
#[allow(dead_code)]
#[path = "../../tests/window_host/screen.rs"]
mod screen;
use left_behind::{LeftBehind, MOST_KB};
use screen::{Screen, wait_until};

/// The host's run loop: its handlers with what they wait for. It holds no references to them, as simple hosts do.
#[derive(Default)]
struct HostLoop(Mutex<Vec<(usize, FileDescriptor)>>);

impl HostLoop {
    fn len(&self) -> usize {
        self.0.lock().unwrap().len()
    }

    /// Calls each handler that has something to do.
    fn turn(&self) {
        let handlers = self.0.lock().unwrap().clone();
        for (handler, fd) in handlers {
            let mut poll = libc::pollfd { fd, events: libc::POLLIN, revents: 0 };
            // SAFETY: one structure of the test's own.
            if unsafe { libc::poll(&mut poll, 1, 0) } == 1 {
                // SAFETY: registered and not unregistered.
                unsafe { ComRef::from_raw(handler as *mut IEventHandler).unwrap().onFDIsSet(fd) };
            }
        }
    }
}

/// The host's frame, with a run loop.
struct FrameWithLoop(Arc<HostLoop>);
impl Class for FrameWithLoop {
    type Interfaces = (IPlugFrame, IRunLoop);
}
impl IPlugFrameTrait for FrameWithLoop {
    unsafe fn resizeView(&self, _: *mut IPlugView, _: *mut ViewRect) -> tresult {
        kResultFalse
    }
}
impl IRunLoopTrait for FrameWithLoop {
    unsafe fn registerEventHandler(&self, handler: *mut IEventHandler, fd: FileDescriptor) -> tresult {
        self.0.0.lock().unwrap().push((handler as usize, fd));
        kResultOk
    }
    unsafe fn unregisterEventHandler(&self, handler: *mut IEventHandler) -> tresult {
        let mut handlers = self.0.0.lock().unwrap();
        let before = handlers.len();
        handlers.retain(|(known, _)| *known != handler as usize);
        assert_eq!(handlers.len() + 1, before, "unregistered once");
        kResultOk
    }
    unsafe fn registerTimer(&self, _: *mut ITimerHandler, _: TimerInterval) -> tresult {
        kResultFalse
    }
    unsafe fn unregisterTimer(&self, _: *mut ITimerHandler) -> tresult {
        kResultFalse
    }
}

/// A frame without a run loop, against VST3's rules for Linux.
struct FrameAlone;
impl Class for FrameAlone {
    type Interfaces = (IPlugFrame,);
}
impl IPlugFrameTrait for FrameAlone {
    unsafe fn resizeView(&self, _: *mut IPlugView, _: *mut ViewRect) -> tresult {
        kResultFalse
    }
}

/// A view in a window of the host's.
struct HostedView<'a> {
    screen: &'a Screen,
    run_loop: Arc<HostLoop>,
    view: ComPtr<IPlugView>,
    parent: Window,
}

impl<'a> HostedView<'a> {
    /// Opens the window as VST3 says.
    fn open(guard: &GuardVst3, screen: &'a Screen) -> Self {
        let run_loop = Arc::<HostLoop>::default();
        let frame = ComWrapper::new(FrameWithLoop(run_loop.clone()));
        let frame = frame.to_com_ptr::<IPlugFrame>().unwrap();
        Self::open_in(guard, screen, run_loop, &frame)
    }

    fn open_in(
        guard: &GuardVst3,
        screen: &'a Screen,
        run_loop: Arc<HostLoop>,
        frame: &ComPtr<IPlugFrame>,
    ) -> Self {
        let mut size = ViewRect { left: 0, top: 0, right: 0, bottom: 0 };
        // SAFETY: in the order that VST3 demands, with the test's own objects.
        unsafe {
            let view = ComPtr::from_raw(guard.createView(c"editor".as_ptr())).expect("a view");
            assert_eq!(view.isPlatformTypeSupported(kPlatformTypeX11EmbedWindowID), kResultOk);
            assert_eq!(view.setFrame(frame.as_ptr()), kResultOk);
            assert_eq!(view.getSize(&mut size), kResultOk);
            let parent = screen.window(size.right as u32, size.bottom as u32);
            let handle = parent as usize as *mut std::ffi::c_void;
            assert_eq!(view.attached(handle, kPlatformTypeX11EmbedWindowID), kResultOk);
            screen.map(parent);
            Self { screen, run_loop, view, parent }
        }
    }

    /// Waits until `is` holds, while the host's loop turns.
    fn wait(&self, what: &str, is: impl Fn(&Self) -> bool) {
        let turn = |host: &mut &Self| {
            host.run_loop.turn();
            sleep(Duration::from_millis(10));
        };
        wait_until(&mut { self }, what, turn, |host| is(host));
    }

    fn wait_painted(&self, what: &str) {
        self.wait(what, |v| v.screen.picture(v.parent).is_painted());
    }

    fn resize(&self, width: u32, height: u32) {
        let mut size = ViewRect { left: 0, top: 0, right: width as i32, bottom: height as i32 };
        // SAFETY: as VST3 says, with the test's own structure.
        unsafe {
            assert_eq!(self.view.checkSizeConstraint(&mut size), kResultOk);
            assert_eq!((size.right, size.bottom), (width as i32, height as i32));
            self.screen.resize(self.parent, width, height);
            assert_eq!(self.view.onSize(&mut size), kResultOk);
        }
        self.wait_painted("resized");
        let child = self.screen.children(self.parent)[0];
        assert_eq!(self.screen.size(child), (width, height));
    }

    fn remove(&self) {
        // SAFETY: attached before.
        assert_eq!(unsafe { self.view.removed() }, kResultOk);
        self.wait_closed();
    }

    fn wait_closed(&self) {
        self.wait("closing", |v| v.screen.children(v.parent).is_empty());
    }

    fn take_frame(&self) {
        // SAFETY: null takes the frame away.
        assert_eq!(unsafe { self.view.setFrame(std::ptr::null_mut()) }, kResultOk);
        assert_eq!(self.run_loop.len(), 0, "handlers stay in the host's loop");
    }

    /// Releases the view and ends the host's window.
    fn release(self) {
        drop(self.view);
        assert_eq!(self.run_loop.len(), 0, "handlers stay in the host's loop");
        self.screen.destroy(self.parent);
    }
}

/// Counts panics of any thread from now on.
fn count_panics() -> Arc<AtomicUsize> {
    let panics = Arc::new(AtomicUsize::new(0));
    let (count, before) = (panics.clone(), std::panic::take_hook());
    std::panic::set_hook(Box::new(move |info| {
        count.fetch_add(1, SeqCst);
        before(info);
    }));
    panics
}

/// Tests that measure what their process holds.
mod own_process {
    use super::*;

    #[test]
    #[ignore = "another test runs it in a process of its own"]
    fn a_window_opens_and_closes_again_and_again() {
        let Some(screen) = Screen::open() else { return };
        let guard = with_kit();
        let rounds = trials(6);
        let mut left = LeftBehind::new(rounds);
        for round in 0..rounds {
            let hosted = HostedView::open(&guard, &screen);
            hosted.wait_painted("opened");
            let sizes = [(1000, 640), (1300, 800)];
            let (width, height) = sizes[round % 2];
            hosted.resize(width, height);
            hosted.remove();
            if round % 2 == 0 {
                hosted.take_frame();
            }
            hosted.release();
            left.after(round);
        }
        let grown = left.growth_kb("VST3");
        if rounds >= 100 {
            assert!(grown < MOST_KB, "{grown} kB");
        }
    }

    #[test]
    #[ignore = "another test runs it in a process of its own"]
    fn a_window_opens_and_closes_while_a_job_runs() {
        let Some(screen) = Screen::open() else { return };
        let dir = tempfile::tempdir().unwrap();
        let recording = dir.path().join("take.wav");
        write_take(&Instrument::ALL[1].take(1).0, &recording).unwrap();
        let guard = GuardVst3::new().expect("an instance");
        let mut during = 0;
        while during < 3 {
            if guard.link.session.job().is_none() {
                guard.link.session.start(Job::NewKit { takes: vec![recording.clone()], fit: 1.0 });
            }
            let hosted = HostedView::open(&guard, &screen);
            hosted.wait_painted("while a job runs");
            let worked = guard.link.session.job().is_some();
            hosted.remove();
            during += usize::from(worked && guard.link.session.job().is_some());
            hosted.release();
        }
    }

    #[test]
    #[ignore = "another test runs it in a process of its own"]
    fn a_view_is_released_with_its_window_open() {
        let Some(screen) = Screen::open() else { return };
        let guard = with_kit();
        for _ in 0..2 {
            let hosted = HostedView::open(&guard, &screen);
            hosted.wait_painted("opened");
            let children = screen.children(hosted.parent).len();
            let (parent, run_loop) = (hosted.parent, hosted.run_loop.clone());
            drop(hosted.view);
            assert_eq!((children, run_loop.len()), (1, 0));
            assert!(screen.children(parent).is_empty());
            screen.destroy(parent);
        }
    }

    #[test]
    #[ignore = "another test runs it in a process of its own"]
    fn an_instance_is_destroyed_with_its_window_open() {
        let Some(screen) = Screen::open() else { return };
        let panics = count_panics();
        for changing in [false, true, true, true, true, true] {
            let guard = with_kit();
            let session = Arc::downgrade(&guard.link.session);
            let hosted = HostedView::open(&guard, &screen);
            hosted.wait_painted("opened");
            // the window tells the host of each change
            let changed = session.clone();
            let change = move || {
                while let Some(session) = changed.upgrade().filter(|_| changing) {
                    session.edit("a name", |kit| kit.doc.name.push('a'));
                    drop(session);
                    sleep(Duration::from_millis(1));
                }
            };
            let changes = std::thread::spawn(change);
            sleep(Duration::from_millis(if changing { 50 } else { 0 }));
            drop(guard);
            changes.join().expect("the changes");
            assert!(session.upgrade().is_none(), "its session lives on");
            hosted.wait_closed();
            let mut size = ViewRect { left: 0, top: 0, right: 900, bottom: 600 };
            // SAFETY: the host still holds the view.
            unsafe {
                assert_ne!(hosted.view.onSize(&mut size), kResultOk);
                assert_ne!(hosted.view.removed(), kResultOk);
            }
            hosted.release();
        }
        assert_eq!(panics.load(SeqCst), 0, "a thread has panicked");
    }

    #[test]
    #[ignore = "another test runs it in a process of its own"]
    fn automation_reaches_a_window_without_a_run_loop() {
        let Some(screen) = Screen::open() else { return };
        let panics = count_panics();
        let guard = with_kit();
        let frame = ComWrapper::new(FrameAlone).to_com_ptr::<IPlugFrame>().unwrap();
        let hosted = HostedView::open_in(&guard, &screen, Arc::default(), &frame);
        hosted.wait_painted("opened");
        let id = guard.ids[0];
        // SAFETY: in the order that VST3 demands.
        unsafe {
            assert_eq!(guard.setupProcessing(&mut setup(48_000.0)), kResultOk);
            assert_eq!(guard.setActive(1), kResultOk);
        }
        let shared = Shared(&guard);
        let audio = move || {
            let shared = shared;
            for value in [0.25, 0.5, 0.75] {
                let points = AutomationPoints { id, points: vec![(0, value)] };
                let queue = ComWrapper::new(points).to_com_ptr::<IParamValueQueue>().unwrap();
                let changes = ComWrapper::new(Automations(vec![queue]));
                let changes = changes.as_com_ref::<IParameterChanges>().unwrap().as_ptr();
                // SAFETY: the test keeps the instance until this thread has ended.
                block(unsafe { &*shared.0 }, changes, std::ptr::null_mut());
            }
        };
        std::thread::spawn(audio).join().expect("the audio thread");
        // SAFETY: the main thread; the host mirrors the automation.
        unsafe {
            assert_eq!(guard.setParamNormalized(id, 0.75), kResultOk);
            assert_eq!(guard.getParamNormalized(id), 0.75);
            guard.setActive(0);
        }
        guard.link.drain_worker();
        hosted.remove();
        hosted.release();
        drop(guard);
        assert_eq!(panics.load(SeqCst), 0, "the framework's worker thread has panicked");
    }
}

/// An instance for an audio thread.
struct Shared(*const GuardVst3);
// SAFETY: VST3's audio functions may be called from another thread, one at a time.
unsafe impl Send for Shared {}

#[test]
fn vst3_windows_leave_nothing_behind_again_and_again() {
    let me = std::env::current_exe().expect("the test's own path");
    let tests = "guard_vst3::tests::window_tests::own_process";
    let run = Command::new(me).args(["--ignored", "--nocapture", "--test-threads=1", tests]).output();
    let run = run.expect("it starts");
    let text = [run.stdout, run.stderr].concat();
    let text = String::from_utf8_lossy(&text);
    for line in text.lines().filter(|line| line.contains("skipped: ") || line.contains("VST3: ")) {
        println!("{line}");
    }
    assert!(run.status.success() && text.contains("5 passed"), "{text}");
}
