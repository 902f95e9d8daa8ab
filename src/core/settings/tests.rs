//! Properties that hold for every table of settings.

use super::{Curve, KIT_TRIMS, PAD_TRIMS, Setting, Unit};
use crate::kit::{
    BAND, CLOUD, COMPRESSOR, CUT, KEY_PART, LAYER, LIMITER, PAD, SATURATION, SLICE, TONE, VARIATION,
};
use std::collections::HashSet;

/// Runs `$check` on every table.
macro_rules! every_table {
    ($check:ident) => {
        every_table_with_defaults!($check);
        $check("SLICE", &SLICE);
    };
}

/// Runs `$check` on every table whose structure can be made without knowing a take.
macro_rules! every_table_with_defaults {
    ($check:ident) => {
        $check("PAD_TRIMS", &PAD_TRIMS);
        $check("KIT_TRIMS", &KIT_TRIMS);
        $check("PAD", &PAD);
        $check("CLOUD", &CLOUD);
        $check("VARIATION", &VARIATION);
        $check("LAYER", &LAYER);
        $check("KEY_PART", &KEY_PART);
        $check("CUT", &CUT);
        $check("LIMITER", &LIMITER);
        $check("SATURATION", &SATURATION);
        $check("BAND", &BAND);
        $check("COMPRESSOR", &COMPRESSOR);
        $check("TONE", &TONE);
    };
}

/// Values all over a setting's range, its ends, default and neighbours of the places where the text
/// changes its form.
fn values<T>(s: &Setting<T>) -> Vec<f32> {
    let mut all: Vec<f32> = (0..=500).map(|i| s.from_travel(i as f32 / 500.0)).collect();
    let forms = [0.0, 0.001, -0.001, 0.004, 0.006, 9.99, 99.94, 99.96, 100.0, 999.4, 999.6, 1000.0];
    all.extend([s.min, s.max, s.default].into_iter().chain(forms).map(|v| s.clamp(v)));
    all
}

/// Half of the last digit that a value is shown with.
fn half_digit(unit: Unit, v: f32) -> f32 {
    match unit {
        Unit::Decibels | Unit::Semitones | Unit::Ratio => 0.05,
        Unit::Milliseconds | Unit::Hertz if v >= 1000.0 => 5.0,
        Unit::Milliseconds | Unit::Hertz if v >= 100.0 => 0.5,
        Unit::Milliseconds | Unit::Hertz => 0.05,
        Unit::Cents => 0.5,
        Unit::Octaves | Unit::Percent | Unit::Pan | Unit::Q | Unit::Plain => 0.005,
        Unit::Count | Unit::Switch | Unit::Choice(_) => 0.0,
    }
}

#[test]
fn names_and_ids_are_unique_and_defaults_and_ranges_make_sense() {
    fn check<T>(table: &str, settings: &[Setting<T>]) {
        let mut ids = HashSet::new();
        let mut names = HashSet::new();
        for s in settings {
            let what = format!("{table}.{}", s.id);
            assert!(ids.insert(s.id), "{what}: twice");
            assert!(names.insert(s.name), "{what}: the name {} is there twice", s.name);
            assert!(s.min < s.max && s.min.is_finite() && s.max.is_finite(), "{what}");
            assert!((s.min..=s.max).contains(&s.default), "{what}: default {}", s.default);
            assert_eq!(s.clamp(s.default), s.default, "{what}");
            assert!(s.help.ends_with('.') && !s.name.is_empty(), "{what}: its help is a sentence");
            match s.unit {
                Unit::Switch => assert_eq!((s.min, s.max), (0.0, 1.0), "{what}"),
                Unit::Choice(words) => assert_eq!((s.min, s.max), (0.0, words.len() as f32 - 1.0), "{what}"),
                _ => (),
            }
            assert!(
                s.curve != Curve::Logarithmic || s.min > 0.0,
                "{what}: equal ratios need a range above 0"
            );
        }
    }
    every_table!(check);
}

#[test]
fn a_fresh_structure_holds_the_defaults_and_takes_every_value() {
    fn check<T: Default>(table: &str, settings: &[Setting<T>]) {
        let mut fresh = T::default();
        for s in settings {
            assert_eq!((s.get)(&fresh), s.default, "{table}.{}", s.id);
            for v in values(s) {
                (s.set)(&mut fresh, v);
                assert_eq!((s.get)(&fresh), v, "{table}.{}", s.id);
            }
        }
        // a setting that wrote into its neighbour would show now
        for s in settings {
            (s.set)(&mut fresh, s.default);
        }
        for s in settings {
            assert_eq!((s.get)(&fresh), s.default, "{table}.{}", s.id);
        }
    }
    every_table_with_defaults!(check);
}

#[test]
fn travel_goes_from_end_to_end_and_back() {
    fn check<T>(table: &str, settings: &[Setting<T>]) {
        for s in settings {
            let what = format!("{table}.{}", s.id);
            assert_eq!((s.from_travel(0.0), s.from_travel(1.0)), (s.min, s.max), "{what}");
            assert_eq!((s.from_travel(-1.0), s.from_travel(2.0)), (s.min, s.max), "{what}");
            let mut last = s.min;
            for v in values(s) {
                let back = s.from_travel(s.to_travel(v));
                // single precision through a cube or an exponential
                let tolerance = 2e-6 * (s.max - s.min).max(v.abs());
                assert!((back - v).abs() <= tolerance, "{what}: {v} came back as {back}");
            }
            for i in 0..=500 {
                let v = s.from_travel(i as f32 / 500.0);
                assert!(v >= last, "{what}: falls at {i}");
                last = v;
            }
        }
    }
    every_table!(check);
}

#[test]
fn what_is_shown_is_read_again() {
    fn check<T>(table: &str, settings: &[Setting<T>]) {
        for s in settings {
            for v in values(s) {
                let text = s.show(v);
                let Some(back) = s.read(&text) else {
                    panic!("{table}.{}: \"{text}\" is not understood", s.id);
                };
                let allowed = half_digit(s.unit, v) * 1.001 + v.abs() * 1e-6;
                assert!(
                    (back - v).abs() <= allowed,
                    "{table}.{}: {v}, shown as \"{text}\", read as {back}",
                    s.id
                );
                // typed by hand: without spaces, in capitals
                assert_eq!(s.read(&text.to_uppercase()), Some(back), "{table}.{}: {text}", s.id);
                if !matches!(s.unit, Unit::Choice(_)) {
                    assert_eq!(s.read(&text.replace(' ', "")), Some(back), "{table}.{}: {text}", s.id);
                }
            }
        }
    }
    every_table!(check);
}

#[test]
fn whatever_is_typed_gives_a_value_in_range_or_none() {
    fn check<T>(table: &str, settings: &[Setting<T>]) {
        let typed = [
            "",
            " ",
            "-",
            "+",
            ".",
            "k",
            "nan",
            "inf",
            "-inf",
            "1e9",
            "1e400",
            "--5",
            "5..5",
            "99999999999999999999",
            "-99999999999999999999",
            "0",
            "-0",
            "1k",
            "k2",
            "1k2k3",
            "\u{2212}5",
            "5,5",
            "\u{221e}",
            "loud",
            "on",
            "c",
            "9999999999999999999999999999999999999999999999999999999999999999k9",
        ];
        for s in settings {
            for text in typed {
                if let Some(v) = s.read(text) {
                    assert!((s.min..=s.max).contains(&v), "{table}.{}: \"{text}\" gave {v}", s.id);
                }
            }
            for text in ["", "loud", "nan", "5 parsecs"] {
                assert_eq!(s.read(text), None, "{table}.{}: \"{text}\"", s.id);
            }
        }
    }
    every_table!(check);
}

#[test]
fn the_id_of_a_setting_is_its_key_in_files() {
    fn check<T: Default + serde::Serialize>(table: &str, settings: &[Setting<T>]) {
        let written = serde_json::to_value(T::default()).unwrap();
        for s in settings {
            assert!(written.get(s.id).is_some(), "{table}.{} is no key of {written}", s.id);
        }
    }
    every_table_with_defaults!(check);
    assert_eq!(VARIATION[0].id, "way", "the key of the variation's mode in kits saved so far");
}
