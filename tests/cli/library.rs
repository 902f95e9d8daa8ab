//! `kitwright library`: kits kept in a folder, in plain words.

use super::{Made, refuse, run, succeed};
use std::path::Path;

#[test]
fn kits_are_kept_found_renamed_and_thrown_away() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("kits");
    let call = |words: &[&str]| {
        let mut all = vec!["library", "--folder", folder.to_str().unwrap()];
        all.extend(words);
        succeed(&all)
    };
    assert!(call(&["list"]).starts_with("0 kits in"));
    let kit = Made::get().file("Cello.kitwright");
    call(&["add", kit.to_str().unwrap()]);
    call(&["duplicate", "cello"]);
    call(&["rename", "cello copy", "Second"]);
    call(&["tag", "second", "dark", "for later"]);
    let listed: serde_json::Value = serde_json::from_str(&call(&["list", "later", "--json"])).unwrap();
    assert_eq!((listed.as_array().unwrap().len(), &listed[0]["name"]), (1, &"Second".into()));
    assert_eq!(listed[0]["tags"], serde_json::json!(["dark", "for later"]));
    assert!(call(&["trash", "second"]).contains("trash"));
    assert!(call(&["list"]).ends_with(&format!("1 kit in {}\n", folder.display())));
    assert!(folder.join("trash/Second.kitwright").is_file());
    call(&["restore", "second"]);
    assert!(call(&["list", "dark"]).contains("Second"));
    let wrong = |words: &[&str]| {
        let mut all = vec!["library", "--folder", folder.to_str().unwrap()];
        all.extend(words);
        refuse(&all)
    };
    assert!(wrong(&["trash", "third"]).contains("third"));
    assert!(wrong(&["starters", "banjo"]).contains("thumb piano"));
    assert!(wrong(&["add", dir.path().join("none.kitwright").to_str().unwrap()]).contains("none"));
    assert!(
        refuse(&[Path::new("library"), Path::new("list"), Path::new("--folder"), &kit]).contains("folder")
    );
}

#[test]
fn a_damaged_kit_is_named_on_standard_error() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("damaged.kitwright"), "no kit").unwrap();
    for words in [&["list"][..], &["list", "--json"]] {
        let output = run(&[&["library", "--folder", dir.path().to_str().unwrap()][..], words].concat());
        let errors = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success(), "{errors}");
        assert!(errors.starts_with("left out: ") && errors.contains("damaged.kitwright"), "{errors}");
        assert_eq!(errors.lines().count(), 1, "{errors}");
    }
}
