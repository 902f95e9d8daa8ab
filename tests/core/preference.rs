//! Casting leans towards what a player has chosen before, and is as before without that.

use kitwright_core::{
    cast::{CastOptions, DetectedTake, Preference, make_kit},
    demo::Instrument,
    kit::{Kit, Role},
    listen::{DetectOptions, detect},
    progress::Quiet,
    session::{Job, Session},
};
use std::{
    sync::{Arc, Mutex, OnceLock},
    time::{Duration, Instant},
};

/// A take with hits for every role.
fn takes() -> &'static Vec<DetectedTake> {
    static TAKES: OnceLock<Vec<DetectedTake>> = OnceLock::new();
    TAKES.get_or_init(|| {
        let take = Arc::new(Instrument::Guitar.take(1).0);
        let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
        vec![(take, hits)]
    })
}

/// A kit of few drums, which is cast sooner; kick and toms want the darkest hits as well. Cast once for each preference.
fn few_drums(preference: Option<&Preference>) -> Kit {
    static KNOWN: Mutex<Vec<(Option<Preference>, Kit)>> = Mutex::new(Vec::new());
    let preference = preference.cloned();
    let known = || KNOWN.lock().unwrap();
    if let Some((_, kit)) = known().iter().find(|(of, _)| *of == preference) {
        return kit.clone();
    }
    let roles = Some(vec![Role::Kick, Role::Rim, Role::LowTom, Role::HighTom]);
    let options =
        CastOptions { quick: true, preference: preference.clone(), roles, ..CastOptions::default() };
    let kit = make_kit(takes(), &options, &Quiet).unwrap();
    known().push((preference, kit.clone()));
    kit
}

/// The hit of the first pad of a role.
fn hit_of(kit: &Kit, role: Role) -> usize {
    let pad = kit.doc.pads.iter().find(|pad| pad.role == role).unwrap();
    pad.audition.as_ref().expect("a hit").hit
}

fn centroid(hit: usize) -> f32 {
    takes()[0].1[hit].description.centroid_hz
}

/// The rim that a player gets first after `corrections` kits in each of which the hit of the rim was replaced by one whose
/// centroid is `wanted` by its factor: the nearest there is on that side.
fn after_corrections(corrections: usize, wanted: f32) -> (f32, Preference) {
    let role = Role::Rim;
    let mut preference = Preference { on: true, ..Preference::default() };
    for _ in 0..corrections {
        let kit = few_drums(Some(&preference));
        let now = hit_of(&kit, role);
        let hits = &takes()[0].1;
        let on_that_side =
            (0..hits.len()).filter(|&h| (centroid(h) / centroid(now)).log2() * wanted.log2() > 0.0);
        let distance = |h: usize| (centroid(h) / centroid(now) / wanted).log2().abs();
        let Some(next) = on_that_side.min_by(|&a, &b| distance(a).total_cmp(&distance(b))) else { break };
        preference.replaced(role, &hits[now], &hits[next]);
    }
    (centroid(hit_of(&few_drums(Some(&preference)), role)), preference)
}

#[test]
fn a_player_who_prefers_darker_rims_gets_darker_first_choices() {
    let usual = centroid(hit_of(&few_drums(None), Role::Rim));
    let (darker, preference) = after_corrections(6, 0.5);
    let (brighter, _) = after_corrections(6, 2.0);
    println!(
        "centroid of the first rim: usual {usual:.0} Hz, darker {darker:.0} Hz, brighter {brighter:.0} Hz"
    );
    assert!(darker < 0.8 * usual, "{darker} of {usual} Hz");
    assert!(brighter > darker);
    assert!(preference.roles[&Role::Rim].brighter_octaves < -0.3);
    assert_eq!(preference.roles.len(), 1, "only of that role");
}

#[test]
fn a_preference_that_is_off_or_empty_changes_no_byte() {
    let usual = few_drums(None).to_bytes(&Quiet).unwrap();
    let mut off = after_corrections(2, 0.5).1;
    off.on = false;
    assert!(few_drums(Some(&off)).to_bytes(&Quiet).unwrap() == usual);
    let empty = Preference { on: true, ..Preference::default() };
    assert!(few_drums(Some(&empty)).to_bytes(&Quiet).unwrap() == usual);
}

fn finish(session: &Session) {
    let end = Instant::now() + Duration::from_secs(300);
    while session.job().is_some() {
        assert!(Instant::now() < end, "the job never ends");
        std::thread::sleep(Duration::from_millis(2));
    }
    assert_eq!(session.error(), None);
}

#[test]
fn a_session_learns_only_when_asked_into_a_file_that_can_be_read_and_forgotten() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("made/preference.json");
    let session = Session::new();
    session.keep_preference_in(file.clone());
    session.edit("a kit", |kit| *kit = few_drums(None));
    let replace = |hit: usize| {
        session.start(Job::SetHit { pad: 1, source: (0, hit), role: session.kit().doc.pads[1].role });
        finish(&session);
    };
    replace(1);
    assert!(!file.exists() && !session.preference().on, "off until asked");
    session.set_learning(true);
    replace(5);
    session.start(Job::SetFit { pad: Some(1), fit: 0.3 });
    finish(&session);
    let role = session.kit().doc.pads[1].role;
    let text = std::fs::read_to_string(&file).unwrap();
    assert!(text.contains(&role.to_string()) && text.lines().count() > 5, "{text}");
    let learned = session.preference().roles[&role];
    assert_eq!((learned.choices, learned.fits), (1, 1));
    assert!(learned.more_fit < 0.0);
    session.forget_preference();
    assert!(session.preference().on && session.preference().roles.is_empty());
    std::fs::write(&file, "no JSON").unwrap();
    assert_eq!(session.preference(), Preference::default());
}
