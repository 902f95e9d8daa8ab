//! Layout at every size: what can be checked without comparing pictures.

use super::*;
use kitwright::editor::Section;

fn picture(harness: &mut Harness<'_, TestWindow>, name: &str) {
    if std::env::var_os("KITWRIGHT_SHOTS").is_none() {
        return;
    }
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/window-shots");
    std::fs::create_dir_all(&folder).expect("folder");
    let image = harness.render().expect("rendered");
    image.save(folder.join(format!("{name}.png"))).expect("saved");
}

/// The kit of the pictures as a file, to be opened in the real window.
#[test]
fn the_kit_of_the_pictures_can_be_saved() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let file = folder.path().join("plain.kitwright");
    plain_kit().save(&file, &Quiet).expect("saved");
    if std::env::var_os("KITWRIGHT_SHOTS").is_some() {
        let shots = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/window-shots");
        std::fs::create_dir_all(&shots).expect("folder");
        std::fs::copy(&file, shots.join("plain.kitwright")).expect("copied");
    }
    assert_eq!(Kit::load(&file, &Quiet).expect("read").doc.pads, plain_kit().doc.pads);
}

#[test]
fn every_section_can_be_opened_at_every_size() {
    let mut harness = empty_window(900.0, 600.0, 1.0);
    settle(&mut harness);
    picture(&mut harness, "first-900x600");
    for (w, h, scale) in
        [(900.0, 600.0, 1.0), (1120.0, 720.0, 1.0), (1280.0, 800.0, 2.0), (1920.0, 1080.0, 2.0)]
    {
        let mut harness = sized_window(w, h, scale);
        for section in Section::ALL {
            press(&mut harness, section.word());
            assert_eq!(harness.state().window.selection.section, section);
            settle(&mut harness);
            picture(&mut harness, &format!("{}-{w}x{h}@{scale}", section.word()));
        }
        harness.get_by_label_contains("Hit 5 of take 1, rim").click();
        harness.run_ok();
        press(&mut harness, "Layers");
        harness
            .state()
            .session
            .report(kitwright_core::error::Error::file("knock.wav", "is not audio; choose another file"));
        settle(&mut harness);
        picture(&mut harness, &format!("chosen-{w}x{h}@{scale}"));
        press(&mut harness, "Dismiss the message");
        press(&mut harness, "About Kitwright");
        picture(&mut harness, &format!("About-{w}x{h}@{scale}"));
        press(&mut harness, "Close About");
        press(&mut harness, "Open a recording or a kit");
        settle(&mut harness);
        picture(&mut harness, &format!("Open-{w}x{h}@{scale}"));
    }
}

#[test]
fn the_settings_of_the_mix_stand_one_below_the_other_where_there_is_room() {
    for (width, height, below) in [(1280.0, 800.0, false), (1920.0, 1080.0, true), (3840.0, 2160.0, true)] {
        let mut harness = sized_window(width, height, 1.0);
        press(&mut harness, Section::Mix.word());
        let kit = harness.get_by_label("Pad 1 Level").rect();
        let variation = harness.get_by_label("Pad 1 variation Pitch").rect();
        let distance = variation.top() - kit.bottom();
        assert_eq!(distance > 100.0, below, "{kit:?} and {variation:?} at {width} x {height}");
        assert!(distance < 220.0, "far apart: {kit:?} and {variation:?} at {width} x {height}");
        assert!(variation.right() <= width && kit.left() >= 0.0);
        picture(&mut harness, &format!("mix-{width}x{height}"));
    }
}

/// The curve of the tone chain and the copies of the cloud take half of a wide window, since their settings leave it.
#[test]
fn pictures_take_the_room_of_a_wide_window() {
    for (width, height, half) in [(1280.0, 800.0, false), (1920.0, 1080.0, true), (3840.0, 2160.0, true)] {
        let mut harness = sized_window(width, height, 1.0);
        for (section, first) in [("Tone", "Pad 1 low cut On"), ("Cloud", "Pad 1 cloud Copies")] {
            press(&mut harness, section);
            picture(&mut harness, &format!("{section}-wide-{width}x{height}"));
            let left = harness.get_by_label(first).rect().left();
            assert_eq!(left > 0.48 * width, half, "{first} from {left} on at {width} x {height}");
            assert!(left < 0.55 * width, "{first} from {left} on at {width} x {height}");
        }
    }
}

#[test]
fn the_wave_of_the_take_and_the_chosen_colour_are_on_the_screen() {
    let mut harness = sized_window(1920.0, 1080.0, 1.0);
    let image = harness.render().expect("rendered");
    let count = |colour: egui::Color32| image.pixels().filter(|p| p.0[..3] == colour.to_array()[..3]).count();
    let kick = count(theme::family(kitwright_core::kit::Role::Kick));
    assert!(kick > 500, "waves: {kick}");
    assert!(count(theme::ACCENT) > 300, "chosen things: {}", count(theme::ACCENT));
    assert!(count(theme::WHITE_KEY) > 2000, "keys: {}", count(theme::WHITE_KEY));
}

#[test]
fn an_idle_window_asks_for_no_frames() {
    let mut harness = window();
    settle(&mut harness);
    harness.step();
    let delay = harness.output().viewport_output[&egui::ViewportId::ROOT].repaint_delay;
    assert!(delay > Duration::from_secs(1), "asks for a frame after {delay:?}");
}

#[test]
fn all_controls_fit_into_the_smallest_window() {
    let mut harness = sized_window(900.0, 600.0, 1.0);
    let screen = egui::Rect::from_min_size(egui::Pos2::ZERO, egui::vec2(900.0, 600.0)).expand(0.5);
    for section in Section::ALL {
        press(&mut harness, section.word());
        for label in [
            "Name of the kit",
            "Save the kit",
            "Undo",
            "History of changes",
            "Output of the kit",
            "Zoom of the window",
            "About Kitwright",
            "Role of pad 1",
            "Pad 1 Fit",
            "Next best hit",
            "Lock the pad",
            "A or B of the pad",
            "Pad menu",
            "Solo pad 16",
            "Pad 16, shaker",
        ] {
            let rect = harness.get_by_label(label).rect();
            assert!(screen.contains_rect(rect), "{label} at {rect:?}");
        }
    }
    // neighbours in the two crowded lines do not lie over each other
    for line in [
        ["Name of the kit", "Open a recording or a kit", "Save the kit", "Save the kit as", "Export the kit"],
        ["The kit is not saved", "Open a recording or a kit", "", "", ""],
        ["Export the kit", "Undo", "Redo", "History of changes", "Level of the main output"],
        ["Level of the main output", "Output of the kit", "Zoom of the window", "About Kitwright", ""],
        ["Role of pad 1", "Pad 1 Fit", "Next better hit", "Next best hit", "Hear the pad"],
        ["Hear the pad", "Lock the pad", "A or B of the pad", "Pad menu", ""],
    ] {
        for pair in line.windows(2).filter(|pair| !pair[1].is_empty()) {
            let (a, b) = (harness.get_by_label(pair[0]).rect(), harness.get_by_label(pair[1]).rect());
            assert!(a.right() <= b.left(), "{} lies over {}", pair[1], pair[0]);
        }
    }
    let [name, saved] =
        ["Name of the kit", "The kit is not saved"].map(|label| harness.get_by_label(label).rect());
    assert!(name.bottom() <= saved.top() + 0.5, "the word stands below the name: {name:?}, {saved:?}");
}

#[test]
fn the_name_of_a_kit_of_two_words_stands_whole_at_every_size() {
    for (w, h) in [(900.0, 600.0), (1059.0, 700.0), (1060.0, 700.0), (1120.0, 720.0), (1920.0, 1080.0)] {
        let harness = sized_window(w, h, 1.0);
        let is_name = |shape: &egui::Shape| {
            matches!(shape, egui::Shape::Text(t) if t.galley.text() == "Borrowed cello" && !t.galley.elided
                && t.galley.job.sections.iter().all(|s| s.format.color.a() > 0) && t.pos.y < 40.0)
        };
        assert!(harness.output().shapes.iter().any(|s| is_name(&s.shape)), "at {w} x {h}");
    }
}

#[test]
fn zoom_is_chosen_from_the_list_and_remembered() {
    let mut harness = window();
    press(&mut harness, "Zoom of the window");
    press(&mut harness, "Zoom 150 %");
    assert_eq!(harness.state().window.memory.zoom, 1.5);
}

#[test]
fn the_status_line_explains_what_is_under_the_pointer_and_keeps_its_place() {
    let mut harness = window();
    let shown = |h: &Harness<'_, TestWindow>, text: &str| {
        h.output()
            .shapes
            .iter()
            .any(|s| matches!(&s.shape, egui::Shape::Text(t) if t.galley.text() == text && t.pos.y > 770.0))
    };
    let help = "Writes the kit with its audio into another file.";
    assert!(!shown(&harness, help));
    let pad = harness.get_by_label("Pad 9, open hat").rect();
    let at = harness.get_by_label("Save the kit as").rect().center();
    harness.hover_at(at);
    harness.run_ok();
    assert!(shown(&harness, help));
    harness.state().session.report(kitwright_core::error::Error::invalid("a sentence"));
    settle(&mut harness);
    assert_eq!(harness.get_by_label("Pad 9, open hat").rect(), pad, "nothing moves for a message");
}
