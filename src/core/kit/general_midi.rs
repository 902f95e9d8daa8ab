//! Which pads a key plays: those on its note, else, in a kit that answers every note of the General MIDI percussion
//! map, the pad whose drum is nearest.

use super::{Document, PADS, Role};

/// Keys of the percussion map (General MIDI Level 1, MIDI Manufacturers Association, 1991), and the shaker that Level 2
/// adds above them.
const KEYS: std::ops::RangeInclusive<u8> = 35..=82;

/// The pads that each key plays, one bit for each pad.
pub type KeyMap = [u16; 128];

/// The key map of a kit. A pad is on its own note, also when it is silent. Where a key of the percussion map has no pad
/// that sounds and the kit answers such keys ([`Document::general_midi`]), the pad of the nearest drum plays it.
pub fn key_map(doc: &Document) -> KeyMap {
    let mut map = [0u16; 128];
    let mut sounding = [false; 128];
    for (p, pad) in doc.pads.iter().take(PADS).enumerate() {
        if let Some(pads) = map.get_mut(usize::from(pad.note)) {
            *pads |= 1 << p;
            sounding[usize::from(pad.note)] |= !pad.is_empty();
        }
    }
    if doc.general_midi {
        for key in KEYS.filter(|&k| !sounding[usize::from(k)]) {
            if let Some(pad) = nearest(doc, key) {
                map[usize::from(key)] |= 1 << pad;
            }
        }
    }
    map
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
        // low floor, high floor, low tom
        41 | 43 | 45 => &[Role::LowTom, Role::HighTom],
        // low-mid, hi-mid, high tom
        47 | 48 | 50 => &[Role::HighTom, Role::LowTom],
        // closed and pedal hi-hat
        42 | 44 => &[Role::ClosedHat, Role::Shaker, Role::OpenHat],
        46 => &[Role::OpenHat, Role::ClosedHat],
        // crash, splash and Chinese cymbals, rides
        49 | 51..=53 | 55 | 57 | 59 => &[Role::OpenHat, Role::ClosedHat],
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
        for key in KEYS {
            assert_eq!(map[usize::from(key)].count_ones(), 1, "key {key}");
        }
        let plays = |key: usize, pad: u16| map[key] == 1 << pad;
        assert!(plays(35, 0) && plays(36, 0), "kicks");
        assert!(plays(40, 1) && plays(37, 1) && plays(39, 1), "snares, and what a snare stands for");
        assert!(plays(44, 2) && plays(49, 3) && plays(51, 3), "hats and cymbals");
        assert!(plays(41, 4) && plays(43, 4) && plays(47, 5) && plays(48, 5), "toms");
        assert!(map[..35].iter().chain(&map[83..]).all(|pads| *pads == 0), "nothing else is played");
    }

    #[test]
    fn kits_of_before_play_their_own_notes_only_and_empty_pads_give_way() {
        let map = key_map(&kit(&DRUMS, false));
        assert_eq!(map.iter().filter(|pads| **pads != 0).count(), DRUMS.len());
        let mut doc = kit(&DRUMS, true);
        doc.pads[1].slices.clear();
        // the silent snare stays on its note, and the low tom, the nearest there is, is heard
        assert_eq!(key_map(&doc)[38], 1 << 1 | 1 << 0);
        assert!(key_map(&kit(&[], true)).iter().all(|pads| *pads == 0));
    }
}
