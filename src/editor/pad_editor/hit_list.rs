//! The hits that could be the pad's: filtered, sorted, heard raw and as the role, and chosen; also by the keyboard.

use crate::editor::{
    frame_context::FrameContext,
    score_text, theme,
    wave::{self, Stretch},
    widgets,
};
use egui::{Align2, EventFilter, Key, Popup, Rect, RichText, Role, ScrollArea, Sense, Ui, WidgetInfo, vec2};
use kitwright_core::{
    cast::unsure_role,
    kit::{Kit, Pad},
    session::Job,
};

/// Height of a line of the list.
const LINE: f32 = 30.0;
/// Distance of two lines.
const LINE_GAP: f32 = 2.0;
/// How long the keyboard rests on a hit before it is heard as the role, s: stepping on quickly plays nothing.
const REST: f64 = 0.15;

/// Take, hit and score, 0 to 1.
type Entry = (usize, usize, f32);

/// Which hits are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Filter {
    #[default]
    All,
    Unused,
    Pitched,
    Unpitched,
}

impl Filter {
    const ALL: [Self; 4] = [Self::All, Self::Unused, Self::Pitched, Self::Unpitched];

    fn word(self) -> &'static str {
        match self {
            Self::All => "every hit",
            Self::Unused => "not in the kit",
            Self::Pitched => "with a pitch",
            Self::Unpitched => "without a pitch",
        }
    }

    fn shows(self, kit: &Kit, (take, hit, _): &Entry) -> bool {
        let Some(found) = kit.doc.takes.get(*take).and_then(|t| t.hits.get(*hit)) else { return false };
        let used = || {
            let uses = |p: &Pad| p.audition.as_ref().is_some_and(|a| (a.take, a.hit) == (*take, *hit));
            kit.doc.pads.iter().any(uses)
        };
        match self {
            Self::All => true,
            Self::Unused => !used(),
            Self::Pitched => found.description.pitch_hz.is_some(),
            Self::Unpitched => found.description.pitch_hz.is_none(),
        }
    }
}

/// The order of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Sort {
    #[default]
    Score,
    Time,
    Loudness,
    Length,
}

impl Sort {
    const ALL: [Self; 4] = [Self::Score, Self::Time, Self::Loudness, Self::Length];

    /// `scored`: the hits have scores.
    fn word(self, scored: bool) -> &'static str {
        match self {
            Self::Score if !scored => "best first",
            Self::Score => "by score",
            Self::Time => "by time",
            Self::Loudness => "by loudness",
            Self::Length => "by length",
        }
    }

    fn sort(self, kit: &Kit, entries: &mut [Entry]) {
        let hit = |e: &Entry| kit.doc.takes.get(e.0).and_then(|t| t.hits.get(e.1));
        let loudness = |e: &Entry| hit(e).map_or(f32::MIN, |h| h.description.loudness_lufs);
        let length = |e: &Entry| hit(e).map_or(0, |h| h.end.saturating_sub(h.start));
        match self {
            // they come in this order
            Self::Score => {}
            Self::Time => entries.sort_by_key(|e| (e.0, e.1)),
            Self::Loudness => entries.sort_by(|a, b| loudness(b).total_cmp(&loudness(a))),
            Self::Length => entries.sort_by_key(|e| std::cmp::Reverse(length(e))),
        }
    }
}

/// What the list keeps between frames.
#[derive(Debug, Default)]
pub(super) struct HitList {
    pub filter: Filter,
    pub sort: Sort,
    /// The hit that the keyboard is at, and when it came there, s.
    cursor: Option<((usize, usize), f64)>,
    /// It has been heard there.
    heard: bool,
}

/// Shows the hits, best first: all of them once they were tried in the role, else the next-best ones.
pub(super) fn show(ui: &mut Ui, list: &mut HitList, pad: usize, cx: &mut FrameContext<'_>) {
    let kit = cx.kit.clone();
    let built = &kit.doc.pads[pad];
    let Some(audition) = &built.audition else { return };
    let ranking = cx.session.ranking(built.role);
    let mut rows: Vec<Entry> = match &ranking {
        Some(all) => all.to_vec(),
        None => audition.next_best.clone(),
    };
    rows.retain(|entry| list.filter.shows(&kit, entry));
    list.sort.sort(&kit, &mut rows);
    head(ui, list, built, ranking.as_ref().map(|all| all.len()), rows.len(), cx);
    if rows.is_empty() {
        ui.label(if list.filter == Filter::All { "No other hit." } else { "No hit is like that." });
        return;
    }
    let area = ui.available_rect_before_wrap();
    let moved = keys(ui, area, list, pad, &rows, cx);
    let here = (audition.take, audition.hit);
    ui.spacing_mut().item_spacing.y = LINE_GAP;
    let mut scroll = ScrollArea::vertical().id_salt("others").auto_shrink([false, false]);
    if let Some(row) = moved {
        let top = row as f32 * (LINE + LINE_GAP) - (area.height() - LINE) / 2.0;
        scroll = scroll.vertical_scroll_offset(top.max(0.0));
    }
    scroll.show_rows(ui, LINE, rows.len(), |ui, shown| {
        for &entry in &rows[shown] {
            let at = list.cursor.is_some_and(|(c, _)| c == (entry.0, entry.1));
            line(ui, pad, entry, here == (entry.0, entry.1), at, cx);
        }
    });
}

/// What is listed, the order, the filter, and the button that tries every hit.
fn head(
    ui: &mut Ui,
    list: &mut HitList,
    built: &Pad,
    tried: Option<usize>,
    shown: usize,
    cx: &FrameContext<'_>,
) {
    let scored = built.role.is_scored();
    let unsure = if unsure_role(built.role).is_some() { " ?" } else { "" };
    let words = match (tried, scored) {
        (Some(all), _) if all != shown => format!("{shown} of {all} hits"),
        (Some(all), true) => format!("All {all} hits for {}{unsure}", built.role),
        (Some(all), false) => format!("All {all} hits"),
        (None, true) => format!("Other hits for {}{unsure}", built.role),
        (None, false) => "Other hits".to_owned(),
    };
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let title = ui.label(RichText::new(words).color(theme::TEXT_DIM));
        if !scored {
            title.on_hover_text(format!("Without a score: {}.", score_text::NO_SCORE));
        } else if let Some(why) = unsure_role(built.role) {
            title.on_hover_text(format!("? Unsure scores: {why}; trust your ears."));
        }
        let help = if scored {
            "Tries every hit of every take in this role and lists them by score."
        } else {
            "Lists every hit of every take."
        };
        if tried.is_none() && widgets::button(ui, "Try all", "Try all hits in this role", help).clicked() {
            cx.session.start(Job::Rank(built.role));
        }
        let text = match (list.sort, list.filter) {
            (sort, Filter::All) => sort.word(scored).to_owned(),
            (Sort::Score, filter) => filter.word().to_owned(),
            (sort, filter) => format!("{}, {}", sort.word(scored), filter.word()),
        };
        let help = "The order of the hits, and which of them are listed.";
        let menu = widgets::button(ui, &text, "Order and filter of the hits", help);
        ui.ctx().accesskit_node_builder(menu.id, |node| node.set_value(text.as_str()));
        Popup::menu(&menu).show(|ui| {
            for sort in Sort::ALL {
                if choice(ui, list.sort == sort, sort.word(scored), "Hits").clicked() {
                    list.sort = sort;
                }
            }
            ui.separator();
            for filter in Filter::ALL {
                if choice(ui, list.filter == filter, filter.word(), "List").clicked() {
                    list.filter = filter;
                }
            }
        });
    });
}

fn choice(ui: &mut Ui, on: bool, word: &str, before: &str) -> egui::Response {
    let entry = ui.selectable_label(on, word);
    entry.widget_info(|| WidgetInfo::selected(Role::MenuItem, true, on, format!("{before} {word}")));
    entry
}

/// The keyboard's way through the list: it is one stop for Tab; arrows, Home and End step through it and each hit is heard
/// as the role, Space hears it again, Enter makes the pad of it. Returns the row that was stepped to.
fn keys(
    ui: &mut Ui,
    area: Rect,
    list: &mut HitList,
    pad: usize,
    rows: &[Entry],
    cx: &FrameContext<'_>,
) -> Option<usize> {
    let response = ui.interact(area, ui.scope_id().with("hit list"), Sense::focusable_noninteractive());
    response.widget_info(|| WidgetInfo::labeled(Role::ListBox, true, "List of hits"));
    let help =
        "Arrows step through the hits and play them as the role, Space plays again, Enter uses the hit.";
    widgets::focus_edge(ui.painter(), area.shrink(1.0), &response);
    widgets::explained(ui, response.clone(), help);
    if !response.has_focus() {
        list.cursor = None;
        return None;
    }
    let filter = EventFilter { vertical_arrows: true, ..Default::default() };
    ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
    let pressed = |key| ui.input(|i| i.key_pressed(key));
    let now = ui.input(|i| i.time);
    let at = list.cursor.and_then(|(c, _)| rows.iter().position(|r| (r.0, r.1) == c));
    let next = match at {
        _ if pressed(Key::Home) => Some(0),
        _ if pressed(Key::End) => Some(rows.len() - 1),
        None if pressed(Key::ArrowDown) || pressed(Key::ArrowUp) => Some(0),
        Some(at) if pressed(Key::ArrowDown) => Some((at + 1).min(rows.len() - 1)),
        Some(at) if pressed(Key::ArrowUp) => Some(at.saturating_sub(1)),
        _ => None,
    };
    if let Some(row) = next {
        list.cursor = Some(((rows[row].0, rows[row].1), now));
        list.heard = false;
    }
    let (source, since) = list.cursor?;
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(format!("Hit {}", source.1 + 1)));
    if pressed(Key::Enter) {
        cx.session.start(Job::SetHit { pad, source, role: cx.pad(pad).role });
    } else if pressed(Key::Space) || (!list.heard && now - since >= REST) {
        list.heard = true;
        cx.session.start(Job::Audition { pad, source });
    } else if !list.heard {
        ui.ctx().request_repaint_after(std::time::Duration::from_secs_f64(REST - (now - since)));
    }
    next
}

fn line(
    ui: &mut Ui,
    pad: usize,
    (take, hit, score): Entry,
    chosen: bool,
    cursor: bool,
    cx: &mut FrameContext<'_>,
) {
    let row = Rect::from_min_size(ui.cursor().min, vec2(ui.available_width(), LINE));
    if cursor {
        ui.painter().rect_stroke(row, theme::ROUND, (1.5, theme::ACCENT), egui::StrokeKind::Inside);
    }
    let role = cx.pad(pad).role;
    let place = ui.horizontal(|ui| {
        ui.set_height(LINE);
        ui.spacing_mut().item_spacing.x = 4.0;
        let name = format!("Use hit {} of take {}", hit + 1, take + 1);
        let text = format!("Hit {}", hit + 1);
        if widgets::toggle(ui, chosen, &text, &name, "Makes the pad of this hit.").clicked() && !chosen {
            cx.session.start(Job::SetHit { pad, source: (take, hit), role });
        }
        let name = format!("Hear hit {} as {role}", hit + 1);
        let help = "Plays it as it would sound on this pad; the pad stays as it is.";
        if widgets::button(ui, "Hear", &name, help).clicked() {
            cx.session.start(Job::Audition { pad, source: (take, hit) });
        }
        let play =
            widgets::button(ui, "Raw", &format!("Play hit {}", hit + 1), "Plays it as it was recorded.");
        if let Some(h) = cx.kit.doc.takes.get(take).and_then(|t| t.hits.get(hit))
            && play.clicked()
        {
            cx.session.preview(take, h.start, h.end);
        }
        if role.is_scored() {
            score_bar(ui, score, theme::family(role));
        }
        let width = (ui.available_width() - 12.0).min(260.0);
        if width > 40.0 {
            let (rect, _) = ui.allocate_exact_size(vec2(width, 22.0), Sense::hover());
            small_wave(ui, rect, cx, (take, hit));
        }
    });
    drop(place);
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
    let (rect, _) = ui.allocate_exact_size(vec2(56.0, 6.0), Sense::hover());
    ui.painter().rect_filled(rect, 3, theme::INSET);
    let filled = Rect::from_min_size(rect.min, vec2(rect.width() * score.clamp(0.0, 1.0), rect.height()));
    ui.painter().rect_filled(filled, 3, colour);
    let (place, _) = ui.allocate_exact_size(vec2(38.0, 22.0), Sense::hover());
    let (at, font) = (place.right_center(), theme::small());
    ui.painter().text(at, Align2::RIGHT_CENTER, score_text::percent(score), font, theme::TEXT);
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::{
        kit::{Audition, TakeEntry},
        listen::{Description, Hit},
        take::Take,
    };

    #[test]
    fn hits_are_filtered_and_sorted() {
        let take = Take::from_samples("t", 48_000, vec![vec![0.1; 9000]]);
        let hit = |start, end, lufs, pitch_hz| Hit {
            start,
            end,
            by_hand: false,
            description: Description { loudness_lufs: lufs, pitch_hz, ..Description::default() },
        };
        let hits =
            vec![hit(0, 900, -30.0, None), hit(1000, 4000, -20.0, Some(110.0)), hit(5000, 6000, -10.0, None)];
        let mut kit = Kit::default();
        kit.doc.takes.push(TakeEntry::new(&take, hits));
        kit.doc.pads[0].audition = Some(Audition { take: 0, hit: 1, ..Audition::default() });
        let entries = [(0, 2, 0.9), (0, 1, 0.5), (0, 0, 0.1)];
        let shown = |filter: Filter| {
            entries.iter().filter(|e| filter.shows(&kit, e)).map(|e| e.1).collect::<Vec<_>>()
        };
        assert_eq!(shown(Filter::All), [2, 1, 0]);
        assert_eq!(shown(Filter::Unused), [2, 0]);
        assert_eq!(shown(Filter::Pitched), [1]);
        assert_eq!(shown(Filter::Unpitched), [2, 0]);
        let sorted = |sort: Sort| {
            let mut all = entries;
            sort.sort(&kit, &mut all);
            all.map(|e| e.1)
        };
        assert_eq!(sorted(Sort::Score), [2, 1, 0]);
        assert_eq!(sorted(Sort::Time), [0, 1, 2]);
        assert_eq!(sorted(Sort::Loudness), [2, 1, 0]);
        assert_eq!(sorted(Sort::Length), [1, 2, 0]);
    }
}
