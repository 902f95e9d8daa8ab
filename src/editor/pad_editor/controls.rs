//! Controls for the settings of a pad: those set by hand are marked, and can follow the fit again.

use crate::editor::{
    frame_context::FrameContext,
    marked::{Marked, SetBy},
    widgets::{self, Described},
};
use egui::Ui;
use kitwright_core::{
    kit::{Pad, by_hand::setting_name},
    session::Job,
    settings::Setting,
};

/// Which structure of a pad a table belongs to.
pub(super) struct Structure<'a> {
    /// Before a control's name: "Pad 1 cloud".
    pub owner: String,
    /// As the document names it ([`setting_name`]): "cloud".
    pub id: &'a str,
}

/// Controls for a whole table of settings; `set` changes one of them in the pad.
pub(super) fn table<T: 'static>(
    ui: &mut Ui,
    cx: &FrameContext<'_>,
    pad: usize,
    structure: &Structure<'_>,
    table: &'static [Setting<T>],
    now: &T,
    set: impl Fn(&mut Pad, &'static Setting<T>, f32),
) {
    let built = cx.pad(pad);
    let name = |setting: &Setting<T>| setting_name(structure.id, setting.id);
    let marked: Vec<Marked<'_>> = table.iter().map(|s| Marked { of: s, by: SetBy::Hand }).collect();
    let rows = table.iter().enumerate().map(|(i, s)| {
        let described = if built.is_by_hand(&name(s)) { &marked[i] as &dyn Described } else { s };
        (i, described, (s.get)(now))
    });
    widgets::grid(ui, &structure.owner, rows, |i, moved| {
        let setting = &table[i];
        if moved.let_go {
            cx.session.start(Job::FollowFit { pad, setting: Some(name(setting)) });
        } else if let Some(value) = moved.value {
            let what = format!("{} {}", structure.id, setting.name.to_lowercase());
            cx.edit_pad(pad, what.trim(), |p| set(p, setting, value));
        }
    });
}
