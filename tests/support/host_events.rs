//! Events of the test host: as tests write them, and as CLAP has them.

use clap_sys::events::*;

/// An event at a frame counted from the start of the run.
#[derive(Clone, Copy, Debug)]
pub enum Ev {
    On {
        at: u64,
        key: u8,
        velocity: f64,
    },
    Off {
        at: u64,
        key: u8,
    },
    /// A key of a channel (from 0) pressed, or released where the velocity is 0.
    Channel {
        at: u64,
        channel: i16,
        key: u8,
        velocity: f64,
    },
    Param {
        at: u64,
        id: u32,
        value: f64,
    },
}
impl Ev {
    pub fn at(&self) -> u64 {
        match *self {
            Ev::On { at, .. } | Ev::Off { at, .. } | Ev::Channel { at, .. } | Ev::Param { at, .. } => at,
        }
    }
}

/// A note-on at frame `at` and its note-off 500 frames later.
pub fn note(at: u64, key: u8, velocity: f64) -> [Ev; 2] {
    [Ev::On { at, key, velocity }, Ev::Off { at: at + 500, key }]
}

/// An event as CLAP has it.
pub(super) enum RawEvent {
    Note(clap_event_note),
    Param(clap_event_param_value),
}

/// A host's list of events.
pub(super) struct RawEvents(pub Vec<RawEvent>);

impl RawEvents {
    /// The events within `at..at + frames`, at their frames of the block.
    pub fn new(events: &[Ev], at: u64, frames: u64, backwards: bool) -> Self {
        let mut within: Vec<_> = events.iter().filter(|e| (at..at + frames).contains(&e.at())).collect();
        within.sort_by_key(|e| e.at());
        if backwards {
            within.reverse();
        }
        Self(within.into_iter().map(|e| raw(e, (e.at() - at) as u32)).collect())
    }
}

pub(super) fn raw(event: &Ev, time: u32) -> RawEvent {
    let header = |size: usize, type_| clap_event_header {
        size: size as u32,
        time,
        space_id: CLAP_CORE_EVENT_SPACE_ID,
        type_,
        flags: 0,
    };
    let note = |type_, channel: i16, key: u8, velocity| {
        RawEvent::Note(clap_event_note {
            header: header(size_of::<clap_event_note>(), type_),
            note_id: -1,
            port_index: 0,
            channel,
            key: i16::from(key),
            velocity,
        })
    };
    match *event {
        Ev::On { key, velocity, .. } => note(CLAP_EVENT_NOTE_ON, 0, key, velocity),
        Ev::Off { key, .. } => note(CLAP_EVENT_NOTE_OFF, 0, key, 0.0),
        Ev::Channel { channel, key, velocity, .. } => {
            let type_ = if velocity > 0.0 { CLAP_EVENT_NOTE_ON } else { CLAP_EVENT_NOTE_OFF };
            note(type_, channel, key, velocity)
        }
        Ev::Param { id, value, .. } => RawEvent::Param(clap_event_param_value {
            header: header(size_of::<clap_event_param_value>(), CLAP_EVENT_PARAM_VALUE),
            param_id: id,
            cookie: std::ptr::null_mut(),
            note_id: -1,
            port_index: -1,
            channel: -1,
            key: -1,
            value,
        }),
    }
}

pub(super) unsafe extern "C" fn event_count(list: *const clap_input_events) -> u32 {
    // SAFETY: the list that `call` made.
    unsafe { &*(*list).ctx.cast::<RawEvents>() }.0.len() as u32
}
pub(super) unsafe extern "C" fn event_get(
    list: *const clap_input_events,
    index: u32,
) -> *const clap_event_header {
    // SAFETY: the list that `call` made.
    let events = unsafe { &*(*list).ctx.cast::<RawEvents>() };
    match &events.0[index as usize] {
        RawEvent::Note(e) => &e.header,
        RawEvent::Param(e) => &e.header,
    }
}
pub(super) unsafe extern "C" fn event_push(
    _: *const clap_output_events,
    _: *const clap_event_header,
) -> bool {
    true
}
