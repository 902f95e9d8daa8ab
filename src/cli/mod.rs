//! The command line: the same engine without a host.
//!
//! Results go to standard output, everything else to standard error. The exit code is 0, 2 after bad
//! input (one sentence says what and what to do), 130 after Ctrl-C.

mod arguments;
mod export;
mod hits;
mod kit;
mod kit_table;
mod library;
mod protect;
mod reading;
mod render;
mod terminal;
mod window;

use arguments::{Arguments, Command};
use clap::Parser;
use kitwright_core::{
    error::{Error, Result},
    kit::Kit,
    progress::Progress,
    take,
};
use reading::{pass_on_notices, read_take};
use std::process::ExitCode;
use terminal::{Terminal, one_line, printable, say, tell};

/// Exit code after bad input.
const BAD_INPUT: u8 = 2;
/// Exit code after Ctrl-C, as shells count it: 128 and the signal's number.
const STOPPED: u8 = 130;

/// Runs the command line with the process's arguments; the exit code is 0, 2 after bad input, or 130
/// after Ctrl-C.
pub fn run() -> ExitCode {
    terminal::keep_to_sentences();
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(e) => return refuse_or_help(&e),
    };
    if let Some(megabytes) = arguments.memory {
        take::set_memory_limit(megabytes.saturating_mul(1_000_000));
    }
    match execute(arguments.command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            tell(&format!("kitwright: {}", one_line(&e.to_string())));
            ExitCode::from(if e == Error::Cancelled { STOPPED } else { BAD_INPUT })
        }
    }
}

fn execute(command: Option<Command>) -> Result<()> {
    let Some(command) = command else {
        say(arguments::SHORT_HELP);
        return Ok(());
    };
    // a window stays up until it is closed: there Ctrl-C ends the program as anywhere
    if let Command::Window(a) = &command {
        return window::run(a);
    }
    let terminal = Terminal::new();
    let result = match &command {
        Command::Hits(a) => hits::run(a, &terminal),
        Command::Kit(a) => kit::run(a, &terminal),
        Command::Render(a) => render::run(a, &terminal),
        Command::Export(a) => export::run(a, &terminal),
        Command::KeepUsed(a) => keep_used(a, &terminal),
        Command::Library(a) => library::run(a, &terminal),
        Command::Shift(a) => shift(a, &terminal),
        Command::DemoTake(a) => demo_take(a),
        Command::Window(_) => Ok(()),
    };
    terminal.clear();
    result
}

/// Prints the help that was asked for, or one sentence about what was wrong with the arguments.
fn refuse_or_help(e: &clap::Error) -> ExitCode {
    if !e.use_stderr() {
        say(e.render().to_string().trim_end());
        return ExitCode::SUCCESS;
    }
    let text = e.render().to_string();
    // the parser adds tips and the usage in further paragraphs
    let first = text.split("\n\n").next().unwrap_or_default().trim_start_matches("error: ");
    tell(&format!("kitwright: {}; \"kitwright --help\" lists all commands and options", one_line(first)));
    ExitCode::from(BAD_INPUT)
}

fn keep_used(a: &arguments::KeepUsed, terminal: &Terminal) -> Result<()> {
    let kit = Kit::load(&a.kit, terminal)?;
    let smaller = kit.keep_used()?;
    smaller.save(&a.out, terminal)?;
    terminal.clear();
    let (kept, all) = kit.used_seconds(&kit.doc.trims);
    say(&format!(
        "{}: {kept:.1} s of {all:.1} s kept, 50 % reserve included; sounds that are later made longer end early",
        printable(&a.out)
    ));
    Ok(())
}

fn shift(a: &arguments::Shift, terminal: &Terminal) -> Result<()> {
    protect::check_output(&a.out, &[&a.take])?;
    let take = read_take(&a.take, terminal)?;
    let shifted = kitwright_core::take::shift::shift(&take, a.semitones, terminal)?;
    terminal.check()?;
    kitwright_core::export::write_take(&shifted, &a.out)?;
    terminal.clear();
    pass_on_notices(&a.out, &shifted);
    say(&format!("{}: {:.1} s", printable(&a.out), shifted.seconds()));
    Ok(())
}

fn demo_take(a: &arguments::DemoTake) -> Result<()> {
    let (take, starts) = kitwright_core::demo::borrowed_cello(a.seed);
    kitwright_core::export::write_take(&take, &a.out)?;
    say(&format!("{}: {} strokes in {:.1} s", printable(&a.out), starts.len(), take.seconds()));
    Ok(())
}
