//! The take: time from left to right, hits with the roles that use them.

mod body;
mod chosen_hit;
mod head;
mod keys;
mod labels;
pub mod position;
mod shown;

pub use body::hit_name;

use super::{frame_context::FrameContext, selection::Selection};
use egui::{Rect, Ui, UiBuilder};
use kitwright_core::kit::Kit;
use position::TakeView;
use shown::{PadUse, ShownTake};

/// Height of the line above the wave, points.
const HEAD: f32 = 36.0;

/// Shows the take in `rect`.
pub fn show(
    ui: &mut Ui,
    rect: Rect,
    view: &mut TakeView,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
) {
    view.hit_anchor = None;
    if cx.kit.takes.is_empty() {
        return;
    }
    if view.take >= cx.kit.takes.len() {
        view.turn_to(0);
    }
    let index = view.take;
    let take = cx.kit.takes[index].clone();
    let frames = take.frames() as f64;
    if view.visible_frames[1] - view.visible_frames[0] < 1.0 {
        view.visible_frames = [0.0, frames.max(1.0)];
    }
    let pyramid = cx.readings.waves.get(&take, ui.ctx());
    let shown = ShownTake { users: users(&cx.kit, index), take, pyramid, index };
    let head_rect = Rect::from_min_size(rect.min, egui::vec2(rect.width(), HEAD));
    let body_rect = Rect::from_min_max(egui::pos2(rect.left(), rect.top() + HEAD), rect.max);
    ui.scope_builder(UiBuilder::new().id_salt("take head").max_rect(head_rect), |ui| {
        head::show(ui, view, selection.pad, cx, &shown)
    });
    ui.scope_builder(UiBuilder::new().id_salt("take body").max_rect(body_rect), |ui| {
        body::show(ui, body_rect, view, selection, cx, &shown);
    });
    // a handle that was shown no more when it was let go of has not ended its drag
    if !ui.input(|i| i.pointer.any_down()) {
        view.edge = None;
    }
}

/// Which pads play each hit of a take.
fn users(kit: &Kit, take: usize) -> Vec<Vec<PadUse>> {
    let Some(entry) = kit.doc.takes.get(take) else { return Vec::new() };
    let mut users = vec![Vec::new(); entry.hits.len()];
    for (pad, built) in kit.doc.pads.iter().enumerate() {
        let cast = built.audition.as_ref().filter(|a| a.take == take && !built.is_empty()).map(|a| a.hit);
        if let Some(list) = cast.and_then(|hit| users.get_mut(hit)) {
            list.push(PadUse { pad, role: built.role, note: built.note, alternate: false });
        }
        for slice in built.slices.iter().skip(1).filter(|s| s.take == take) {
            let hit = entry.hits.partition_point(|h| h.start <= slice.start).checked_sub(1);
            if let Some(hit) = hit.filter(|&h| Some(h) != cast)
                && entry.hits[hit].end > slice.start
            {
                users[hit].push(PadUse { pad, role: built.role, note: built.note, alternate: true });
            }
        }
    }
    users
}
