//! A VST3 host's events, no more than the framework takes.
//!
//! A block that fits is passed on as the host gives it. Of a larger one the framework gets the lists here,
//! which hold what [`EventReduction`] leaves. They are objects of VST3, made once.

use super::event_reduction::{EventKind, EventReduction, MAX_EVENTS};
use nice_plug::wrapper::vst3::vst3::{
    Class, ComPtr, ComRef, ComWrapper,
    Steinberg::{
        Vst::{
            Event, Event_::EventTypes_, IEventList, IEventListTrait, IParamValueQueue, IParamValueQueueTrait,
            IParameterChanges, IParameterChangesTrait, ParamID, ParamValue, ProcessData,
        },
        int32, kResultFalse, kResultOk, tresult,
    },
};
use std::{
    cell::{Cell, RefCell},
    rc::Rc,
};

/// One change of a parameter.
#[derive(Debug, Clone, Copy)]
struct Point {
    id: ParamID,
    offset: int32,
    value: ParamValue,
}

#[derive(Clone, Copy)]
enum HostEvent {
    Change(Point),
    Note(Event),
}

/// The lists of reduced blocks. All memory is taken once.
pub(super) struct ReducedEvents {
    reduction: EventReduction<HostEvent>,
    points: Rc<Points>,
    changes: ComPtr<IParameterChanges>,
    notes: Rc<RefCell<Vec<Event>>>,
    list: ComPtr<IEventList>,
}

impl ReducedEvents {
    /// For the parameters of these ids, as the host knows them; allocates. `None` only when the objects lack
    /// an interface, which their declarations rule out.
    pub fn new(parameters: Vec<ParamID>) -> Option<Self> {
        let points =
            Rc::new(Points { all: RefCell::new(Vec::with_capacity(MAX_EVENTS)), current: Cell::new(0) });
        let queue = ComWrapper::new(ReducedQueue(points.clone())).to_com_ptr()?;
        let changes = ComWrapper::new(ReducedChanges { points: points.clone(), queue }).to_com_ptr()?;
        let notes = Rc::new(RefCell::new(Vec::with_capacity(MAX_EVENTS)));
        let list = ComWrapper::new(NoteList(notes.clone())).to_com_ptr()?;
        Some(Self { reduction: EventReduction::new(parameters), points, changes, notes, list })
    }

    /// Puts the lists here in place of the host's in `call` when those hold too much. They are valid until
    /// the next call.
    ///
    /// # Safety
    /// The lists of `call` are null or the host's.
    pub unsafe fn reduce(&mut self, call: &mut ProcessData) {
        // SAFETY: by this function's contract.
        let (changes, events) =
            unsafe { (ComRef::from_raw(call.inputParameterChanges), ComRef::from_raw(call.inputEvents)) };
        // SAFETY: the host's object.
        let queues = changes.map_or(0, |changes| unsafe { changes.getParameterCount() }).max(0);
        let queue =
            // SAFETY: the host's object, and null or an object of the host's in return.
            |index| unsafe { changes.and_then(|changes| ComRef::from_raw(changes.getParameterData(index))) };
        // SAFETY: the host's object.
        let length = |queue: ComRef<'_, IParamValueQueue>| unsafe { queue.getPointCount() }.max(0);
        // SAFETY: the host's object.
        let notes = events.map_or(0, |events| unsafe { events.getEventCount() }).max(0);
        let points: usize = (0..queues).filter_map(queue).map(|queue| length(queue) as usize).sum();
        if points + notes as usize <= MAX_EVENTS {
            return;
        }
        self.reduction.begin(points + notes as usize);
        for queue in (0..queues).filter_map(queue) {
            // SAFETY: the host's object.
            let id = unsafe { queue.getParameterId() };
            for index in 0..length(queue) {
                let (mut offset, mut value) = (0, 0.0);
                // SAFETY: as above.
                if unsafe { queue.getPoint(index, &mut offset, &mut value) } == kResultOk {
                    let change = HostEvent::Change(Point { id, offset, value });
                    self.reduction.push(time(offset), EventKind::Value(id), change);
                }
            }
        }
        for index in 0..notes {
            // SAFETY: a structure of numbers and pointers.
            let mut event: Event = unsafe { std::mem::zeroed() };
            // SAFETY: as above.
            if events.is_some_and(|events| unsafe { events.getEvent(index, &mut event) } == kResultOk) {
                self.reduction.push(time(event.sampleOffset), kind_of(&event), HostEvent::Note(event));
            }
        }
        self.fill_lists();
        call.inputParameterChanges = self.changes.as_ptr();
        call.inputEvents = self.list.as_ptr();
    }

    fn fill_lists(&mut self) {
        let (mut points, mut notes) = (self.points.all.borrow_mut(), self.notes.borrow_mut());
        points.clear();
        notes.clear();
        for placed in self.reduction.finish() {
            match placed.event {
                HostEvent::Change(point) => points.push(point),
                HostEvent::Note(event) => notes.push(event),
            }
        }
    }
}

/// The frame of an event; the framework takes negative ones for late ones, too.
fn time(offset: int32) -> u32 {
    offset as u32
}

fn kind_of(event: &Event) -> EventKind {
    // SAFETY: the union's field is the one that the type names.
    unsafe {
        if event.r#type == EventTypes_::kNoteOnEvent as u16 {
            let note = event.__field0.noteOn;
            // a velocity of 0 is a note-off, as in MIDI 1.0
            if note.velocity > 0.0 {
                EventKind::NoteOn(note.pitch)
            } else {
                EventKind::NoteOff { channel: note.channel, key: note.pitch }
            }
        } else if event.r#type == EventTypes_::kNoteOffEvent as u16 {
            let note = event.__field0.noteOff;
            EventKind::NoteOff { channel: note.channel, key: note.pitch }
        } else {
            EventKind::Other
        }
    }
}

/// The reduced parameter changes, and the index of the one that the queue shows.
struct Points {
    all: RefCell<Vec<Point>>,
    current: Cell<usize>,
}

/// A queue for each change. There is one object for all queues: it shows the change that was asked for last,
/// which the framework has read before it asks for the next.
struct ReducedChanges {
    points: Rc<Points>,
    queue: ComPtr<IParamValueQueue>,
}

impl Class for ReducedChanges {
    type Interfaces = (IParameterChanges,);
}

impl IParameterChangesTrait for ReducedChanges {
    unsafe fn getParameterCount(&self) -> int32 {
        self.points.all.borrow().len() as int32
    }

    unsafe fn getParameterData(&self, index: int32) -> *mut IParamValueQueue {
        self.points.current.set(index.max(0) as usize);
        self.queue.as_ptr()
    }

    unsafe fn addParameterData(&self, _: *const ParamID, _: *mut int32) -> *mut IParamValueQueue {
        std::ptr::null_mut()
    }
}

struct ReducedQueue(Rc<Points>);

impl ReducedQueue {
    fn point(&self) -> Option<Point> {
        self.0.all.borrow().get(self.0.current.get()).copied()
    }
}

impl Class for ReducedQueue {
    type Interfaces = (IParamValueQueue,);
}

impl IParamValueQueueTrait for ReducedQueue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.point().map_or(ParamID::MAX, |point| point.id)
    }

    unsafe fn getPointCount(&self) -> int32 {
        int32::from(self.point().is_some())
    }

    unsafe fn getPoint(&self, index: int32, offset: *mut int32, value: *mut ParamValue) -> tresult {
        let Some(point) = self.point().filter(|_| index == 0) else { return kResultFalse };
        // SAFETY: the framework's own variables.
        unsafe { (*offset, *value) = (point.offset, point.value) };
        kResultOk
    }

    unsafe fn addPoint(&self, _: int32, _: ParamValue, _: *mut int32) -> tresult {
        kResultFalse
    }
}

struct NoteList(Rc<RefCell<Vec<Event>>>);

impl Class for NoteList {
    type Interfaces = (IEventList,);
}

impl IEventListTrait for NoteList {
    unsafe fn getEventCount(&self) -> int32 {
        self.0.borrow().len() as int32
    }

    unsafe fn getEvent(&self, index: int32, event: *mut Event) -> tresult {
        let Some(own) = self.0.borrow().get(index.max(0) as usize).copied() else { return kResultFalse };
        // SAFETY: the framework's own structure.
        unsafe { *event = own };
        kResultOk
    }

    unsafe fn addEvent(&self, _: *mut Event) -> tresult {
        kResultFalse
    }
}

impl ReducedEvents {
    /// Numbers of reduced parameter changes and notes, for tests.
    #[cfg(test)]
    pub fn lengths(&self) -> (usize, usize) {
        (self.points.all.borrow().len(), self.notes.borrow().len())
    }
}
