//! Files dropped onto the window: a kit is loaded, a recording becomes a take, one dropped onto a pad becomes
//! the pad, and one dropped onto the role of the chosen pad becomes its target.

use super::{file_browser, frame_context::FrameContext, selection::Selection, theme, unsaved::Unsaved};
use egui::{Align2, LayerId, Order, Rect, Ui, pos2, vec2};
use kitwright_core::{kit::PADS, session::Job};
use std::path::PathBuf;

/// Where pads and the chosen pad's role were drawn in this frame.
#[derive(Debug)]
pub struct DropTargets {
    /// Rectangles of the pads, points; [`Rect::NOTHING`] for one that is not shown.
    pub pads: [Rect; PADS],
    /// The role of the chosen pad: a sound dropped there becomes the pad's target.
    pub role: Option<Rect>,
}

impl Default for DropTargets {
    /// Nothing is shown.
    fn default() -> Self {
        Self { pads: [Rect::NOTHING; PADS], role: None }
    }
}

/// What lies under the pointer.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Under {
    /// A pad of the kit, 0 to 15.
    Pad(usize),
    /// The role of the chosen pad, 0 to 15.
    Role(usize),
    /// Anything else.
    Elsewhere,
}

/// Text of the hint.
fn hint_text(under: Under, files: &[PathBuf], empty: bool) -> String {
    match (files, under) {
        _ if files.iter().any(|f| file_browser::is_kit(f)) => "Drop: opens the kit".into(),
        ([_], Under::Pad(pad)) => format!("Drop: becomes pad {}", pad + 1),
        (_, Under::Pad(pad)) => format!("Drop: becomes pad {} and those after it", pad + 1),
        ([_], Under::Role(pad)) => format!("Drop: target sound of pad {}", pad + 1),
        _ if empty => "Drop: makes a kit of it".into(),
        _ => "Drop: one more take; onto a pad: becomes the pad".into(),
    }
}

/// Takes what was dropped since the last frame.
pub(super) fn take(
    ui: &Ui,
    targets: &DropTargets,
    selection: &mut Selection,
    unsaved: &mut Unsaved,
    cx: &FrameContext<'_>,
) {
    let files: Vec<PathBuf> = ui.input(|i| i.raw.dropped_files.iter().map(|f| f.path().to_owned()).collect());
    if files.is_empty() {
        return;
    }
    let under = under(ui, targets, selection.pad);
    if let Some(kit) = files.iter().find(|f| file_browser::is_kit(f)) {
        unsaved.start(Job::LoadKit(kit.clone()), cx);
    } else if let Under::Pad(pad) = under {
        selection.pad = pad;
        onto_pads(cx, pad, files);
    } else if let (Under::Role(pad), [file]) = (under, &files[..]) {
        cx.session.start(Job::SetTarget { pad, sound: Some(file.clone()) });
    } else if cx.kit.takes.is_empty() {
        cx.session.start(Job::NewKit { takes: files, fit: cx.kit.doc.fit });
    } else {
        files.into_iter().for_each(|f| cx.session.start(Job::AddTake(f)));
    }
}

/// One file per pad, from `pad` on along the keys; files without a pad become takes.
fn onto_pads(cx: &FrameContext<'_>, pad: usize, files: Vec<PathBuf>) {
    let along = cx.pads_along_the_keys();
    let first = along.iter().position(|p| *p == pad).unwrap_or(0);
    for (i, file) in files.into_iter().enumerate() {
        cx.session.start(match along.get(first + i) {
            Some(&pad) => Job::PutFile { pad, file, role: cx.pad(pad).role },
            None => Job::AddTake(file),
        });
    }
}

fn under(ui: &Ui, targets: &DropTargets, chosen: usize) -> Under {
    let Some(at) = ui.input(|i| i.pointer.latest_pos()) else { return Under::Elsewhere };
    match targets.pads.iter().position(|tile| tile.contains(at)) {
        Some(pad) => Under::Pad(pad),
        None if targets.role.is_some_and(|place| place.contains(at)) => Under::Role(chosen),
        None => Under::Elsewhere,
    }
}

/// Says what a drop would do while files hover over the window.
pub(super) fn hint(ui: &Ui, targets: &DropTargets, chosen: usize, cx: &FrameContext<'_>) {
    let files: Vec<PathBuf> =
        ui.input(|i| i.raw.hovered_files.iter().filter_map(|f| f.path.clone()).collect());
    if files.is_empty() {
        return;
    }
    let painter = ui.ctx().layer_painter(LayerId::new(Order::Foreground, egui::Id::unique("drop hint")));
    let under = under(ui, targets, chosen);
    let place = match under {
        Under::Pad(pad) => Some(targets.pads[pad]),
        Under::Role(_) if files.len() == 1 => targets.role,
        Under::Role(_) | Under::Elsewhere => None,
    };
    if let Some(place) = place {
        painter.rect_stroke(place, theme::ROUND, (2.0, theme::TEXT), egui::StrokeKind::Inside);
    }
    let text = hint_text(under, &files, cx.kit.takes.is_empty());
    let galley = painter.layout_no_wrap(text, theme::title(), theme::ON_ACCENT);
    let screen = ui.ctx().content_rect();
    let at = pos2(screen.center().x, screen.top() + 60.0);
    let place = Align2::CENTER_CENTER.anchor_size(at, galley.size()).expand2(vec2(14.0, 8.0));
    painter.rect_filled(place, theme::ROUND, theme::ACCENT);
    painter.galley(place.min + vec2(14.0, 8.0), galley, theme::ON_ACCENT);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hint_names_the_effect_of_the_drop() {
        let wav = || vec![PathBuf::from("a.wav")];
        assert_eq!(hint_text(Under::Pad(2), &wav(), false), "Drop: becomes pad 3");
        assert_eq!(hint_text(Under::Role(2), &wav(), false), "Drop: target sound of pad 3");
        assert_eq!(hint_text(Under::Elsewhere, &wav(), true), "Drop: makes a kit of it");
        assert_eq!(hint_text(Under::Pad(2), &[PathBuf::from("a.kitwright")], false), "Drop: opens the kit");
        assert!(hint_text(Under::Pad(0), &[wav(), wav()].concat(), false).contains("those after it"));
    }
}
