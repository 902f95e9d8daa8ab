//! The take view: playing, choosing and editing hits, detecting them again.

use super::*;

fn hits(harness: &Harness<'_, TestWindow>) -> usize {
    harness.state().session.kit().doc.takes[0].hits.len()
}

/// Attaches meters, so that the session hands out what the audio thread would take.
fn attach(harness: &Harness<'_, TestWindow>) -> Arc<kitwright_core::engine::Meters> {
    let meters = Arc::default();
    harness.state().session.attach_engine(48_000.0, Arc::clone(&meters));
    meters
}

#[test]
fn clicking_a_hit_plays_it_and_chooses_its_pad() {
    let mut harness = window();
    attach(&harness);
    let kit = harness.state().session.kit();
    let hit = kit.doc.takes[0].hits[4].clone();
    harness.get_by_label_contains("Hit 5 of take 1, rim").click();
    harness.run_ok();
    assert_eq!(harness.state().window.take.hit, Some(4));
    assert_eq!(harness.state().window.selection.pad, 1);
    let start = Instant::now();
    let preview = loop {
        if let Some(preview) = harness.state().session.take_preview() {
            break preview;
        }
        assert!(start.elapsed() < PATIENCE);
        std::thread::sleep(Duration::from_millis(5));
    };
    assert_eq!((preview.start, preview.end), (hit.start, hit.end));
}

#[test]
fn hits_are_split_merged_removed_and_added() {
    let mut harness = window();
    let before = hits(&harness);
    // a long hit, looked at closely
    let kit = harness.state().session.kit();
    let (index, hit) = kit.doc.takes[0]
        .hits
        .iter()
        .enumerate()
        .max_by_key(|(_, h)| h.end - h.start)
        .expect("there are hits");
    let (start, end) = (hit.start as f64, hit.end as f64);
    harness.state_mut().window.take.visible_frames = [start - 1000.0, end + 1000.0];
    settle(&mut harness);
    harness.get_by_label_contains(&format!("Hit {} of take 1", index + 1)).click();
    harness.run_ok();
    press(&mut harness, "Split the hit at the mark");
    wait_until(&mut harness, "the split", |d| d.session.kit().doc.takes[0].hits.len() == before + 1);
    assert_eq!(harness.state().window.take.hit, Some(index + 1), "the new hit is chosen");
    harness.state_mut().window.take.hit = Some(index);
    settle(&mut harness);
    press(&mut harness, "Merge the hit with the next");
    wait_until(&mut harness, "the merge", |d| d.session.kit().doc.takes[0].hits.len() == before);
    press(&mut harness, "Remove the hit");
    wait_until(&mut harness, "the removal", |d| d.session.kit().doc.takes[0].hits.len() == before - 1);
    // where it was there is room for one by hand
    let field = harness.get_by_label("Wave of take 1").rect();
    harness.hover_at(field.center());
    harness.step();
    harness.drag_at(field.center());
    harness.step();
    harness.drop_at(field.center());
    harness.run_ok();
    press(&mut harness, "Add a hit at the mark");
    wait_until(&mut harness, "the new hit", |d| d.session.kit().doc.takes[0].hits.len() == before);
    assert!(harness.state().session.kit().doc.takes[0].hits[index].by_hand);
}

#[test]
fn zooming_in_keeps_the_centre() {
    let mut harness = window();
    let [from, to] = harness.state().window.take.visible_frames;
    press(&mut harness, "Zoom in");
    let [a, b] = harness.state().window.take.visible_frames;
    assert!(((b - a) / (to - from) - 0.5).abs() < 1e-6);
    assert!(((a + b) / 2.0 - (from + to) / 2.0).abs() < 1.0);
    press(&mut harness, "Show the whole take");
    assert_eq!(harness.state().window.take.visible_frames, [from, to]);
}

#[test]
fn the_start_of_a_hit_is_dragged() {
    let mut harness = window();
    let kit = harness.state().session.kit();
    let hit = kit.doc.takes[0].hits[10].clone();
    harness.state_mut().window.take.visible_frames = [hit.start as f64 - 4000.0, hit.end as f64 + 4000.0];
    settle(&mut harness);
    harness.get_by_label_contains("Hit 11 of take 1").click();
    harness.run_ok();
    let grip = harness.get_by_label("Start of hit 11").rect().center();
    drag(&mut harness, grip, grip + egui::vec2(40.0, 0.0));
    let moved = |d: &TestWindow| d.session.kit().doc.takes[0].hits[10].start != hit.start;
    wait_until(&mut harness, "the start to move", moved);
    let now = harness.state().session.kit().doc.takes[0].hits[10].clone();
    assert!(now.start > hit.start && now.end == hit.end && now.by_hand);
}

#[test]
fn the_take_s_tools_fit_into_the_smallest_window() {
    let mut harness = sized_window(900.0, 600.0, 1.0);
    harness.state_mut().window.take.cursor = Some(12_000);
    harness.run_ok();
    let add = harness.get_by_label("Add a hit at the mark").rect();
    let zoom = harness.get_by_label("Zoom out").rect();
    assert!(add.right() < zoom.left(), "{add:?} runs into {zoom:?}");
}

#[test]
fn detection_with_a_gate_gives_shorter_hits() {
    let mut harness = window();
    let length =
        |d: &TestWindow| d.session.kit().doc.takes[0].hits.iter().map(|h| h.end - h.start).sum::<u64>();
    let before = length(harness.state());
    harness.get_by_label("Detection Gate").set_value_accesskit(-10.0);
    harness.run_ok();
    press(&mut harness, "Detect the hits again");
    wait_until(&mut harness, "the new hits", |d| length(d) < before / 2);
}

#[test]
fn detection_with_less_sensitivity_finds_fewer_hits() {
    let mut harness = window();
    let before = hits(&harness);
    harness.get_by_label("Detection Sensitivity").set_value_accesskit(-1.0);
    harness.run_ok();
    press(&mut harness, "Detect the hits again");
    wait_until(&mut harness, "the new hits", |d| d.session.kit().doc.takes[0].hits.len() < before);
}

#[test]
fn the_keyboard_goes_through_the_hits_and_removes_one() {
    let mut harness = window();
    let count = hits(&harness);
    harness.get_by_label("Wave of take 1").focus();
    harness.run_ok();
    let mut key = |key: egui::Key| {
        harness.key_press(key);
        harness.run_ok();
        harness.state().window.take.hit
    };
    assert_eq!(key(egui::Key::ArrowRight), Some(0));
    assert_eq!(key(egui::Key::ArrowRight), Some(1));
    assert_eq!(key(egui::Key::ArrowLeft), Some(0));
    assert_eq!(key(egui::Key::End), Some(count - 1));
    assert_eq!(key(egui::Key::ArrowRight), Some(count - 1));
    assert_eq!(key(egui::Key::Escape), None);
    assert_eq!(key(egui::Key::Home), Some(0));
    assert_eq!(key(egui::Key::Delete), None);
    wait_until(&mut harness, "the removal", |d| d.session.kit().doc.takes[0].hits.len() == count - 1);
}

#[test]
fn a_hit_chosen_by_the_keyboard_is_scrolled_into_sight() {
    let mut harness = window();
    let end = harness.state().window.take.visible_frames[1];
    harness.state_mut().window.take.visible_frames = [0.0, end * 0.1];
    harness.get_by_label("Wave of take 1").focus();
    harness.run_ok();
    harness.key_press(egui::Key::End);
    harness.run_ok();
    let kit = harness.state().session.kit();
    let start = kit.doc.takes[0].hits.last().expect("a hit").start as f64;
    let [from, to] = harness.state().window.take.visible_frames;
    assert!(from <= start && start < to, "{start} in {from} to {to}");
}

#[test]
fn the_tools_of_a_hit_stay_in_their_places() {
    let mut harness = window();
    harness.state_mut().window.take.hit = Some(3);
    harness.run_ok();
    let places = |h: &Harness<'_, TestWindow>| {
        ["Split the hit at the mark", "Merge the hit with the next", "Remove the hit"]
            .map(|l| h.get_by_label(l).rect())
    };
    let without_mark = places(&harness);
    assert!(harness.get_by_label("Split the hit at the mark").accesskit_node().is_disabled());
    let hit = harness.state().session.kit().doc.takes[0].hits[3].clone();
    harness.state_mut().window.take.cursor = Some((hit.start + hit.end) / 2);
    harness.run_ok();
    assert!(!harness.get_by_label("Split the hit at the mark").accesskit_node().is_disabled());
    assert_eq!(places(&harness), without_mark);
    let last = hits(&harness) - 1;
    harness.state_mut().window.take.hit = Some(last);
    harness.run_ok();
    assert!(harness.get_by_label("Merge the hit with the next").accesskit_node().is_disabled());
}

#[test]
fn the_keyboard_moves_the_edges_of_a_hit_and_puts_it_onto_a_pad() {
    let mut harness = window();
    let hit = |h: &Harness<'_, TestWindow>| {
        let hit = h.state().session.kit().doc.takes[0].hits[10].clone();
        [hit.start, hit.end]
    };
    harness.state_mut().window.take.hit = Some(10);
    harness.get_by_label("Wave of take 1").focus();
    harness.run_ok();
    let [start, end] = hit(&harness);
    for (modifiers, key) in
        [(egui::Modifiers::ALT, egui::Key::ArrowRight), (egui::Modifiers::SHIFT, egui::Key::ArrowLeft)]
    {
        let before = hit(&harness);
        harness.key_press_modifiers(modifiers, key);
        harness.run_ok();
        let moved = |d: &TestWindow| {
            let hit = &d.session.kit().doc.takes[0].hits[10];
            [hit.start, hit.end] != before && d.session.job().is_none()
        };
        wait_until(&mut harness, "the edge", moved);
    }
    let now = hit(&harness);
    assert!(now[0] > start && now[1] < end, "{now:?} from {:?}", [start, end]);
    assert_eq!(harness.state().window.take.hit, Some(10), "the same hit stays chosen");
    harness.key_press(egui::Key::Enter);
    harness.run_ok();
    let pad = harness.state().window.selection.pad;
    wait_until(&mut harness, "the pad", move |d| {
        d.session.kit().doc.pads[pad].audition.as_ref().is_some_and(|a| a.hit == 10)
    });
}

/// Four seconds of decaying bursts of noise over faint noise, cut off at four fifths of full scale where `clipped`.
fn bursts(clipped: bool) -> Kit {
    let mut seed = 1_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223); // Numerical Recipes
        (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    let burst = |i: u32| 0.5 * (-((i % 48_000) as f32) / 3000.0).exp();
    let sample = |i| (1e-4 + burst(i)) * noise();
    let samples: Vec<f32> = (0..4 * 48_000).map(sample).collect();
    let samples = samples.into_iter().map(|x| if clipped { (6.0 * x).clamp(-0.8, 0.8) } else { x });
    let take = kitwright_core::take::Take::from_samples("bursts.wav", 48_000, vec![samples.collect()]);
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    kit.takes.push(Arc::new(take));
    kit
}

#[test]
fn what_is_amiss_with_a_recording_is_said_beside_it() {
    for (width, height) in [(900.0, 600.0), (1280.0, 800.0)] {
        let mut harness = empty_window(width, height, 1.0);
        harness.state().session.edit("a take", |kit| *kit = bursts(false));
        settle(&mut harness);
        assert!(harness.query_by_label_contains("The recording is").is_none(), "nothing is amiss");
        harness.state().session.edit("a take", |kit| *kit = bursts(true));
        settle(&mut harness);
        let said = harness.get_by_label_contains("The recording is clipped in").rect();
        let after = harness.get_by_label("Zoom out").rect();
        assert!(said.width() > 60.0 && said.right() <= after.left(), "{said:?} beside {after:?}");
        harness.hover_at(said.center());
        for _ in 0..40 {
            harness.step();
        }
        let explained = harness.output().shapes.iter().any(
            |s| matches!(&s.shape, egui::Shape::Text(t) if t.galley.text().contains("record it softer")),
        );
        assert!(explained, "what to do, on the pointer's wish");
    }
}
