//! Jobs: what they make, how they fail, how they are cancelled.

use super::{knocks, knocks_file, session_with_kit, settle, small_kit, until};
use kitwright_core::{
    error::Error,
    kit::{Role, Trims},
    listen::DetectOptions,
    session::{HitEdit, Job, Session},
};
use std::sync::{
    Arc,
    atomic::{AtomicU64, Ordering::SeqCst},
};

#[test]
fn errors_stay_until_dismissed() {
    let session = Session::new();
    session.start(Job::LoadKit("nowhere.kitwright".into()));
    settle(&session);
    let error = session.error().unwrap();
    assert!(error.to_string().contains("nowhere.kitwright"));
    session.edit("name", |kit| kit.doc.name = "a".into());
    assert_eq!(session.error(), Some(error), "an edit does not hide it");
    session.dismiss_error();
    assert_eq!(session.error(), None);
    session.report(Error::invalid("a sentence of the window"));
    assert!(session.error().is_some());
}

#[test]
fn a_failed_job_leaves_the_kit_and_its_steps_as_they_were() {
    let folder = tempfile::tempdir().unwrap();
    let broken = folder.path().join("broken.wav");
    std::fs::write(&broken, "RIFF this is no sound").unwrap();
    let session = session_with_kit();
    let (kit, steps) = (session.kit(), session.undo_names());
    for job in [
        Job::NewKit { takes: vec![knocks_file(&folder, "a.flac"), broken.clone()], fit: 0.5 },
        Job::NewKit { takes: vec![], fit: 0.5 },
        Job::AddTake(broken.clone()),
        Job::LoadKit(broken.clone()),
        Job::SaveKit(folder.path().join("no/such/folder/kit.kitwright")),
        Job::DetectAgain(7, DetectOptions::default()),
        Job::SetHit { pad: 0, source: (0, 99), role: Role::Kick },
        Job::SetHit { pad: 16, source: (0, 0), role: Role::Kick },
        Job::SetFit { pad: Some(99), fit: 0.5 },
        Job::SetTarget { pad: 0, sound: Some(broken.clone()) },
        Job::SetTarget { pad: 16, sound: None },
        Job::RemoveTake(9),
        Job::RestoreAutosave(broken.clone()),
        Job::NextBest { pad: 16, back: false },
        Job::FollowFit { pad: 0, setting: None },
    ] {
        session.dismiss_error();
        session.start(job.clone());
        settle(&session);
        assert!(session.error().is_some(), "{job:?} should fail");
        assert!(Arc::ptr_eq(&kit, &session.kit()), "{job:?} changed the kit");
        assert_eq!(session.undo_names(), steps);
    }
}

#[test]
fn a_pad_is_shaped_towards_a_target_sound_and_back() {
    let folder = tempfile::tempdir().unwrap();
    let session = Session::new();
    session.start(Job::NewKit { takes: vec![knocks_file(&folder, "take.flac")], fit: 0.0 });
    settle(&session);
    let pads = &session.kit().doc.pads;
    let pad = pads.iter().position(|p| p.role == Role::Snare && !p.is_empty()).expect("a snare");
    session.start(Job::SetFit { pad: Some(pad), fit: 1.0 });
    settle(&session);
    let before = session.kit();
    let sound = knocks_file(&folder, "mine.flac");
    session.start(Job::SetTarget { pad, sound: Some(sound) });
    settle(&session);
    assert_eq!(session.error(), None);
    let shaped = session.kit();
    assert!(shaped.doc.pads[pad].target.is_some());
    assert_ne!(shaped.doc.pads[pad].tone, before.doc.pads[pad].tone, "another target, another shape");
    assert_eq!(shaped.takes.len(), 1, "the sound itself is not kept");
    session.start(Job::SetTarget { pad, sound: None });
    settle(&session);
    assert_eq!(session.kit().doc.pads[pad].target, None);
    assert_eq!(session.kit().doc.pads[pad].tone, before.doc.pads[pad].tone, "as it was");
}

#[test]
fn jobs_make_save_load_and_extend_kits() {
    let folder = tempfile::tempdir().unwrap();
    let session = Session::new();
    let files = vec![knocks_file(&folder, "a.flac"), knocks_file(&folder, "b.flac")];
    session.start(Job::NewKit { takes: files.clone(), fit: 0.0 });
    assert!(session.job().is_some(), "shown at once");
    settle(&session);
    assert_eq!(session.error(), None);
    let made = session.kit();
    assert_eq!(made.takes.len(), 2);
    assert_eq!(session.undo_names(), ["new kit"]);

    let saved = folder.path().join("kit.kitwright");
    session.start(Job::SaveKit(saved.clone()));
    let third = folder.path().join("c.flac");
    std::fs::write(&third, &*knocks(6).flac().unwrap()).unwrap();
    session.start(Job::AddTake(third));
    settle(&session);
    assert_eq!(session.error(), None);
    assert_eq!(session.kit().takes.len(), 3);
    assert_eq!(session.kit().doc.pads, made.doc.pads, "the pads stay as they are");

    session.start(Job::LoadKit(saved));
    settle(&session);
    assert_eq!(session.error(), None);
    assert_eq!(session.kit().doc, made.doc);
    session.undo();
    assert_eq!(session.kit().takes.len(), 3);

    session.start(Job::Recast);
    settle(&session);
    assert_eq!(session.error(), None);
}

#[test]
fn trims_of_the_host_are_saved_and_those_of_a_file_handed_out_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.kitwright");
    let session = session_with_kit();
    session.read_trims_with(|| {
        let mut trims = Trims::default();
        trims.pads[2].level_db = -7.5;
        Some(trims)
    });
    session.start(Job::SaveKit(path.clone()));
    settle(&session);
    assert_eq!(session.error(), None);
    assert_eq!(session.kit().doc.trims.pads[2].level_db, 0.0, "the open kit stays as it is");
    assert_eq!(session.take_loaded_trims(), None);
    session.start(Job::LoadKit(path));
    settle(&session);
    assert_eq!(session.take_loaded_trims().unwrap().pads[2].level_db, -7.5);
    assert_eq!(session.take_loaded_trims(), None, "once");
}

#[test]
fn hits_set_by_hand_survive_another_detection() {
    let session = session_with_kit();
    session.start(Job::DetectAgain(0, DetectOptions { sensitivity: 0.5, ..DetectOptions::default() }));
    settle(&session);
    assert_eq!(session.error(), None);
    let kit = session.kit();
    let hits = &kit.doc.takes[0].hits;
    assert!(hits.iter().any(|h| h.by_hand && (h.start, h.end) == (24_000, 30_000)));
    assert!(hits.windows(2).all(|w| w[0].end <= w[1].start), "they do not overlap");
    assert_eq!(kit.doc.pads[0].slices, small_kit().doc.pads[0].slices, "pads keep their slices");
}

#[test]
fn a_removed_hit_is_not_detected_again_until_the_removal_is_undone() {
    let session = session_with_kit();
    let detect_again = || {
        session.start(Job::DetectAgain(0, DetectOptions::default()));
        settle(&session);
        assert_eq!(session.error(), None);
        session.kit().doc.takes[0].hits.iter().map(|h| h.start).collect::<Vec<_>>()
    };
    let all = detect_again();
    assert!(all.len() >= 4, "{all:?}");
    session.start(Job::EditHits(0, HitEdit::Remove(all.len() - 1)));
    settle(&session);
    assert_eq!(detect_again(), all[..all.len() - 1]);
    session.undo();
    session.undo();
    assert_eq!(detect_again(), all);
}

#[test]
fn a_cancelled_job_changes_nothing_and_is_no_error() {
    let folder = tempfile::tempdir().unwrap();
    let long = folder.path().join("long.flac");
    std::fs::write(&long, &*knocks(120).flac().unwrap()).unwrap();
    let session = session_with_kit();
    let kit = session.kit();
    for done in [0.0, 0.005, 0.02, 0.05] {
        session.start(Job::NewKit { takes: vec![long.clone(); 4], fit: 0.5 });
        session.start(Job::AddTake(long.clone()));
        until("the job works", || session.job().is_some_and(|job| job.done >= done));
        session.cancel();
        settle(&session);
        assert!(Arc::ptr_eq(&kit, &session.kit()));
        assert_eq!(session.error(), None);
    }
}

#[test]
fn sessions_may_be_dropped_while_jobs_run() {
    let folder = tempfile::tempdir().unwrap();
    let file = knocks_file(&folder, "a.flac");
    let state = session_with_kit().state().unwrap();
    for round in 0..30 {
        let session = Session::new();
        session.start(Job::NewKit { takes: vec![file.clone()], fit: 0.5 });
        session.start(Job::Recast);
        session.restore(state.to_string());
        if round % 3 == 0 {
            session.attach_engine(48_000.0, Arc::default());
        }
        if round % 2 == 0 {
            until("the job works", || session.job().is_none_or(|job| job.done > 0.0));
        }
        drop(session);
    }
}

#[test]
fn dropping_a_session_cancels_its_job() {
    let folder = tempfile::tempdir().unwrap();
    let long = folder.path().join("long.flac");
    std::fs::write(&long, &*knocks(120).flac().unwrap()).unwrap();
    let session = Session::new();
    let changes = Arc::new(AtomicU64::new(0));
    let count = changes.clone();
    session.on_change(move || {
        count.fetch_add(1, SeqCst);
    });
    session.start(Job::NewKit { takes: vec![long; 4], fit: 0.5 });
    until("the job works", || session.job().is_some_and(|job| job.done > 0.0));
    drop(session);
    assert_eq!(changes.load(SeqCst), 0, "the job ran to its end");
}

#[test]
fn takes_of_one_kit_share_the_limit_on_memory() {
    let folder = tempfile::tempdir().unwrap();
    // 0.96 MB and 1.15 MB
    for (name, seconds) in [("a.flac", 5), ("b.flac", 6)] {
        std::fs::write(folder.path().join(name), &*knocks(seconds).flac().unwrap()).unwrap();
    }
    let alone = |allowed| {
        let test = "session::jobs::adds_a_take_in_a_process_of_its_own";
        crate::own_process::run_alone(test, folder.path(), allowed)
    };
    let refused = alone(2);
    assert!(refused.contains("1 take, ") && refused.contains("--memory"), "{refused}");
    assert!(alone(3).contains("2 takes, no error"));
}

#[test]
#[ignore = "another test runs it in a process of its own"]
fn adds_a_take_in_a_process_of_its_own() {
    let Some(folder) = crate::own_process::handed_over() else { return };
    let session = Session::new();
    session.start(Job::NewKit { takes: vec![folder.join("a.flac")], fit: 0.0 });
    settle(&session);
    session.start(Job::AddTake(folder.join("b.flac")));
    settle(&session);
    let count = session.kit().takes.len();
    let error = session.error().map_or("no error".into(), |e| e.to_string());
    println!("{count} take{}, {error}", if count == 1 { "" } else { "s" });
}
