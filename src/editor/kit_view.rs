//! The kit: sixteen pads along the keys that play them.

use super::{
    dragged::{DraggedHit, DraggedPad},
    frame_context::FrameContext,
    held_pads::HeldBy,
    lights, score_text,
    selection::Selection,
    theme,
    trims::Trim,
    widgets,
};
use egui::{
    Align2, Color32, CursorIcon, Event, EventFilter, Key, Modifiers, Rect, Response, Role, Sense, TextFormat,
    Ui, WidgetInfo, pos2, text::LayoutJob, vec2,
};
use kitwright_core::{
    kit::{PADS, by_hand},
    music::{is_black, note_name},
    session::Job,
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
            cx.strike(ui, order[place], KEY_VELOCITY, HeldBy::Key(key));
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
    /// What of the chosen pad gets the keyboard.
    pub surface: Option<egui::Id>,
}

/// Width from which all pads stand in one row, over a keyboard, points.
const ONE_ROW: f32 = 1600.0;
/// Distance between tiles, points.
const TILE_GAP: f32 = 8.0;
/// Height of the keyboard below one row of pads, points.
const KEYBOARD: f32 = 44.0;

/// Whether all pads stand in one row at this width, points.
pub fn is_one_row(width: f32) -> bool {
    width >= ONE_ROW - 32.0
}

/// Shows the pads in `rect`.
pub fn show(ui: &mut Ui, rect: Rect, selection: &mut Selection, cx: &mut FrameContext<'_>) -> KitPlaces {
    let order = cx.pads_along_the_keys();
    let one_row = is_one_row(rect.width());
    let rows = if one_row { 1 } else { 2 };
    let columns = PADS / rows;
    let below = if one_row { KEYBOARD } else { 0.0 };
    let width = (rect.width() - TILE_GAP * (columns - 1) as f32) / columns as f32;
    let height = (rect.height() - below - TILE_GAP * (rows - 1) as f32) / rows as f32;
    let mut pads = [Rect::NOTHING; PADS];
    for (place, &pad) in order.iter().enumerate() {
        let (column, row) = (place % columns, place / columns);
        let corner = vec2(column as f32 * (width + TILE_GAP), row as f32 * (height + TILE_GAP));
        pads[pad] = Rect::from_min_size(rect.min + corner, vec2(width, height));
    }
    // the line ends where the pad that was chosen when the frame began is
    let chosen = pads[selection.pad].center_top();
    let solo = (0..PADS).any(|pad| cx.trims.get(Trim::pad(pad, "solo")) >= 0.5);
    let mut surface = None;
    for (place, &pad) in order.iter().enumerate() {
        let id = one_pad(ui, pads[pad], selection, cx, pad, PLAYING_KEYS[place].1, solo);
        surface = if pad == selection.pad { Some(id) } else { surface };
        if one_row {
            let left_top = pads[pad].left_bottom() + vec2(0.0, 4.0);
            let key = Rect::from_min_size(left_top, vec2(width + TILE_GAP, KEYBOARD - 4.0));
            keyboard_key(ui, key, selection, cx, pad);
        }
    }
    KitPlaces { pads, chosen, surface }
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
    letter: &str,
    solo: bool,
) -> egui::Id {
    let chosen = selection.pad == pad;
    let painter = ui.painter().clone();
    let heard = Heard::of(cx, pad, solo);
    let ground = match (cx.readings.lights.is_lit(pad), heard) {
        (true, Heard::Yes | Heard::Solo) => theme::HOVERED,
        _ => theme::SURFACE,
    };
    painter.rect_filled(tile, theme::ROUND, ground);
    let head = Rect::from_min_size(tile.min + vec2(8.0, 4.0), vec2(tile.width() - 16.0, 22.0));
    let foot = Rect::from_min_max(pos2(tile.left() + 8.0, tile.bottom() - 30.0), tile.max - vec2(4.0, 1.0));
    let field = Rect::from_min_max(
        pos2(tile.left() + 8.0, head.bottom() + 2.0),
        pos2(tile.right() - 20.0, foot.top() - 2.0),
    );
    let switches = Rect::from_min_max(pos2(foot.right() - 58.0, foot.top()), foot.max);
    let response = surface(ui, tile, [field, switches], selection, cx, pad);
    let score = title(ui, head, cx, pad, heard);
    picture(ui, field, cx, pad, heard, score);
    let bar =
        Rect::from_min_max(pos2(tile.right() - 13.0, field.top()), pos2(tile.right() - 8.0, field.bottom()));
    meter(ui, bar, cx.readings.lights.peak_db(pad), theme::family(cx.pad(pad).role));
    note(ui, Rect::from_min_max(foot.min, pos2(switches.left() - 2.0, foot.bottom())), cx, pad, letter);
    mute_and_solo(ui, switches, cx, pad);
    let over_with_something = response.dnd_hover_payload::<DraggedHit>().is_some()
        || response.dnd_hover_payload::<DraggedPad>().is_some_and(|p| p.0 != pad);
    if over_with_something || chosen {
        painter.rect_stroke(tile, theme::ROUND, (2.0, theme::ACCENT), egui::StrokeKind::Inside);
    }
    widgets::focus_edge(&painter, tile.shrink(3.0), &response);
    response.id
}

/// Whether a pad is heard, and why not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Heard {
    Yes,
    /// It is soloed.
    Solo,
    /// It is muted.
    Muted,
    /// Other pads are soloed.
    BesideSolo,
}

impl Heard {
    /// `solo`: some pad is soloed.
    fn of(cx: &FrameContext<'_>, pad: usize, solo: bool) -> Self {
        let on = |id| cx.trims.get(Trim::pad(pad, id)) >= 0.5;
        match (on("mute"), on("solo")) {
            (true, _) => Self::Muted,
            (false, true) => Self::Solo,
            (false, false) if solo => Self::BesideSolo,
            (false, false) => Self::Yes,
        }
    }

    /// The word over the picture.
    fn word(self) -> Option<&'static str> {
        match self {
            Self::Yes => None,
            Self::Solo => Some("solo"),
            Self::Muted => Some("muted"),
            Self::BesideSolo => Some("not soloed"),
        }
    }

    fn colour(self, colour: Color32) -> Color32 {
        match self {
            Self::Yes | Self::Solo => colour,
            Self::Muted => theme::BORDER,
            Self::BesideSolo => colour.gamma_multiply(0.45),
        }
    }
}

/// The role and the score; the score comes back where a narrow tile has no room for both.
fn title(ui: &Ui, head: Rect, cx: &FrameContext<'_>, pad: usize, heard: Heard) -> Option<LayoutJob> {
    let built = cx.pad(pad);
    let score = match cx.readings.automation.moving_of(pad) {
        0 if built.locked => format!("{} ·", score_text::word(built)),
        0 => score_text::word(built),
        _ => "host".to_owned(),
    };
    let painter = ui.painter();
    let colour = if heard == Heard::Muted { theme::TEXT_DIM } else { theme::family(built.role) };
    let (at, font) = (head.left_center(), theme::body());
    let word =
        widgets::text_in(painter, at, Align2::LEFT_CENTER, built.role.word(), font, colour, head.width());
    let mut words = LayoutJob::default();
    if score_text::weak(built).is_some() {
        words.append("! ", 0.0, TextFormat::simple(theme::body(), theme::ERROR));
    }
    words.append(&score, 0.0, TextFormat::simple(theme::small(), theme::TEXT_DIM));
    let galley = painter.layout_job(words.clone());
    let at = Align2::RIGHT_CENTER.anchor_size(head.right_center(), galley.size());
    if at.left() <= word.right() + 6.0 {
        return Some(words);
    }
    painter.galley(at.min, galley, theme::TEXT_DIM);
    None
}

/// The note that plays the pad, its number and the letter of the computer keyboard.
fn note(ui: &Ui, rect: Rect, cx: &FrameContext<'_>, pad: usize, letter: &str) {
    let note = cx.pad(pad).note;
    let middle = rect.center().y;
    let mut left = rect.left();
    let number = note.to_string();
    let words =
        [(note_name(note), theme::TEXT), (number, theme::TEXT_DIM), (letter.to_owned(), theme::TEXT_DIM)];
    // the same words on every tile, whatever the width of their letters
    let count = match rect.width() {
        width if width >= 76.0 => 3,
        width if width >= 56.0 => 2,
        _ => 1,
    };
    let words = words.into_iter().take(count);
    for (word, ink) in words {
        let galley = ui.painter().layout_no_wrap(word, theme::small(), ink);
        if left + galley.size().x > rect.right() {
            break;
        }
        let at = pos2(left, middle - galley.size().y / 2.0);
        left += galley.size().x + 8.0;
        ui.painter().galley(at, galley, ink);
    }
}

/// A key of the drawn keyboard: it plays its pad and is lit by its strokes.
fn keyboard_key(ui: &mut Ui, rect: Rect, selection: &mut Selection, cx: &mut FrameContext<'_>, pad: usize) {
    let response = ui.interact(rect, ui.scope_id().with(("key", pad)), Sense::click());
    let note = cx.pad(pad).note;
    let name = format!("Key {} of pad {}", note_name(note), pad + 1);
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &name));
    let pressed = ui.input(|i| i.pointer.primary_pressed());
    let pressed_here = pressed && (response.is_pointer_button_down_on() || response.clicked());
    let by_keyboard = response.clicked() && response.interact_pointer_pos().is_none();
    if pressed_here || by_keyboard {
        selection.pad = pad;
        let by = if pressed_here { HeldBy::Pointer } else { HeldBy::Button };
        cx.strike(ui, pad, KEY_VELOCITY, by);
    }
    let black = is_black(note);
    let (fill, ink) = match (cx.readings.lights.is_lit(pad), black) {
        (true, _) => (theme::family(cx.pad(pad).role), theme::ON_ACCENT),
        (false, true) => (theme::INSET, theme::TEXT),
        (false, false) => (theme::WHITE_KEY, theme::ON_ACCENT),
    };
    let cap =
        if black { Rect::from_min_max(rect.min, pos2(rect.right(), rect.bottom() - 8.0)) } else { rect };
    let painter = ui.painter_at(rect);
    painter.rect_filled(cap.shrink2(vec2(1.0, 0.0)), egui::CornerRadius { nw: 0, ne: 0, sw: 4, se: 4 }, fill);
    painter.text(
        cap.center_bottom() - vec2(0.0, 4.0),
        Align2::CENTER_BOTTOM,
        note_name(note),
        theme::small(),
        ink,
    );
    widgets::focus_edge(&painter, rect.shrink(2.0), &response);
    response.on_hover_text(format!("{name}: press to play it."));
}

/// The part of a pad that is clicked, dragged and dropped onto: all but its switches.
fn surface(
    ui: &mut Ui,
    rect: Rect,
    [field, switches]: [Rect; 2],
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
    // a drag from a switch begins on the pad below it
    let at = response.interact_pointer_pos().filter(|at| !switches.contains(*at));
    if pressed_here && let Some(at) = at {
        selection.pad = pad;
        // higher is harder
        let height = ((field.bottom() - at.y) / field.height()).clamp(0.0, 1.0);
        cx.strike(ui, pad, 0.1 + 0.9 * height, HeldBy::Pointer);
    } else if response.clicked() && response.interact_pointer_pos().is_none() {
        selection.pad = pad;
        cx.strike(ui, pad, KEY_VELOCITY, HeldBy::Button);
    }
    pad_keys(ui, &response, selection, cx, pad);
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
        "{name}, {} (MIDI {})\n{score}\nPress to play it: the higher, the harder. Drag it onto another pad to swap them, or use Shift and arrows.",
        note_name(built.note),
        built.note
    ))
}

/// The arrows go from pad to pad along the keys; with Shift they swap the pad with its neighbour.
fn pad_keys(ui: &Ui, response: &Response, selection: &mut Selection, cx: &FrameContext<'_>, pad: usize) {
    if !response.has_focus() {
        return;
    }
    let filter = EventFilter { horizontal_arrows: true, ..Default::default() };
    ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
    // taken: the pad that gets the focus is drawn in the same frame
    let pressed = |modifiers, key| ui.input_mut(|i| i.consume_key(modifiers, key));
    let way = |modifiers| {
        let (left, right) = (pressed(modifiers, Key::ArrowLeft), pressed(modifiers, Key::ArrowRight));
        i32::from(right) - i32::from(left)
    };
    let (swaps, goes) = (way(Modifiers::SHIFT), way(Modifiers::NONE));
    let order = cx.pads_along_the_keys();
    let Some(place) = order.iter().position(|p| *p == pad) else { return };
    let way = if swaps == 0 { goes } else { swaps };
    let to = place.checked_add_signed(way as isize).filter(|to| *to < PADS && *to != place);
    let Some(other) = to.map(|place| order[place]) else { return };
    if swaps != 0 {
        swap(cx, pad, other);
    }
    selection.pad = other;
    ui.memory_mut(|m| m.request_focus(ui.scope_id().with(("pad", other))));
}

/// Swaps two pads; each place keeps its note.
fn swap(cx: &FrameContext<'_>, a: usize, b: usize) {
    cx.session.edit(&format!("swap pads {} and {}", a + 1, b + 1), |kit| {
        let pads = &mut kit.doc.pads;
        let notes = (pads[a].note, pads[b].note);
        pads.swap(a, b);
        (pads[a].note, pads[b].note) = notes;
        [a, b].into_iter().for_each(|p| pads[p].mark_by_hand(by_hand::HIT));
    });
}

/// Length of a tile's time axis, s; longer sounds are cut.
const TILE_SECONDS: f32 = 0.7;

/// The finished sound of the pad; in its corner whether the pad is heard, or the score that has no room above.
fn picture(
    ui: &Ui,
    field: Rect,
    cx: &mut FrameContext<'_>,
    pad: usize,
    heard: Heard,
    score: Option<LayoutJob>,
) {
    let kit = cx.kit.clone();
    let painter = ui.painter_at(field);
    let colour = heard.colour(theme::family(kit.doc.pads[pad].role));
    let colour =
        if cx.readings.lights.is_lit(pad) { colour.lerp_to_gamma(theme::TEXT, 0.35) } else { colour };
    match cx.readings.finished.get(pad, &kit, ui.ctx()) {
        Some(sound) => sound.draw(&painter, field, TILE_SECONDS, colour),
        None => {
            painter.hline(field.x_range(), field.center().y, (1.0, theme::BORDER));
        }
    }
    let corner = |words: LayoutJob, ink: Color32, ground: Color32| {
        let galley = painter.layout_job(words);
        let place = Align2::RIGHT_TOP.anchor_size(field.right_top(), galley.size());
        painter.rect_filled(place.expand2(vec2(4.0, 0.0)), 4, ground);
        painter.galley(place.min, galley, ink);
    };
    match (heard.word().filter(|_| !kit.doc.pads[pad].is_empty()), score) {
        (Some(word), _) => {
            let words = LayoutJob::simple_singleline(word.to_owned(), theme::small(), theme::TEXT);
            corner(words, theme::TEXT, theme::INSET);
        }
        (None, Some(score)) => corner(score, theme::TEXT_DIM, Color32::TRANSPARENT),
        (None, None) => {}
    }
}

/// A bar from the floor up.
fn meter(ui: &Ui, rect: Rect, db: f32, colour: Color32) {
    let painter = ui.painter();
    painter.rect_filled(rect, 2, theme::INSET);
    let top = rect.bottom() - lights::share(db) * rect.height();
    let colour = if db > -1.0 { theme::ERROR } else { colour };
    painter.rect_filled(Rect::from_min_max(pos2(rect.left(), top), rect.max), 2, colour);
}

fn mute_and_solo(ui: &mut Ui, rect: Rect, cx: &mut FrameContext<'_>, pad: usize) {
    let empty = cx.pad(pad).is_empty();
    for (i, (letter, id, word, help)) in [
        ("M", "mute", "Mute", "Silences the pad."),
        ("S", "solo", "Solo", "Silences every pad that is not soloed."),
    ]
    .into_iter()
    .enumerate()
    {
        let trim = Trim::pad(pad, id);
        let on = cx.trims.get(trim) >= 0.5;
        // an empty pad alone would silence the kit
        let enabled = on || !(empty && id == "solo");
        let place = Rect::from_min_size(rect.min + vec2(i as f32 * 29.0, 0.0), vec2(28.0, 28.0));
        let (fill, ink) = match (on, id) {
            (true, "solo") => (theme::ACCENT, theme::ON_ACCENT),
            (true, _) => (theme::HOVERED, theme::TEXT),
            _ => (Color32::TRANSPARENT, theme::TEXT_DIM),
        };
        let text = egui::RichText::new(letter).font(theme::small()).color(ink);
        let button = egui::Button::new(text).min_size(place.size()).fill(fill);
        let button = if on { button.stroke((1.0, theme::TEXT)) } else { button.frame_when_inactive(false) };
        let response = ui.scope(|ui| {
            if !enabled {
                ui.disable();
            }
            ui.put(place, button)
        });
        let response = response.inner;
        response.widget_info(|| {
            WidgetInfo::selected(Role::Switch, enabled, on, format!("{word} pad {}", pad + 1))
        });
        if cx.readings.automation.moves(trim) {
            ui.painter().rect_stroke(place, theme::ROUND, (2.0, theme::TEXT), egui::StrokeKind::Inside);
            ui.ctx().accesskit_node_builder(response.id, |node| node.set_value("moved by the host"));
        }
        let response = response.on_hover_text(help).on_disabled_hover_text("An empty pad cannot be soloed.");
        cx.menu_of_button(trim, &response);
        if response.clicked() {
            cx.trims.put(trim, if on { 0.0 } else { 1.0 });
        }
    }
}
