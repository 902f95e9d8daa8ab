//! The head of the pad editor: role, score, fit, the way through the hits, and what can be done with the pad.

use crate::editor::{
    compare::Compare,
    file_browser::FilePurpose,
    fit_control::FitControl,
    frame_context::FrameContext,
    held_pads::HeldBy,
    score_text,
    selection::{Section, Selection},
    theme, widgets,
};
use egui::{Align2, Popup, Rect, RichText, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{
    kit::{PADS, Pad, Role as PadRole, by_hand},
    session::Job,
};

/// Width of the button beside the tabs.
pub(super) const MORE_WIDTH: f32 = 60.0;
/// Width of the score: "100 % ?".
const SCORE_WIDTH: f32 = 68.0;
/// Height of the head.
pub(super) const HEIGHT: f32 = 44.0;
/// Width of the head from which the pad's strokes are told apart by words.
const WIDE: f32 = 940.0;

/// What the head keeps between frames.
#[derive(Debug, Default)]
pub(super) struct HeadState {
    /// The fit of the chosen pad.
    pub fit: FitControl,
    /// A and B of each pad.
    pub compare: [Compare<Pad>; PADS],
    /// A pad that was copied.
    pub clipboard: Option<Pad>,
}

/// Shows the head in `rect`; returns the role's place while a sound can be dropped there.
pub(super) fn show(
    ui: &mut Ui,
    rect: Rect,
    view: &mut HeadState,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
) -> Option<Rect> {
    let pad = selection.pad;
    ui.spacing_mut().item_spacing.x = 8.0;
    let role = role_button(ui, pad, cx);
    score(ui, pad, cx);
    let locked = cx.pad(pad).locked;
    ui.add_enabled_ui(!locked, |ui| view.fit.slider(ui, cx, Some(pad), 124.0));
    ui.separator();
    hits(ui, pad, cx);
    hear(ui, rect.width() >= WIDE, pad, cx);
    ui.separator();
    lock(ui, pad, cx);
    let compare = &mut view.compare[pad];
    let side = compare.side();
    let help = "Switches between two versions of this pad; both are kept while the window is open.";
    if widgets::toggle(ui, side == 'B', &format!("Pad {side}"), "A or B of the pad", help).clicked()
        && let Some(other) = compare.switch(cx.pad(pad))
    {
        // another pad may have got the version's own note meanwhile, so the pad keeps the one that it has
        cx.replace_pad(pad, "A or B", |pad| {
            let noted = pad.is_by_hand(by_hand::NOTE);
            *pad = Pad { note: pad.note, ..other };
            if noted {
                pad.mark_by_hand(by_hand::NOTE);
            }
        });
    }
    pad_menu(ui, &mut view.clipboard, selection, cx);
    cx.pad(pad).audition.is_some().then_some(role)
}

/// The role as a large word in the colour of its family.
fn role_button(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) -> Rect {
    let now = cx.pad(pad).role;
    let text = RichText::new(now.word()).font(theme::display()).color(theme::family(now));
    let response = ui.add(egui::Button::new(text).frame_when_inactive(false).min_size(vec2(64.0, 34.0)));
    let response = widgets::named(response, Role::ComboBox, &format!("Role of pad {}", pad + 1));
    Popup::menu(&response).show(|ui| {
        for role in PadRole::ALL {
            let text = RichText::new(role.word()).color(theme::family(role));
            let entry = ui.selectable_label(role == now, text);
            entry.widget_info(|| {
                WidgetInfo::selected(Role::MenuItem, true, role == now, format!("Role {role}"))
            });
            if entry.clicked() {
                take_role(cx, pad, role);
                ui.close();
            }
        }
    });
    let target = match &cx.pad(pad).target {
        Some(target) => format!("Its target is {}.", target.name),
        None => "Drop a drum sound here to make it the pad's target.".to_owned(),
    };
    let rect = response.rect;
    response.on_hover_text(format!("What the pad stands for; another role shapes the hit again. {target}"));
    rect
}

fn take_role(cx: &FrameContext<'_>, pad: usize, role: PadRole) {
    match &cx.pad(pad).audition {
        Some(a) => cx.session.start(Job::SetHit { pad, source: (a.take, a.hit), role }),
        None => cx.edit_pad(pad, "role", |p| p.role = role),
    }
}

fn score(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let built = cx.pad(pad);
    let (rect, response) = ui.allocate_exact_size(vec2(SCORE_WIDTH, 34.0), Sense::hover());
    let sentence = score_text::sentence(built);
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &sentence));
    widgets::text_in(
        ui.painter(),
        rect.left_center(),
        Align2::LEFT_CENTER,
        &score_text::word(built),
        theme::title(),
        theme::TEXT,
        rect.width(),
    );
    response.on_hover_text(sentence);
}

/// Steps through all hits in the order in which they serve the role.
fn hits(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let built = cx.pad(pad);
    let any = cx.kit.doc.takes.iter().any(|t| !t.hits.is_empty());
    for (text, name, help, back) in [
        ("‹", "Next better hit", "The hit that serves one place better in this role.", true),
        (
            "›",
            "Next best hit",
            "The hit that serves next best in this role; after the last comes the best.",
            false,
        ),
    ] {
        let response = ui.add_enabled(
            any,
            egui::Button::new(RichText::new(text).font(theme::title())).frame_when_inactive(false),
        );
        if widgets::named(response, Role::Button, name).on_hover_text(help).clicked() {
            cx.session.start(Job::NextBest { pad, back });
        }
        if back {
            let (place, count) = place_of(built, cx);
            let (rect, response) = ui.allocate_exact_size(vec2(92.0, 28.0), Sense::hover());
            let words = match place {
                Some(place) => format!("{place} of {count}"),
                None => built.audition.as_ref().map_or("no hit".into(), |a| format!("hit {}", a.hit + 1)),
            };
            let painter = ui.painter();
            let (centre, font) = (rect.center(), theme::body());
            widgets::text_in(painter, centre, Align2::CENTER_CENTER, &words, font, theme::TEXT, rect.width());
            response.on_hover_text(
                "The place of the pad's hit among all hits, once they were tried in its role.",
            );
        }
    }
}

/// The place of the pad's hit in the ranking of its role, counted from 1, and how many hits there are.
fn place_of(built: &Pad, cx: &FrameContext<'_>) -> (Option<usize>, usize) {
    let Some(ranking) = cx.session.ranking(built.role) else { return (None, 0) };
    let here = built.audition.as_ref().map(|a| (a.take, a.hit));
    let at = ranking.iter().position(|r| Some((r.0, r.1)) == here);
    (at.map(|at| at + 1), ranking.len())
}

fn hear(ui: &mut Ui, wide: bool, pad: usize, cx: &mut FrameContext<'_>) {
    let text = if wide { format!("Hear as {}", cx.pad(pad).role) } else { "Hear".to_owned() };
    if widgets::button(ui, &text, "Hear the pad", "Plays the pad as it sounds now.").clicked() {
        cx.strike(ui, pad, 0.8, HeldBy::Button);
    }
    if wide
        && widgets::button(ui, "Hear raw", "Hear the hit as recorded", "Plays the hit as it was recorded.")
            .clicked()
        && let Some(slice) = cx.pad(pad).slices.first()
    {
        cx.session.preview(slice.take, slice.start, slice.end);
    }
}

fn lock(ui: &mut Ui, pad: usize, cx: &FrameContext<'_>) {
    let locked = cx.pad(pad).locked;
    let text = if locked { "Locked" } else { "Lock" };
    let help = "A locked pad stays as it is when the fit moves or the kit is cast again.";
    if widgets::toggle(ui, locked, text, "Lock the pad", help).clicked() {
        cx.replace_pad(pad, text, |p| p.locked = !locked);
    }
}

fn pad_menu(ui: &mut Ui, clipboard: &mut Option<Pad>, selection: &mut Selection, cx: &mut FrameContext<'_>) {
    let pad = selection.pad;
    let response =
        widgets::button(ui, "Pad menu", "Pad menu", "Copy, paste, clear, export, follow the fit again.");
    Popup::menu(&response).show(|ui| {
        if ui.button("Copy pad").clicked() {
            *clipboard = Some(cx.pad(pad).clone());
            ui.close();
        }
        let paste = ui.add_enabled(clipboard.is_some(), egui::Button::new("Paste pad"));
        if let Some(copied) = clipboard.clone().filter(|_| paste.clicked()) {
            cx.replace_pad(pad, "paste", |p| {
                *p = Pad { note: p.note, ..copied };
                p.mark_by_hand(by_hand::HIT);
            });
            ui.close();
        }
        if ui.button("Clear pad").clicked() {
            cx.replace_pad(pad, "clear", |p| *p = Pad::empty(p.note, p.role));
            ui.close();
        }
        let sounds = !cx.pad(pad).is_empty();
        if ui.add_enabled(sounds, egui::Button::new("Export as WAV file")).clicked() {
            let name = kitwright_core::export::pad_file(&cx.kit, pad);
            let name = name.rsplit('/').next().unwrap_or_default().to_owned();
            cx.browse(FilePurpose::PadWav(pad), &name);
            ui.close();
        }
        target_entries(ui, pad, cx);
        let built = cx.pad(pad);
        let held = built.held_settings().next().is_some() && built.audition.is_some() && !built.locked;
        if ui.add_enabled(held, egui::Button::new("Follow the fit again")).clicked() {
            cx.session.start(Job::FollowFit { pad, setting: None });
            ui.close();
        }
        ui.checkbox(&mut selection.follow, "Show the pad played last");
    });
}

/// Entries of the menu that give the pad another target, or its role again.
fn target_entries(ui: &mut Ui, pad: usize, cx: &mut FrameContext<'_>) {
    let built = cx.pad(pad);
    let (cast, other) = (built.audition.is_some() && !built.locked, built.target.is_some());
    let help = "A drum sound that this pad is shaped towards; it is measured, never played.";
    let choose = ui.add_enabled(cast, egui::Button::new("Choose a target sound")).on_hover_text(help);
    if choose.clicked() {
        cx.browse(FilePurpose::Target(pad), "");
        ui.close();
    }
    if other && ui.button("Remove the target sound").on_hover_text("Back to the role alone.").clicked() {
        cx.session.start(Job::SetTarget { pad, sound: None });
        ui.close();
    }
}

/// The sections as flat tabs along `rect`; returns the one that was pressed, and the tab of the one that is shown.
pub(super) fn tabs(
    ui: &mut Ui,
    rect: Rect,
    pad: usize,
    chosen: Section,
    cx: &FrameContext<'_>,
    summary: impl Fn(Section) -> String,
) -> (Option<Section>, Option<egui::Id>) {
    let (mut pressed, mut shown) = (None, None);
    let width = (rect.width() / Section::ALL.len() as f32).min(170.0);
    let painter = ui.painter().clone();
    let line = rect.left()..=rect.right() + MORE_WIDTH;
    painter.hline(line, rect.bottom() - 0.5, (1.0, theme::BORDER));
    for (i, section) in Section::ALL.into_iter().enumerate() {
        let tab = Rect::from_min_size(
            pos2(rect.left() + i as f32 * width, rect.top()),
            vec2(width - 4.0, rect.height()),
        );
        let response = ui.interact(tab, ui.scope_id().with(section.word()), Sense::click());
        let on = chosen == section;
        let words = match cx.readings.automation.moving_of(pad) {
            n if n > 0 && section == Section::Automation => format!("{n} automated"),
            _ => summary(section),
        };
        response.widget_info(|| WidgetInfo::selected(Role::Tab, true, on, section.word()));
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(words.as_str()));
        let (ink, left) =
            (if on || response.hovered() { theme::TEXT } else { theme::TEXT_DIM }, tab.left() + 4.0);
        let middle = tab.center().y - 1.0;
        let name = widgets::text_in(
            &painter,
            pos2(left, middle),
            Align2::LEFT_CENTER,
            section.word(),
            theme::body(),
            ink,
            width - 8.0,
        );
        let beside = tab.right() - name.right() - 12.0;
        if beside > 30.0 {
            let at = pos2(name.right() + 8.0, middle);
            widgets::text_in(
                &painter,
                at,
                Align2::LEFT_CENTER,
                &words,
                theme::small(),
                theme::TEXT_DIM,
                beside,
            );
        }
        if on {
            let line = Rect::from_min_max(pos2(left, tab.bottom() - 3.0), pos2(name.right(), tab.bottom()));
            painter.rect_filled(line, 1, theme::family(cx.pad(pad).role));
        }
        widgets::focus_edge(&painter, tab.shrink(2.0), &response);
        if on {
            shown = Some(response.id);
        }
        if response.clicked() {
            pressed = Some(section);
        }
        response.on_hover_text(section.help());
    }
    (pressed, shown)
}
