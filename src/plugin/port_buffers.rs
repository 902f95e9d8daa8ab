//! The declared ports and channels for the framework, whatever the host brings.
//!
//! The framework indexes what it declared: a port that a host leaves out, brings with fewer channels or
//! with a null pointer would crash it. Here each missing channel gets a spare buffer of its own, and what
//! a host brings beyond the declared ports is filled with silence afterwards.

use super::ports::{CHANNELS, INPUTS, OUTPUTS};

/// The channel pointers of one port as the host brings them.
#[derive(Debug, Clone, Copy)]
pub(super) struct HostPort {
    /// May be null.
    pub channels: *mut *mut f32,
    /// How many pointers `channels` holds.
    pub count: usize,
}

impl HostPort {
    /// A port that the host left out.
    pub const MISSING: Self = Self { channels: std::ptr::null_mut(), count: 0 };

    /// The pointer of a channel, null when the host has none.
    ///
    /// # Safety
    /// `channels` is null or holds `count` pointers.
    unsafe fn channel(&self, channel: usize) -> *mut f32 {
        if self.channels.is_null() || channel >= self.count {
            return std::ptr::null_mut();
        }
        // SAFETY: by this function's contract, and `channel < count`.
        unsafe { *self.channels.add(channel) }
    }
}

/// Spare buffers, and the pointers that the framework gets.
#[derive(Debug)]
pub(super) struct PortBuffers {
    max_frames: usize,
    silence: Vec<f32>,
    scratch: Vec<Vec<f32>>,
    outputs: [[*mut f32; CHANNELS]; OUTPUTS],
    inputs: [[*mut f32; CHANNELS]; INPUTS],
}

// SAFETY: the pointers are only used between `gather` and the end of the same process call.
unsafe impl Send for PortBuffers {}

impl PortBuffers {
    /// Buffers for blocks of up to `max_frames`; allocates.
    pub fn new(max_frames: usize) -> Self {
        Self {
            max_frames,
            silence: vec![0.0; max_frames],
            scratch: vec![vec![0.0; max_frames]; OUTPUTS * CHANNELS],
            outputs: [[std::ptr::null_mut(); CHANNELS]; OUTPUTS],
            inputs: [[std::ptr::null_mut(); CHANNELS]; INPUTS],
        }
    }

    /// Longest block, frames.
    pub fn max_frames(&self) -> usize {
        self.max_frames
    }

    /// Collects the host's channels and fills the gaps. A pointer that comes twice is used once: the
    /// framework makes an exclusive slice of each.
    ///
    /// # Safety
    /// The ports are as [`HostPort`] says.
    pub unsafe fn gather(&mut self, outputs: impl Fn(usize) -> HostPort, inputs: impl Fn(usize) -> HostPort) {
        for port in 0..OUTPUTS {
            for channel in 0..CHANNELS {
                // SAFETY: by this function's contract.
                let given = unsafe { outputs(port).channel(channel) };
                let taken = self.outputs[..port].iter().flatten().chain(&self.outputs[port][..channel]);
                let usable = !given.is_null() && !taken.into_iter().any(|p| *p == given);
                self.outputs[port][channel] =
                    if usable { given } else { self.scratch[port * CHANNELS + channel].as_mut_ptr() };
            }
        }
        for (port, pointers) in self.inputs.iter_mut().enumerate() {
            for (channel, pointer) in pointers.iter_mut().enumerate() {
                // SAFETY: by this function's contract.
                let given = unsafe { inputs(port).channel(channel) };
                // the framework only reads inputs, so they may share the silence
                *pointer = if given.is_null() { self.silence.as_mut_ptr() } else { given };
            }
        }
    }

    /// The channel pointers of an output port, after [`PortBuffers::gather`].
    pub fn output(&mut self, port: usize) -> *mut *mut f32 {
        self.outputs[port].as_mut_ptr()
    }

    /// The channel pointers of an input port, after [`PortBuffers::gather`].
    pub fn input(&mut self, port: usize) -> *mut *mut f32 {
        self.inputs[port].as_mut_ptr()
    }

    /// Fills with silence what the host brought beyond the declared ports and channels; after the
    /// framework's work, since a host may bring the same buffer twice.
    ///
    /// # Safety
    /// `ports` ports as [`HostPort`] says, each channel null or at least `frames` long.
    pub unsafe fn silence_surplus(&self, ports: usize, outputs: impl Fn(usize) -> HostPort, frames: usize) {
        for port in 0..ports {
            let given = outputs(port);
            let declared = if port < OUTPUTS { CHANNELS } else { 0 };
            for channel in declared..given.count {
                // SAFETY: by this function's contract.
                let pointer = unsafe { given.channel(channel) };
                if !pointer.is_null() && !self.outputs.iter().flatten().any(|p| *p == pointer) {
                    // SAFETY: not null, `frames` long by this function's contract.
                    unsafe { std::slice::from_raw_parts_mut(pointer, frames) }.fill(0.0);
                }
            }
        }
    }
}

/// Fills everything the host brought with silence, for a block that cannot be played.
///
/// # Safety
/// As for [`PortBuffers::silence_surplus`].
pub(super) unsafe fn silence_all(ports: usize, outputs: impl Fn(usize) -> HostPort, frames: usize) {
    for port in 0..ports {
        let given = outputs(port);
        for channel in 0..given.count {
            // SAFETY: by this function's contract.
            let pointer = unsafe { given.channel(channel) };
            if !pointer.is_null() {
                // SAFETY: not null, `frames` long by this function's contract.
                unsafe { std::slice::from_raw_parts_mut(pointer, frames) }.fill(0.0);
            }
        }
    }
}
