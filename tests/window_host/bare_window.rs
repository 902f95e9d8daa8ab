//! What baseview's windows leave behind without any code of the plugin's: how much of what the soak "windows" finds is
//! the library's. Figures: run it by name, with `--ignored --nocapture --test-threads=1` and `KITWRIGHT_TRIALS=200`.

use crate::{
    left_behind::LeftBehind,
    screen::{Screen, wait_until},
    support::trials,
};
use baseview::{
    Event, EventStatus, HandlerError, Window, WindowContext, WindowHandler, WindowSettings, WindowSize,
    dpi::{LogicalSize, Size},
    gl::GlConfig,
};
use raw_window_handle::{HandleError, HasWindowHandle, RawWindowHandle, WindowHandle, XcbWindowHandle};
use std::{num::NonZeroU32, thread::sleep, time::Duration};

/// A host's window.
struct Parent(NonZeroU32);

impl HasWindowHandle for Parent {
    fn window_handle(&self) -> Result<WindowHandle<'_>, HandleError> {
        // SAFETY: the test keeps the window while this is used.
        Ok(unsafe { WindowHandle::borrow_raw(RawWindowHandle::Xcb(XcbWindowHandle::new(self.0))) })
    }
}

/// A window that draws nothing.
struct Bare;

impl WindowHandler for Bare {
    fn draw(&self) -> Result<(), HandlerError> {
        Ok(())
    }
    fn resized(&self, _: WindowSize) -> Result<(), HandlerError> {
        Ok(())
    }
    fn on_event(&self, _: Event) -> EventStatus {
        EventStatus::Ignored
    }
}

/// With OpenGL made current once, or without OpenGL at all.
fn open(parent: u32, opengl: bool) -> Window {
    let parent = Parent(NonZeroU32::new(parent).expect("a window"));
    let mut settings = WindowSettings::new()
        .with_size(Size::Logical(LogicalSize::new(1120.0, 720.0)))
        .with_parent(Some(&parent));
    if opengl {
        settings = settings.with_gl_config(GlConfig::default());
    }
    let build = |window: WindowContext| {
        if let Some(context) = window.gl_context() {
            // SAFETY: the window's own thread, on which no other context is current.
            unsafe {
                context.make_current()?;
                context.make_not_current()?;
            }
        }
        Ok(Bare)
    };
    Window::create(settings, build).expect("a window")
}

fn leave_behind(opengl: bool, what: &str) {
    let Some(mut screen) = Screen::open() else { return };
    let parent = screen.window(1120, 720);
    screen.map(parent);
    let rounds = trials(200);
    let mut left = LeftBehind::new(rounds);
    for round in 0..rounds {
        let window = open(parent, opengl);
        window.show().expect("shown");
        // one that closes before its loop begins never ends
        sleep(Duration::from_millis(100));
        drop(window);
        let turn = |_: &mut Screen| sleep(Duration::from_millis(10));
        wait_until(&mut screen, "closing", turn, |screen| screen.children(parent).is_empty());
        left.after(round);
    }
    left.growth_kb(what);
    screen.destroy(parent);
}

#[test]
#[ignore = "measures the library; run it by name, alone in its process"]
fn bare_windows_with_opengl_leave_memory_behind() {
    leave_behind(true, "baseview with OpenGL");
}

#[test]
#[ignore = "measures the library; run it by name, alone in its process"]
fn bare_windows_without_opengl_leave_memory_behind() {
    leave_behind(false, "baseview without OpenGL");
}
