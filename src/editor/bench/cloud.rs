//! The cloud as a picture of its copies: time across, pitch up, level as size.

use crate::{
    editor::{
        desk::Desk,
        state::WindowState,
        theme,
        widgets::{self, Described},
    },
    kit::{CLOUD, Cloud, Draw, Timing},
};
use egui::{Align2, Rect, ScrollArea, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};

pub(super) fn show(ui: &mut Ui, panel: Rect, state: &WindowState, desk: &Desk<'_>) {
    let pad = state.pad;
    let cloud = desk.pad(pad).cloud;
    let picture = Rect::from_min_size(panel.min, vec2((panel.width() * 0.36).min(480.0), panel.height()));
    let right = Rect::from_min_max(pos2(picture.right() + 14.0, panel.top()), panel.max);
    draw(ui, picture, &cloud);
    ui.scope_builder(UiBuilder::new().id_salt("cloud settings").max_rect(right), |ui| {
        ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
            let owner = format!("Pad {} cloud", pad + 1);
            let rows = CLOUD.iter().enumerate().map(|(i, s)| (i, s as &dyn Described, (s.get)(&cloud)));
            widgets::grid(ui, &owner, rows, |i, m| {
                if let Some(v) = m.value {
                    let what = format!("cloud {}", CLOUD[i].name.to_lowercase());
                    desk.edit_pad(pad, &what, |p| (CLOUD[i].set)(&mut p.cloud, v));
                }
            });
        });
    });
}

/// Where copies can fall: one example draw, always the same, in the range that the settings give.
fn draw(ui: &mut Ui, rect: Rect, cloud: &Cloud) {
    let response = ui.interact(rect, ui.scope_id().with("cloud picture"), Sense::hover());
    response.widget_info(|| {
        WidgetInfo::labeled(
            egui::Role::Image,
            true,
            format!("Picture of {} copies, time across, pitch up", cloud.copies),
        )
    });
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, theme::ROUND, theme::WELL);
    let field = rect.shrink2(vec2(16.0, 18.0));
    painter.hline(rect.x_range(), field.center().y, (1.0, theme::WOOD_HIGH));
    painter.circle_filled(pos2(field.left(), field.center().y), 6.0, theme::AMBER);
    for copy in example(cloud) {
        let at = pos2(
            field.left() + copy.time * field.width(),
            field.center().y - copy.pitch * field.height() * 0.5,
        );
        painter.circle(at, 1.5 + 4.0 * copy.level, theme::COPPER.gamma_multiply(0.75), (1.0, theme::GROUND));
    }
    let words = if cloud.copies == 0 {
        "no copies: the hit alone".to_owned()
    } else {
        format!("an example: {} within {}", cloud.copies, CLOUD[1].show(cloud.spread_ms))
    };
    painter.text(
        rect.left_bottom() + vec2(6.0, -3.0),
        Align2::LEFT_BOTTOM,
        words,
        theme::small(),
        theme::INK_SOFT,
    );
    let range = CLOUD.iter().find(|s| s.id == "pitch_st").map(|s| s.show(cloud.pitch_st)).unwrap_or_default();
    painter.text(
        rect.right_top() + vec2(-6.0, 3.0),
        Align2::RIGHT_TOP,
        format!("pitch, {range}"),
        theme::small(),
        theme::INK_SOFT,
    );
    painter.text(
        rect.right_bottom() + vec2(-6.0, -3.0),
        Align2::RIGHT_BOTTOM,
        "down",
        theme::small(),
        theme::INK_SOFT,
    );
    response.on_hover_text(
        "Time across, pitch up, level as size; the amber dot is the hit itself. Each stroke draws anew.",
    );
}

#[derive(Debug, PartialEq)]
struct Copy {
    /// Share of the spread.
    time: f32,
    /// -1 to 1 of the pitch range.
    pitch: f32,
    /// 0 to 1.
    level: f32,
}

/// One draw in the manner of the settings.
fn example(cloud: &Cloud) -> Vec<Copy> {
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
            Copy { time: time.clamp(0.0, 1.0), pitch, level: 1.0 - softer * fraction(i, 2) }
        })
        .collect()
}

/// A number between 0 and 1 that looks drawn and is always the same (the output mix of the PCG family on a
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
