//! The window before there is a kit: a place to drop a recording, and three ways to a first sound.

use super::{
    file_browser::FilePurpose, frame_context::FrameContext, record, theme, unsaved::Unsaved, widgets,
};
use egui::{Align2, Rect, RichText, Stroke, Ui, UiBuilder, pos2, vec2};
use kitwright_core::{kit::Role, session::Job};

/// Autosaves that are offered.
const OFFERED: usize = 3;

/// Shows it in `rect`.
pub(super) fn show(ui: &mut Ui, rect: Rect, unsaved: &mut Unsaved, cx: &mut FrameContext<'_>) {
    let size = vec2((rect.width() - 64.0).min(920.0), (rect.height() - 64.0).min(430.0));
    let place = Rect::from_center_size(rect.center(), size);
    ui.painter().rect_filled(place, theme::ROUND, theme::INSET);
    let edge =
        [place.left_top(), place.right_top(), place.right_bottom(), place.left_bottom(), place.left_top()];
    ui.painter().extend(egui::Shape::dashed_line(&edge, Stroke::new(1.5, theme::BORDER), 8.0, 6.0));
    invented_hits(ui, Rect::from_min_size(place.min + vec2(60.0, 50.0), vec2(size.x - 120.0, size.y * 0.28)));
    if cx.session.job().is_some() || cx.session.recording().is_some() {
        return;
    }
    let words = Rect::from_min_max(pos2(place.left(), place.top() + size.y * 0.48), place.max);
    ui.scope_builder(UiBuilder::new().id_salt("first").max_rect(words), |ui| {
        ui.vertical_centered(|ui| {
            let title = "Drop a recording of one instrument here";
            ui.label(RichText::new(title).font(theme::display()).color(theme::TEXT));
            let hint = "knocks, muted strums, plucks, scratches: a minute is enough, ten seconds will do";
            ui.label(RichText::new(hint).color(theme::TEXT_DIM));
            ui.add_space(theme::GAP * 2.0);
            three_ways(ui, words, cx);
            let how =
                "Record captures the audio that a host track sends to Kitwright's side input (sidechain).";
            ui.label(RichText::new(how).font(theme::small()).color(theme::TEXT_DIM));
            offers(ui, unsaved, cx);
        });
    });
}

fn three_ways(ui: &mut Ui, words: Rect, cx: &mut FrameContext<'_>) {
    let (width, gap) = (190.0, 24.0);
    let left = words.center().x - 1.5 * width - gap;
    let (row, _) = ui.allocate_exact_size(vec2(words.width(), 40.0), egui::Sense::hover());
    let place =
        |i: usize| Rect::from_min_size(pos2(left + i as f32 * (width + gap), row.top()), vec2(width, 40.0));
    let at = |ui: &mut Ui, i: usize, show: &mut dyn FnMut(&mut Ui)| {
        ui.scope_builder(UiBuilder::new().id_salt(i).max_rect(place(i)), |ui| {
            ui.spacing_mut().interact_size = place(i).size();
            ui.centered_and_justified(|ui| show(ui));
        });
    };
    at(ui, 0, &mut |ui| {
        let help = "A recording becomes a kit; a kit file is loaded.";
        if widgets::primary(ui, "Open a recording", "Open a recording", help).clicked() {
            cx.browse(FilePurpose::Open, "");
        }
    });
    at(ui, 1, &mut |ui| record::button(ui, "Record the side input", cx));
    at(ui, 2, &mut |ui| {
        let help = "Makes a kit of an invented cello, to try everything.";
        if widgets::solid(ui, "Hear the demo cello", "Hear the demo cello", help).clicked() {
            cx.session.start(Job::DemoKit { fit: cx.kit.doc.fit });
        }
    });
}

/// Unsaved work of earlier runs.
fn offers(ui: &mut Ui, unsaved: &mut Unsaved, cx: &FrameContext<'_>) {
    for found in cx.session.autosaves().into_iter().take(OFFERED) {
        let age = match found.minutes {
            0 => "just now".to_owned(),
            m @ 1..60 => format!("{m} min ago"),
            m @ 60..2880 => format!("{} h ago", m / 60),
            m => format!("{} days ago", m / 1440),
        };
        let name = format!("Restore {}", found.name);
        let text = format!("{name}, unsaved, {age}");
        if widgets::button(ui, &text, &name, "Opens work that was not saved when the program ended.")
            .clicked()
        {
            unsaved.start(Job::RestoreAutosave(found.file), cx);
        }
    }
}

/// Hits as they might stand in a take, in the colours of their families.
fn invented_hits(ui: &Ui, field: Rect) {
    use Role::{ClosedHat, Crash, Kick, LowTom, Percussion, Snare};
    let roles = [
        Percussion, Kick, Snare, ClosedHat, Percussion, LowTom, Snare, ClosedHat, Crash, Kick, Percussion,
        Snare,
    ];
    let painter = ui.painter_at(field);
    let step = field.width() / roles.len() as f32;
    for (i, role) in roles.into_iter().enumerate() {
        let left = field.left() + i as f32 * step;
        let height = field.height() * [0.5, 0.42, 0.3, 0.24, 0.36, 0.48, 0.4, 0.2, 0.26, 0.5, 0.3, 0.34][i];
        let colour = theme::family(role).gamma_multiply(0.55);
        for x in 0..(step * 0.7) as usize {
            let share = x as f32 / (step * 0.7);
            let ripple = 0.75 + 0.25 * ((x * 7919 + i * 104_729) % 13) as f32 / 12.0;
            let half = height * (-3.5 * share).exp() * ripple;
            let at = pos2(left + x as f32, field.center().y);
            let bar = Align2::CENTER_CENTER.anchor_size(at, vec2(1.0, 2.0 * half.max(0.5)));
            painter.rect_filled(bar, 0, colour);
        }
    }
}
