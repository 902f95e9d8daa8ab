//! `cargo xtask host`: the plugin inside a real host (Ardour 7 with VST3, Linux), on a screen, a JACK server and
//! a home folder of its own.
//!
//! The window is opened, a kit made of a recording, a pad muted and the zoom changed by mouse and keyboard; the
//! kit is played by MIDI and recorded; the session is saved and the host ended. Then the host is started again,
//! and the window and the sound must be the same. A script in the host's own language makes the session, so that
//! no dialog of the host has to be answered.

use crate::{
    Result,
    project::{self, Project},
    screen::{Driver, Screen, TIMEOUT},
    system,
};
use std::{
    fs,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    thread::sleep,
    time::{Duration, Instant},
};

/// Makes the session.
const SESSION: &str = include_str!("host/session.lua");
/// Tells the host to use the running JACK server without asking.
const CONFIG: &str = include_str!("host/config.xml");
/// Where the Debian package keeps its programs that are not in PATH.
const ARDOUR_FOLDER: &str = "/usr/lib/ardour7";
/// Name of the JACK server.
const SERVER: &str = "kitwright-host";
/// Longest wait for the ports of host and keys.
const CONNECTED_WITHIN: Duration = Duration::from_secs(60);
/// Seconds that are recorded.
const SECONDS: usize = 6;
/// Softest recording that counts as playing, dB below full scale (RMS).
const AUDIBLE_DB: f64 = -50.0;
/// Largest difference in level of the recordings, dB: strokes vary by the kit's own variation.
const MAX_LEVEL_DIFFERENCE_DB: f64 = 1.5;
/// Share of the window's pixels that may differ: a blinking cursor, a tooltip on its way out.
const MAX_CHANGED_PIXELS: f64 = 0.002;

/// Drives the host; with `bundle` (VST3) and `take` when they were made before.
///
/// # Errors
/// A sentence about what is missing, or about the step that did not do what it should.
pub fn run(project: &Project, made: Option<(PathBuf, PathBuf)>) -> Result {
    if !cfg!(target_os = "linux") {
        return Err("host needs Linux with Ardour 7, JACK and Xvfb".into());
    }
    system::ensure(&[
        &system::XVFB,
        &system::XDOTOOL,
        &system::IMAGEMAGICK,
        &system::OPENBOX,
        &system::ARDOUR,
        &system::JACKD,
    ])?;
    // Debian 12 has them in the server's own package
    system::ensure(&[&system::JACK_TOOLS])?;
    let folder = project.target.join("host");
    // a session of an earlier run would pass for that of this one
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).map_err(|e| format!("cannot make {}: {e}", folder.display()))?;
    let (bundle, take) = match made {
        Some(made) => made,
        None => build(project, &folder)?,
    };
    let setup = HostSetup::open(&folder, &bundle)?;

    let first = setup.start()?;
    let before = first.play("first")?;
    if before > AUDIBLE_DB {
        return Err("an empty plugin sounds".into());
    }
    make_kit(&first.driver, &take)?;
    let looks = first.rest("saved")?;
    let loud = first.play("saved")?;
    if loud < AUDIBLE_DB {
        return Err(format!("the kit does not sound when it is played: {loud:.1} dB"));
    }
    let size = first.driver.size()?;
    first.save()?;
    first.end()?;

    let again = setup.start()?;
    let looks_again = again.rest("reopened")?;
    let size_again = again.driver.size()?;
    let loud_again = again.play("reopened")?;
    again.end()?;
    if size != size_again {
        return Err(format!("the window was {size:?} and is {size_again:?}"));
    }
    let changed = difference(&looks, &looks_again);
    if changed > MAX_CHANGED_PIXELS {
        return Err(format!("{:.2} % of the window differ; see {}", changed * 100.0, folder.display()));
    }
    if (loud - loud_again).abs() > MAX_LEVEL_DIFFERENCE_DB {
        return Err(format!("it sounded at {loud:.1} dB and sounds at {loud_again:.1} dB"));
    }
    println!(
        "window {} x {} at 125 %, {:.3} % of its pixels differ after reopening; played by MIDI at {loud:.1} dB \
         before and {loud_again:.1} dB after",
        size.0,
        size.1,
        changed * 100.0
    );
    Ok(())
}

/// The release bundle and an invented recording.
fn build(project: &Project, folder: &Path) -> Result<(PathBuf, PathBuf)> {
    project.bundle(&["--release".to_owned()])?;
    let take = folder.join("borrowed-cello.wav");
    let mut program = project::cargo();
    program.args(["run", "--release", "--quiet", "--package", "kitwright", "--", "demo-take"]).arg(&take);
    project::run(&mut program, "writing the invented recording")?;
    Ok((project.bundled("vst3"), take))
}

/// A kit of the recording, its second pad muted, everything a quarter larger. Places are those of a window of
/// 1120 x 720, as it opens.
fn make_kit(driver: &Driver<'_>, take: &Path) -> Result {
    let empty = driver.picture()?;
    driver.click(346, 457)?;
    driver.pause();
    driver.type_text(&take.display().to_string())?;
    driver.key("Return")?;
    driver.settle()?;
    driver.changed(&empty, "opening a recording")?;
    let before = driver.picture()?;
    driver.click(232, 550)?;
    driver.settle()?;
    driver.changed(&before, "muting a pad")?;
    let before = driver.size()?;
    driver.click(1019, 23)?;
    driver.settle()?;
    // 125 % is the fourth of the list, 32 points a row
    driver.click(1019, 56 + 3 * 32)?;
    driver.settle()?;
    let after = driver.size()?;
    if after.0 <= before.0 {
        eprintln!("the host keeps its window at {} x {}", after.0, after.1);
    }
    Ok(())
}

/// Share of the pixels that differ clearly between two pictures of one size; 1 when they have no common size.
fn difference(a: &[u8], b: &[u8]) -> f64 {
    if a.len() != b.len() || a.is_empty() {
        return 1.0;
    }
    let differ = |(a, b): &(&[u8], &[u8])| a.iter().zip(*b).any(|(a, b)| a.abs_diff(*b) > 24);
    let count = a.chunks(3).zip(b.chunks(3)).filter(differ).count();
    count as f64 / (a.len() / 3) as f64
}

/// Screen, JACK server, home folder and session.
struct HostSetup {
    screen: Screen,
    home: PathBuf,
    session: PathBuf,
    helpers: Vec<Child>,
}

impl HostSetup {
    fn open(folder: &Path, bundle: &Path) -> Result<Self> {
        let home = folder.join("home");
        let config = home.join(".config/ardour7");
        let make = |path: &Path| fs::create_dir_all(path).map_err(|e| format!("{}: {e}", path.display()));
        let write = |path: PathBuf, text: &str| {
            fs::write(&path, text).map_err(|e| format!("cannot write {}: {e}", path.display()))
        };
        make(&config)?;
        make(&home.join(".vst3"))?;
        write(config.join("config"), CONFIG)?;
        // the host was here before: no questions for beginners
        write(config.join(".a7"), "")?;
        let copied = home.join(".vst3/Kitwright.vst3");
        project::run(Command::new("cp").arg("-r").arg(bundle).arg(&copied), "copying the plugin")?;
        let session = folder.join("session/kit.ardour");
        let mut setup = Self { screen: Screen::open()?, home, session, helpers: Vec::new() };
        let mut jack = setup.command("jackd");
        // without priority: nobody listens, and the machine may forbid it; a host that is late on a busy machine is not thrown
        // out (milliseconds)
        jack.args(["-r", "-n", SERVER, "-t", "20000", "-d", "dummy", "-r", "48000", "-p", "1024"]);
        setup.help(jack)?;
        let driver = setup.command("openbox");
        setup.help(driver)?;
        let mut scan = setup.command(format!("{ARDOUR_FOLDER}/ardour-vst3-scanner"));
        project::run(scan.arg("-f").arg(&copied), "the host's scan of the plugin")?;
        setup.make_session(folder)?;
        Ok(setup)
    }

    fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = self.screen.command(program);
        command
            .env("HOME", &self.home)
            .env_remove("XDG_CONFIG_HOME")
            .env_remove("XDG_CACHE_HOME")
            .env("JACK_DEFAULT_SERVER", SERVER)
            .env("JACK_NO_AUDIO_RESERVATION", "1")
            .env("LD_LIBRARY_PATH", ARDOUR_FOLDER)
            .env("ARDOUR_DATA_PATH", "/usr/share/ardour7")
            .env("ARDOUR_CONFIG_PATH", "/etc/ardour7")
            .env("ARDOUR_DLL_PATH", ARDOUR_FOLDER)
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        command
    }

    /// Starts a program that runs as long as the setup.
    fn help(&mut self, mut command: Command) -> Result {
        let name = command.get_program().display().to_string();
        self.helpers.push(command.spawn().map_err(|e| format!("{name} could not be started: {e}"))?);
        sleep(Duration::from_secs(1));
        Ok(())
    }

    /// A session with the plugin, whose window opens with it.
    fn make_session(&self, folder: &Path) -> Result {
        let script = folder.join("session.lua");
        fs::write(&script, SESSION).map_err(|e| format!("cannot write {}: {e}", script.display()))?;
        let mut lua = self.command("ardour7-lua");
        lua.arg(&script).arg(folder.join("session")).arg("kit").stdout(Stdio::piped());
        let output = lua.output().map_err(|e| format!("ardour7-lua could not be started: {e}"))?;
        let printed = String::from_utf8_lossy(&output.stdout).into_owned();
        let ids: Vec<&str> = printed
            .lines()
            .find_map(|line| line.strip_prefix("ids "))
            .map(|ids| ids.split(' ').collect())
            .ok_or_else(|| format!("the host made no session with the plugin: {printed}"))?;
        let [track, plugin] = ids[..] else { return Err(format!("no two numbers: {printed}")) };
        let window = format!(
            "<Extra><UI><Window name=\"P-{track}-{plugin}\" visible=\"1\" x-off=\"10\" y-off=\"10\" \
             x-size=\"-1\" y-size=\"-1\" custom-ui=\"1\"/></UI></Extra></Session>"
        );
        let text = fs::read_to_string(&self.session).map_err(|e| format!("no session file: {e}"))?;
        // the engine that made it is not the one that plays it: no question about that
        let kept: String = text
            .lines()
            .filter(|l| !l.contains("<EngineHints"))
            .fold(String::with_capacity(text.len()), |all, line| all + line + "\n");
        fs::write(&self.session, kept.replace("</Session>", &window))
            .map_err(|e| format!("cannot write the session: {e}"))
    }

    fn start(&self) -> Result<Host<'_>> {
        let mut ardour = self.command("ardour");
        ardour.args(["--no-announcements", "--no-splash"]).arg(&self.session);
        let folder = self.home.parent().unwrap_or(&self.home);
        let driver = Driver::of(&self.screen, ardour, folder)?;
        Ok(Host { setup: self, driver })
    }
}

impl Drop for HostSetup {
    fn drop(&mut self) {
        for helper in &mut self.helpers {
            // it may have ended by itself
            let _ = helper.kill();
            let _ = helper.wait();
        }
    }
}

/// The running host with the plugin's window open.
struct Host<'a> {
    setup: &'a HostSetup,
    driver: Driver<'a>,
}

impl Host<'_> {
    /// The picture once it has settled, with the mouse moved away.
    fn rest(&self, name: &str) -> Result<Vec<u8>> {
        self.driver.point(700, 4)?;
        self.driver.settle()?;
        self.driver.shot(name)?;
        self.driver.picture()
    }

    /// Plays kick and snare by MIDI and records what comes; its level, dB (RMS, full scale 0).
    fn play(&self, name: &str) -> Result<f64> {
        let mut keys = self.setup.command("jack_midiseq");
        // half a second: kick, and a quarter later snare
        keys.args(["keys", "24000", "0", "36", "6000", "12000", "38", "6000"]);
        let mut keys = keys.spawn().map_err(|e| format!("jack_midiseq could not be started: {e}"))?;
        let recorded = self.record(name);
        let _ = keys.kill();
        let _ = keys.wait();
        recorded
    }

    fn record(&self, name: &str) -> Result<f64> {
        sleep(Duration::from_secs(2));
        self.connect("keys:out", "ardour:Drums/midi_in 1")?;
        let file = self.driver.folder.join(format!("{name}.wav"));
        let mut recorder = self.setup.command("jack_rec");
        recorder.arg("-f").arg(&file).args(["-b", "16", "-d", &SECONDS.to_string()]);
        project::run(recorder.arg("ardour:Drums/audio_out 1"), "recording the host")?;
        let bytes = fs::read(&file).map_err(|e| format!("no recording: {e}"))?;
        let samples = bytes.get(44..).unwrap_or_default().chunks_exact(2);
        let values = samples.map(|b| f64::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0);
        let (sum, count) = values.fold((0.0, 0.0), |(sum, count), v| (sum + v * v, count + 1.0));
        Ok(10.0 * (sum / f64::max(count, 1.0) + 1e-20_f64).log10())
    }

    /// Connects two ports; a host that opens a saved session does so itself.
    fn connect(&self, from: &str, to: &str) -> Result {
        let listed = self.setup.command("jack_lsp").args(["-c", from]).stdout(Stdio::piped()).output();
        let listed = listed.map_err(|e| format!("jack_lsp could not be started: {e}"))?;
        if String::from_utf8_lossy(&listed.stdout).lines().any(|l| l.trim() == to) {
            return Ok(());
        }
        // neither port need be there yet on a busy machine
        let begun = Instant::now();
        loop {
            let done = self.setup.command("jack_connect").args([from, to]).status();
            if done.map_err(|e| format!("jack_connect could not be started: {e}"))?.success() {
                return Ok(());
            }
            if begun.elapsed() > CONNECTED_WITHIN {
                let ports = self.setup.command("jack_lsp").stdout(Stdio::piped()).output();
                let ports = ports.map_err(|e| format!("jack_lsp could not be started: {e}"))?;
                let ports = String::from_utf8_lossy(&ports.stdout).replace('\n', ", ");
                return Err(format!("{from} cannot be connected with {to}; there are {ports}"));
            }
            sleep(Duration::from_millis(500));
        }
    }

    /// Saves the session as the host's user does.
    fn save(&self) -> Result {
        let file = &self.setup.session;
        let written = || fs::metadata(file).ok().and_then(|m| Some((m.modified().ok()?, m.len())));
        let before = written();
        let found = self.driver.xdotool(&["search", "--name", " - Ardour$"])?;
        let main = found.lines().next().ok_or("the host's own window is gone")?;
        self.driver.xdotool(&["windowactivate", "--sync", main])?;
        self.driver.xdotool(&["key", "--window", main, "ctrl+s"])?;
        let start = Instant::now();
        while written() == before || written().is_none_or(|(_, bytes)| bytes < 100_000) {
            if start.elapsed() > TIMEOUT {
                return Err(format!("the host saved no kit: {:?} bytes", written().map(|w| w.1)));
            }
            sleep(Duration::from_millis(500));
        }
        // it is written beside and moved in at the end
        sleep(Duration::from_secs(1));
        Ok(())
    }

    /// Ends the host, as a system that shuts down does.
    fn end(self) -> Result {
        use std::os::unix::process::ExitStatusExt as _;
        const TERMINATED: i32 = 15;
        let status = self.driver.end()?;
        match status.signal() {
            None | Some(TERMINATED) => Ok(()),
            Some(_) => Err(format!("the host crashed when it ended: {status}")),
        }
    }
}
