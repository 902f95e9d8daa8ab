//! `cargo xtask shots`: the real window on a screen of its own (Xvfb, Mesa's software OpenGL), driven by
//! mouse and keyboard (xdotool) through the whole job, with pictures into `target/shots`.
//!
//! Places are counted in a window of 1280 x 800, as it is laid out there; `assets` gets the picture that the
//! README shows. What went wrong shows in what is checked: files that must be there, pictures that must change.

use crate::{Result, project::Project, system, window};
use std::{
    fs,
    io::Read as _,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    thread::sleep,
    time::{Duration, Instant},
};

/// Longest wait for work of the window; generous, for busy machines.
const PATIENCE: Duration = Duration::from_secs(600);
/// Colour of the ground of the line of running work (`WOOD_HIGH` of the window's palette).
const WORK_LINE: [u8; 3] = [0x36, 0x2c, 0x26];
/// Drops files onto a window and asks it to close.
const X11: &str = include_str!("shots/x11.py");

/// Takes every picture, of `program` when it was built before.
///
/// # Errors
/// A sentence about what is missing, or about the step that did not do what it should.
pub fn run(project: &Project, program: Option<PathBuf>) -> Result {
    if !cfg!(target_os = "linux") {
        return Err("shots needs Linux with Xvfb and xdotool".into());
    }
    system::ensure(&[&system::XVFB, &system::XDOTOOL, &system::IMAGEMAGICK, &system::XLIB])?;
    let program = program.map_or_else(|| window::build(project), Ok)?;
    let folder = project.target.join("shots");
    // pictures of an earlier run would pass for those of this one
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).map_err(|e| format!("cannot make {}: {e}", folder.display()))?;
    let take = folder.join("borrowed-cello.wav");
    crate::project::run(
        Command::new(&program).arg("demo-take").arg(&take),
        "writing the invented recording",
    )?;

    let screen = Screen::open()?;
    let desk = Desk::open(&screen, &program, &folder)?;
    main_job(&desk, &take)?;
    sizes(&desk)?;
    desk.close()?;
    publish(&folder.join("06-tone.png"), &project.root.join("assets/window.png"))?;
    println!("pictures lie in {}; that of the README in assets", folder.display());
    Ok(())
}

/// From an empty window to a saved kit.
fn main_job(desk: &Desk<'_>, take: &Path) -> Result {
    desk.shot("01-first-start")?;
    desk.click(640, 404)?;
    desk.pause();
    desk.type_text(&take.display().to_string())?;
    desk.shot("02-file-browser")?;
    let before = desk.picture()?;
    desk.key("Return")?;
    desk.settle()?;
    desk.changed(&before, "opening a recording")?;
    desk.shot("03-kit")?;
    // a fit by hand: a click on the value, a number, Enter
    let before = desk.picture()?;
    desk.click(1028, 286)?;
    desk.key("ctrl+a")?;
    desk.type_text("85")?;
    desk.key("Return")?;
    desk.settle()?;
    desk.changed(&before, "typing the fit of a pad")?;
    desk.click(220, 296)?;
    desk.settle()?;
    desk.shot("04-layers")?;
    // the fourth key plays the clap, which has a cloud
    desk.click(364, 296)?;
    desk.settle()?;
    desk.click(280, 690)?;
    desk.settle()?;
    desk.strike("d")?;
    desk.shot("05-cloud")?;
    desk.click(506, 296)?;
    desk.click(200, 690)?;
    desk.settle()?;
    desk.strike("x")?;
    desk.shot("06-tone")?;
    desk.settle()?;
    desk.click(648, 296)?;
    desk.settle()?;
    desk.shot("07-place")?;
    save(desk)?;
    drop_onto_pad(desk, take)
}

fn save(desk: &Desk<'_>) -> Result {
    let kit = desk.folder.join("borrowed-cello.kitwright");
    desk.click(261, 22)?;
    desk.pause();
    desk.key("ctrl+a")?;
    desk.type_text(&kit.display().to_string())?;
    desk.key("Return")?;
    desk.settle()?;
    if fs::metadata(&kit).is_ok_and(|m| m.len() > 100_000) {
        return Ok(());
    }
    desk.shot("not-saved")?;
    Err(format!("the window did not save {}; see not-saved.png", kit.display()))
}

/// A file dropped onto the third pad.
fn drop_onto_pad(desk: &Desk<'_>, take: &Path) -> Result {
    let before = desk.picture()?;
    desk.x11(&["drop", &desk.window, "200", "690", &take.display().to_string()])?;
    desk.settle()?;
    desk.changed(&before, "dropping a file onto a pad")?;
    desk.shot("08-dropped")
}

/// The same window small, and on a large screen at 200 %.
fn sizes(desk: &Desk<'_>) -> Result {
    desk.resize(900, 600)?;
    desk.shot("09-900x600")?;
    desk.resize(1280, 800)?;
    desk.click(1184, 22)?;
    desk.settle()?;
    desk.shot("10-zoom-list")?;
    // 200 % is the sixth of the list, 30 points a row
    desk.click(1184, 54 + 5 * 30)?;
    desk.settle()?;
    desk.resize(3840, 2160)?;
    desk.shot("11-3840x2160-at-200")
}

/// A picture for the README: fewer colours, a fraction of the size.
fn publish(shot: &Path, asset: &Path) -> Result {
    let mut shrink = Command::new("convert");
    shrink.arg(shot).args(["+dither", "-colors", "64", "-strip", "-define", "png:compression-level=9"]);
    crate::project::run(shrink.arg(asset), "shrinking a picture")
}

/// A screen of its own, gone with this value.
struct Screen {
    server: Child,
    display: String,
}

impl Screen {
    fn open() -> Result<Self> {
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
        let screen = Self { server, display: format!(":{}", number.trim()) };
        if number.trim().is_empty() { Err("Xvfb found no free screen".into()) } else { Ok(screen) }
    }

    fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.env("DISPLAY", &self.display).env_remove("WAYLAND_DISPLAY").env("LIBGL_ALWAYS_SOFTWARE", "1");
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

/// The window on its screen.
struct Desk<'a> {
    screen: &'a Screen,
    program: std::cell::RefCell<Child>,
    window: String,
    /// Of the window, pixels.
    width: std::cell::Cell<usize>,
    folder: PathBuf,
}

impl<'a> Desk<'a> {
    fn open(screen: &'a Screen, program: &Path, folder: &Path) -> Result<Self> {
        let child = screen
            .command(program)
            .args(["window", "--", "--backend", "dummy"])
            .spawn()
            .map_err(|e| format!("the window could not be started: {e}"))?;
        let mut desk = Self {
            screen,
            program: child.into(),
            window: String::new(),
            width: 0.into(),
            folder: folder.into(),
        };
        let start = Instant::now();
        while desk.window.is_empty() {
            if start.elapsed() > PATIENCE {
                return Err("the window did not open".into());
            }
            sleep(Duration::from_millis(200));
            let found = desk.xdotool(&["search", "--name", "^Kitwright$"]).unwrap_or_default();
            desk.window = found.lines().next().unwrap_or_default().to_owned();
        }
        desk.resize(1280, 800)?;
        Ok(desk)
    }

    fn xdotool(&self, words: &[&str]) -> Result<String> {
        let output = self.screen.command("xdotool").args(words).output();
        let output = output.map_err(|e| format!("xdotool could not be started: {e}"))?;
        if !output.status.success() {
            return Err(format!("xdotool {} failed", words.join(" ")));
        }
        Ok(String::from_utf8_lossy(&output.stdout).into_owned())
    }

    /// Runs the script for what xdotool cannot do.
    fn x11(&self, words: &[&str]) -> Result {
        let script = self.folder.join("x11.py");
        fs::write(&script, X11).map_err(|e| format!("cannot write {}: {e}", script.display()))?;
        let mut python = self.screen.command("/usr/bin/python3");
        crate::project::run(python.arg(&script).args(words), "the script for X11")
    }

    fn resize(&self, width: u32, height: u32) -> Result {
        self.width.set(width as usize);
        self.xdotool(&["windowsize", "--sync", &self.window, &width.to_string(), &height.to_string()])?;
        self.settle()
    }

    fn click(&self, x: u32, y: u32) -> Result {
        let (x, y) = (x.to_string(), y.to_string());
        self.xdotool(&["mousemove", "--window", &self.window, &x, &y])?;
        sleep(Duration::from_millis(150));
        self.xdotool(&["mousedown", "1"])?;
        sleep(Duration::from_millis(80));
        self.xdotool(&["mouseup", "1"])?;
        sleep(Duration::from_millis(300));
        Ok(())
    }

    fn key(&self, key: &str) -> Result {
        self.xdotool(&["key", key])?;
        sleep(Duration::from_millis(200));
        Ok(())
    }

    fn type_text(&self, text: &str) -> Result {
        self.xdotool(&["type", "--delay", "30", text])?;
        sleep(Duration::from_millis(300));
        Ok(())
    }

    /// Strikes a pad by its key, a moment before a picture.
    fn strike(&self, key: &str) -> Result {
        // out of the way of tooltips
        self.xdotool(&["mousemove", "--window", &self.window, "1000", "270"])?;
        sleep(Duration::from_millis(600));
        self.xdotool(&["key", key])?;
        sleep(Duration::from_millis(120));
        Ok(())
    }

    fn picture(&self) -> Result<Vec<u8>> {
        let output =
            self.screen.command("import").args(["-window", &self.window, "-depth", "8", "rgb:-"]).output();
        let output = output.map_err(|e| format!("import (ImageMagick) could not be started: {e}"))?;
        if output.stdout.is_empty() {
            return Err("the window is gone: there is nothing to take a picture of".into());
        }
        Ok(output.stdout)
    }

    fn shot(&self, name: &str) -> Result {
        let file = self.folder.join(format!("{name}.png"));
        let mut import = self.screen.command("import");
        import.args(["-window", &self.window]).arg(&file);
        crate::project::run(&mut import, "taking a picture")
    }

    /// A moment, where a text cursor blinks and the picture never rests.
    fn pause(&self) {
        sleep(Duration::from_millis(1200));
    }

    /// Whether the line of running work is there: its ground lies at the top of an empty window and below the
    /// top line of any other.
    fn works(&self, picture: &[u8]) -> bool {
        let at = |y: usize| (y * self.width.get() + 1) * 3;
        [10, 54].into_iter().any(|y| picture.get(at(y)..at(y) + 3) == Some(&WORK_LINE))
    }

    /// Waits until no work runs and the picture stays the same for a while.
    fn settle(&self) -> Result {
        let start = Instant::now();
        let (mut last, mut same) = (self.picture()?, 0);
        while same < 3 {
            if start.elapsed() > PATIENCE {
                self.shot("never-settled")?;
                return Err("the window never came to rest; see never-settled.png".into());
            }
            sleep(Duration::from_millis(400));
            let now = self.picture()?;
            same = if now == last && !self.works(&now) { same + 1 } else { 0 };
            last = now;
        }
        Ok(())
    }

    fn changed(&self, before: &[u8], what: &str) -> Result {
        if self.picture()? != before {
            return Ok(());
        }
        self.shot("unchanged")?;
        Err(format!("{what} changed nothing in the window; see unchanged.png"))
    }

    /// Closes the window as its frame does; the program must end by itself.
    fn close(&self) -> Result {
        self.x11(&["close", &self.window])?;
        let start = Instant::now();
        loop {
            let ended = self.program.borrow_mut().try_wait().map_err(|e| format!("cannot wait: {e}"))?;
            match ended {
                Some(status) if status.success() => return Ok(()),
                Some(status) => return Err(format!("the window ended badly: {status}")),
                None if start.elapsed() > Duration::from_secs(20) => {
                    return Err("the program did not end when its window was closed".into());
                }
                None => sleep(Duration::from_millis(100)),
            }
        }
    }
}

impl Drop for Desk<'_> {
    fn drop(&mut self) {
        // after a step that failed it is still there
        let _ = self.program.borrow_mut().kill();
        let _ = self.program.borrow_mut().wait();
    }
}
