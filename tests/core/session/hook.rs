//! The hook that is called at every change.

use super::{session_with_kit, small_kit, until};
use kitwright_core::{
    listen::DetectOptions,
    session::{Job, Session},
};
use std::sync::{
    Arc, Mutex,
    atomic::{AtomicU64, Ordering::SeqCst},
};

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
        let last = Arc::new(Mutex::new(None));
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
