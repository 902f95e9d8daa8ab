//! Export: rendered songs, pads as WAV files, a groove, a picture, a summary, kits for other samplers.
//!
//! [`write_folder`] writes a kit's folder, the same for the command line and the window;
//! [`render_file`] plays a MIDI file into a WAV file; [`export_sampler`] writes samples, SFZ, SoundFont 2 or names of
//! notes.

mod groove;
mod overview;
mod render;
mod sampler;
mod score;
mod song;
mod space;
mod summary;
mod text;
mod wav;

pub use groove::{groove_midi, pattern_midi, write_pattern};
pub use overview::{WaveOutline, overview, role_colour};
pub use render::{MAX_TAIL_S, RenderOptions, Stereo, render, render_pad, render_stems};
pub use sampler::{
    MAX_VELOCITIES, MIN_VELOCITIES, SampleOptions, SamplerFormat, SamplerSummary, export_sampler,
    sampler_files,
};
pub use score::{Action, Event, Score, Tempo};
pub use song::{Loudness, SongSummary, StemSummary, render_file};
pub use summary::{
    PadSummary, Summary, TakeSummary, TargetSummary, Tuning, is_tidied, key_part_stems, kit_file, pad_file,
    shares_hit_with, stem_file, tidy, tidy_db, tuning,
};
pub use wav::{WavOut, write_wav};

use crate::{
    engine::PlayKit,
    error::{Error, Result},
    kit::{Kit, PADS},
    parallel,
    progress::{Beside, Counter, Progress},
    staging::{StagedFile, StagedFolder, unwritten},
    take::Take,
};
use std::{
    fs,
    path::{Path, PathBuf},
    sync::Arc,
};

/// Rate of the files in a kit's folder, Hz.
const FOLDER_RATE: u32 = 48_000;
/// What a kit's folder holds besides the kit and its pads.
const FOLDER_FILES: [&str; 4] = ["groove.wav", "groove.mid", "overview.png", "kit.json"];
/// Velocity of the stroke in a pad's WAV file.
const PAD_VELOCITY: f32 = 110.0 / 127.0;

/// Writes a kit's folder: the kit file with its audio, each pad played once at velocity 110 (48 kHz,
/// 24 bit), a groove as audio and as MIDI, a picture and kit.json. Returns what kit.json holds.
///
/// Everything is written beside `dir` first and moved in at the end: an error or a cancellation before that leaves
/// nothing behind. If a file cannot be moved, those already moved stay. In an existing folder, files of the same names
/// are replaced, pads of the previous kit are removed, and all other files stay.
///
/// # Errors
/// Cancelled, a kit that fails its check, a disk without room for it, or a folder that cannot be written.
pub fn write_folder(kit: &Arc<Kit>, dir: impl AsRef<Path>, progress: &dyn Progress) -> Result<Summary> {
    let dir = dir.as_ref();
    space::check_kit(kit, dir)?;
    let staged = StagedFolder::new(dir)?;
    let summary = Summary::of(kit);

    staged.write(|folder| write_contents(kit, &summary, folder, progress))?;
    progress.check()?;
    staged.commit(&previous_pads(dir))?;
    Ok(summary)
}

/// Writes all files of a kit's folder on all cores, the slowest first.
fn write_contents(kit: &Arc<Kit>, summary: &Summary, folder: &Path, progress: &dyn Progress) -> Result<()> {
    create_folder(&folder.join("pads"))?;
    let pads: Vec<usize> = kit.sounding().map(|(pad, ..)| pad).collect();
    let (count, beside) = (2 + pads.len(), Beside(progress));
    let counter = Counter::new(progress, "writing the kit", count);
    let written = parallel::in_order(
        count,
        || (),
        |_, i| {
            let waveform = match i {
                0 => write_groove(kit, folder, &beside).map(|()| None),
                1 => kit.save(folder.join(kit_file(&kit.doc.name)), &beside).map(|()| None),
                _ => {
                    write_pad(kit, pads[i - 2], folder, &beside).map(|waveform| Some((pads[i - 2], waveform)))
                }
            };
            counter.one_done();
            waveform
        },
    );
    let mut waveforms = [const { None }; PADS];
    for waveform in written {
        if let Some((pad, waveform)) = waveform? {
            waveforms[pad] = Some(waveform);
        }
    }
    let picture = overview(kit, &waveforms).encode_png().expect("a picture in memory can be encoded");
    write(&folder.join("overview.png"), &picture)?;
    let mut json = serde_json::to_string_pretty(summary).expect("a summary can be written as JSON");
    json.push('\n');
    write(&folder.join("kit.json"), json.as_bytes())
}

/// Writes pad `pad` of `kit`, played once at velocity 110, as a WAV file (48 kHz, 24 bits).
///
/// # Errors
/// A pad without a sound, cancelled, or a file that cannot be written.
pub fn write_pad_file(kit: &Arc<Kit>, pad: usize, out: &Path, progress: &dyn Progress) -> Result<()> {
    if kit.doc.pads.get(pad).is_none_or(|p| p.is_empty()) {
        return Err(Error::invalid(format!("pad {} is silent; give it a hit first", pad + 1)));
    }
    let sound = render_pad(kit, pad, PAD_VELOCITY, FOLDER_RATE, progress)?;
    let staged = StagedFile::new(out)?;
    staged.write(|path| write_wav(path, FOLDER_RATE, &[&sound[0], &sound[1]]))?;
    staged.commit()
}

/// Renders a pad into its file; returns its waveform for the picture.
fn write_pad(kit: &Arc<Kit>, pad: usize, folder: &Path, progress: &dyn Progress) -> Result<WaveOutline> {
    let sound = render_pad(kit, pad, PAD_VELOCITY, FOLDER_RATE, progress)?;
    write_wav(&folder.join(pad_file(kit, pad)), FOLDER_RATE, &[&sound[0], &sound[1]])?;
    Ok(WaveOutline::of(&sound, FOLDER_RATE))
}

fn write_groove(kit: &Arc<Kit>, folder: &Path, progress: &dyn Progress) -> Result<()> {
    let midi = groove_midi(kit);
    write(&folder.join("groove.mid"), &midi)?;
    let score = Score::parse(&midi)?;
    let options = RenderOptions { rate: FOLDER_RATE, ..RenderOptions::default() };
    let play = Arc::new(PlayKit::new(kit.clone(), f64::from(FOLDER_RATE)));
    let mut out = WavOut::create(&folder.join("groove.wav"), FOLDER_RATE, 2)?;
    render(&play, &score, options, progress, &mut |engine, frames| {
        let [left, right] = engine.main();
        out.write(&[&left[..frames], &right[..frames]])
    })?;
    out.finish()
}

/// Writes a take as a WAV file of 24 bits at its own rate.
///
/// # Errors
/// A disk without room for it, or a file that cannot be written.
pub fn write_take(take: &Take, out: &Path) -> Result<()> {
    space::check_free(out, take.frames() as u64 * wav::frame_bytes(take.channels.len() as u16))?;
    let staged = StagedFile::new(out)?;
    let channels: Vec<&[f32]> = take.channels.iter().map(Vec::as_slice).collect();
    staged.write(|path| write_wav(path, take.sample_rate, &channels))?;
    staged.commit()
}

/// The files that [`write_folder`] may replace or remove in a kit's folder `dir`, as far as they are known before the
/// kit is made: those of fixed names, and every file in `pads`.
pub fn folder_files(dir: &Path, kit_name: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> =
        FOLDER_FILES.iter().map(|name| dir.join(name)).chain([dir.join(kit_file(kit_name))]).collect();
    if let Ok(pads) = fs::read_dir(dir.join("pads")) {
        files.extend(pads.flatten().map(|entry| entry.path()));
    }
    files
}

/// The pad files that the kit.json of a folder lists, which may be replaced.
fn previous_pads(dir: &Path) -> Vec<PathBuf> {
    let Ok(text) = fs::read_to_string(dir.join("kit.json")) else { return Vec::new() };
    let Ok(previous) = serde_json::from_str::<Summary>(&text) else { return Vec::new() };
    let ours = |file: &str| {
        let name = file.strip_prefix("pads/").and_then(|f| f.strip_suffix(".wav"));
        name.is_some_and(|n| n.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-'))
    };
    previous.pads.into_iter().map(|p| p.file).filter(|f| ours(f)).map(PathBuf::from).collect()
}

fn create_folder(path: &Path) -> Result<()> {
    fs::create_dir_all(path).map_err(|e| unwritten(path, &e))
}

fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    fs::write(path, bytes).map_err(|e| unwritten(path, &e))
}
