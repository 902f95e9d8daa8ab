//! The session, which plugin and window share: jobs, undo, errors, and the hand-over to the audio thread.

use kitwright_core::{
    engine::{Meters, PlayKit},
    error::Error,
    kit::{Kit, Role, Slice, TakeEntry},
    listen::{Description, DetectOptions, Hit},
    session::{HitEdit, Job, PadTrigger, Session},
    take::Take,
};
use std::{
    path::PathBuf,
    sync::{
        Arc, Weak,
        atomic::{AtomicBool, AtomicU64, Ordering::SeqCst},
    },
    time::{Duration, Instant},
};

/// A guard against hanging, not a measure: casting in a debug build on a busy machine can take minutes.
const DEADLINE: Duration = Duration::from_secs(300);

/// Waits for every job to end.
fn settle(session: &Session) {
    let end = Instant::now() + DEADLINE;
    while session.job().is_some() {
        assert!(Instant::now() < end, "the job hangs");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Waits until `done` holds.
fn until(what: &str, done: impl Fn() -> bool) {
    let end = Instant::now() + DEADLINE;
    while !done() {
        assert!(Instant::now() < end, "does not happen: {what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Knocks: ten decaying bursts, half a second apart.
fn knocks(seconds: usize) -> Take {
    let samples = (0..48_000 * seconds)
        .map(|i| {
            let t = (i % 24_000) as f32 / 48_000.0;
            let pitch = 120.0 + 40.0 * (i / 24_000 % 5) as f32;
            0.6 * (-30.0 * t).exp() * (std::f32::consts::TAU * pitch * t).sin()
        })
        .collect();
    Take::from_samples("knocks.wav", 48_000, vec![samples])
}

/// The knocks as a file.
fn knocks_file(folder: &tempfile::TempDir, name: &str) -> PathBuf {
    let path = folder.path().join(name);
    std::fs::write(&path, &*knocks(5).flac().unwrap()).unwrap();
    path
}

fn hit(start: u64, end: u64, by_hand: bool) -> Hit {
    Hit { start, end, by_hand, description: Description::default() }
}

/// A kit that plays the knocks from two pads, made by hand.
fn small_kit() -> Kit {
    let take = knocks(2);
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, vec![hit(0, 9000, false), hit(24_000, 30_000, true)]));
    kit.takes.push(Arc::new(take));
    for (pad, start) in [(0, 0), (1, 24_000)] {
        kit.doc.pads[pad].slices =
            vec![Slice { take: 0, start, end: start + 5000, gain_db: 0.0, velocities: [0.0, 1.0] }];
    }
    kit
}

fn session_with_kit() -> Arc<Session> {
    let session = Session::new();
    session.edit("start", |kit| *kit = small_kit());
    assert_eq!(session.error(), None);
    session
}

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
    assert_eq!(session.redo(), None, "an edit ends what could be repeated");
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
fn an_edit_that_changes_nothing_is_no_step() {
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
fn errors_stay_until_dismissed() {
    let session = Session::new();
    session.start(Job::LoadKit("nowhere.kitwright".into()));
    settle(&session);
    let error = session.error().unwrap();
    assert!(error.to_string().contains("nowhere.kitwright"));
    session.edit("name", |kit| kit.doc.name = "a".into());
    assert_eq!(session.error(), Some(error), "other work does not hide it");
    session.dismiss_error();
    assert_eq!(session.error(), None);
    session.report(Error::invalid("the window has something to say"));
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
fn a_pad_is_shaped_towards_a_sound_of_the_players_own_and_back() {
    let folder = tempfile::tempdir().unwrap();
    let session = Session::new();
    session.start(Job::NewKit { takes: vec![knocks_file(&folder, "take.flac")], fit: 1.0 });
    settle(&session);
    let before = session.kit();
    let pad = before.doc.pads.iter().position(|p| p.role == Role::Snare && !p.is_empty()).expect("a snare");
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
    session.start(Job::NewKit { takes: files.clone(), fit: 0.5 });
    assert!(session.job().is_some(), "seen from the first moment on");
    settle(&session);
    assert_eq!(session.error(), None);
    let made = session.kit();
    assert_eq!(made.takes.len(), 2);
    assert_eq!(session.undo_names(), ["new kit"]);

    let saved = folder.path().join("kit.kitwright");
    session.start(Job::SaveKit(saved.clone()));
    session.start(Job::AddTake(files[0].clone()));
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
fn trims_are_saved_as_they_are_and_handed_out_when_a_file_brings_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.kitwright");
    let session = session_with_kit();
    session.read_trims_with(|| {
        let mut trims = kitwright_core::kit::Trims::default();
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
    assert_eq!(kit.doc.pads[0].slices, small_kit().doc.pads[0].slices, "pads go on playing what they play");
}

#[test]
fn a_removed_hit_stays_away_until_the_removal_is_undone() {
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
fn sessions_come_and_go_while_they_work() {
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
fn a_dropped_session_gives_its_job_up() {
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
    assert_eq!(changes.load(SeqCst), 0, "the host waited until the kit was made");
}

#[test]
fn a_kit_is_ready_as_soon_as_an_engine_is_there() {
    let session = session_with_kit();
    let meters = Arc::new(Meters::default());
    assert!(session.take_play_kit().is_none());
    session.attach_engine(44_100.0, meters.clone());
    let ready = session.take_play_kit().unwrap();
    assert!(Arc::ptr_eq(&ready.kit, &session.kit()));
    assert!(session.take_play_kit().is_none(), "handed over once");
    assert!(Arc::ptr_eq(&session.meters().unwrap(), &meters));
    assert!(session.wait_ready(Duration::ZERO));

    session.edit("pan", |kit| kit.doc.pads[0].settings.pan = 0.5);
    assert!(session.wait_ready(DEADLINE));
    let next = session.take_play_kit().unwrap();
    assert!(Arc::ptr_eq(&next.kit, &session.kit()));

    session.attach_engine(96_000.0, meters);
    assert!(Arc::ptr_eq(&session.take_play_kit().unwrap().kit, &session.kit()));
}

#[test]
fn only_the_newest_kit_waits_for_the_audio_thread() {
    let session = session_with_kit();
    session.attach_engine(48_000.0, Arc::default());
    for i in 0..50 {
        session.edit(&format!("seed {i}"), |kit| kit.doc.seed = 100 + i);
    }
    assert!(session.wait_ready(DEADLINE));
    assert_eq!(session.take_play_kit().unwrap().kit.doc.seed, 149);
    assert!(session.take_play_kit().is_none());
}

/// The audio thread takes kits and previews and gives them back or drops them, whichever, while the
/// window edits: it is never the one that frees. Weak handles tell when something is freed.
#[test]
fn the_audio_thread_never_frees_a_kit() {
    let session = session_with_kit();
    session.attach_engine(48_000.0, Arc::default());
    let stop = Arc::new(AtomicBool::new(false));
    let taken = Arc::new(AtomicU64::new(0));
    let audio = std::thread::spawn({
        let (session, stop, taken) = (Arc::downgrade(&session), stop.clone(), taken.clone());
        move || {
            let mut playing: Option<Arc<PlayKit>> = None;
            let mut let_go: Vec<Weak<PlayKit>> = Vec::new();
            while !stop.load(SeqCst) {
                let Some(session) = session.upgrade() else { break };
                if let Some(kit) = session.take_play_kit() {
                    if let Some(old) = playing.replace(kit) {
                        let weak = Arc::downgrade(&old);
                        // the strong handle of the session outlives this one
                        assert!(Arc::strong_count(&old) >= 2, "the audio thread would free it");
                        session.give_back(old);
                        let_go.push(weak);
                    }
                    taken.fetch_add(1, SeqCst);
                }
                if let Some(preview) = session.take_preview() {
                    assert!(Arc::strong_count(&preview) >= 2);
                    session.give_back_preview(preview);
                }
                std::thread::yield_now();
            }
            let_go
        }
    });
    for i in 0..200 {
        let before = taken.load(SeqCst);
        session.edit(&format!("seed {i}"), |kit| kit.doc.seed = 10 + i);
        session.preview(0, i, 5000 + i);
        if i % 10 == 0 {
            assert!(session.wait_ready(DEADLINE));
            until("the audio thread takes the kit", || audio.is_finished() || taken.load(SeqCst) > before);
        }
    }
    stop.store(true, SeqCst);
    let let_go = audio.join().unwrap();
    assert!(let_go.len() >= 19, "{}", let_go.len());
    until("the session's thread frees what was given back", || let_go.iter().all(|w| w.strong_count() == 0));
}

#[test]
fn triggers_and_previews_reach_the_audio_thread() {
    let session = session_with_kit();
    session.trigger(PadTrigger { pad: 3, velocity: 0.5 });
    session.trigger(PadTrigger { pad: 4, velocity: 1.0 });
    assert_eq!(session.take_trigger(), Some(PadTrigger { pad: 3, velocity: 0.5 }));
    assert_eq!(session.take_trigger(), Some(PadTrigger { pad: 4, velocity: 1.0 }));
    assert_eq!(session.take_trigger(), None);
    for _ in 0..1000 {
        session.trigger(PadTrigger { pad: 0, velocity: 1.0 });
    }
    session.preview(0, 100, 200);
    session.preview(0, 300, u64::MAX);
    session.preview(9, 0, 1);
    let preview = session.take_preview().unwrap();
    assert_eq!((preview.start, preview.end), (300, 96_000));
    assert!(session.take_preview().is_none());
}

#[test]
fn the_hook_is_called_at_every_change() {
    let session = Session::new();
    let count = Arc::new(AtomicU64::new(0));
    session.on_change({
        let count = count.clone();
        move || {
            count.fetch_add(1, SeqCst);
        }
    });
    session.edit("a", |kit| kit.doc.name = "a".into());
    session.undo();
    session.redo();
    assert_eq!(count.load(SeqCst), 3);
    let state = session.state().unwrap();
    session.restore(state.to_string());
    until("the restored kit", || count.load(SeqCst) == 4);
    assert_eq!(session.restored_revision(), session.revision());
    session.edit("b", |kit| kit.doc.name = "b".into());
    assert_ne!(session.restored_revision(), session.revision());
}

#[test]
fn a_hook_may_drop_the_session_on_its_own_thread() {
    let state = session_with_kit().state().unwrap();
    for job in [false, true] {
        let session = Session::new();
        session.edit("kit", |kit| *kit = small_kit());
        let last = Arc::new(std::sync::Mutex::new(None));
        let dropped = Arc::new(AtomicU64::new(0));
        session.on_change({
            let (last, dropped) = (last.clone(), dropped.clone());
            move || {
                let session: Option<Arc<Session>> = last.lock().unwrap().take();
                drop(session);
                dropped.fetch_add(1, SeqCst);
            }
        });
        let weak = Arc::downgrade(&session);
        let mut held = last.lock().unwrap();
        if job {
            session.start(Job::DetectAgain(0, DetectOptions::default()));
        } else {
            session.restore(state.to_string());
        }
        *held = Some(session);
        drop(held);
        until("the session is gone", || dropped.load(SeqCst) > 0 && weak.strong_count() == 0);
    }
}

#[test]
fn a_state_makes_the_same_kit_in_another_session() {
    let first = session_with_kit();
    first.edit("pan", |kit| kit.doc.pads[0].settings.pan = -0.25);
    let state = first.state().unwrap();
    let second = Session::new();
    second.restore(state.to_string());
    assert_eq!(second.state().unwrap(), state, "saved before it was unpacked");
    assert!(second.wait_ready(DEADLINE));
    assert_eq!(second.kit().doc, first.kit().doc);
    assert_eq!(second.kit().takes[0].channels, first.kit().takes[0].channels);
    assert_eq!(second.state().unwrap(), state);
    assert!(second.undo_names().is_empty());
    assert_eq!(second.error(), None);
}

#[test]
fn a_save_right_after_a_change_holds_the_change() {
    let session = session_with_kit();
    let (one, two) = (session.state().unwrap(), session.state().unwrap());
    assert!(Arc::ptr_eq(&one, &two), "packed once");
    session.edit("pan", |kit| kit.doc.pads[0].settings.pan = 0.5);
    assert_ne!(session.state().unwrap(), one);
}

#[test]
fn a_broken_state_leaves_the_kit_and_survives_the_next_save() {
    let session = session_with_kit();
    let kit = session.kit();
    for text in ["", "no base64!", "aGVsbG8="] {
        session.dismiss_error();
        session.restore(text.to_owned());
        until("the error", || session.error().is_some());
        assert!(Arc::ptr_eq(&kit, &session.kit()));
        until("the text is kept", || session.state().unwrap().as_str() == text);
    }
    session.edit("name", |kit| kit.doc.name = "a".into());
    assert!(session.state().unwrap().len() > 100, "a change makes the kit the state again");
}

#[test]
fn undoing_a_load_restores_the_host_s_trims_and_redoing_it_the_file_s() {
    use kitwright_core::kit::Trims;
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
    other.save(&file, &kitwright_core::progress::Quiet).unwrap();

    let session = Session::new();
    let host = Arc::new(std::sync::Mutex::new(with(-3.0)));
    let read = host.clone();
    session.read_trims_with(move || Some(read.lock().unwrap().clone()));
    // as a window does: what waits becomes the host's
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
