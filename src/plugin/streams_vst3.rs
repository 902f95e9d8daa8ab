//! A host's streams and a stream in memory, for a state on its way between a VST3 host and the framework, which expects
//! a host to take and give everything at once.

use super::{kit_placeholder, lock::lock};
use nice_plug::wrapper::vst3::vst3;
use std::{
    ffi::c_void,
    sync::{Mutex, MutexGuard},
};
use vst3::{
    Class, ComRef, ComWrapper,
    Steinberg::{
        IBStream, IBStream_::IStreamSeekMode_, IBStreamTrait, int32, int64, kInvalidArgument, kResultFalse,
        kResultOk, tresult,
    },
};

/// Longest state that is read, bytes: as in CLAP.
const MAX_STATE: usize = 256 << 20;
/// Bytes asked for at once.
const PIECE: usize = 1 << 20;

/// Lets the framework write its state by `write` into memory, and hands it to the host with the kit's text in it.
///
/// # Safety
/// `state` is the host's or null; `write` may use the stream that it is given.
pub(super) unsafe fn save(state: *mut IBStream, write: impl FnOnce(*mut IBStream) -> tresult) -> tresult {
    let memory = ComWrapper::new(MemoryStream::new(Vec::new()));
    let Some(own) = memory.as_com_ref::<IBStream>() else { return kResultFalse };
    let (result, kit) = kit_placeholder::while_saving(|| write(own.as_ptr()));
    if result != kResultOk {
        return result;
    }
    let json = memory.take();
    let pieces = match &kit {
        Some(kit) => kit_placeholder::join(&json, kit),
        None => Some([&*json, &[], &[]]),
    };
    // SAFETY: by this function's contract.
    let written = pieces.is_some_and(|pieces| pieces.iter().all(|piece| unsafe { write_all(state, piece) }));
    if written { kResultOk } else { kResultFalse }
}

/// Reads the host's state, and lets the framework read it by `read` without the kit's text.
///
/// # Safety
/// `state` is the host's or null; `read` may use the stream that it is given.
pub(super) unsafe fn load(state: *mut IBStream, read: impl FnOnce(*mut IBStream) -> tresult) -> tresult {
    // SAFETY: by this function's contract.
    let Some(bytes) = (unsafe { read_to_end(state) }) else { return kResultFalse };
    let (json, kit) = kit_placeholder::split_off_kit(bytes);
    let memory = ComWrapper::new(MemoryStream::new(json));
    let Some(own) = memory.as_com_ref::<IBStream>() else { return kResultFalse };
    kit_placeholder::while_loading(kit, || read(own.as_ptr()))
}

/// Writes all of `bytes`, in as many pieces as the host takes.
///
/// # Safety
/// `stream` is the host's or null.
unsafe fn write_all(stream: *mut IBStream, mut bytes: &[u8]) -> bool {
    // SAFETY: by this function's contract.
    let Some(stream) = (unsafe { ComRef::from_raw(stream) }) else { return false };
    while !bytes.is_empty() {
        let wanted = bytes.len().min(i32::MAX as usize);
        let mut written = 0;
        // SAFETY: the bytes are as many as they say; the host does not write to them.
        let result = unsafe {
            stream.write(bytes.as_ptr().cast_mut().cast::<c_void>(), wanted as int32, &mut written)
        };
        // some hosts leave the count out
        let written = if result == kResultOk && written == 0 { wanted as int32 } else { written };
        match usize::try_from(written) {
            Ok(count) if (1..=wanted).contains(&count) => bytes = &bytes[count..],
            _ => return false,
        }
    }
    true
}

/// Everything from the stream's position to its end, in as many pieces as the host gives.
///
/// # Safety
/// `stream` is the host's or null.
unsafe fn read_to_end(stream: *mut IBStream) -> Option<Vec<u8>> {
    // SAFETY: by this function's contract.
    let stream = unsafe { ComRef::from_raw(stream) }?;
    let mut bytes = Vec::new();
    while bytes.len() <= MAX_STATE {
        bytes.try_reserve(PIECE).ok()?;
        let mut got = 0;
        // SAFETY: as many bytes as are reserved. The result is left aside: hosts fail at the end of a stream.
        unsafe {
            stream.read(bytes.spare_capacity_mut().as_mut_ptr().cast::<c_void>(), PIECE as int32, &mut got);
        }
        match usize::try_from(got) {
            // SAFETY: the host has written them.
            Ok(got) if (1..=PIECE).contains(&got) => unsafe { bytes.set_len(bytes.len() + got) },
            Ok(0) => return Some(bytes),
            _ => return None,
        }
    }
    None
}

/// A stream in memory.
pub(super) struct MemoryStream(Mutex<(Vec<u8>, usize)>);

impl MemoryStream {
    pub fn new(bytes: Vec<u8>) -> Self {
        Self(Mutex::new((bytes, 0)))
    }

    /// What it holds; it is empty afterwards.
    pub fn take(&self) -> Vec<u8> {
        std::mem::take(&mut self.inner().0)
    }

    /// Bytes and position.
    fn inner(&self) -> MutexGuard<'_, (Vec<u8>, usize)> {
        lock(&self.0)
    }
}

impl Class for MemoryStream {
    type Interfaces = (IBStream,);
}

/// Tells the caller a number where it asks for one.
///
/// # Safety
/// `to` is null or may be written.
unsafe fn tell<T>(to: *mut T, value: T) {
    // SAFETY: by this function's contract.
    if let Some(to) = unsafe { to.as_mut() } {
        *to = value;
    }
}

impl IBStreamTrait for MemoryStream {
    unsafe fn read(&self, to: *mut c_void, count: int32, got: *mut int32) -> tresult {
        let (bytes, position) = &mut *self.inner();
        let from = bytes.get(*position..).unwrap_or_default();
        let from = &from[..from.len().min(count.max(0) as usize)];
        // SAFETY: the caller's memory is as long as it says.
        unsafe {
            std::ptr::copy_nonoverlapping(from.as_ptr(), to.cast::<u8>(), from.len());
            tell(got, from.len() as int32);
        }
        *position += from.len();
        kResultOk
    }

    unsafe fn write(&self, from: *mut c_void, count: int32, written: *mut int32) -> tresult {
        let Ok(length) = usize::try_from(count) else { return kInvalidArgument };
        let (bytes, position) = &mut *self.inner();
        bytes.truncate(*position);
        // SAFETY: the caller's bytes are as many as it says.
        unsafe {
            bytes.extend_from_slice(std::slice::from_raw_parts(from.cast::<u8>(), length));
            tell(written, count);
        }
        *position = bytes.len();
        kResultOk
    }

    unsafe fn seek(&self, to: int64, mode: int32, result: *mut int64) -> tresult {
        let (bytes, position) = &mut *self.inner();
        let base = match mode {
            m if m == IStreamSeekMode_::kIBSeekSet as int32 => 0,
            m if m == IStreamSeekMode_::kIBSeekCur as int32 => *position,
            m if m == IStreamSeekMode_::kIBSeekEnd as int32 => bytes.len(),
            _ => return kInvalidArgument,
        };
        let Some(place) = (base as int64).checked_add(to).filter(|p| (0..=bytes.len() as int64).contains(p))
        else {
            return kResultFalse;
        };
        *position = place as usize;
        // SAFETY: null or the caller's.
        unsafe { tell(result, place) };
        kResultOk
    }

    unsafe fn tell(&self, position: *mut int64) -> tresult {
        // SAFETY: null or the caller's.
        unsafe { tell(position, self.inner().1 as int64) };
        kResultOk
    }
}
