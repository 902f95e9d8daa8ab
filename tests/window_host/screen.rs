//! A screen of our own (Xvfb, Mesa's software OpenGL) with a host's windows on it.

use std::{
    collections::HashSet,
    io::Read as _,
    process::{Child, Command, Stdio},
    sync::{
        Arc, Mutex, MutexGuard, OnceLock, PoisonError,
        atomic::{AtomicBool, AtomicUsize, Ordering::SeqCst},
    },
    thread::JoinHandle,
    time::{Duration, Instant},
};
use x11rb::{
    NONE,
    connection::Connection,
    protocol::Event,
    protocol::damage::{ConnectionExt as _, ReportLevel},
    protocol::xproto::{
        BUTTON_PRESS_EVENT, BUTTON_RELEASE_EVENT, ButtonPressEvent, ConfigureWindowAux, ConnectionExt as _,
        CreateWindowAux, EventMask, ImageFormat, KeyButMask, MOTION_NOTIFY_EVENT, StackMode, Window,
        WindowClass,
    },
    rust_connection::RustConnection,
    wrapper::ConnectionExt as _,
};

/// What a host's window shows where nothing is painted; a colour that the plugin never uses.
pub const UNPAINTED: u32 = 0x00ff_00ff;

/// The screen, for one test at a time.
pub struct Screen {
    pub connection: &'static RustConnection,
    pub root: Window,
    /// The server's process.
    pub server: u32,
    _turn: MutexGuard<'static, ()>,
}

/// The server. It ends by itself when its last client does: this process.
struct Server {
    connection: RustConnection,
    process: Child,
}

impl Screen {
    /// Waits for the tests before this one; `None` where there is no Xvfb, which is said.
    pub fn open() -> Option<Self> {
        static SERVER: OnceLock<Option<Server>> = OnceLock::new();
        static TURN: Mutex<()> = Mutex::new(());
        let turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(server) = SERVER.get_or_init(serve) else {
            println!("skipped: the window in a host: there is no Xvfb");
            return None;
        };
        let root = server.connection.setup().roots[0].root;
        Some(Self { connection: &server.connection, root, server: server.process.id(), _turn: turn })
    }

    /// A window of the host's, not shown yet.
    pub fn window(&self, width: u32, height: u32) -> Window {
        let id = self.connection.generate_id().unwrap();
        let aux = CreateWindowAux::new().background_pixel(UNPAINTED);
        let (width, height) = (width as u16, height as u16);
        self.connection
            .create_window(0, id, self.root, 0, 0, width, height, 0, WindowClass::INPUT_OUTPUT, 0, &aux)
            .unwrap();
        self.sync();
        id
    }

    /// Shows a window.
    pub fn map(&self, window: Window) {
        self.connection.map_window(window).unwrap();
        self.sync();
    }

    /// Takes a window off the screen.
    pub fn unmap(&self, window: Window) {
        self.connection.unmap_window(window).unwrap();
        self.sync();
    }

    /// Gives a window another size.
    pub fn resize(&self, window: Window, width: u32, height: u32) {
        let aux = ConfigureWindowAux::new().width(width).height(height);
        self.connection.configure_window(window, &aux).unwrap();
        self.sync();
    }

    /// Puts a window over all others.
    pub fn raise(&self, window: Window) {
        let aux = ConfigureWindowAux::new().stack_mode(StackMode::ABOVE);
        self.connection.configure_window(window, &aux).unwrap();
        self.sync();
    }

    /// Ends a window.
    pub fn destroy(&self, window: Window) {
        self.connection.destroy_window(window).unwrap();
        self.sync();
    }

    /// The windows within a window.
    pub fn children(&self, window: Window) -> Vec<Window> {
        self.connection.query_tree(window).unwrap().reply().unwrap().children
    }

    /// Width and height.
    pub fn size(&self, window: Window) -> (u32, u32) {
        let geometry = self.connection.get_geometry(window).unwrap().reply().unwrap();
        (geometry.width.into(), geometry.height.into())
    }

    /// What a window shows, and those within it; the window and all around it must be on the screen.
    pub fn picture(&self, window: Window) -> Picture {
        let (width, height) = self.size(window);
        let (w, h) = (width as u16, height as u16);
        let image = self.connection.get_image(ImageFormat::Z_PIXMAP, window, 0, 0, w, h, !0).unwrap();
        let pixel = |p: &[u8]| u32::from_le_bytes([p[0], p[1], p[2], 0]);
        let pixels = image.reply().expect("a picture").data.chunks_exact(4).map(pixel).collect();
        Picture { width, height, pixels }
    }

    /// Turns the wheel over a place of a window by one step, towards the screen or away from it.
    pub fn turn_wheel(&self, window: Window, at: (i16, i16), away: bool) {
        self.press(window, at, if away { 4 } else { 5 });
    }

    /// Clicks at a place of a window with the right button.
    pub fn right_click(&self, window: Window, at: (i16, i16)) {
        self.press(window, at, 3);
    }

    /// Moves to a place of a window, presses a button and lets it go.
    fn press(&self, window: Window, (x, y): (i16, i16), button: u8) {
        let event = |response_type, detail| ButtonPressEvent {
            response_type,
            detail,
            sequence: 0,
            time: 0,
            root: self.root,
            event: window,
            child: NONE,
            root_x: x,
            root_y: y,
            event_x: x,
            event_y: y,
            state: KeyButMask::default(),
            same_screen: true,
        };
        // a motion's event has the form of a button's
        for (kind, detail, mask) in [
            (MOTION_NOTIFY_EVENT, 0, EventMask::POINTER_MOTION),
            (BUTTON_PRESS_EVENT, button, EventMask::BUTTON_PRESS),
            (BUTTON_RELEASE_EVENT, button, EventMask::BUTTON_RELEASE),
        ] {
            self.connection.send_event(false, window, mask, event(kind, detail)).unwrap();
        }
        self.sync();
    }

    /// Counts from now on what is drawn into a window.
    pub fn watch(&self, window: Window) -> Watch {
        let id = self.connection.generate_id().unwrap();
        self.connection.damage_create(id, window, ReportLevel::NON_EMPTY).unwrap();
        self.connection.damage_subtract(id, NONE, NONE).unwrap();
        self.sync();
        // no event may be discarded: the next one comes only after this one was answered
        let seen = Arc::new(AtomicUsize::new(0));
        let (count, done) = (seen.clone(), Arc::new(AtomicBool::new(false)));
        let (connection, ended) = (self.connection, done.clone());
        let counting = std::thread::spawn(move || {
            while !ended.load(SeqCst) {
                while let Some(event) = connection.poll_for_event().unwrap() {
                    if matches!(event, Event::DamageNotify(e) if e.damage == id) {
                        count.fetch_add(1, SeqCst);
                        connection.damage_subtract(id, NONE, NONE).unwrap();
                        connection.flush().unwrap();
                    }
                }
                std::thread::sleep(Duration::from_millis(2));
            }
            connection.damage_destroy(id).unwrap();
        });
        Watch { seen, done, counting: Some(counting) }
    }

    fn sync(&self) {
        self.connection.sync().unwrap();
    }
}

/// A count of what is drawn; what comes within 2 ms counts once.
pub struct Watch {
    seen: Arc<AtomicUsize>,
    done: Arc<AtomicBool>,
    counting: Option<JoinHandle<()>>,
}

impl Watch {
    /// How often something was drawn since it began.
    pub fn frames(&self) -> usize {
        self.seen.load(SeqCst)
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.done.store(true, SeqCst);
        if let Some(counting) = self.counting.take() {
            // its panic was printed already
            let _ = counting.join();
        }
    }
}

fn serve() -> Option<Server> {
    let words = ["-displayfd", "1", "-screen", "0", "3840x2160x24", "+extension", "GLX", "-nolisten", "tcp"];
    let mut process = Command::new("Xvfb")
        .args(words)
        .arg("-terminate")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let mut number = String::new();
    let mut byte = [0];
    let out = process.stdout.as_mut()?;
    // it writes the number and a line's end, and keeps the pipe open
    while out.read(&mut byte).is_ok_and(|n| n == 1) && byte[0] != b'\n' {
        number.push(char::from(byte[0]));
    }
    let display = format!(":{}", number.trim());
    let (connection, _) = x11rb::connect(Some(&display)).ok()?;
    connection.damage_query_version(1, 1).ok()?.reply().ok()?;
    for (name, value) in [
        ("DISPLAY", display.as_str()),
        ("LIBGL_ALWAYS_SOFTWARE", "1"),
        // the user's own would show the window to the user's tools
        ("DBUS_SESSION_BUS_ADDRESS", "disabled:"),
    ] {
        // SAFETY: every test of this program begins by waiting for this; nothing else reads them before.
        unsafe { std::env::set_var(name, value) };
    }
    Some(Server { connection, process })
}

/// What was on the screen.
#[derive(PartialEq, Clone)]
pub struct Picture {
    pub width: u32,
    pub height: u32,
    pixels: Vec<u32>,
}

impl Picture {
    /// Share of the pixels with a colour.
    pub fn share(&self, colour: u32) -> f64 {
        self.pixels.iter().filter(|p| **p == colour).count() as f64 / self.pixels.len() as f64
    }

    /// Different colours.
    pub fn colours(&self) -> usize {
        self.pixels.iter().collect::<HashSet<_>>().len()
    }

    /// Whether all of it is painted, and with more than a ground: the letters alone have dozens of shades.
    pub fn is_painted(&self) -> bool {
        let mut seen = HashSet::new();
        // most pixels follow one of their own colour
        let mut changes = self.pixels.chunk_by(|a, b| a == b).map(|run| run[0]);
        !self.pixels.contains(&UNPAINTED) && changes.any(|colour| seen.insert(colour) && seen.len() > 50)
    }

    /// Whether it is the same for the eye: letters lie elsewhere in the font's texture each time, which rounds
    /// them otherwise by a few steps of 256.
    pub fn looks_like(&self, other: &Self) -> bool {
        let near = |(a, b): (&u32, &u32)| {
            a.to_le_bytes().iter().zip(b.to_le_bytes()).all(|(a, b)| a.abs_diff(b) <= 8)
        };
        (self.width, self.height) == (other.width, other.height)
            && self.pixels.iter().zip(&other.pixels).all(near)
    }

    /// Size and colours, for a message.
    pub fn summary(&self) -> String {
        let (w, h) = (self.width, self.height);
        format!("{w} x {h}, {} colours, {:.1} % unpainted", self.colours(), 100.0 * self.share(UNPAINTED))
    }
}

/// A guard against hanging, not a measure: longest wait for anything, on a busy machine.
pub const DEADLINE: Duration = Duration::from_secs(300);

/// Waits until `is` holds, while `turn` lets the host do its work; `what` for the message when it never does.
pub fn wait_until<T>(host: &mut T, what: &str, turn: impl Fn(&mut T), mut is: impl FnMut(&mut T) -> bool) {
    let start = Instant::now();
    while !is(host) {
        assert!(start.elapsed() < DEADLINE, "{what}: not within {DEADLINE:?}");
        turn(host);
    }
}
