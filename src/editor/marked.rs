//! A setting as it is shown when the hand or the host has set it.

use super::widgets::Described;
use kitwright_core::settings::Unit;

/// Who has set a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetBy {
    /// The player: casting leaves it alone.
    Hand,
    /// The host: its automation moves it now.
    Host,
}

/// A setting with the mark of who has set it.
pub struct Marked<'a> {
    /// The setting.
    pub of: &'a dyn Described,
    /// Who has set it.
    pub by: SetBy,
}

impl Described for Marked<'_> {
    fn name(&self) -> &'static str {
        self.of.name()
    }
    fn help(&self) -> &'static str {
        self.of.help()
    }
    fn unit(&self) -> Unit {
        self.of.unit()
    }
    fn bounds(&self) -> [f32; 2] {
        self.of.bounds()
    }
    fn default(&self) -> f32 {
        self.of.default()
    }
    fn to_travel(&self, value: f32) -> f32 {
        self.of.to_travel(value)
    }
    fn at_travel(&self, travel: f32) -> f32 {
        self.of.at_travel(travel)
    }
    fn clamp(&self, value: f32) -> f32 {
        self.of.clamp(value)
    }
    fn show(&self, value: f32) -> String {
        match self.by {
            SetBy::Hand => self.of.show(value),
            SetBy::Host => format!("host: {}", self.of.show(value)),
        }
    }
    fn read(&self, text: &str) -> Option<f32> {
        self.of.read(text)
    }
    fn is_by_hand(&self) -> bool {
        self.by == SetBy::Hand || self.of.is_by_hand()
    }
}
