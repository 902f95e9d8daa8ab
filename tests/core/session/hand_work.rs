//! Work by hand is not lost: settings, locks, hits, takes, files.

use super::{knocks_file, session_with_kit, settle, until};
use kitwright_core::{
    kit::{Kit, Role, VariationMode, by_hand::setting_name},
    progress::Quiet,
    session::{Job, Session},
    take::Take,
};
use std::{
    path::PathBuf,
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering::SeqCst},
    },
    time::Duration,
};

/// Runs a job to its end, which must be a good one.
fn run(session: &Session, job: Job) {
    session.start(job);
    settle(session);
    assert_eq!(session.error(), None);
}

/// A kit of the knocks, little shaped, so that jobs are quick.
fn cast_session(folder: &tempfile::TempDir) -> (Arc<Session>, usize) {
    let session = Session::new();
    session.set_search_effort(0.1);
    run(&session, Job::NewKit { takes: vec![knocks_file(folder, "take.flac")], fit: 0.0 });
    let kit = session.kit();
    let pad = kit.doc.pads.iter().position(|p| p.role.is_scored() && p.audition.is_some()).expect("a pad");
    (session, pad)
}

/// Leaves this pad and one other: enough for what concerns the whole kit.
fn keep_two(session: &Session, pad: usize) {
    let kit = session.kit();
    let filled = kit.doc.pads.iter().enumerate().filter(|(i, p)| *i != pad && p.audition.is_some());
    let others: Vec<usize> = filled.skip(1).map(|(i, _)| i).collect();
    session.edit("two pads", |kit| others.iter().for_each(|&i| kit.doc.pads[i].slices.clear()));
}

#[test]
fn settings_set_by_hand_stay_when_fit_role_and_hit_change_until_they_are_let_go() {
    let folder = tempfile::tempdir().unwrap();
    let (session, pad) = cast_session(&folder);
    keep_two(&session, pad);
    let before = session.kit().doc.pads[pad].clone();
    session.edit_pad(pad, "by hand", |p| {
        p.settings.choke_group = 5;
        p.settings.level_db = -31.0;
        p.variation.mode = VariationMode::Held;
        p.cloud.copies = 41;
    });
    let kept = |what: &str| {
        let pad = session.kit().doc.pads[pad].clone();
        assert_eq!((pad.settings.choke_group, pad.settings.level_db), (5, -31.0), "{what}");
        assert_eq!((pad.variation.mode, pad.cloud.copies), (VariationMode::Held, 41), "{what}");
    };
    let audition = before.audition.clone().unwrap();
    let here = (audition.take, audition.hit);
    run(&session, Job::SetFit { pad: Some(pad), fit: 0.3 });
    kept("fit of the pad");
    run(&session, Job::SetFit { pad: None, fit: 0.1 });
    kept("fit of the kit");
    run(&session, Job::SetFit { pad: None, fit: 0.0 });
    run(&session, Job::Recast);
    kept("another casting");
    let role = if before.role == Role::Rim { Role::Snare } else { Role::Rim };
    run(&session, Job::SetHit { pad, source: here, role });
    kept("another role");
    run(&session, Job::SetHit { pad, source: (0, (audition.hit + 1) % 4), role });
    kept("another hit");
    run(&session, Job::FollowFit { pad, setting: Some(setting_name("", "choke_group")) });
    let now = session.kit().doc.pads[pad].clone();
    assert_eq!((now.settings.choke_group, now.settings.level_db), (0, -31.0), "one setting is let go");
    run(&session, Job::FollowFit { pad, setting: None });
    let now = session.kit().doc.pads[pad].clone();
    assert_eq!(now.held_settings().count(), 0);
    assert!(
        now.settings.level_db != -31.0 && now.cloud.copies != 41 && now.variation.mode == VariationMode::Live
    );
}

#[test]
fn a_locked_pad_is_left_alone_by_fit_and_casting() {
    let folder = tempfile::tempdir().unwrap();
    let (session, pad) = cast_session(&folder);
    keep_two(&session, pad);
    session.edit_pad(pad, "lock", |p| p.locked = true);
    let locked = session.kit().doc.pads[pad].clone();
    run(&session, Job::SetFit { pad: None, fit: 0.2 });
    assert_eq!(session.kit().doc.pads[pad], locked);
    run(&session, Job::SetFit { pad: None, fit: 0.0 });
    run(&session, Job::Recast);
    assert_eq!(session.kit().doc.pads[pad], locked);
    session.start(Job::SetFit { pad: Some(pad), fit: 0.2 });
    settle(&session);
    assert!(session.error().unwrap().to_string().contains("locked"));
    assert_eq!(session.kit().doc.pads[pad], locked);
}

#[test]
fn a_fit_that_is_cancelled_before_a_pad_is_shaped_leaves_no_step() {
    let folder = tempfile::tempdir().unwrap();
    let (session, pad) = cast_session(&folder);
    keep_two(&session, pad);
    let (before, steps) = (session.kit(), session.undo_names());
    let changes = Arc::new(AtomicUsize::new(0));
    // the first change is the sketch of the first pad
    session.on_change({
        let (session, changes) = (Arc::downgrade(&session), changes.clone());
        move || {
            if changes.fetch_add(1, SeqCst) == 0
                && let Some(session) = session.upgrade()
            {
                session.cancel();
            }
        }
    });
    session.start(Job::SetFit { pad: None, fit: 0.5 });
    settle(&session);
    assert!(changes.load(SeqCst) > 0, "the sketch was shown");
    assert_eq!(session.error(), None);
    assert_eq!((&session.kit().doc, session.undo_names()), (&before.doc, steps));
}

#[test]
fn what_was_set_by_hand_is_saved_with_the_kit() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("kit.kitwright");
    let session = session_with_kit();
    session.edit_pad(0, "choke group", |p| p.settings.choke_group = 2);
    session.edit_pad(1, "lock", |p| p.locked = true);
    run(&session, Job::SaveKit(file.clone()));
    let kit = Kit::load(&file, &Quiet).unwrap();
    assert_eq!(
        (kit.doc.pads[0].by_hand.as_slice(), kit.doc.pads[1].locked),
        (&["choke_group".to_owned()][..], true)
    );
}

#[test]
fn next_best_goes_through_all_hits_in_order_of_score_again_and_again() {
    let folder = tempfile::tempdir().unwrap();
    let (session, pad) = cast_session(&folder);
    let hit = || session.kit().doc.pads[pad].audition.as_ref().map(|a| (a.take, a.hit)).unwrap();
    let role = session.kit().doc.pads[pad].role;
    run(&session, Job::NextBest { pad, back: false });
    let ranking = session.ranking(role).expect("known");
    assert!(ranking.len() >= 8 && ranking.windows(2).all(|w| w[0].2 >= w[1].2), "{ranking:?}");
    let order: Vec<(usize, usize)> = ranking.iter().map(|r| (r.0, r.1)).collect();
    let first = order.iter().position(|o| *o == hit()).unwrap();
    for step in 1..=order.len() {
        run(&session, Job::NextBest { pad, back: false });
        assert_eq!(hit(), order[(first + step) % order.len()]);
        assert!(!session.kit().doc.pads[pad].audition.as_ref().unwrap().next_best.is_empty());
    }
    run(&session, Job::NextBest { pad, back: true });
    assert_eq!(hit(), order[(first + order.len() - 1) % order.len()]);
    // a hit that was put there by hand, and another role
    let dragged = order[(first + 3) % order.len()];
    run(&session, Job::SetHit { pad, source: dragged, role });
    run(&session, Job::NextBest { pad, back: false });
    assert_eq!(hit(), order[(first + 4) % order.len()]);
    run(&session, Job::SetHit { pad, source: dragged, role: Role::Percussion });
    run(&session, Job::NextBest { pad, back: false });
    assert_ne!(hit(), dragged);
}

#[test]
fn a_recording_without_hits_leaves_the_kit_as_it_was_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let silent = folder.path().join("silent.flac");
    let take = Take::from_samples("silent", 48_000, vec![vec![0.0; 96_000]]);
    std::fs::write(&silent, &*take.flac().unwrap()).unwrap();
    for session in [session_with_kit(), Session::new()] {
        let before = session.kit();
        session.start(Job::NewKit { takes: vec![silent.clone()], fit: 0.5 });
        settle(&session);
        let error = session.error().unwrap().to_string();
        assert!(error.contains("silent") && error.contains("stays as it is"), "{error}");
        assert!(Arc::ptr_eq(&before, &session.kit()));
        assert_eq!(session.take_opened(), Vec::<PathBuf>::new());
    }
}

#[test]
fn the_same_sound_is_added_once_and_a_take_is_removed_unless_a_pad_plays_it() {
    let folder = tempfile::tempdir().unwrap();
    let session = session_with_kit();
    let (file, copy) = (knocks_file(&folder, "more.flac"), folder.path().join("copy.flac"));
    std::fs::copy(&file, &copy).unwrap();
    run(&session, Job::AddTake(file.clone()));
    assert_eq!(session.take_opened(), [file]);
    session.start(Job::AddTake(copy.clone()));
    settle(&session);
    assert!(session.error().unwrap().to_string().contains("already"), "{:?}", session.error());
    assert_eq!((session.kit().takes.len(), session.take_opened().len()), (2, 0));
    // a file that is a take already gives its hit and no second take
    run(&session, Job::PutFile { pad: 3, file: copy, role: Role::Percussion });
    assert_eq!((session.kit().takes.len(), session.kit().doc.pads[3].slices[0].take), (2, 1));
    session.start(Job::RemoveTake(0));
    settle(&session);
    assert!(session.error().unwrap().to_string().contains("pads 1, 2 play take 1"), "{:?}", session.error());
    session.dismiss_error();
    session.edit("clear", |kit| (0..2).for_each(|i| kit.doc.pads[i].slices.clear()));
    run(&session, Job::RemoveTake(0));
    let kit = session.kit();
    assert_eq!((kit.takes.len(), kit.doc.takes.len(), kit.doc.pads[3].slices[0].take), (1, 1, 0));
    assert_eq!(kit.doc.pads[3].audition.as_ref().unwrap().take, 0);
    session.undo();
    assert_eq!((session.kit().takes.len(), session.kit().doc.pads[3].slices[0].take), (2, 1));
}

#[test]
fn a_kit_belongs_to_its_file_and_is_saved_or_changed() {
    let folder = tempfile::tempdir().unwrap();
    let [first, second] = ["a.kitwright", "b.kitwright"].map(|n| folder.path().join(n));
    let session = session_with_kit();
    assert_eq!((session.file(), session.is_changed()), (None, true));
    run(&session, Job::SaveKit(first.clone()));
    assert_eq!((session.file(), session.is_changed()), (Some(first.clone()), false));
    assert!(session.note().unwrap().contains("a.kitwright"));
    session.edit("name", |kit| kit.doc.name = "other".into());
    assert!(session.is_changed());
    session.undo();
    assert!(!session.is_changed(), "the kit is what was saved again");
    session.redo();
    run(&session, Job::SaveKit(second.clone()));
    assert_eq!((session.file(), session.is_changed()), (Some(second.clone()), false));
    run(&session, Job::LoadKit(first.clone()));
    assert_eq!((session.file(), session.is_changed()), (Some(first.clone()), false));
    // a loaded kit that is taken back must not be saved over the other one
    session.undo();
    assert_eq!(session.file(), Some(second));
    session.redo();
    assert_eq!(session.file(), Some(first));
    assert!(!Session::new().is_changed(), "an empty kit is no work");
}

#[test]
fn unsaved_work_is_saved_by_itself_and_found_at_the_next_start() {
    let folder = tempfile::tempdir().unwrap();
    let files = || -> Vec<PathBuf> {
        std::fs::read_dir(folder.path())
            .unwrap()
            .flatten()
            .map(|e| e.path())
            .filter(|p| p.extension().is_some_and(|e| e == "kitwright"))
            .collect()
    };
    let session = session_with_kit();
    session.autosave_every(folder.path().to_owned(), Duration::from_millis(5));
    until("the autosave", || files().len() == 1);
    let saved = tempfile::tempdir().unwrap();
    run(&session, Job::SaveKit(saved.path().join("kit.kitwright")));
    until("the autosave is gone", || files().is_empty());
    session.edit("name", |kit| kit.doc.name = "lost work".into());
    drop(session);
    let left = files();
    assert_eq!(left.len(), 1, "what was unsaved at the end is there");
    // as if another process had left it
    let other = folder.path().join("lost work autosave 0 1.kitwright");
    std::fs::rename(&left[0], &other).unwrap();

    let session = Session::new();
    session.autosave_every(folder.path().to_owned(), Duration::from_secs(3600));
    let found = session.autosaves();
    assert_eq!((found.len(), found[0].name.as_str(), &found[0].file), (1, "lost work", &other));
    run(&session, Job::RestoreAutosave(other.clone()));
    assert_eq!(session.kit().doc.name, "lost work");
    assert_eq!((session.file(), session.is_changed()), (None, true), "it still wants to be saved");
    run(&session, Job::SaveKit(saved.path().join("kit.kitwright")));
    until("the restored autosave is gone", || files().is_empty());
}

#[test]
fn a_hit_is_heard_as_the_role_before_it_is_chosen() {
    let folder = tempfile::tempdir().unwrap();
    let (session, pad) = cast_session(&folder);
    session.attach_engine(48_000.0, Arc::default());
    let before = session.kit();
    let here = before.doc.pads[pad].audition.as_ref().unwrap().hit;
    run(&session, Job::Audition { pad, source: (0, (here + 1) % 4) });
    let preview = session.take_preview().expect("it is played");
    assert!(preview.end > 1000 && preview.take.channels[0].iter().any(|s| s.abs() > 0.01));
    assert!(Arc::ptr_eq(&before, &session.kit()), "the pad stays as it is");
    assert_eq!(session.undo_names().len(), 1);
}
