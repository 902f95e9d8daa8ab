//! Which pads a key plays: those on its note, else, in a kit that answers every note of the General MIDI percussion
//! map, the pad whose drum is nearest.

use super::{Document, PADS, Role};

/// Keys of the percussion map (General MIDI Level 1, MIDI Manufacturers Association, 1991), and the shaker that Level 2
/// adds above them.
const MAPPED_KEYS: std::ops::RangeInclusive<u8> = 35..=82;

/// What each key plays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeyMap {
    /// The pads of each key, one bit for each pad.
    pads: [u16; 128],
    /// What is added to their pitch, semitones.
    transpose_st: [f32; 128],
}

impl KeyMap {
    /// No key plays anything.
    pub const EMPTY: Self = Self { pads: [0; 128], transpose_st: [0.0; 128] };

    /// The pads that a key plays, one bit for each pad, and by how many semitones they are transposed. Numbers above
    /// 127 are no keys and play none.
    pub fn of(&self, key: u8) -> (u16, f32) {
        let key = usize::from(key);
        (self.pads.get(key).copied().unwrap_or(0), self.transpose_st.get(key).copied().unwrap_or(0.0))
    }

    /// Whether a key plays the pad of this index.
    pub fn plays(&self, key: u8, pad: usize) -> bool {
        pad < PADS && self.of(key).0 & (1 << pad) != 0
    }
}

/// The key map of a kit. A pad is on its own note, also when it is silent. Where a key of the percussion map has no pad
/// that sounds and the kit answers such keys ([`Document::general_midi`]), the pad of the nearest drum plays it.
pub fn key_map(doc: &Document) -> KeyMap {
    let mut map = KeyMap::EMPTY;
    let mut sounding = [false; 128];
    for (p, pad) in doc.pads.iter().take(PADS).enumerate() {
        if let Some(pads) = map.pads.get_mut(usize::from(pad.note)) {
            *pads |= 1 << p;
            sounding[usize::from(pad.note)] |= !pad.is_empty();
        }
    }
    if doc.general_midi {
        for key in MAPPED_KEYS.filter(|&k| !sounding[usize::from(k)]) {
            if let Some(pad) = nearest(doc, key) {
                map.pads[usize::from(key)] |= 1 << pad;
                map.transpose_st[usize::from(key)] = transpose_st(key, &doc.pads[pad]);
            }
        }
    }
    map
}

/// The keys of the six toms, from the lowest up.
const TOM_KEYS: [u8; 6] = [41, 43, 45, 47, 48, 50];
/// From one tom's key to the next, semitones: less than half of what lies between two toms of a fresh kit, so that six
/// keys on three toms rise throughout.
const TOM_STEP_ST: f32 = 1.2;

/// How far a tom is transposed on another tom's key, so that the keys rise in pitch.
fn transpose_st(key: u8, pad: &super::Pad) -> f32 {
    let place = |key: u8| TOM_KEYS.iter().position(|k| *k == key);
    match (place(key), place(pad.note)) {
        (Some(to), Some(from)) if pad.role.is_tom() => TOM_STEP_ST * (to as f32 - from as f32),
        _ => 0.0,
    }
}

/// The pad whose drum is nearest to that of a key: by role, else the percussion pad, else the pad, on the nearest note.
fn nearest(doc: &Document, key: u8) -> Option<usize> {
    let pads = || doc.pads.iter().take(PADS).enumerate().filter(|(_, pad)| !pad.is_empty());
    let closest = |role: Option<Role>| {
        let fits = pads().filter(|(_, pad)| role.is_none_or(|role| pad.role == role));
        fits.min_by_key(|(p, pad)| (pad.note.abs_diff(key), *p)).map(|(p, _)| p)
    };
    let by_role = roles(key).iter().find_map(|&role| closest(Some(role)));
    by_role.or_else(|| closest(Some(Role::Percussion))).or_else(|| closest(None))
}

/// The roles that stand for the drum of a key, best first; none for other percussion.
fn roles(key: u8) -> &'static [Role] {
    match key {
        // acoustic bass drum, bass drum 1
        35 | 36 => &[Role::Kick, Role::LowTom],
        // side stick
        37 => &[Role::Rim, Role::Snare],
        // acoustic and electric snare
        38 | 40 => &[Role::Snare, Role::Rim, Role::Clap],
        39 => &[Role::Clap, Role::Snare],
        // low floor and high floor tom
        41 | 43 => &[Role::LowTom, Role::MiddleTom, Role::HighTom],
        // low and low-mid tom
        45 | 47 => &[Role::MiddleTom, Role::LowTom, Role::HighTom],
        // hi-mid and high tom
        48 | 50 => &[Role::HighTom, Role::MiddleTom, Role::LowTom],
        42 => &[Role::ClosedHat, Role::PedalHat, Role::Shaker, Role::OpenHat],
        44 => &[Role::PedalHat, Role::ClosedHat, Role::Shaker, Role::OpenHat],
        46 => &[Role::OpenHat, Role::ClosedHat],
        // crash 1 and 2, Chinese and splash cymbals
        49 | 52 | 55 | 57 => &[Role::Crash, Role::Ride, Role::OpenHat, Role::ClosedHat],
        // ride 1 and 2, ride bell
        51 | 53 | 59 => &[Role::Ride, Role::Crash, Role::OpenHat, Role::ClosedHat],
        // tambourine, cabasa, maracas, shaker
        54 | 69 | 70 | 82 => &[Role::Shaker, Role::ClosedHat],
        _ => &[],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::{Pad, Slice};

    /// A kit of these pads, all sounding.
    fn kit(pads: &[(u8, Role)], general_midi: bool) -> Document {
        let slice = Slice { take: 0, start: 0, end: 1, gain_db: 0.0, velocities: [0.0, 1.0] };
        let pads = pads.iter().map(|&(note, role)| Pad { slices: vec![slice], ..Pad::empty(note, role) });
        Document { pads: pads.collect(), general_midi, ..Document::default() }
    }

    const DRUMS: [(u8, Role); 6] = [
        (36, Role::Kick),
        (38, Role::Snare),
        (42, Role::ClosedHat),
        (46, Role::OpenHat),
        (45, Role::LowTom),
        (50, Role::HighTom),
    ];

    #[test]
    fn every_key_of_the_percussion_map_is_answered_by_the_nearest_drum() {
        let map = key_map(&kit(&DRUMS, true));
        for key in MAPPED_KEYS {
            assert_eq!(map.of(key).0.count_ones(), 1, "key {key}");
        }
        let plays = |key: u8, pad: u16| map.of(key).0 == 1 << pad;
        assert!(plays(35, 0) && plays(36, 0), "kicks");
        assert!(plays(40, 1) && plays(37, 1) && plays(39, 1), "snares, and what a snare stands for");
        assert!(plays(44, 2) && plays(49, 3) && plays(51, 3), "hats and cymbals");
        assert!(plays(41, 4) && plays(43, 4) && plays(47, 4) && plays(48, 5), "toms");
        assert!((0..35).chain(83..=255).all(|key| map.of(key) == (0, 0.0)), "nothing else is played");
    }

    #[test]
    fn kits_without_general_midi_play_their_own_notes_only_and_silent_pads_fall_back() {
        let map = key_map(&kit(&DRUMS, false));
        assert_eq!((0..128).filter(|&key| map.of(key).0 != 0).count(), DRUMS.len());
        let mut doc = kit(&DRUMS, true);
        doc.pads[1].slices.clear();
        // the silent snare stays on its note, and the low tom, the nearest there is, is heard
        assert_eq!(key_map(&doc).of(38).0, 1 << 1 | 1 << 0);
        assert_eq!(key_map(&kit(&[], true)), KeyMap::EMPTY);
    }

    /// The order of the General MIDI toms: 41 is the lowest, 50 the highest.
    #[test]
    fn six_keys_rise_in_pitch_on_three_toms() {
        let fresh: Vec<_> = Role::DEFAULT_PADS.to_vec();
        let map = key_map(&kit(&fresh, true));
        // three toms of a fresh kit as near as they may stand, semitones
        let pitch = |pad: usize| match fresh[pad].1 {
            Role::LowTom => 0.0,
            Role::MiddleTom => 2.0,
            Role::HighTom => 4.7,
            other => panic!("{other}"),
        };
        let heard = TOM_KEYS.map(|key| {
            let (pads, transpose_st) = map.of(key);
            pitch(pads.trailing_zeros() as usize) + transpose_st
        });
        assert!(heard.windows(2).all(|pair| pair[0] < pair[1]), "{heard:?}");
        assert_eq!(map.of(38).1, 0.0);
    }
}
