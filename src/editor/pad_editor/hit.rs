//! The hit section: the hit as recorded and as it sounds now, why it was taken, and the other hits.

use super::{
    caption::CAPTION,
    hit_list::{self, HitList},
    why,
};
use crate::editor::{
    frame_context::FrameContext,
    held_pads::HeldBy,
    selection::Selection,
    theme,
    wave::{self, Stretch},
    widgets,
};
use egui::{Align2, Rect, Role, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};

/// Width of the panel from which the pictures are as wide as the rest.
const WIDE: f32 = 1000.0;

/// Shows the hit of the chosen pad in `panel`.
pub(super) fn show(
    ui: &mut Ui,
    panel: Rect,
    list: &mut HitList,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
) {
    let pad = selection.pad;
    let built = cx.pad(pad).clone();
    if built.is_empty() {
        ui.label(
            "This pad is silent. Drag a hit from the take onto it, or choose a hit and press \"Onto pad\".",
        );
        return;
    }
    let share = if panel.width() >= WIDE { 0.32 } else { 0.24 };
    let picture = Rect::from_min_size(panel.min, vec2(panel.width() * share, panel.height()));
    let gap = 2.0 * theme::GAP;
    let half = (panel.right() - picture.right() - 2.0 * gap) / 2.0;
    let middle = Rect::from_min_size(pos2(picture.right() + gap, panel.top()), vec2(half, panel.height()));
    let right = Rect::from_min_max(pos2(middle.right() + gap, panel.top()), panel.max);
    draw(ui, picture, pad, cx);
    let builder = UiBuilder::new().id_salt("why").max_rect(middle);
    ui.scope_builder(builder, |ui| why::show(ui, selection, cx));
    let builder = UiBuilder::new().id_salt("others").max_rect(right);
    ui.scope_builder(builder, |ui| hit_list::show(ui, list, pad, cx));
}

/// The hit as it was recorded above the finished sound, on one time axis; a click plays either.
fn draw(ui: &mut Ui, rect: Rect, pad: usize, cx: &mut FrameContext<'_>) {
    let kit = cx.kit.clone();
    let Some(slice) = kit.doc.pads[pad].slices.first().copied() else { return };
    let Some(take) = kit.takes.get(slice.take) else { return };
    let half = (rect.height() - theme::GAP) / 2.0;
    let above = Rect::from_min_size(rect.min, vec2(rect.width(), half));
    let below = Rect::from_min_max(pos2(rect.left(), above.bottom() + theme::GAP), rect.max);
    let rate = f64::from(take.sample_rate);
    let recorded = (slice.end.saturating_sub(slice.start)) as f64 / rate;
    let finished = cx.readings.finished.get(pad, &kit, ui.ctx());
    let sounds = finished.as_ref().map_or(0.0, |sound| sound.seconds());
    let seconds = (recorded as f32).max(sounds).clamp(0.05, MAX_SHOWN_S);

    let words = format!("recorded, {recorded:.2} s");
    let (field, clicked) = well(ui, above, "raw", "Play the hit as recorded", &words);
    let compared = finished.as_ref().and_then(|f| f.compared.clone());
    match &compared {
        Some([raw, _]) if clicked => cx.session.preview_sound(raw.clone()),
        None if clicked => cx.session.preview(slice.take, slice.start, slice.end),
        _ => {}
    }
    if let Some(pyramid) = cx.readings.waves.get(take, ui.ctx()) {
        let [lo, hi] = pyramid.range(take, slice.start as usize, slice.end as usize);
        let shown = recorded.min(f64::from(seconds));
        let width = field.width() * (shown as f32 / seconds);
        let stretch = Stretch {
            take,
            pyramid: &pyramid,
            start: slice.start as f64,
            end: slice.start as f64 + shown * rate,
            full_scale: hi.max(-lo).max(1e-5) * 1.05,
            reverse: false,
        };
        let part = Rect::from_min_size(field.min, vec2(width, field.height()));
        wave::draw(&ui.painter_at(field), part, stretch, |_| 1.0, |_| theme::TEXT_DIM);
    }

    let words = format!("finished, {sounds:.2} s");
    let (field, clicked) = well(ui, below, "finished", "Play the finished sound", &words);
    match compared {
        Some([_, finished]) if clicked => {
            cx.session.preview_sound(finished);
            cx.readings.lights.light(pad);
        }
        None if clicked => cx.strike(ui, pad, 0.8, HeldBy::Button),
        _ => {}
    }
    if let Some(sound) = finished {
        sound.draw(&ui.painter_at(field), field, seconds, theme::family(kit.doc.pads[pad].role));
    }
}

/// Longest sound whose picture is whole, s.
const MAX_SHOWN_S: f32 = 2.0;

/// The ground of a picture that plays when it is clicked, with a caption; returns the place of the picture.
fn well(ui: &mut Ui, rect: Rect, id: &str, name: &str, words: &str) -> (Rect, bool) {
    let response = ui.interact(rect, ui.scope_id().with(id), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, name));
    ui.painter().rect_filled(rect, theme::ROUND, theme::INSET);
    let at = rect.right_top() + vec2(-8.0, 2.0);
    ui.painter().text(at, Align2::RIGHT_TOP, words, theme::small(), theme::TEXT_DIM);
    widgets::focus_edge(ui.painter(), rect, &response);
    let clicked = response.clicked();
    let help = format!("{name}: both are heard at the same loudness.");
    widgets::explained(ui, response, &help);
    let top = (rect.top() + CAPTION).min(rect.center().y);
    (Rect::from_min_max(pos2(rect.left() + 6.0, top), rect.max - vec2(6.0, 2.0)), clicked)
}
