//! A host's events in order and within the block.
//!
//! The framework counts on events that come in the order of their frames and lie within the block: an
//! earlier one after a later one underflows its arithmetic. Hosts do not always keep to that.

use clap_sys::events::{clap_event_header, clap_input_events};
use std::ffi::c_void;

/// Most events of a block that are put in order; what goes beyond is left out.
const MOST: usize = 8192;
/// Most events of a block that lie outside of it and are moved to its edge.
const MOST_MOVED: usize = 256;
/// Size of a copy, bytes: every event of CLAP 1.2 fits (the transport, the largest, has 104).
const COPY: usize = 128;

/// Keeps a block's events sorted. All memory is taken once.
#[derive(Debug)]
pub(super) struct SortedEvents {
    events: Vec<(u32, u32, *const clap_event_header)>,
    moved: Vec<Copy>,
    list: clap_input_events,
}

#[derive(Debug, Clone)]
#[repr(C, align(8))]
struct Copy([u8; COPY]);

// SAFETY: the pointers are only used during one process call.
unsafe impl Send for SortedEvents {}

impl SortedEvents {
    /// An empty list, with all the memory it will need.
    pub fn new() -> Self {
        Self {
            events: Vec::with_capacity(MOST),
            moved: Vec::with_capacity(MOST_MOVED),
            list: clap_input_events { ctx: std::ptr::null_mut(), size: Some(size), get: Some(get) },
        }
    }

    /// The host's events as a list in order, for a block of `frames` (at least 1). The list lives in
    /// `self`, which must stay where it is until it has been read.
    ///
    /// # Safety
    /// `host` is null or a valid list of events.
    pub unsafe fn sort(&mut self, host: *const clap_input_events, frames: u32) -> *const clap_input_events {
        self.events.clear();
        self.moved.clear();
        // SAFETY: by this function's contract.
        if let Some(host) = unsafe { host.as_ref() }
            && let (Some(size), Some(get)) = (host.size, host.get)
        {
            // SAFETY: as above.
            let count = unsafe { size(host) };
            for index in 0..count {
                // SAFETY: as above, and `index` lies within.
                let event = unsafe { get(host, index) };
                if !event.is_null() && self.events.len() < MOST {
                    // SAFETY: a valid event.
                    unsafe { self.take(event, index, frames) };
                }
            }
        }
        // the index keeps events of one frame in the host's order; a stable sort would allocate
        self.events.sort_unstable_by_key(|&(time, index, _)| (time, index));
        self.list.ctx = (self as *mut Self).cast();
        &self.list
    }

    /// # Safety
    /// `event` is a valid event.
    unsafe fn take(&mut self, event: *const clap_event_header, index: u32, frames: u32) {
        // SAFETY: by this function's contract.
        let header = unsafe { *event };
        let length = header.size as usize;
        if length < size_of::<clap_event_header>() {
            return;
        }
        let time = header.time.min(frames - 1);
        if time == header.time {
            self.events.push((time, index, event));
        } else if length <= COPY && self.moved.len() < MOST_MOVED {
            let mut copy = Copy([0; COPY]);
            // SAFETY: the event is `length` bytes long, by its header; the copy is longer.
            unsafe {
                std::ptr::copy_nonoverlapping(event.cast::<u8>(), copy.0.as_mut_ptr(), length);
            }
            self.moved.push(copy);
            // never grown beyond its capacity, so this address stays
            let moved = self.moved.last_mut().map_or(std::ptr::null_mut(), |c| c.0.as_mut_ptr());
            let moved = moved.cast::<clap_event_header>();
            // SAFETY: the copy begins with the header and is aligned for it.
            unsafe { (*moved).time = time };
            self.events.push((time, index, moved));
        }
    }
}

unsafe extern "C" fn size(list: *const clap_input_events) -> u32 {
    // SAFETY: `list` was made by `SortedEvents::sort`, whose `self` is still in its place.
    unsafe { of(list) }.events.len() as u32
}

unsafe extern "C" fn get(list: *const clap_input_events, index: u32) -> *const clap_event_header {
    // SAFETY: as in `size`.
    unsafe { of(list) }.events.get(index as usize).map_or(std::ptr::null(), |e| e.2)
}

/// # Safety
/// `list` was made by [`SortedEvents::sort`].
unsafe fn of<'a>(list: *const clap_input_events) -> &'a SortedEvents {
    // SAFETY: by this function's contract.
    unsafe { &*(*list).ctx.cast_const().cast::<c_void>().cast::<SortedEvents>() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap_sys::events::{CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_NOTE_ON, clap_event_note};

    unsafe extern "C" fn host_size(list: *const clap_input_events) -> u32 {
        // SAFETY: the test's own list.
        unsafe { &*(*list).ctx.cast::<Vec<clap_event_note>>() }.len() as u32
    }
    unsafe extern "C" fn host_get(list: *const clap_input_events, i: u32) -> *const clap_event_header {
        // SAFETY: the test's own list.
        let events = unsafe { &*(*list).ctx.cast::<Vec<clap_event_note>>() };
        &events[i as usize].header
    }

    #[test]
    fn events_come_out_in_order_and_within_the_block() {
        let note = |time, key| clap_event_note {
            header: clap_event_header {
                size: size_of::<clap_event_note>() as u32,
                time,
                space_id: CLAP_CORE_EVENT_SPACE_ID,
                type_: CLAP_EVENT_NOTE_ON,
                flags: 0,
            },
            note_id: -1,
            port_index: 0,
            channel: 0,
            key,
            velocity: 1.0,
        };
        let mut notes = vec![note(30, 1), note(5, 2), note(900, 3), note(5, 4), note(0, 5)];
        let host =
            clap_input_events { ctx: (&raw mut notes).cast(), size: Some(host_size), get: Some(host_get) };
        let mut sorted = SortedEvents::new();
        // SAFETY: valid lists and events throughout.
        let read: Vec<_> = unsafe {
            let list = sorted.sort(&host, 64);
            let count = (*list).size.unwrap()(list);
            let at = |i| &*(*list).get.unwrap()(list, i).cast::<clap_event_note>();
            (0..count).map(|i| (at(i).header.time, at(i).key)).collect()
        };
        assert_eq!(read, [(0, 5), (5, 2), (5, 4), (30, 1), (63, 3)]);
    }
}
