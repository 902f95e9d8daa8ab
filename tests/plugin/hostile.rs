//! Hosts at their worst: blocks that grow and shrink, floods, values that are no numbers, many instances, and every call in
//! a random order.

use crate::support::{
    host::{DECLARED, Ev, Host, Run, note},
    kit::{clap_state, kit, notes},
    peak,
};

/// How often to try: `few` times in the ordinary tests, as often as `KITWRIGHT_TRIALS` says in `cargo xtask soak`.
fn trials(few: usize) -> usize {
    std::env::var("KITWRIGHT_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(few)
}

/// Random numbers by a linear congruential generator (constants of Knuth's MMIX).
struct Draws(u64);

impl Draws {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % n.max(1)
    }
}

fn pattern() -> Vec<Ev> {
    notes().iter().enumerate().flat_map(|(i, key)| note(300 + 2711 * (i / 2) as u64, *key, 0.6)).collect()
}

fn host() -> Host {
    Host::with_state(&clap_state(&kit()))
}

#[test]
fn blocks_that_grow_to_16384_frames_and_shrink_again_give_the_same_samples() {
    const N: usize = 80_000;
    let mut host = host();
    let events = pattern();
    let whole = host.play(&Run::new(N, &events));
    let sizes = |n: usize| 1 << (if (n / 15).is_multiple_of(2) { n % 15 } else { 14 - n % 15 });
    for in_place in [false, true] {
        let run = Run { max_block: 16_384, block: &sizes, in_place, ..Run::new(N, &events) };
        assert!(host.play(&run) == whole, "in place: {in_place}");
    }
}

#[test]
fn input_and_parameters_that_are_no_numbers_leave_the_output_finite() {
    let mut host = host();
    let ids: Vec<u32> = host.params().into_values().collect();
    let plain = host.play(&Run::new(24_000, &pattern()));
    for input in [f32::NAN, f32::INFINITY, f32::MIN_POSITIVE / 8.0, 3e38] {
        let sound = host.play(&Run { input, ..Run::new(24_000, &pattern()) });
        assert!(sound == plain, "a side input of {input}");
    }
    for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300] {
        let set = |at| move |id: &u32| Ev::Param { at, id: *id, value };
        let mut events: Vec<_> = ids.iter().map(set(0)).chain(ids.iter().map(set(700))).collect();
        events.extend(pattern());
        let sound = host.play(&Run::new(24_000, &events));
        assert!(sound.iter().flatten().flatten().all(|s| s.is_finite()), "{value}");
        host.flush(&events);
        for id in &ids {
            assert!(host.param(*id).is_finite(), "parameter {id} after {value}");
        }
    }
    assert!(Host::with_state(&host.save()).save() == host.save(), "the state is still one");
}

#[test]
fn of_a_flushed_flood_the_last_value_of_each_parameter_stays() {
    let mut host = host();
    let params = host.params();
    let (level, pan) = (params["Pad 3 Level"], params["Pad 4 Pan"]);
    let flood = |to: f64| -> Vec<Ev> {
        let values = (0..9000).map(|i| f64::from(i) / 8999.0).map(|x| if to == 1.0 { x } else { 1.0 - x });
        values.flat_map(|value| [level, pan].map(|id| Ev::Param { at: 0, id, value })).collect()
    };
    host.flush(&flood(1.0));
    assert_eq!((host.param(level), host.param(pan)), (1.0, 1.0), "while inactive");
    assert!(host.activate(48_000.0, 64));
    host.flush(&flood(0.0));
    assert_eq!((host.param(level), host.param(pan)), (0.0, 0.0), "while active");
    assert_eq!(host.process_flush(&flood(1.0)).0, 1);
    assert_eq!((host.param(level), host.param(pan)), (1.0, 1.0), "in a block of no frames");
    host.deactivate();
}

#[test]
fn many_instances_play_alike_at_the_same_time() {
    let state = clap_state(&kit());
    let events = pattern();
    let mut hosts: Vec<_> = (0..trials(12).min(100)).map(|_| Host::with_state(&state)).collect();
    let first = hosts[0].play(&Run::new(4000, &events));
    assert!(peak(&first[0][0]) > 0.05);
    assert!(hosts.iter_mut().all(|host| host.activate(48_000.0, 1024)));
    let mut playing: Vec<_> = hosts.iter_mut().map(Host::begin).collect();
    std::thread::scope(|scope| {
        let (run, first) = (Run::new(4000, &events), &first);
        let threads: Vec<_> = playing
            .iter_mut()
            .map(|plugin| scope.spawn(move || plugin.play(&run_of(run.events)) == *first))
            .collect();
        assert!(threads.into_iter().all(|thread| thread.join().expect("an audio thread")));
    });
    hosts.iter_mut().for_each(Host::deactivate);
}

fn run_of(events: &[Ev]) -> Run<'_> {
    Run::new(4000, events)
}

#[test]
fn instances_are_made_and_destroyed_again_and_again() {
    let state = clap_state(&kit());
    for i in 0..trials(40) {
        let mut host = Host::new();
        match i % 4 {
            0 => (),
            1 => assert!(host.load(&state)),
            2 => assert!(host.activate(48_000.0, 256)),
            _ => {
                assert!(host.load(&state) && host.activate(96_000.0, 256));
                host.process_once(256, DECLARED, &note(0, 36, 1.0));
            }
        }
    }
}

/// Makes every call of a host in a random order, legal or not, from one thread; what comes out is finite, and the plugin
/// still plays afterwards.
#[test]
fn calls_in_any_order_leave_a_plugin_that_plays() {
    // With every parameter at its default: a state without parameters leaves them as they are.
    let (state, empty) = (host().save(), Host::new().save());
    let mut calls = 0;
    for seed in 0..trials(6) as u64 {
        let mut draws = Draws(seed);
        let mut host = Host::new();
        let ids: Vec<u32> = host.params().into_values().collect();
        let (mut active, mut saved) = (false, state.clone());
        for _ in 0..150 {
            calls += 1;
            step(&mut host, &mut draws, &ids, &mut active, &mut saved, [&state, &empty]);
        }
        if active {
            host.deactivate();
        }
        assert!(host.load(&state));
        let sound = host.play(&Run::new(8000, &pattern()));
        assert!(peak(&sound[0][0]) > 0.01, "seed {seed}");
    }
    println!("{calls} calls in a random order");
}

fn step(
    host: &mut Host,
    draws: &mut Draws,
    ids: &[u32],
    active: &mut bool,
    saved: &mut Vec<u8>,
    states: [&Vec<u8>; 2],
) {
    let mut events: Vec<Ev> = (0..draws.below(12))
        .map(|_| {
            let (at, key) = (draws.below(600) as u64, draws.below(128) as u8);
            match draws.below(3) {
                0 => Ev::On { at, key: 36 + key % 16, velocity: draws.below(100) as f64 / 99.0 },
                1 => Ev::Off { at, key },
                _ => Ev::Param { at, id: ids[draws.below(ids.len())], value: draws.below(100) as f64 / 99.0 },
            }
        })
        .collect();
    match draws.below(16) {
        0 if !*active => {
            let rate = [8000.0, 44_100.0, 48_000.0, 192_000.0, 1.0, f64::NAN][draws.below(6)];
            *active = host.activate(rate, [1, 64, 512, 16_384][draws.below(4)]);
        }
        1 if *active => {
            host.deactivate();
            *active = false;
        }
        2 => host.flush(&events),
        3 => *saved = host.save(),
        4 => assert!(host.load(saved), "its own state is taken back"),
        5 => drop(host.load(states[draws.below(2)])),
        6 => {
            let mut broken = saved.clone();
            let at = draws.below(broken.len());
            broken[at] ^= 1 << draws.below(8);
            broken.truncate(broken.len() - draws.below(3) * draws.below(broken.len() / 2));
            host.load(&broken);
        }
        7 if *active => host.reset(),
        8 => host.main_thread(),
        9 => drop((host.note_names(), host.params(), host.ports(false))),
        10 => {
            // a flood
            events.extend((0..5000).map(|i| Ev::On { at: i % 64, key: 36 + (i % 16) as u8, velocity: 0.5 }));
            host.process_once(64, DECLARED, &events);
        }
        11 => drop(host.process_flush(&events)),
        _ => {
            let frames = [0, 1, 17, 64, 512, 600][draws.below(6)];
            let (_, sound) = host.process_once(frames, DECLARED, &events);
            assert!(sound.iter().flatten().flatten().all(|s| s.is_finite()));
        }
    }
}
