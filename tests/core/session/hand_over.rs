//! The hand-over of kits, triggers and previews to the audio thread.

use super::{DEADLINE, session_with_kit, until};
use kitwright_core::{
    engine::{Meters, PlayKit},
    session::PadTrigger,
};
use std::{
    sync::{
        Arc, Weak,
        atomic::{AtomicBool, AtomicU64, Ordering::SeqCst},
    },
    time::Duration,
};

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

/// The audio thread takes kits and previews and gives them back while the window edits; it never frees one. Weak
/// handles show when something is freed.
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
                        // The session still holds a strong handle.
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
