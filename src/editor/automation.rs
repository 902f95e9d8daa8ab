//! Detects which trims the host moves; they are marked for a moment wherever they are shown.

use super::trims::{Indication, Track, Trim, TrimAccess};
use kitwright_core::{
    kit::PADS,
    settings::{KIT_TRIMS, PAD_TRIMS},
};

/// How long a trim that the host moved is marked, s.
const MARK_SECONDS: f64 = 0.8;
/// How long after a gesture a value may still come back from the host, s: hosts pass it on with a later block.
const ECHO_SECONDS: f64 = 0.4;
/// Trims of a kit.
const TRIM_COUNT: usize = KIT_TRIMS.len() + PADS * PAD_TRIMS.len();

/// Every trim's value in the frame before, and when host or window moved it last.
#[derive(Debug, Default)]
pub struct Automation {
    /// Empty before the first frame.
    seen: Vec<SeenTrim>,
    now: f64,
}

#[derive(Debug, Clone, Copy)]
struct SeenTrim {
    value: f32,
    by_host: f64,
    by_hand: f64,
}

fn all() -> impl Iterator<Item = Trim> {
    let pads = (0..PADS).flat_map(|pad| (0..PAD_TRIMS.len()).map(move |i| Trim::Pad(pad, i)));
    (0..KIT_TRIMS.len()).map(Trim::Kit).chain(pads)
}

impl Automation {
    /// Reads all trims at `now` (s); those that changed without a gesture of the window were moved by the host.
    pub fn follow(&mut self, trims: &dyn TrimAccess, now: f64) {
        self.now = now;
        let first = self.seen.is_empty();
        if first {
            self.seen.reserve_exact(TRIM_COUNT);
        }
        for trim in all() {
            let value = trims.get(trim);
            if first {
                self.seen.push(SeenTrim { value, by_host: f64::NEG_INFINITY, by_hand: f64::NEG_INFINITY });
                continue;
            }
            let seen = &mut self.seen[trim.index()];
            if seen.value != value {
                seen.value = value;
                if now - seen.by_hand > ECHO_SECONDS {
                    seen.by_host = now;
                }
            }
        }
    }

    /// Notes that the window itself moved a trim: no mark.
    pub fn by_hand(&mut self, trim: Trim) {
        if let Some(seen) = self.seen.get_mut(trim.index()) {
            seen.by_hand = self.now;
        }
    }

    /// Whether the host moved the trim a moment ago.
    pub fn moves(&self, trim: Trim) -> bool {
        self.seen.get(trim.index()).is_some_and(|s| self.now - s.by_host < MARK_SECONDS)
    }

    /// How many trims of a pad the host moves.
    pub fn moving_of(&self, pad: usize) -> usize {
        (0..PAD_TRIMS.len()).filter(|&i| self.moves(Trim::Pad(pad, i))).count()
    }

    /// How many of the kit's own trims the host moves.
    pub fn moving_of_kit(&self) -> usize {
        (0..KIT_TRIMS.len()).filter(|&i| self.moves(Trim::Kit(i))).count()
    }

    /// Whether any mark is shown.
    pub fn any(&self) -> bool {
        self.seen.iter().any(|s| self.now - s.by_host < MARK_SECONDS)
    }
}

/// Trims for one frame, which notes what the window moves.
pub struct NotedTrims<'a> {
    /// The host's parameters, or plain values.
    pub trims: &'a mut dyn TrimAccess,
    /// What was moved.
    pub moved: Vec<Trim>,
}

impl TrimAccess for NotedTrims<'_> {
    fn get(&self, trim: Trim) -> f32 {
        self.trims.get(trim)
    }

    fn begin(&mut self, trim: Trim) {
        self.moved.push(trim);
        self.trims.begin(trim);
    }

    fn set(&mut self, trim: Trim, value: f32) {
        self.moved.push(trim);
        self.trims.set(trim, value);
    }

    fn end(&mut self, trim: Trim) {
        self.moved.push(trim);
        self.trims.end(trim);
    }

    fn end_all(&mut self) {
        self.trims.end_all();
    }

    fn track(&self) -> Option<Track> {
        self.trims.track()
    }

    fn indication(&self, trim: Trim) -> Option<Indication> {
        self.trims.indication(trim)
    }

    fn open_menu(&mut self, trim: Trim, at: egui::Pos2) {
        self.trims.open_menu(trim, at);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::editor::trims::PlainTrims;

    #[test]
    fn trims_moved_by_the_host_are_marked_for_800_ms() {
        let (kit, pad) = (Trim::Kit(0), Trim::Pad(15, 1));
        let mut trims = PlainTrims::default();
        let mut automation = Automation::default();
        automation.follow(&trims, 0.0);
        assert!(!automation.any());
        trims.set(kit, -3.0);
        trims.set(pad, 0.5);
        automation.follow(&trims, 1.0);
        assert!(automation.moves(kit) && automation.moves(pad));
        assert_eq!(
            (automation.moving_of(15), automation.moving_of(14), automation.moving_of_kit()),
            (1, 0, 1)
        );
        automation.follow(&trims, 2.0);
        assert!(!automation.any());
        automation.by_hand(pad);
        trims.set(pad, 0.25);
        // the host passes it on a block later
        automation.follow(&trims, 2.1);
        assert!(!automation.moves(pad));
    }
}
