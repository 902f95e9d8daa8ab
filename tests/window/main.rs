//! The window, done through labels and clicks, and looked at.
//!
//! `KITWRIGHT_SHOTS=1 cargo test --test window` also writes pictures into `target/window-shots`.

mod raster;

use egui_kittest::{Harness, kittest::Queryable};
use kitwright::{
    demo,
    editor::{self, PlainTrims, Station, WindowState, desk::Desk, theme},
    kit::{Audition, Kit, Layer, Slice, TakeEntry},
    listen::{self, HearOptions},
    progress::Quiet,
    session::Session,
};
use std::sync::{Arc, OnceLock};

/// A window over a kit that is given, for looking at it.
struct Show {
    window: WindowState,
    session: Arc<Session>,
    trims: PlainTrims,
    kit: Arc<Kit>,
}

/// Every other hit of the demo take on a pad, as it was recorded.
fn plain_kit() -> Arc<Kit> {
    static KIT: OnceLock<Arc<Kit>> = OnceLock::new();
    KIT.get_or_init(|| {
        let (take, _) = demo::borrowed_cello(1);
        let hits = listen::hear(&take, &HearOptions::default(), &Quiet).expect("heard");
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
                moves: vec!["an octave down".into(), "cut below 42 Hz".into(), "shortened to 180 ms".into()],
            });
        }
        kit.doc.pads[0].layers.push(Layer::default());
        kit.doc.pads[0].layers[0].settings.decay_ms = 160.0;
        kit.doc.pads[0].layers[1].settings.pitch_st = -12.0;
        kit.doc.pads[0].cloud.copies = 24;
        kit.doc.pads[0].tone.low_cut.on = true;
        kit.doc.pads[0].tone.low_cut.hz = 42.0;
        kit.doc.pads[0].tone.bands[1].on = true;
        kit.doc.pads[0].tone.bands[1].gain_db = 5.0;
        kit.doc.takes.push(TakeEntry::new(&take, hits));
        kit.takes.push(Arc::new(take));
        Arc::new(kit)
    })
    .clone()
}

fn show(kit: Arc<Kit>, width: f32, height: f32, scale: f32) -> Harness<'static, Show> {
    let state =
        Show { window: WindowState::default(), session: Session::new(), trims: PlainTrims::default(), kit };
    Harness::builder()
        .with_size(egui::vec2(width, height))
        .with_pixels_per_point(scale)
        .with_max_steps(40)
        .with_step_dt(1.0 / 60.0)
        .with_context_setup(theme::apply)
        .renderer(raster::Raster::default())
        .build_ui_state(
            |ui, s: &mut Show| {
                let mut desk = Desk { session: &s.session, kit: s.kit.clone(), trims: &mut s.trims };
                editor::frame(ui, &mut s.window, &mut desk);
            },
            state,
        )
}

/// Lets threads of the window finish and draws what they brought.
fn settle<S>(harness: &mut Harness<'_, S>) {
    for _ in 0..20 {
        std::thread::sleep(std::time::Duration::from_millis(10));
        harness.run_ok();
    }
}

fn picture<S>(harness: &mut Harness<'_, S>, name: &str) {
    if std::env::var_os("KITWRIGHT_SHOTS").is_none() {
        return;
    }
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/window-shots");
    std::fs::create_dir_all(&folder).expect("folder");
    let image = harness.render().expect("rendered");
    image.save(folder.join(format!("{name}.png"))).expect("saved");
}

#[test]
fn pictures() {
    let mut harness = show(Arc::default(), 900.0, 600.0, 1.0);
    settle(&mut harness);
    picture(&mut harness, "first-900x600");
    for (w, h, scale) in [(900.0, 600.0, 1.0), (1280.0, 800.0, 1.0), (1280.0, 800.0, 2.0)] {
        let mut harness = show(plain_kit(), w, h, scale);
        for station in Station::ALL {
            harness.state_mut().window.station = station;
            settle(&mut harness);
            picture(&mut harness, &format!("{}-{w}x{h}@{scale}", station.word()));
        }
        harness.get_by_label("About Kitwright").click();
        settle(&mut harness);
        picture(&mut harness, &format!("About-{w}x{h}@{scale}"));
        harness.get_by_label("Close About").click();
        settle(&mut harness);
        harness.get_by_label("Open a recording or a kit").click();
        settle(&mut harness);
        picture(&mut harness, &format!("Open-{w}x{h}@{scale}"));
    }
}
