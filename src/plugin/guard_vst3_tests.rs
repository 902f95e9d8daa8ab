//! The VST3 door from within the process: a change of the kit reaches a host that shows no window.

use super::*;
use kitwright_core::kit::Kit;
use std::sync::{Arc, atomic::AtomicI32};
use vst3::ComWrapper;

/// What the host was told.
#[derive(Default)]
struct Told {
    dirty: AtomicU32,
    points: Mutex<Vec<(ParamID, f64)>>,
    edits: AtomicI32,
}

struct Handler(Arc<Told>);
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
    told: Arc<Told>,
    queue: Mutex<Option<vst3::ComPtr<IParamValueQueue>>>,
}
struct Queue(Arc<Told>, AtomicU32);
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
        let queue = ComWrapper::new(Queue(self.told.clone(), AtomicU32::new(id)));
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
fn flush(door: &Door, changes: *mut IParameterChanges) {
    // SAFETY: null and 0 are values of every field.
    let mut data: ProcessData = unsafe { std::mem::zeroed() };
    data.symbolicSampleSize = SymbolicSampleSizes_::kSample32 as i32;
    data.outputParameterChanges = changes;
    // SAFETY: a whole call.
    unsafe { door.process(&mut data) };
}

#[test]
fn a_change_of_the_kit_marks_the_project_without_a_window() {
    let told = Arc::new(Told::default());
    let handler = ComWrapper::new(Handler(told.clone()));
    let changes = ComWrapper::new(Changes { told: told.clone(), queue: Mutex::new(None) });
    let output = changes.as_com_ref::<IParameterChanges>().unwrap().as_ptr();
    let door = Door::new().expect("an instance");
    // SAFETY: the test's own objects, which outlive the door's use of them.
    unsafe {
        let handler = handler.as_com_ref::<IComponentHandler>().unwrap().as_ptr();
        assert_eq!(door.setComponentHandler(handler), kResultOk);
    }
    let points = || told.points.lock().unwrap().clone();
    let dirty = || told.dirty.load(Ordering::SeqCst);
    flush(&door, output);
    assert!(points().is_empty(), "nothing has changed yet");

    door.link.session.edit("a name", |kit: &mut Kit| kit.doc.name = "Borrowed cello".into());
    flush(&door, std::ptr::null_mut());
    assert!(points().is_empty(), "a host that takes no output parameters is asked again");
    flush(&door, output);
    let [(id, value)] = points()[..] else { panic!("{:?}", points()) };
    assert_eq!(dirty(), 0, "the audio thread may not say it");
    // SAFETY: this is the main thread; the host hands the value to the controller.
    unsafe {
        assert_eq!(door.setParamNormalized(id, value), kResultOk);
        assert_eq!(dirty(), 1);
        assert_eq!(door.setParamNormalized(id, value), kResultOk);
        assert_eq!(dirty(), 1, "once a change");
        assert_eq!(door.getParamNormalized(id), value, "the controller holds the new value");
        assert_eq!(door.normalizedParamToPlain(id, value).round(), 1.0, "one revision on");
    }
    flush(&door, output);
    assert_eq!(points().len(), 1, "reported once");
    door.link.session.undo();
    flush(&door, output);
    assert_eq!(points().len(), 2, "undo is a change as well");
    // SAFETY: as above.
    unsafe { door.setComponentHandler(std::ptr::null_mut()) };
}
