//! `cargo xtask shots`: the real window on a screen of its own, driven through the whole job, with pictures
//! into `target/shots`.
//!
//! Places are counted in a window of 1280 x 800, as it is laid out there; `assets` gets the picture that the
//! README shows. What went wrong shows in what is checked: files that must be there, pictures that must change.

use crate::{
    Result,
    project::Project,
    screen::{Driver, Screen},
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
    let driver = Driver::open(&screen, &program, &folder)?;
    main_job(&driver, &take)?;
    sizes(&driver)?;
    // saved again, or the program would ask before it ends
    driver.click(707, 44)?;
    driver.settle()?;
    driver.close()?;
    publish(&folder.join("07-why.png"), &project.root.join("assets/window.png"))?;
    println!("pictures lie in {}; that of the README in assets", folder.display());
    Ok(())
}

/// From an empty window to a saved kit.
fn main_job(driver: &Driver<'_>, take: &Path) -> Result {
    driver.shot("01-first-start")?;
    driver.click(426, 497)?;
    driver.pause();
    driver.type_text(&take.display().to_string())?;
    driver.shot("02-file-browser")?;
    let before = driver.picture()?;
    driver.key("Return")?;
    driver.settle()?;
    driver.changed(&before, "opening a recording")?;
    driver.shot("03-kit")?;
    // a fit by hand: a click on the value, a number, Enter
    let before = driver.picture()?;
    driver.click(262, 235)?;
    driver.key("ctrl+a")?;
    driver.type_text("85")?;
    driver.key("Return")?;
    driver.settle()?;
    driver.changed(&before, "typing the fit of a pad")?;
    driver.click(217, 283)?;
    driver.settle()?;
    driver.shot("04-layers")?;
    // the fourth key plays the clap, which has a cloud
    driver.click(386, 283)?;
    driver.settle()?;
    driver.click(545, 570)?;
    driver.settle()?;
    driver.strike("d")?;
    driver.shot("05-cloud")?;
    driver.click(553, 283)?;
    driver.click(390, 570)?;
    driver.settle()?;
    driver.strike("x")?;
    driver.shot("06-tone")?;
    driver.settle()?;
    driver.click(40, 283)?;
    driver.settle()?;
    driver.strike("x")?;
    driver.shot("07-why")?;
    driver.settle()?;
    driver.click(724, 283)?;
    driver.settle()?;
    driver.shot("08-mix")?;
    keys_and_exports(driver)?;
    save(driver)?;
    drop_onto_pad(driver, take)
}

fn save(driver: &Driver<'_>) -> Result {
    let kit = driver.folder.join("borrowed-cello.kitwright");
    driver.click(398, 23)?;
    driver.pause();
    driver.key("ctrl+a")?;
    driver.type_text(&kit.display().to_string())?;
    driver.key("Return")?;
    driver.settle()?;
    if fs::metadata(&kit).is_ok_and(|m| m.len() > 100_000) {
        return Ok(());
    }
    driver.shot("not-saved")?;
    Err(format!("the window did not save {}; see not-saved.png", kit.display()))
}

/// The box of the key parts, the menu of exports and the kits.
fn keys_and_exports(driver: &Driver<'_>) -> Result {
    driver.click(KEYS, 23)?;
    driver.settle()?;
    driver.shot("08-keys")?;
    driver.key("Escape")?;
    driver.settle()?;
    driver.click(461, 23)?;
    driver.settle()?;
    driver.shot("08-export")?;
    driver.key("Escape")?;
    driver.settle()?;
    driver.click(508, 23)?;
    driver.settle()?;
    driver.shot("08-kits")?;
    driver.key("Escape")?;
    driver.settle()
}

/// The button of the key parts in the top line.
const KEYS: u32 = 1087;

/// A file dropped onto the third pad.
fn drop_onto_pad(driver: &Driver<'_>, take: &Path) -> Result {
    let before = driver.picture()?;
    driver.x11(&["drop", &driver.window, "390", "570", &take.display().to_string()])?;
    driver.settle()?;
    driver.changed(&before, "dropping a file onto a pad")?;
    driver.shot("08-dropped")
}

/// The same window small, and on a large screen at 200 %.
fn sizes(driver: &Driver<'_>) -> Result {
    for (width, height) in [(900, 600), (1120, 720), (1920, 1080), (1280, 800)] {
        driver.resize(width, height)?;
        // out of the way of tooltips
        driver.point(1, 1)?;
        driver.settle()?;
        driver.shot(&format!("09-{width}x{height}"))?;
    }
    driver.click(1195, 23)?;
    driver.settle()?;
    driver.shot("10-zoom-list")?;
    // 200 % is the sixth of the list, 32 points a row
    driver.click(1195, 56 + 5 * 32)?;
    driver.settle()?;
    driver.resize(3840, 2160)?;
    driver.shot("11-3840x2160-at-200")
}

/// A picture for the README: fewer colours, a fraction of the size.
fn publish(shot: &Path, asset: &Path) -> Result {
    let mut shrink = Command::new("convert");
    shrink.arg(shot).args(["+dither", "-colors", "64", "-strip", "-define", "png:compression-level=9"]);
    crate::project::run(shrink.arg(asset), "shrinking a picture")
}
