//! Edits and the history.

use super::{session_with_kit, settle, until};
use kitwright_core::{
    kit::{Kit, Trims},
    progress::Quiet,
    session::{Job, Session},
};
use std::sync::{Arc, Mutex};

#[test]
fn edits_are_undone_and_redone_by_name() {
    let session = Session::new();
    let first = session.revision();
    session.edit("name a", |kit| kit.doc.name = "a".into());
    session.edit("name b", |kit| kit.doc.name = "b".into());
    assert!(session.revision() > first);
    assert_eq!(session.undo_names(), ["name b", "name a"]);
    assert_eq!(session.undo().as_deref(), Some("name b"));
    assert_eq!(session.kit().doc.name, "a");
    assert_eq!(session.redo_names(), ["name b"]);
    assert_eq!(session.undo().as_deref(), Some("name a"));
    assert_eq!(session.undo(), None);
    assert_eq!(session.kit().doc, Kit::default().doc);
    assert_eq!(session.redo().as_deref(), Some("name a"));
    assert_eq!(session.redo().as_deref(), Some("name b"));
    assert_eq!(session.redo(), None);
    assert_eq!(session.kit().doc.name, "b");
    session.undo();
    session.edit("name c", |kit| kit.doc.name = "c".into());
    assert_eq!(session.redo(), None, "an edit clears the redo history");
}

#[test]
fn at_least_a_hundred_steps_are_kept() {
    let session = Session::new();
    for i in 0..1000_u64 {
        session.edit(&format!("seed {i}"), |kit| kit.doc.seed = i + 2);
    }
    let mut taken_back = 0;
    while session.undo().is_some() {
        taken_back += 1;
    }
    assert!((100..1000).contains(&taken_back), "{taken_back}");
    assert_eq!(session.kit().doc.seed, 1001 - taken_back);
}

#[test]
fn an_edit_that_changes_nothing_adds_no_step() {
    let session = Session::new();
    let revision = session.revision();
    session.edit("nothing", |kit| kit.doc.pads[3].settings.pan = 0.0);
    assert_eq!((session.revision(), session.undo_names().len()), (revision, 0));
}

#[test]
fn settings_out_of_range_are_moved_and_broken_kits_refused() {
    let session = session_with_kit();
    session.edit("loud", |kit| {
        kit.doc.pads[0].settings.level_db = 1e9;
        kit.doc.pads[0].cloud.spread_ms = f32::NAN;
    });
    assert_eq!(session.kit().doc.pads[0].settings.level_db, 24.0);
    assert_eq!(session.kit().doc.pads[0].cloud.spread_ms, 30.0, "the default");
    let before = session.kit();
    session.edit("same notes", |kit| kit.doc.pads[0].note = kit.doc.pads[1].note);
    assert!(Arc::ptr_eq(&before, &session.kit()));
    assert!(session.error().unwrap().to_string().contains("share note"));
    session.edit("outside", |kit| kit.doc.pads[0].slices[0].end = u64::MAX);
    assert!(Arc::ptr_eq(&before, &session.kit()));
    assert!(session.error().unwrap().to_string().contains("pad 1"));
}

#[test]
fn undoing_a_load_restores_the_hosts_trims_and_redoing_it_the_files_trims() {
    let with = |level_db: f32| {
        let mut trims = Trims::default();
        trims.pads[3].level_db = level_db;
        trims
    };
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("other.kitwright");
    let mut other = Kit::default();
    other.doc.name = "other".into();
    other.doc.trims = with(-6.0);
    other.save(&file, &Quiet).unwrap();

    let session = Session::new();
    let host = Arc::new(Mutex::new(with(-3.0)));
    let read = host.clone();
    session.read_trims_with(move || Some(read.lock().unwrap().clone()));
    // As the window does: loaded trims become the host's.
    let follow = || {
        let trims = session.take_loaded_trims();
        trims.iter().for_each(|t| *host.lock().unwrap() = t.clone());
        trims
    };
    session.edit("name", |kit| kit.doc.name = "mine".into());
    session.start(Job::LoadKit(file));
    until("the kit", || session.kit().doc.name == "other");
    settle(&session);
    assert_eq!(follow(), Some(with(-6.0)));
    host.lock().unwrap().pads[3].level_db = -7.0;
    session.undo();
    assert_eq!((session.kit().doc.name.as_str(), follow()), ("mine", Some(with(-3.0))));
    session.undo();
    assert_eq!(follow(), None, "other steps leave the host's trims alone");
    session.redo();
    session.redo();
    assert_eq!((session.kit().doc.name.as_str(), follow()), ("other", Some(with(-7.0))));
}
