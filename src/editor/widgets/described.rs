//! What controls need to know of settings, and what they report of gestures.

use egui::Pos2;
use kitwright_core::settings::{Setting, Unit};

/// Minimum width of one control in a grid of settings, points.
pub const CONTROL_WIDTH: f32 = 132.0;
/// Height of one control, points.
pub const CONTROL_HEIGHT: f32 = 36.0;

/// What a control needs to know of its setting, whatever structure it belongs to.
pub trait Described {
    /// Name to show.
    fn name(&self) -> &'static str;
    /// One line: what it does to the sound.
    fn help(&self) -> &'static str;
    /// Unit.
    fn unit(&self) -> Unit;
    /// Lowest and highest value, in [`Self::unit`] as all values here.
    fn bounds(&self) -> [f32; 2];
    /// Default value.
    fn default(&self) -> f32;
    /// Position of the control, 0 to 1; that of the nearer bound for a value outside the range.
    fn to_travel(&self, value: f32) -> f32;
    /// Value for a position; a position outside 0 to 1 gives the nearer bound.
    fn at_travel(&self, travel: f32) -> f32;
    /// Value moved into the range.
    fn clamp(&self, value: f32) -> f32;
    /// Value with its unit.
    fn show(&self, value: f32) -> String;
    /// Value that a text means, moved into the range; `None` for a text that is not understood.
    fn read(&self, text: &str) -> Option<f32>;
    /// Whether it was set by hand and can be let go.
    fn is_by_hand(&self) -> bool {
        false
    }
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

/// What a gesture did to a control in this frame.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moved {
    /// The gesture began.
    pub began: bool,
    /// The new value.
    pub value: Option<f32>,
    /// The gesture ended.
    pub ended: bool,
    /// The setting is to follow the fit again.
    pub let_go: bool,
    /// The place of a right click, points, on a control without a menu of its own.
    pub menu: Option<Pos2>,
}

impl Moved {
    /// A whole gesture in one frame: a key, a click, a typed value.
    pub fn at_once(value: f32) -> Self {
        Self { began: true, value: Some(value), ended: true, let_go: false, menu: None }
    }
}
