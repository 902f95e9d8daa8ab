//! The built CLAP with its window in a host's window.

use crate::{
    screen::{DEADLINE, Picture, Screen, wait_until},
    support::{
        host::{Host, Run, note},
        kit::notes,
    },
};
use clack_extensions::gui::{GuiApiType, GuiConfiguration, GuiSize, PluginGui, Window as ClapWindow};
use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering::SeqCst},
    },
    thread::sleep,
    time::{Duration, Instant},
};
use x11rb::protocol::xproto::Window;

/// The plugin with its window embedded in a window of the host.
pub struct EmbeddedPlugin<'a> {
    pub host: Host,
    pub screen: &'a Screen,
    gui: PluginGui,
    /// The host's window.
    pub parent: Window,
}

impl<'a> EmbeddedPlugin<'a> {
    /// An instance, in this state if there is one, and a window of the host's that fits; neither is shown.
    pub fn new(screen: &'a Screen, state: Option<&[u8]>) -> Self {
        let mut host = state.map_or_else(Host::new, Host::with_state);
        let gui = host.instance.plugin_handle().get_extension().expect("a window");
        let mut plugin = Self { host, screen, gui, parent: 0 };
        let size = plugin.size();
        plugin.parent = screen.window(size.width, size.height);
        plugin
    }

    /// An instance with its window on the screen, as CLAP says that hosts do it.
    pub fn open(screen: &'a Screen, state: Option<&[u8]>) -> Self {
        let mut plugin = Self::new(screen, state);
        plugin.create();
        plugin.set_parent();
        screen.map(plugin.parent);
        plugin.show();
        plugin
    }

    /// Does `act` while every pad is struck eight times a second, in real time at 48 kHz in blocks of 10 ms.
    pub fn while_all_pads_sound<T>(&mut self, act: impl FnOnce(&mut Self) -> T) -> T {
        assert!(self.host.activate(48_000.0, 1024));
        let mut audio = self.host.begin();
        let strokes = (0..8).flat_map(|i| notes().map(|key| note(i * 6000, key, 0.9)));
        let events: Vec<_> = strokes.flatten().collect();
        let enough = Arc::new(AtomicBool::new(false));
        let stop = enough.clone();
        let player = std::thread::spawn(move || {
            let in_time = |_| {
                sleep(Duration::from_millis(10));
                480
            };
            while !stop.load(SeqCst) {
                let mut run = Run::new(48_000, &events);
                run.block = &in_time;
                audio.play(&run);
            }
        });
        let done = act(self);
        enough.store(true, SeqCst);
        player.join().expect("the audio thread");
        self.host.deactivate();
        done
    }

    pub fn create(&mut self) {
        let configuration = GuiConfiguration { api_type: GuiApiType::X11, is_floating: false };
        let handle = self.host.instance.plugin_handle();
        assert!(self.gui.is_api_supported(&handle, configuration));
        assert!(self.gui.can_resize(&handle));
        self.gui.create(&handle, configuration).expect("a window");
    }

    pub fn set_scale(&mut self, scale: f64) {
        self.gui.set_scale(&self.host.instance.plugin_handle(), scale).expect("a scale");
    }

    pub fn set_parent(&mut self) {
        let window = ClapWindow::from_x11_handle(self.parent.into());
        // SAFETY: the parent outlives the plugin's window.
        unsafe { self.gui.set_parent(&self.host.instance.plugin_handle(), window) }.expect("a parent");
    }

    pub fn show(&mut self) {
        self.gui.show(&self.host.instance.plugin_handle()).expect("shown");
    }

    pub fn hide(&mut self) {
        self.gui.hide(&self.host.instance.plugin_handle()).expect("hidden");
    }

    pub fn destroy(&mut self) {
        self.gui.destroy(&self.host.instance.plugin_handle());
    }

    /// Destroys the instance with its window open; another instance takes its place.
    pub fn destroy_instance(&mut self) {
        self.host = Host::new();
        self.gui = self.host.instance.plugin_handle().get_extension().expect("a window");
    }

    pub fn size(&mut self) -> GuiSize {
        self.gui.get_size(&self.host.instance.plugin_handle()).expect("a size")
    }

    pub fn adjust_size(&mut self, width: u32, height: u32) -> GuiSize {
        let size = GuiSize { width, height };
        self.gui.adjust_size(&self.host.instance.plugin_handle(), size).expect("a size")
    }

    pub fn set_size(&mut self, width: u32, height: u32) {
        self.gui.set_size(&self.host.instance.plugin_handle(), GuiSize { width, height }).expect("resized");
    }

    /// The plugin's window.
    pub fn window(&self) -> Window {
        let children = self.screen.children(self.parent);
        assert_eq!(children.len(), 1, "windows within the host's");
        children[0]
    }

    /// Lets time pass, during which the host's main thread does what it is asked for.
    pub fn pass(&mut self, time: Duration) {
        let start = Instant::now();
        loop {
            self.host.main_thread();
            let requested = self.host.callbacks(|c| c.requested_size.lock().unwrap().take());
            if let Some(size) = requested {
                self.screen.resize(self.parent, size.width, size.height);
            }
            assert!(!self.host.callbacks(|c| c.closed.load(SeqCst)), "the window closed by itself");
            let Some(left) = time.checked_sub(start.elapsed()) else { return };
            sleep(left.min(Duration::from_millis(10)));
        }
    }

    /// Waits until `is` holds; `what` for the message when it never does.
    pub fn wait(&mut self, what: &str, is: impl FnMut(&mut Self) -> bool) {
        wait_until(self, what, |plugin| plugin.pass(Duration::from_millis(20)), is);
    }

    /// Waits until all of the host's window is painted.
    pub fn wait_painted(&mut self, what: &str) {
        let start = Instant::now();
        loop {
            let shown = self.screen.picture(self.parent);
            if shown.is_painted() {
                return;
            }
            assert!(
                start.elapsed() < DEADLINE,
                "{what}: not painted within {DEADLINE:?}; {}",
                shown.summary()
            );
            self.pass(Duration::from_millis(20));
        }
    }

    /// Waits until the picture has stayed the same for a second; the picture.
    pub fn at_rest(&mut self) -> Picture {
        let mut last = self.screen.picture(self.parent);
        let mut same = 0;
        self.wait("coming to rest", |g| {
            g.pass(Duration::from_millis(100));
            let now = g.screen.picture(g.parent);
            same = if now == last { same + 1 } else { 0 };
            last = now;
            same == 10
        });
        last
    }
}

impl Drop for EmbeddedPlugin<'_> {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            self.destroy();
            self.screen.destroy(self.parent);
        }
    }
}
