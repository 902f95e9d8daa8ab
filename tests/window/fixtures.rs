//! A kit and a window without a host, for tests and benches.
#![allow(dead_code)]

use kitwright::editor::{self, PlainTrims, WindowState, theme};
use kitwright_core::{
    demo,
    kit::{Audition, Kit, Layer, Slice, TakeEntry},
    listen::{self, DetectOptions},
    progress::Quiet,
    session::Session,
    take::Take,
};
use std::sync::{Arc, OnceLock};

/// A window without a host.
pub struct TestWindow {
    pub window: WindowState,
    pub session: Arc<Session>,
    pub trims: PlainTrims,
}

impl TestWindow {
    /// A window over an empty session, whose searches are short: these tests do not judge the sound.
    pub fn new() -> Self {
        let session = Session::new();
        session.set_search_effort(0.1);
        Self { window: WindowState::default(), session, trims: PlainTrims::default() }
    }
}

/// Every third hit of the demo take on a pad, as it was recorded.
pub fn plain_kit() -> Kit {
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
                ..Audition::default()
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
        kit.doc.mend();
        kit
    })
    .clone()
}

/// Makes the rim weak, tuned, and of one hit with the clap.
pub fn with_facts(kit: &mut Kit) {
    kit.doc.key = Some("A minor".parse().expect("a key"));
    let rim = &mut kit.doc.pads[1];
    rim.tone.note_bell.hz = 110.0;
    let audition = rim.audition.as_mut().expect("it was cast");
    (audition.score, audition.tuned_ct) = (0.12, Some(12.0));
    let hit = audition.hit;
    kit.doc.pads[3].audition.as_mut().expect("it was cast").hit = hit;
}

/// A kit with one take of so many minutes and no hits. A low rate keeps it small: columns are drawn, not samples.
pub fn long_take_kit(minutes: usize) -> Kit {
    let rate = 8000;
    let samples = (0..minutes * 60 * rate).map(|i| ((i % 4000) as f32 / 4000.0 - 0.5) * 0.9).collect();
    let take = Arc::new(Take::from_samples("long.wav", rate as u32, vec![samples]));
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    kit.takes.push(take);
    kit
}

/// The events of a step of scrolling to the right over the take.
pub fn scroll_events() -> Vec<egui::Event> {
    vec![
        egui::Event::PointerMoved(egui::pos2(640.0, 150.0)),
        egui::Event::MouseWheel {
            unit: egui::MouseWheelUnit::Point,
            delta: egui::vec2(-8.0, 0.0),
            modifiers: egui::Modifiers::NONE,
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Unknown,
        },
    ]
}

/// What a frame hands to the graphics card.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Work {
    pub shapes: usize,
    pub vertices: usize,
}

/// Layout and tessellation of frames, without drawing them.
pub struct FrameRunner {
    pub shown: TestWindow,
    ctx: egui::Context,
    size: egui::Vec2,
    time: f64,
}

impl FrameRunner {
    /// A window of 1280 x 800 points over a kit, with waves and spectra finished.
    pub fn new(kit: Kit) -> Self {
        let shown = TestWindow::new();
        shown.session.edit("kit", |k| *k = kit);
        assert_eq!(shown.session.error(), None);
        let ctx = egui::Context::default();
        theme::apply(&ctx);
        let mut runner = Self { shown, ctx, size: egui::vec2(1280.0, 800.0), time: 0.0 };
        runner.settle();
        runner
    }

    /// Runs frames until no thread of the window has something to bring.
    pub fn settle(&mut self) {
        self.frame(Vec::new());
        while self.shown.window.is_working() {
            std::thread::sleep(std::time::Duration::from_millis(2));
            self.frame(Vec::new());
        }
    }

    /// One frame.
    pub fn frame(&mut self, events: Vec<egui::Event>) -> Work {
        self.time += 1.0 / 60.0;
        let raw = egui::RawInput {
            screen_rect: Some(egui::Rect::from_min_size(egui::Pos2::ZERO, self.size)),
            time: Some(self.time),
            events,
            ..Default::default()
        };
        let TestWindow { window, session, trims } = &mut self.shown;
        let mut output = self.ctx.run_ui(raw, |ui| editor::ui(ui, window, session, trims));
        let shapes = std::mem::take(&mut output.shapes);
        let count = shapes.len();
        let primitives = self.ctx.tessellate(shapes, output.pixels_per_point);
        output.textures_delta.clear();
        let vertices = primitives.iter().map(|p| match &p.primitive {
            egui::epaint::Primitive::Mesh(mesh) => mesh.vertices.len(),
            egui::epaint::Primitive::Callback(_) => 0,
        });
        Work { shapes: count, vertices: vertices.sum() }
    }
}

/// An engine that plays the session's kit, as a host would have it.
pub struct SoundingPads {
    pub engine: kitwright_core::engine::Engine,
    notes: Vec<u8>,
    frames: usize,
}

impl SoundingPads {
    /// An engine with the session's kit.
    pub fn new(session: &Session) -> Self {
        let mut engine = kitwright_core::engine::Engine::new(48_000.0);
        session.attach_engine(48_000.0, engine.meters());
        if let Some(kit) = session.take_play_kit() {
            engine.set_kit(kit);
        }
        Self { engine, notes: session.kit().doc.pads.iter().map(|p| p.note).collect(), frames: 0 }
    }

    /// Plays a sixtieth of a second; all pads are struck six times a second.
    pub fn advance(&mut self) {
        if self.frames.is_multiple_of(10) {
            self.notes.iter().for_each(|&n| self.engine.note_on(n, 0.9));
        }
        self.frames += 1;
        (0..4).for_each(|_| self.engine.render(200));
    }
}
