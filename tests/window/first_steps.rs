//! What a first user does, counted in clicks; a double click, a drag and a typed name count as one.

use super::*;
use kitwright_core::kit::Role;

/// A window, and what was done in it.
struct FirstUser {
    harness: Harness<'static, TestWindow>,
    clicks: usize,
}

impl FirstUser {
    fn of(harness: Harness<'static, TestWindow>) -> Self {
        Self { harness, clicks: 0 }
    }

    fn click(&mut self, label: &str) {
        self.clicks += 1;
        press(&mut self.harness, label);
    }

    fn double_click(&mut self, label: &str) {
        self.clicks += 1;
        for _ in 0..2 {
            self.harness.get_by_label(label).click();
        }
        self.harness.run_ok();
    }

    fn wait(&mut self, what: &str, done: impl Fn(&TestWindow) -> bool) {
        wait_until(&mut self.harness, what, done);
    }

    /// The clicks since the last call.
    fn took(&mut self) -> usize {
        std::mem::take(&mut self.clicks)
    }

    fn session(&self) -> &Session {
        &self.harness.state().session
    }
}

/// A window at the folder of a recording, as a host gives it.
fn at_a_recording(dir: &tempfile::TempDir) -> FirstUser {
    super::import::write_knocks(&dir.path().join("knocks.wav"));
    let mut harness = empty_window(1120.0, 720.0, 1.0);
    harness.state().session.attach_engine(48_000.0, Arc::default());
    harness.state_mut().window.memory.folder = Some(dir.path().to_owned());
    settle(&mut harness);
    FirstUser::of(harness)
}

#[test]
fn from_opening_a_recording_to_hearing_a_groove_in_three() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut user = at_a_recording(&dir);
    user.click("Open a recording");
    user.wait("the folder", |d| !d.window.is_working());
    user.double_click("File knocks.wav");
    assert!(user.harness.state().window.browser.is_none(), "{:?}", user.harness.state().window.browser);
    user.wait("the kit", |d| !d.session.kit().takes.is_empty());
    user.click("Play the groove");
    assert!(user.session().groove().playing);
    assert_eq!(user.took(), 3);
}

#[test]
fn from_nothing_to_a_groove_of_the_demo_in_two() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut user = at_a_recording(&dir);
    user.click("Hear the demo cello");
    user.wait("the kit", |d| !d.session.kit().takes.is_empty());
    user.click("Play the groove");
    assert!(user.session().groove().playing);
    assert_eq!(user.took(), 2);
    super::import::end_fitting(&mut user.harness);
}

#[test]
fn what_is_heard_and_changed_most_takes_one_click_or_two() {
    let mut user = FirstUser::of(sized_window(1120.0, 720.0, 1.0));
    user.harness.state().session.attach_engine(48_000.0, Arc::default());
    settle(&mut user.harness);
    user.click("Pad 3, snare");
    assert!(user.session().take_trigger().is_some(), "a pad is heard");
    assert_eq!(user.took(), 1);
    user.click("Play the hit as recorded");
    assert_eq!(user.took(), 1);
    user.click("Mute pad 3");
    assert!(user.harness.state().trims.trims.pads[2].mute);
    assert_eq!(user.took(), 1);
    user.click("Next best hit");
    user.wait("another hit", |d| d.session.job().is_none());
    assert_eq!(user.took(), 1);
    user.click("Undo");
    assert_eq!(user.took(), 1);
    user.click("Role of pad 3");
    user.click("Role clap");
    user.wait("the role", |d| d.session.kit().doc.pads[2].role == Role::Clap);
    assert_eq!(user.took(), 2);
    user.click("Pattern of the groove");
    user.click("Pattern half time");
    assert_eq!(user.took(), 2);
}

#[test]
fn a_kit_is_saved_in_two_and_exported_in_three() {
    let dir = tempfile::tempdir().expect("temporary folder");
    let mut harness = sized_window(1120.0, 720.0, 1.0);
    harness.state_mut().window.memory.folder = Some(dir.path().to_owned());
    harness.state().session.edit("one pad", |kit| {
        kit.doc.pads.iter_mut().skip(1).for_each(|p| p.slices.clear());
    });
    settle(&mut harness);
    let mut user = FirstUser::of(harness);
    user.click("Save the kit");
    user.click("Save here");
    let file = dir.path().join("Borrowed cello.kitwright");
    user.wait("the file", |d| file.exists() && d.session.job().is_none());
    assert_eq!(user.took(), 2);
    user.click("Export the kit");
    user.click("Export Pads, groove and picture");
    user.click("Export here");
    user.wait("the export", |d| d.session.job().is_none());
    assert!(dir.path().join("Borrowed cello/overview.png").exists());
    assert_eq!(user.took(), 3);
}
