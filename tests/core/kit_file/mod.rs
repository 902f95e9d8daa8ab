//! Kit files: a saved kit is loaded unchanged, a broken one is refused in one sentence, and a file is replaced by a
//! whole one or not at all.

mod ranges;
mod refused;
mod saving;

use kitwright_core::{
    export::Summary,
    kit::{Audition, Band, Cut, EXTENSION, Key, KeyLoop, KeyPart, Kit, Layer, Mode, Role, Slice, TakeEntry},
    listen::{Description, Hit, Quality},
    progress::Quiet,
    take::{LossyCodec, Take},
};
use std::{
    io::{Cursor, Read, Write},
    sync::{Arc, OnceLock},
};
use zip::{CompressionMethod, ZipArchive, ZipWriter, write::SimpleFileOptions};

fn take(name: &str, rate: u32, frames: usize, channels: usize) -> Arc<Take> {
    let channel = |c: usize| (0..frames).map(|i| ((i * (c + 3)) as f32 * 0.01).sin() * 0.7).collect();
    Arc::new(Take::from_samples(name, rate, (0..channels).map(channel).collect()))
}

/// Two takes, hits, a pad with everything set to something unusual.
fn kit() -> Kit {
    let mut kit = Kit::default();
    for (name, rate, channels) in
        [("knocks \"left\".wav", 44_100, 2), ("Saiten, gezupft \u{1d11e}.flac", 192_000, 1)]
    {
        let take = take(name, rate, 30_000, channels);
        let hits = (0..5)
            .map(|i| Hit {
                start: i * 6000,
                end: i * 6000 + 5000,
                by_hand: i == 2,
                description: Description {
                    peak_db: -3.5,
                    pitch_hz: (i == 1).then_some(110.25),
                    ..Description::default()
                },
            })
            .collect();
        kit.doc.takes.push(TakeEntry::new(&take, hits));
        kit.takes.push(take);
    }
    kit.doc.name = "Cello, borrowed".into();
    kit.doc.seed = u64::MAX;
    kit.doc.key = Some(Key { tonic: 6, mode: Mode::Minor });
    let slice =
        |take, start| Slice { take, start, end: start + 4000, gain_db: -1.25, velocities: [0.25, 1.0] };
    let pad = &mut kit.doc.pads[3];
    pad.fit = 0.123_456_79;
    pad.audition = Some(Audition {
        tuned_ct: Some(-37.5),
        take: 1,
        hit: 2,
        score: 0.75,
        dull: true,
        by_recipe: true,
        next_best: vec![(0, 1, 0.5), (1, 4, 0.25)],
        edit_summary: vec!["an octave down".into()],
    });
    pad.slices = vec![slice(0, 0), slice(1, 6000)];
    pad.layers = vec![Layer::default(), Layer { slice: Some(slice(1, 20_000)), ..Layer::default() }];
    pad.layers[1].settings.pitch_st = -12.5;
    pad.cloud.copies = 48;
    pad.tone.order.reverse();
    pad.tone.dips = vec![Band { on: true, hz: 3210.0, gain_db: -18.0, q: 12.0 }; 8];
    pad.tone.low_cut = Cut { on: true, hz: 55.5, ..Cut::default() };
    kit.doc.trims.pads[3].mute = true;
    let sustain = Some(KeyLoop { start: 22_000, end: 23_500, fade: 700 });
    let mut part = KeyPart {
        name: "bass".into(),
        slice: Some(slice(1, 20_000)),
        root_hz: 110.5,
        sustain,
        ..KeyPart::default()
    };
    (part.settings.mono, part.settings.glide_ms) = (true, 33.5);
    kit.doc.key_parts = vec![part, KeyPart { root_hz: 440.0, ..KeyPart::default() }];
    kit
}

pub fn bytes() -> &'static [u8] {
    static BYTES: OnceLock<Vec<u8>> = OnceLock::new();
    BYTES.get_or_init(|| kit().to_bytes(&Quiet).unwrap())
}

fn same(a: &Kit, b: &Kit) {
    assert_eq!(a.doc, b.doc);
    assert_eq!(a.takes.len(), b.takes.len());
    for (a, b) in a.takes.iter().zip(&b.takes) {
        assert_eq!((&a.name, a.sample_rate), (&b.name, b.sample_rate));
        assert!(a.channels == b.channels, "the samples of {} differ", a.name);
    }
}

/// The error of refused bytes: one sentence.
fn refusal(bytes: &[u8]) -> String {
    let text = Kit::from_bytes(bytes, &Quiet).map(|_| ()).unwrap_err().to_string();
    assert!(!text.contains('\n') && text.len() > 10, "{text}");
    text
}

/// The kit's archive with other contents: `None` leaves an entry out.
pub fn repacked(change: impl Fn(&str, Vec<u8>) -> Option<Vec<u8>>) -> Vec<u8> {
    let mut from = ZipArchive::new(Cursor::new(bytes())).unwrap();
    let mut to = ZipWriter::new(Cursor::new(Vec::new()));
    for i in 0..from.len() {
        let mut entry = from.by_index(i).unwrap();
        let name = entry.name().unwrap().into_owned();
        let mut content = Vec::new();
        entry.read_to_end(&mut content).unwrap();
        if let Some(content) = change(&name, content) {
            to.start_file(name, stored()).unwrap();
            to.write_all(&content).unwrap();
        }
    }
    to.finish().unwrap().into_inner()
}

fn stored() -> SimpleFileOptions {
    SimpleFileOptions::default().compression_method(CompressionMethod::Stored)
}

/// The kit's archive with its document changed as JSON.
fn with_document(change: impl Fn(&mut serde_json::Value)) -> Vec<u8> {
    repacked(|name, content| {
        if name != "kit.json" {
            return Some(content);
        }
        let mut value = serde_json::from_slice(&content).unwrap();
        change(&mut value);
        Some(serde_json::to_vec(&value).unwrap())
    })
}

#[test]
fn a_saved_kit_is_loaded_bit_for_bit() {
    same(&Kit::from_bytes(bytes(), &Quiet).unwrap(), &kit());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(format!("a kit.{EXTENSION}"));
    kit().save(&path, &Quiet).unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), bytes(), "a file and a state hold the same");
    let loaded = Kit::load(&path, &Quiet).unwrap();
    same(&loaded, &kit());
    assert_eq!(loaded.to_bytes(&Quiet).unwrap(), bytes(), "the same kit gives the same bytes");
    same(&Kit::from_bytes(&Kit::default().to_bytes(&Quiet).unwrap(), &Quiet).unwrap(), &Kit::default());
}

#[test]
fn any_archive_tool_can_open_it() {
    let mut zip = ZipArchive::new(Cursor::new(bytes())).unwrap();
    let names: Vec<_> = zip.file_names().map(|n| n.unwrap().into_owned()).collect();
    assert_eq!(names, ["kit.json", "takes/0.flac", "takes/1.flac"]);
    let mut text = String::new();
    zip.by_name("kit.json").unwrap().read_to_string(&mut text).unwrap();
    assert!(text.starts_with("{\"version\":1,\"name\":\"Cello, borrowed\","), "{}", &text[..100]);
}

#[test]
fn only_the_first_save_encodes_takes() {
    let kit = kit();
    let before = kit.takes[0].flac().unwrap();
    kit.to_bytes(&Quiet).unwrap();
    assert!(Arc::ptr_eq(&before, &kit.takes[0].flac().unwrap()));
    let loaded = Kit::from_bytes(bytes(), &Quiet).unwrap();
    assert_eq!(*loaded.takes[0].flac().unwrap(), *before, "encoded bytes are kept from loading");
}

#[test]
fn unknown_fields_of_the_same_version_are_ignored() {
    let bytes = with_document(|doc| {
        doc["colour of the cover"] = "ochre".into();
        doc["pads"][0]["smell"] = 3.into();
        doc["pads"][0]["layers"][0]["smell"] = 3.into();
    });
    same(&Kit::from_bytes(&bytes, &Quiet).unwrap(), &kit());
}

#[test]
fn missing_fields_take_their_defaults() {
    let bytes = with_document(|doc| {
        doc["pads"][3].as_object_mut().unwrap().remove("cloud");
        doc["pads"][3]["layers"][1].as_object_mut().unwrap().remove("pitch_st");
    });
    let loaded = Kit::from_bytes(&bytes, &Quiet).unwrap();
    assert_eq!(loaded.doc.pads[3].cloud, Default::default());
    assert_eq!(loaded.doc.pads[3].layers[1].settings.pitch_st, 0.0);
}

/// What is said about a kit's takes, by its document and by its summary.
fn lossy_words(kit: &Kit) -> Vec<String> {
    let said: Vec<_> = kit.takes.iter().flat_map(|take| Quality::of(take).sentences()).collect();
    let summary: Vec<_> = Summary::of(kit).takes.into_iter().flat_map(|take| take.faults).collect();
    assert_eq!(said, summary, "the window and the tables say the same");
    said.into_iter().filter(|s| s.starts_with("lossy file")).collect()
}

#[test]
fn a_take_of_a_lossy_file_stays_one_in_a_saved_kit() {
    for (codec, name) in
        [(LossyCodec::Mp3, "MP3"), (LossyCodec::Vorbis, "Ogg Vorbis"), (LossyCodec::Aac, "AAC")]
    {
        let source = Take::from_samples("knocks", 44_100, take("", 44_100, 30_000, 1).channels.clone());
        let source = Arc::new(source.with_lossy(Some(codec)));
        let mut kit = Kit::default();
        kit.doc.takes.push(TakeEntry::new(&source, Vec::new()));
        kit.takes.push(source);
        kit.doc.pads[0].slices =
            vec![Slice { take: 0, start: 8000, end: 9000, gain_db: 0.0, velocities: [0.0, 1.0] }];
        let loaded = Kit::from_bytes(&kit.to_bytes(&Quiet).unwrap(), &Quiet).unwrap();
        for kit in [&kit, &loaded, &loaded.keep_used().unwrap()] {
            let said = lossy_words(kit);
            assert!(said.len() == 1 && said[0].starts_with(&format!("lossy file ({name})")), "{said:?}");
        }
    }
}

#[test]
fn a_codec_of_a_newer_version_is_kept_as_unknown() {
    let newer = with_document(|doc| doc["takes"][1]["lossy"] = "wax_cylinder".into());
    let loaded = Kit::from_bytes(&newer, &Quiet).unwrap();
    assert_eq!(loaded.takes.iter().map(|t| t.lossy).collect::<Vec<_>>(), [None, Some(LossyCodec::Other)]);
    assert!(lossy_words(&loaded)[0].starts_with("lossy file (unknown codec)"));
}

#[test]
fn levels_of_silence_do_not_break_a_file() {
    let mut kit = kit();
    kit.doc.takes[0].hits[0].description.loudness_lufs = f32::NEG_INFINITY;
    kit.doc.takes[0].hits[0].description.bands_db[3][7] = f32::NAN;
    kit.doc.pads[0].settings.level_db = f32::INFINITY;
    let loaded = Kit::from_bytes(&kit.to_bytes(&Quiet).unwrap(), &Quiet).unwrap();
    assert_eq!(loaded.doc.takes[0].hits[0].description.loudness_lufs, -1e6);
    assert_eq!(loaded.doc.pads[0].settings.level_db, 24.0);
}

#[test]
fn roles_keep_their_words() {
    // Saved files hold these words.
    let words: Vec<_> = Role::ALL.iter().map(|r| serde_json::to_string(r).unwrap()).collect();
    let want = [
        "kick",
        "snare",
        "rim",
        "clap",
        "closed hat",
        "pedal hat",
        "open hat",
        "crash",
        "ride",
        "shaker",
        "low tom",
        "middle tom",
        "high tom",
        "percussion",
    ];
    assert_eq!(words, want.map(|w| format!("\"{w}\"")));
}
