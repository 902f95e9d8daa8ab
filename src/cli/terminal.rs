//! Output, progress on a terminal, and Ctrl-C.

use indicatif::{ProgressBar, ProgressStyle};
use kitwright_core::{error::without_codes, progress::Progress};
use std::{
    io::{IsTerminal, Write},
    path::Path,
    sync::{
        Mutex,
        atomic::{AtomicBool, Ordering},
    },
};

/// Set by Ctrl-C and by the signals that end a program.
static STOP: AtomicBool = AtomicBool::new(false);

/// A progress bar when standard error is a terminal, nothing otherwise; stopped by Ctrl-C.
pub(super) struct Terminal {
    bar: Option<ProgressBar>,
    step: Mutex<String>,
}

impl Terminal {
    /// Takes over Ctrl-C: from now on work stops at its next check and tidies up.
    pub(super) fn new() -> Self {
        // a handler may be there already when run inside another program; then that one decides
        let _ = ctrlc::set_handler(|| STOP.store(true, Ordering::Relaxed));
        let bar = std::io::stderr().is_terminal().then(|| {
            let style = ProgressStyle::with_template("{msg:24} {bar:40} {percent:>3} % {elapsed:>4}");
            ProgressBar::new(1000).with_style(style.expect("the template is valid"))
        });
        Self { bar, step: Mutex::default() }
    }

    /// Runs `print`, which writes lines, with the bar off the screen meanwhile.
    pub(super) fn beside(&self, print: impl FnOnce()) {
        match &self.bar {
            Some(bar) => bar.suspend(print),
            None => print(),
        }
    }

    /// Takes the bar off the screen.
    pub(super) fn clear(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

impl Progress for Terminal {
    fn report(&self, step: &str, done: f32) {
        let Some(bar) = &self.bar else { return };
        let mut last = self.step.lock().unwrap_or_else(|e| e.into_inner());
        if *last != step {
            step.clone_into(&mut last);
            bar.set_message(step.to_owned());
        }
        bar.set_position((done.clamp(0.0, 1.0) * 1000.0) as u64);
    }

    fn cancelled(&self) -> bool {
        STOP.load(Ordering::Relaxed)
    }
}

/// Leaves it to this program's own sentences to tell what went wrong: a panic of the decoding library, which
/// is caught, prints nothing, and a limit on the size of files is an error of the write, not a signal.
pub(super) fn keep_to_sentences() {
    let print = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !kitwright_core::take::is_decoding() {
            print(panic);
        }
    }));
    // SAFETY: no other thread runs yet, and to ignore a signal runs no code of ours
    #[cfg(unix)]
    unsafe {
        libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
    }
}

/// Line breaks, as in strange file names, become spaces, and other control characters question marks; the numbers that
/// systems give their errors are left out.
pub(super) fn one_line(text: &str) -> String {
    let text = without_codes(text);
    let words: Vec<&str> = text.split_whitespace().collect();
    printable(words.join(" "))
}

/// A name as it may be printed: without control characters, which could drive the terminal.
pub(super) fn printable(name: impl AsRef<Path>) -> String {
    let name = name.as_ref().to_string_lossy();
    name.chars().map(|c| if c.is_control() { '?' } else { c }).collect()
}

/// Writes a line to standard output. A reader that has gone away is no error worth telling.
pub(super) fn say(text: &str) {
    let _ = writeln!(std::io::stdout(), "{text}");
}

/// Writes a line to standard error.
pub(super) fn tell(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}
