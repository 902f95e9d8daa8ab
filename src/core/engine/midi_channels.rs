//! Keys on MIDI channels: those of the key parts play these, the others the pads.

use super::{Engine, key_parts::KeyPartChannel, pad_channel::Kits};

impl Engine {
    /// A key is pressed on MIDI channel 0 to 15: the key parts that answer to it play, else the pads as in
    /// [`Engine::note_on`].
    pub fn note_on_channel(&mut self, channel: u8, note: u8, velocity: f32) {
        let answers = |part: &KeyPartChannel, kits: &Kits| part.answers(kits, channel, note);
        if !self.key_parts.iter().any(|part| answers(part, &self.kits)) {
            return self.note_on(note, velocity);
        }
        if velocity > 0.0 {
            let Self { key_parts, kits, now, .. } = self;
            for part in key_parts.iter_mut().filter(|part| answers(part, kits)) {
                part.note_on(kits, note, velocity.min(1.0), *now);
            }
        }
    }

    /// A key is released on MIDI channel 0 to 15, or on every channel (`None`): it is let go where it is held.
    pub fn note_off_channel(&mut self, channel: Option<u8>, note: u8) {
        let mut held = false;
        let Self { key_parts, kits, now, .. } = self;
        for part in key_parts {
            if channel.is_none_or(|channel| part.answers(kits, channel, note)) {
                held |= part.note_off(kits, note, *now);
            }
        }
        if !held || channel.is_none() {
            self.note_off(note);
        }
    }

    /// Fades out what plays a key of MIDI channel 0 to 15, or of every channel (`None`), within 4 ms.
    pub fn choke_channel(&mut self, channel: Option<u8>, note: u8) {
        let mut answered = false;
        let Self { key_parts, kits, now, .. } = self;
        for part in key_parts {
            if channel.is_none_or(|channel| part.answers(kits, channel, note)) {
                part.choke(note, *now);
                answered = true;
            }
        }
        if !answered || channel.is_none() {
            self.choke(note);
        }
    }
}
