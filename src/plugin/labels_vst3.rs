//! Values as VST3 hosts show them: the number and, beside it, the parameter's unit.
//!
//! The framework knows one text for all formats, with its unit in it; a host that shows the unit as well would show it
//! twice.

use kitwright_core::settings::{KIT_TRIMS, PAD_TRIMS, Setting, Unit};

/// What is beside the number; empty where the text says it all.
pub(super) fn label(param: usize) -> &'static str {
    match unit(param) {
        Some(Unit::Decibels) => "dB",
        Some(Unit::Milliseconds) => "ms",
        Some(Unit::Hertz) => "Hz",
        Some(Unit::Semitones) => "st",
        Some(Unit::Cents) => "ct",
        Some(Unit::Octaves) => "oct",
        Some(Unit::Percent) => "%",
        _ => "",
    }
}

/// A travel (0 to 1) as text without its unit; `None` for what is no trim.
pub(super) fn text(param: usize, travel: f32) -> Option<String> {
    match param.checked_sub(KIT_TRIMS.len()) {
        None => Some(number(&KIT_TRIMS[param], travel, label(param))),
        Some(at) => pad_setting(at).map(|setting| number(setting, travel, label(param))),
    }
}

fn unit(param: usize) -> Option<Unit> {
    match param.checked_sub(KIT_TRIMS.len()) {
        None => Some(KIT_TRIMS[param].unit),
        Some(at) => pad_setting(at).map(|setting| setting.unit),
    }
}

/// The setting of a pad's parameter, counted from the first parameter of the first pad.
fn pad_setting(at: usize) -> Option<&'static Setting<kitwright_core::settings::PadTrims>> {
    (at < kitwright_core::kit::PADS * PAD_TRIMS.len()).then(|| &PAD_TRIMS[at % PAD_TRIMS.len()])
}

fn number<T>(setting: &Setting<T>, travel: f32, label: &str) -> String {
    let value = super::params::value_at(setting, travel);
    match setting.unit {
        // their text changes its unit with the value
        Unit::Milliseconds => format!("{value:.1}"),
        Unit::Hertz if value < 99.95 => format!("{value:.1}"),
        Unit::Hertz => format!("{value:.0}"),
        _ => {
            let text = setting.show(value);
            text.strip_suffix(label).map_or(text.clone(), |number| number.trim_end().to_owned())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_reads_back_as_the_value_it_shows() {
        for param in 0..KIT_TRIMS.len() + PAD_TRIMS.len() {
            let read = |text: &str| match (KIT_TRIMS.get(param), param.checked_sub(KIT_TRIMS.len())) {
                (Some(setting), _) => setting.read(text).map(|v| setting.to_travel(v)),
                (_, Some(at)) => PAD_TRIMS[at].read(text).map(|v| PAD_TRIMS[at].to_travel(v)),
                (None, None) => None,
            };
            for step in 0..=100 {
                let shown = text(param, step as f32 / 100.0).unwrap();
                let unit = label(param);
                assert!(unit.is_empty() || !shown.contains(unit), "{shown} {unit}");
                let back =
                    read(&shown).unwrap_or_else(|| panic!("parameter {param} does not read {shown:?}"));
                assert_eq!(text(param, back), Some(shown));
            }
        }
        assert_eq!((label(6 + 24 * 16), text(6 + 24 * 16, 0.5)), ("", None));
    }
}
