//! The built plugin in a CLAP host, also in hosts that break the rules of CLAP.
//!
//! The process ends when the audio thread allocates: the tests build the framework with that guard.

use crate::support::{
    host::{DECLARED, Ev, Host, Port, Run, Sound, note},
    kit::{clap_state, kit, notes},
    peak,
};
use kitwright_core::{
    kit::{KeyPart, KeyPartKind, Kit},
    listen::{Description, Hit},
};

/// Every pad once, some together, over a second.
fn pattern() -> Vec<Ev> {
    let note_of = |(i, key): (usize, &u8)| note(300 + 2711 * (i / 2) as u64, *key, 0.3 + 0.04 * i as f64);
    notes().iter().enumerate().flat_map(note_of).collect()
}
const N: usize = 36_000;

fn host() -> Host {
    Host::with_state(&clap_state(&kit()))
}

#[test]
fn ports_are_a_main_output_one_for_each_pad_and_a_side_input() {
    let mut host = Host::new();
    let outputs = host.ports(false);
    assert_eq!(outputs[0], ("Main".into(), 2));
    for (pad, output) in outputs.iter().enumerate().skip(1) {
        assert_eq!(*output, (format!("Pad {pad}"), 2));
    }
    assert_eq!(outputs.len(), 17);
    assert_eq!(host.ports(true), [("Side input".into(), 2)]);
    assert_eq!(host.latency(), 0);
    assert!(host.has_tail());
}

#[test]
fn the_parameters_are_those_listed() {
    let listed: Vec<_> =
        include_str!("../../src/plugin/params.txt").lines().map(|l| l.split('\t').nth(1).unwrap()).collect();
    let found = Host::new().params();
    // the framework adds a bypass of its own when a plugin has none, in VST3 only
    assert_eq!(found.len(), listed.len());
    for name in listed {
        assert!(found.contains_key(name), "{name}");
    }
}

#[test]
fn any_block_size_gives_the_same_samples() {
    let mut host = host();
    let events = pattern();
    let whole = host.play(&Run::new(N, &events));
    assert!(peak(&whole[0][0]) > 0.05, "nothing sounds");
    let same = |host: &mut Host, max_block, block: &(dyn Fn(usize) -> usize + Sync), what| {
        let run = Run { max_block, block, ..Run::new(N, &events) };
        assert!(host.play(&run) == whole, "{what}");
    };
    same(&mut host, 1, &|_| 1, "blocks of 1");
    same(&mut host, 64, &|_| 64, "blocks of 64");
    same(&mut host, 1024, &|_| 1024, "blocks of 1024");
    same(&mut host, 8192, &|_| 8192, "blocks of 8192");
    same(&mut host, 2048, &|n| 1 + (n * 7919) % 2048, "uneven blocks");
}

#[test]
fn events_out_of_order_play_as_in_order() {
    let mut host = host();
    let events = pattern();
    let run = Run { max_block: 8192, block: &|_| 8192, ..Run::new(N, &events) };
    let ordered = host.play(&run);
    assert!(host.play(&Run { backwards: true, ..run }) == ordered);
}

#[test]
fn missing_short_and_null_ports_are_harmless() {
    let mut host = host();
    let events = pattern();
    let whole = host.play(&Run::new(N, &events));
    let mut check = |outputs: &[Port], inputs: &[Port], what: &str| {
        let sound = host.play(&Run { outputs, inputs, ..Run::new(N, &events) });
        for (port, (sound, whole)) in sound.iter().zip(&whole).enumerate() {
            for (channel, (sound, whole)) in sound.iter().zip(whole).enumerate() {
                assert!(sound == whole, "{what}: port {port} channel {channel}");
            }
        }
    };
    let two = Port::Channels(2);
    check(&[two], &[two], "main only");
    check(&[two; 5], &[two], "main and four pads");
    check(&[], &[], "no ports");
    check(&[Port::Channels(1); 17], &[Port::Channels(1)], "mono ports");
    check(&[Port::Channels(0); 17], &[Port::Channels(0)], "ports without channels");
    check(&[Port::NullChannels(2); 17], &[Port::NullChannels(2)], "null channels");
    check(&[Port::Null; 17], &[Port::Null], "null ports");
    let mut mixed = [two; 17];
    mixed[0] = Port::Null;
    mixed[3] = Port::NullChannels(2);
    mixed[7] = Port::Channels(1);
    check(&mixed, &[], "a mixture without the main port");
    let mut shared = [Port::SameAsBefore; 17];
    shared[0] = two;
    check(&shared, &[two], "one pair of buffers for all ports");
}

#[test]
fn ports_and_channels_beyond_the_declared_ones_are_silent() {
    let mut host = host();
    let events = pattern();
    let whole = host.play(&Run::new(N, &events));
    let outputs = &[Port::Channels(5); 20];
    let sound = host.play(&Run { outputs, inputs: &[Port::Channels(7); 3], ..Run::new(N, &events) });
    for (port, channels) in sound.iter().enumerate() {
        for (channel, samples) in channels.iter().enumerate() {
            if port < 17 && channel < 2 {
                assert!(*samples == whole[port][channel], "port {port} channel {channel}");
            } else {
                assert_eq!(peak(samples), 0.0, "port {port} channel {channel}");
            }
        }
    }
}

#[test]
fn calls_at_the_wrong_time_are_refused_and_leave_silence() {
    let mut host = host();
    let silent = |sound: Sound| sound.iter().flatten().all(|c| peak(c) == 0.0);
    let (status, sound) = host.process_once(64, DECLARED, &[]);
    assert_eq!(status, 0, "process before activate");
    assert!(silent(sound));
    assert_eq!(host.process_once(0, DECLARED, &[]).0, 0, "no frames before activate");

    assert!(host.activate(48_000.0, 64));
    assert_eq!(host.process_once(0, DECLARED, &[]).0, 1, "no frames");
    let (status, sound) = host.process_once(65, DECLARED, &note(0, 36, 1.0));
    assert_eq!(status, 0, "more frames than announced");
    assert!(silent(sound));
    host.deactivate();
    assert_eq!(host.process_once(64, DECLARED, &[]).0, 0, "process after deactivate");

    assert!(!host.activate(f64::NAN, 64));
    assert!(!host.activate(48_000.0, 0));
    let events = pattern();
    let fresh = self::host().play(&Run::new(N, &events));
    assert!(host.play(&Run::new(N, &events)) == fresh, "and it plays as before");
}

#[test]
fn a_parameter_sent_without_frames_arrives() {
    let mut host = host();
    let id = host.params()["Pad 3 Level"];
    assert!(host.activate(48_000.0, 64));
    host.process_once(0, DECLARED, &[]);
    let event = Ev::Param { at: 0, id, value: 0.25 };
    // an event at frame 0 of a block of none
    let (status, _) = host.process_flush(&[event]);
    assert_eq!(status, 1);
    assert_eq!(host.param(id), 0.25);
    host.deactivate();
}

#[test]
fn a_state_makes_a_second_instance_sound_the_same_to_the_bit() {
    let mut first = host();
    let id = first.params()["Pad 1 Pitch"];
    let mut events = vec![Ev::Param { at: 0, id, value: 0.7 }];
    events.extend(pattern());
    let sound = first.play(&Run::new(N, &events));
    let state = first.save();
    let mut second = Host::with_state(&state);
    assert_eq!(second.param(id), first.param(id));
    assert!(second.play(&Run::new(N, &pattern())) == sound);
    assert!(second.save() == state, "the state is stable to the byte");
}

#[test]
fn a_state_may_come_while_playing() {
    let mut host = Host::new();
    assert!(host.activate(48_000.0, 1024));
    let events = pattern();
    assert_eq!(peak(&host.play_active(&Run::new(N, &events))[0][0]), 0.0, "an empty kit is silent");
    assert!(host.load(&clap_state(&kit())));
    // the framework calls neither activate nor reset after a state
    let sound = host.play_active(&Run::new(N, &events));
    assert!(peak(&sound[0][0]) > 0.05);
    host.deactivate();
}

#[test]
fn broken_states_leave_everything_as_it_was() {
    let mut host = host();
    let events = pattern();
    let before = host.play(&Run::new(N, &events));
    let state = host.save();
    for cut in [0, 4, 8, 9, 100, state.len() / 2, state.len() - 1] {
        assert!(!host.load(&state[..cut]), "cut at {cut}");
    }
    let mut huge = state.clone();
    huge[..8].copy_from_slice(&u64::MAX.to_le_bytes());
    assert!(!host.load(&huge), "a length beyond all memory");
    // a whole state around a kit that is not one
    let wrap = |kit: &str| {
        let fields = serde_json::json!({ "kit": kit });
        let json = serde_json::json!({ "version": "", "params": {}, "fields": fields }).to_string();
        [&(json.len() as u64).to_le_bytes()[..], json.as_bytes()].concat()
    };
    for kit in ["", "\"\"", "\"AAAA\"", "\"no base64\"", "17"] {
        host.load(&wrap(kit));
        assert!(host.play(&Run::new(N, &events)) == before, "{kit:?}");
    }
}

#[test]
fn it_plays_at_every_usual_sample_rate() {
    let mut host = host();
    for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        let events: Vec<_> = note(1000, 36, 1.0).into();
        let sound = host.play(&Run { rate, ..Run::new(20_000, &events) });
        assert_eq!(peak(&sound[0][0][..1000]), 0.0, "{rate} Hz: before the note");
        assert!(peak(&sound[0][0][1000..]) > 0.05, "{rate} Hz");
        assert!(sound.iter().flatten().flatten().all(|s| s.is_finite()), "{rate} Hz");
    }
}

#[test]
fn each_pad_sounds_on_its_own_output_and_on_the_main_one() {
    let mut host = host();
    for (pad, key) in notes().into_iter().enumerate() {
        let events: Vec<_> = note(100, key, 0.8).into();
        let sound = host.play(&Run::new(4000, &events));
        for (port, channels) in sound.iter().enumerate() {
            let sounds = peak(&channels[0]) > 0.01;
            assert_eq!(sounds, port == 0 || port == pad + 1, "pad {} on port {port}", pad + 1);
        }
    }
}

#[test]
fn it_starts_anew_after_every_activation_and_reset() {
    let mut host = host();
    let events = pattern();
    let first = host.play(&Run::new(N, &events));
    for _ in 0..20 {
        assert!(host.activate(96_000.0, 32));
        host.deactivate();
        assert!(host.activate(48_000.0, 1024));
        host.play_active(&Run::new(700, &events));
        host.reset();
        host.deactivate();
    }
    assert!(host.play(&Run::new(N, &events)) == first);
}

#[test]
fn parameters_change_at_their_frame() {
    let mut host = host();
    let id = host.params()["Pad 1 Level"];
    let neutral = host.param(id);
    let hit = note(0, 36, 1.0);
    let plain = host.play(&Run::new(4000, &hit));
    let mut events = hit.to_vec();
    events.push(Ev::Param { at: 777, id, value: 0.0 });
    let back = [Ev::Param { at: 0, id, value: neutral }];
    let mut last = None;
    for block in [4000_usize, 1, 64, 97] {
        let sized = move |_| block;
        let run = Run { max_block: 4000, block: &sized, ..Run::new(4000, &events) };
        let sound = host.play(&run);
        assert!(sound[1][0][..777] == plain[1][0][..777], "blocks of {block}: before");
        assert!(sound[1][0][777..800] != plain[1][0][777..800], "blocks of {block}: after");
        assert!(last.replace(sound.clone()).is_none_or(|last| last == sound), "blocks of {block}");
        host.play(&Run::new(1, &back));
    }
}

#[test]
fn keys_carry_the_names_of_their_pads_and_the_host_is_notified_of_changes() {
    let mut host = Host::new();
    assert_eq!(host.note_names(), []);
    assert!(host.load(&clap_state(&kit())));
    host.main_thread();
    let names = host.note_names();
    assert_eq!(names.len(), 16);
    assert!(names.contains(&(36, "1 kick".into())) && names.contains(&(42, "6 closed hat".into())));
    assert_eq!(host.callbacks(|c| c.names_changed.load(std::sync::atomic::Ordering::SeqCst)), 1);
    // what the host has given is no change of the project
    assert_eq!(host.callbacks(|c| c.dirty.load(std::sync::atomic::Ordering::SeqCst)), 0);
}

#[test]
fn instances_come_and_go_while_others_work() {
    let state = clap_state(&kit());
    let events = pattern();
    let mut steady: Vec<_> = (0..3).map(|_| Host::with_state(&state)).collect();
    let expected = steady[0].play(&Run::new(N, &events));
    for host in &mut steady {
        assert!(host.activate(48_000.0, 1024));
    }
    let mut playing: Vec<_> = steady.iter_mut().map(|host| host.begin()).collect();
    std::thread::scope(|scope| {
        let workers: Vec<_> = (playing.iter_mut())
            .map(|plugin| scope.spawn(|| (0..4).all(|_| plugin.play(&Run::new(N, &events)) == expected)))
            .collect();
        // meanwhile on the main thread: made, loaded and dropped, some in the middle of their work
        for i in 0..12 {
            let mut passing = Host::new();
            assert!(passing.load(&state));
            if i % 3 != 0 {
                assert!(passing.activate(44_100.0 + f64::from(i), 256));
                passing.process_once(256, DECLARED, &events);
            }
            if i % 3 == 1 {
                passing.deactivate();
            }
            drop(passing);
        }
        for worker in workers {
            assert!(worker.join().expect("an audio thread"), "the sound changed");
        }
    });
    for host in &mut steady {
        host.deactivate();
    }
}

#[test]
fn of_a_flood_the_last_value_of_each_parameter_stays() {
    let mut host = host();
    let params = host.params();
    let (level, pan) = (params["Pad 3 Level"], params["Pad 4 Pan"]);
    let mut events = Vec::new();
    for i in 0..9000_u64 {
        let value = i as f64 / 8999.0;
        events.push(Ev::Param { at: i * 512 / 9000, id: level, value });
        events.push(Ev::Param { at: i * 512 / 9000, id: pan, value: 1.0 - value });
    }
    host.play(&Run { max_block: 512, ..Run::new(512, &events) });
    assert_eq!((host.param(level), host.param(pan)), (1.0, 0.0));
}

#[test]
fn of_a_flood_every_key_that_is_released_falls_silent() {
    let mut held = kit();
    for pad in &mut held.doc.pads {
        pad.settings.held = true;
        let layer = &mut pad.layers[0].settings;
        (layer.loop_on, layer.sustain, layer.release_ms) = (true, 1.0, 10.0);
    }
    let mut host = Host::with_state(&clap_state(&held));
    let keys = notes();
    let on = |i: u64| Ev::On { at: i * 400 / 10_000, key: keys[i as usize % 16], velocity: 0.5 };
    let mut events: Vec<_> = (0..10_000).map(on).collect();
    // without the note-offs the loops sound on
    let sounding = host.play(&Run::new(48_000, &events));
    assert!(peak(&sounding[0][0][47_000..]) > 1e-3, "the keys are held");
    events.extend(keys.map(|key| Ev::Off { at: 450, key }));
    let released = host.play(&Run::new(48_000, &events));
    assert_eq!(peak(&released[0][0][47_000..]), 0.0);
}

/// The kit with chords made of its third tone.
fn kit_with_chords() -> Kit {
    let mut kit = kit();
    let slice = kit.doc.pads[2].slices[0];
    let description =
        Description { pitch_hz: Some(80.0 * 1.69), pitch_confidence: 0.9, ..Description::default() };
    let hit = Hit { start: slice.start, end: slice.end, by_hand: false, description };
    kit.doc.key_parts = vec![KeyPart::of_hit(KeyPartKind::Chords, &kit.takes[0], 0, &hit)];
    kit.doc.key_parts[0].settings.attack_ms = 5.0;
    kit
}

#[test]
fn chords_play_on_their_channel_and_the_pads_on_the_others() {
    let mut host = Host::with_state(&clap_state(&kit_with_chords()));
    let mut without = self::host();
    let key = notes()[3];
    let played = |channel| {
        [
            Ev::Channel { at: 0, channel, key, velocity: 0.9 },
            Ev::Channel { at: 9000, channel, key, velocity: 0.0 },
        ]
    };
    for channel in [0, 9, -1] {
        let run = |host: &mut Host| host.play(&Run::new(N, &played(channel)));
        assert!(run(&mut host) == run(&mut without), "channel {channel}");
    }
    let sound = host.play(&Run::new(96_000, &played(2)));
    assert!(peak(&sound[0][0][..9000]) > 0.01, "the chord sounds in the main output");
    assert!(sound[1..].iter().flatten().all(|c| peak(c) == 0.0), "and no pad does");
    assert_eq!(peak(&sound[0][0][90_000..]), 0.0, "it ends");
    // a key of a pad does not end a chord
    let mut events = played(2)[..1].to_vec();
    events.push(Ev::Channel { at: 4000, channel: 9, key, velocity: 0.0 });
    assert!(peak(&host.play(&Run::new(96_000, &events))[0][0][90_000..]) > 0.001, "it is held");
}

#[test]
fn of_a_flood_every_chord_key_that_is_released_falls_silent() {
    let mut host = Host::with_state(&clap_state(&kit_with_chords()));
    let key = |i: u64| 40 + (i % 24) as u8;
    let on = |i: u64| Ev::Channel { at: i * 400 / 10_000, channel: 2, key: key(i), velocity: 0.5 };
    let mut events: Vec<_> = (0..10_000).map(on).collect();
    events.extend((0..24).map(|i| Ev::Channel { at: 440, channel: 2, key: key(i), velocity: 0.0 }));
    // the same keys are released on another channel afterwards
    events.extend((0..24).map(|i| Ev::Channel { at: 450, channel: 9, key: key(i), velocity: 0.0 }));
    let released = host.play(&Run::new(96_000, &events));
    assert!(peak(&released[0][0][..4000]) > 0.0);
    assert_eq!(peak(&released[0][0][90_000..]), 0.0);
}

#[test]
fn sample_rates_outside_1_to_768_khz_are_refused() {
    let mut host = host();
    for rate in [f64::NAN, f64::INFINITY, -48_000.0, 0.0, 1.0, 10.0, 999.9, 768_000.1, 1e12] {
        assert!(!host.activate(rate, 64), "{rate} Hz");
    }
    for rate in [1000.0, 768_000.0] {
        assert!(host.activate(rate, 64), "{rate} Hz");
        assert_ne!(host.process_once(64, DECLARED, &note(0, 36, 1.0)).0, 0, "{rate} Hz");
        host.deactivate();
    }
}
