//! The window, used through labels and clicks, and compared as pictures.
//!
//! `KITWRIGHT_SHOTS=1 cargo test --test window` also writes pictures into `target/window-shots`.

mod first_steps;
mod fixtures;
mod frame_cost;
mod groove;
mod hand_work;
mod import;
mod interaction;
mod keys;
mod kit_view;
mod layout;
mod library;
mod pad_editor;
mod raster;
mod save_and_export;
mod snapshots;
mod take_view;
mod text_layout;
mod undo_and_compare;

use egui_kittest::{
    Harness,
    kittest::{NodeT, Queryable},
};
use fixtures::{TestWindow, plain_kit};
use kitwright::editor::{self, theme};
use kitwright_core::{
    demo,
    kit::{Kit, TakeEntry},
    progress::Quiet,
    session::Session,
};
use std::{
    sync::Arc,
    time::{Duration, Instant},
};

/// Longest wait for work of the session; generous, since test machines are busy.
const PATIENCE: Duration = Duration::from_secs(240);

/// A window over an empty session.
fn empty_window(width: f32, height: f32, scale: f32) -> Harness<'static, TestWindow> {
    Harness::builder()
        .with_size(egui::vec2(width, height))
        .with_pixels_per_point(scale)
        .with_max_steps(40)
        .with_step_dt(1.0 / 60.0)
        .with_context_setup(theme::apply)
        .renderer(raster::Raster::default())
        .build_ui_state(
            |ui, s: &mut TestWindow| editor::ui(ui, &mut s.window, &s.session, &mut s.trims),
            TestWindow::new(),
        )
}

/// A window over [`plain_kit`].
fn window() -> Harness<'static, TestWindow> {
    sized_window(1280.0, 800.0, 1.0)
}

fn sized_window(width: f32, height: f32, scale: f32) -> Harness<'static, TestWindow> {
    let mut harness = empty_window(width, height, scale);
    harness.state().session.edit("test kit", |kit| *kit = plain_kit());
    assert_eq!(harness.state().session.error(), None);
    settle(&mut harness);
    harness
}

/// Draws frames until no thread of the window has something to bring.
fn settle(harness: &mut Harness<'_, TestWindow>) {
    let start = Instant::now();
    harness.run_ok();
    while harness.state().window.is_working() {
        assert!(start.elapsed() < PATIENCE, "the window's threads do not finish");
        std::thread::sleep(Duration::from_millis(2));
        harness.run_ok();
    }
    harness.run_ok();
}

/// Draws frames until `done` holds.
fn wait_until(harness: &mut Harness<'_, TestWindow>, what: &str, done: impl Fn(&TestWindow) -> bool) {
    let start = Instant::now();
    while !done(harness.state()) {
        assert!(start.elapsed() < PATIENCE, "gave up waiting: {what}; {:?}", harness.state().session.error());
        std::thread::sleep(Duration::from_millis(10));
        harness.step();
    }
    settle(harness);
}

/// Presses the control of this label and draws what follows.
fn press(harness: &mut Harness<'_, TestWindow>, label: &str) {
    harness.get_by_label(label).click();
    harness.run_ok();
    harness.run_ok();
}

/// Drags from one place to another, as a hand does.
fn drag(harness: &mut Harness<'_, TestWindow>, from: egui::Pos2, to: egui::Pos2) {
    harness.hover_at(from);
    harness.step();
    harness.drag_at(from);
    harness.step();
    for share in [0.2, 0.5, 0.8, 1.0] {
        harness.hover_at(from + (to - from) * share);
        harness.step();
    }
    harness.drop_at(to);
    harness.run_ok();
}

/// Types a path into the file browser and confirms.
fn choose_file(harness: &mut Harness<'_, TestWindow>, path: &std::path::Path, verb: &str) {
    let field = harness.get_by_label("File name or path");
    field.focus();
    harness.run_ok();
    harness.key_press_modifiers(egui::Modifiers::COMMAND, egui::Key::A);
    harness.run_ok();
    harness.get_by_label("File name or path").type_text(&path.to_string_lossy());
    harness.run_ok();
    press(harness, verb);
}
