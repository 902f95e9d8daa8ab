//! Marks the project as changed in a VST3 host while no window is open: a casting, a load or an import may
//! end long after its window was closed.
//!
//! Only the audio thread runs then, so it reports a new value of the revision parameter among the
//! block's output parameters; the host hands that to the controller on its main thread, which is where
//! VST3 allows `IComponentHandler2::setDirty`.

use super::{
    instance::Kitwright,
    lock::lock,
    params::{HostParams, REVISION_NAME},
    units_vst3::{KIT_LIST, parameters},
};
use nice_plug::wrapper::vst3::{Wrapper, vst3};
use std::sync::{
    Mutex,
    atomic::{AtomicBool, AtomicU64, Ordering},
};
use vst3::{
    ComPtr, ComRef,
    Steinberg::Vst::{
        IComponentHandler, IComponentHandler2, IComponentHandler2Trait, IParamValueQueueTrait,
        IParameterChanges, IParameterChangesTrait, IUnitHandler, IUnitHandlerTrait, ParamID, ParameterInfo,
        kAllProgramInvalid,
    },
};

/// Marks the project of one instance as changed.
pub(super) struct DirtyMarker {
    /// The revision parameter, as the host knows it.
    revision: ParamID,
    /// The audio thread has reported a change; the main thread has not marked the project yet.
    due: AtomicBool,
    handler: Mutex<Option<ComPtr<IComponentHandler2>>>,
    /// The host's side of units and programs.
    unit_handler: Mutex<Option<ComPtr<IUnitHandler>>>,
    /// Revision of the kit whose names the host was told of.
    names_told: AtomicU64,
}

impl DirtyMarker {
    /// For the instance whose revision parameter has this id.
    pub fn new(revision: ParamID) -> Self {
        Self {
            revision,
            due: AtomicBool::new(false),
            handler: Mutex::new(None),
            unit_handler: Mutex::new(None),
            names_told: AtomicU64::new(0),
        }
    }

    /// Reports a change of the kit since the last call, on the audio thread. A host that takes no output
    /// parameters is asked again at the next block.
    ///
    /// # Safety
    /// `changes` is null or the block's output parameters.
    pub unsafe fn report(&self, params: &HostParams, changes: *mut IParameterChanges) {
        // SAFETY: by this function's contract.
        let Some(changes) = (unsafe { ComRef::from_raw(changes) }) else { return };
        let Some(value) = params.follow_kit_while_playing() else { return };
        self.due.store(true, Ordering::Release);
        let (mut queue_index, mut point_index) = (0, 0);
        // SAFETY: the host's objects, used as VST3 says: a queue for the parameter, then a point in it.
        unsafe {
            let queue = changes.addParameterData(&self.revision, &mut queue_index);
            if let Some(queue) = ComRef::from_raw(queue) {
                queue.addPoint(0, f64::from(value), &mut point_index);
            }
        }
    }

    /// Keeps the host's handler, as far as it can mark projects; on the main thread.
    ///
    /// # Safety
    /// `handler` is null or the host's.
    pub unsafe fn set_handler(&self, handler: *mut IComponentHandler) {
        // SAFETY: by this function's contract.
        let handler = unsafe { ComRef::from_raw(handler) };
        *lock(&self.unit_handler) = handler.and_then(|h| h.cast::<IUnitHandler>());
        let handler = handler.and_then(|h| h.cast::<IComponentHandler2>());
        *lock(&self.handler) = handler;
    }

    /// Tells the host that the names of the drums may be others, once for each revision of the kit; on the main thread.
    pub fn tell_names(&self, revision: u64) {
        if self.names_told.swap(revision, Ordering::AcqRel) == revision {
            return;
        }
        if let Some(handler) = &*lock(&self.unit_handler) {
            // SAFETY: the host's live object, on the main thread.
            unsafe { handler.notifyProgramListChange(KIT_LIST, kAllProgramInvalid) };
        }
    }

    /// Marks the project when a change was reported; on the main thread, at any call of the host.
    pub fn mark(&self) {
        if !self.due.swap(false, Ordering::AcqRel) {
            return;
        }
        if let Some(handler) = &*lock(&self.handler) {
            // SAFETY: the host's live object, on the main thread.
            unsafe { handler.setDirty(1) };
        }
    }
}

/// The host's id of the revision parameter; the framework's hash of ids is private.
pub(super) fn revision_id(inner: &Wrapper<Kitwright>) -> Option<ParamID> {
    let is_revision = |info: &ParameterInfo| {
        let title = info.title.iter().copied().take_while(|&unit| unit != 0);
        title.eq(REVISION_NAME.encode_utf16())
    };
    parameters(inner).find(is_revision).map(|info| info.id)
}
