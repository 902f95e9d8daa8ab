//! A and B: two states of a pad, two states of the kit, one heard at a time.

use kitwright_core::kit::{Kit, PADS, Pad};

/// The versions that are not heard. Both are the same until the first switch.
#[derive(Debug, Default)]
pub struct Compare {
    pads: [Option<Pad>; PADS],
    pad_on_b: [bool; PADS],
    kit: Option<Kit>,
    kit_on_b: bool,
}

impl Compare {
    /// The side of a pad that is heard.
    pub fn pad_side(&self, pad: usize) -> char {
        side(self.pad_on_b[pad])
    }

    /// The side of the kit that is heard.
    pub fn kit_side(&self) -> char {
        side(self.kit_on_b)
    }

    /// Keeps `now` and returns the other version of the pad, or `None` when both are the same so far.
    pub fn turn_pad(&mut self, pad: usize, now: &Pad) -> Option<Pad> {
        self.pad_on_b[pad] = !self.pad_on_b[pad];
        self.pads[pad].replace(now.clone())
    }

    /// Keeps `now` and returns the other version of the kit, or `None` when both are the same so far.
    pub fn turn_kit(&mut self, now: &Kit) -> Option<Kit> {
        self.kit_on_b = !self.kit_on_b;
        self.kit.replace(now.clone())
    }

    /// Forgets all versions: another kit was opened.
    pub fn forget(&mut self) {
        *self = Self::default();
    }
}

fn side(b: bool) -> char {
    if b { 'B' } else { 'A' }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::kit::Role;

    #[test]
    fn switching_twice_restores_the_first_version() {
        let mut compare = Compare::default();
        let (a, b) = (Pad::empty(36, Role::Kick), Pad::empty(40, Role::Snare));
        assert_eq!(compare.turn_pad(3, &a), None);
        assert_eq!(compare.pad_side(3), 'B');
        assert_eq!(compare.turn_pad(3, &b), Some(a));
        assert_eq!(compare.pad_side(3), 'A');
        assert_eq!(compare.pad_side(4), 'A');
    }
}
