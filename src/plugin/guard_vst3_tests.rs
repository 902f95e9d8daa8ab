//! The VST3 guard within this process.

use super::{
    super::{event_reduction::MAX_EVENTS, job_tests::are_destroyed_while_they_work},
    *,
};
use kitwright_core::kit::Kit;
use std::sync::{Arc, atomic::AtomicI32};
use vst3::{ComPtr, ComWrapper, Steinberg::Vst::Event_::EventTypes_};

#[path = "life_vst3_tests.rs"]
mod life_tests;
#[cfg(target_os = "linux")]
#[path = "window_vst3_tests.rs"]
mod window_tests;

/// What the plugin has called at the host.
#[derive(Default)]
struct HostCallbacks {
    dirty: AtomicU32,
    points: Mutex<Vec<(ParamID, f64)>>,
    edits: AtomicI32,
}

struct Handler(Arc<HostCallbacks>);
impl Class for Handler {
    type Interfaces = (IComponentHandler, IComponentHandler2);
}
impl IComponentHandlerTrait for Handler {
    unsafe fn beginEdit(&self, _: ParamID) -> tresult {
        self.0.edits.fetch_add(1, Ordering::SeqCst);
        kResultOk
    }
    unsafe fn performEdit(&self, _: ParamID, _: ParamValue) -> tresult {
        kResultOk
    }
    unsafe fn endEdit(&self, _: ParamID) -> tresult {
        kResultOk
    }
    unsafe fn restartComponent(&self, _: int32) -> tresult {
        kResultOk
    }
}
impl IComponentHandler2Trait for Handler {
    unsafe fn setDirty(&self, state: TBool) -> tresult {
        assert_eq!(state, 1);
        self.0.dirty.fetch_add(1, Ordering::SeqCst);
        kResultOk
    }
    unsafe fn requestOpenEditor(&self, _: FIDString) -> tresult {
        kResultFalse
    }
    unsafe fn startGroupEdit(&self) -> tresult {
        kResultOk
    }
    unsafe fn finishGroupEdit(&self) -> tresult {
        kResultOk
    }
}

/// The output parameters of a block: each queue is this object again.
struct Changes {
    callbacks: Arc<HostCallbacks>,
    queue: Mutex<Option<vst3::ComPtr<IParamValueQueue>>>,
}
struct Queue(Arc<HostCallbacks>, AtomicU32);
impl Class for Changes {
    type Interfaces = (IParameterChanges,);
}
impl IParameterChangesTrait for Changes {
    unsafe fn getParameterCount(&self) -> int32 {
        0
    }
    unsafe fn getParameterData(&self, _: int32) -> *mut IParamValueQueue {
        std::ptr::null_mut()
    }
    unsafe fn addParameterData(&self, id: *const ParamID, index: *mut int32) -> *mut IParamValueQueue {
        // SAFETY: the plugin's own pointers, which live during this call.
        let id = unsafe {
            *index = 0;
            *id
        };
        let queue = ComWrapper::new(Queue(self.callbacks.clone(), AtomicU32::new(id)));
        let queue = queue.to_com_ptr::<IParamValueQueue>().unwrap();
        let pointer = queue.as_ptr();
        *self.queue.lock().unwrap() = Some(queue);
        pointer
    }
}
impl Class for Queue {
    type Interfaces = (IParamValueQueue,);
}
impl IParamValueQueueTrait for Queue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.1.load(Ordering::SeqCst)
    }
    unsafe fn getPointCount(&self) -> int32 {
        0
    }
    unsafe fn getPoint(&self, _: int32, _: *mut int32, _: *mut ParamValue) -> tresult {
        kResultFalse
    }
    unsafe fn addPoint(&self, _: int32, value: ParamValue, index: *mut int32) -> tresult {
        // SAFETY: the plugin's own pointer.
        unsafe { *index = 0 };
        self.0.points.lock().unwrap().push((self.1.load(Ordering::SeqCst), value));
        kResultOk
    }
}

/// A call without audio, as hosts make it to flush parameters.
fn flush(guard: &GuardVst3, changes: *mut IParameterChanges) {
    // SAFETY: null and 0 are values of every field.
    let mut data: ProcessData = unsafe { std::mem::zeroed() };
    data.symbolicSampleSize = SymbolicSampleSizes_::kSample32 as i32;
    data.outputParameterChanges = changes;
    // SAFETY: a whole call.
    unsafe { guard.process(&mut data) };
}

#[test]
fn a_change_of_the_kit_marks_the_project_without_a_window() {
    let callbacks = Arc::new(HostCallbacks::default());
    let handler = ComWrapper::new(Handler(callbacks.clone()));
    let changes = ComWrapper::new(Changes { callbacks: callbacks.clone(), queue: Mutex::new(None) });
    let output = changes.as_com_ref::<IParameterChanges>().unwrap().as_ptr();
    let guard = GuardVst3::new().expect("an instance");
    // SAFETY: the test's own objects, which outlive the guard's use of them.
    unsafe {
        let handler = handler.as_com_ref::<IComponentHandler>().unwrap().as_ptr();
        assert_eq!(guard.setComponentHandler(handler), kResultOk);
    }
    let points = || callbacks.points.lock().unwrap().clone();
    let dirty = || callbacks.dirty.load(Ordering::SeqCst);
    flush(&guard, output);
    assert!(points().is_empty(), "nothing has changed yet");

    guard.link.session.edit("a name", |kit: &mut Kit| kit.doc.name = "Borrowed cello".into());
    flush(&guard, std::ptr::null_mut());
    assert!(points().is_empty(), "a host that takes no output parameters is asked again");
    flush(&guard, output);
    let [(id, value)] = points()[..] else { panic!("{:?}", points()) };
    assert_eq!(dirty(), 0, "the audio thread may not call the host");
    // SAFETY: this is the main thread; the host hands the value to the controller.
    unsafe {
        assert_eq!(guard.setParamNormalized(id, value), kResultOk);
        assert_eq!(dirty(), 1);
        assert_eq!(guard.setParamNormalized(id, value), kResultOk);
        assert_eq!(dirty(), 1, "once for each change");
        assert_eq!(guard.getParamNormalized(id), value, "the controller holds the new value");
        assert_eq!(guard.normalizedParamToPlain(id, value).round(), 1.0, "the next revision");
    }
    flush(&guard, output);
    assert_eq!(points().len(), 1, "reported once");
    guard.link.session.undo();
    flush(&guard, output);
    assert_eq!(points().len(), 2, "undo is a change as well");
    let params = guard.link.params.upgrade().expect("alive");
    guard.link.session.redo();
    params.window_open.store(true, Ordering::Release);
    flush(&guard, output);
    assert_eq!(points().len(), 2, "an open window reports changes itself");
    params.window_open.store(false, Ordering::Release);
    flush(&guard, output);
    assert_eq!(points().len(), 3, "what it did not report before it closed");
    // SAFETY: as above.
    unsafe { guard.setComponentHandler(std::ptr::null_mut()) };
}

/// Changes of one parameter, as one queue.
struct AutomationPoints {
    id: ParamID,
    points: Vec<(int32, f64)>,
}
impl Class for AutomationPoints {
    type Interfaces = (IParamValueQueue,);
}
impl IParamValueQueueTrait for AutomationPoints {
    unsafe fn getParameterId(&self) -> ParamID {
        self.id
    }
    unsafe fn getPointCount(&self) -> int32 {
        self.points.len() as int32
    }
    unsafe fn getPoint(&self, index: int32, offset: *mut int32, value: *mut ParamValue) -> tresult {
        // SAFETY: the plugin's own variables.
        unsafe { (*offset, *value) = self.points[index as usize] };
        kResultOk
    }
    unsafe fn addPoint(&self, _: int32, _: ParamValue, _: *mut int32) -> tresult {
        kResultFalse
    }
}

struct Automations(Vec<ComPtr<IParamValueQueue>>);
impl Class for Automations {
    type Interfaces = (IParameterChanges,);
}
impl IParameterChangesTrait for Automations {
    unsafe fn getParameterCount(&self) -> int32 {
        self.0.len() as int32
    }
    unsafe fn getParameterData(&self, index: int32) -> *mut IParamValueQueue {
        self.0[index as usize].as_ptr()
    }
    unsafe fn addParameterData(&self, _: *const ParamID, _: *mut int32) -> *mut IParamValueQueue {
        std::ptr::null_mut()
    }
}

struct Notes(Vec<Event>);
impl Class for Notes {
    type Interfaces = (IEventList,);
}
impl IEventListTrait for Notes {
    unsafe fn getEventCount(&self) -> int32 {
        self.0.len() as int32
    }
    unsafe fn getEvent(&self, index: int32, event: *mut Event) -> tresult {
        // SAFETY: the plugin's own structure.
        unsafe { *event = self.0[index as usize] };
        kResultOk
    }
    unsafe fn addEvent(&self, _: *mut Event) -> tresult {
        kResultFalse
    }
}

fn note(on: bool, offset: int32, key: int16) -> Event {
    // SAFETY: a structure of numbers, of which 0 is a value.
    let mut event: Event = unsafe { std::mem::zeroed() };
    event.sampleOffset = offset;
    if on {
        event.r#type = EventTypes_::kNoteOnEvent as u16;
        event.__field0.noteOn =
            NoteOnEvent { channel: 0, pitch: key, tuning: 0.0, velocity: 1.0, length: 0, noteId: -1 };
    } else {
        event.r#type = EventTypes_::kNoteOffEvent as u16;
        event.__field0.noteOff =
            NoteOffEvent { channel: 0, pitch: key, velocity: 0.0, noteId: -1, tuning: 0.0 };
    }
    event
}

fn setup(rate: f64) -> ProcessSetup {
    ProcessSetup {
        processMode: 0,
        symbolicSampleSize: SymbolicSampleSizes_::kSample32 as i32,
        maxSamplesPerBlock: 512,
        sampleRate: rate,
    }
}

/// One block of 512 frames with these lists; the main output's left channel.
fn block(guard: &GuardVst3, changes: *mut IParameterChanges, notes: *mut IEventList) -> Vec<f32> {
    let mut channels = [vec![9.0_f32; 512], vec![9.0; 512]];
    let mut pointers = channels.each_mut().map(|channel| channel.as_mut_ptr());
    let mut bus = empty_bus();
    bus.__field0.channelBuffers32 = pointers.as_mut_ptr();
    // SAFETY: null and 0 are values of every field.
    let mut data: ProcessData = unsafe { std::mem::zeroed() };
    data.symbolicSampleSize = SymbolicSampleSizes_::kSample32 as i32;
    data.numSamples = 512;
    data.numOutputs = 1;
    data.outputs = &mut bus;
    data.inputParameterChanges = changes;
    data.inputEvents = notes;
    // SAFETY: a whole call.
    assert_eq!(unsafe { guard.process(&mut data) }, kResultOk);
    std::mem::take(&mut channels[0])
}

#[test]
fn a_flood_of_events_keeps_the_last_values_and_every_note_off_within_the_framework_s_capacity() {
    let guard = GuardVst3::new().expect("an instance");
    let samples = vec![0.5_f32; 48_000];
    let take = kitwright_core::take::Take::from_samples("steady", 48_000, vec![samples]);
    guard.link.session.edit("a kit", |kit: &mut Kit| {
        kit.doc.takes.push(kitwright_core::kit::TakeEntry::new(&take, Vec::new()));
        let slice = kitwright_core::kit::Slice {
            take: 0,
            start: 0,
            end: 48_000,
            gain_db: 0.0,
            velocities: [0.0, 1.0],
        };
        kit.doc.pads[0].slices = vec![slice];
        kit.doc.pads[0].settings.held = true;
        let layer = &mut kit.doc.pads[0].layers[0].settings;
        (layer.loop_on, layer.sustain, layer.release_ms) = (true, 1.0, 10.0);
        kit.takes.push(Arc::new(take));
    });
    // SAFETY: in the order that VST3 demands.
    unsafe {
        assert_eq!(guard.setupProcessing(&mut setup(48_000.0)), kResultOk);
        assert_eq!(guard.setActive(1), kResultOk);
    }
    let id_of = |name: &str| {
        let named = |info: &ParameterInfo| {
            let title = info.title.iter().copied().take_while(|&unit| unit != 0);
            title.eq(name.encode_utf16())
        };
        parameters(&guard.inner).find(named).expect(name).id
    };
    // steps that differ until the last: 9,000 changes of one parameter
    let points = |last: f64| (0..9000).map(|i| (i * 512 / 9000, last * f64::from(i) / 8999.0)).collect();
    let automations = [("Pad 3 Level", 1.0), ("Pad 4 Level", 0.25)].map(|(name, last)| {
        let automation = AutomationPoints { id: id_of(name), points: points(last) };
        ComWrapper::new(automation).to_com_ptr::<IParamValueQueue>().expect("a queue")
    });
    let changes = ComWrapper::new(Automations(automations.to_vec()));
    let mut events: Vec<_> =
        (0..10_000).map(|i| note(true, i * 100 / 10_000, (36 + i % 50) as int16)).collect();
    events.extend((36..86).map(|key| note(false, 200, key)));
    let notes = ComWrapper::new(Notes(events));
    let changes = changes.as_com_ref::<IParameterChanges>().unwrap().as_ptr();
    let notes = notes.as_com_ref::<IEventList>().unwrap().as_ptr();
    let output = block(&guard, changes, notes);
    assert!(output.iter().any(|s| *s != 0.0), "the notes sound");
    // SAFETY: the parameters' own ids.
    let value = |name| unsafe { guard.getParamNormalized(id_of(name)) };
    assert_eq!((value("Pad 3 Level"), value("Pad 4 Level")), (1.0, 0.25));
    let lengths = guard.audio.lock().unwrap().as_ref().map(|audio| audio.events.lengths()).unwrap();
    assert!(lengths.0 > 0 && lengths.1 > 0, "{lengths:?}");
    assert!(lengths.0 + lengths.1 <= MAX_EVENTS, "{lengths:?}");
    let tail: Vec<_> =
        (0..20).flat_map(|_| block(&guard, std::ptr::null_mut(), std::ptr::null_mut())).collect();
    assert!(tail[tail.len() - 512..].iter().all(|s| *s == 0.0), "every key was released");
    // SAFETY: as above.
    unsafe { guard.setActive(0) };
}

#[test]
fn sample_rates_outside_1_to_768_khz_are_refused() {
    let guard = GuardVst3::new().expect("an instance");
    for rate in [f64::NAN, f64::INFINITY, -48_000.0, 0.0, 1.0, 10.0, 999.9, 768_000.1, 1e12] {
        // SAFETY: a whole structure.
        assert_eq!(unsafe { guard.setupProcessing(&mut setup(rate)) }, kInvalidArgument, "{rate} Hz");
    }
    for rate in [1_000.0, 768_000.0] {
        // SAFETY: in the order that VST3 demands.
        unsafe {
            assert_eq!(guard.setupProcessing(&mut setup(rate)), kResultOk, "{rate} Hz");
            assert_eq!(guard.setActive(1), kResultOk, "{rate} Hz");
            block(&guard, std::ptr::null_mut(), std::ptr::null_mut());
            guard.setActive(0);
        }
    }
}

#[test]
fn an_instance_is_destroyed_while_its_session_works() {
    are_destroyed_while_they_work(|| {
        let guard = GuardVst3::new().expect("an instance");
        (Arc::downgrade(&guard.link.session), Box::new(move || drop(guard)))
    });
}
