//! Names of notes.

use super::{export, kit};
use kitwright_core::{export::SamplerFormat, kit::note_names};
use std::fs;

#[test]
fn names_of_notes_are_escaped_and_stand_once_for_each_key() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit();
    assert_eq!(export(&kit, SamplerFormat::Midnam, dir.path()), 0);
    let text = fs::read_to_string(dir.path().join("Tones & -noise-.midnam")).unwrap();
    assert!(text.contains("<Model>Tones &amp; &lt;noise&gt;</Model>"), "{text}");
    let notes: Vec<&str> = text.lines().map(str::trim).filter(|line| line.starts_with("<Note ")).collect();
    assert_eq!(notes[0], "<Note Number=\"37\" Name=\"2 rim\"/>");
    assert_eq!(notes.len(), note_names(&kit.doc).len());
    let (mut open, tags) = (Vec::new(), text.split('<').skip(3));
    for tag in tags.map(|tag| tag.split('>').next().unwrap()) {
        match tag.strip_prefix('/') {
            Some(name) => assert_eq!(open.pop(), Some(name.to_owned())),
            None if tag.ends_with('/') => {}
            None => open.push(tag.split(' ').next().unwrap().to_owned()),
        }
    }
    assert!(open.is_empty(), "{open:?}");
}
