//! The pad editor: one pad's path from its hit to its role, from left to right.

mod caption;
mod cloud;
mod controls;
mod curve;
mod head;
mod hit;
mod hit_list;
mod last_cloud;
mod layers;
mod live;
mod mix;
pub(super) mod reductions;
mod spectrum;
mod strokes;
mod tone;
mod why;

use super::{
    frame_context::FrameContext,
    selection::{Section, Selection},
    theme, widgets,
};
use curve::CurveView;
use egui::{Align, Layout, Rect, Ui, UiBuilder, pos2, vec2};
use head::HeadState;
use hit_list::HitList;
use kitwright_core::{engine::ScopeSource, kit::Pad};
use last_cloud::CloudCopies;
use reductions::HeldReductions;
use strokes::Strokes;

/// Height from which a section shows all of its settings.
const ROOMY: f32 = 320.0;
/// Height of the tabs.
const TABS_HEIGHT: f32 = 30.0;

/// What the pad editor keeps between frames.
#[derive(Debug, Default)]
pub struct PadEditor {
    head: HeadState,
    /// Gain-reduction meters of the chosen pad and of the main output.
    reductions: HeldReductions,
    curve: CurveView,
    cloud: CloudCopies,
    strokes: Strokes,
    hits: HitList,
}

impl PadEditor {
    /// Once a frame, shown or not: starts the shaping for a moved fit.
    pub fn begin_frame(&mut self, ui: &Ui, cx: &FrameContext<'_>) {
        self.head.fit.start_when_rested(ui, cx);
    }

    /// Forgets what belongs to the pads of another kit.
    pub fn forget_kit(&mut self) {
        self.head.compare = Default::default();
        // its slices name takes by their place in the other kit
        self.head.clipboard = None;
    }

    /// The window closes: versions and clipboard stay.
    pub fn close(&mut self) {
        let HeadState { compare, clipboard, .. } = std::mem::take(&mut self.head);
        *self = Self { head: HeadState { compare, clipboard, ..HeadState::default() }, ..Self::default() };
    }

    /// Whether a thread is still computing something to show.
    pub fn is_working(&self) -> bool {
        self.curve.is_working()
    }

    /// Gain reduction of the main output's ceiling, dB, 0 and above.
    pub fn main_ceiling_db(&self) -> f32 {
        self.reductions.main_ceiling()
    }
}

/// Places that one frame of the pad editor has drawn.
pub struct PadEditorPlaces {
    /// Where the chosen pad's hit enters.
    pub entry: egui::Pos2,
    /// The role, while a sound can be dropped there.
    pub role: Option<Rect>,
    /// The tab of the section that is shown.
    pub tab: Option<egui::Id>,
}

/// Shows the chosen pad in `rect`.
pub fn show(
    ui: &mut Ui,
    rect: Rect,
    view: &mut PadEditor,
    selection: &mut Selection,
    cx: &mut FrameContext<'_>,
) -> PadEditorPlaces {
    let painter = ui.painter().clone();
    painter.rect_filled(rect, theme::ROUND, theme::SURFACE);
    let strip = Rect::from_min_size(rect.min + vec2(12.0, 2.0), vec2(rect.width() - 24.0, head::HEIGHT));
    let tabs = Rect::from_min_size(strip.left_bottom(), vec2(strip.width(), TABS_HEIGHT));
    let panel = Rect::from_min_max(pos2(rect.left() + 12.0, tabs.bottom() + 8.0), rect.max - vec2(12.0, 8.0));
    let tabs = Rect::from_min_max(tabs.min, pos2(tabs.right() - head::MORE_WIDTH, tabs.bottom()));
    selection.roomy = panel.height() >= ROOMY;
    view.reductions.follow(ui, selection.pad, cx);
    if selection.section != Section::Tone
        && let Some(meters) = cx.session.meters()
    {
        meters.scope.listen(ScopeSource::Off);
    }
    let builder = UiBuilder::new().id_salt("path").max_rect(strip);
    let role = ui
        .scope_builder(builder, |ui| {
            ui.horizontal_centered(|ui| head::show(ui, strip, &mut view.head, selection, cx)).inner
        })
        .inner;
    let built = cx.pad(selection.pad);
    let (pressed, tab) = head::tabs(ui, tabs, selection.pad, selection.section, cx, |s| summary(s, built));
    selection.section = pressed.unwrap_or(selection.section);
    let beside = Rect::from_min_size(tabs.right_top(), vec2(head::MORE_WIDTH, TABS_HEIGHT - 2.0));
    ui.scope_builder(UiBuilder::new().id_salt("more").max_rect(beside), |ui| {
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| more_settings(ui, selection));
    });
    ui.scope_builder(
        UiBuilder::new().id_salt(("panel", selection.pad, selection.section.word())).max_rect(panel),
        |ui| {
            ui.set_clip_rect(panel.expand(2.0));
            let (pad, more) = (selection.pad, selection.shows_more());
            match selection.section {
                Section::Hit => hit::show(ui, panel, &mut view.hits, selection, cx),
                Section::Layers => layers::show(ui, panel, selection, cx),
                Section::Cloud => cloud::show(ui, panel, pad, more, &mut view.cloud, cx),
                Section::Tone => tone::show(ui, panel, selection, &mut view.curve, &view.reductions, cx),
                Section::Mix => {
                    let ceiling_db = view.reductions.pad_ceiling();
                    mix::show(ui, panel, (pad, more), &mut view.strokes, ceiling_db, cx);
                }
                Section::Automation => mix::show_trims(ui, pad, more, cx),
            }
        },
    );
    PadEditorPlaces { entry: pos2(strip.left() + 34.0, rect.top()), role, tab }
}

/// The button that shows all settings of a section, or the essential ones alone.
fn more_settings(ui: &mut Ui, selection: &mut Selection) {
    if !selection.section.has_more() || selection.roomy {
        return;
    }
    let more = selection.shows_more();
    let (text, help) = if more {
        ("Less", "Shows the essential settings of this section alone.")
    } else {
        ("More", "Shows every setting of this section.")
    };
    if widgets::toggle(ui, more, text, "More settings", help).clicked() {
        selection.turn_more();
    }
}

fn summary(section: Section, pad: &Pad) -> String {
    match section {
        Section::Hit => match &pad.audition {
            _ if pad.is_empty() => "none yet".into(),
            Some(a) => format!("no. {}", a.hit + 1),
            None => "by hand".into(),
        },
        Section::Layers => match pad.layers.iter().filter(|l| l.settings.on).count() {
            1 => "one".into(),
            n => format!("{n} of {}", pad.layers.len()),
        },
        Section::Cloud if pad.cloud.copies == 0 => "off".into(),
        Section::Cloud => format!("{} copies", pad.cloud.copies),
        Section::Tone => match tone::stages_on(&pad.tone) {
            0 => "none".into(),
            1 => "1 stage".into(),
            n => format!("{n} stages"),
        },
        Section::Mix => kitwright_core::kit::PAD[0].show(pad.settings.level_db),
        Section::Automation => "host".into(),
    }
}
