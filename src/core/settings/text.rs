//! Values as text and back: the same words in hosts, in the window and in documentation.

use super::unit::Unit;

pub(super) fn show(unit: Unit, v: f32) -> String {
    match unit {
        Unit::Decibels if v < -120.0 => "-inf dB".into(),
        Unit::Decibels => format!("{} dB", signed(v, 1)),
        // the thresholds are where rounding reaches the next digit, so that a text reads back as itself
        Unit::Milliseconds if v >= 999.5 => format!("{:.2} s", v / 1000.0),
        Unit::Milliseconds if v >= 99.95 => format!("{v:.0} ms"),
        Unit::Milliseconds => format!("{v:.1} ms"),
        Unit::Hertz if v >= 999.5 => format!("{:.2} kHz", v / 1000.0),
        Unit::Hertz if v >= 99.95 => format!("{v:.0} Hz"),
        Unit::Hertz => format!("{v:.1} Hz"),
        Unit::Semitones => format!("{} st", signed(v, 1)),
        Unit::Cents => format!("{} ct", signed(v, 0)),
        Unit::Octaves => format!("{} oct", signed(v, 2)),
        Unit::Percent => format!("{} %", plain(v * 100.0, 0)),
        Unit::Pan if v.abs() < 0.005 => "centre".into(),
        Unit::Pan if v < 0.0 => format!("{:.0} % left", -v * 100.0),
        Unit::Pan => format!("{:.0} % right", v * 100.0),
        Unit::Ratio => format!("{v:.1} : 1"),
        Unit::Q | Unit::Plain => plain(v, 2),
        Unit::Count => format!("{v:.0}"),
        Unit::Switch => if v >= 0.5 { "on" } else { "off" }.into(),
        Unit::Choice(words) => words.get(v.round().max(0.0) as usize).copied().unwrap_or("?").into(),
    }
}

/// The number without a sign where it rounds to zero from below.
fn plain(v: f32, digits: usize) -> String {
    let text = format!("{v:.digits$}");
    let zero = text.strip_prefix('-').filter(|t| t.chars().all(|c| c == '0' || c == '.'));
    zero.map_or(text.clone(), str::to_owned)
}

fn signed(v: f32, digits: usize) -> String {
    let text = format!("{v:+.digits$}");
    // "+0.0" and "-0.0" read as a plain zero
    if text[1..].chars().all(|c| c == '0' || c == '.') { text[1..].to_owned() } else { text }
}

pub(super) fn read(unit: Unit, text: &str) -> Option<f32> {
    let t = text.trim().to_lowercase().replace('\u{2212}', "-").replace(',', ".");
    match unit {
        Unit::Switch => match t.as_str() {
            "on" | "yes" | "1" | "true" => Some(1.0),
            "off" | "no" | "0" | "false" => Some(0.0),
            _ => None,
        },
        Unit::Choice(words) => {
            words.iter().position(|w| w.to_lowercase() == t).map(|i| i as f32).or_else(|| {
                let index: f32 = t.parse().ok()?;
                index.is_finite().then_some(index)
            })
        }
        Unit::Decibels if t.starts_with("-inf") => Some(f32::NEG_INFINITY),
        Unit::Pan => read_pan(&t),
        _ => {
            let (number, rest) = number_and_rest(&t)?;
            scale(unit, number, rest.trim())
        }
    }
}

fn read_pan(t: &str) -> Option<f32> {
    if t.starts_with('c') {
        return Some(0.0);
    }
    let (n, rest) = number_and_rest(t)?;
    let side = rest.trim_start_matches([' ', '%']).trim();
    match side.chars().next() {
        Some('l') => Some(-n / 100.0),
        Some('r') | None => Some(n / 100.0),
        _ => None,
    }
}

/// "1k2" means 1200: a letter k inside or after the digits multiplies by a thousand.
fn number_and_rest(t: &str) -> Option<(f32, &str)> {
    let is_number = |c: char| c.is_ascii_digit() || matches!(c, '.' | '-' | '+');
    let split = t.find(|c| !is_number(c)).unwrap_or(t.len());
    let (head, tail) = t.split_at(split);
    let n: f32 = head.parse().ok()?;
    if let Some(after_k) = tail.strip_prefix('k') {
        let end = after_k.find(|c: char| !c.is_ascii_digit()).unwrap_or(after_k.len());
        let fraction: f32 = if end > 0 { format!("0.{}", &after_k[..end]).parse().ok()? } else { 0.0 };
        return Some(((n + fraction.copysign(n)) * 1000.0, &after_k[end..]));
    }
    let rest = tail.trim_start();
    match rest.strip_prefix("khz") {
        Some(r) => Some((n * 1000.0, r)),
        None => Some((n, rest)),
    }
}

fn scale(unit: Unit, n: f32, rest: &str) -> Option<f32> {
    match (unit, rest) {
        (_, "") => Some(if unit == Unit::Percent { n / 100.0 } else { n }),
        (Unit::Percent, "%") => Some(n / 100.0),
        (Unit::Milliseconds, "ms") => Some(n),
        (Unit::Milliseconds, "s") => Some(n * 1000.0),
        (Unit::Hertz, "hz") => Some(n),
        (Unit::Decibels, "db") => Some(n),
        (Unit::Semitones, "st" | "semitones" | "semitone") => Some(n),
        (Unit::Cents, "ct" | "cents" | "cent") => Some(n),
        (Unit::Octaves, "oct" | "octaves" | "octave") => Some(n),
        (Unit::Ratio, r) if r.starts_with(':') => Some(n),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_values_are_understood() {
        assert_eq!(read(Unit::Semitones, "-5 st"), Some(-5.0));
        assert_eq!(read(Unit::Hertz, "250 Hz"), Some(250.0));
        assert_eq!(read(Unit::Hertz, "1k2"), Some(1200.0));
        assert_eq!(read(Unit::Hertz, "1.20 kHz"), Some(1200.0));
        assert_eq!(read(Unit::Milliseconds, "1.5 s"), Some(1500.0));
        assert_eq!(read(Unit::Percent, "50 %"), Some(0.5));
        assert_eq!(read(Unit::Pan, "30 % left"), Some(-0.3));
        assert_eq!(read(Unit::Decibels, "-inf dB"), Some(f32::NEG_INFINITY));
        assert_eq!(read(Unit::Hertz, "loud"), None);
        assert_eq!(read(Unit::Hertz, "5 st"), None);
    }
}
