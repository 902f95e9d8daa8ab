//! The hit section: the hit the pad is made of, the changes made to it, and other candidates.

use super::caption::CAPTION;
use crate::editor::{
    file_browser::FilePurpose,
    frame_context::FrameContext,
    score_text, theme,
    wave::{self, Stretch},
    widgets,
};
use egui::{Align2, Rect, RichText, Role, ScrollArea, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};
use kitwright_core::session::Job;

pub(super) fn show(ui: &mut Ui, panel: Rect, pad: usize, cx: &mut FrameContext<'_>) {
    let built = cx.pad(pad).clone();
    if built.is_empty() {
        ui.label(
            "This pad is silent. Drag a hit from the take onto it, or choose a hit and press \"Onto pad\".",
        );
        return;
    }
    let third = panel.width() / 3.0;
    let picture = Rect::from_min_size(panel.min, vec2(third, panel.height()));
    let middle =
        Rect::from_min_size(pos2(picture.right() + 14.0, panel.top()), vec2(third - 28.0, panel.height()));
    let right = Rect::from_min_max(pos2(middle.right() + 14.0, panel.top()), panel.max);
    draw(ui, picture, pad, cx);
    ui.scope_builder(UiBuilder::new().id_salt("done").max_rect(middle), |ui| {
        target(ui, pad, cx);
        edit_summary(ui, &built);
    });
    ui.scope_builder(UiBuilder::new().id_salt("others").max_rect(right), |ui| others(ui, pad, cx));
}

/// The raw hit; a click plays it as it was recorded.
fn draw(ui: &mut Ui, rect: Rect, pad: usize, cx: &mut FrameContext<'_>) {
    let response = ui.interact(rect, ui.scope_id().with("raw"), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, "Play the hit as recorded"));
    let words = Rect::from_min_max(pos2(rect.left(), rect.bottom() - CAPTION), rect.max);
    let field = Rect::from_min_max(rect.min, pos2(rect.right(), words.top()));
    ui.painter().rect_filled(rect, theme::ROUND, theme::INSET);
    ui.painter().hline(field.x_range(), field.center().y, (1.0, theme::RAISED));
    let Some(slice) = cx.pad(pad).slices.first().copied() else { return };
    let Some(take) = cx.kit.takes.get(slice.take).cloned() else { return };
    if let Some(pyramid) = cx.readings.waves.get(&take, ui.ctx()) {
        let [lo, hi] = pyramid.range(&take, slice.start as usize, slice.end as usize);
        let stretch = Stretch {
            take: &take,
            pyramid: &pyramid,
            start: slice.start as f64,
            end: slice.end as f64,
            full_scale: hi.max(-lo).max(1e-5) * 1.1,
            reverse: false,
        };
        wave::draw(&ui.painter_at(field), field.shrink(2.0), stretch, |_| 1.0, |_| theme::SOUND);
    }
    let ms = (slice.end.saturating_sub(slice.start)) as f64 * 1000.0 / f64::from(take.sample_rate);
    ui.painter().text(
        words.right_center() - vec2(6.0, 0.0),
        Align2::RIGHT_CENTER,
        format!("as recorded, {ms:.0} ms"),
        theme::small(),
        theme::TEXT_DIM,
    );
    widgets::focus_edge(ui.painter(), rect, &response);
    if response.clicked() {
        cx.session.preview(slice.take, slice.start, slice.end);
    }
    response.on_hover_text("Click to play the hit as it was recorded.");
}

/// What the pad is shaped towards: its role, or a target sound that the player has chosen.
fn target(ui: &mut Ui, pad: usize, cx: &mut FrameContext<'_>) {
    let kit = cx.kit.clone();
    let built = &kit.doc.pads[pad];
    if built.audition.is_none() {
        return;
    }
    let (words, change) = match &built.target {
        Some(target) => (format!("Target: {}", target.name), "Another target"),
        None if !built.role.is_scored() => ("No target: stays as it is".to_owned(), "Choose a target"),
        None => (format!("Target: {}, its role", score_text::with_article(built.role)), "Choose a target"),
    };
    let label = ui.add(egui::Label::new(RichText::new(&words).color(theme::TEXT)).truncate());
    label.on_hover_text(format!("{words}\n{}", score_text::sentence(built)));
    ui.horizontal(|ui| {
        let help = "Chooses a drum sound that this pad is shaped towards; it is measured, never played.";
        if widgets::button(ui, change, "Choose a target sound", help).clicked() {
            cx.browse(FilePurpose::Target(pad), "");
        }
        let help = "Back to the role alone.";
        if built.target.is_some()
            && widgets::button(ui, "Remove target", "Remove the target sound", help).clicked()
        {
            cx.session.start(Job::SetTarget { pad, sound: None });
        }
    });
    ui.add_space(theme::GAP);
}

fn edit_summary(ui: &mut Ui, pad: &kitwright_core::kit::Pad) {
    ui.label(RichText::new("Changes to the hit").color(theme::TEXT_DIM));
    let Some(audition) = &pad.audition else {
        ui.label("This pad was made by hand.");
        return;
    };
    ScrollArea::vertical().id_salt("moves").auto_shrink([false, false]).show(ui, |ui| {
        if audition.edit_summary.is_empty() {
            ui.label("Nothing: it sounds as it was recorded.");
        }
        for step in &audition.edit_summary {
            ui.label(step.as_str());
        }
        if pad.slices.len() > 1 {
            ui.label(format!("{} like hits take turns with it", pad.slices.len() - 1));
        }
    });
}

/// A small picture of a hit.
fn small_wave(ui: &Ui, rect: Rect, cx: &mut FrameContext<'_>, (take, hit): (usize, usize)) {
    wave::background(ui.painter(), rect);
    let kit = cx.kit.clone();
    let Some(hit) = kit.doc.takes.get(take).and_then(|t| t.hits.get(hit)) else { return };
    let Some(take) = kit.takes.get(take) else { return };
    let Some(pyramid) = cx.readings.waves.get(take, ui.ctx()) else { return };
    let [lo, hi] = pyramid.range(take, hit.start as usize, hit.end as usize);
    let stretch = Stretch {
        take,
        pyramid: &pyramid,
        start: hit.start as f64,
        end: hit.end as f64,
        full_scale: hi.max(-lo).max(1e-5) * 1.1,
        reverse: false,
    };
    wave::draw(&ui.painter_at(rect), rect.shrink(1.0), stretch, |_| 1.0, |_| theme::SOUND_DIM);
}

/// How well a hit serves, as a bar and a number.
fn score_bar(ui: &mut Ui, score: f32) {
    let (rect, _) = ui.allocate_exact_size(vec2(60.0, 8.0), Sense::hover());
    ui.painter().rect_filled(rect, 1, theme::INSET);
    let filled = Rect::from_min_size(rect.min, vec2(rect.width() * score.clamp(0.0, 1.0), rect.height()));
    ui.painter().rect_filled(filled, 1, theme::SOUND);
    let (place, _) = ui.allocate_exact_size(vec2(34.0, 22.0), Sense::hover());
    let (at, font) = (place.right_center(), theme::small());
    ui.painter().text(at, Align2::RIGHT_CENTER, score_text::percent(score), font, theme::TEXT);
}

/// The next-best hits, best first; a press puts one on the pad.
fn others(ui: &mut Ui, pad: usize, cx: &mut FrameContext<'_>) {
    let kit = cx.kit.clone();
    let built = &kit.doc.pads[pad];
    let scored = built.role.is_scored();
    let words = if scored { format!("Other hits for {}", built.role) } else { "Other hits".to_owned() };
    let title = ui.label(RichText::new(words).color(theme::TEXT_DIM));
    if !scored {
        title.on_hover_text(format!("Without a score: {}.", score_text::NO_SCORE));
    }
    let Some(audition) = &built.audition else { return };
    ScrollArea::vertical().id_salt("others").auto_shrink([false, false]).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 3.0;
        for &(take, hit, score) in &audition.next_best {
            ui.horizontal(|ui| {
                let play = widgets::button(
                    ui,
                    "Play",
                    &format!("Play hit {}", hit + 1),
                    "Plays it as it was recorded.",
                );
                if let Some(h) = cx.kit.doc.takes.get(take).and_then(|t| t.hits.get(hit))
                    && play.clicked()
                {
                    cx.session.preview(take, h.start, h.end);
                }
                let name = format!("Use hit {} of take {}", hit + 1, take + 1);
                if widgets::button(ui, &format!("Hit {}", hit + 1), &name, "Makes the pad of this hit.")
                    .clicked()
                {
                    cx.session.start(Job::SetHit { pad, source: (take, hit), role: built.role });
                }
                if scored {
                    score_bar(ui, score);
                }
                let width = (ui.available_width() - 12.0).min(260.0);
                if width > 40.0 {
                    let (rect, _) = ui.allocate_exact_size(vec2(width, 22.0), Sense::hover());
                    small_wave(ui, rect, cx, (take, hit));
                }
            });
        }
        if audition.next_best.is_empty() {
            ui.label("No other hit.");
        }
    });
}
