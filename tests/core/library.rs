//! The kit library: a folder of kits, found, renamed, copied, thrown away and taken back; starter kits.

use kitwright_core::{
    demo::Instrument,
    kit::{Kit, Role, Slice, TakeEntry},
    library::{Library, STARTER_TAGS, make_starter, neighbour, starter_name},
    listen::{DetectOptions, detect},
    progress::Quiet,
    take::Take,
};
use std::{fs, sync::Arc};

/// A kit of one tone on its kick.
fn kit(name: &str, tags: &[&str]) -> Kit {
    let take =
        Take::from_samples("a tone", 48_000, vec![(0..4800).map(|i| (i as f32 * 0.05).sin()).collect()]);
    let mut kit = Kit::default();
    kit.doc.name = name.into();
    kit.doc.tags = tags.iter().map(|&tag| tag.to_owned()).collect();
    kit.doc.takes = vec![TakeEntry::new(&take, Vec::new())];
    kit.takes = vec![Arc::new(take)];
    kit.doc.pads[0].slices =
        vec![Slice { take: 0, start: 0, end: 4800, gain_db: 0.0, velocities: [0.0, 1.0] }];
    kit
}

fn names(library: &Library) -> Vec<String> {
    library.entries().unwrap().0.into_iter().map(|entry| entry.name).collect()
}

#[test]
fn kits_are_listed_by_name_and_found_by_every_word() {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path().join("made when it is not there")).unwrap();
    assert_eq!(names(&library), [""; 0]);
    for (name, tags) in [("Oak", &["dark", "room"][..]), ("ash", &["bright"]), ("Birch", &[])] {
        library.add(&kit(name, tags), &Quiet).unwrap();
    }
    fs::write(library.folder().join("broken.kitwright"), "no kit").unwrap();
    fs::write(library.folder().join("notes.txt"), "no kit").unwrap();
    let (entries, errors) = library.entries().unwrap();
    assert_eq!(names(&library), ["ash", "Birch", "Oak"]);
    assert_eq!(errors.len(), 1);
    assert!(errors[0].to_string().contains("broken"));
    assert_eq!(entries[2].roles, [Role::Kick]);
    let found = |search: &str| {
        let found = entries.iter().filter(|entry| entry.matches(search));
        found.map(|entry| entry.name.as_str()).collect::<Vec<_>>()
    };
    assert_eq!(found(""), ["ash", "Birch", "Oak"]);
    assert_eq!(found("ROOM dar"), ["Oak"]);
    assert_eq!(found("kick tone"), ["ash", "Birch", "Oak"], "roles and takes are searched as well");
    assert_eq!(found("dark bright"), [""; 0]);
    assert_eq!(library.find("OAK").unwrap().name, "Oak");
    assert_eq!(library.find("bir").unwrap().name, "Birch");
    assert!(library.find("elm").is_err());
}

#[test]
fn next_and_previous_go_round() {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).unwrap();
    assert!(neighbour(&[], None, 1).is_none());
    for name in ["a", "b", "c"] {
        library.add(&kit(name, &[]), &Quiet).unwrap();
    }
    let (entries, _) = library.entries().unwrap();
    let step = |from: &str, steps| {
        let file = library.find(from).ok().map(|entry| entry.file);
        neighbour(&entries, file.as_deref(), steps).unwrap().name.clone()
    };
    assert_eq!([step("a", 1), step("c", 1), step("a", -1)], ["b", "a", "c"]);
    assert_eq!([step("none", 1), step("none", -1)], ["a", "c"]);
}

#[test]
fn a_kit_is_renamed_copied_tagged_thrown_away_and_taken_back_whole() {
    let folder = tempfile::tempdir().unwrap();
    let library = Library::open(folder.path()).unwrap();
    let first = library.add(&kit("Oak", &[]), &Quiet).unwrap();
    let second = library.add(&kit("Oak", &["two"]), &Quiet).unwrap();
    assert_ne!(first, second, "a kit of the same name stays");
    assert!(library.find("oak 2").is_ok() && library.find("Oak").is_err());
    let renamed = library.rename(&second, " El/m. ", &Quiet).unwrap();
    assert!(!second.exists());
    assert_eq!(renamed.file_name().unwrap(), "El_m.kitwright");
    assert_eq!(names(&library), ["El/m.", "Oak"]);
    assert!(library.rename(&first, "  ", &Quiet).is_err());
    let copy = library.duplicate(&first, &Quiet).unwrap();
    library.duplicate(&first, &Quiet).unwrap();
    assert_eq!(names(&library), ["El/m.", "Oak", "Oak copy", "Oak copy 2"]);
    let tags = ["Dry", "dry ", "", "oak"].map(str::to_owned);
    library.set_tags(&copy, &tags, &Quiet).unwrap();
    assert_eq!(library.find("oak copy").unwrap().tags, ["dry", "oak"]);
    let audio = Kit::load(&copy, &Quiet).unwrap().takes[0].channels.clone();
    let trashed = library.throw_away(&copy).unwrap();
    assert!(trashed.starts_with(library.folder().join("trash")) && !copy.exists());
    assert_eq!(names(&library).len(), 3);
    assert_eq!(library.trash().unwrap(), [trashed]);
    let back = library.take_back("Oak copy.kitwright").unwrap();
    assert!(Kit::load(&back, &Quiet).unwrap().takes[0].channels == audio);
    assert!(library.trash().unwrap().is_empty() && library.take_back("Oak copy").is_err());
}

#[test]
fn kits_without_tags_are_written_as_before_there_were_any() {
    let json = serde_json::to_string(&kit("Oak", &[]).doc).unwrap();
    assert!(!json.contains("tags") && !json.contains("offset"));
}

#[test]
fn the_hits_of_every_invented_instrument_are_heard() {
    for instrument in Instrument::ALL {
        let (take, starts) = instrument.take(1);
        let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
        let rate = f64::from(take.sample_rate);
        let heard = |start: &&f64| hits.iter().any(|hit| (hit.start as f64 / rate - **start).abs() < 0.03);
        let share = starts.iter().filter(heard).count() as f64 / starts.len() as f64;
        println!("{}: {:.0} % of {} strokes", instrument.name(), 100.0 * share, starts.len());
        assert!(share > 0.8, "{}: {share}", instrument.name());
    }
}

#[test]
fn a_starter_kit_fills_its_pads_says_that_it_is_invented_and_is_the_same_each_time() {
    let kit = make_starter(Instrument::ThumbPiano, true, &Quiet).unwrap();
    assert_eq!(kit.doc.name, starter_name(Instrument::ThumbPiano));
    assert!(kit.doc.name.contains("invented"));
    assert_eq!(kit.doc.tags, STARTER_TAGS);
    let filled = kit.doc.pads.iter().filter(|pad| !pad.is_empty()).count();
    assert!(filled >= 12, "{filled} pads");
    assert!(!kit.doc.key_parts.is_empty(), "its tines make a bass");
    let again = make_starter(Instrument::ThumbPiano, true, &Quiet).unwrap();
    assert!(kit.to_bytes(&Quiet).unwrap() == again.to_bytes(&Quiet).unwrap());
}
