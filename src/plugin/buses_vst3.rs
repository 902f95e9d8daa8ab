//! The audio buses of a VST3 host's process call.

use super::{port_buffers::HostPort, ports::CHANNELS};
use nice_plug::wrapper::vst3::vst3;
use vst3::Steinberg::{
    Vst::{AudioBusBuffers, AudioBusBuffers__type0, ProcessData},
    int32,
};

/// A stereo bus without buffers.
pub(super) fn empty_bus() -> AudioBusBuffers {
    AudioBusBuffers {
        numChannels: CHANNELS as i32,
        silenceFlags: 0,
        __field0: AudioBusBuffers__type0 { channelBuffers32: std::ptr::null_mut() },
    }
}

/// Output buses that the host brings.
pub(super) fn bus_count(call: &ProcessData) -> usize {
    if call.outputs.is_null() { 0 } else { call.numOutputs.max(0) as usize }
}

/// The output buses of a call.
pub(super) fn outputs_of(call: &ProcessData) -> impl Fn(usize) -> HostPort {
    let (buses, count) = (call.outputs, call.numOutputs);
    // SAFETY: the host's array of buses is null or as long as it says.
    move |bus| unsafe { host_bus(buses, count, bus) }
}

/// One bus of an array, or a missing one.
///
/// # Safety
/// `buses` is null or holds `count` buses of 32-bit buffers.
pub(super) unsafe fn host_bus(buses: *mut AudioBusBuffers, count: int32, bus: usize) -> HostPort {
    if buses.is_null() || bus >= count.max(0) as usize {
        return HostPort::MISSING;
    }
    // SAFETY: within the array, 32-bit, by this function's contract.
    unsafe {
        let bus = &*buses.add(bus);
        HostPort { channels: bus.__field0.channelBuffers32, count: bus.numChannels.max(0) as usize }
    }
}
