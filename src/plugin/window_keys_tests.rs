//! Keys and pads played in the window, through the CLAP guard: held, and let go.

use super::{tests::TestInstance, *};
use kitwright_core::{
    kit::{KeyLoop, KeyPart, KeyPartSettings, Kit, Layer, Slice, TakeEntry},
    session::{KeyTrigger, PadTrigger, Session},
    take::Take,
};

/// A pad that is held, with a loop, and a key part on the second channel, both of a steady tone.
fn held_kit(session: &Session) {
    let samples: Vec<f32> = (0..48_000).map(|i| (i as f32 * 0.05).sin() * 0.5).collect();
    let take = Take::from_samples("tone", 48_000, vec![samples]);
    session.edit("a kit", |kit: &mut Kit| {
        let slice = Slice { take: 0, start: 0, end: 48_000, gain_db: 0.0, velocities: [0.0, 1.0] };
        kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
        let pad = &mut kit.doc.pads[3];
        pad.slices = vec![slice];
        pad.layers = vec![Layer::default()];
        pad.settings.held = true;
        let settings = &mut pad.layers[0].settings;
        (settings.loop_on, settings.loop_ms, settings.sustain, settings.release_ms) = (true, 50.0, 0.8, 50.0);
        kit.doc.key_parts.push(KeyPart {
            name: "bass".into(),
            slice: Some(slice),
            root_hz: 382.0,
            sustain: Some(KeyLoop { start: 20_000, end: 40_000, fade: 2000 }),
            settings: KeyPartSettings { sustain: 0.8, release_ms: 50.0, ..KeyPartSettings::default() },
        });
        kit.takes.push(Arc::new(take));
    });
    assert_eq!(session.error(), None);
}

/// Peak of the last of so many blocks of 512 frames.
fn last_peak(instance: &TestInstance, blocks: usize) -> f32 {
    (1..blocks).for_each(|_| drop(instance.block()));
    instance.block().iter().fold(0.0, |peak, x| peak.max(x.abs()))
}

/// Blocks of a second and a half.
const LONG: usize = 140;

#[test]
fn drawn_pads_and_keys_sound_until_they_are_let_go() {
    let instance = TestInstance::new();
    let session = instance.guard().link.session.clone();
    held_kit(&session);
    // SAFETY: in the order that CLAP demands.
    unsafe { assert!(activate(instance.plugin, 48_000.0, 1, 512)) };
    session.trigger(PadTrigger { pad: 3, velocity: 1.0 });
    assert!(last_peak(&instance, LONG) > 0.05, "a held pad sounds on");
    session.trigger(PadTrigger { pad: 4, velocity: 0.0 });
    assert!(last_peak(&instance, LONG) > 0.05, "another pad's end is not its own");
    session.trigger(PadTrigger { pad: 3, velocity: 0.0 });
    assert_eq!(last_peak(&instance, LONG), 0.0, "let go");

    let key = KeyTrigger { channel: 1, key: 60, velocity: 0.8 };
    session.play_key(key);
    assert!(last_peak(&instance, LONG) > 0.01, "a held key sounds on");
    session.play_key(KeyTrigger { key: 61, velocity: 0.0, ..key });
    session.play_key(KeyTrigger { channel: 2, velocity: 0.0, ..key });
    assert!(last_peak(&instance, LONG) > 0.01, "another key's end and another channel's are not its own");
    session.play_key(KeyTrigger { velocity: 0.0, ..key });
    assert_eq!(last_peak(&instance, LONG), 0.0, "let go");
    // SAFETY: as above.
    unsafe { deactivate(instance.plugin) };
}
