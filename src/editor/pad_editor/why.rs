//! Why this hit: what the recording lacks for it, what it shares, how well the finished sound serves each role, what speaks
//! for and against its own, and what was done to it.

use crate::editor::{
    character::Character,
    frame_context::FrameContext,
    pad_facts, score_text,
    selection::{Section, Selection},
    theme, widgets,
};
use egui::{Align2, Rect, RichText, Role, ScrollArea, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{
    cast::unsure_role,
    export::is_tidied,
    kit::{Kit, Pad, Role as PadRole},
    session::Job,
};

/// Roles whose scores are shown in low and in high panels; a tooltip has them all.
const SHOWN_SCORES: [usize; 2] = [3, 8];
/// Height from which a panel is high.
const HIGH: f32 = 260.0;
/// Height of a line of the scores and of the reasons.
const LINE: f32 = 20.0;

/// Shows it for the chosen pad.
pub(super) fn show(ui: &mut Ui, selection: &mut Selection, cx: &mut FrameContext<'_>) {
    let pad = selection.pad;
    let kit = cx.kit.clone();
    let built = &kit.doc.pads[pad];
    let finished = cx.readings.finished.get(pad, &kit, ui.ctx());
    ScrollArea::vertical().id_salt("why").auto_shrink([false, false]).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 4.0;
        facts(ui, &kit, pad);
        let character = finished.as_ref().and_then(|f| f.character.as_ref());
        // percussion is compared with no drum
        if let Some(character) = character.filter(|_| built.role.is_scored()) {
            measured(ui, character, built.role);
        }
        by_hand(ui, pad, cx);
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing = vec2(4.0, 4.0);
            edit_summary(ui, built, selection);
        });
        if built.slices.len() > 1 {
            let words = format!("{} similar hits alternate with it", built.slices.len() - 1);
            ui.label(RichText::new(words).color(theme::TEXT_DIM));
        }
        target(ui, built);
    });
}

/// What is weak, shared or tuned about the pad.
fn facts(ui: &mut Ui, kit: &Kit, pad: usize) {
    for fact in pad_facts::of(&kit.doc, pad) {
        let ink = if fact.warns { theme::ERROR } else { theme::TEXT };
        ui.label(RichText::new(fact.text).font(theme::small()).color(ink));
    }
}

/// Reasons on the left, scores on the right.
fn measured(ui: &mut Ui, character: &Character, role: PadRole) {
    let width = ui.available_width();
    let scores_width = (width * 0.44).min(220.0);
    let top = ui.cursor().min;
    let shown = SHOWN_SCORES[usize::from(ui.clip_rect().height() >= HIGH)];
    let rows = character.reasons.len().max(shown);
    let (rect, _) = ui.allocate_exact_size(vec2(width, LINE * (rows + 1) as f32), Sense::hover());
    let painter = ui.painter().clone();
    let (small, dim) = (theme::small(), theme::TEXT_DIM);
    painter.text(top + vec2(0.0, 2.0), Align2::LEFT_TOP, "Why this hit", theme::body(), dim);
    let left = Rect::from_min_max(rect.min, pos2(rect.right() - scores_width - 8.0, rect.bottom()));
    if character.reasons.is_empty() {
        let words = "nothing stands out";
        let at = left.min + vec2(0.0, LINE * 1.5);
        widgets::text_in(&painter, at, Align2::LEFT_CENTER, words, small.clone(), theme::TEXT, left.width());
    }
    for (i, reason) in character.reasons.iter().enumerate() {
        let line = Rect::from_min_size(left.min + vec2(0.0, LINE * (i + 1) as f32), vec2(left.width(), LINE));
        let (sign, ink, side) =
            if reason.speaks_for { ("+", theme::SOUND, "for") } else { ("–", theme::ERROR, "against") };
        let response = ui.interact(line, ui.scope_id().with(("reason", i)), Sense::hover());
        let name = format!("Speaks {side} it: {}", reason.words);
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &name));
        let (at, align) = (line.left_center(), Align2::LEFT_CENTER);
        painter.text(at + vec2(4.0, 0.0), Align2::CENTER_CENTER, sign, theme::body(), ink);
        widgets::text_in(
            &painter,
            at + vec2(14.0, 0.0),
            align,
            reason.words,
            small.clone(),
            theme::TEXT,
            line.width() - 14.0,
        );
        response.on_hover_text(format!("Speaks {side} it. {}", reason.detail));
    }
    let right = Rect::from_min_max(pos2(rect.right() - scores_width, rect.top()), rect.max);
    scores(ui, right, shown, character, role);
}

/// The kinds of drums that the sound is heard as, the best first and always its own.
fn scores(ui: &Ui, rect: Rect, count: usize, character: &Character, role: PadRole) {
    let own = |(r, _): &&(PadRole, f32)| r.kind_word() == role.kind_word();
    let mut shown: Vec<(PadRole, f32)> = character.scores.iter().take(count).copied().collect();
    if !shown.iter().any(|s| own(&s))
        && let (Some(own), Some(last)) = (character.scores.iter().find(own), shown.last_mut())
    {
        *last = *own;
    }
    let response = ui.interact(rect, ui.scope_id().with("scores"), Sense::hover());
    let percent = |score: f32| score_text::percent(score);
    let all: Vec<String> =
        character.scores.iter().map(|(r, s)| format!("{} {}", kind(*r), percent(*s))).collect();
    let words = format!("Score of each role: {}", all.join(", "));
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &words));
    let painter = ui.painter();
    painter.text(rect.min + vec2(0.0, 2.0), Align2::LEFT_TOP, "Heard as", theme::body(), theme::TEXT_DIM);
    for (i, (role, score)) in shown.into_iter().enumerate() {
        let middle = rect.top() + LINE * (i as f32 + 1.5);
        let ink = theme::family(role);
        let word = Rect::from_x_y_ranges(rect.left()..=rect.left() + 66.0, middle - 8.0..=middle + 8.0);
        let (at, font) = (word.left_center(), theme::small());
        widgets::text_in(painter, at, Align2::LEFT_CENTER, &kind(role), font, ink, word.width());
        let bar = Rect::from_min_max(
            pos2(word.right() + 4.0, middle - 3.0),
            pos2((rect.right() - 42.0).max(word.right() + 12.0), middle + 3.0),
        );
        painter.rect_filled(bar, 3, theme::INSET);
        let filled = Rect::from_min_size(bar.min, vec2(bar.width() * score.clamp(0.0, 1.0), bar.height()));
        painter.rect_filled(filled, 3, ink);
        let at = pos2(rect.right(), middle);
        painter.text(at, Align2::RIGHT_CENTER, percent(score), theme::small(), theme::TEXT);
    }
    response.on_hover_text(format!(
        "{words}.\nMeasured on the finished sound. ? is unsure: recorded drums of this kind differ too much to be told by sound alone."
    ));
}

/// A kind of drum in a word, with a question mark where its score is unsure.
fn kind(role: PadRole) -> String {
    role.kind_word().to_owned() + if unsure_role(role).is_some() { " ?" } else { "" }
}

/// What the pad is shaped towards: its role, or a target sound that the player has chosen in the menu of the pad.
fn target(ui: &mut Ui, built: &Pad) {
    if built.audition.is_none() {
        return;
    }
    let words = match &built.target {
        Some(target) => format!("Target: {}", target.name),
        None if is_tidied(built) => "No target: tidied up only".to_owned(),
        None if !built.role.is_scored() => "No target: as it was recorded".to_owned(),
        None => format!("Target: {}, its role", score_text::with_article(built.role)),
    };
    let label = ui.add(egui::Label::new(RichText::new(&words).color(theme::TEXT_DIM)).truncate());
    label.on_hover_text(format!(
        "{words}\n{}\nThe pad menu chooses a drum sound as another target; one can be dropped onto the role as well.",
        score_text::sentence(built)
    ));
}

/// The settings that the fit does not move; a press lets one go.
fn by_hand(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let built = cx.pad(pad);
    if built.audition.is_none() || built.held_settings().next().is_none() {
        return;
    }
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = vec2(4.0, 4.0);
        ui.label(RichText::new("Kept by hand").color(theme::TEXT_DIM));
        for (name, words) in built.held_words() {
            let accessible = format!("{words} follows the fit again");
            let help = "Lets the setting follow the fit again; the pad is shaped anew.";
            let text = RichText::new(format!("{words} ×")).font(theme::small());
            let button = egui::Button::new(text).min_size(vec2(0.0, theme::TARGET));
            let chip = ui.add_enabled(!built.locked, button);
            if widgets::named(chip, Role::Button, &accessible).on_hover_text(help).clicked() {
                cx.session.start(Job::FollowFit { pad, setting: Some(name) });
            }
        }
    });
}

/// What was done to the hit; a press shows the settings that do it.
fn edit_summary(ui: &mut Ui, pad: &Pad, selection: &mut Selection) {
    let Some(audition) = &pad.audition else {
        ui.label("This pad was made by hand.");
        return;
    };
    ui.label(RichText::new("What was done").color(theme::TEXT_DIM));
    if audition.edit_summary.is_empty() {
        ui.label("nothing: it sounds as it was recorded");
    }
    for step in &audition.edit_summary {
        let section = section_of(step);
        let button = egui::Button::new(RichText::new(step).font(theme::small())).stroke(egui::Stroke::NONE);
        let chip = ui.add(button.fill(theme::RAISED).min_size(vec2(0.0, theme::TARGET)));
        let chip = widgets::named(chip, Role::Button, &format!("{step}: show {}", section.word()));
        if chip.on_hover_text(format!("Shows {}.", section.word())).clicked() {
            selection.section = section;
        }
    }
}

/// Words of the summary that speak of the tone chain; "held below" is in kits from before.
const TONE_WORDS: [&str; 8] =
    ["cut ", "lifted", "dipped", "taken out", "limited", "driven", "compress", "held below"];

/// The section with the settings that a phrase of the summary speaks of.
fn section_of(phrase: &str) -> Section {
    let has = |words: &[&str]| words.iter().any(|w| phrase.contains(w));
    if has(&["copies"]) {
        Section::Cloud
    } else if has(&TONE_WORDS) {
        Section::Tone
    } else {
        Section::Layers
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
            ("transient emphasised by a slow-attack compressor", Section::Tone),
            ("lows compressed below 120 Hz", Section::Tone),
            ("3 layers", Section::Layers),
        ] {
            assert_eq!(section_of(phrase), section, "{phrase}");
        }
    }
}
