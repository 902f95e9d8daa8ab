//! Kit files: what is saved is loaded again, what is broken is refused in one sentence, and a file is
//! replaced by a whole one or not at all.

use kitwright_core::{
    error::{Error, Result},
    kit::{
        Audition, Band, Cut, EXTENSION, Key, Kit, Layer, MAX_STATE_AUDIO, Mode, Role, Slice, TakeEntry,
        VERSION,
    },
    listen::{Description, Hit},
    progress::{Flag, Progress, Quiet},
    settings::Setting,
    take::Take,
};
use proptest::prelude::*;
use std::{
    io::{Cursor, Read, Write},
    path::Path,
    sync::{
        Arc, OnceLock,
        atomic::{AtomicUsize, Ordering::SeqCst},
    },
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
        take: 1,
        hit: 2,
        score: 0.75,
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

/// The refusal of bytes: one sentence.
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
fn a_kit_comes_back_bit_for_bit() {
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
    assert!(text.starts_with("{\n  \"version\": 1,\n  \"name\": \"Cello, borrowed\""), "{}", &text[..100]);
}

#[test]
fn saves_after_the_first_pack_no_take_again() {
    let kit = kit();
    let before = kit.takes[0].flac().unwrap();
    kit.to_bytes(&Quiet).unwrap();
    assert!(Arc::ptr_eq(&before, &kit.takes[0].flac().unwrap()));
    let loaded = Kit::from_bytes(bytes(), &Quiet).unwrap();
    assert_eq!(*loaded.takes[0].flac().unwrap(), *before, "what was read is kept for the next save");
}

#[test]
fn unknown_fields_of_the_same_version_are_passed_over() {
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

#[test]
fn what_is_no_kit_is_refused() {
    assert!(refusal(b"").contains("not a kit"));
    assert!(refusal(b"Dear neighbour, about the drums last night").contains("not a kit"));
    assert!(refusal(&bytes()[..bytes().len() / 2]).contains("cut short"));
    assert!(refusal(&repacked(|name, c| (name != "kit.json").then_some(c))).contains("kit.json"));
    assert!(refusal(&repacked(|name, c| (name != "takes/1.flac").then_some(c))).contains("takes/1.flac"));
    assert!(
        refusal(&repacked(|name, c| Some(if name == "kit.json" { b"{\"version\":1,".to_vec() } else { c })))
            .contains("kit.json")
    );
    assert!(
        refusal(&repacked(|name, c| Some(if name == "takes/0.flac" { b"fLaC no more".to_vec() } else { c })))
            .contains("knocks")
    );
    assert!(
        refusal(&repacked(|name, c| Some(if name == "takes/0.flac" {
            c[..c.len() / 2].to_vec()
        } else {
            c
        })))
        .contains("cut short")
    );
}

#[test]
fn a_newer_version_is_refused_with_what_to_do() {
    let text = refusal(&with_document(|doc| {
        doc["version"] = (VERSION + 1).into();
        doc["pads"] = "something this version cannot read".into();
    }));
    assert!(
        text.contains("newer") && text.contains(&(VERSION + 1).to_string()) && text.contains("install"),
        "{text}"
    );
    assert!(refusal(&with_document(|doc| doc["version"] = 0.into())).contains("version 0"));
    assert!(
        refusal(&with_document(|doc| drop(doc.as_object_mut().unwrap().remove("version"))))
            .contains("version")
    );
}

#[test]
fn takes_that_disagree_with_the_document_are_refused() {
    assert!(refusal(&with_document(|doc| doc["takes"][0]["frames"] = 29_999.into())).contains("29999"));
    assert!(refusal(&with_document(|doc| doc["takes"][0]["frames"] = 30_001.into())).contains("30001"));
    assert!(refusal(&with_document(|doc| doc["takes"][0]["sample_rate"] = 48_000.into())).contains("48000"));
    assert!(refusal(&with_document(|doc| doc["takes"][0]["channels"] = 1.into())).contains("channels"));
    let swapped = repacked(|name, c| {
        Some(if name == "takes/0.flac" { kit().takes[1].flac().unwrap().to_vec() } else { c })
    });
    refusal(&swapped);
}

#[test]
fn values_out_of_range_are_refused_by_name() {
    type Change<'a> = &'a dyn Fn(&mut serde_json::Value);
    let cases: &[(&str, Change<'_>)] = &[
        ("pad 4: Level", &|d| d["pads"][3]["level_db"] = 99.0.into()),
        ("pad 4, layer 2: Pitch", &|d| d["pads"][3]["layers"][1]["pitch_st"] = (-99.0).into()),
        ("pad 4, cloud: Copies", &|d| d["pads"][3]["cloud"]["copies"] = 49.into()),
        ("pad 1, low cut: Frequency", &|d| d["pads"][0]["tone"]["low_cut"]["hz"] = 0.0.into()),
        ("pad 1, punch: Ratio", &|d| d["pads"][0]["tone"]["punch"]["ratio"] = 0.5.into()),
        ("pad 1, low band: Attack", &|d| d["pads"][0]["tone"]["low_band"]["attack_ms"] = 1e30.into()),
        ("pad 1, limiter: Threshold", &|d| d["pads"][0]["tone"]["limiter"]["threshold_db"] = 1.0.into()),
        ("pad 1, last limiter: Release", &|d| d["pads"][0]["tone"]["colour"]["release_ms"] = 0.0.into()),
        ("pad 1, saturation: Drive", &|d| d["pads"][0]["tone"]["saturation"]["drive_db"] = 99.0.into()),
        ("pad 1, band 3: Gain", &|d| d["pads"][0]["tone"]["bands"][2]["gain_db"] = 99.0.into()),
        ("pad 4, dip 8: Q", &|d| d["pads"][3]["tone"]["dips"][7]["q"] = 0.0.into()),
        ("pad 1, bell on the note: Gain", &|d| d["pads"][0]["tone"]["note_bell"]["gain_db"] = 99.0.into()),
        ("pad 1, variation: Pitch", &|d| d["pads"][0]["variation"]["pitch_ct"] = 999.0.into()),
        ("pad 1, trims: Level", &|d| d["trims"]["pads"][0]["level_db"] = 99.0.into()),
        ("the kit's trims: Ceiling level", &|d| d["trims"]["kit"]["ceiling_db"] = 1.0.into()),
        ("the kit's fit", &|d| d["fit"] = 1.5.into()),
        ("pad 4: its fit", &|d| d["pads"][3]["fit"] = (-0.1).into()),
        ("pad 1, tone: Tilt", &|d| d["pads"][0]["tone"]["tilt_db"] = 99.0.into()),
        ("pad 1, tone: Low band up to", &|d| d["pads"][0]["tone"]["low_band_hz"] = 0.0.into()),
        ("15 pads", &|d| drop(d["pads"].as_array_mut().unwrap().pop())),
        ("17 pads", &|d| {
            let p = d["pads"][0].clone();
            d["pads"].as_array_mut().unwrap().push(p)
        }),
        ("pad 1 has 0 layers", &|d| d["pads"][0]["layers"] = serde_json::json!([])),
        ("pad 1 has 5 layers", &|d| d["pads"][0]["layers"] = serde_json::json!([{}, {}, {}, {}, {}])),
        ("9 dips", &|d| {
            let p = d["pads"][3]["tone"]["dips"][0].clone();
            d["pads"][3]["tone"]["dips"].as_array_mut().unwrap().push(p)
        }),
        ("share note 36", &|d| d["pads"][1]["note"] = 36.into()),
        ("note 128", &|d| d["pads"][1]["note"] = 128.into()),
        ("stage of the tone chain", &|d| d["pads"][0]["tone"]["order"][0] = "eq".into()),
        ("take 3", &|d| d["pads"][3]["slices"][0]["take"] = 2.into()),
        ("pad 4 reads frames", &|d| d["pads"][3]["slices"][0]["end"] = 30_001.into()),
        ("pad 4 reads frames", &|d| d["pads"][3]["layers"][1]["slice"]["start"] = 24_000.into()),
        ("pad 4, slice 1: Gain", &|d| d["pads"][3]["slices"][0]["gain_db"] = 1e9.into()),
        ("pad 4, slice of layer 2: Gain", &|d| d["pads"][3]["layers"][1]["slice"]["gain_db"] = 1e9.into()),
        ("slice's velocity", &|d| d["pads"][3]["slices"][0]["velocities"][1] = 0.1.into()),
        ("a hit that is not there", &|d| d["pads"][3]["audition"]["hit"] = 5.into()),
        ("a hit that is not there", &|d| d["pads"][3]["audition"]["next_best"][1][0] = 2.into()),
        ("a score", &|d| d["pads"][3]["audition"]["score"] = 2.0.into()),
        ("hit 1 lies outside", &|d| d["takes"][0]["hits"][0]["end"] = 0.into()),
        ("hit 5 lies outside", &|d| d["takes"][0]["hits"][4]["end"] = 30_001.into()),
        ("no recording", &|d| d["takes"][0]["sample_rate"] = 7.into()),
        ("more audio than", &|d| d["takes"][0]["frames"] = u64::MAX.into()),
        ("kit.json", &|d| d["pads"][0]["level_db"] = serde_json::Value::Null),
        ("kit.json", &|d| d["pads"][0]["role"] = "trumpet".into()),
        ("kit.json", &|d| d["key"] = "H flat".into()),
        ("kit.json", &|d| d["pads"][0]["cloud"]["copies"] = 300.into()),
        ("kit.json", &|d| d["takes"][0]["frames"] = (-1).into()),
    ];
    for (name, change) in cases {
        let text = refusal(&with_document(change));
        assert!(text.contains(name), "{name}: {text}");
    }
}

/// Every setting of every structure in a document, one out of range at a time, is noticed: the check
/// misses no table.
#[test]
fn every_setting_of_every_table_is_checked() {
    fn all<T>(table: &[Setting<T>], owner: impl Fn(&mut Kit) -> &mut T) -> usize {
        let mut seen = 0;
        for setting in table {
            for wrong in [setting.min - 1.0 - setting.min.abs(), setting.max + 1.0 + setting.max.abs()] {
                let mut kit = kit();
                (setting.set)(owner(&mut kit), wrong);
                let now = (setting.get)(owner(&mut kit));
                if (setting.min..=setting.max).contains(&now) {
                    continue; // switches and words cannot hold a wrong value, counts none below 0
                }
                seen += 1;
                let error = kit.doc.check(&kit.takes).expect_err(setting.id).to_string();
                assert!(error.contains(setting.name), "{}: {error}", setting.id);
                kit.doc.mend();
                kit.doc.check(&kit.takes).unwrap();
            }
        }
        seen
    }
    use kitwright_core::{kit as k, settings as s};
    let counts = [
        all(&k::PAD, |k| &mut k.doc.pads[15].settings),
        all(&k::CLOUD, |k| &mut k.doc.pads[15].cloud),
        all(&k::VARIATION, |k| &mut k.doc.pads[15].variation),
        all(&k::LAYER, |k| &mut k.doc.pads[3].layers[1].settings),
        all(&k::SLICE, |k| &mut k.doc.pads[3].slices[0]),
        all(&k::SLICE, |k| k.doc.pads[3].layers[1].slice.as_mut().unwrap()),
        all(&k::TONE, |k| &mut k.doc.pads[15].tone),
        all(&k::CUT, |k| &mut k.doc.pads[15].tone.low_cut),
        all(&k::CUT, |k| &mut k.doc.pads[15].tone.high_cut),
        all(&k::LIMITER, |k| &mut k.doc.pads[15].tone.limiter),
        all(&k::LIMITER, |k| &mut k.doc.pads[15].tone.colour),
        all(&k::SATURATION, |k| &mut k.doc.pads[15].tone.saturation),
        all(&k::BAND, |k| &mut k.doc.pads[15].tone.bands[2]),
        all(&k::BAND, |k| &mut k.doc.pads[3].tone.dips[7]),
        all(&k::BAND, |k| &mut k.doc.pads[15].tone.note_bell),
        all(&k::COMPRESSOR, |k| &mut k.doc.pads[15].tone.punch),
        all(&k::COMPRESSOR, |k| &mut k.doc.pads[15].tone.low_band),
        all(&s::PAD_TRIMS, |k| &mut k.doc.trims.pads[15]),
        all(&s::KIT_TRIMS, |k| &mut k.doc.trims.kit),
    ];
    assert!(counts.iter().all(|&n| n >= 2), "{counts:?}");
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
fn archives_with_tricks_are_refused() {
    let packed = |name: &str, content: &[u8], options: SimpleFileOptions| {
        let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
        zip.start_file(name, options).unwrap();
        zip.write_all(content).unwrap();
        zip.finish().unwrap().into_inner()
    };
    for name in ["../../outside", "/etc/outside", "takes/../../outside"] {
        assert!(refusal(&packed(name, b"x", stored())).contains("points out"), "{name}");
    }
    // a size in the directory that the archive cannot hold
    let mut lying = packed("kit.json", &[b' '; 100], stored());
    let directory = lying.windows(4).rposition(|w| w == b"PK\x01\x02").unwrap();
    lying[directory + 20..directory + 24].copy_from_slice(&0x7fff_ffff_u32.to_le_bytes());
    lying[directory + 24..directory + 28].copy_from_slice(&0x7fff_ffff_u32.to_le_bytes());
    refusal(&lying);
    // method 8: deflated by another program
    let mut deflated = packed("kit.json", b"{}", stored());
    let directory = deflated.windows(4).rposition(|w| w == b"PK\x01\x02").unwrap();
    deflated[8] = 8;
    deflated[directory + 10] = 8;
    assert!(refusal(&deflated).contains("packed anew"));
    // a million empty entries or a document nested a million deep are no kit either
    let deep = packed("kit.json", "[".repeat(1_000_000).as_bytes(), stored());
    assert!(refusal(&deep).contains("kit.json"));
}

/// A FLAC stream of silence is tiny; its length is weighed before it is unpacked.
#[test]
fn silence_that_would_fill_the_memory_is_refused_before_it_is_unpacked() {
    let long = Take::from_samples("long", 48_000, vec![vec![0.0; 48_000 * 60]]);
    let flac = long.flac().unwrap();
    assert!(flac.len() < 100_000);
    let bytes = repacked(|name, c| Some(if name == "takes/1.flac" { flac.to_vec() } else { c }));
    assert!(refusal(&bytes).contains("30000"), "refused as soon as it is longer than the document says");
}

#[test]
fn a_save_that_fails_leaves_the_old_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.kitwright");
    kit().save(&path, &Quiet).unwrap();
    let before = std::fs::read(&path).unwrap();

    let mut broken = kit();
    broken.doc.pads[0].note = broken.doc.pads[1].note;
    assert!(broken.save(&path, &Quiet).is_err());
    assert_eq!(kit().save(&path, &Flag(true.into())).unwrap_err(), Error::Cancelled);
    /// Cancels at its n-th question.
    struct Later(AtomicUsize);
    impl Progress for Later {
        fn report(&self, _: &str, _: f32) {}
        fn cancelled(&self) -> bool {
            self.0.fetch_sub(1, SeqCst) == 1
        }
    }
    for n in 1..6 {
        let _: Result<()> = kit().save(&path, &Later(n.into()));
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }
    assert!(kit().save(folder.path(), &Quiet).unwrap_err().to_string().contains("folder"));
    assert!(
        kit()
            .save(folder.path().join("no/where/kit"), &Quiet)
            .unwrap_err()
            .to_string()
            .contains("folder is not there")
    );

    let names: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names, ["kit.kitwright"], "nothing half-written is left behind");
}

/// A full disk, as the system's limit on file sizes: this test starts itself again under that limit.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_the_old_file() {
    const VARIABLE: &str = "KITWRIGHT_TEST_FULL_DISK";
    if let Some(path) = std::env::var_os(VARIABLE) {
        let error = kit().save(Path::new(&path), &Quiet).unwrap_err().to_string();
        assert!(error.contains("could not be saved") && error.contains("disk is full"), "{error}");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.kitwright");
    std::fs::write(&path, "the old kit").unwrap();
    // blocks of 512 or 1,024 bytes, far below the kit's size; the signal is ignored, so writing fails
    let status = std::process::Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 16; exec \"$0\" --exact a_full_disk_leaves_the_old_file"])
        .arg(std::env::current_exe().unwrap())
        .env(VARIABLE, &path)
        .stdout(std::process::Stdio::null())
        .status()
        .unwrap();
    assert!(status.success());
    assert!(bytes().len() > 16 * 1024);
    assert_eq!(std::fs::read(&path).unwrap(), b"the old kit");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing half-written is left behind");
}

#[cfg(unix)]
#[test]
fn a_link_stays_a_link() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = (folder.path().join("kit.kitwright"), folder.path().join("link.kitwright"));
    kit().save(&file, &Quiet).unwrap();
    std::os::unix::fs::symlink(&file, &link).unwrap();
    let mut other = kit();
    other.doc.name = "other".into();
    other.save(&link, &Quiet).unwrap();
    assert!(std::fs::symlink_metadata(&link).unwrap().is_symlink());
    assert_eq!(Kit::load(&file, &Quiet).unwrap().doc.name, "other");
}

#[test]
fn errors_of_files_name_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("broken.kitwright");
    std::fs::write(&path, &bytes()[..1000]).unwrap();
    for path in [path.as_path(), folder.path(), Path::new("nowhere.kitwright")] {
        let text = Kit::load(path, &Quiet).map(|_| ()).unwrap_err().to_string();
        assert!(text.starts_with(&path.display().to_string()), "{text}");
    }
}

#[test]
fn a_host_keeps_at_most_so_much_audio() {
    // noise does not shrink: 3 bytes a sample
    let frames = (MAX_STATE_AUDIO / 3 + 100_000) as usize;
    let mut random = 1_u32;
    let noise = (0..frames).map(|_| {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        random as i32 as f32 / 2_147_483_648.0
    });
    let take = Arc::new(Take::from_samples("noise", 48_000, vec![noise.collect()]));
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    kit.takes.push(take);
    let text = kit.to_bytes(&Quiet).unwrap_err().to_string();
    assert!(text.contains("181 MiB") && text.contains("180 MiB") && text.contains("shorter"), "{text}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever bytes come, there is a whole kit or an error, never a panic.
    #[test]
    fn changed_bytes_give_a_whole_kit_or_an_error(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
        cut in prop::option::of(any::<prop::sample::Index>()),
        document_only in any::<bool>(),
    ) {
        let mut bytes = bytes().to_vec();
        let span = if document_only { bytes.windows(4).position(|w| w == b"fLaC").unwrap() } else { bytes.len() };
        for (at, value) in changes {
            let i = at.index(span);
            bytes[i] = value;
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        if let Ok(kit) = Kit::from_bytes(&bytes, &Quiet) {
            kit.doc.check(&kit.takes).unwrap();
        }
    }

    /// The same behind the archive's checksums: a document with changed text.
    #[test]
    fn changed_documents_give_a_whole_kit_or_an_error(
        changes in prop::collection::vec((any::<prop::sample::Index>(), prop::sample::select(&b"0123456789.-e[]{}\",:nul "[..])), 1..6),
    ) {
        let bytes = repacked(|name, mut content| {
            if name == "kit.json" {
                for (at, value) in &changes {
                    let i = at.index(content.len());
                    content[i] = *value;
                }
            }
            Some(content)
        });
        if let Ok(kit) = Kit::from_bytes(&bytes, &Quiet) {
            kit.doc.check(&kit.takes).unwrap();
        }
    }
}

#[test]
fn roles_keep_their_words() {
    // what files hold: never to be changed
    let words: Vec<_> = Role::ALL.iter().map(|r| serde_json::to_string(r).unwrap()).collect();
    let want = [
        "kick",
        "snare",
        "rim",
        "clap",
        "closed hat",
        "open hat",
        "shaker",
        "low tom",
        "high tom",
        "percussion",
    ];
    assert_eq!(words, want.map(|w| format!("\"{w}\"")));
}
