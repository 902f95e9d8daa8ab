//! The state that a host saves and restores.

use super::{DEADLINE, session_with_kit, until};
use kitwright_core::session::Session;
use std::sync::Arc;

#[test]
fn a_state_makes_the_same_kit_in_another_session() {
    let first = session_with_kit();
    first.edit("pan", |kit| kit.doc.pads[0].settings.pan = -0.25);
    let state = first.state().unwrap();
    let second = Session::new();
    second.restore(state.to_string());
    assert_eq!(second.state().unwrap(), state, "the state before it is unpacked");
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
    assert!(Arc::ptr_eq(&one, &two), "encoded once");
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
