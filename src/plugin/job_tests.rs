//! Instances that their host destroys while their session works, for the guards of both formats.

use kitwright_core::{
    demo::Instrument,
    export::write_take,
    kit::{Kit, TakeEntry},
    progress::Quiet,
    session::{Job, Session},
    take::Take,
};
use std::{
    fs,
    path::Path,
    sync::{Arc, Weak},
    thread,
    time::{Duration, Instant},
};

/// An instance: its session, and what destroys it.
pub(super) type Destroyable = (Weak<Session>, Box<dyn FnOnce()>);

/// Work of a session, with a recording and a file to save to.
type Work = fn(&Session, &Path, &Path);

const WORK: [(&str, Work); 4] = [
    ("a recording is opened", |session, recording, _| session.start(Job::AddTake(recording.into()))),
    ("a kit is cast", |session, recording, _| {
        session.start(Job::NewKit { takes: vec![recording.into()], fit: 1.0 });
    }),
    ("a kit is saved", |session, _, saved| {
        add_noise(session);
        session.start(Job::SaveKit(saved.into()));
    }),
    ("a state is packed", |session, _, _| {
        add_noise(session);
        // it begins 0.3 s after the last change
        thread::sleep(Duration::from_millis(250));
    }),
];

/// Half a minute of noise, which takes a while to pack.
fn add_noise(session: &Session) {
    let mut seed = 1_u32;
    let mut noise = || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223); // Numerical Recipes
        (seed >> 8) as f32 / (1 << 24) as f32
    };
    let samples = (0..48_000 * 30).map(|_| noise()).collect();
    let take = Take::from_samples("noise", 48_000, vec![samples]);
    session.edit("noise", |kit: &mut Kit| {
        kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
        kit.takes.push(Arc::new(take));
    });
}

/// Destroys instances after a while of each kind of work, twice or as often as `KITWRIGHT_TRIALS` says: their sessions are
/// gone then, a file is whole or not there, and nothing is left beside it.
pub(super) fn are_destroyed_while_they_work(make: impl Fn() -> Destroyable) {
    let dir = tempfile::tempdir().unwrap();
    let (recording, saved) = (dir.path().join("take.wav"), dir.path().join("saved.kitwright"));
    write_take(&Instrument::ALL[1].take(1).0, &recording).unwrap();
    let rounds = std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(2_u64);
    let (mut seed, mut working, mut longest) = (22_u64, 0, Duration::ZERO);
    for (round, (name, work)) in (0..rounds).flat_map(|round| WORK.map(|work| (round, work))) {
        let (session, destroy) = make();
        work(&session.upgrade().unwrap(), &recording, &saved);
        // Knuth's MMIX
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        thread::sleep(Duration::from_millis((seed >> 33) % 700));
        working += usize::from(session.upgrade().is_some_and(|session| session.job().is_some()));
        let begun = Instant::now();
        destroy();
        longest = longest.max(begun.elapsed());
        assert!(session.upgrade().is_none(), "{round}: its session lives on while {name}");
        if saved.exists() {
            Kit::load(&saved, &Quiet).expect("whole, once it is there");
            fs::remove_file(&saved).unwrap();
        }
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1, "{round}: {name}");
    }
    assert!(working > 0, "no job ran when its instance was destroyed");
    println!("{working} jobs ran meanwhile; the longest wait was {longest:.2?}");
}
