//! The session, which plugin and window share: jobs, undo, errors, and the hand-over to the audio thread.

mod edits;
mod hand_over;
mod hand_work;
mod hook;
mod jobs;
mod state;

use kitwright_core::{
    kit::{Kit, Slice, TakeEntry},
    listen::{Description, Hit},
    session::Session,
    take::Take,
};
use std::{
    path::PathBuf,
    sync::Arc,
    time::{Duration, Instant},
};

/// Limit of waiting, so that a hanging test ends. Casting in a debug build on a busy machine can take minutes.
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
        assert!(Instant::now() < end, "timeout: {what}");
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
