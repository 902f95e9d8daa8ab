//! A CLAP host's events in order, within the block, and no more than the framework takes.
//!
//! The framework counts on events that come in the order of their frames and lie within the block: an
//! earlier one after a later one underflows its arithmetic. Hosts do not always keep to that.

use super::event_reduction::{EventKind, EventReduction, MAX_EVENTS};
use clap_sys::events::{
    CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_MIDI, CLAP_EVENT_NOTE_CHOKE, CLAP_EVENT_NOTE_OFF,
    CLAP_EVENT_NOTE_ON, CLAP_EVENT_PARAM_MOD, CLAP_EVENT_PARAM_VALUE, CLAP_EVENT_TRANSPORT,
    clap_event_header, clap_event_midi, clap_event_note, clap_event_param_mod, clap_event_param_value,
    clap_input_events,
};

/// Size of a copied event, bytes: every event of CLAP 1.2 fits (the transport, the largest, has 104).
const COPY_BYTES: usize = 128;

/// Keeps a block's events sorted. All memory is taken once.
#[derive(Debug)]
pub(super) struct SortedEvents {
    events: EventReduction<*const clap_event_header>,
    /// Events outside the block are copied here and moved to its edge.
    moved: Vec<MovedEvent>,
    list: clap_input_events,
}

#[derive(Debug, Clone)]
#[repr(C, align(8))]
struct MovedEvent([u8; COPY_BYTES]);

// SAFETY: the pointers are only used during one process call.
unsafe impl Send for SortedEvents {}

impl SortedEvents {
    /// An empty list, with all the memory it will need; `parameters` are their ids as the host knows them.
    pub fn new(parameters: Vec<u32>) -> Self {
        Self {
            events: EventReduction::new(parameters),
            moved: Vec::with_capacity(MAX_EVENTS),
            list: clap_input_events { ctx: std::ptr::null_mut(), size: Some(size), get: Some(get) },
        }
    }

    /// The host's events as a list in order, for a block of `frames` (at least 1): all of them, or what
    /// [`EventReduction`] leaves. The list lives in `self`, which must stay where it is until it has been
    /// read.
    ///
    /// # Safety
    /// `host` is null or a valid list of events.
    pub unsafe fn sort(&mut self, host: *const clap_input_events, frames: u32) -> *const clap_input_events {
        self.events.begin(0);
        self.moved.clear();
        // SAFETY: by this function's contract.
        if let Some(host) = unsafe { host.as_ref() }
            && let (Some(size), Some(get)) = (host.size, host.get)
        {
            // SAFETY: as above.
            let count = unsafe { size(host) };
            self.events.begin(count as usize);
            for index in 0..count {
                // SAFETY: as above, and `index` lies within.
                let event = unsafe { get(host, index) };
                if !event.is_null() {
                    // SAFETY: a valid event.
                    unsafe { self.take(event, frames) };
                }
            }
        }
        for placed in self.events.finish() {
            // SAFETY: a valid event, as taken above; `take` lets only those pass that can be moved.
            placed.event = unsafe { at_time(placed.event, placed.time, &mut self.moved) };
        }
        self.list.ctx = (self as *mut Self).cast();
        &self.list
    }

    /// # Safety
    /// `event` is a valid event.
    unsafe fn take(&mut self, event: *const clap_event_header, frames: u32) {
        // SAFETY: by this function's contract.
        let header = unsafe { *event };
        let length = header.size as usize;
        let time = header.time.min(frames - 1);
        let movable = length <= COPY_BYTES;
        if length >= size_of::<clap_event_header>() && (time == header.time || movable) {
            // SAFETY: by this function's contract.
            self.events.push(time, unsafe { kind_of(event) }, event);
        }
    }
}

/// The event itself when it is at `time`, else a copy that is.
///
/// # Safety
/// `event` is valid, at most [`COPY_BYTES`] long when it is not at `time`.
unsafe fn at_time(
    event: *const clap_event_header,
    time: u32,
    moved: &mut Vec<MovedEvent>,
) -> *const clap_event_header {
    // SAFETY: by this function's contract.
    let header = unsafe { *event };
    if header.time == time || moved.len() == moved.capacity() {
        return event;
    }
    let mut copy = MovedEvent([0; COPY_BYTES]);
    // SAFETY: the event is as long as its header says; the copy is at least as long.
    unsafe {
        std::ptr::copy_nonoverlapping(event.cast::<u8>(), copy.0.as_mut_ptr(), header.size as usize);
    }
    moved.push(copy);
    // never grown beyond its capacity, so this address stays
    let copy = moved.last_mut().map_or(std::ptr::null_mut(), |copy| copy.0.as_mut_ptr());
    let copy = copy.cast::<clap_event_header>();
    // SAFETY: the copy begins with the header and is aligned for it.
    unsafe { (*copy).time = time };
    copy
}

/// # Safety
/// `event` is a valid event.
unsafe fn kind_of(event: *const clap_event_header) -> EventKind {
    // SAFETY: by this function's contract.
    let header = unsafe { *event };
    let holds = |bytes: usize| header.space_id == CLAP_CORE_EVENT_SPACE_ID && header.size as usize >= bytes;
    // SAFETY: each structure is read only where the event is long enough and of its type.
    unsafe {
        match header.type_ {
            CLAP_EVENT_PARAM_VALUE if holds(size_of::<clap_event_param_value>()) => {
                EventKind::Value((*event.cast::<clap_event_param_value>()).param_id)
            }
            CLAP_EVENT_PARAM_MOD if holds(size_of::<clap_event_param_mod>()) => {
                EventKind::Modulation((*event.cast::<clap_event_param_mod>()).param_id)
            }
            CLAP_EVENT_NOTE_ON | CLAP_EVENT_NOTE_OFF | CLAP_EVENT_NOTE_CHOKE
                if holds(size_of::<clap_event_note>()) =>
            {
                let note = &*event.cast::<clap_event_note>();
                match header.type_ {
                    CLAP_EVENT_NOTE_CHOKE => EventKind::Choke(note.key),
                    // a velocity of 0 is a note-off, as in MIDI 1.0
                    CLAP_EVENT_NOTE_ON if note.velocity > 0.0 => EventKind::NoteOn(note.key),
                    _ => EventKind::NoteOff { channel: note.channel, key: note.key },
                }
            }
            CLAP_EVENT_MIDI if holds(size_of::<clap_event_midi>()) => {
                midi_kind((*event.cast::<clap_event_midi>()).data)
            }
            CLAP_EVENT_TRANSPORT if holds(0) => EventKind::Transport,
            _ => EventKind::Other,
        }
    }
}

/// MIDI 1.0, channel voice messages: 8n key velocity is a note-off, 9n key velocity a note-on, or a note-off
/// where the velocity is 0.
fn midi_kind([status, key, velocity]: [u8; 3]) -> EventKind {
    let key = i16::from(key);
    match status & 0xf0 {
        0x90 if velocity > 0 => EventKind::NoteOn(key),
        0x80 | 0x90 => EventKind::NoteOff { channel: i16::from(status & 0x0f), key },
        _ => EventKind::Other,
    }
}

unsafe extern "C" fn size(list: *const clap_input_events) -> u32 {
    // SAFETY: `list` was made by `SortedEvents::sort`, whose `self` is still in its place.
    unsafe { sorted(list) }.events.events().len() as u32
}

unsafe extern "C" fn get(list: *const clap_input_events, index: u32) -> *const clap_event_header {
    // SAFETY: as in `size`.
    let events = unsafe { sorted(list) }.events.events();
    events.get(index as usize).map_or(std::ptr::null(), |placed| placed.event)
}

/// # Safety
/// `list` was made by [`SortedEvents::sort`].
unsafe fn sorted<'a>(list: *const clap_input_events) -> &'a SortedEvents {
    // SAFETY: by this function's contract.
    unsafe { &*(*list).ctx.cast_const().cast::<SortedEvents>() }
}

#[cfg(test)]
mod tests {
    use super::*;

    unsafe extern "C" fn host_size(list: *const clap_input_events) -> u32 {
        // SAFETY: the test's own list.
        unsafe { &*(*list).ctx.cast::<Vec<clap_event_note>>() }.len() as u32
    }
    unsafe extern "C" fn host_get(list: *const clap_input_events, i: u32) -> *const clap_event_header {
        // SAFETY: the test's own list.
        let events = unsafe { &*(*list).ctx.cast::<Vec<clap_event_note>>() };
        &events[i as usize].header
    }

    fn note(type_: u16, time: u32, key: i16) -> clap_event_note {
        clap_event_note {
            header: clap_event_header {
                size: size_of::<clap_event_note>() as u32,
                time,
                space_id: CLAP_CORE_EVENT_SPACE_ID,
                type_,
                flags: 0,
            },
            note_id: -1,
            port_index: 0,
            channel: 0,
            key,
            velocity: 1.0,
        }
    }

    /// Frame, type and key of each event of a block of 64 frames as the framework gets them.
    fn passed_on(mut notes: Vec<clap_event_note>) -> Vec<(u32, u16, i16)> {
        let host =
            clap_input_events { ctx: (&raw mut notes).cast(), size: Some(host_size), get: Some(host_get) };
        let mut sorted = SortedEvents::new(Vec::new());
        // SAFETY: valid lists and events throughout.
        unsafe {
            let list = sorted.sort(&host, 64);
            let count = (*list).size.unwrap()(list);
            let at = |i| &*(*list).get.unwrap()(list, i).cast::<clap_event_note>();
            (0..count).map(|i| (at(i).header.time, at(i).header.type_, at(i).key)).collect()
        }
    }

    #[test]
    fn events_come_out_in_order_and_within_the_block() {
        let on = |time, key| note(CLAP_EVENT_NOTE_ON, time, key);
        let read = passed_on(vec![on(30, 1), on(5, 2), on(900, 3), on(5, 4), on(0, 5)]);
        let read: Vec<_> = read.into_iter().map(|(time, _, key)| (time, key)).collect();
        assert_eq!(read, [(0, 5), (5, 2), (5, 4), (30, 1), (63, 3)]);
    }

    #[test]
    fn reduced_blocks_keep_every_last_note_off_within_max_events() {
        // all of them beyond the block's end as well
        let mut notes: Vec<_> = (0..20_000).map(|i| note(CLAP_EVENT_NOTE_ON, 900, i % 128)).collect();
        notes.extend((0..128).map(|key| note(CLAP_EVENT_NOTE_OFF, 900, key)));
        let read = passed_on(notes);
        assert!(read.len() <= MAX_EVENTS, "{}", read.len());
        let offs: Vec<_> = (0..128).map(|key| (63, CLAP_EVENT_NOTE_OFF, key)).collect();
        assert_eq!(read[read.len() - 128..], offs);
    }

    #[test]
    fn midi_messages_are_classified_by_status_and_velocity() {
        assert_eq!(midi_kind([0x93, 36, 1]), EventKind::NoteOn(36));
        assert_eq!(midi_kind([0x93, 36, 0]), EventKind::NoteOff { channel: 3, key: 36 });
        assert_eq!(midi_kind([0x8f, 127, 64]), EventKind::NoteOff { channel: 15, key: 127 });
        assert_eq!(midi_kind([0xb0, 1, 64]), EventKind::Other);
    }
}
