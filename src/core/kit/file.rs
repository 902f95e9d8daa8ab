//! Kit files: a ZIP archive with the document as `kit.json` and each take as `takes/N.flac`.
//!
//! Everything is stored as it is (FLAC does not shrink any further), so any archive tool opens a kit and
//! any player its takes. A host's state holds the same bytes. Fields of the document that this version
//! does not know are passed over; a newer document version is refused as a whole.
//!
//! What is read is untrusted: sizes are checked before anything is read, a kit is either whole or
//! not there, and a file is replaced only by a whole one.

use super::{Document, Kit, Pad, TakeEntry, VERSION, bounded};
use crate::{
    error::{Error, Result},
    progress::{Part, Progress},
    staging::{StagedFile, unwritten},
    take::{Allowance, GuardedSource, MAX_FILE_BYTES, Take, memory_trouble, sample_bytes},
};
use serde::Deserialize;
use std::{
    fs::File,
    io::{BufReader, BufWriter, Cursor, ErrorKind, Read, Seek, SeekFrom, Write},
    iter::repeat_n,
    path::Path,
    sync::Arc,
};
use zip::{CompressionMethod, ZipArchive, ZipWriter, write::SimpleFileOptions};

/// Ending of kit files, without the dot.
pub const EXTENSION: &str = "kitwright";
/// FLAC bytes that a host's state holds at most, all takes together: 180 MiB. In base64 that is 240 MiB,
/// and the plugin framework's CLAP side refuses to load more than 256 MiB.
pub const MAX_STATE_AUDIO: u64 = 180 << 20;
/// Bytes of a kit's document at most.
const MAX_DOCUMENT: u64 = 64 << 20;
/// Values in a kit's document at most. As many hits as the bytes allow have three quarters of it, and
/// what is kept of four million values is less than 400 MB, whatever they are.
const MAX_VALUES: usize = 4 << 20;
/// Bytes of the archive's directory at most. A kit has 65 entries of less than 100 bytes.
const MAX_DIRECTORY: u64 = 4 << 20;
const DOCUMENT: &str = "kit.json";

fn take_name(index: usize) -> String {
    format!("takes/{index}.flac")
}

impl Kit {
    /// Writes the kit to `path`: to a temporary file beside it first, which then takes its place. Whatever
    /// fails (a full disk, a cancelled save), an older file stays as it was.
    ///
    /// # Errors
    /// One sentence that names the file and says what to do, or [`Error::Cancelled`].
    pub fn save(&self, path: impl AsRef<Path>, progress: &dyn Progress) -> Result<()> {
        let staged = StagedFile::new(path.as_ref())?;
        staged.write(|path| {
            let unwritten = |e: std::io::Error| unwritten(path, &e);
            let mut out = BufWriter::new(File::create(path).map_err(unwritten)?);
            self.write(&mut out, progress).map_err(|e| e.into_error(unwritten))?;
            out.flush().map_err(unwritten)
        })?;
        staged.sync()?;
        progress.check()?;
        staged.commit()
    }

    /// Reads a kit file.
    ///
    /// # Errors
    /// One sentence that names the file: not a kit, damaged, made by a newer version, a take missing or
    /// not as the document says, a value out of range; or [`Error::Cancelled`].
    pub fn load(path: impl AsRef<Path>, progress: &dyn Progress) -> Result<Kit> {
        let path = path.as_ref();
        let (file, length) = open_file(path)?;
        read(file, length, progress).map_err(|e| in_file(e, path))
    }

    /// The kit as the bytes of a kit file, for a host's state. The same kit gives the same bytes.
    ///
    /// # Errors
    /// One sentence when the takes exceed [`MAX_STATE_AUDIO`], or [`Error::Cancelled`].
    pub fn to_bytes(&self, progress: &dyn Progress) -> Result<Vec<u8>> {
        self.check_state_size(progress)?;
        let mut out = Cursor::new(Vec::new());
        self.write(&mut out, progress)
            .map_err(|e| e.into_error(|e| Error::invalid(format!("the kit could not be packed ({e})"))))?;
        Ok(out.into_inner())
    }

    /// The document of a kit file alone, quickly: its audio is not read.
    ///
    /// # Errors
    /// As [`Kit::load`], except for what is wrong with the takes.
    pub fn read_document(path: impl AsRef<Path>) -> Result<Document> {
        let path = path.as_ref();
        let (file, length) = open_file(path)?;
        open_archive(file, length).and_then(|mut zip| read_document(&mut zip)).map_err(|e| in_file(e, path))
    }

    /// Reads what [`Kit::to_bytes`] wrote.
    ///
    /// # Errors
    /// As [`Kit::load`], without a file's name.
    pub fn from_bytes(bytes: &[u8], progress: &dyn Progress) -> Result<Kit> {
        read(Cursor::new(bytes), bytes.len() as u64, progress)
    }

    /// Whether a host's state can hold the takes; packs them where their length does not tell it.
    ///
    /// # Errors
    /// One sentence when they exceed [`MAX_STATE_AUDIO`], or [`Error::Cancelled`].
    pub fn check_state_size(&self, progress: &dyn Progress) -> Result<()> {
        // FLAC never needs more than the 3 bytes of a sample and a little for each block: 25 bytes for 8 samples
        let samples: u64 = self.takes.iter().map(|t| (t.frames() * t.channels.len()) as u64).sum();
        if samples * 25 / 8 < MAX_STATE_AUDIO {
            return Ok(());
        }
        let bytes = self.pack(progress)?;
        if bytes > MAX_STATE_AUDIO {
            return Err(Error::invalid(format!(
                "the kit's takes come to {} MiB of packed audio, a host's project keeps at most {} MiB: use \
                 shorter recordings",
                bytes.div_ceil(1 << 20),
                MAX_STATE_AUDIO >> 20
            )));
        }
        Ok(())
    }

    /// Packs every take that is not packed yet; bytes of them all.
    fn pack(&self, progress: &dyn Progress) -> Result<u64> {
        let mut bytes = 0;
        for (i, take) in self.takes.iter().enumerate() {
            bytes += take.flac_with(&Part::nth(progress, i, self.takes.len()))?.len() as u64;
        }
        Ok(bytes)
    }

    fn write<W: Write + Seek>(&self, out: W, progress: &dyn Progress) -> std::result::Result<(), WriteError> {
        let mut doc = self.doc.clone();
        doc.mend();
        doc.check(&self.takes)?;
        if self.pack(&Part::new(progress, 0.0, 0.9))? > MAX_FILE_BYTES {
            return Err(Error::invalid("the kit's takes come to more than 2 GiB; remove one").into());
        }
        // a fixed time stamp: the same kit gives the same bytes
        let options = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
        let mut zip = ZipWriter::new(UntilFailure::new(out));
        zip.start_file(DOCUMENT, options)?;
        let document = serde_json::to_vec(&doc).map_err(std::io::Error::from)?;
        check_values(&document)?;
        if document.len() as u64 > MAX_DOCUMENT {
            return Err(Error::invalid("the kit has more hits than a kit file keeps; remove a take").into());
        }
        zip.write_all(&document)?;
        for (i, take) in self.takes.iter().enumerate() {
            progress.report("writing the kit", 0.9 + 0.1 * i as f32 / self.takes.len() as f32);
            zip.start_file(take_name(i), options)?;
            for part in take.flac()?.chunks(1 << 20) {
                progress.check()?;
                zip.write_all(part)?;
            }
        }
        zip.finish()?;
        Ok(())
    }
}

/// Passes nothing on after a failure, but goes on counting: the archive writer finishes its archive even
/// when it is given up, and would complain of a full disk once more, on standard error.
struct UntilFailure<W> {
    out: W,
    failed: bool,
    position: u64,
    end: u64,
}

impl<W> UntilFailure<W> {
    fn new(out: W) -> Self {
        Self { out, failed: false, position: 0, end: 0 }
    }

    fn note<T>(&mut self, result: std::io::Result<T>) -> std::io::Result<T> {
        self.failed |= result.as_ref().is_err_and(|e| e.kind() != ErrorKind::Interrupted);
        result
    }
}

impl<W: Write> Write for UntilFailure<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let count = if self.failed { Ok(bytes.len()) } else { self.out.write(bytes) };
        let count = self.note(count)?;
        self.position += count as u64;
        self.end = self.end.max(self.position);
        Ok(count)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        let result = if self.failed { Ok(()) } else { self.out.flush() };
        self.note(result)
    }
}

impl<W: Seek> Seek for UntilFailure<W> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        let result = if self.failed {
            Ok(match to {
                SeekFrom::Start(at) => at,
                SeekFrom::Current(by) => self.position.saturating_add_signed(by),
                SeekFrom::End(by) => self.end.saturating_add_signed(by),
            })
        } else {
            self.out.seek(to)
        };
        self.position = self.note(result)?;
        Ok(self.position)
    }
}

/// Trouble with the kit or with the place it is written to.
enum WriteError {
    Kit(Error),
    Place(std::io::Error),
}

impl WriteError {
    fn into_error(self, place: impl FnOnce(std::io::Error) -> Error) -> Error {
        match self {
            Self::Kit(e) => e,
            Self::Place(e) => place(e),
        }
    }
}

impl From<Error> for WriteError {
    fn from(e: Error) -> Self {
        Self::Kit(e)
    }
}

impl From<std::io::Error> for WriteError {
    fn from(e: std::io::Error) -> Self {
        Self::Place(e)
    }
}

impl From<zip::result::ZipError> for WriteError {
    fn from(e: zip::result::ZipError) -> Self {
        Self::Place(e.into())
    }
}

/// A kit file and its length, bytes.
fn open_file(path: &Path) -> Result<(File, u64)> {
    let unread = |e: std::io::Error| {
        Error::file(
            path,
            match e.kind() {
                ErrorKind::NotFound => "there is no such file; check its name and place".to_owned(),
                ErrorKind::PermissionDenied => "may not be read; allow it or copy the file elsewhere".into(),
                _ => format!("could not be read ({e}); check the disk and try again"),
            },
        )
    };
    let about = std::fs::metadata(path).map_err(unread)?;
    if !about.is_file() {
        return Err(Error::file(path, "is no file; give a kit file"));
    }
    Ok((File::open(path).map_err(unread)?, about.len()))
}

/// An error about what a file holds, with the file's name.
fn in_file(e: Error, path: &Path) -> Error {
    match e {
        Error::Cancelled => e,
        Error::File { file, trouble } => Error::file(path, format!("{file} {trouble}")),
        Error::Invalid(trouble) => Error::file(path, trouble),
    }
}

/// The archive of `length` bytes, its directory checked.
fn open_archive<R: Read + Seek>(source: R, length: u64) -> Result<ZipArchive<BufReader<GuardedSource<R>>>> {
    if length > MAX_FILE_BYTES + MAX_DOCUMENT {
        return Err(Error::invalid("is larger than any kit this program writes (2 GiB)"));
    }
    let allowance = Allowance::new(MAX_DIRECTORY);
    let source = GuardedSource::new(source, 0, length, allowance.clone());
    let mut zip = ZipArchive::new(BufReader::new(source))
        .map_err(|_| Error::invalid("is not a kit file, or is cut short or damaged; use a copy of it"))?;
    allowance.renew(u64::MAX);
    check_entries(&mut zip, length)?;
    Ok(zip)
}

fn read<R: Read + Seek>(source: R, length: u64, progress: &dyn Progress) -> Result<Kit> {
    let mut zip = open_archive(source, length)?;
    let mut doc = read_document(&mut zip)?;
    if let Some(trouble) = memory_trouble(memory_of(&doc, length)) {
        return Err(Error::invalid(trouble));
    }
    let mut takes = Vec::with_capacity(doc.takes.len());
    for (i, entry) in doc.takes.iter().enumerate() {
        takes.push(Arc::new(read_take(&mut zip, i, entry, &Part::nth(progress, i, doc.takes.len()))?));
    }
    doc.check(&takes)?;
    doc.pads.iter_mut().for_each(Pad::mend_percussion);
    Ok(Kit { doc, takes })
}

/// Memory that a kit's samples and packed takes will need, bytes.
fn memory_of(doc: &Document, file_bytes: u64) -> u64 {
    let samples = doc.takes.iter().map(|t| sample_bytes(t.frames, usize::from(t.channels)));
    samples.fold(file_bytes, u64::saturating_add)
}

/// Entries are stored, so that together they cannot be larger than the archive; and none may point out of
/// it, although nothing is ever unpacked to a disk.
fn check_entries<R: Read + Seek>(zip: &mut ZipArchive<R>, length: u64) -> Result<()> {
    let mut sum = 0_u64;
    for i in 0..zip.len() {
        let entry =
            zip.by_index_raw(i).map_err(|e| Error::invalid(format!("is a damaged kit file ({e})")))?;
        if !entry.name().is_ok_and(|name| stays_inside(&name)) {
            return Err(Error::invalid("holds an entry that points out of the archive; it is not a kit"));
        }
        sum = sum.saturating_add(entry.size().max(entry.compressed_size()));
        if entry.compression() != CompressionMethod::Stored || entry.encrypted() {
            return Err(Error::invalid(
                "was packed anew by another program; pack it without compression and password, or save the \
                 kit again",
            ));
        }
    }
    if sum > length {
        return Err(Error::invalid("says that it holds more than it can; it is damaged or not a kit"));
    }
    Ok(())
}

fn stays_inside(name: &str) -> bool {
    !name.contains(['\\', ':', '\0']) && name.split('/').all(|part| !matches!(part, "" | "." | ".."))
}

fn read_entry<R: Read + Seek>(zip: &mut ZipArchive<R>, name: &str, most: u64) -> Result<Arc<[u8]>> {
    let mut entry = zip.by_name(name).map_err(|e| match e {
        zip::result::ZipError::FileNotFound => {
            Error::invalid(format!("holds no {name}; it is not a kit file or it was changed"))
        }
        e => Error::invalid(format!("is damaged at {name} ({e})")),
    })?;
    let size = entry.size();
    if size > most {
        return Err(Error::invalid(format!("holds a {name} of {size} bytes, more than any kit has")));
    }
    let damaged = |e| Error::invalid(format!("is damaged at {name} ({e}); use a copy of it"));
    // read where it stays: takes are kept as they are packed
    let mut bytes: Arc<[u8]> = repeat_n(0, size as usize).collect();
    let room = Arc::get_mut(&mut bytes).expect("nobody else has it yet");
    entry.read_exact(room).map_err(damaged)?;
    // only reading on at the end compares the checksum
    if entry.read(&mut [0]).map_err(damaged)? > 0 {
        return Err(Error::invalid(format!(
            "is damaged at {name} (it is longer than it says); use a copy of it"
        )));
    }
    Ok(bytes)
}

/// The version alone: a newer document may differ in everything else.
#[derive(Deserialize)]
struct Stamp {
    version: u32,
}

fn read_document<R: Read + Seek>(zip: &mut ZipArchive<R>) -> Result<Document> {
    let bytes = read_entry(zip, DOCUMENT, MAX_DOCUMENT)?;
    check_values(&bytes)?;
    let broken = |e: serde_json::Error| {
        Error::invalid(format!("holds a {DOCUMENT} that cannot be read ({})", shortened(&e.to_string())))
    };
    let stamp: Stamp = serde_json::from_slice(&bytes).map_err(broken)?;
    if stamp.version > VERSION {
        return Err(Error::invalid(format!(
            "was made by a newer Kitwright (kit version {}, this one reads up to {VERSION}): install the newer \
             one to open it",
            stamp.version
        )));
    }
    let doc: Document = serde_json::from_slice(&bytes).map_err(broken)?;
    doc.check_alone()?;
    Ok(doc)
}

/// Whether a document takes no more memory than any kit needs.
fn check_values(document: &[u8]) -> Result<()> {
    if bounded::count_values(document) > MAX_VALUES {
        return Err(Error::invalid(format!(
            "holds a {DOCUMENT} of more than {} million values, more than any kit has",
            MAX_VALUES / 1_000_000
        )));
    }
    Ok(())
}

/// At most 200 characters of a text: an error repeats what it stumbled over.
fn shortened(text: &str) -> String {
    let mut short: String = text.chars().take(200).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}

fn read_take<R: Read + Seek>(
    zip: &mut ZipArchive<R>,
    index: usize,
    entry: &TakeEntry,
    progress: &dyn Progress,
) -> Result<Take> {
    progress.check()?;
    let bytes = read_entry(zip, &take_name(index), MAX_FILE_BYTES)?;
    let take = Take::from_flac(&entry.name, entry.sample_rate, bytes, entry.frames, progress)?;
    let take = take.with_lossy(entry.lossy);
    Ok(match entry.offset {
        Some(offset) => take.with_offset(offset),
        None => take,
    })
}
