//! What a frame costs. Time of the thread itself, so that a busy machine does not count.

use super::*;
use std::sync::atomic::Ordering::Relaxed;

/// Most that a frame may cost on one core.
const MOST: Duration = Duration::from_millis(4);
const FRAMES: u32 = 120;

/// Time this thread has spent on a processor: Linux tells it in /proc (`schedstat`, first number, ns);
/// elsewhere the clock on the wall has to do.
fn own_time() -> Duration {
    static START: OnceLock<Instant> = OnceLock::new();
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let ns = told.and_then(|t| t.split(' ').next().and_then(|n| n.parse().ok()));
    ns.map_or_else(|| START.get_or_init(Instant::now).elapsed(), Duration::from_nanos)
}

/// Layout and triangles of a frame, without the graphics card's part.
struct Bare {
    ctx: egui::Context,
    window: TestWindow,
    time: f64,
}

impl Bare {
    fn new(kit: Kit, size: egui::Vec2) -> Self {
        let window = TestWindow {
            window: WindowState::default(),
            session: Session::new(),
            trims: PlainTrims::default(),
        };
        window.session.edit("kit", |k| *k = kit);
        assert_eq!(window.session.error(), None);
        let ctx = egui::Context::default();
        theme::apply(&ctx);
        let mut bare = Self { ctx, window, time: 0.0 };
        // waves and spectra come from threads
        for _ in 0..200 {
            bare.frame(size, Vec::new());
            std::thread::sleep(Duration::from_millis(2));
        }
        bare
    }

    fn frame(&mut self, size: egui::Vec2, events: Vec<egui::Event>) {
        self.time += 1.0 / 60.0;
        let raw = egui::RawInput {
            screen_rect: Some(egui::Rect::from_min_size(egui::Pos2::ZERO, size)),
            time: Some(self.time),
            events,
            ..Default::default()
        };
        let TestWindow { window, session, trims } = &mut self.window;
        let mut output = self.ctx.run_ui(raw, |ui| editor::ui(ui, window, session, trims));
        let shapes = std::mem::take(&mut output.shapes);
        let triangles = self.ctx.tessellate(shapes, output.pixels_per_point);
        assert!(!triangles.is_empty());
        output.textures_delta.clear();
    }

    /// Mean cost of a frame; `before` prepares each and gives its events.
    fn cost(
        &mut self,
        size: egui::Vec2,
        mut before: impl FnMut(&TestWindow, u32) -> Vec<egui::Event>,
    ) -> Duration {
        let mut spent = Duration::ZERO;
        for i in 0..FRAMES {
            let events = before(&self.window, i);
            let start = own_time();
            self.frame(size, events);
            spent += own_time() - start;
        }
        spent / FRAMES
    }
}

#[test]
fn a_frame_with_sixteen_pads_sounding_costs_less_than_four_milliseconds() {
    let size = egui::vec2(1280.0, 800.0);
    let mut bare = Bare::new(plain_kit(), size);
    let mut engine = kitwright_core::engine::Engine::new(48_000.0);
    bare.window.session.attach_engine(48_000.0, engine.meters());
    if let Some(kit) = bare.window.session.take_play_kit() {
        engine.set_kit(kit);
    }
    let notes: Vec<u8> = plain_kit().doc.pads.iter().map(|p| p.note).collect();
    for section in editor::Section::ALL {
        bare.window.window.selection.section = section;
        let mut lit = 0;
        let cost = bare.cost(size, |window, i| {
            if i % 10 == 0 {
                notes.iter().for_each(|&n| engine.note_on(n, 0.9));
            }
            (0..4).for_each(|_| engine.render(200));
            let meters = window.session.meters().expect("it plays");
            lit += meters.pad_peak.iter().filter(|p| p.load(Relaxed) > 0).count();
            Vec::new()
        });
        println!("{:?} with 16 pads sounding: {:.2} ms a frame", section, cost.as_secs_f64() * 1e3);
        assert!(lit > 15 * FRAMES as usize, "all pads sound");
        assert!(cost < MOST, "{section:?}: {cost:?}");
    }
}

#[test]
fn a_take_of_thirty_minutes_scrolls_as_fast_as_a_short_one() {
    let size = egui::vec2(1280.0, 800.0);
    let mut costs = Vec::new();
    for minutes in [1, 30] {
        // a low rate keeps the test small; what is drawn counts columns, not samples
        let rate = 8000;
        let samples = (0..minutes * 60 * rate).map(|i| ((i % 4000) as f32 / 4000.0 - 0.5) * 0.9).collect();
        let take = Arc::new(kitwright_core::take::Take::from_samples("long.wav", rate as u32, vec![samples]));
        let mut kit = Kit::default();
        kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
        kit.takes.push(take);
        let mut bare = Bare::new(kit, size);
        let wheel = |y| egui::Event::MouseWheel {
            unit: egui::MouseWheelUnit::Point,
            delta: egui::vec2(y, 0.0),
            modifiers: egui::Modifiers::NONE,
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Unknown,
        };
        let over = egui::Event::PointerMoved(egui::pos2(640.0, 150.0));
        bare.window.window.take.sight = [0.0, (minutes * 60 * rate) as f64 / 2.0];
        let before = bare.window.window.take.sight;
        let cost = bare.cost(size, |_, _| vec![over.clone(), wheel(-8.0)]);
        assert_ne!(bare.window.window.take.sight, before, "it scrolled");
        println!("scrolling a take of {minutes} min: {:.2} ms a frame", cost.as_secs_f64() * 1e3);
        assert!(cost < MOST, "{minutes} min: {cost:?}");
        costs.push(cost.as_secs_f64());
    }
    assert!(costs[1] < 1.5 * costs[0], "30 min cost {:.2} times as much", costs[1] / costs[0]);
}
