//! Pictures of the main states, stored with the tests, so that a change of the look is intended.
//!
//! `KITWRIGHT_WRITE_SNAPSHOTS=1 cargo test --test window snapshots` writes them again; look at them before they
//! are committed.

use super::*;
use kitwright::editor::Section;
use kitwright_core::{kit::PADS, listen::Hit};
use std::path::PathBuf;

/// A channel may differ by this much: rounding of triangles' edges.
const SHADE: u8 = 24;
/// This share of the pixels may differ by more.
const SHARE: f64 = 0.002;

/// The invented take with the strokes it was made of as hits: better detection changes no picture.
fn stroke_kit() -> Kit {
    let (take, strokes) = demo::borrowed_cello(1);
    let rate = f64::from(take.sample_rate);
    let frame = |s: f64| (s * rate) as u64;
    let hits: Vec<Hit> = strokes
        .iter()
        .map(|&at| Hit {
            start: frame(at),
            end: frame(at + 0.3),
            by_hand: false,
            description: Default::default(),
        })
        .collect();
    let mut kit = plain_kit();
    kit.takes.clear();
    kit.doc.takes.clear();
    for (i, pad) in kit.doc.pads.iter_mut().enumerate() {
        let hit = i * hits.len() / PADS;
        (pad.slices[0].start, pad.slices[0].end) = (hits[hit].start, hits[hit].end);
        if let Some(audition) = &mut pad.audition {
            audition.hit = hit;
            audition.next_best = (0..4).map(|n| (0, hit + n + 1, 0.8 - 0.1 * n as f32)).collect();
        }
    }
    // the second layer of the first pad goes on behind its slice
    let s = &mut kit.doc.pads[0].layers[1].settings;
    (s.tail_ms, s.decay_ms) = (100.0, 900.0);
    kit.doc.takes.push(TakeEntry::new(&take, hits));
    kit.takes.push(Arc::new(take));
    kit
}

fn compare(harness: &mut Harness<'_, TestWindow>, name: &str) {
    let shown = harness.render().expect("rendered");
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("tests/window/snapshots/{name}.png"));
    if std::env::var_os("KITWRIGHT_WRITE_SNAPSHOTS").is_some() {
        std::fs::create_dir_all(file.parent().expect("a folder")).expect("made");
        shown.save(&file).expect("saved");
    }
    let kept = image::open(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display())).to_rgba8();
    assert_eq!(shown.dimensions(), kept.dimensions(), "{name}");
    let differs = |(a, b): (&image::Rgba<u8>, &image::Rgba<u8>)| {
        a.0.iter().zip(&b.0).any(|(a, b)| a.abs_diff(*b) > SHADE)
    };
    let count = shown.pixels().zip(kept.pixels()).filter(|p| differs(*p)).count();
    let share = count as f64 / f64::from(shown.width() * shown.height());
    if share > SHARE {
        let now = std::env::temp_dir().join(format!("kitwright-{name}.png"));
        shown.save(&now).expect("saved");
        panic!("{name}: {:.2} % of the pixels differ; it looks like {}", share * 100.0, now.display());
    }
}

#[test]
fn main_states_match_the_stored_pictures() {
    let mut harness = empty_window(900.0, 600.0, 1.0);
    settle(&mut harness);
    compare(&mut harness, "first-start");
    harness.state().session.edit("test kit", |kit| *kit = stroke_kit());
    assert_eq!(harness.state().session.error(), None);
    settle(&mut harness);
    for (section, name) in [
        (Section::Hit, "hit"),
        (Section::Layers, "layers"),
        (Section::Cloud, "cloud"),
        (Section::Tone, "tone"),
    ] {
        press(&mut harness, section.word());
        // away from all controls, so that nothing is hovered
        harness.hover_at(egui::pos2(1.0, 1.0));
        settle(&mut harness);
        compare(&mut harness, name);
    }
    // a weak pad, and what is to be known of it
    harness.state().session.edit("facts", fixtures::with_facts);
    press(&mut harness, "Pad 2, rim");
    press(&mut harness, "Hit");
    harness.hover_at(egui::pos2(1.0, 1.0));
    settle(&mut harness);
    compare(&mut harness, "weak");
    press(&mut harness, "Pad 14, percussion");
    harness.hover_at(egui::pos2(1.0, 1.0));
    settle(&mut harness);
    compare(&mut harness, "percussion");
}
