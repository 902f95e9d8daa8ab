//! A song into a WAV file, with its stems, loudness and true peak.

use super::{
    render::{RenderOptions, render, render_stems},
    score::Score,
    space,
    summary::{key_part_stems, stem_file},
    wav::WavOut,
};
use crate::{
    engine::PlayKit,
    error::{Error, Result},
    kit::Kit,
    progress::Progress,
    staging::{StagedFile, StagedPair},
    units::gain_to_db,
};
use ebur128::{EbuR128, Mode};
use std::{path::Path, sync::Arc};

/// What was rendered.
#[derive(Debug, Clone, PartialEq)]
pub struct SongSummary {
    /// Length, s.
    pub seconds: f64,
    /// Of the mix.
    pub loudness: Loudness,
    /// The pads in their order, then the key parts; none where no stems were asked for.
    pub stems: Vec<StemSummary>,
}

/// The file of a pad or a key part.
#[derive(Debug, Clone, PartialEq)]
pub struct StemSummary {
    /// File name within the folder of the stems.
    pub file: String,
    /// Its loudness.
    pub loudness: Loudness,
    /// Whether it is in the mix: the stems that are add up to it.
    pub in_mix: bool,
}

/// Loudness and peak of a file (ITU-R BS.1770-4, EBU R 128).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loudness {
    /// Integrated loudness, LUFS; none for what is silent or shorter than 400 ms.
    pub lufs: Option<f64>,
    /// True peak, dBTP; none for silence.
    pub peak_dbtp: Option<f64>,
}

/// Plays a MIDI file with a kit into a WAV file and, when `stems` names a folder, each sounding pad and key part into a
/// file of its own there ("36-kick.wav", "keys-1.wav"), all of the same length. Stems have the kit's level and the gain of the mix's ceiling in them, so
/// that their sum is the mix but for rounding to 24 bits; pads that are not sent to the main output are no part of it and
/// keep their own ceiling.
///
/// # Errors
/// Cancelled, options out of range, a song that no WAV file or not the disk can hold (checked before anything is written),
/// or files that cannot be read or written; nothing is left then.
pub fn render_file(
    kit: &Arc<Kit>,
    score: &Score,
    options: RenderOptions,
    out: &Path,
    stems: Option<&Path>,
    progress: &dyn Progress,
) -> Result<SongSummary> {
    let options = options.checked()?;
    let files = 1 + stems.map_or(0, |_| kit.sounding().count() + key_part_stems(kit).count());
    space::check_song(score, options.rate, files, out)?;
    let Some(stems) = stems else {
        let staged = StagedFile::new(out)?;
        let summary = staged.write(|out| write_song(kit, score, options, out, None, progress))?;
        progress.check()?;
        staged.commit()?;
        return Ok(summary);
    };
    let staged = StagedPair::new(out, stems)?;
    let write = |out: &Path, stems: &Path| write_song(kit, score, options, out, Some(stems), progress);
    let summary = staged.write(write)?;
    // A full disk fails here, before the first file appears.
    staged.sync()?;
    progress.check()?;
    staged.commit()?;
    Ok(summary)
}

/// The song into `out` and, when there is a folder for them, its stems.
fn write_song(
    kit: &Arc<Kit>,
    score: &Score,
    options: RenderOptions,
    out: &Path,
    stems: Option<&Path>,
    progress: &dyn Progress,
) -> Result<SongSummary> {
    let mut main = MeteredFile::create(out, options.rate)?;
    let mut files = Vec::new();
    if let Some(folder) = stems {
        for (source, file) in stem_sources(kit) {
            files.push((source, MeteredFile::create(&folder.join(&file), options.rate)?, file));
        }
    }
    let play = Arc::new(PlayKit::new(kit.clone(), f64::from(options.rate)));
    let player = if stems.is_some() { render_stems } else { render };
    let frames = player(&play, score, options, progress, &mut |engine, frames| {
        main.write(engine.main(), frames)?;
        files.iter_mut().try_for_each(|(source, file, _)| {
            let sound = match *source {
                Source::Pad(pad) => engine.pad(pad),
                Source::KeyPart(part) => engine.key_part(part),
            };
            file.write(sound, frames)
        })
    })?;
    let loudness = main.finish()?;
    let stem = |(source, file, name): (Source, MeteredFile, String)| {
        let in_mix = match source {
            Source::Pad(pad) => kit.doc.trims.pads[pad].in_main,
            Source::KeyPart(_) => true,
        };
        Ok(StemSummary { file: name, loudness: file.finish()?, in_mix })
    };
    let stems = files.into_iter().map(stem).collect::<Result<_>>()?;
    Ok(SongSummary { seconds: frames as f64 / f64::from(options.rate), loudness, stems })
}

/// What a stem is of.
#[derive(Debug, Clone, Copy)]
enum Source {
    Pad(usize),
    KeyPart(usize),
}

/// Everything that has a stem, with the file's name: the pads, then the key parts.
fn stem_sources(kit: &Kit) -> impl Iterator<Item = (Source, String)> {
    let pads = kit.sounding().map(|(pad, ..)| (Source::Pad(pad), stem_file(kit, pad)));
    pads.chain(key_part_stems(kit).map(|(part, file)| (Source::KeyPart(part), file)))
}

/// A stereo file that is measured while it is written.
struct MeteredFile {
    file: WavOut,
    meter: EbuR128,
}

impl MeteredFile {
    fn create(path: &Path, rate: u32) -> Result<Self> {
        let meter = EbuR128::new(2, rate, Mode::I | Mode::TRUE_PEAK)
            .map_err(|e| Error::invalid(format!("loudness cannot be measured at {rate} Hz: {e}")))?;
        Ok(Self { file: WavOut::create(path, rate, 2)?, meter })
    }

    fn write(&mut self, sound: [&[f32]; 2], frames: usize) -> Result<()> {
        let part = sound.map(|channel| &channel[..frames]);
        // fails only when the channels are of different lengths
        let _ = self.meter.add_frames_planar_f32(&part);
        self.file.write(&part)
    }

    fn finish(self) -> Result<Loudness> {
        self.file.finish()?;
        let peak = [0, 1].map(|channel| self.meter.true_peak(channel).unwrap_or(0.0));
        let finite = |x: f64| x.is_finite().then_some(x);
        Ok(Loudness {
            lufs: self.meter.loudness_global().ok().and_then(finite),
            peak_dbtp: finite(gain_to_db(peak[0].max(peak[1]))),
        })
    }
}
