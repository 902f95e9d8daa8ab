//! Controls for the settings of a pad: those set by hand are marked, and can follow the fit again.

use crate::editor::{
    frame_context::FrameContext,
    widgets::{self, Described},
};
use egui::Ui;
use kitwright_core::{
    kit::{Pad, by_hand::setting_name},
    session::Job,
    settings::{Setting, Unit},
};

/// Which structure of a pad a table belongs to.
pub(super) struct Structure<'a> {
    /// Before a control's name: "Pad 1 cloud".
    pub owner: String,
    /// As the document names it ([`setting_name`]): "cloud".
    pub id: &'a str,
}

/// A setting that was set by hand.
struct ByHand<'a>(&'a dyn Described);

impl Described for ByHand<'_> {
    fn name(&self) -> &'static str {
        self.0.name()
    }
    fn help(&self) -> &'static str {
        self.0.help()
    }
    fn unit(&self) -> Unit {
        self.0.unit()
    }
    fn bounds(&self) -> [f32; 2] {
        self.0.bounds()
    }
    fn default(&self) -> f32 {
        self.0.default()
    }
    fn to_travel(&self, value: f32) -> f32 {
        self.0.to_travel(value)
    }
    fn at_travel(&self, travel: f32) -> f32 {
        self.0.at_travel(travel)
    }
    fn clamp(&self, value: f32) -> f32 {
        self.0.clamp(value)
    }
    fn show(&self, value: f32) -> String {
        self.0.show(value)
    }
    fn read(&self, text: &str) -> Option<f32> {
        self.0.read(text)
    }
    fn is_by_hand(&self) -> bool {
        true
    }
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
    let marked: Vec<ByHand<'_>> = table.iter().map(|s| ByHand(s)).collect();
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
