//! What each fuzz target does with its bytes, as plain functions: libFuzzer calls them (`fuzz_targets`), and
//! `tests/untrusted` calls them over the seeds and over random changes of them.
//!
//! Whatever the bytes, a target neither panics nor takes more than [`MOST_MEMORY`].

#[allow(dead_code, reason = "only the parser is used here")]
#[path = "../src/cli/arguments.rs"]
mod arguments;

use clap::{CommandFactory, FromArgMatches};
use kitwright_core::{
    export::Score,
    kit::Kit,
    progress::Quiet,
    session::Session,
    take::{Take, set_memory_limit},
};
use serde_json::Value;
use std::{
    alloc::{GlobalAlloc, Layout, System},
    cell::RefCell,
    io::{Cursor, Write},
    sync::{
        Arc, OnceLock,
        atomic::{AtomicUsize, Ordering::Relaxed},
    },
    time::Duration,
};
use zip::{CompressionMethod, ZipWriter, write::SimpleFileOptions};

/// Memory of the whole process, bytes: more is refused, which ends it.
pub const MOST_MEMORY: usize = 500_000_000;
/// Memory that recordings may take, bytes: the limit that players set (1.5 GB by default).
const RECORDINGS: u64 = 100_000_000;

/// The system's allocator, which has no more than [`MOST_MEMORY`].
pub struct Capped;

static IN_USE: AtomicUsize = AtomicUsize::new(0);
static PEAK: AtomicUsize = AtomicUsize::new(0);

/// Most memory that was in use since this was last asked, bytes.
pub fn peak() -> usize {
    PEAK.swap(0, Relaxed)
}

// SAFETY: everything is passed on to the system's allocator; only counted, or refused.
unsafe impl GlobalAlloc for Capped {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let in_use = IN_USE.fetch_add(layout.size(), Relaxed) + layout.size();
        PEAK.fetch_max(in_use, Relaxed);
        if in_use > MOST_MEMORY {
            return std::ptr::null_mut();
        }
        // SAFETY: by this function's contract.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        IN_USE.fetch_sub(layout.size(), Relaxed);
        // SAFETY: by this function's contract.
        unsafe { System.dealloc(memory, layout) }
    }
}

/// A target: what it is called, and what it does with bytes.
pub type Target = (&'static str, fn(&[u8]));

/// All targets.
pub const TARGETS: [Target; 6] = [
    ("arguments", arguments),
    ("audio", audio),
    ("flac_in_kit", flac_in_kit),
    ("host_state", host_state),
    ("kit_document", kit_document),
    ("midi", midi),
];

/// Any command line is understood or refused.
pub fn arguments(bytes: &[u8]) {
    thread_local! {
        /// To build it takes ten times as long as to read a command line by it.
        static COMMAND: RefCell<clap::Command> = RefCell::new(arguments::Arguments::command());
    }
    let text = String::from_utf8_lossy(bytes);
    let words = std::iter::once("kitwright").chain(text.split('\n'));
    let read = COMMAND.with_borrow_mut(|command| command.try_get_matches_from_mut(words));
    let _ = read.and_then(|mut found| arguments::Arguments::from_arg_matches_mut(&mut found));
}

/// Any file is decoded as a recording or refused; what is decoded is finite and within full scale.
pub fn audio(bytes: &[u8]) {
    set_memory_limit(RECORDINGS);
    let mut file = tempfile::NamedTempFile::new().expect("a temporary file");
    file.write_all(bytes).expect("room for a temporary file");
    if let Ok(take) = Take::read(file.path(), &Quiet) {
        assert!(take.channels.iter().flatten().all(|s| s.is_finite() && s.abs() <= 1.0));
        assert!(
            take.channels.iter().all(|c| c.len() == take.frames()) && (1..=2).contains(&take.channels.len())
        );
    }
}

/// Any bytes are decoded as the FLAC of a kit or refused, and nothing longer than it may be is kept.
pub fn flac_in_kit(bytes: &[u8]) {
    const MAX_FRAMES: u64 = 1 << 20;
    set_memory_limit(RECORDINGS);
    if let Ok(take) = Take::from_flac("take", 48_000, bytes.into(), MAX_FRAMES, &Quiet) {
        assert!(take.frames() as u64 <= MAX_FRAMES);
    }
}

/// Any text that a host hands back as its state becomes the kit or is refused. Bytes that begin with "kit" stand for the
/// choices of [`changed_kit`].
pub fn host_state(bytes: &[u8]) {
    static SESSION: OnceLock<Arc<Session>> = OnceLock::new();
    set_memory_limit(RECORDINGS);
    let session = SESSION.get_or_init(Session::new);
    let text = match bytes.strip_prefix(b"kit") {
        Some(choices) => base64_of(&changed_kit(choices)),
        None => String::from_utf8_lossy(bytes).into_owned(),
    };
    session.dismiss_error();
    session.restore(text);
    assert!(session.wait_ready(Duration::from_secs(20)), "a state must not take longer");
    let kit = session.kit();
    kit.doc.check(&kit.takes).expect("the open kit is valid whatever came");
}

/// Any document in a whole kit file is read or refused; what is read is within its ranges, and is the same again when it
/// is saved. Bytes that begin with "{" are the document itself; others are choices of [`changed_kit`].
pub fn kit_document(bytes: &[u8]) {
    set_memory_limit(RECORDINGS);
    let file = if bytes.starts_with(b"{") { kit_file(bytes, &[]) } else { changed_kit(bytes) };
    if let Ok(kit) = Kit::from_bytes(&file, &Quiet) {
        kit.doc.check(&kit.takes).expect("what is read is checked");
        if let Ok(saved) = kit.to_bytes(&Quiet) {
            let again = Kit::from_bytes(&saved, &Quiet).expect("what was saved is read");
            assert_eq!(again.to_bytes(&Quiet).expect("and saved"), saved);
        }
    }
}

/// Any bytes are read as a MIDI file or refused; its times are finite and in order.
pub fn midi(bytes: &[u8]) {
    if let Ok(score) = Score::parse(bytes) {
        assert!(score.events.iter().all(|e| e.seconds.is_finite()));
        assert!(score.events.is_sorted_by(|a, b| a.seconds <= b.seconds));
    }
}

/// What one change may add to a document by copies of a part, bytes.
const MOST_COPIED: usize = 4_000_000;

/// Bytes as a source of choices; zeros behind their end.
struct Choices<'a>(std::slice::Iter<'a, u8>);

impl Choices<'_> {
    fn byte(&mut self) -> usize {
        self.0.next().copied().unwrap_or(0).into()
    }

    /// One of `count` at most 65,536 things.
    fn of(&mut self, count: usize) -> usize {
        (self.byte() << 8 | self.byte()) % count.max(1)
    }
}

/// A kit file with right checksums whose document is a valid one, changed in places: each change takes a few of the
/// choices.
fn changed_kit(choices: &[u8]) -> Vec<u8> {
    static VALID: OnceLock<(Value, Vec<u8>)> = OnceLock::new();
    let (valid, flac) = VALID.get_or_init(valid_kit);
    let mut document = valid.clone();
    let mut choices = Choices(choices.iter());
    for _ in 0..=choices.byte() % 8 {
        change(&mut document, &mut choices);
    }
    kit_file(document.to_string().as_bytes(), flac)
}

/// The document and the take of a kit that uses everything.
fn valid_kit() -> (Value, Vec<u8>) {
    use kitwright_core::kit::{Layer, Slice, TakeEntry};
    let samples = (0..4800).map(|i| 0.5 * (i as f32 * 0.1).sin()).collect();
    let take = Arc::new(Take::from_samples("take", 48_000, vec![samples]));
    let mut kit = Kit::default();
    kit.doc.takes = vec![TakeEntry::new(&take, Vec::new())];
    kit.takes = vec![take];
    let slice = Slice { take: 0, start: 0, end: 4800, gain_db: 0.0, velocities: [0.0, 1.0] };
    for pad in kit.doc.pads.iter_mut().take(2) {
        pad.slices = vec![slice; 2];
        pad.layers = vec![Layer { slice: Some(slice), ..Layer::default() }; 2];
        pad.tone.dips = vec![kitwright_core::kit::Band::default()];
    }
    let file = kit.to_bytes(&Quiet).expect("a valid kit");
    let mut zip = zip::ZipArchive::new(Cursor::new(file)).expect("a ZIP");
    let mut entry = |name: &str| {
        let mut bytes = Vec::new();
        std::io::copy(&mut zip.by_name(name).expect("an entry"), &mut bytes).expect("its bytes");
        bytes
    };
    let document = serde_json::from_slice(&entry("kit.json")).expect("a document");
    (document, entry("takes/0.flac"))
}

/// Walks down from `value` by choices and changes what is there.
fn change(value: &mut Value, choices: &mut Choices) {
    let deeper = !choices.byte().is_multiple_of(8);
    match value {
        Value::Array(items) if deeper && !items.is_empty() => {
            let index = choices.of(items.len());
            change(&mut items[index], choices);
        }
        Value::Object(fields) if deeper && !fields.is_empty() => {
            let index = choices.of(fields.len());
            change(fields.values_mut().nth(index).expect("within"), choices);
        }
        Value::Array(items) if choices.byte().is_multiple_of(2) => match choices.byte() % 3 {
            0 => drop(items.pop()),
            1 => items.extend(items.last().cloned()),
            _ => {
                // changes multiply: the target itself must not take all of the memory
                let size = items.first().map_or(1, |first| first.to_string().len());
                let copies = choices.of(3000).min(MOST_COPIED / size);
                items.extend(items.first().cloned().into_iter().cycle().take(copies));
            }
        },
        Value::Object(fields) if choices.byte().is_multiple_of(2) => {
            let name = fields.keys().nth(choices.of(fields.len())).cloned();
            name.and_then(|name| fields.remove(&name));
        }
        value => *value = replacement(value, choices),
    }
}

fn replacement(value: &Value, choices: &mut Choices) -> Value {
    let number = value.as_f64().unwrap_or(1.0);
    match choices.byte() % 16 {
        0 => Value::Null,
        1 => Value::Bool(choices.byte().is_multiple_of(2)),
        2 => 0.into(),
        3 => (-1).into(),
        4 => u64::MAX.into(),
        5 => i64::MIN.into(),
        6 => 1e308.into(),
        7 => (-1e-308).into(),
        8 => (number * 1.0001).into(),
        9 => (-number).into(),
        10 => (number + 1.0).into(),
        11 => "".into(),
        12 => "\u{0}\u{1b}[2J\n\u{202e}".into(),
        13 => "x".repeat(choices.of(20_000)).into(),
        14 => Value::Array(vec![1.into(); choices.of(300)]),
        _ => (choices.of(65_536) as f64 / 256.0).into(),
    }
}

/// A kit file of this document, with a take unless it is empty; checksums are right whatever the document says.
fn kit_file(document: &[u8], flac: &[u8]) -> Vec<u8> {
    let mut kit = ZipWriter::new(Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let mut entry = |name: &str, bytes: &[u8]| {
        kit.start_file(name, stored).expect("a ZIP in memory");
        kit.write_all(bytes).expect("a ZIP in memory");
    };
    entry("kit.json", document);
    if !flac.is_empty() {
        entry("takes/0.flac", flac);
    }
    kit.finish().expect("a ZIP in memory").into_inner()
}

fn base64_of(bytes: &[u8]) -> String {
    use base64::{Engine as _, engine::general_purpose::STANDARD};
    STANDARD.encode(bytes)
}
