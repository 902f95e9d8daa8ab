//! `cargo xtask labels`: the real window read and used as a screen reader does it (Linux: AT-SPI), on a screen
//! and a D-Bus session of its own.
//!
//! From the empty window to a kit whose values are moved: every control is found by its name, pressed, given
//! the keyboard or a number through the bus alone; the mouse is never touched.

use crate::{
    Result,
    project::Project,
    screen::{Driver, Screen, TIMEOUT},
    system, window,
};
use std::{
    fs,
    io::{BufRead as _, BufReader},
    path::PathBuf,
    process::{Child, ChildStdout, Command, Stdio},
    thread::sleep,
    time::{Duration, Instant},
};

/// The reader.
const ATSPI: &str = include_str!("labels/atspi.py");
/// Names that must be there once a kit is open, in the places of the window.
const NAMES: [&str; 14] = [
    "Name of the kit",
    "Save the kit",
    "Export the kit",
    "Undo",
    "History of changes",
    "Whole Kit fit",
    "Output of the kit",
    "Zoom of the window",
    "Wave of take 1",
    "Detection Sensitivity",
    "Role of pad 1",
    "Next best hit",
    "Pad 1, kick",
    "Mute pad 16",
];

/// Reads and uses the window, of `program` when it was built before.
///
/// # Errors
/// A sentence about what is missing, or about the step that did not do what it should.
pub fn run(project: &Project, program: Option<PathBuf>) -> Result {
    if !cfg!(target_os = "linux") {
        return Err("labels needs Linux with Xvfb, xdotool and AT-SPI".into());
    }
    system::ensure(&[
        &system::XVFB,
        &system::XDOTOOL,
        &system::IMAGEMAGICK,
        &system::XLIB,
        &system::DBUS,
        &system::ATSPI,
    ])?;
    let program = program.map_or_else(|| window::build(project), Ok)?;
    let folder = project.target.join("labels");
    fs::create_dir_all(&folder).map_err(|e| format!("cannot make {}: {e}", folder.display()))?;
    let take = folder.join("borrowed-cello.wav");
    crate::project::run(Command::new(&program).arg("demo-take").arg(&take), "writing the recording")?;
    let mut screen = Screen::open()?;
    let bus = Bus::open(&screen)?;
    screen.session_bus = Some(bus.address.clone());
    let driver = Driver::open(&screen, &program, &folder)?;
    let reader = Reader::new(&screen, &folder)?;

    reader.ask(&["wait", "Open a recording", "20"])?;
    reader.ask(&["press", "Open a recording"])?;
    reader.ask(&["wait", "File name or path", "20"])?;
    reader.ask(&["focus", "File name or path"])?;
    // a screen without a window manager gives nobody the keyboard
    driver.xdotool(&["windowfocus", "--sync", &driver.window])?;
    driver.type_text(&take.display().to_string())?;
    driver.key("Return")?;
    reader.ask(&["wait", "Pad 1, kick", &TIMEOUT.as_secs().to_string()])?;
    driver.settle()?;
    let names = reader.ask(&["names"])?;
    for name in NAMES {
        if !names.lines().any(|line| line.ends_with(&format!(": {name}"))) {
            return Err(format!("no control is called \"{name}\"; there are:\n{names}"));
        }
    }
    // a section, a value, undo
    reader.ask(&["press", "Mix"])?;
    reader.ask(&["wait", "Pad 1 Level", "20"])?;
    let before = reader.number("Pad 1 Level")?;
    reader.ask(&["set", "Pad 1 Level", "-7.5"])?;
    reader.until("Pad 1 Level", -7.5)?;
    reader.ask(&["press", "Undo"])?;
    reader.until("Pad 1 Level", before)?;
    // a job on another thread
    reader.ask(&["set", "Pad 1 Fit", "0.25"])?;
    driver.settle()?;
    reader.until("Pad 1 Fit", 0.25)?;
    let status = driver.end()?;
    if !status.success() {
        return Err(format!("asked to end by the system, the window ended badly: {status}"));
    }
    let count = names.lines().count();
    println!("{count} controls were read by name; pressed, typed into, set and taken back through the bus");
    Ok(())
}

/// Runs the script.
struct Reader<'a> {
    screen: &'a Screen,
    script: PathBuf,
}

impl<'a> Reader<'a> {
    fn new(screen: &'a Screen, folder: &std::path::Path) -> Result<Self> {
        let script = folder.join("atspi.py");
        fs::write(&script, ATSPI).map_err(|e| format!("cannot write {}: {e}", script.display()))?;
        Ok(Self { screen, script })
    }

    fn ask(&self, words: &[&str]) -> Result<String> {
        let mut python = self.screen.command("/usr/bin/python3");
        let output = python.arg(&self.script).args(words).output();
        let output = output.map_err(|e| format!("the reader could not be started: {e}"))?;
        if output.status.success() {
            return Ok(String::from_utf8_lossy(&output.stdout).into_owned());
        }
        Err(format!("{}: {}", words.join(" "), String::from_utf8_lossy(&output.stderr)))
    }

    fn number(&self, name: &str) -> Result<f64> {
        let told = self.ask(&["value", name])?;
        told.trim().parse().map_err(|_| format!("{name} has the value {told}, which is no number"))
    }

    /// Waits until a control has this value, to single precision.
    fn until(&self, name: &str, wanted: f64) -> Result {
        let start = Instant::now();
        loop {
            let now = self.number(name)?;
            if (now - wanted).abs() < 1e-3 {
                return Ok(());
            }
            if start.elapsed() > TIMEOUT {
                return Err(format!("{name} is {now} instead of {wanted}"));
            }
            sleep(Duration::from_millis(300));
        }
    }
}

/// A D-Bus session of its own, ended when dropped. Its services start with it: AT-SPI among them.
struct Bus {
    daemon: Child,
    /// Kept open: the services write to it as well.
    out: BufReader<ChildStdout>,
    address: String,
}

impl Bus {
    fn open(screen: &Screen) -> Result<Self> {
        let mut daemon = screen
            .command("dbus-daemon")
            .args(["--session", "--nofork", "--nopidfile", "--print-address"])
            .env_remove("DBUS_SESSION_BUS_ADDRESS")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| format!("dbus-daemon could not be started: {e}"))?;
        let out = daemon.stdout.take().ok_or("dbus-daemon has no output")?;
        let mut bus = Self { daemon, out: BufReader::new(out), address: String::new() };
        bus.out.read_line(&mut bus.address).map_err(|e| format!("dbus-daemon printed nothing: {e}"))?;
        bus.address = bus.address.trim().to_owned();
        if bus.address.is_empty() { Err("dbus-daemon printed no address".into()) } else { Ok(bus) }
    }
}

impl Drop for Bus {
    fn drop(&mut self) {
        // it may have ended by itself
        let _ = self.daemon.kill();
        let _ = self.daemon.wait();
    }
}
