//! Bounded events: at most [`MAX_EVENTS`] of a block reach the framework, whatever the host sends.
//!
//! With more, the framework would allocate and log on the audio thread. Such a block is reduced: its first
//! notes and its first parameter changes stay as they are; of the rest, the last event of each kind stays
//! for each parameter and each key. So every parameter ends at its newest value, and no key that was
//! released sounds on. All memory is taken once.

/// Events of a block that the framework takes without allocating.
pub(super) const MAX_EVENTS: usize = 4096;
/// Keys of MIDI, and one more for events that address every key.
const KEYS_AND_ALL: usize = 129;
/// Kinds of events for each parameter: value, modulation.
const PARAMETER_KINDS: usize = 2;
/// Kinds of events for each key: note-on, choke.
const KEY_KINDS: usize = 2;
/// MIDI channels, and one more for events that address every channel. A key may sound on each of them, so that each
/// has a last note-off of its own.
const CHANNELS_AND_ALL: usize = 17;

/// What an event does, as far as a reduction must know it. Parameters are named by the host's id; a key
/// outside 0 to 127 means every key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum EventKind {
    /// A parameter's value.
    Value(u32),
    /// A parameter's modulation.
    Modulation(u32),
    NoteOn(i16),
    /// Of a channel, 0 to 15; any other number means every channel.
    NoteOff {
        channel: i16,
        key: i16,
    },
    Choke(i16),
    /// The song's position and tempo.
    Transport,
    /// Anything that the plugin ignores; dropped where a block is reduced.
    Other,
}

/// An event with its place in the block.
#[derive(Debug, Clone, Copy)]
pub(super) struct Placed<E> {
    /// Frame within the block.
    pub time: u32,
    /// Place in the host's order, for events of one frame.
    index: u32,
    pub event: E,
}

/// The last event of its kind.
#[derive(Debug, Clone, Copy)]
struct Last<E> {
    placed: Placed<E>,
    /// It is among the kept events already.
    is_kept: bool,
}

/// Collects a block's events: [`EventReduction::begin`], then [`EventReduction::push`] for each, then
/// [`EventReduction::finish`].
#[derive(Debug)]
pub(super) struct EventReduction<E> {
    /// Ids of the parameters, sorted.
    parameters: Vec<u32>,
    kept: Vec<Placed<E>>,
    last: Vec<Option<Last<E>>>,
    /// How many of the first notes, and of the first parameter changes, stay where a block is reduced.
    max_first: usize,
    first_notes: usize,
    first_changes: usize,
    pushed: u32,
    reduces: bool,
}

impl<E: Copy> EventReduction<E> {
    /// For a plugin with parameters of these ids; allocates.
    ///
    /// # Panics
    /// When there are more parameters than fit beside the keys (822).
    pub fn new(mut parameters: Vec<u32>) -> Self {
        parameters.sort_unstable();
        let keys = (KEY_KINDS + CHANNELS_AND_ALL) * KEYS_AND_ALL;
        let kinds = PARAMETER_KINDS * parameters.len() + keys + 1;
        assert!(kinds <= MAX_EVENTS, "too many parameters: {}", parameters.len());
        Self {
            parameters,
            kept: Vec::with_capacity(MAX_EVENTS),
            last: vec![None; kinds],
            max_first: (MAX_EVENTS - kinds) / 2,
            first_notes: 0,
            first_changes: 0,
            pushed: 0,
            reduces: false,
        }
    }

    /// Forgets the last block; `count` events follow.
    pub fn begin(&mut self, count: usize) {
        self.kept.clear();
        if self.reduces {
            self.last.fill(None);
        }
        (self.first_notes, self.first_changes, self.pushed) = (0, 0, 0);
        self.reduces = count > MAX_EVENTS;
    }

    /// Takes the next event in the host's order; `time` lies within the block.
    pub fn push(&mut self, time: u32, kind: EventKind, event: E) {
        let placed = Placed { time, index: self.pushed, event };
        self.pushed = self.pushed.saturating_add(1);
        if !self.reduces {
            // a host that announced fewer events than it brings loses what is beyond
            if self.kept.len() < MAX_EVENTS {
                self.kept.push(placed);
            }
            return;
        }
        let Some(place) = self.place_of(kind) else { return };
        let first = match kind {
            EventKind::NoteOn(_) | EventKind::NoteOff { .. } | EventKind::Choke(_) => &mut self.first_notes,
            _ => &mut self.first_changes,
        };
        let is_kept = *first < self.max_first;
        if is_kept {
            *first += 1;
            self.kept.push(placed);
        }
        let last = &mut self.last[place];
        if last.is_none_or(|l| (l.placed.time, l.placed.index) < (placed.time, placed.index)) {
            *last = Some(Last { placed, is_kept });
        }
    }

    /// Place of the last event of this kind; `None` for what need not be kept.
    fn place_of(&self, kind: EventKind) -> Option<usize> {
        let parameter = |id: u32, kind| {
            self.parameters.binary_search(&id).ok().map(|index| PARAMETER_KINDS * index + kind)
        };
        let keys = PARAMETER_KINDS * self.parameters.len();
        let within = |number: i16, count: usize| {
            usize::try_from(number).map_or(count - 1, |number| number.min(count - 1))
        };
        let of_key =
            |key: i16, kind| Some(keys + (KEY_KINDS + CHANNELS_AND_ALL) * within(key, KEYS_AND_ALL) + kind);
        match kind {
            EventKind::Value(id) => parameter(id, 0),
            EventKind::Modulation(id) => parameter(id, 1),
            EventKind::NoteOn(key) => of_key(key, 0),
            EventKind::Choke(key) => of_key(key, 1),
            EventKind::NoteOff { channel, key } => of_key(key, KEY_KINDS + within(channel, CHANNELS_AND_ALL)),
            EventKind::Transport => Some(self.last.len() - 1),
            EventKind::Other => None,
        }
    }

    /// The block's events in order, at most [`MAX_EVENTS`].
    pub fn finish(&mut self) -> &mut [Placed<E>] {
        if self.reduces {
            let missing = self.last.iter().flatten().filter(|last| !last.is_kept);
            self.kept.extend(missing.map(|last| last.placed));
        }
        // the index keeps events of one frame in the host's order; a stable sort would allocate
        self.kept.sort_unstable_by_key(|placed| (placed.time, placed.index));
        &mut self.kept
    }

    /// The events that [`EventReduction::finish`] gave.
    pub fn events(&self) -> &[Placed<E>] {
        &self.kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use EventKind::{Choke, NoteOff, NoteOn, Other, Value};

    /// Numbers of the events that are left of a block, each pushed at the frame of its number.
    fn reduced(kinds: &[EventKind]) -> Vec<usize> {
        let mut reduction = EventReduction::new((0..400).collect());
        let capacity = reduction.kept.capacity();
        // the second block must not know the first
        for _ in 0..2 {
            reduction.begin(kinds.len());
            for (number, kind) in kinds.iter().enumerate() {
                reduction.push(number as u32, *kind, number);
            }
            reduction.finish();
        }
        assert!(reduction.events().len() <= MAX_EVENTS);
        assert_eq!(reduction.kept.capacity(), capacity, "it allocated");
        reduction.events().iter().map(|placed| placed.event).collect()
    }

    #[test]
    fn a_block_that_fits_stays_as_it_is() {
        let kinds: Vec<_> = (0..MAX_EVENTS as u32).map(|i| [Value(i), Other][i as usize % 2]).collect();
        assert_eq!(reduced(&kinds), (0..MAX_EVENTS).collect::<Vec<_>>());
    }

    #[test]
    fn every_parameter_ends_at_its_last_value_whatever_comes_before() {
        let kinds: Vec<_> = (0..100_000).map(|i| Value(i % 400)).collect();
        let left = reduced(&kinds);
        assert!(left.windows(2).all(|w| w[0] < w[1]), "in order");
        assert_eq!(left[left.len() - 400..], (99_600..100_000).collect::<Vec<_>>());
    }

    #[test]
    fn a_flood_of_values_drops_no_note_and_a_flood_of_notes_no_value() {
        let mut kinds = vec![Value(7); 50_000];
        kinds.extend([NoteOn(36), NoteOff { channel: 0, key: 36 }, NoteOn(38)]);
        assert_eq!(reduced(&kinds)[reduced(&kinds).len() - 4..], [49_999, 50_000, 50_001, 50_002]);
        let mut kinds = vec![NoteOn(36); 50_000];
        kinds.extend([Value(7), Value(8), Value(7)]);
        assert_eq!(reduced(&kinds)[reduced(&kinds).len() - 4..], [49_999, 50_000, 50_001, 50_002]);
    }

    #[test]
    fn the_last_note_on_note_off_and_choke_of_every_key_survive() {
        let mut kinds: Vec<_> = (0..50_000).map(|i: i32| NoteOn((i % 128) as i16)).collect();
        kinds.extend((0..128).map(|key| NoteOff { channel: 2, key }));
        kinds.extend((0..128).map(Choke));
        // every key at once
        kinds.push(NoteOff { channel: -1, key: -1 });
        let left = reduced(&kinds);
        let expected: Vec<_> = (50_000 - 128..kinds.len()).collect();
        assert_eq!(left[left.len() - expected.len()..], expected);
    }

    #[test]
    fn the_latest_frame_counts_where_a_host_mixes_the_order() {
        let mut reduction = EventReduction::new(vec![5]);
        reduction.begin(10_000);
        for number in 0..10_000_u32 {
            reduction.push(10_000 - number, Value(5), number);
        }
        assert_eq!(reduction.finish().last().map(|placed| placed.event), Some(0));
    }

    #[test]
    fn unknown_parameters_and_ignored_events_are_dropped() {
        let mut kinds = vec![Value(4711); 5000];
        kinds.extend([Other; 5000]);
        kinds.push(Value(1));
        assert_eq!(reduced(&kinds), [10_000]);
    }
}
