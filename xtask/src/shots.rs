//! `cargo xtask shots`: the real window on a screen of its own, driven through the whole job, with pictures
//! into `target/shots`.
//!
//! Places are counted in a window of 1280 x 800, as it is laid out there; `assets` gets the picture that the
//! README shows. What went wrong shows in what is checked: files that must be there, pictures that must change.

use crate::{
    Result,
    project::Project,
    screen::{Desk, Screen},
    system, window,
};
use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

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
    desk.click(351, 22)?;
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
