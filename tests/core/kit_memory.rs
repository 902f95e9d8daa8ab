//! Kits with far too many elements are refused in little memory.

use super::{
    kit_file::{bytes, repacked},
    own_process::{read_with_limit, read_within},
};

/// The made kit with `what` of its document replaced by `with`.
fn replaced(what: &str, with: &str) -> Vec<u8> {
    repacked(|name, content| {
        if name != "kit.json" {
            return Some(content);
        }
        let value: serde_json::Value = serde_json::from_slice(&content).unwrap();
        let text = value.to_string();
        assert!(text.contains(what), "{what} in {text}");
        Some(text.replacen(what, with, 1).into_bytes())
    })
}

/// A JSON list of `bytes` bytes that repeats `element`.
fn list(element: &str, bytes: usize) -> String {
    let count = bytes / (element.len() + 1);
    format!("[{}{element}]", format!("{element},").repeat(count - 1))
}

#[test]
fn a_normal_kit_is_read_in_the_memory_of_these_tests() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("small.kitwright");
    std::fs::write(&path, bytes()).unwrap();
    assert!(read_within(&path, 200).contains("16 pads"));
}

#[test]
fn documents_of_millions_of_elements_are_refused_within_500_megabytes() {
    let dir = tempfile::tempdir().unwrap();
    let cases: [(&str, &str, &str, &str); 9] = [
        ("\"pads\":[", "\"pads\":LIST,\"old\":[", "{}", "17 pads"),
        (
            "\"takes\":[",
            "\"takes\":LIST,\"old\":[",
            "{\"name\":\"\",\"sample_rate\":8000,\"frames\":1,\"channels\":1,\"hits\":[]}",
            "65 takes",
        ),
        ("\"hits\":[", "\"hits\":LIST,\"old\":[", "{\"start\":0,\"end\":1,\"description\":{}}", "65537 hits"),
        ("\"layers\":[", "\"layers\":LIST,\"old\":[", "{}", "5 layers"),
        ("\"slices\":[", "\"slices\":LIST,\"old\":[", "{\"take\":0,\"start\":0,\"end\":1}", "257 slices"),
        ("\"dips\":[", "\"dips\":LIST,\"old\":[", "{}", "9 dips"),
        ("\"moves\":[", "\"moves\":LIST,\"old\":[", "\"\"", "257 phrases"),
        ("\"cloud\":{", "\"unknown\":LIST,\"cloud\":{", "0", "million values"),
        ("\"cloud\":{", "\"unknown\":LIST,\"cloud\":{", "{\"a\":[]}", "million values"),
    ];
    let path = dir.path().join("large.kitwright");
    for (what, with, element, sentence) in cases {
        for megabytes in [8, 62] {
            let text = list(element, megabytes * 1_000_000);
            std::fs::write(&path, replaced(what, &with.replace("LIST", &text))).unwrap();
            let said = read_within(&path, 500);
            assert!(
                said.contains("refused: ") || (megabytes == 8 && what == "\"cloud\":{"),
                "{element}: {said}"
            );
            assert!(
                !said.contains("refused: ") || said.contains(sentence) || said.contains("million values"),
                "{element}, {megabytes} MB: {said}"
            );
        }
    }
}

#[test]
fn a_small_kit_of_long_takes_is_refused_before_they_are_read() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("long.kitwright");
    std::fs::write(&path, replaced("\"frames\":30000", "\"frames\":400000000")).unwrap();
    let said = read_within(&path, 300);
    assert!(said.contains("needs 3.2 GB of memory"), "{said}");
    std::fs::write(&path, bytes()).unwrap();
    assert!(read_with_limit(&path, 300, 1).contains("16 pads"));
    assert!(read_with_limit(&path, 300, 0).contains("--memory"));
}
