//! System packages of the tasks. Missing ones are installed with apt, as root or where `sudo -n` works.

use crate::Result;
use std::process::{Command, Stdio};

/// A library or program and the packages that carry it.
pub struct Need {
    /// What it is for, as in "the window needs ...".
    pub name: &'static str,
    /// Succeeds when it is there.
    pub check: &'static [&'static str],
    /// Packages of Debian, Fedora, Arch and Homebrew.
    pub apt: &'static str,
    pub dnf: &'static str,
    pub pacman: &'static str,
    pub brew: &'static str,
}

/// ALSA headers, for the window as a program of its own.
pub const ALSA: Need = Need {
    name: "the ALSA headers",
    check: &["pkg-config", "--exists", "alsa"],
    apt: "pkg-config libasound2-dev",
    dnf: "pkgconf-pkg-config alsa-lib-devel",
    pacman: "pkgconf alsa-lib",
    brew: "pkgconf",
};

/// JACK headers, which the window's build asks for even where JACK is not used.
pub const JACK: Need = Need {
    name: "the JACK headers",
    check: &["pkg-config", "--exists", "jack"],
    apt: "pkg-config libjack-jackd2-dev",
    dnf: "pkgconf-pkg-config pipewire-jack-audio-connection-kit-devel",
    pacman: "pkgconf jack2",
    brew: "pkgconf",
};

/// Other decoders and encoders that the tests compare with.
pub const FFMPEG: Need = Need {
    name: "ffmpeg",
    check: &["ffmpeg", "-version"],
    apt: "ffmpeg",
    dnf: "ffmpeg-free",
    pacman: "ffmpeg",
    brew: "ffmpeg",
};

/// Counts instructions.
pub const VALGRIND: Need = Need {
    name: "valgrind",
    check: &["valgrind", "--version"],
    apt: "valgrind",
    dnf: "valgrind",
    pacman: "valgrind",
    brew: "",
};

/// Plays SoundFont files.
pub const FLUIDSYNTH: Need = Need {
    name: "fluidsynth",
    check: &["fluidsynth", "--version"],
    apt: "fluidsynth",
    dnf: "fluidsynth",
    pacman: "fluidsynth",
    brew: "fluid-synth",
};

/// Python with its venv module, for the hosts of the VST3 tests.
pub const PYTHON: Need = Need {
    name: "Python 3 with venv",
    check: &["python3", "-c", "import venv, ensurepip"],
    apt: "python3 python3-venv",
    dnf: "python3",
    pacman: "python",
    brew: "python",
};

/// Recorded sounds under free licences.
pub const SOUNDS: Need = Need {
    name: "recorded sounds (sonic-pi-samples)",
    check: &["test", "-d", "/usr/share/sonic-pi/samples"],
    apt: "sonic-pi-samples",
    dnf: "sonic-pi",
    pacman: "sonic-pi",
    brew: "",
};

/// A screen in memory, for pictures of the window.
pub const XVFB: Need = Need {
    name: "Xvfb with software OpenGL",
    check: &["sh", "-c", "command -v Xvfb"],
    apt: "xvfb libgl1-mesa-dri",
    dnf: "xorg-x11-server-Xvfb mesa-dri-drivers",
    pacman: "xorg-server-xvfb mesa",
    brew: "",
};

/// Moves the mouse and presses keys.
pub const XDOTOOL: Need = Need {
    name: "xdotool",
    check: &["sh", "-c", "command -v xdotool"],
    apt: "xdotool",
    dnf: "xdotool",
    pacman: "xdotool",
    brew: "",
};

/// Takes pictures of windows and shrinks them.
pub const IMAGEMAGICK: Need = Need {
    name: "ImageMagick",
    check: &["sh", "-c", "command -v import"],
    apt: "imagemagick",
    dnf: "ImageMagick",
    pacman: "imagemagick",
    brew: "imagemagick",
};

/// Python's way to X11, for dropping files onto the window.
pub const XLIB: Need = Need {
    name: "Python's Xlib",
    check: &["/usr/bin/python3", "-c", "import Xlib"],
    apt: "python3-xlib",
    dnf: "python3-xlib",
    pacman: "python-xlib",
    brew: "",
};

/// A session of its own for programs that talk to each other.
pub const DBUS: Need = Need {
    name: "D-Bus with Python's way to it",
    check: &["sh", "-c", "command -v dbus-daemon && /usr/bin/python3 -c 'import dbus'"],
    apt: "dbus python3-dbus",
    dnf: "dbus-daemon python3-dbus",
    pacman: "dbus python-dbus",
    brew: "",
};

/// What screen readers stand on.
pub const ATSPI: Need = Need {
    name: "AT-SPI",
    check: &["test", "-e", "/usr/share/dbus-1/services/org.a11y.Bus.service"],
    apt: "at-spi2-core",
    dnf: "at-spi2-core",
    pacman: "at-spi2-core",
    brew: "",
};

/// A window manager, for hosts with several windows.
pub const OPENBOX: Need = Need {
    name: "openbox",
    check: &["sh", "-c", "command -v openbox"],
    apt: "openbox",
    dnf: "openbox",
    pacman: "openbox",
    brew: "",
};

/// A real host.
pub const ARDOUR: Need = Need {
    name: "Ardour 7",
    check: &["sh", "-c", "command -v ardour7-lua && test -x /usr/lib/ardour7/ardour-vst3-scanner"],
    apt: "ardour",
    dnf: "ardour7",
    pacman: "ardour",
    brew: "",
};

/// The server that the host plays through.
pub const JACKD: Need = Need {
    name: "jackd",
    check: &["sh", "-c", "command -v jackd"],
    apt: "jackd2",
    dnf: "jack-audio-connection-kit",
    pacman: "jack2",
    brew: "",
};

/// Plays and records through JACK.
pub const JACK_TOOLS: Need = Need {
    name: "the tools of JACK",
    check: &["sh", "-c", "command -v jack_midiseq && command -v jack_rec && command -v jack_connect"],
    apt: "jack-example-tools",
    dnf: "jack-audio-connection-kit-example-clients",
    pacman: "jack-example-tools",
    brew: "",
};

/// Makes sure that everything is there, installing with apt as root or through `sudo -n` what is not.
///
/// # Errors
/// A sentence with the one command that installs the rest.
pub fn ensure(needs: &[&Need]) -> Result {
    let missing = missing(needs);
    if missing.is_empty() {
        return Ok(());
    }
    if works(&["apt-get", "--version"]) {
        let packages: Vec<&str> = missing.iter().flat_map(|n| n.apt.split(' ')).collect();
        if let Some(sudo) = become_root() {
            eprintln!("installing {}", packages.join(" "));
            apt(sudo, &["update"]);
            apt(sudo, &[&["install", "-y", "--no-install-recommends"][..], &packages].concat());
        }
    }
    let missing = self::missing(&missing);
    if missing.is_empty() { Ok(()) } else { Err(advice(&missing)) }
}

fn missing<'a>(needs: &[&'a Need]) -> Vec<&'a Need> {
    needs.iter().copied().filter(|n| !works(n.check)).collect()
}

/// How to become root without asking: not at all, or with sudo.
fn become_root() -> Option<&'static [&'static str]> {
    let is_root = Command::new("id").arg("-u").output().is_ok_and(|o| o.stdout.trim_ascii() == b"0");
    if is_root {
        Some(&[])
    } else if works(&["sudo", "-n", "true"]) {
        Some(&["sudo", "-n"])
    } else {
        None
    }
}

/// Runs apt-get; failures show in what is still missing afterwards, and on standard error.
fn apt(sudo: &[&str], arguments: &[&str]) {
    let words = [sudo, &["env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-q"], arguments].concat();
    let _ = Command::new(words[0]).args(&words[1..]).stdin(Stdio::null()).stdout(Stdio::null()).status();
}

/// Whether a command can be run and succeeds.
fn works(words: &[&str]) -> bool {
    let mut command = Command::new(words[0]);
    command.args(&words[1..]).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.status().is_ok_and(|s| s.success())
}

/// What is missing and the one command that installs it here.
fn advice(missing: &[&Need]) -> String {
    let names: Vec<_> = missing.iter().map(|n| n.name).collect();
    type System = (&'static str, &'static str, fn(&Need) -> &str);
    let systems: [System; 4] = [
        ("apt-get", "sudo apt-get install", |n| n.apt),
        ("dnf", "sudo dnf install", |n| n.dnf),
        ("pacman", "sudo pacman -S", |n| n.pacman),
        ("brew", "brew install", |n| n.brew),
    ];
    let command = |install: &str, packages: fn(&Need) -> &str| {
        let packages: Vec<_> = missing.iter().map(|n| packages(n)).filter(|p| !p.is_empty()).collect();
        format!("{install} {}", packages.join(" "))
    };
    let here = systems.iter().find(|(tool, ..)| works(&[tool, "--version"]));
    let commands = match here {
        Some(&(_, install, packages)) => command(install, packages),
        None => systems.map(|(_, install, packages)| command(install, packages)).join("\n  "),
    };
    format!("missing: {}; install with\n  {commands}", names.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn absent_tools_are_named_with_a_command_and_present_ones_are_not() {
        let there = Need { check: &["cargo", "--version"], ..ALSA };
        let absent = Need { check: &["no-such-program-here"], ..FFMPEG };
        assert!(missing(&[&there]).is_empty());
        assert_eq!(missing(&[&there, &absent]).len(), 1);
        let advice = advice(&[&absent]);
        assert!(advice.contains("ffmpeg") && advice.contains("install"), "{advice}");
    }
}
