//! The VST3 guard: a class around the framework's that corrects or refuses what a host does wrong.
//!
//! Every interface is delegated to the framework's class, except for a few methods: `process` passes the
//! declared buses ([`PortBuffers`]) and a bounded number of events ([`ReducedEvents`]), bus arrangements are
//! answered here (the framework reads past the host's array), and calls at the wrong time are refused.

use super::{
    buses_vst3::{bus_count, empty_bus, host_bus, outputs_of},
    dirty_vst3::{DirtyMarker, revision_id},
    events_vst3::ReducedEvents,
    instance::Kitwright,
    labels_vst3,
    limits::{KIT_TIMEOUT, MAX_BLOCK_FRAMES, is_sample_rate},
    link::{GuardLink, InstanceLink},
    lock::lock,
    port_buffers::{PortBuffers, silence_all},
    ports::{INPUTS, OUTPUTS},
    streams_vst3::{load, save},
    units_vst3::{self, Units, parameters},
    view_vst3::{GuardView, ViewLink},
    worker_keeper::WorkerKeeper,
};
use nice_plug::wrapper::vst3::{Wrapper, vst3};
use std::sync::{
    Arc, Mutex,
    atomic::{AtomicU32, Ordering},
};
use vst3::{
    Class,
    Steinberg::{
        FIDString, FUnknown, IBStream, IPlugView, IPluginBaseTrait, TBool, TUID,
        Vst::{ChannelContext::IInfoListenerTrait, *},
        int16, int32, kInvalidArgument, kNotInitialized, kResultFalse, kResultOk, tresult, uint32,
    },
};

/// The class that hosts hold.
pub(super) struct GuardVst3 {
    // dropped in this order: the link waits until the session is gone
    inner: Wrapper<Kitwright>,
    worker: Option<WorkerKeeper>,
    link: GuardLink,
    dirty: DirtyMarker,
    units: Units,
    /// Ids of the parameters, in the order of the host's list.
    ids: Vec<ParamID>,
    /// Longest block announced for the next activation.
    announced: AtomicU32,
    /// Hz, rounded up, as announced.
    sample_rate: AtomicU32,
    /// While active; held by one process call at a time.
    audio: Mutex<Option<Vst3Buffers>>,
    /// The view made last.
    view: Mutex<Option<Arc<ViewLink>>>,
}

/// Memory for one process call.
struct Vst3Buffers {
    ports: PortBuffers,
    events: ReducedEvents,
    outputs: [AudioBusBuffers; OUTPUTS],
    inputs: [AudioBusBuffers; INPUTS],
}

// SAFETY: the pointers inside are only used during one process call.
unsafe impl Send for Vst3Buffers {}

impl GuardVst3 {
    /// A new instance, `None` when the framework made none.
    pub fn new() -> Option<Self> {
        let inner = Wrapper::new();
        let link = InstanceLink::take_last_made()?;
        let dirty = DirtyMarker::new(revision_id(&inner)?);
        Some(Self {
            units: Units::new(&inner),
            ids: parameters(&inner).map(|info| info.id).collect(),
            inner,
            worker: None,
            link,
            dirty,
            announced: AtomicU32::new(0),
            sample_rate: AtomicU32::new(0),
            audio: Mutex::new(None),
            view: Mutex::new(None),
        })
    }

    fn view(&self) -> Option<Arc<ViewLink>> {
        lock(&self.view).clone()
    }

    /// Closes a window that the host has left open: its thread uses the instance.
    fn close_window(&self) {
        let is_open = self.link.params.upgrade().is_some_and(|p| p.window_open.load(Ordering::Acquire));
        if let Some(view) = self.view().filter(|_| is_open) {
            view.close();
        }
    }

    /// Memory for blocks as the host has announced them; allocates.
    fn new_buffers(&self) -> Option<Vst3Buffers> {
        Some(Vst3Buffers {
            ports: PortBuffers::new(self.announced.load(Ordering::Acquire) as usize),
            events: ReducedEvents::new(parameters(&self.inner).map(|info| info.id).collect())?,
            outputs: std::array::from_fn(|_| empty_bus()),
            inputs: std::array::from_fn(|_| empty_bus()),
        })
    }
}

impl Drop for GuardVst3 {
    fn drop(&mut self) {
        self.close_window();
        self.link.drain_worker();
        self.worker = WorkerKeeper::new(self.link.ended_by.clone());
    }
}

impl Class for GuardVst3 {
    type Interfaces = <Wrapper<Kitwright> as Class>::Interfaces;
}

/// Methods that are delegated to the framework's class.
macro_rules! delegate {
    ($($trait:ident: fn $name:ident($($arg:ident: $type:ty),*) $(-> $result:ty)?;)*) => { $(
        unsafe fn $name(&self, $($arg: $type),*) $(-> $result)? {
            // SAFETY: as for this method, which the host calls under the same contract.
            unsafe { <Wrapper<Kitwright> as $trait>::$name(&self.inner, $($arg),*) }
        }
    )* };
}

impl IPluginBaseTrait for GuardVst3 {
    delegate! {
        IPluginBaseTrait: fn initialize(context: *mut FUnknown) -> tresult;
        IPluginBaseTrait: fn terminate() -> tresult;
    }
}

impl IComponentTrait for GuardVst3 {
    delegate! {
        IComponentTrait: fn getControllerClassId(id: *mut TUID) -> tresult;
        IComponentTrait: fn setIoMode(mode: IoMode) -> tresult;
        IComponentTrait: fn getBusCount(media: MediaType, dir: BusDirection) -> int32;
        IComponentTrait: fn getBusInfo(media: MediaType, dir: BusDirection, index: int32, info: *mut BusInfo) -> tresult;
        IComponentTrait: fn getRoutingInfo(from: *mut RoutingInfo, to: *mut RoutingInfo) -> tresult;
        IComponentTrait: fn activateBus(media: MediaType, dir: BusDirection, index: int32, state: TBool) -> tresult;
    }

    unsafe fn getState(&self, state: *mut IBStream) -> tresult {
        // SAFETY: as for this method, and a stream that the framework may use in its place.
        unsafe { save(state, |own| IComponentTrait::getState(&self.inner, own)) }
    }

    unsafe fn setActive(&self, state: TBool) -> tresult {
        // a process call meanwhile finds the lock taken and is refused; the framework would panic
        let mut audio = lock(&self.audio);
        // SAFETY: as for this method.
        let result = unsafe { self.inner.setActive(state) };
        let active = state != 0 && result == kResultOk;
        *audio = if active { self.new_buffers() } else { None };
        result
    }

    unsafe fn setState(&self, state: *mut IBStream) -> tresult {
        // SAFETY: as for this method, and a stream that the framework may use in its place.
        let result = unsafe { load(state, |own| IComponentTrait::setState(&self.inner, own)) };
        if result == kResultOk {
            // the main thread may wait, and a bounce that follows at once must have its kit
            self.link.session.wait_ready(KIT_TIMEOUT);
        }
        result
    }
}

impl IAudioProcessorTrait for GuardVst3 {
    delegate! {
        IAudioProcessorTrait: fn getBusArrangement(dir: BusDirection, index: int32, arr: *mut SpeakerArrangement) -> tresult;
        IAudioProcessorTrait: fn canProcessSampleSize(size: int32) -> tresult;
        IAudioProcessorTrait: fn getLatencySamples() -> uint32;
        IAudioProcessorTrait: fn setProcessing(state: TBool) -> tresult;
    }

    unsafe fn setBusArrangements(
        &self,
        inputs: *mut SpeakerArrangement,
        num_ins: int32,
        outputs: *mut SpeakerArrangement,
        num_outs: int32,
    ) -> tresult {
        // SAFETY: the host's arrays are as long as it says.
        let stereo = |buses: *mut SpeakerArrangement, count: int32, declared: usize| unsafe {
            count == declared as int32
                && !buses.is_null()
                && (0..declared).all(|bus| *buses.add(bus) == SpeakerArr::kStereo)
        };
        // there is one layout; a host that is refused asks for it next
        if stereo(inputs, num_ins, INPUTS) && stereo(outputs, num_outs, OUTPUTS) {
            kResultOk
        } else {
            kResultFalse
        }
    }

    unsafe fn setupProcessing(&self, setup: *mut ProcessSetup) -> tresult {
        // SAFETY: the host's own structure or null.
        let Some(asked) = (unsafe { setup.as_ref() }) else { return kInvalidArgument };
        let usable_block = (1..=MAX_BLOCK_FRAMES as i32).contains(&asked.maxSamplesPerBlock);
        if !usable_block || !is_sample_rate(asked.sampleRate) {
            return kInvalidArgument;
        }
        // SAFETY: as for this method.
        let result = unsafe { self.inner.setupProcessing(setup) };
        if result == kResultOk {
            self.announced.store(asked.maxSamplesPerBlock as u32, Ordering::Release);
            self.sample_rate.store(asked.sampleRate.ceil() as u32, Ordering::Release);
        }
        result
    }

    unsafe fn getTailSamples(&self) -> uint32 {
        // the framework answers for what sounds now, which is nothing when a host asks before a bounce
        self.link.tail_frames(f64::from(self.sample_rate.load(Ordering::Acquire)))
    }

    unsafe fn process(&self, data: *mut ProcessData) -> tresult {
        // SAFETY: the host's own structure or null.
        let Some(call) = (unsafe { data.as_ref() }) else { return kInvalidArgument };
        // an open window reports changes itself
        let params = self.link.params.upgrade();
        if let Some(params) = params.filter(|p| !p.window_open.load(Ordering::Acquire)) {
            // SAFETY: the block's own output parameters or null.
            unsafe { self.dirty.report(&params, call.outputParameterChanges) };
        }
        if call.symbolicSampleSize != SymbolicSampleSizes_::kSample32 as i32 || call.numSamples < 0 {
            return kInvalidArgument;
        }
        // only a host that activates meanwhile makes this fail, and it never waits
        let audio = self.audio.try_lock();
        match audio.ok().as_deref_mut().and_then(Option::as_mut) {
            Some(audio) if call.numSamples as usize <= audio.ports.max_frames() => {
                // SAFETY: as for this method.
                unsafe { self.process_corrected(call, audio) }
            }
            _ => {
                // SAFETY: the host's buffers are as long as the block.
                unsafe { silence_all(bus_count(call), outputs_of(call), call.numSamples as usize) };
                kNotInitialized
            }
        }
    }
}

impl GuardVst3 {
    /// # Safety
    /// `call` is as VST3 demands, except for what is corrected here.
    unsafe fn process_corrected(&self, call: &ProcessData, audio: &mut Vst3Buffers) -> tresult {
        // SAFETY: all of it is copied as it is; the guard outlives the copy.
        let mut call = unsafe { std::ptr::read(call) };
        // SAFETY: the host's own lists or null.
        unsafe { audio.events.reduce(&mut call) };
        let call = &call;
        let outputs = outputs_of(call);
        let usable =
            (0..bus_count(call)).any(|bus| !outputs(bus).channels.is_null() && outputs(bus).count > 0);
        if call.numSamples == 0 || !usable {
            // hosts flush parameters in this way, some with frames but without channels
            let mut flush = ProcessData {
                numSamples: 0,
                numInputs: 0,
                numOutputs: 0,
                inputs: std::ptr::null_mut(),
                outputs: std::ptr::null_mut(),
                ..*call
            };
            // SAFETY: no audio is touched; the rest is the host's.
            return unsafe { self.inner.process(&mut flush) };
        }
        // SAFETY: the host's arrays are null or as long as they say.
        unsafe {
            audio.ports.gather(&outputs, |bus| host_bus(call.inputs, call.numInputs, bus));
        }
        for (bus, buffers) in audio.outputs.iter_mut().enumerate() {
            buffers.__field0.channelBuffers32 = audio.ports.output(bus);
        }
        for (bus, buffers) in audio.inputs.iter_mut().enumerate() {
            buffers.__field0.channelBuffers32 = audio.ports.input(bus);
        }
        let mut corrected = ProcessData {
            numInputs: INPUTS as i32,
            numOutputs: OUTPUTS as i32,
            inputs: audio.inputs.as_mut_ptr(),
            outputs: audio.outputs.as_mut_ptr(),
            ..*call
        };
        // SAFETY: every declared bus and channel is there, as long as the block.
        let result = unsafe { self.inner.process(&mut corrected) };
        // SAFETY: the host's buffers are as long as the block.
        unsafe {
            audio.ports.silence_surplus(bus_count(call), &outputs, call.numSamples as usize);
            for bus in 0..bus_count(call) {
                // no channel is promised to be silent
                (*call.outputs.add(bus)).silenceFlags = 0;
            }
        }
        result
    }
}

impl IEditControllerTrait for GuardVst3 {
    delegate! {
        IEditControllerTrait: fn setComponentState(state: *mut IBStream) -> tresult;
        IEditControllerTrait: fn setState(state: *mut IBStream) -> tresult;
        IEditControllerTrait: fn getState(state: *mut IBStream) -> tresult;
        IEditControllerTrait: fn getParameterCount() -> int32;
        IEditControllerTrait: fn getParamValueByString(id: ParamID, text: *mut TChar, value: *mut ParamValue) -> tresult;
        IEditControllerTrait: fn normalizedParamToPlain(id: ParamID, value: ParamValue) -> ParamValue;
        IEditControllerTrait: fn plainParamToNormalized(id: ParamID, value: ParamValue) -> ParamValue;
        IEditControllerTrait: fn getParamNormalized(id: ParamID) -> ParamValue;
    }

    unsafe fn createView(&self, name: FIDString) -> *mut IPlugView {
        // SAFETY: as for this method; the new view's reference is passed on.
        let (link, view) = unsafe { GuardView::around(self.inner.createView(name)) };
        *lock(&self.view) = link;
        view
    }

    unsafe fn setParamNormalized(&self, id: ParamID, value: ParamValue) -> tresult {
        // a change that the audio thread has reported reaches the main thread here
        self.dirty.mark();
        self.dirty.tell_names(self.link.session.revision());
        if let Some(view) = self.view() {
            view.run_queued();
        }
        // SAFETY: as for this method.
        unsafe { self.inner.setParamNormalized(id, value) }
    }

    unsafe fn setComponentHandler(&self, handler: *mut IComponentHandler) -> tresult {
        // SAFETY: as for this method.
        unsafe {
            self.dirty.set_handler(handler);
            self.inner.setComponentHandler(handler)
        }
    }

    unsafe fn getParameterInfo(&self, index: int32, info: *mut ParameterInfo) -> tresult {
        // SAFETY: as for this method. The framework's own check accepts one index too many.
        unsafe {
            if !(0..self.getParameterCount()).contains(&index) {
                return kInvalidArgument;
            }
            let result = self.inner.getParameterInfo(index, info);
            if let Some(info) = info.as_mut().filter(|_| result == kResultOk) {
                info.unitId = self.units.id(info.unitId);
                info.units = units_vst3::wide(labels_vst3::label(index as usize));
            }
            result
        }
    }

    unsafe fn getParamStringByValue(&self, id: ParamID, value: ParamValue, text: *mut String128) -> tresult {
        let place = self.ids.iter().position(|&own| own == id);
        let own = place.and_then(|place| labels_vst3::text(place, value as f32));
        // SAFETY: as for this method.
        unsafe {
            match own {
                Some(own) => units_vst3::give_text(Some(&own), text),
                None => self.inner.getParamStringByValue(id, value, text),
            }
        }
    }
}

impl IMidiMappingTrait for GuardVst3 {
    delegate! {
        IMidiMappingTrait: fn getMidiControllerAssignment(bus: int32, channel: int16, cc: CtrlNumber, id: *mut ParamID) -> tresult;
    }
}

impl INoteExpressionControllerTrait for GuardVst3 {
    delegate! {
        INoteExpressionControllerTrait: fn getNoteExpressionStringByValue(bus: int32, channel: int16, id: NoteExpressionTypeID, value: NoteExpressionValue, text: *mut String128) -> tresult;
        INoteExpressionControllerTrait: fn getNoteExpressionValueByString(bus: int32, channel: int16, id: NoteExpressionTypeID, text: *const TChar, value: *mut NoteExpressionValue) -> tresult;
    }

    unsafe fn getNoteExpressionCount(&self, _bus: int32, _channel: int16) -> int32 {
        // the framework announces all it knows; the drums follow none
        0
    }

    unsafe fn getNoteExpressionInfo(
        &self,
        _bus: int32,
        _channel: int16,
        _index: int32,
        _info: *mut NoteExpressionTypeInfo,
    ) -> tresult {
        kInvalidArgument
    }
}

impl IProcessContextRequirementsTrait for GuardVst3 {
    delegate! {
        IProcessContextRequirementsTrait: fn getProcessContextRequirements() -> uint32;
    }
}

impl IUnitInfoTrait for GuardVst3 {
    delegate! {
        IUnitInfoTrait: fn getSelectedUnit() -> UnitID;
        IUnitInfoTrait: fn selectUnit(id: UnitID) -> tresult;
        IUnitInfoTrait: fn setUnitProgramData(list: int32, index: int32, data: *mut IBStream) -> tresult;
    }

    unsafe fn getUnitCount(&self) -> int32 {
        self.units.count()
    }

    unsafe fn getUnitInfo(&self, index: int32, info: *mut UnitInfo) -> tresult {
        // SAFETY: as for this method.
        unsafe { self.units.info(index, info) }
    }

    unsafe fn getProgramListCount(&self) -> int32 {
        1
    }

    unsafe fn getProgramListInfo(&self, index: int32, info: *mut ProgramListInfo) -> tresult {
        // SAFETY: as for this method.
        unsafe { units_vst3::program_list(index, info) }
    }

    unsafe fn getProgramName(&self, list: ProgramListID, index: int32, name: *mut String128) -> tresult {
        let kit = self.link.session.kit();
        let text = units_vst3::is_kit(list, index).then_some(kit.doc.name.as_str());
        // SAFETY: as for this method.
        unsafe { units_vst3::give_text(text, name) }
    }

    unsafe fn getProgramInfo(
        &self,
        _list: ProgramListID,
        _index: int32,
        _attribute: CString,
        _value: *mut String128,
    ) -> tresult {
        kResultFalse
    }

    unsafe fn hasProgramPitchNames(&self, list: ProgramListID, index: int32) -> tresult {
        if units_vst3::is_kit(list, index) { kResultOk } else { kResultFalse }
    }

    unsafe fn getProgramPitchName(
        &self,
        list: ProgramListID,
        index: int32,
        pitch: int16,
        name: *mut String128,
    ) -> tresult {
        let drum = units_vst3::drum(&self.link.session.kit().doc, pitch);
        // SAFETY: as for this method.
        unsafe { units_vst3::give_text(drum.as_deref().filter(|_| units_vst3::is_kit(list, index)), name) }
    }

    unsafe fn getUnitByBus(
        &self,
        media: MediaType,
        dir: BusDirection,
        bus: int32,
        _channel: int32,
        id: *mut UnitID,
    ) -> tresult {
        // SAFETY: the host's own number or null.
        match unsafe { id.as_mut() } {
            Some(id) if units_vst3::is_note_input(media, dir, bus) => {
                *id = kRootUnitId;
                kResultOk
            }
            _ => kResultFalse,
        }
    }
}

impl IInfoListenerTrait for GuardVst3 {
    delegate! {
        IInfoListenerTrait: fn setChannelContextInfos(list: *mut IAttributeList) -> tresult;
    }
}

#[cfg(test)]
#[path = "host_vst3_tests.rs"]
mod host_tests;
#[cfg(test)]
#[path = "guard_vst3_tests.rs"]
mod tests;
