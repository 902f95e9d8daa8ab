//! A source of bytes for the decoding library that cannot make it use unbounded memory.
//!
//! The library keeps what tags and tables of a file say, and reads a packet as long as its header says.
//! Tags are therefore left out of what it sees ([`GuardedSource::without`]), and an [`Allowance`] bounds
//! how many bytes it may read before it must come back for more.

use std::{
    io::{Error, ErrorKind, Read, Result, Seek, SeekFrom},
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
};
use symphonia::core::io::MediaSource;

/// Bytes that may still be read, shared between a source and the decoding loop.
#[derive(Debug, Clone)]
pub(crate) struct Allowance(Arc<AtomicU64>);

impl Allowance {
    pub(crate) fn new(bytes: u64) -> Self {
        Self(Arc::new(AtomicU64::new(bytes)))
    }

    /// Sets what may be read from now on, bytes.
    pub(crate) fn renew(&self, bytes: u64) {
        self.0.store(bytes, Ordering::Relaxed);
    }

    /// Whether nothing more may be read.
    pub(crate) fn is_spent(&self) -> bool {
        self.0.load(Ordering::Relaxed) == 0
    }

    fn spend(&self, bytes: u64) {
        self.renew(self.0.load(Ordering::Relaxed).saturating_sub(bytes));
    }
}

/// A stretch of `inner`, with some of its bytes left out and others replaced. All places are those that
/// the reader sees, except where said otherwise.
pub(crate) struct GuardedSource<R> {
    inner: R,
    /// Place in `inner` at which the reader's first byte lies.
    base: u64,
    /// Place at which bytes are left out, and how many.
    gap: (u64, u64),
    length: u64,
    position: u64,
    /// Place in `inner` that it reads from next; `None` when unknown.
    inner_position: Option<u64>,
    patches: Vec<(u64, Vec<u8>)>,
    allowance: Allowance,
}

impl<R: Read + Seek> GuardedSource<R> {
    /// All of `inner` from byte `base` to `end` (places in `inner`).
    pub(crate) fn new(inner: R, base: u64, end: u64, allowance: Allowance) -> Self {
        let length = end.saturating_sub(base);
        Self {
            inner,
            base,
            gap: (length, 0),
            length,
            position: 0,
            inner_position: None,
            patches: Vec::new(),
            allowance,
        }
    }

    /// Leaves out `count` bytes from `at` on. Once only.
    pub(crate) fn without(mut self, at: u64, count: u64) -> Self {
        let count = count.min(self.length.saturating_sub(at));
        self.gap = (at, count);
        self.length -= count;
        self
    }

    /// Shows `bytes` at `at` in place of the source's own.
    pub(crate) fn patched(mut self, at: u64, bytes: &[u8]) -> Self {
        self.patches.push((at, bytes.to_vec()));
        self
    }
}

impl<R: Read + Seek> Read for GuardedSource<R> {
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize> {
        if self.allowance.is_spent() {
            return Err(Error::new(ErrorKind::InvalidData, "more bytes than a packet or a header can have"));
        }
        let (gap, skipped) = self.gap;
        let (end, skipped) =
            if self.position < gap { (gap.min(self.length), 0) } else { (self.length, skipped) };
        let count = (buffer.len() as u64).min(end.saturating_sub(self.position)) as usize;
        if count == 0 {
            // a damaged header may lead to a place that no system can seek to
            return Ok(0);
        }
        let place = self.base + self.position + skipped;
        if self.inner_position != Some(place) {
            self.inner_position = None;
            self.inner.seek(SeekFrom::Start(place))?;
        }
        let count = self.inner.read(&mut buffer[..count])?;
        self.inner_position = Some(place + count as u64);
        let read = self.position..self.position + count as u64;
        for (place, bytes) in &self.patches {
            for (at, byte) in (*place..).zip(bytes) {
                if read.contains(&at) {
                    buffer[(at - read.start) as usize] = *byte;
                }
            }
        }
        self.position = read.end;
        self.allowance.spend(count as u64);
        Ok(count)
    }
}

impl<R> Seek for GuardedSource<R> {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        let place = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.position.checked_add_signed(by),
            SeekFrom::End(by) => self.length.checked_add_signed(by),
        };
        self.position = place.ok_or_else(|| Error::from(ErrorKind::InvalidInput))?;
        Ok(self.position)
    }
}

impl<R: Read + Seek + Send + Sync> MediaSource for GuardedSource<R> {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.length)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    #[test]
    fn a_reader_sees_the_stretch_without_the_gap_and_with_the_patches() {
        let bytes: Vec<u8> = (0..20).collect();
        let all = |step: usize| {
            let mut source = GuardedSource::new(Cursor::new(&bytes), 2, 18, Allowance::new(1000))
                .without(4, 6)
                .patched(3, &[99])
                .patched(4, &[98]);
            let mut seen = Vec::new();
            let mut part = vec![0; step];
            loop {
                match source.read(&mut part).unwrap() {
                    0 => break seen,
                    n => seen.extend_from_slice(&part[..n]),
                }
            }
        };
        for step in [1, 2, 3, 64] {
            assert_eq!(all(step), [2, 3, 4, 99, 98, 13, 14, 15, 16, 17], "step {step}");
        }
        let mut source = GuardedSource::new(Cursor::new(&bytes), 2, 18, Allowance::new(9)).without(4, 6);
        assert_eq!(source.seek(SeekFrom::End(-1)).unwrap(), 9);
        let mut rest = Vec::new();
        source.read_to_end(&mut rest).unwrap();
        assert_eq!(rest, [17]);
        source.seek(SeekFrom::Start(0)).unwrap();
        assert!(source.read_to_end(&mut rest).is_err(), "the allowance is spent");
    }

    #[test]
    fn behind_the_end_there_is_nothing_however_far() {
        let mut file = tempfile::tempfile().unwrap();
        std::io::Write::write_all(&mut file, &[1; 20]).unwrap();
        let mut source = GuardedSource::new(file, 2, 18, Allowance::new(1000));
        for place in [16, 17, 1 << 40, u64::MAX / 2 + 1, u64::MAX] {
            source.seek(SeekFrom::Start(place)).unwrap();
            assert_eq!(source.read(&mut [0; 4]).unwrap(), 0, "{place}");
        }
    }
}
