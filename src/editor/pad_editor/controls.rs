//! Controls for the settings of a pad: the essential ones first, the rest on demand; those set by hand are marked, and can
//! follow the fit again.

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

/// Width of a section, in points, from which few settings leave half of it to its picture.
pub(super) const VERY_WIDE: f32 = 1500.0;

/// Which structure of a pad a table belongs to.
pub(super) struct Structure<'a> {
    /// Before a control's name: "Pad 1 cloud".
    pub owner: String,
    /// As the document names it ([`setting_name`]): "cloud".
    pub id: &'a str,
    /// Ids of the settings that are always shown; the others only with `more`, or when they were set by hand.
    pub essential: &'a [&'a str],
    /// All are shown.
    pub more: bool,
}

/// Settings of a layer that are always shown.
pub(super) const LAYER_ESSENTIALS: &[&str] = &[
    "on",
    "start_ms",
    "tail_ms",
    "pitch_st",
    "drop_st",
    "attack_ms",
    "decay_ms",
    "low_cut_hz",
    "high_cut_hz",
    "level_db",
];
/// Settings of a cloud that are always shown.
pub(super) const CLOUD_ESSENTIALS: &[&str] =
    &["copies", "spread_ms", "timing", "pitch_st", "fall_db", "width", "dry_db", "cloud_db"];
/// Settings of the tone chain's stages that are always shown.
pub(super) const TONE_ESSENTIALS: &[&str] = &[
    "on",
    "hz",
    "slope",
    "gain_db",
    "threshold_db",
    "makeup_db",
    "character",
    "drive_db",
    "mix",
    "ratio",
    "low_band_hz",
];
/// Settings of a pad in the mix that are always shown.
pub(super) const PAD_ESSENTIALS: &[&str] = &["level_db", "pan", "choke_group"];
/// Settings of the variation that are always shown.
pub(super) const VARIATION_ESSENTIALS: &[&str] = &["way", "start_ms", "pitch_ct", "level_db"];
/// Trims that are always shown.
pub(super) const TRIM_ESSENTIALS: &[&str] = &[
    "level_db",
    "pan",
    "pitch_st",
    "length",
    "low_cut_hz",
    "high_cut_hz",
    "drive_db",
    "copies",
    "vary",
    "velocity",
];

impl Structure<'_> {
    /// Whether this setting is shown.
    pub fn shows<T>(&self, built: &Pad, setting: &Setting<T>) -> bool {
        let by_hand = || built.is_by_hand(&setting_name(self.id, setting.id));
        self.more || self.essential.contains(&setting.id) || by_hand()
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
    let marked: Vec<Marked<'_>> = table.iter().map(|s| Marked { of: s, by: SetBy::Hand }).collect();
    let rows = table.iter().enumerate().filter(|(_, s)| structure.shows(built, s)).map(|(i, s)| {
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
