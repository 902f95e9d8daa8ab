//! A host's streams and streams in memory, for a state on its way between a CLAP host and the framework.

use clap_sys::stream::{clap_istream, clap_ostream};
use std::ffi::c_void;

/// Longest state that the framework reads, bytes (read in nice-plug 0.4.2, `wrapper/clap/wrapper.rs`).
const MAX_STATE: u64 = 256 << 20;
/// The framework puts the length of its JSON before it.
pub(super) const LENGTH_BYTES: usize = 8;

/// Writes all of `bytes`, in as many pieces as the host takes.
///
/// # Safety
/// `stream` is the host's.
pub(super) unsafe fn write_all(stream: *const clap_ostream, mut bytes: &[u8]) -> bool {
    // SAFETY: by this function's contract.
    let Some(write) = (unsafe { stream.as_ref() }).and_then(|s| s.write) else { return false };
    while !bytes.is_empty() {
        // SAFETY: as above; the bytes are as many as they say.
        let written = unsafe { write(stream, bytes.as_ptr().cast(), bytes.len() as u64) };
        match usize::try_from(written) {
            Ok(count) if (1..=bytes.len()).contains(&count) => bytes = &bytes[count..],
            _ => return false,
        }
    }
    true
}

/// Reads a length and as many bytes as it says, in as many pieces as the host gives; `None` when the stream fails, ends
/// early or says more than a state can have.
///
/// # Safety
/// `stream` is the host's.
pub(super) unsafe fn read_state(stream: *const clap_istream) -> Option<Vec<u8>> {
    // SAFETY: by this function's contract.
    unsafe {
        let length = read_exactly(stream, LENGTH_BYTES)?;
        let length = u64::from_le_bytes(length.try_into().ok()?);
        if length > MAX_STATE { None } else { read_exactly(stream, length as usize) }
    }
}

/// # Safety
/// `stream` is the host's.
unsafe fn read_exactly(stream: *const clap_istream, count: usize) -> Option<Vec<u8>> {
    // SAFETY: by this function's contract.
    let read = unsafe { stream.as_ref()?.read? };
    let mut bytes = Vec::new();
    bytes.try_reserve_exact(count).ok()?;
    while bytes.len() < count {
        let rest = bytes.spare_capacity_mut();
        let wanted = rest.len().min(count);
        // SAFETY: as many bytes as are reserved.
        let got = unsafe { read(stream, rest.as_mut_ptr().cast::<c_void>(), wanted as u64) };
        let got = usize::try_from(got).ok().filter(|got| (1..=wanted).contains(got))?;
        // SAFETY: the host has written them.
        unsafe { bytes.set_len(bytes.len() + got) };
    }
    bytes.truncate(count);
    Some(bytes)
}

/// A stream that appends to `bytes`, which outlives it.
pub(super) fn into_memory(bytes: &mut Vec<u8>) -> clap_ostream {
    clap_ostream { ctx: std::ptr::from_mut(bytes).cast(), write: Some(append) }
}

unsafe extern "C" fn append(stream: *const clap_ostream, from: *const c_void, size: u64) -> i64 {
    // SAFETY: made by `into_memory`; the framework's bytes are as many as it says.
    unsafe {
        let from = std::slice::from_raw_parts(from.cast::<u8>(), size as usize);
        (*(*stream).ctx.cast::<Vec<u8>>()).extend_from_slice(from);
    }
    size as i64
}

/// A stream that reads from `bytes`, which outlive it; they get shorter.
pub(super) fn from_memory(bytes: &mut &[u8]) -> clap_istream {
    clap_istream { ctx: std::ptr::from_mut(bytes).cast(), read: Some(take) }
}

unsafe extern "C" fn take(stream: *const clap_istream, to: *mut c_void, size: u64) -> i64 {
    // SAFETY: made by `from_memory`; the framework's memory is as long as it says.
    unsafe {
        let bytes = &mut *(*stream).ctx.cast::<&[u8]>();
        let (now, later) = bytes.split_at(bytes.len().min(size as usize));
        std::ptr::copy_nonoverlapping(now.as_ptr(), to.cast::<u8>(), now.len());
        *bytes = later;
        now.len() as i64
    }
}
