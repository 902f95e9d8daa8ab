//! The take's wave with its hits, and an overview of the whole take below.

use super::{
    chosen_hit::{choose, within_neighbours},
    keys,
    labels::{self, Word},
    position::TakeView,
    shown::{PadUse, ShownTake},
};
use crate::editor::{
    dragged::DraggedHit,
    frame_context::FrameContext,
    selection::Selection,
    theme,
    wave::{self, Stretch},
    widgets,
};
use egui::{Align2, Color32, CursorIcon, Rect, Response, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{
    listen::Hit,
    music::note_name,
    session::{HitEdit, Job},
};

/// Accessible name of a hit: "Hit 12 of take 1, kick".
pub fn hit_name(take: usize, hit: usize, roles: &str) -> String {
    format!("Hit {} of take {}, {roles}", hit + 1, take + 1)
}

const LABELS_HEIGHT: f32 = 17.0;
const RULER_HEIGHT: f32 = 16.0;
const OVERVIEW_HEIGHT: f32 = 14.0;
/// Height of the view from which the ruler has room.
const WITH_RULER: f32 = 72.0;
/// Minimum distance of two ticks: wider than the longest time, "29 min 59.995 s".
const MIN_TICK_DISTANCE: f32 = 104.0;

pub(super) fn show(
    ui: &mut Ui,
    rect: Rect,
    view: &mut TakeView,
    selection: &mut Selection,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
) {
    let labels = Rect::from_min_size(rect.min, vec2(rect.width(), LABELS_HEIGHT));
    let whole = Rect::from_min_max(pos2(rect.left(), rect.bottom() - OVERVIEW_HEIGHT), rect.max);
    // a low view has room for the wave or for the times
    let ruler_height = if rect.height() < WITH_RULER { 0.0 } else { RULER_HEIGHT };
    let ruler =
        Rect::from_min_max(pos2(rect.left(), whole.top() - ruler_height), pos2(rect.right(), whole.top()));
    let field = Rect::from_min_max(pos2(rect.left(), labels.bottom()), pos2(rect.right(), ruler.top()));
    let ground = background(ui, field, view, shown);
    view.ground = Some(ground.id);
    keys::hit_keys(ui, &ground, view, selection, cx, shown);
    if ruler_height > 0.0 {
        ruler_ticks(ui, ruler, view, shown);
    }
    let hits = &cx.kit.doc.takes[shown.index].hits;
    let painter = ui.painter_at(field);
    draw_wave(&painter, field, view, shown, hits);
    mark_hits(ui, field, labels, view, selection, cx, shown);
    if let Some(cursor) = view.cursor {
        let x = wave::x_of(field, view.visible_frames[0], view.visible_frames[1], cursor as f64);
        painter.vline(x, field.y_range(), (1.0, theme::TEXT));
    }
    whole_take(ui, whole, view, shown);
}

/// The area behind the hits: scroll to zoom, drag to move, click to set the mark.
fn background(ui: &mut Ui, field: Rect, view: &mut TakeView, shown: &ShownTake) -> Response {
    wave::background(ui.painter(), field);
    let response = ui.interact(field, ui.scope_id().with(("ground", shown.index)), Sense::click_and_drag());
    response
        .widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("Wave of take {}", shown.index + 1)));
    let frames = shown.take.frames() as f64;
    let per_point = (view.visible_frames[1] - view.visible_frames[0]) / f64::from(field.width());
    if response.dragged() {
        view.pan(-f64::from(response.drag_delta().x) * per_point, frames);
    }
    if response.clicked()
        && let Some(at) = response.interact_pointer_pos()
    {
        view.hit = None;
        let frame = wave::frame_at(field, view.visible_frames[0], view.visible_frames[1], at);
        view.cursor = Some(frame.clamp(0.0, frames) as u64);
    }
    // hits lie over the field, so its own hover state is not enough
    if let Some(at) = ui.input(|i| i.pointer.hover_pos()).filter(|_| ui.rect_contains_pointer(field)) {
        let delta = ui.input_mut(|i| std::mem::take(&mut i.smooth_scroll_delta));
        if delta.y != 0.0 {
            let around = wave::frame_at(field, view.visible_frames[0], view.visible_frames[1], at);
            view.zoom(f64::from((-delta.y * 0.006).exp()), around, frames);
        }
        if delta.x != 0.0 {
            view.pan(-f64::from(delta.x) * per_point, frames);
        }
    }
    widgets::focus_edge(ui.painter(), field.shrink(2.0), &response);
    let help = "Scroll to zoom, drag to move, click to set the mark. With the keyboard: arrows choose and play hits, Alt and \
                arrows move the start of one, Shift and arrows its end, Enter puts it onto the chosen pad, Delete removes it.";
    widgets::explained(ui, response, help)
}

fn draw_wave(painter: &egui::Painter, field: Rect, view: &TakeView, shown: &ShownTake, hits: &[Hit]) {
    let Some(pyramid) = &shown.pyramid else {
        painter.text(
            field.center(),
            Align2::CENTER_CENTER,
            "Drawing the take...",
            theme::body(),
            theme::TEXT_DIM,
        );
        return;
    };
    let [start, end] = view.visible_frames;
    let stretch = Stretch {
        take: &shown.take,
        pyramid,
        start,
        end,
        full_scale: pyramid.peak().max(1e-4) * 1.05,
        reverse: false,
    };
    let in_use = |frame: f64| -> Color32 {
        let i = hits.partition_point(|h| h.start as f64 <= frame);
        match i.checked_sub(1) {
            Some(h) if (hits[h].end as f64) > frame => match shown.users[h].first() {
                _ if Some(h) == view.hit => theme::ACCENT,
                Some(user) => theme::family(user.role),
                None => theme::SOUND_DIM,
            },
            _ => theme::BORDER,
        }
    };
    wave::draw(painter, field.shrink2(vec2(0.0, 2.0)), stretch, |_| 1.0, in_use);
}

fn mark_hits(
    ui: &mut Ui,
    field: Rect,
    labels: Rect,
    view: &mut TakeView,
    selection: &mut Selection,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
) {
    let [from, to] = view.visible_frames;
    let hits = &cx.kit.doc.takes[shown.index].hits;
    let first = hits.partition_point(|h| (h.end as f64) < from);
    let mut words = Vec::new();
    for (i, hit) in hits.iter().enumerate().skip(first) {
        if hit.start as f64 > to {
            break;
        }
        let [start, end] = match view.edge {
            Some((edge, place)) if edge == i => place,
            _ => [hit.start, hit.end],
        };
        let x = wave::x_of(field, from, to, start as f64);
        let until = wave::x_of(field, from, to, end as f64).max(x + 5.0);
        let next = hits.get(i + 1).map_or(f32::INFINITY, |h| wave::x_of(field, from, to, h.start as f64));
        let area = Rect::from_x_y_ranges(x..=until.min(next.max(x + 3.0)), field.y_range()).intersect(field);
        let users = &shown.users[i];
        let response = one_hit(ui, area, view, selection, cx, shown, i, hit, users);
        let chosen = view.hit == Some(i);
        let of_chosen_pad = users.iter().any(|u| u.pad == selection.pad && !u.alternate);
        let colour = match () {
            () if chosen => theme::ACCENT,
            () => users.first().map_or(theme::BORDER, |u| theme::family(u.role)),
        };
        let painter = ui.painter_at(field.union(labels));
        if chosen || response.hovered() {
            painter.rect_filled(area, 0, theme::TEXT.gamma_multiply(0.08));
        }
        let reach = if users.is_empty() && !chosen {
            (field.bottom() - 12.0)..=field.bottom()
        } else {
            field.top()..=field.bottom()
        };
        painter.vline(x, reach, (1.0, colour));
        if of_chosen_pad {
            view.hit_anchor = Some(pos2(x.clamp(field.left(), field.right()), labels.bottom()));
            painter.vline(x, field.y_range(), (2.0, theme::ACCENT));
        }
        let text = words_of(users, chosen.then_some(i), of_chosen_pad);
        let ink = users.first().map_or(theme::TEXT, |u| theme::family(u.role));
        words.extend(text.map(|text| Word { hit: i, x, text, lit: chosen || of_chosen_pad, ink }));
        if chosen {
            edges(ui, field, view, cx, shown, i, hit);
        }
    }
    if let Some(hit) = labels::show(ui, labels, &words) {
        choose(view, selection, cx, shown, hit);
    }
}

#[allow(clippy::too_many_arguments)]
fn one_hit(
    ui: &mut Ui,
    area: Rect,
    view: &mut TakeView,
    selection: &mut Selection,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
    index: usize,
    hit: &Hit,
    users: &[PadUse],
) -> Response {
    let id = ui.scope_id().with(("hit", shown.index, index));
    // the take itself takes the keyboard
    let response = ui.interact(area, id, Sense::CLICK | Sense::DRAG);
    let words = roles(users);
    let name = hit_name(shown.index, index, if words.is_empty() { "not in the kit" } else { &words });
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &name));
    if response.clicked() {
        choose(view, selection, cx, shown, index);
        if let Some(at) = response.interact_pointer_pos() {
            let [from, to] = view.visible_frames;
            let field = Rect::from_x_y_ranges(ui.max_rect().x_range(), area.y_range());
            view.cursor = Some(wave::frame_at(field, from, to, at).max(0.0) as u64);
        }
    }
    response.dnd_set_drag_payload(DraggedHit(shown.index, index));
    let d = &hit.description;
    let pitch = d.pitch_hz.map_or_else(|| "no pitch".into(), |hz| format!("pitch {hz:.0} Hz"));
    response.on_hover_cursor(CursorIcon::PointingHand).on_hover_text_at_pointer(format!(
        "{name}{}\n{:.1} dB, {pitch}, mostly around {:.0} Hz\nClick to play it, drag it onto a pad to use it there.",
        if users.is_empty() { String::new() } else { format!(" ({})", with_keys(users)) },
        d.peak_db,
        d.centroid_hz
    ))
}

fn roles(users: &[PadUse]) -> String {
    let words: Vec<String> = users
        .iter()
        .map(|u| if u.alternate { format!("{} in turn", u.role) } else { u.role.to_string() })
        .collect();
    words.join(", ")
}

/// Roles with the keys that play them: "kick on C2".
fn with_keys(users: &[PadUse]) -> String {
    let words: Vec<String> = users.iter().map(|u| format!("{} on {}", u.role, note_name(u.note))).collect();
    words.join(", ")
}

/// The text above a hit; hits that no pad plays, or only as an alternate, have none.
fn words_of(users: &[PadUse], number: Option<usize>, of_chosen_pad: bool) -> Option<String> {
    let words = roles(users);
    match number {
        Some(i) if words.is_empty() => Some(format!("hit {}", i + 1)),
        _ if words.is_empty() || (users.iter().all(|u| u.alternate) && !of_chosen_pad) => None,
        _ if of_chosen_pad || number.is_some() => Some(with_keys(users)),
        _ => Some(words),
    }
}

/// Handles at the start and the end of the chosen hit.
fn edges(
    ui: &mut Ui,
    field: Rect,
    view: &mut TakeView,
    cx: &FrameContext<'_>,
    shown: &ShownTake,
    index: usize,
    hit: &Hit,
) {
    let [from, to] = view.visible_frames;
    let place = view.edge.filter(|e| e.0 == index).map_or([hit.start, hit.end], |e| e.1);
    for side in 0..2 {
        let x = wave::x_of(field, from, to, place[side] as f64);
        if !field.x_range().contains(x) {
            continue;
        }
        let grip = Rect::from_center_size(pos2(x, field.bottom() - 9.0), vec2(12.0, 18.0));
        let response = ui.interact(grip, ui.scope_id().with(("edge", index, side)), Sense::drag());
        let word = if side == 0 { "Start" } else { "End" };
        response.widget_info(|| {
            WidgetInfo::labeled(Role::Splitter, true, format!("{word} of hit {}", index + 1))
        });
        let lit = response.hovered() || response.dragged();
        let tip = if side == 0 { vec2(9.0, 0.0) } else { vec2(-9.0, 0.0) };
        ui.painter().add(egui::Shape::convex_polygon(
            vec![
                pos2(x, field.bottom() - 16.0),
                pos2(x, field.bottom() - 2.0),
                pos2(x, field.bottom() - 9.0) + tip,
            ],
            if lit { theme::TEXT } else { theme::ACCENT },
            egui::Stroke::NONE,
        ));
        if response.dragged()
            && let Some(at) = response.interact_pointer_pos()
        {
            let frame = wave::frame_at(field, from, to, at).clamp(0.0, shown.take.frames() as f64) as u64;
            let mut moved = place;
            moved[side] = frame;
            view.edge = Some((index, within_neighbours(&cx.kit.doc.takes[shown.index], index, moved)));
        }
        if response.drag_stopped()
            && let Some((_, moved)) = view.edge.take()
        {
            let edit = HitEdit::Reshape { hit: index, start: moved[0], end: moved[1] };
            cx.session.start(Job::EditHits(shown.index, edit));
        }
        response
            .on_hover_cursor(CursorIcon::ResizeHorizontal)
            .on_hover_text(format!("{word} of the hit: drag to move it."));
    }
}

fn ruler_ticks(ui: &Ui, ruler: Rect, view: &TakeView, shown: &ShownTake) {
    let painter = ui.painter_at(ruler);
    let rate = f64::from(shown.take.sample_rate);
    let [from, to] = view.visible_frames;
    let seconds = (to - from) / rate;
    let step = tick_step(seconds / f64::from(ruler.width() / MIN_TICK_DISTANCE));
    let mut t = (from / rate / step).ceil() * step;
    while t * rate <= to {
        let x = wave::x_of(ruler, from, to, t * rate);
        painter.vline(x, ruler.top()..=(ruler.top() + 4.0), (1.0, theme::TEXT_DIM));
        let galley = painter.layout_no_wrap(time_text(t, step), theme::small(), theme::TEXT_DIM);
        // a time that would be cut off is left out
        if x + 3.0 + galley.size().x <= ruler.right() {
            painter.galley(pos2(x + 3.0, ruler.top() + 1.0), galley, theme::TEXT_DIM);
        }
        t += step;
    }
}

/// The next of 1, 2 and 5 times a power of ten, in seconds.
fn tick_step(at_least: f64) -> f64 {
    let power = 10.0_f64.powf(at_least.max(1e-6).log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= at_least).unwrap_or(power * 10.0)
}

fn time_text(t: f64, step: f64) -> String {
    let minutes = (t / 60.0 + 1e-9).floor();
    let rest = t - minutes * 60.0;
    let digits = if step >= 1.0 { 0 } else { (-step.log10()).ceil() as usize };
    if minutes >= 1.0 { format!("{minutes:.0} min {rest:.digits$} s") } else { format!("{rest:.digits$} s") }
}

/// Overview of the whole take: a frame marks the part shown above; press or drag to move it.
fn whole_take(ui: &mut Ui, rect: Rect, view: &mut TakeView, shown: &ShownTake) {
    let response = ui.interact(rect, ui.scope_id().with("whole"), Sense::click_and_drag());
    response.widget_info(|| WidgetInfo::labeled(Role::ScrollBar, true, "Place in the take"));
    let frames = shown.take.frames() as f64;
    if let Some(at) = response.interact_pointer_pos() {
        let span = view.visible_frames[1] - view.visible_frames[0];
        let middle = wave::frame_at(rect, 0.0, frames, at);
        view.visible_frames = [middle - span / 2.0, middle + span / 2.0];
        view.pan(0.0, frames);
    }
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 0, theme::SURFACE);
    if let Some(pyramid) = &shown.pyramid {
        let stretch = Stretch {
            take: &shown.take,
            pyramid,
            start: 0.0,
            end: frames,
            full_scale: pyramid.peak().max(1e-4),
            reverse: false,
        };
        wave::draw(&painter, rect, stretch, |_| 1.0, |_| theme::SOUND_DIM);
    }
    let [from, to] = view.visible_frames.map(|f| wave::x_of(rect, 0.0, frames, f));
    if to - from < rect.width() - 1.0 {
        let visible = Rect::from_x_y_ranges(from..=to.max(from + 3.0), rect.y_range());
        painter.rect_filled(visible, 0, theme::TEXT.gamma_multiply(0.12));
        painter.rect_stroke(visible, 0, (1.0, theme::ACCENT), egui::StrokeKind::Inside);
    }
    widgets::focus_edge(ui.painter(), rect, &response);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ruler_ticks_are_round_numbers() {
        assert_eq!(tick_step(0.7), 1.0);
        assert_eq!(tick_step(1.1), 2.0);
        assert!((tick_step(0.03) - 0.05).abs() < 1e-9);
        assert_eq!(time_text(75.0, 5.0), "1 min 15 s");
        assert_eq!(time_text(0.25, 0.05), "0.25 s");
    }
}
