//! Kits as a whole: shown in steps, from few hits, with six keys for the toms.

use kitwright_core::{
    cast::{CastOptions, make_kit, make_kit_in_steps},
    demo::borrowed_cello,
    engine::PlayKit,
    export::{RenderOptions, Score, Summary, render},
    kit::{Kit, Pad, Role},
    listen::{DetectOptions, detect},
    progress::Quiet,
    spectrum::RealFft,
    take::Take,
    units::ratio_to_st,
};
use std::sync::{Arc, Mutex};

/// The invented take from its first to its `strokes`-th stroke, with its hits.
fn first_strokes(strokes: usize) -> (Arc<Take>, Vec<kitwright_core::listen::Hit>) {
    let (take, starts) = borrowed_cello(1);
    let end = ((starts[strokes] - 0.02) * f64::from(take.sample_rate)) as usize;
    let samples = take.channels[0][..end].to_vec();
    let take = Arc::new(Take::from_samples("few", take.sample_rate, vec![samples]));
    let hits = detect(&take, &DetectOptions::default(), &Quiet).expect("detected");
    (take, hits)
}

/// The demo kit in steps: what was shown, and the finished kit.
fn in_steps(options: &CastOptions) -> (Vec<Kit>, Kit) {
    let shown = Mutex::new(Vec::new());
    let kit = make_kit_in_steps(&[first_strokes(40)], options, &Quiet, &|kit| {
        shown.lock().expect("no thread panics").push(kit.clone());
    });
    (shown.into_inner().expect("no thread panics"), kit.expect("made"))
}

#[test]
fn a_kit_is_whole_when_it_is_shown_first_and_then_fitted_pad_by_pad() {
    let roles = vec![Role::Kick, Role::Snare, Role::ClosedHat, Role::LowTom, Role::HighTom];
    let options = CastOptions { effort: 0.1, roles: Some(roles), ..CastOptions::default() };
    let (shown, kit) = in_steps(&options);
    let filled = |kit: &Kit| kit.doc.pads.iter().filter(|p| !p.is_empty()).count();
    assert_eq!(filled(&shown[0]), 6, "two of them are snares");
    assert_eq!(shown.len(), 1 + 6, "once by recipe and once for each pad");
    for pair in shown.windows(2) {
        let changed = pair[0].doc.pads.iter().zip(&pair[1].doc.pads).filter(|(a, b)| a != b).count();
        assert!(changed <= 1, "{changed} pads changed at once");
    }
    let unseen = make_kit(&[first_strokes(40)], &options, &Quiet).expect("made");
    assert_eq!(unseen.doc, kit.doc, "the same kit without steps");
    let quick =
        make_kit(&[first_strokes(40)], &CastOptions { quick: true, ..options }, &Quiet).expect("made");
    // what is heard first are the same recipes of the same hits; a quick kit is made to hold together beside that
    for (quick, first) in quick.doc.pads.iter().zip(&shown[0].doc.pads) {
        let hit = |pad: &Pad| pad.audition.as_ref().map(|a| (a.take, a.hit, a.by_recipe));
        assert_eq!(hit(quick), hit(first), "{}", quick.role);
        if !quick.role.is_tom() {
            let pitches = |pad: &Pad| pad.layers.iter().map(|l| l.settings.pitch_st).collect::<Vec<_>>();
            assert_eq!((pitches(quick), &quick.tone.bands), (pitches(first), &first.tone.bands));
        }
    }
}

#[test]
fn one_hit_fills_every_pad_and_what_is_shared_is_said() {
    let (take, hits) = first_strokes(1);
    assert_eq!(hits.len(), 1);
    let kit = make_kit(&[(take, hits)], &CastOptions { effort: 0.1, ..CastOptions::default() }, &Quiet)
        .expect("made");
    assert!(kit.doc.pads.iter().all(|pad| !pad.is_empty()));
    let summary = Summary::of(&kit);
    assert!(summary.pads.iter().all(|pad| pad.shares_hit_with.len() == summary.pads.len() - 1));
    // with enough hits nothing is shared, but toms that stand in order only as pitches of one hit
    let summary = Summary::of(&crate::cohesion::QUICK);
    assert!(summary.pads.iter().all(|pad| pad.role.is_tom() || pad.shares_hit_with.is_empty()));
}

/// The strongest partial of a key, Hz.
fn partial_hz(kit: &Kit, key: u8) -> f64 {
    let mut kit = kit.clone();
    kit.doc.trims.kit.vary = 0.0;
    let play = Arc::new(PlayKit::new(Arc::new(kit), 48_000.0));
    let mut sound = Vec::new();
    let options = RenderOptions { rate: 48_000, ..RenderOptions::default() };
    render(&play, &Score::stroke(key, 0.8, 0.5), options, &Quiet, &mut |engine, n| {
        sound.extend_from_slice(&engine.main()[0][..n]);
        Ok(())
    })
    .expect("played");
    let mut fft = RealFft::new(131_072);
    fft.input.iter_mut().zip(&sound).for_each(|(to, from)| *to = *from);
    let power: Vec<f32> = fft.power().collect();
    let bin = (0..power.len()).max_by(|&a, &b| power[a].total_cmp(&power[b])).expect("bins");
    bin as f64 * 48_000.0 / 131_072.0
}

/// General MIDI Level 1: low floor, high floor, low, low-mid, hi-mid and high tom.
#[test]
fn the_six_tom_keys_of_general_midi_rise_in_pitch() {
    let toms = Role::ALL.into_iter().filter(|role| role.is_tom());
    let (_, kit) = in_steps(&CastOptions { roles: Some(toms.collect()), ..CastOptions::default() });
    let hz = [41, 43, 45, 47, 48, 50].map(|key| partial_hz(&kit, key));
    for pair in hz.windows(2) {
        let st = ratio_to_st(pair[1] / pair[0]);
        assert!((0.4..4.0).contains(&st), "{st:.2} semitones from one key to the next: {hz:.1?}");
    }
}
