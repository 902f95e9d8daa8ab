//! The layers of a pad on one time axis, with handles for start, end and envelope; and their settings.

use super::{
    caption::CAPTION,
    controls::{self, LAYER_ESSENTIALS, Structure},
};
use crate::editor::{
    envelope,
    frame_context::FrameContext,
    selection::Selection,
    theme,
    wave::{self, Stretch},
    widgets,
};
use egui::{
    Align2, Color32, CursorIcon, Painter, Pos2, Rect, Role, ScrollArea, Sense, Ui, UiBuilder, WidgetInfo,
    pos2, vec2,
};
use kitwright_core::{
    kit::{LAYER, LAYERS, Layer, LayerSettings, Slice},
    take::{Pyramid, Take},
    units::st_to_ratio,
};
use std::ops::Range;

/// Width of the layers' names, left of the lanes.
const NAME_WIDTH: f32 = 52.0;
/// Distance of the strokes that show a tail.
const TAIL_STROKE: f32 = 3.0;

/// Shows the layers of the chosen pad in `panel`.
pub(super) fn show(ui: &mut Ui, panel: Rect, selection: &mut Selection, cx: &mut FrameContext<'_>) {
    let pad = selection.pad;
    let built = cx.pad(pad).clone();
    selection.layer = selection.layer.min(built.layers.len().saturating_sub(1));
    let picture = Rect::from_min_size(panel.min, vec2((panel.width() * 0.42).min(620.0), panel.height()));
    let right = Rect::from_min_max(pos2(picture.right() + 14.0, panel.top()), panel.max);
    lanes(ui, picture, selection, cx, &built.layers);
    ui.scope_builder(UiBuilder::new().id_salt("layer settings").max_rect(right), |ui| {
        tabs(ui, selection, cx, built.layers.len());
        let layer = selection.layer;
        let Some(settings) = built.layers.get(layer).map(|l| l.settings) else { return };
        ScrollArea::vertical().id_salt(("layer", pad, layer)).auto_shrink([false, false]).show(ui, |ui| {
            let id = format!("layer {}", layer + 1);
            let structure = Structure {
                owner: format!("Pad {} {id}", pad + 1),
                id: &id,
                essential: LAYER_ESSENTIALS,
                more: selection.shows_more(),
            };
            controls::table(ui, cx, pad, &structure, &LAYER, &settings, |p, setting, value| {
                if let Some(layer) = p.layers.get_mut(layer) {
                    (setting.set)(&mut layer.settings, value);
                }
            });
        });
    });
}

fn set(cx: &FrameContext<'_>, pad: usize, layer: usize, what: &str, change: impl FnOnce(&mut LayerSettings)) {
    cx.edit_pad(pad, &format!("layer {} {}", layer + 1, what.to_lowercase()), |p| {
        if let Some(layer) = p.layers.get_mut(layer) {
            change(&mut layer.settings);
        }
    });
}

fn tabs(ui: &mut Ui, selection: &mut Selection, cx: &FrameContext<'_>, count: usize) {
    let pad = selection.pad;
    ui.horizontal(|ui| {
        for i in 0..count {
            let name = format!("Layer {}", i + 1);
            if widgets::toggle(ui, selection.layer == i, &name, &name, "Shows this layer's settings.")
                .clicked()
            {
                selection.layer = i;
            }
        }
        if count < LAYERS
            && widgets::button(ui, "Add layer", "Add a layer", "One more playback of the hit.").clicked()
        {
            cx.edit_pad(pad, "add layer", |p| p.layers.push(Layer::default()));
            selection.layer = count;
        }
        if count > 1 && widgets::button(ui, "Remove", "Remove the layer", "Takes this layer away.").clicked()
        {
            let layer = selection.layer;
            cx.edit_pad(pad, "remove layer", |p| {
                if layer < p.layers.len() && p.layers.len() > 1 {
                    p.layers.remove(layer);
                }
            });
        }
    });
}

/// Where a layer lies on the axis, in ms of playing time.
struct LayerSpan {
    slice: Slice,
    /// Length of the whole slice at this speed.
    slice_ms: f32,
    /// Playing speed: slice time over playing time.
    speed: f32,
    /// Where the slice begins; below 0 when the layer skips its start.
    origin_ms: f32,
    /// Where its tail begins, in ms of playing time; `None` without one.
    tail_ms: Option<f32>,
}

fn span_of(layer: &Layer, chosen: Option<Slice>, rate: f64, start_ms: f32) -> Option<LayerSpan> {
    let slice = layer.slice.or(chosen)?;
    let s = &layer.settings;
    let speed = st_to_ratio(f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0) as f32;
    let frames = slice.end.saturating_sub(slice.start);
    let slice_ms = (frames as f64 * 1000.0 / rate) as f32 / speed;
    let origin_ms = s.delay_ms - start_ms / speed;
    let tail_ms = s.tail_ms / speed;
    let has_tail = s.tail_from(frames, rate).is_some() && s.tail_ms < s.end_ms;
    Some(LayerSpan { slice, slice_ms, speed, origin_ms, tail_ms: has_tail.then_some(origin_ms + tail_ms) })
}

/// The layer whose handle is dragged, with its start and the axis from the beginning of the drag: both stay fixed
/// until the drag ends.
#[derive(Debug, Clone, Copy, Default)]
struct HeldAxis {
    layer: usize,
    start_ms: f32,
    axis: [f32; 2],
}

fn lanes(ui: &mut Ui, rect: Rect, selection: &mut Selection, cx: &mut FrameContext<'_>, layers: &[Layer]) {
    ui.painter().rect_filled(rect, theme::ROUND, theme::INSET);
    let outer = rect;
    // captions lie beside and below the waves, so that no handle covers them
    let rect = Rect::from_min_max(rect.min + vec2(NAME_WIDTH, 2.0), rect.max - vec2(4.0, CAPTION));
    let chosen = cx.pad(selection.pad).slices.first().copied();
    let rate_of = |s: Option<Slice>| {
        s.and_then(|s| cx.kit.takes.get(s.take)).map_or(48_000.0, |t| f64::from(t.sample_rate))
    };
    let held_id = ui.scope_id().with("held");
    // a handle that was shown no more when it was let go of has not ended its drag
    if !ui.input(|i| i.pointer.any_down()) {
        ui.data_mut(|d| d.remove_temp::<HeldAxis>(held_id));
    }
    let held: Option<HeldAxis> = ui.data(|d| d.get_temp(held_id));
    let spans: Vec<Option<LayerSpan>> = layers
        .iter()
        .enumerate()
        .map(|(i, l)| {
            let start = held.filter(|h| h.layer == i).map_or(l.settings.start_ms, |h| h.start_ms);
            span_of(l, chosen, rate_of(l.slice.or(chosen)), start)
        })
        .collect();
    let axis = held.map_or_else(|| axis_of(layers, &spans, cx.pad(selection.pad).settings.held), |h| h.axis);
    let height = rect.height() / layers.len().max(1) as f32;
    for (i, (layer, span)) in layers.iter().zip(&spans).enumerate() {
        let lane = Rect::from_min_size(
            pos2(rect.left(), rect.top() + i as f32 * height),
            vec2(rect.width(), height),
        );
        if let Some(span) = span {
            one_lane(ui, lane.shrink2(vec2(0.0, 2.0)), selection, cx, i, layer, span, axis);
        }
        let name = Rect::from_min_max(pos2(outer.left(), lane.top()), pos2(rect.left(), lane.bottom()));
        lane_name(ui, name, selection, i, layer.settings.on);
    }
    let zero = x_of(rect, axis, 0.0);
    ui.painter().vline(zero, rect.y_range(), (1.0, theme::BORDER));
    let word = |x: f32, align: Align2, text: String| {
        ui.painter().text(pos2(x, outer.bottom() - 2.0), align, text, theme::small(), theme::TEXT_DIM);
    };
    word(rect.right() - 2.0, Align2::RIGHT_BOTTOM, format!("{:.0} ms", axis[1]));
    if zero < rect.right() - 90.0 {
        word(zero, Align2::CENTER_BOTTOM, "0 ms".to_owned());
    }
}

/// The name beside a lane; a click on it shows the layer's settings and handles.
fn lane_name(ui: &Ui, rect: Rect, selection: &mut Selection, index: usize, on: bool) {
    let response = ui.interact(rect, ui.scope_id().with(("lane", index)), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, format!("Choose layer {}", index + 1)));
    if response.clicked() {
        selection.layer = index;
    }
    widgets::focus_edge(ui.painter(), rect.shrink(2.0), &response);
    response.on_hover_text("Shows this layer's settings and its handles.");
    let ink = if selection.layer == index { theme::ACCENT } else { theme::TEXT };
    let word = |y: f32, text: &str| {
        ui.painter().text(pos2(rect.left() + 6.0, y), Align2::LEFT_CENTER, text, theme::small(), ink);
    };
    let middle = rect.center().y;
    if on {
        word(middle, &format!("layer {}", index + 1));
    } else {
        word(middle - 7.0, &format!("layer {}", index + 1));
        word(middle + 7.0, "off");
    }
}

/// First and last ms of the axis: it holds the beginning of every slice and ends with what sounds last.
fn axis_of(layers: &[Layer], spans: &[Option<LayerSpan>], held: bool) -> [f32; 2] {
    let mut axis = [0.0_f32, 50.0_f32];
    for (layer, span) in layers.iter().zip(spans) {
        let Some(span) = span else { continue };
        let s = &layer.settings;
        let fallen = s.delay_ms + s.attack_ms + s.hold_ms + s.decay_ms;
        let recorded = span.origin_ms + span.slice_ms;
        // a tail has no end of its own, and a held pad sounds on at its sustain level
        let last = match (span.tail_ms.is_some(), held && s.sustain > 0.0) {
            (true, true) => recorded.max(fallen),
            (true, false) => fallen,
            (false, true) => recorded,
            (false, false) => recorded.min(fallen),
        };
        axis[0] = axis[0].min(span.origin_ms);
        axis[1] = axis[1].max(last.min(span.origin_ms + s.end_ms / span.speed));
    }
    axis
}

fn x_of(rect: Rect, axis: [f32; 2], ms: f32) -> f32 {
    rect.left() + (ms - axis[0]) / (axis[1] - axis[0]) * rect.width()
}

fn ms_at(rect: Rect, axis: [f32; 2], at: Pos2) -> f32 {
    axis[0] + (at.x - rect.left()) / rect.width() * (axis[1] - axis[0])
}

#[allow(clippy::too_many_arguments)]
fn one_lane(
    ui: &mut Ui,
    lane: Rect,
    selection: &Selection,
    cx: &mut FrameContext<'_>,
    index: usize,
    layer: &Layer,
    span: &LayerSpan,
    axis: [f32; 2],
) {
    let Some(take) = cx.kit.takes.get(span.slice.take).cloned() else { return };
    let Some(pyramid) = cx.readings.waves.get(&take, ui.ctx()) else { return };
    let s = &layer.settings;
    let raw = Rect::from_x_y_ranges(
        x_of(lane, axis, span.origin_ms)..=x_of(lane, axis, span.origin_ms + span.slice_ms),
        lane.y_range(),
    );
    let [lo, hi] = pyramid.range(&take, span.slice.start as usize, span.slice.end as usize);
    let stretch_scale = hi.max(-lo).max(1e-5) * 1.1;
    let stretch = Stretch {
        take: &take,
        pyramid: &pyramid,
        start: span.slice.start as f64,
        end: span.slice.end as f64,
        full_scale: stretch_scale,
        reverse: s.reverse,
    };
    let begin_ms = span.origin_ms + s.start_ms / span.speed;
    let recorded_ms = if span.tail_ms.is_some() { axis[1] } else { span.origin_ms + span.slice_ms };
    let end_ms = (span.origin_ms + s.end_ms / span.speed).min(recorded_ms);
    let (begin, end) = (x_of(lane, axis, begin_ms), x_of(lane, axis, end_ms));
    let painter = ui.painter_at(lane);
    let colour = if s.on { theme::family(cx.pad(selection.pad).role) } else { theme::SOUND_DIM };
    // the part before the start and after the end stays visible, dimmed
    wave::draw(&painter, raw, stretch, |_| 1.0, |_| theme::HOVERED);
    let seconds = f64::from((end_ms - begin_ms).max(0.1)) / 1000.0;
    let levels = envelope::levels(s, seconds, 160);
    let level_at =
        |x: f32| levels[(((x - begin) / (end - begin).max(1.0)) * 160.0).clamp(0.0, 159.0) as usize];
    let tail = span.tail_ms.map(|ms| x_of(lane, axis, ms).max(begin));
    let played = Rect::from_x_y_ranges(begin..=tail.unwrap_or(end).max(begin + 1.0), lane.y_range());
    let shaped = |share: f32| level_at(raw.left() + share * raw.width());
    wave::draw(&painter.with_clip_rect(played.intersect(lane)), raw, stretch, shaped, |_| colour);
    if let Some(x) = tail {
        let around = peak_at(&take, &pyramid, span, s.tail_ms) / stretch_scale;
        draw_tail(&painter, lane, x..end, |x| around * level_at(x), colour);
    }
    let line = (0..160)
        .map(|i| {
            pos2(begin + (end - begin) * i as f32 / 160.0, lane.bottom() - levels[i] * (lane.height() - 4.0))
        })
        .collect();
    let chosen = selection.layer == index;
    painter.line(line, (1.5, if chosen { theme::ACCENT } else { theme::TEXT_DIM }));
    if chosen {
        handles(ui, lane, selection.pad, cx, index, s, span, axis, [begin_ms, end_ms]);
    }
}

/// Largest sample of a slice around this place in it, 10 ms to either side.
fn peak_at(take: &Take, pyramid: &Pyramid, span: &LayerSpan, ms: f32) -> f32 {
    let frames = |ms: f32| (f64::from(ms.max(0.0)) * 0.001 * f64::from(take.sample_rate)) as usize;
    let place = |ms: f32| (span.slice.start as usize + frames(ms)).min(span.slice.end as usize);
    let [lo, hi] = pyramid.range(take, place(ms - 10.0), place(ms + 10.0).max(place(ms - 10.0) + 1));
    hi.max(-lo)
}

/// The noise of a tail: no wave that could be shown in advance, so strokes of its height at each place.
fn draw_tail(painter: &Painter, lane: Rect, xs: Range<f32>, level: impl Fn(f32) -> f32, colour: Color32) {
    let half = 0.5 * lane.height();
    for step in 0..((xs.end - xs.start) / TAIL_STROKE).max(0.0) as usize {
        let x = xs.start + (step as f32 + 0.5) * TAIL_STROKE;
        // every other one is shorter: noise, not a bar
        let height = half * level(x).min(1.0) * if step % 2 == 0 { 1.0 } else { 0.6 };
        painter.vline(x, (lane.center().y - height)..=(lane.center().y + height), (1.0, colour));
    }
}

#[allow(clippy::too_many_arguments)]
fn handles(
    ui: &mut Ui,
    lane: Rect,
    pad: usize,
    cx: &FrameContext<'_>,
    index: usize,
    s: &LayerSettings,
    span: &LayerSpan,
    axis: [f32; 2],
    [begin, end]: [f32; 2],
) {
    let y = |level: f32| lane.bottom() - level * (lane.height() - 4.0);
    let attack = begin + s.attack_ms;
    let hold = attack + s.hold_ms;
    let decay = hold + s.decay_ms;
    let middle = lane.center().y;
    let grips = [
        ("Start", pos2(x_of(lane, axis, begin), middle)),
        ("End", pos2(x_of(lane, axis, end), middle)),
        ("Attack", pos2(x_of(lane, axis, attack), y(1.0))),
        ("Hold", pos2(x_of(lane, axis, hold) + 9.0, y(1.0))),
        ("Decay", pos2(x_of(lane, axis, decay), y(0.0) - 5.0)),
    ];
    for (i, (word, at)) in grips.into_iter().enumerate() {
        let at = pos2(at.x.clamp(lane.left() + 4.0, lane.right() - 4.0), at.y);
        let bar = i < 2;
        let size = if bar { vec2(9.0, lane.height()) } else { vec2(12.0, 12.0) };
        let grip = Rect::from_center_size(at, size);
        let response = ui.interact(grip, ui.scope_id().with(("grip", index, i)), Sense::drag());
        response.widget_info(|| {
            WidgetInfo::labeled(Role::Splitter, true, format!("{word} of layer {}", index + 1))
        });
        let lit = response.hovered() || response.dragged();
        let colour = if lit { theme::TEXT } else { theme::ACCENT };
        if bar {
            ui.painter().vline(at.x, lane.y_range(), (if lit { 2.5 } else { 1.5 }, colour));
        } else {
            ui.painter().circle(at, 4.5, theme::INSET, (2.0, colour));
        }
        let held_id = ui.scope_id().with("held");
        if response.drag_started() {
            ui.data_mut(|d| d.insert_temp(held_id, HeldAxis { layer: index, start_ms: s.start_ms, axis }));
        }
        if response.drag_stopped() {
            ui.data_mut(|d| d.remove_temp::<HeldAxis>(held_id));
        }
        if response.dragged()
            && let Some(at) = response.interact_pointer_pos()
        {
            let ms = ms_at(lane, axis, at);
            let (id, value) = match i {
                0 => ("start_ms", (ms - span.origin_ms) * span.speed),
                1 => ("end_ms", (ms - span.origin_ms) * span.speed),
                2 => ("attack_ms", ms - begin),
                3 => ("hold_ms", ms - attack),
                _ => ("decay_ms", ms - hold),
            };
            if let Some(setting) = LAYER.iter().find(|l| l.id == id) {
                set(cx, pad, index, setting.name, |s| (setting.set)(s, setting.clamp(value)));
            }
        }
        response
            .on_hover_cursor(if i == 2 { CursorIcon::Grab } else { CursorIcon::ResizeHorizontal })
            .on_hover_text(format!("{word}: drag it."));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axis_ends_with_what_sounds_last() {
        let slice = Slice { take: 0, start: 0, end: 48_000, gain_db: 0.0, velocities: [0.0, 1.0] };
        let mut layer = Layer::default();
        let axis = |layer: &Layer, held: bool| {
            let spans = [span_of(layer, Some(slice), 48_000.0, layer.settings.start_ms)];
            axis_of(std::slice::from_ref(layer), &spans, held)[1]
        };
        assert_eq!(axis(&layer, false), 1000.0, "the slice's end");
        layer.settings.decay_ms = 160.0;
        assert_eq!(axis(&layer, false), 160.0, "the envelope's end");
        layer.settings.sustain = 0.5;
        assert_eq!(axis(&layer, true), 1000.0);
        layer.settings.end_ms = 80.0;
        assert_eq!(axis(&layer, true), 80.0, "the end of the reading");
        (layer.settings.end_ms, layer.settings.sustain, layer.settings.decay_ms) = (60_000.0, 0.0, 1600.0);
        layer.settings.tail_ms = 40.0;
        assert_eq!(axis(&layer, false), 1600.0, "a tail goes on behind the slice");
        layer.settings.tail_ms = 1000.0;
        assert_eq!(axis(&layer, false), 1000.0, "it would begin where the slice ends");
    }
}
