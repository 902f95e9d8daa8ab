//! The kit: sixteen pads along the keys that play them.

use super::{
    dragged::{DraggedHit, DraggedPad},
    frame_context::FrameContext,
    lights, score_text,
    selection::Selection,
    theme,
    trims::Trim,
    wave::{self, Stretch},
    widgets,
};
use egui::{Align2, CursorIcon, Event, Key, Rect, Response, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{
    kit::PADS,
    music::{is_black, note_name},
    session::{Job, PadTrigger},
};

/// Keys of a computer keyboard in the order of the pads along the keys: the two lower rows, like the black and white
/// keys of a piano.
pub const PLAYING_KEYS: [(Key, &str); PADS] = [
    (Key::Z, "Z"),
    (Key::S, "S"),
    (Key::X, "X"),
    (Key::D, "D"),
    (Key::C, "C"),
    (Key::V, "V"),
    (Key::G, "G"),
    (Key::B, "B"),
    (Key::H, "H"),
    (Key::N, "N"),
    (Key::J, "J"),
    (Key::M, "M"),
    (Key::Comma, ","),
    (Key::L, "L"),
    (Key::Period, "."),
    (Key::Slash, "/"),
];

/// Velocity of a key of the computer keyboard.
const KEY_VELOCITY: f32 = 0.8;

/// Triggers a pad and lights it.
fn trigger(cx: &mut FrameContext<'_>, pad: usize, velocity: f32) {
    cx.session.trigger(PadTrigger { pad, velocity: velocity.clamp(0.02, 1.0) });
    cx.readings.lights.light(pad);
}

/// Plays the pads from the computer keyboard while no text is typed; a held key triggers once.
pub fn play_keys(ui: &Ui, cx: &mut FrameContext<'_>) {
    if ui.ctx().text_edit_focused() {
        return;
    }
    // events, not key states: a quick tap starts and ends within one frame
    let pressed: Vec<Key> = ui.input(|i| {
        let fresh = |e: &Event| match *e {
            Event::Key { key, pressed: true, repeat: false, modifiers, .. } => {
                (!modifiers.command && !modifiers.alt).then_some(key)
            }
            _ => None,
        };
        i.events.iter().filter_map(fresh).collect()
    });
    let order = cx.pads_along_the_keys();
    for key in pressed {
        if let Some(place) = PLAYING_KEYS.iter().position(|(k, _)| *k == key) {
            trigger(cx, order[place], KEY_VELOCITY);
            ui.ctx().request_repaint();
        }
    }
}

/// Places that one frame of the kit has drawn.
pub struct KitPlaces {
    /// Each pad.
    pub pads: [Rect; PADS],
    /// The top centre of the chosen pad.
    pub chosen: egui::Pos2,
}

/// Shows the pads in `rect`.
pub fn show(ui: &mut Ui, rect: Rect, selection: &mut Selection, cx: &mut FrameContext<'_>) -> KitPlaces {
    let order = cx.pads_along_the_keys();
    let gap = 3.0;
    let width = (rect.width() - gap * (PADS - 1) as f32) / PADS as f32;
    let mut pads = [Rect::NOTHING; PADS];
    for (place, &pad) in order.iter().enumerate() {
        let left = rect.left() + place as f32 * (width + gap);
        let tile = Rect::from_min_size(pos2(left, rect.top()), vec2(width, rect.height()));
        pads[pad] = tile;
    }
    // the line ends where the pad that was chosen when the frame began is
    let chosen = pads[selection.pad].center_top();
    for (place, &pad) in order.iter().enumerate() {
        one_pad(ui, pads[pad], selection, cx, pad, place);
    }
    KitPlaces { pads, chosen }
}

/// Accessible name of a pad: "Pad 1, kick".
pub fn pad_name(pad: usize, cx: &FrameContext<'_>) -> String {
    format!("Pad {}, {}", pad + 1, cx.pad(pad).role)
}

fn one_pad(
    ui: &mut Ui,
    tile: Rect,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
    pad: usize,
    place: usize,
) {
    let chosen = selection.pad == pad;
    let painter = ui.painter().clone();
    painter.rect_filled(tile, theme::ROUND, if chosen { theme::RAISED } else { theme::SURFACE });
    let head = Rect::from_min_size(tile.min, vec2(tile.width(), 34.0));
    let key = Rect::from_min_max(pos2(tile.left(), tile.bottom() - 46.0), tile.max);
    let switches =
        Rect::from_min_max(pos2(tile.left(), key.top() - 24.0), pos2(tile.right(), key.top() - 2.0));
    let field = Rect::from_min_max(
        pos2(tile.left() + 2.0, head.bottom()),
        pos2(tile.right() - 9.0, switches.top() - 2.0),
    );
    title(ui, head, chosen, cx, pad);
    let response = surface(ui, field.union(head), field, selection, cx, pad);
    picture(ui, field, cx, pad);
    meter(
        ui,
        Rect::from_min_max(pos2(tile.right() - 6.0, field.top()), pos2(tile.right() - 2.0, field.bottom())),
        cx.readings.lights.peak_db(pad),
    );
    mute_and_solo(ui, switches, cx, pad);
    key_cap(ui, key, cx, pad, place);
    let over_with_something = response.dnd_hover_payload::<DraggedHit>().is_some()
        || response.dnd_hover_payload::<DraggedPad>().is_some_and(|p| p.0 != pad);
    if over_with_something {
        painter.rect_stroke(tile, theme::ROUND, (2.0, theme::TEXT), egui::StrokeKind::Inside);
    } else if chosen {
        painter.rect_stroke(tile, theme::ROUND, (1.5, theme::ACCENT), egui::StrokeKind::Inside);
    }
    widgets::focus_edge(&painter, tile.shrink(2.0), &response);
}

/// The role (two words on two lines) and the score text.
fn title(ui: &Ui, head: Rect, chosen: bool, cx: &FrameContext<'_>, pad: usize) {
    let built = cx.pad(pad);
    let painter = ui.painter_at(head);
    let colour = if chosen { theme::ACCENT } else { theme::TEXT };
    let text = |words: &str, ink| painter.layout_no_wrap(words.to_owned(), theme::small(), ink);
    let inner = head.shrink2(vec2(4.0, 2.0));
    let score = match cx.readings.automation.moving_of(pad) {
        0 => score_text::word(built),
        _ => "host".to_owned(),
    };
    let score = text(&score, theme::TEXT_DIM);
    let word = built.role.word();
    let mut lines: Vec<_> = word.split(' ').map(|w| text(w, colour)).collect();
    if lines[0].size().x > inner.width() {
        // percussion is the only long word
        lines = vec![text("perc.", colour)];
    }
    let line = |i: usize| inner.top() + 13.0 * i as f32;
    for (i, galley) in lines.iter().enumerate() {
        painter.galley(pos2(inner.left(), line(i)), galley.clone(), colour);
    }
    // right of the first line with enough room, or below
    let beside = (0..lines.len()).find(|&i| lines[i].size().x + 6.0 + score.size().x <= inner.width());
    let right = inner.right() - score.size().x;
    let at = match beside {
        Some(i) => Some(pos2(right, line(i))),
        None if lines.len() == 1 => Some(pos2(inner.left(), line(1))),
        None => None,
    };
    if let Some(at) = at {
        painter.galley(at, score, theme::TEXT_DIM);
    }
}

/// The part of a pad that is clicked, dragged and dropped onto.
fn surface(
    ui: &mut Ui,
    rect: Rect,
    field: Rect,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
    pad: usize,
) -> Response {
    let response = ui.interact(rect, ui.scope_id().with(("pad", pad)), Sense::click_and_drag());
    let name = pad_name(pad, cx);
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, selection.pad == pad, &name));
    let pressed = ui.input(|i| i.pointer.primary_pressed());
    // a tap may start and end within one frame
    let pressed_here = pressed && (response.is_pointer_button_down_on() || response.clicked());
    if pressed_here && let Some(at) = response.interact_pointer_pos() {
        selection.pad = pad;
        // higher is harder
        let height = ((field.bottom() - at.y) / field.height()).clamp(0.0, 1.0);
        trigger(cx, pad, 0.1 + 0.9 * height);
    } else if response.clicked() && response.interact_pointer_pos().is_none() {
        selection.pad = pad;
        trigger(cx, pad, KEY_VELOCITY);
    }
    response.dnd_set_drag_payload(DraggedPad(pad));
    // egui holds one payload: taking one type discards the other
    let carries_hit = egui::DragAndDrop::has_payload_of_type::<DraggedHit>(ui.ctx());
    if let Some(hit) = carries_hit.then(|| response.dnd_release_payload::<DraggedHit>()).flatten() {
        selection.pad = pad;
        cx.session.start(Job::SetHit { pad, source: (hit.0, hit.1), role: cx.pad(pad).role });
    } else if !carries_hit
        && let Some(other) = response.dnd_release_payload::<DraggedPad>()
        && other.0 != pad
    {
        swap(cx, other.0, pad);
        selection.pad = pad;
    }
    let built = cx.pad(pad);
    let score = score_text::sentence(built);
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(score.as_str()));
    response.on_hover_cursor(CursorIcon::PointingHand).on_hover_text(format!(
        "{name}, {} (MIDI {})\n{score}\nPress to play it: the higher, the harder. Drag it onto another pad to swap them.",
        note_name(built.note),
        built.note
    ))
}

/// Swaps two pads; each place keeps its note.
fn swap(cx: &FrameContext<'_>, a: usize, b: usize) {
    cx.session.edit(&format!("swap pads {} and {}", a + 1, b + 1), |kit| {
        let pads = &mut kit.doc.pads;
        let notes = (pads[a].note, pads[b].note);
        pads.swap(a, b);
        (pads[a].note, pads[b].note) = notes;
    });
}

fn picture(ui: &Ui, field: Rect, cx: &mut FrameContext<'_>, pad: usize) {
    let painter = ui.painter_at(field);
    wave::background(&painter, field);
    let kit = cx.kit.clone();
    let built = &kit.doc.pads[pad];
    let slice = built.slices.first().copied().or_else(|| built.layers.iter().find_map(|l| l.slice));
    let Some(slice) = slice else {
        return;
    };
    let Some(take) = kit.takes.get(slice.take) else { return };
    let Some(pyramid) = cx.readings.waves.get(take, ui.ctx()) else { return };
    let layer = built.layers.iter().find(|l| l.settings.on).map(|l| l.settings).unwrap_or_default();
    let rate = f64::from(take.sample_rate);
    let start = slice.start as f64 + f64::from(layer.start_ms) * 0.001 * rate;
    let end = (slice.end as f64).max(start + 1.0);
    let levels = super::envelope::levels(&layer, (end - start) / rate, 64);
    let shape = |share: f32| levels[((share * 64.0) as usize).min(63)];
    let [lo, hi] = pyramid.range(take, start as usize, end as usize);
    let stretch = Stretch {
        take,
        pyramid: &pyramid,
        start,
        end,
        full_scale: hi.max(-lo).max(1e-5),
        reverse: layer.reverse,
    };
    let colour = if cx.readings.lights.is_lit(pad) { theme::ACCENT } else { theme::SOUND };
    wave::draw(&painter, field.shrink(2.0), stretch, shape, |_| colour);
}

/// A bar from the floor up; a line marks full scale.
fn meter(ui: &Ui, rect: Rect, db: f32) {
    let painter = ui.painter();
    painter.rect_filled(rect, 1, theme::INSET);
    let top = rect.bottom() - lights::share(db) * rect.height();
    painter.rect_filled(
        Rect::from_min_max(pos2(rect.left(), top), rect.max),
        1,
        if db > -1.0 { theme::ERROR } else { theme::SOUND },
    );
}

fn mute_and_solo(ui: &mut Ui, rect: Rect, cx: &mut FrameContext<'_>, pad: usize) {
    let width = (rect.width() - 8.0) / 2.0;
    for (i, (letter, id, word, help)) in [
        ("M", "mute", "Mute", "Silences the pad."),
        ("S", "solo", "Solo", "Silences every pad that is not soloed."),
    ]
    .into_iter()
    .enumerate()
    {
        let trim = Trim::pad(pad, id);
        let on = cx.trims.get(trim) >= 0.5;
        let place = Rect::from_min_size(
            pos2(rect.left() + 3.0 + i as f32 * (width + 2.0), rect.top()),
            vec2(width, rect.height()),
        );
        let (fill, ink) = if on { (theme::ACCENT, theme::ON_ACCENT) } else { (theme::RAISED, theme::TEXT) };
        let text = egui::RichText::new(letter).font(theme::small()).color(ink);
        let response = ui.put(place, egui::Button::new(text).fill(fill).min_size(place.size()));
        response
            .widget_info(|| WidgetInfo::selected(Role::Switch, true, on, format!("{word} pad {}", pad + 1)));
        if cx.readings.automation.moves(trim) {
            ui.painter().rect_stroke(place, theme::ROUND, (2.0, theme::TEXT), egui::StrokeKind::Inside);
            ui.ctx().accesskit_node_builder(response.id, |node| node.set_value("moved by the host"));
        }
        if response.on_hover_text(help).clicked() {
            cx.trims.put(trim, if on { 0.0 } else { 1.0 });
        }
    }
}

/// The key that plays the pad, with its note; the key of a pad that was triggered is lit and moves down.
fn key_cap(ui: &Ui, rect: Rect, cx: &FrameContext<'_>, pad: usize, place: usize) {
    let painter = ui.painter();
    let note = cx.pad(pad).note;
    let lit = cx.readings.lights.is_lit(pad);
    let black = is_black(note);
    let cap =
        if black { Rect::from_min_max(rect.min, pos2(rect.right(), rect.bottom() - 12.0)) } else { rect };
    let cap = if lit { cap.translate(vec2(0.0, 2.0)) } else { cap }.intersect(rect);
    let (fill, ink) = match (lit, black) {
        (true, _) => (theme::ACCENT, theme::ON_ACCENT),
        (false, true) => (theme::BACKGROUND, theme::TEXT),
        (false, false) => (theme::WHITE_KEY, theme::BACKGROUND),
    };
    painter.rect(
        cap.shrink2(vec2(2.0, 0.0)),
        egui::CornerRadius { nw: 0, ne: 0, sw: 3, se: 3 },
        fill,
        (1.0, theme::BORDER),
        egui::StrokeKind::Inside,
    );
    let clip = ui.painter_at(cap);
    clip.text(
        pos2(cap.left() + 6.0, cap.top() + 2.0),
        Align2::LEFT_TOP,
        note_name(note),
        theme::small(),
        ink,
    );
    clip.text(
        pos2(cap.right() - 6.0, cap.top() + 2.0),
        Align2::RIGHT_TOP,
        note.to_string(),
        theme::small(),
        ink,
    );
    let (_, letter) = PLAYING_KEYS[place];
    clip.text(pos2(cap.center().x, cap.bottom() - 2.0), Align2::CENTER_BOTTOM, letter, theme::small(), ink);
}
