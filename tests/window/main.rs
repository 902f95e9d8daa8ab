//! The window, done through labels and clicks, and looked at.
//!
//! `KITWRIGHT_SHOTS=1 cargo test --test window` also writes pictures into `target/window-shots`.

mod frame_cost;
mod import;
mod interaction;
mod kit_view;
mod layout;
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
use kitwright::editor::{self, PlainTrims, WindowState, theme};
use kitwright_core::{
    demo,
    kit::{Audition, Kit, Layer, Slice, TakeEntry},
    listen::{self, DetectOptions},
    progress::Quiet,
    session::Session,
};
use std::{
    sync::{Arc, OnceLock},
    time::{Duration, Instant},
};

/// Longest wait for work of the session; generous, since test machines are busy.
const PATIENCE: Duration = Duration::from_secs(240);

/// A window without a host.
struct TestWindow {
    window: WindowState,
    session: Arc<Session>,
    trims: PlainTrims,
}

/// Every third hit of the demo take on a pad, as it was recorded.
fn plain_kit() -> Kit {
    static KIT: OnceLock<Kit> = OnceLock::new();
    KIT.get_or_init(|| {
        let (take, _) = demo::borrowed_cello(1);
        let hits = listen::detect(&take, &DetectOptions::default(), &Quiet).expect("detected");
        let mut kit = Kit::default();
        kit.doc.name = "Borrowed cello".into();
        for (i, pad) in kit.doc.pads.iter_mut().enumerate() {
            let at = (i * 3 + 1).min(hits.len() - 1);
            let hit = &hits[at];
            pad.slices.push(Slice {
                take: 0,
                start: hit.start,
                end: hit.end,
                gain_db: 0.0,
                velocities: [0.0, 1.0],
            });
            pad.fit = 0.7;
            pad.audition = Some(Audition {
                take: 0,
                hit: at,
                score: 0.93 - 0.03 * i as f32,
                next_best: (0..6).map(|n| (0, (at + n + 1) % hits.len(), 0.8 - 0.07 * n as f32)).collect(),
                edit_summary: vec![
                    "an octave down".into(),
                    "cut below 42 Hz".into(),
                    "shortened to 180 ms".into(),
                ],
            });
        }
        let first = &mut kit.doc.pads[0];
        first.layers.push(Layer::default());
        first.layers[0].settings.decay_ms = 160.0;
        first.layers[1].settings.pitch_st = -12.0;
        first.cloud.copies = 24;
        first.tone.low_cut.on = true;
        first.tone.low_cut.hz = 42.0;
        first.tone.bands[1].on = true;
        first.tone.bands[1].gain_db = 5.0;
        kit.doc.takes.push(TakeEntry::new(&take, hits));
        kit.takes.push(Arc::new(take));
        kit
    })
    .clone()
}

/// A window over an empty session.
fn empty_window(width: f32, height: f32, scale: f32) -> Harness<'static, TestWindow> {
    let state =
        TestWindow { window: WindowState::default(), session: Session::new(), trims: PlainTrims::default() };
    Harness::builder()
        .with_size(egui::vec2(width, height))
        .with_pixels_per_point(scale)
        .with_max_steps(40)
        .with_step_dt(1.0 / 60.0)
        .with_context_setup(theme::apply)
        .renderer(raster::Raster::default())
        .build_ui_state(
            |ui, s: &mut TestWindow| editor::ui(ui, &mut s.window, &s.session, &mut s.trims),
            state,
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

/// Lets threads of the window finish and draws what they brought.
fn settle(harness: &mut Harness<'_, TestWindow>) {
    for _ in 0..10 {
        std::thread::sleep(Duration::from_millis(5));
        harness.run_ok();
    }
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
