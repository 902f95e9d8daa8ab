//! The cloud as a picture of its copies: time across, pitch up, level as size.

use super::{
    caption::CAPTION,
    controls::{self, CLOUD_ESSENTIALS, Structure},
    last_cloud::CloudCopies,
};
use crate::editor::{frame_context::FrameContext, theme};
use egui::{Align2, Rect, ScrollArea, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};
use kitwright_core::{
    engine::ShownGrain,
    kit::{CLOUD, Cloud, Draw, Timing},
};

/// Shows the cloud of a pad in `panel`, with `more` all of its settings; `last` keeps the copies of its latest stroke.
pub(super) fn show(
    ui: &mut Ui,
    panel: Rect,
    pad: usize,
    more: bool,
    last: &mut CloudCopies,
    cx: &FrameContext<'_>,
) {
    let cloud = cx.pad(pad).cloud;
    // few settings: the copies get the room that these leave
    let very_wide = panel.width() >= controls::VERY_WIDE;
    let width = if very_wide { 0.5 * panel.width() } else { (0.32 * panel.width()).min(480.0) };
    let picture = Rect::from_min_size(panel.min, vec2(width, panel.height()));
    let right = Rect::from_min_max(pos2(picture.right() + 14.0, panel.top()), panel.max);
    let since = cx.readings.lights.triggered_at(pad).map(|at| ui.input(|i| i.time) - at);
    let drawn = cx.session.meters().and_then(|m| last.follow(&m, pad).map(<[_]>::to_vec));
    draw(ui, picture, &cloud, drawn.as_deref(), since);
    ui.scope_builder(UiBuilder::new().id_salt("cloud settings").max_rect(right), |ui| {
        ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
            let owner = format!("Pad {} cloud", pad + 1);
            let structure = Structure { owner, id: "cloud", essential: CLOUD_ESSENTIALS, more };
            controls::table(ui, cx, pad, &structure, &CLOUD, &cloud, |p, setting, value| {
                (setting.set)(&mut p.cloud, value);
            });
        });
    });
}

/// The copies of the last stroke, lit as they sound; before the first stroke an example of what the
/// settings give.
fn draw(ui: &mut Ui, rect: Rect, cloud: &Cloud, drawn: Option<&[ShownGrain]>, since: Option<f64>) {
    let response = ui.interact(rect, ui.scope_id().with("cloud picture"), Sense::hover());
    let copies = drawn.map_or(usize::from(cloud.copies), <[_]>::len);
    let what = if drawn.is_some() { "of the last stroke" } else { "as an example" };
    response.widget_info(|| {
        let name = format!("Picture of {copies} copies {what}, time across, pitch up");
        WidgetInfo::labeled(egui::Role::Image, true, name)
    });
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, theme::ROUND, theme::INSET);
    // captions have their own lines; copies keep their size at the edges
    let inner = rect.shrink2(vec2(0.0, CAPTION));
    let field = inner.shrink2(vec2(16.0, 6.0));
    painter.hline(rect.x_range(), field.center().y, (1.0, theme::RAISED));
    let scale = PictureScale::of(cloud, drawn.unwrap_or_default());
    let place = |c: &CloudDot| {
        pos2(field.left() + c.time * field.width(), field.center().y - c.pitch * field.height() * 0.5)
    };
    let head = since.map(|s| s as f32 * 1000.0 / scale.ms).filter(|head| drawn.is_some() && *head <= 1.1);
    if let Some(head) = head {
        let x = field.left() + head * field.width();
        painter.vline(x, inner.y_range(), (1.0, theme::ACCENT));
        ui.ctx().request_repaint_after(std::time::Duration::from_millis(16));
    }
    painter.circle_filled(pos2(field.left(), field.center().y), 6.0, theme::ACCENT);
    let all = drawn.map_or_else(|| example(cloud), |d| d.iter().map(|c| scale.copy(c)).collect());
    for copy in &all {
        let sounding = head.is_some_and(|head| (0.0..0.15).contains(&(head - copy.time)));
        let fill = if sounding { theme::ACCENT } else { theme::SOUND.gamma_multiply(0.75) };
        painter.circle(place(copy), 1.5 + 4.0 * copy.level, fill, (1.0, theme::BACKGROUND));
    }
    captions(&painter, rect, cloud, drawn, &scale);
    response.on_hover_text(
        "Time across, pitch up, level as size; the large dot is the hit itself. Each stroke draws anew.",
    );
}

fn captions(
    painter: &egui::Painter,
    rect: Rect,
    cloud: &Cloud,
    drawn: Option<&[ShownGrain]>,
    scale: &PictureScale,
) {
    let words = match drawn {
        Some([]) => "the last stroke: no copies".to_owned(),
        Some(copies) => format!("the last stroke: {} within {:.0} ms", copies.len(), scale.ms),
        None if cloud.copies == 0 => "no copies: the hit alone".to_owned(),
        None => format!("an example: {} within {}", cloud.copies, CLOUD[1].show(cloud.spread_ms)),
    };
    for (corner, align, words) in [
        (rect.left_bottom() + vec2(6.0, -3.0), Align2::LEFT_BOTTOM, words),
        (rect.right_top() + vec2(-6.0, 3.0), Align2::RIGHT_TOP, format!("pitch up {:.2} st", scale.st)),
        (rect.right_bottom() + vec2(-6.0, -3.0), Align2::RIGHT_BOTTOM, "down".to_owned()),
    ] {
        painter.text(corner, align, words, theme::small(), theme::TEXT_DIM);
    }
}

/// The values at the edges of the picture.
#[derive(Debug, PartialEq)]
struct PictureScale {
    /// Right edge, ms.
    ms: f32,
    /// Upper edge, semitones.
    st: f32,
}

impl PictureScale {
    /// The ranges of the settings, or more where a draw goes beyond them (the host's trims widen them).
    fn of(cloud: &Cloud, drawn: &[ShownGrain]) -> Self {
        let max = |min: f32, of: fn(&ShownGrain) -> f32| drawn.iter().map(of).fold(min, f32::max);
        Self {
            ms: max(cloud.spread_ms.max(1.0), |c| c.delay_ms),
            st: max(cloud.pitch_st.max(0.01), |c| c.pitch_st.abs()),
        }
    }

    fn copy(&self, copy: &ShownGrain) -> CloudDot {
        CloudDot {
            time: (copy.delay_ms / self.ms).clamp(0.0, 1.0),
            pitch: (copy.pitch_st / self.st).clamp(-1.0, 1.0),
            level: (1.0 + copy.level_db / 40.0).clamp(0.0, 1.0),
        }
    }
}

/// One copy in the picture.
#[derive(Debug, PartialEq)]
struct CloudDot {
    /// Share of the spread.
    time: f32,
    /// -1 to 1 of the pitch range.
    pitch: f32,
    /// 0 to 1.
    level: f32,
}

/// One example of what the settings give.
fn example(cloud: &Cloud) -> Vec<CloudDot> {
    let n = usize::from(cloud.copies);
    (0..n)
        .map(|i| {
            let share = (i as f32 + 0.5 + 0.6 * (fraction(i, 0) - 0.5)) / n as f32;
            let time = match cloud.timing {
                Timing::Even => share,
                Timing::Early => share * share,
                Timing::Late => share.sqrt(),
                Timing::Bursts => {
                    let bursts = f32::from(cloud.bursts.max(1));
                    let burst = (share * bursts).floor();
                    let gap = (cloud.burst_gap_ms / cloud.spread_ms.max(1.0)).min(1.0 / bursts);
                    burst * gap
                        + fraction(i, 3) * if burst + 1.0 >= bursts { 1.0 - burst * gap } else { gap * 0.5 }
                }
            };
            let flat = 2.0 * fraction(i, 1) - 1.0;
            let pitch = match cloud.pitch_draw {
                Draw::Uniform => flat,
                Draw::Gaussian => flat * flat.abs(),
            };
            let pitch = if cloud.pitch_steps && cloud.pitch_st > 0.0 {
                ((pitch * cloud.pitch_st).round() / cloud.pitch_st).clamp(-1.0, 1.0)
            } else {
                pitch
            };
            let softer = cloud.level_range_db / 40.0;
            let pitch = if cloud.pitch_st > 0.0 { pitch } else { 0.0 };
            CloudDot { time: time.clamp(0.0, 1.0), pitch, level: 1.0 - softer * fraction(i, 2) }
        })
        .collect()
}

/// A fixed pseudo-random number between 0 and 1 (the output mix of the PCG family on a
/// counter, after M. O'Neill, "PCG: A Family of Simple Fast Space-Efficient Statistically Good Algorithms for
/// Random Number Generation", 2014).
fn fraction(i: usize, dimension: u32) -> f32 {
    let state = (i as u32 * 4 + dimension + 1).wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
    let word = ((state >> ((state >> 28) + 4)) ^ state).wrapping_mul(277_803_737);
    ((word >> 22) ^ word) as f32 / u32::MAX as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn copies_beyond_the_settings_stay_in_the_picture() {
        let cloud = Cloud { spread_ms: 20.0, pitch_st: 0.5, ..Cloud::default() };
        let drawn =
            |delay_ms, pitch_st, level_db| ShownGrain { delay_ms, pitch_st, level_db, ..Default::default() };
        assert_eq!(PictureScale::of(&cloud, &[drawn(5.0, 0.1, 0.0)]), PictureScale { ms: 20.0, st: 0.5 });
        let wide = [drawn(40.0, -2.0, -10.0), drawn(10.0, 1.0, 0.0)];
        let scale = PictureScale::of(&cloud, &wide);
        assert_eq!(scale.copy(&wide[0]), CloudDot { time: 1.0, pitch: -1.0, level: 0.75 });
        assert_eq!(scale.copy(&wide[1]), CloudDot { time: 0.25, pitch: 0.5, level: 1.0 });
    }

    #[test]
    fn the_example_has_as_many_copies_as_the_cloud_all_in_range() {
        for timing in Timing::ALL {
            let cloud = Cloud { copies: 48, timing: *timing, ..Cloud::default() };
            let copies = example(&cloud);
            assert_eq!(copies.len(), 48);
            assert!(copies.iter().all(|c| (0.0..=1.0).contains(&c.time) && (-1.0..=1.0).contains(&c.pitch)));
        }
        let mean = |timing| {
            let copies = example(&Cloud { copies: 48, timing, ..Cloud::default() });
            copies.iter().map(|c| c.time).sum::<f32>() / 48.0
        };
        assert!(mean(Timing::Early) < mean(Timing::Even) && mean(Timing::Even) < mean(Timing::Late));
    }
}
