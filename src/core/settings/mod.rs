//! Tables that describe every setting: name, unit, range, curve, default and help.
//!
//! The host parameters, the checks of kit files, the engine, the editor's controls, casting and the
//! documentation all read these tables, so that a range is written once. A setting belongs to exactly one structure: what a
//! player automates is a trim ([`PadTrims`], [`KitTrims`], neutral by default, owned by the host's
//! parameters); how a pad is built belongs to the kit document.

#[cfg(test)]
mod tests;
mod text;
mod trims;
mod unit;

use std::fmt::Display;

pub use trims::{KIT_TRIMS, KitTrims, PAD_TRIMS, PadTrims};
pub use unit::Unit;

/// How a control's travel maps to the range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Curve {
    /// Equal steps.
    Linear,
    /// Equal ratios; the range lies above 0.
    Logarithmic,
    /// More travel near the minimum: value = min + span * travel^3.
    Fine,
}

/// One setting of a structure `T`.
#[derive(Debug, Clone, Copy)]
pub struct Setting<T: 'static> {
    /// The field's name, unique within its table; stable for ever once released.
    pub id: &'static str,
    /// Name to show.
    pub name: &'static str,
    /// Meaning of the number.
    pub unit: Unit,
    /// Lowest value.
    pub min: f32,
    /// Highest value.
    pub max: f32,
    /// Travel of its control.
    pub curve: Curve,
    /// Value of a fresh structure.
    pub default: f32,
    /// One line: what it does to the sound.
    pub help: &'static str,
    /// Reads it.
    pub get: fn(&T) -> f32,
    /// Writes it; the value must lie within the range.
    pub set: fn(&mut T, f32),
}

impl<T> Setting<T> {
    /// `value` moved into the range; switches, choices and counts to whole numbers. NaN gives the
    /// default.
    pub fn clamp(&self, value: f32) -> f32 {
        let value = if value.is_nan() { self.default } else { value.clamp(self.min, self.max) };
        match self.unit {
            Unit::Switch | Unit::Choice(_) | Unit::Count => value.round(),
            _ => value,
        }
    }

    /// Position of the control, 0 to 1, for a value.
    pub fn to_travel(&self, value: f32) -> f32 {
        let v = value.clamp(self.min, self.max);
        match self.curve {
            Curve::Linear => (v - self.min) / (self.max - self.min),
            Curve::Logarithmic => (v / self.min).ln() / (self.max / self.min).ln(),
            Curve::Fine => ((v - self.min) / (self.max - self.min)).cbrt(),
        }
    }

    /// Value for a position of the control, 0 to 1.
    pub fn from_travel(&self, travel: f32) -> f32 {
        let t = travel.clamp(0.0, 1.0);
        if t == 1.0 {
            // the power of a ratio misses the end by a rounding, and the ends mean "off"
            return self.max;
        }
        self.clamp(match self.curve {
            Curve::Linear => self.min + (self.max - self.min) * t,
            Curve::Logarithmic => self.min * (self.max / self.min).powf(t),
            Curve::Fine => self.min + (self.max - self.min) * t * t * t,
        })
    }

    /// The value as text with its unit, such as "-5.0 st", "1.20 kHz", "on".
    pub fn show(&self, value: f32) -> String {
        text::show(self.unit, value)
    }

    /// The value that a text means: "-5 st", "250 Hz", "1k2", "1.2k", "50 %", "on". The unit may be
    /// left out. `None` when it is not understood; the result lies within the range.
    pub fn read(&self, text: &str) -> Option<f32> {
        text::read(self.unit, text).map(|v| self.clamp(v))
    }
}

/// Whether every setting of `value` lies within its range; `owner` names the structure ("pad 3, layer 1").
///
/// # Errors
/// One sentence about the first setting that does not.
pub fn check<T>(table: &[Setting<T>], value: &T, owner: impl Display) -> Result<(), String> {
    for s in table {
        let v = (s.get)(value);
        if !(s.min..=s.max).contains(&v) {
            return Err(format!(
                "{owner}: {} is {v}, it must lie between {} and {}",
                s.name,
                s.show(s.min),
                s.show(s.max)
            ));
        }
    }
    Ok(())
}

/// The setting of `table` with this id.
///
/// # Panics
/// When the table has none.
pub fn setting<T>(table: &'static [Setting<T>], id: &str) -> &'static Setting<T> {
    table.iter().find(|s| s.id == id).unwrap_or_else(|| panic!("there is no setting {id}"))
}

/// A field type that a setting can hold as a number.
pub trait Value: Copy {
    /// As a number.
    fn to_number(self) -> f32;
    /// From a number within the setting's range.
    fn from_number(v: f32) -> Self;
}

impl Value for f32 {
    fn to_number(self) -> f32 {
        self
    }
    fn from_number(v: f32) -> Self {
        v
    }
}

impl Value for bool {
    fn to_number(self) -> f32 {
        f32::from(u8::from(self))
    }
    fn from_number(v: f32) -> Self {
        v >= 0.5
    }
}

impl Value for u8 {
    fn to_number(self) -> f32 {
        f32::from(self)
    }
    fn from_number(v: f32) -> Self {
        v.round() as u8
    }
}

/// Declares a structure together with its table of settings, its `Default` and its serde form
/// (unknown fields are ignored, missing ones take their default). A field has its own
/// name in files and as id, or that of `as`.
macro_rules! settings {
    (
        $(#[$smeta:meta])* pub struct $name:ident, table $table:ident, count $count:ident {
            $( $field:ident $(as $key:literal)? : $ty:ty = $default:literal, $label:literal, $unit:expr, $min:literal ..= $max:literal, $curve:ident, $help:literal; )*
        }
    ) => {
        $(#[$smeta])*
        #[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
        #[serde(default)]
        pub struct $name { $( #[doc = $help] $(#[serde(rename = $key)])? pub $field: $ty, )* }

        impl Default for $name {
            fn default() -> Self {
                Self { $( $field: <$ty as $crate::settings::Value>::from_number($default), )* }
            }
        }

        /// Number of settings in the table of this structure.
        pub const $count: usize = [$( stringify!($field) ),*].len();

        #[doc = concat!("Every setting of [`", stringify!($name), "`].")]
        pub static $table: [$crate::settings::Setting<$name>; $count] = {
            use $crate::settings::{Curve, Setting, Unit, Value};
            #[allow(unused_imports)]
            use Unit::*;
            [$( Setting {
                id: $crate::settings::setting_id!($field $($key)?), name: $label, unit: $unit, min: $min, max: $max,
                curve: Curve::$curve, default: $default, help: $help,
                get: |t: &$name| Value::to_number(t.$field),
                set: |t: &mut $name, v: f32| t.$field = <$ty as Value>::from_number(v),
            }, )*]
        };
    };
}
pub(crate) use settings;

/// The id of a setting: the name of its field, or the literal after it.
macro_rules! setting_id {
    ($field:ident) => {
        stringify!($field)
    };
    ($field:ident $key:literal) => {
        $key
    };
}
pub(crate) use setting_id;

/// Declares an enum whose variants are a setting's words.
macro_rules! choice {
    ($(#[$m:meta])* pub enum $name:ident words $words:ident { $( $(#[$vm:meta])* $v:ident = $word:literal ),* $(,)? }) => {
        $(#[$m])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
        pub enum $name { $( $(#[$vm])* #[serde(rename = $word)] $v ),* }
        impl $name {
            /// Every variant, in the order of the words.
            pub const ALL: &'static [Self] = &[$( Self::$v ),*];
            /// The word to show and to write into files.
            pub fn word(self) -> &'static str { $words[self as usize] }
        }
        #[doc = concat!("The words of [`", stringify!($name), "`], in order.")]
        pub const $words: &[&str] = &[$( $word ),*];
        impl $crate::settings::Value for $name {
            fn to_number(self) -> f32 { self as usize as f32 }
            fn from_number(v: f32) -> Self { Self::ALL[(v.round().max(0.0) as usize).min(Self::ALL.len() - 1)] }
        }
    };
}
pub(crate) use choice;
