//! The controls of the window: every setting is shown and moved by the same few.

mod choice;
mod rule;

pub use choice::{choice, switch};
pub use rule::rule;

use super::theme;
use egui::{
    Align2, Button, Color32, FontId, Painter, Pos2, Rect, Response, RichText, Role, Ui, Vec2, WidgetInfo,
    vec2,
};
use kitwright_core::settings::{Setting, Unit};

/// Least width of one control in a grid of settings.
pub const CONTROL_WIDTH: f32 = 132.0;
/// Width up to which controls grow where there is room to spare.
const CONTROL_WIDE: f32 = 220.0;
/// Height of one control.
pub const CONTROL_HEIGHT: f32 = 36.0;

/// What a control needs to know of its setting, whatever structure it belongs to.
pub trait Described {
    /// Name to show.
    fn name(&self) -> &'static str;
    /// One line: what it does to the sound.
    fn help(&self) -> &'static str;
    /// Meaning of the number.
    fn unit(&self) -> Unit;
    /// Lowest and highest value.
    fn bounds(&self) -> [f32; 2];
    /// Value of a fresh structure.
    fn default(&self) -> f32;
    /// Position of the control, 0 to 1.
    fn to_travel(&self, value: f32) -> f32;
    /// Value for a position.
    fn at_travel(&self, travel: f32) -> f32;
    /// Value moved into the range.
    fn clamp(&self, value: f32) -> f32;
    /// Value with its unit.
    fn show(&self, value: f32) -> String;
    /// Value that a text means.
    fn read(&self, text: &str) -> Option<f32>;
}

impl<T> Described for Setting<T> {
    fn name(&self) -> &'static str {
        self.name
    }
    fn help(&self) -> &'static str {
        self.help
    }
    fn unit(&self) -> Unit {
        self.unit
    }
    fn bounds(&self) -> [f32; 2] {
        [self.min, self.max]
    }
    fn default(&self) -> f32 {
        self.default
    }
    fn to_travel(&self, value: f32) -> f32 {
        Setting::to_travel(self, value)
    }
    fn at_travel(&self, travel: f32) -> f32 {
        Setting::from_travel(self, travel)
    }
    fn clamp(&self, value: f32) -> f32 {
        Setting::clamp(self, value)
    }
    fn show(&self, value: f32) -> String {
        Setting::show(self, value)
    }
    fn read(&self, text: &str) -> Option<f32> {
        Setting::read(self, text)
    }
}

/// What a hand did to a control in this frame.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moved {
    /// The gesture began.
    pub began: bool,
    /// The new value.
    pub value: Option<f32>,
    /// The gesture ended.
    pub ended: bool,
}

impl Moved {
    /// A whole gesture in one frame: a key, a click, a typed value.
    pub fn at_once(value: f32) -> Self {
        Self { began: true, value: Some(value), ended: true }
    }
}

/// The control that fits the setting's unit. `owner` completes its accessible name: "pad 3 layer 1".
pub fn control(ui: &mut Ui, setting: &dyn Described, owner: &str, value: f32, width: f32) -> Moved {
    match setting.unit() {
        Unit::Switch => switch(ui, setting, owner, value, width),
        Unit::Choice(words) => choice(ui, setting, owner, value, words, width),
        _ => rule(ui, setting, owner, value, width),
    }
}

/// Controls for a whole table in a wrapping grid; calls back with the index and the movement of each moved one.
pub fn grid<'a>(
    ui: &mut Ui,
    owner: &str,
    settings: impl Iterator<Item = (usize, &'a dyn Described, f32)>,
    mut moved: impl FnMut(usize, Moved),
) {
    let settings: Vec<_> = settings.collect();
    let width = control_width(ui.available_width(), ui.clip_rect().height(), settings.len());
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = vec2(theme::GAP * 2.0, theme::GAP);
        for (index, setting, value) in settings {
            let m = control(ui, setting, owner, value, width);
            if m != Moved::default() {
                moved(index, m);
            }
        }
    });
}

/// Controls for a whole table of settings of `now`; calls back with each setting that the hand gave a value.
pub fn table<T>(
    ui: &mut Ui,
    owner: &str,
    table: &'static [Setting<T>],
    now: &T,
    mut moved: impl FnMut(&'static Setting<T>, f32),
) {
    let rows = table.iter().enumerate().map(|(i, s)| (i, s as &dyn Described, (s.get)(now)));
    grid(ui, owner, rows, |i, m| {
        if let Some(value) = m.value {
            moved(&table[i], value);
        }
    });
}

/// The setting's name in the corner of its control.
fn caption(painter: &Painter, rect: Rect, setting: &dyn Described, width: f32) {
    let (font, ink) = (theme::small(), theme::INK_SOFT);
    text_in(painter, rect.left_top(), Align2::LEFT_TOP, setting.name(), font, ink, width);
}

/// Width of controls so that columns fill `available`: as many columns as `count` controls need to stay within
/// `height`, and wide controls rather than empty lines below.
fn control_width(available: f32, height: f32, count: usize) -> f32 {
    let gap = theme::GAP * 2.0;
    let columns = |width: f32| (available + gap) / (width + gap);
    let rows = ((height + theme::GAP) / (CONTROL_HEIGHT + theme::GAP)).floor().max(1.0);
    let needed = (count as f32 / rows).ceil();
    let columns = columns(CONTROL_WIDE).ceil().max(needed).min(columns(CONTROL_WIDTH).floor()).max(1.0);
    ((available + gap) / columns - gap - 0.5).max(60.0)
}

/// A button with a tooltip; `name` is its accessible name where the text alone does not say enough.
pub fn button(ui: &mut Ui, text: &str, name: &str, help: &str) -> Response {
    named(ui.add(Button::new(text)), Role::Button, name).on_hover_text(help)
}

/// A button that is or is not pressed in; the state is spoken and shown by an edge as well as by colour.
pub fn toggle(ui: &mut Ui, on: bool, text: &str, name: &str, help: &str) -> Response {
    let (fill, ink) = if on { (theme::AMBER, theme::ON_AMBER) } else { (theme::WOOD_HIGH, theme::INK) };
    let text = RichText::new(text).color(ink);
    let text = if on { text.strong() } else { text };
    let response = ui.add(Button::new(text).fill(fill));
    response.widget_info(|| WidgetInfo::selected(Role::Switch, true, on, name));
    response.on_hover_text(help)
}

/// Gives a response its accessible name.
pub fn named(response: Response, role: Role, name: &str) -> Response {
    let enabled = response.enabled();
    response.widget_info(|| WidgetInfo::labeled(role, enabled, name));
    response
}

/// Text cut to a width with an ellipsis, painted at once; returns the space it takes.
pub fn text_in(
    painter: &Painter,
    at: Pos2,
    align: Align2,
    text: &str,
    font: FontId,
    colour: Color32,
    width: f32,
) -> Rect {
    let mut job = egui::text::LayoutJob::simple_singleline(text.to_owned(), font, colour);
    job.wrap = egui::text::TextWrapping::truncate_at_width(width.max(1.0));
    let galley = painter.layout_job(job);
    let rect = align.anchor_size(at, galley.size());
    painter.galley(rect.min, galley, colour);
    rect
}

/// A small arrow pointing right, between the steps of a path.
pub fn arrow(painter: &Painter, centre: Pos2, colour: Color32) {
    let h = 4.0;
    painter.line(
        vec![centre + vec2(-h * 0.6, -h), centre + vec2(h * 0.6, 0.0), centre + vec2(-h * 0.6, h)],
        (1.5, colour),
    );
}

/// The edge that shows where the keyboard is.
pub fn focus_edge(painter: &Painter, rect: Rect, response: &Response) {
    if response.has_focus() {
        painter.rect_stroke(rect.expand(1.0), theme::ROUND, (1.5, theme::AMBER), egui::StrokeKind::Outside);
    }
}

/// The size of one control.
pub(super) fn control_size(width: f32) -> Vec2 {
    vec2(width, CONTROL_HEIGHT)
}
