//! The hit section: the hit the pad is made of, the changes made to it, and other candidates.

use super::caption::CAPTION;
use crate::editor::{
    file_browser::FilePurpose,
    frame_context::FrameContext,
    score_text,
    selection::{Section, Selection},
    theme,
    wave::{self, Stretch},
    widgets,
};
use egui::{Align2, Rect, RichText, Role, ScrollArea, Sense, Ui, UiBuilder, WidgetInfo, pos2, vec2};
use kitwright_core::{
    kit::Pad,
    session::{Job, PadTrigger},
};

pub(super) fn show(ui: &mut Ui, panel: Rect, selection: &mut Selection, cx: &mut FrameContext<'_>) {
    let pad = selection.pad;
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
        by_hand(ui, pad, cx);
        edit_summary(ui, &built, selection);
    });
    ui.scope_builder(UiBuilder::new().id_salt("others").max_rect(right), |ui| others(ui, pad, cx));
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
    if clicked {
        cx.session.preview(slice.take, slice.start, slice.end);
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
    if clicked {
        cx.session.trigger(PadTrigger { pad, velocity: 0.8 });
        cx.readings.lights.light(pad);
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
    response.on_hover_text(format!("{name}: click."));
    let top = (rect.top() + CAPTION).min(rect.center().y);
    (Rect::from_min_max(pos2(rect.left() + 6.0, top), rect.max - vec2(6.0, 2.0)), clicked)
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

/// The settings that the fit does not move; a press lets one go.
fn by_hand(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let built = cx.pad(pad);
    if built.audition.is_none() || built.held_settings().next().is_none() {
        return;
    }
    ui.label(RichText::new("Set by hand, and kept").color(theme::TEXT_DIM));
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = vec2(4.0, 4.0);
        for (name, words) in built.held_words() {
            let accessible = format!("{words} follows the fit again");
            let help = "Lets the setting follow the fit again; the pad is shaped anew.";
            let text = RichText::new(format!("{words} ×")).font(theme::small());
            let chip = ui.add_enabled(!built.locked, egui::Button::new(text));
            if widgets::named(chip, Role::Button, &accessible).on_hover_text(help).clicked() {
                cx.session.start(Job::FollowFit { pad, setting: Some(name) });
            }
        }
    });
    ui.add_space(theme::GAP);
}

/// What was done to the hit; a press shows the settings that do it.
fn edit_summary(ui: &mut Ui, pad: &Pad, selection: &mut Selection) {
    ui.label(RichText::new("Changes to the hit").color(theme::TEXT_DIM));
    let Some(audition) = &pad.audition else {
        ui.label("This pad was made by hand.");
        return;
    };
    ScrollArea::vertical().id_salt("moves").auto_shrink([false, false]).show(ui, |ui| {
        if audition.edit_summary.is_empty() {
            ui.label("Nothing: it sounds as it was recorded.");
        }
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing = vec2(6.0, 6.0);
            for step in &audition.edit_summary {
                let section = section_of(step);
                let chip =
                    ui.add(egui::Button::new(RichText::new(step).font(theme::small())).fill(theme::RAISED));
                let chip = widgets::named(chip, Role::Button, &format!("{step}: show {}", section.word()));
                if chip.on_hover_text(format!("Shows {}.", section.word())).clicked() {
                    selection.section = section;
                }
            }
        });
        if pad.slices.len() > 1 {
            ui.label(format!("{} like hits take turns with it", pad.slices.len() - 1));
        }
    });
}

/// The section with the settings that a phrase of the summary speaks of.
fn section_of(phrase: &str) -> Section {
    let has = |words: &[&str]| words.iter().any(|w| phrase.contains(w));
    if has(&["copies"]) {
        Section::Cloud
    } else if has(&["cut ", "lifted", "dipped", "taken out", "limited", "driven", "compressor", "held below"])
    {
        Section::Tone
    } else {
        Section::Layers
    }
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
fn score_bar(ui: &mut Ui, score: f32, colour: egui::Color32) {
    let (rect, _) = ui.allocate_exact_size(vec2(60.0, 8.0), Sense::hover());
    ui.painter().rect_filled(rect, 1, theme::INSET);
    let filled = Rect::from_min_size(rect.min, vec2(rect.width() * score.clamp(0.0, 1.0), rect.height()));
    ui.painter().rect_filled(filled, 1, colour);
    let (place, _) = ui.allocate_exact_size(vec2(34.0, 22.0), Sense::hover());
    let (at, font) = (place.right_center(), theme::small());
    ui.painter().text(at, Align2::RIGHT_CENTER, score_text::percent(score), font, theme::TEXT);
}

/// Height of a line of the list of hits.
const LINE: f32 = 30.0;

/// The hits, best first: all of them once they were tried in the role, else the next-best ones. A press puts one on the
/// pad.
fn others(ui: &mut Ui, pad: usize, cx: &mut FrameContext<'_>) {
    let kit = cx.kit.clone();
    let built = &kit.doc.pads[pad];
    let Some(audition) = &built.audition else { return };
    let scored = built.role.is_scored();
    let ranking = cx.session.ranking(built.role);
    let words = match (&ranking, scored) {
        (Some(all), true) => format!("All {} hits for {}", all.len(), built.role),
        (Some(all), false) => format!("All {} hits", all.len()),
        (None, true) => format!("Other hits for {}", built.role),
        (None, false) => "Other hits".to_owned(),
    };
    ui.horizontal(|ui| {
        let title = ui.label(RichText::new(words).color(theme::TEXT_DIM));
        if !scored {
            title.on_hover_text(format!("Without a score: {}.", score_text::NO_SCORE));
        }
        let help = "Tries every hit of every take in this role and lists them by score.";
        if ranking.is_none()
            && widgets::button(ui, "Try all hits", "Try all hits in this role", help).clicked()
        {
            cx.session.start(Job::Rank(built.role));
        }
    });
    let rows = ranking.as_deref().unwrap_or(&audition.next_best);
    if rows.is_empty() {
        ui.label("No other hit.");
    }
    let here = (audition.take, audition.hit);
    let list = ScrollArea::vertical().id_salt("others").auto_shrink([false, false]);
    ui.spacing_mut().item_spacing.y = 2.0;
    list.show_rows(ui, LINE, rows.len(), |ui, shown| {
        for &(take, hit, score) in &rows[shown] {
            ui.horizontal(|ui| {
                one_other(ui, pad, (take, hit), scored.then_some(score), here == (take, hit), cx)
            });
        }
    });
}

fn one_other(
    ui: &mut Ui,
    pad: usize,
    (take, hit): (usize, usize),
    score: Option<f32>,
    chosen: bool,
    cx: &mut FrameContext<'_>,
) {
    let play = widgets::button(ui, "Raw", &format!("Play hit {}", hit + 1), "Plays it as it was recorded.");
    if let Some(h) = cx.kit.doc.takes.get(take).and_then(|t| t.hits.get(hit))
        && play.clicked()
    {
        cx.session.preview(take, h.start, h.end);
    }
    let name = format!("Hear hit {} as {}", hit + 1, cx.pad(pad).role);
    let help = "Plays it as it would sound on this pad; the pad stays as it is.";
    if widgets::button(ui, "Hear", &name, help).clicked() {
        cx.session.start(Job::Audition { pad, source: (take, hit) });
    }
    let name = format!("Use hit {} of take {}", hit + 1, take + 1);
    let text = format!("Hit {}", hit + 1);
    let role = cx.pad(pad).role;
    if widgets::toggle(ui, chosen, &text, &name, "Makes the pad of this hit.").clicked() && !chosen {
        cx.session.start(Job::SetHit { pad, source: (take, hit), role });
    }
    if let Some(score) = score {
        score_bar(ui, score, theme::family(role));
    }
    let width = (ui.available_width() - 12.0).min(260.0);
    if width > 40.0 {
        let (rect, _) = ui.allocate_exact_size(vec2(width, 22.0), Sense::hover());
        small_wave(ui, rect, cx, (take, hit));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_phrase_leads_to_the_settings_that_do_it() {
        for (phrase, section) in [
            ("an octave down", Section::Layers),
            ("falls 7.0 semitones at the start", Section::Layers),
            ("24 copies within 30 ms", Section::Cloud),
            ("cut below 42 Hz", Section::Tone),
            ("2 tones taken out", Section::Tone),
            ("driven by 6 dB", Section::Tone),
        ] {
            assert_eq!(section_of(phrase), section, "{phrase}");
        }
    }
}
