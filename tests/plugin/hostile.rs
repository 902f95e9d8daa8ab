//! Hosts at their worst: blocks that grow and shrink, floods, values that are no numbers, and every call in a random order.

use crate::support::{
    calls,
    host::{Ev, Host, Run, note},
    kit::{clap_state, kit, notes},
    trials,
};

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

/// Makes every call of a host in a random order, legal or not; what comes out is finite, and the plugin still plays
/// afterwards.
#[test]
fn calls_in_any_order_leave_a_plugin_that_plays() {
    let mut calls = 0;
    for seed in 0..trials(8) as u64 {
        let mut draws = Draws(seed);
        let bytes: Vec<u8> = (0..2000).map(|_| draws.below(256) as u8).collect();
        calls += calls::perform(&bytes, &Host::new);
    }
    println!("{calls} calls in a random order");
}
