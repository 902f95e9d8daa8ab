//! A screen of its own (Xvfb, Mesa's software OpenGL) with the real window on it, driven by mouse and keyboard
//! (xdotool): used by the tasks `shots`, `labels` and `host`.

use crate::Result;
use std::{
    fs,
    io::Read as _,
    path::{Path, PathBuf},
    process::{Child, Command, ExitStatus, Stdio},
    thread::sleep,
    time::{Duration, Instant},
};

/// Longest wait for the window's work, chosen for busy machines.
pub const TIMEOUT: Duration = Duration::from_secs(600);
/// Colours of the bar of a running job in the status line, empty and filled (`INSET` and `SOUND` of the window's palette).
const WORK_BAR: [[u8; 3]; 2] = [[0x0e, 0x0b, 0x0a], [0x74, 0xc2, 0xad]];
/// A place of that bar, from the left and from below, pixels at a zoom of 100 %.
const WORK_BAR_AT: [usize; 2] = [216, 14];
/// Drops files onto a window and asks it to close.
const X11: &str = include_str!("screen/x11.py");

/// A screen of its own, closed when dropped.
pub struct Screen {
    server: Child,
    display: String,
    /// Address of the D-Bus session that programs on it belong to; none by default.
    pub session_bus: Option<String>,
}

impl Screen {
    pub fn open() -> Result<Self> {
        let mut server = Command::new("Xvfb")
            .args([
                "-displayfd",
                "1",
                "-screen",
                "0",
                "3840x2160x24",
                "+extension",
                "GLX",
                "-nolisten",
                "tcp",
            ])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| format!("Xvfb could not be started: {e}"))?;
        let mut number = String::new();
        if let Some(out) = &mut server.stdout {
            let mut byte = [0];
            // it writes the number and a line's end, and keeps the pipe open
            while out.read(&mut byte).is_ok_and(|n| n == 1) && byte[0] != b'\n' {
                number.push(char::from(byte[0]));
            }
        }
        let screen = Self { server, display: format!(":{}", number.trim()), session_bus: None };
        if number.trim().is_empty() { Err("Xvfb found no free screen".into()) } else { Ok(screen) }
    }

    /// A program on this screen.
    pub fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.env("DISPLAY", &self.display).env_remove("WAYLAND_DISPLAY").env("LIBGL_ALWAYS_SOFTWARE", "1");
        match &self.session_bus {
            Some(address) => command.env("DBUS_SESSION_BUS_ADDRESS", address),
            // the user's own would show the window to the user's tools
            None => command.env("DBUS_SESSION_BUS_ADDRESS", "disabled:"),
        };
        command
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // it may have ended by itself
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

/// Drives the window on its screen by mouse and keyboard.
pub struct Driver<'a> {
    screen: &'a Screen,
    program: std::cell::RefCell<Child>,
    /// Number of the window on the screen.
    pub window: String,
    /// Width of the window, pixels.
    width: std::cell::Cell<usize>,
    /// Where pictures go.
    pub folder: PathBuf,
}

impl<'a> Driver<'a> {
    /// Opens the window as a program of its own and makes it 1280 x 800.
    pub fn open(screen: &'a Screen, program: &Path, folder: &Path) -> Result<Self> {
        let mut command = screen.command(program);
        command.args(["window", "--", "--backend", "dummy"]);
        let driver = Self::of(screen, command, folder)?;
        driver.resize(1280, 800)?;
        Ok(driver)
    }

    /// The window of a program that opens one, once it is there and drawn.
    pub fn of(screen: &'a Screen, mut command: Command, folder: &Path) -> Result<Self> {
        let child = command.spawn().map_err(|e| format!("the program could not be started: {e}"))?;
        let mut driver = Self {
            screen,
            program: child.into(),
            window: String::new(),
            width: 0.into(),
            folder: folder.into(),
        };
        let start = Instant::now();
        loop {
            if start.elapsed() > TIMEOUT {
                return Err("the window did not open".into());
            }
            sleep(Duration::from_millis(500));
            let found = driver.xdotool(&["search", "--name", "^Kitwright$"]).unwrap_or_default();
            driver.window = found.lines().next().unwrap_or_default().to_owned();
            // one colour alone: nothing has been drawn yet
            if !driver.window.is_empty()
                && driver.picture().is_ok_and(|p| p.chunks(3).any(|pixel| pixel != &p[..3]))
            {
                break;
            }
        }
        driver.width.set(driver.size()?.0);
        Ok(driver)
    }

    /// Width and height, pixels.
    pub fn size(&self) -> Result<(usize, usize)> {
        let told = self.xdotool(&["getwindowgeometry", "--shell", &self.window])?;
        let number = |name: &str| {
            let line = told.lines().find_map(|l| l.strip_prefix(name)?.strip_prefix('='));
            line.and_then(|n| n.parse().ok()).ok_or_else(|| format!("the window reports no {name}"))
        };
        Ok((number("WIDTH")?, number("HEIGHT")?))
    }

    /// Puts the mouse somewhere without a click.
    pub fn point(&self, x: u32, y: u32) -> Result {
        self.xdotool(&["mousemove", "--window", &self.window, &x.to_string(), &y.to_string()])?;
        Ok(())
    }

    /// Lets xdotool do something; what it prints.
    pub fn xdotool(&self, words: &[&str]) -> Result<String> {
        let output = self.screen.command("xdotool").args(words).output();
        let output = output.map_err(|e| format!("xdotool could not be started: {e}"))?;
        if !output.status.success() {
            return Err(format!("xdotool {} failed", words.join(" ")));
        }
        Ok(String::from_utf8_lossy(&output.stdout).into_owned())
    }

    /// Runs the script for what xdotool cannot do.
    pub fn x11(&self, words: &[&str]) -> Result {
        let script = self.folder.join("x11.py");
        fs::write(&script, X11).map_err(|e| format!("cannot write {}: {e}", script.display()))?;
        let mut python = self.screen.command("/usr/bin/python3");
        crate::project::run(python.arg(&script).args(words), "the script for X11")
    }

    /// Resizes the window, pixels.
    pub fn resize(&self, width: u32, height: u32) -> Result {
        self.width.set(width as usize);
        self.xdotool(&["windowsize", "--sync", &self.window, &width.to_string(), &height.to_string()])?;
        self.settle()
    }

    /// A click of the left button.
    pub fn click(&self, x: u32, y: u32) -> Result {
        let (x, y) = (x.to_string(), y.to_string());
        self.xdotool(&["mousemove", "--window", &self.window, &x, &y])?;
        sleep(Duration::from_millis(150));
        self.xdotool(&["mousedown", "1"])?;
        sleep(Duration::from_millis(80));
        self.xdotool(&["mouseup", "1"])?;
        sleep(Duration::from_millis(300));
        Ok(())
    }

    /// Presses a key.
    pub fn key(&self, key: &str) -> Result {
        self.xdotool(&["key", key])?;
        sleep(Duration::from_millis(200));
        Ok(())
    }

    /// Types a text.
    pub fn type_text(&self, text: &str) -> Result {
        self.xdotool(&["type", "--delay", "30", text])?;
        sleep(Duration::from_millis(300));
        Ok(())
    }

    /// Strikes a pad by its key, a moment before a picture.
    pub fn strike(&self, key: &str) -> Result {
        // out of the way of tooltips
        self.xdotool(&["mousemove", "--window", &self.window, "1100", "240"])?;
        sleep(Duration::from_millis(600));
        self.xdotool(&["key", key])?;
        sleep(Duration::from_millis(120));
        Ok(())
    }

    /// The window's pixels: rows of red, green and blue.
    pub fn picture(&self) -> Result<Vec<u8>> {
        let output =
            self.screen.command("import").args(["-window", &self.window, "-depth", "8", "rgb:-"]).output();
        let output = output.map_err(|e| format!("import (ImageMagick) could not be started: {e}"))?;
        if output.stdout.is_empty() {
            return Err("the window is gone: there is nothing to take a picture of".into());
        }
        Ok(output.stdout)
    }

    /// Saves a picture.
    pub fn shot(&self, name: &str) -> Result {
        let file = self.folder.join(format!("{name}.png"));
        let mut import = self.screen.command("import");
        import.args(["-window", &self.window]).arg(&file);
        crate::project::run(&mut import, "taking a picture")
    }

    /// Waits a fixed time, where a blinking text cursor keeps the picture from settling.
    pub fn pause(&self) {
        sleep(Duration::from_millis(1200));
    }

    /// Whether the status line shows a running job.
    fn works(&self, picture: &[u8]) -> bool {
        let width = self.width.get().max(1);
        let [x, above] = WORK_BAR_AT;
        let row = (picture.len() / 3 / width).saturating_sub(above);
        let at = (row * width + x) * 3;
        picture.get(at..at + 3).is_some_and(|pixel| WORK_BAR.iter().any(|colour| colour == pixel))
    }

    /// Waits until no work runs and the picture stays the same for a while.
    pub fn settle(&self) -> Result {
        let start = Instant::now();
        let (mut last, mut same) = (self.picture()?, 0);
        while same < 3 {
            if start.elapsed() > TIMEOUT {
                self.shot("never-settled")?;
                return Err("the picture never settled; see never-settled.png".into());
            }
            sleep(Duration::from_millis(400));
            let now = self.picture()?;
            same = if now == last && !self.works(&now) { same + 1 } else { 0 };
            last = now;
        }
        Ok(())
    }

    /// Fails when the picture is still the one from `before`.
    pub fn changed(&self, before: &[u8], what: &str) -> Result {
        if self.picture()? != before {
            return Ok(());
        }
        self.shot("unchanged")?;
        Err(format!("{what} changed nothing in the window; see unchanged.png"))
    }

    /// Closes the window as its close button does; the program must end by itself.
    pub fn close(&self) -> Result {
        self.x11(&["close", &self.window])?;
        let status = self.ended("its window was closed")?;
        if status.success() { Ok(()) } else { Err(format!("the window ended badly: {status}")) }
    }

    /// Asks the program to end (SIGTERM), as a system that shuts down does; how it ended.
    pub fn end(&self) -> Result<ExitStatus> {
        let number = self.program.borrow().id().to_string();
        crate::project::run(Command::new("kill").arg(number), "asking the program to end")?;
        self.ended("it was asked to")
    }

    fn ended(&self, why: &str) -> Result<ExitStatus> {
        let start = Instant::now();
        loop {
            let ended = self.program.borrow_mut().try_wait().map_err(|e| format!("cannot wait: {e}"))?;
            match ended {
                Some(status) => return Ok(status),
                None if start.elapsed() > Duration::from_secs(20) => {
                    return Err(format!("the program did not end when {why}"));
                }
                None => sleep(Duration::from_millis(100)),
            }
        }
    }
}

impl Drop for Driver<'_> {
    fn drop(&mut self) {
        // after a step that failed it is still there
        let _ = self.program.borrow_mut().kill();
        let _ = self.program.borrow_mut().wait();
    }
}
