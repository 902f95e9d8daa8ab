//! The groove player: on its frames, in step with a host, silent when it is told to stop.

use kitwright_core::{
    engine::{GrooveEvent, GroovePlayer, Transport},
    groove::patterns::{GrooveSettings, MAX_STROKES, PATTERN_BEATS, Pattern, Stroke, parts_of, strokes},
    kit::{Kit, Slice},
};

const RATE: f64 = 48_000.0;

fn kit() -> Kit {
    let mut kit = Kit::default();
    let slice = Slice { take: 0, start: 0, end: 1, gain_db: 0.0, velocities: [0.0, 1.0] };
    kit.doc.pads.iter_mut().for_each(|p| p.slices.push(slice));
    kit
}

fn settings() -> GrooveSettings {
    GrooveSettings { playing: true, pattern: Pattern::Busy, swing: 0.5, density: 1.0, tempo: 120.0 }
}

fn player() -> GroovePlayer {
    let mut player = GroovePlayer::default();
    player.set_kit(&kit().doc);
    player
}

/// Plays blocks of these lengths; frame and pad of each stroke. `beats` gives the host's position at a frame.
fn play(
    player: &mut GroovePlayer,
    blocks: &[usize],
    beats: impl Fn(usize) -> Option<f64>,
) -> Vec<(usize, usize)> {
    let (mut struck, mut start) = (Vec::new(), 0);
    for &frames in blocks {
        player.begin_block(Transport { beats: beats(start), tempo: 120.0 }, frames, RATE);
        let mut at = 0;
        while at < frames {
            while let Some(event) = player.take_due(at) {
                if let GrooveEvent::On { pad, .. } = event {
                    struck.push((start + at, pad));
                }
            }
            at = player.next_frame().map_or(frames, |next| next.max(at + 1)).min(frames);
        }
        start += frames;
    }
    struck
}

/// Where the strokes of the first `frames` frames lie, at 120 beats per minute from beat `from` on.
fn expected(from: f64, frames: usize) -> Vec<(usize, usize)> {
    let mut out = [Stroke::default(); MAX_STROKES];
    let count = strokes(&settings(), &parts_of(&kit().doc), &mut out);
    let mut all = Vec::new();
    for round in 0..8 {
        for stroke in &out[..count] {
            let frame = ((f64::from(round) * PATTERN_BEATS + stroke.beat - from) * RATE / 2.0 - 1e-6).ceil();
            if frame >= 0.0 && (frame as usize) < frames {
                all.push((frame as usize, usize::from(stroke.pad)));
            }
        }
    }
    all
}

#[test]
fn strokes_land_on_their_frames_whatever_the_blocks() {
    let frames = 480_000;
    for block in [1000, 64, 777, 4096] {
        let mut player = player();
        player.set(settings());
        let blocks = vec![block; frames / block];
        let played = play(&mut player, &blocks, |_| None);
        assert_eq!(played, expected(0.0, block * blocks.len()), "blocks of {block}");
    }
}

#[test]
fn it_is_in_step_with_the_host_and_follows_its_jumps() {
    let mut player = player();
    player.set(settings());
    let at = |from: f64| move |frame: usize| Some(from + frame as f64 / RATE * 2.0);
    assert_eq!(play(&mut player, &[512; 200], at(5.25)), expected(5.25, 512 * 200));
    // the host is set back to another place
    assert_eq!(play(&mut player, &[512; 200], at(1.5)), expected(1.5, 512 * 200));
}

#[test]
fn it_never_plays_by_itself_and_lets_keys_go_when_it_stops() {
    let mut player = player();
    assert_eq!(play(&mut player, &[512; 400], |_| None), []);
    assert_eq!(play(&mut player, &[512; 400], |frame| Some(frame as f64 / 24_000.0)), []);
    player.set(settings());
    assert!(!play(&mut player, &[512; 40], |_| None).is_empty());
    assert!(player.is_playing());
    player.set(GrooveSettings { playing: false, ..settings() });
    player.begin_block(Transport::default(), 512, RATE);
    let mut offs = 0;
    while let Some(event) = player.take_due(0) {
        assert!(matches!(event, GrooveEvent::Off { .. }), "{event:?}");
        offs += 1;
    }
    assert!(offs > 0 && !player.is_playing(), "{offs} keys were held");
}

#[test]
fn it_begins_with_the_first_stroke_each_time() {
    let mut player = player();
    for _ in 0..3 {
        player.set(settings());
        let first = play(&mut player, &[500; 60], |_| None);
        assert_eq!(first, expected(0.0, 30_000));
        player.set(GrooveSettings { playing: false, ..settings() });
        play(&mut player, &[500; 13], |_| None);
    }
}
