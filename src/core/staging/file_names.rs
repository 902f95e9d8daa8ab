//! Names as files may have them on every system.

/// Names that Windows keeps for devices, with any ending (Microsoft, "Naming Files, Paths, and Namespaces"); COM and LPT
/// are followed by a digit.
const DEVICES: [&str; 4] = ["CON", "PRN", "AUX", "NUL"];
const NUMBERED_DEVICES: [&str; 2] = ["COM", "LPT"];

/// `name` without what a file system may refuse: such characters become `instead`, dots and spaces at both ends go, the
/// end goes from `max_bytes` on, and an underscore stands before the name of a device of Windows. Empty when nothing is
/// left.
pub fn file_name(name: &str, instead: char, max_bytes: usize) -> String {
    let refused = |c: char| c.is_control() || r#"/\:*?"<>|"#.contains(c);
    let mut safe: String = name.chars().map(|c| if refused(c) { instead } else { c }).collect();
    while safe.len() > max_bytes {
        safe.pop();
    }
    let safe = safe.trim_matches(|c: char| c == '.' || c.is_whitespace());
    if is_device(safe) { format!("_{safe}") } else { safe.to_owned() }
}

fn is_device(name: &str) -> bool {
    let stem = name.split('.').next().unwrap_or_default().trim_end().to_uppercase();
    let is_number = |text: &str| {
        let mut digits = text.chars();
        matches!((digits.next(), digits.next()), (Some('0'..='9' | '¹' | '²' | '³'), None))
    };
    DEVICES.contains(&stem.as_str())
        || NUMBERED_DEVICES.iter().filter_map(|device| stem.strip_prefix(device)).any(is_number)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_ones_that_every_system_takes() {
        let cases = [
            ("El/m.", "El_m"),
            (" .hidden. ", "hidden"),
            ("a/b: c", "a_b_ c"),
            ("...", ""),
            ("con", "_con"),
            ("NUL.1", "_NUL.1"),
            ("COM1", "_COM1"),
            ("lpt³ .x", "_lpt³ .x"),
            ("Console", "Console"),
            ("COM", "COM"),
            ("COM10", "COM10"),
        ];
        for (name, file) in cases {
            assert_eq!(file_name(name, '_', 120), file, "{name}");
        }
        assert_eq!(file_name(&"\u{1f3bb}".repeat(200), '-', 120).len(), 120);
    }
}
