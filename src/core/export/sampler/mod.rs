//! Export for other samplers: samples, SFZ, SoundFont 2, names of notes.
//!
//! Every pad is played by the engine as the plugin plays it, at several velocities and as often as it has alternates; the
//! formats hold these recordings. Key parts are sampled every few keys, with loops, for WAV and SFZ. [`export_sampler`] writes one format into a folder.

mod keys;
mod midnam;
mod plan;
mod riff;
mod sample_wav;
mod sf2;
mod sfz;
mod strokes;

pub use plan::{MAX_VELOCITIES, MIN_VELOCITIES, SampleOptions};

use super::{space, summary};
use crate::{
    engine::PlayKit,
    error::{Error, Result},
    kit::Kit,
    parallel,
    progress::{Beside, Counter, Progress},
    staging::{StagedFolder, unwritten},
};
use keys::{KeyPlan, KeyPlayer};
use plan::{PadPlan, Step};
use sample_wav::Tag;
use sfz::{SfzKeys, SfzRegion, SfzStep};
use std::{
    fs,
    path::{Path, PathBuf},
    sync::Arc,
};
use strokes::{Stroke, StrokePlayer, VelocityCurve};

/// What can be exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SamplerFormat {
    /// A WAV file for each velocity and alternate of each pad.
    Wav,
    /// The same with an SFZ file that plays them.
    Sfz,
    /// A SoundFont 2 file: one drum preset.
    Sf2,
    /// The names of the notes as a MIDI name document.
    Midnam,
}

impl SamplerFormat {
    /// Every format.
    pub const ALL: [Self; 4] = [Self::Wav, Self::Sfz, Self::Sf2, Self::Midnam];

    /// The word for it, which is also the ending of its files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Wav => "wav",
            Self::Sfz => "sfz",
            Self::Sf2 => "sf2",
            Self::Midnam => "midnam",
        }
    }
}

impl std::str::FromStr for SamplerFormat {
    type Err = Error;

    fn from_str(word: &str) -> Result<Self> {
        let found = Self::ALL.into_iter().find(|format| format.word() == word.trim().to_lowercase());
        found.ok_or_else(|| {
            Error::invalid(format!(
                "there is no format \"{}\"; the formats are wav, sfz, sf2, midnam",
                word.trim()
            ))
        })
    }
}

/// What an export has written.
#[derive(Debug, Clone, PartialEq)]
pub struct SamplerSummary {
    /// Pads that sound.
    pub pads: usize,
    /// Recorded strokes: velocities and alternates of all pads; 0 for names of notes.
    pub samples: usize,
    /// The file to open, relative to the folder; none for WAV files.
    pub file: Option<PathBuf>,
}

/// Writes `kit` into the folder `dir` for other samplers. Levels and pans of the pads, trims and the ceiling are in the
/// samples; mutes and solos do not count; pads without a sound are left out.
///
/// Everything is written beside `dir` first and moved in at the end: an error or a cancellation before that leaves nothing
/// behind. If a file cannot be moved, those already moved stay. In an existing folder, files of the same names are replaced
/// and all others stay.
///
/// # Errors
/// Cancelled, options out of range, a kit without a pad that sounds, more samples than the format holds, a disk without
/// room, or files that cannot be written.
pub fn export_sampler(
    kit: &Arc<Kit>,
    format: SamplerFormat,
    options: &SampleOptions,
    dir: &Path,
    progress: &dyn Progress,
) -> Result<SamplerSummary> {
    let options = options.checked()?;
    let plans = plans(kit, &options)?;
    let samples = sample_count(kit, &plans, format);
    space::check_free(dir, (samples as f64 * SECONDS_PER_SAMPLE * f64::from(options.rate) * 6.0) as u64)?;
    let staged = StagedFolder::new(dir)?;
    staged.write(|folder| match format {
        SamplerFormat::Wav => write_samples(kit, &plans, &options, folder, progress),
        SamplerFormat::Sfz => write_sfz(kit, &plans, &options, folder, progress),
        SamplerFormat::Sf2 => write_sf2(kit, &plans, &options, folder, progress),
        SamplerFormat::Midnam => {
            write(&folder.join(main_file(kit, format)), midnam::document(&kit.doc).as_bytes())
        }
    })?;
    progress.check()?;
    staged.commit(&[])?;
    let file = (format != SamplerFormat::Wav).then(|| main_file(kit, format));
    Ok(SamplerSummary { pads: plans.len(), samples, file })
}

/// Length of a sample when the space for them is estimated, seconds; common practice, no source.
const SECONDS_PER_SAMPLE: f64 = 2.0;

/// The files that [`export_sampler`] writes, relative to its folder.
///
/// # Errors
/// As [`export_sampler`], before anything is rendered.
pub fn sampler_files(kit: &Kit, format: SamplerFormat, options: &SampleOptions) -> Result<Vec<PathBuf>> {
    let plans = plans(kit, &options.checked()?)?;
    let samples = |folder: &'static str| {
        plans.iter().flat_map(move |plan| {
            let steps = plan.steps.iter().enumerate();
            steps.flat_map(move |(s, step)| {
                (0..step.alternates).map(move |a| Path::new(folder).join(plan.sample_file(s, a)))
            })
        })
    };
    let keys = KeyPlan::all(kit);
    let key_samples = |folder: &'static str| {
        let zones = keys.iter().flat_map(|plan| plan.zones.iter().map(move |zone| plan.sample_file(zone)));
        zones.map(move |file| Path::new(folder).join(file))
    };
    Ok(match format {
        SamplerFormat::Wav => samples("").chain(key_samples("")).collect(),
        SamplerFormat::Sfz => {
            let parts = keys.iter().map(|plan| key_file(kit, plan));
            let texts = parts.chain([main_file(kit, format)]);
            samples(sfz::SAMPLES).chain(key_samples(sfz::SAMPLES)).chain(texts).collect()
        }
        SamplerFormat::Sf2 | SamplerFormat::Midnam => vec![main_file(kit, format)],
    })
}

/// The pads that sound, as they are to be sampled.
fn plans(kit: &Kit, options: &SampleOptions) -> Result<Vec<PadPlan>> {
    let stem = |pad: usize| summary::stem_file(kit, pad).trim_end_matches(".wav").to_owned();
    let plans: Vec<PadPlan> =
        kit.sounding().map(|(pad, ..)| PadPlan::new(&kit.doc, pad, stem(pad), options)).collect();
    if plans.is_empty() {
        return Err(Error::invalid(format!(
            "no pad of the kit \"{}\" sounds; give pads hits first",
            kit.doc.name
        )));
    }
    Ok(plans)
}

/// Recorded strokes and keys.
fn sample_count(kit: &Kit, plans: &[PadPlan], format: SamplerFormat) -> usize {
    let strokes: usize = plans.iter().flat_map(|plan| &plan.steps).map(|step| step.alternates).sum();
    let keys: usize = KeyPlan::all(kit).iter().map(|plan| plan.zones.len()).sum();
    match format {
        SamplerFormat::Wav | SamplerFormat::Sfz | SamplerFormat::Sf2 => strokes + keys,
        SamplerFormat::Midnam => 0,
    }
}

/// "Cello keys-1.sfz".
fn key_file(kit: &Kit, plan: &KeyPlan) -> PathBuf {
    let name = main_file(kit, SamplerFormat::Sfz).with_extension("");
    PathBuf::from(format!("{} {}.sfz", name.display(), plan.stem))
}

/// "Cello.sfz": the kit's file name with another ending.
fn main_file(kit: &Kit, format: SamplerFormat) -> PathBuf {
    Path::new(&summary::kit_file(&kit.doc.name)).with_extension(format.word())
}

/// Plays each step of each pad on all cores and hands the strokes to `keep`; what it returns, in the order of pads and
/// steps.
fn each_step<T: Send>(
    kit: &Arc<Kit>,
    plans: &[PadPlan],
    options: &SampleOptions,
    progress: &dyn Progress,
    keep: impl Fn(&PadPlan, usize, &StrokePlayer, Vec<Stroke>) -> Result<T> + Sync,
) -> Result<Vec<T>> {
    let steps: Vec<(&PadPlan, usize)> =
        plans.iter().flat_map(|plan| (0..plan.steps.len()).map(move |step| (plan, step))).collect();
    let play = Arc::new(PlayKit::new(Arc::new(plan::neutral(kit, options)), f64::from(options.rate)));
    let beside = Beside(progress);
    let counter = Counter::new(progress, "playing the pads", steps.len());
    let done = parallel::in_order(
        steps.len(),
        || (),
        |_, i| {
            let (plan, index) = steps[i];
            let step = &plan.steps[index];
            let player = StrokePlayer::new(&play, plan, &beside);
            let kept = player.strokes(step.high, step.alternates).and_then(|s| keep(plan, index, &player, s));
            counter.one_done();
            kept
        },
    );
    done.into_iter().collect()
}

/// Writes every stroke of the pads and every sampled key of the key parts into a WAV file of its own in `folder`.
fn write_samples(
    kit: &Arc<Kit>,
    plans: &[PadPlan],
    options: &SampleOptions,
    folder: &Path,
    progress: &dyn Progress,
) -> Result<()> {
    create(folder)?;
    each_step(kit, plans, options, progress, |plan, index, _, strokes| {
        write_step(plan, index, &strokes, options.rate, folder)
    })?;
    write_keys(kit, options, folder, progress).map(|_| ())
}

fn write_step(
    plan: &PadPlan,
    index: usize,
    strokes: &[Stroke],
    rate: u32,
    folder: &Path,
) -> Result<Vec<Option<[usize; 2]>>> {
    let Step { low, high, alternates } = plan.steps[index];
    for (alternate, stroke) in strokes.iter().enumerate() {
        let tag = Tag {
            label: format!(
                "{}, velocities {low} to {high}, alternate {} of {alternates}",
                plan.stem,
                alternate + 1
            ),
            root: plan.note,
            keys: [plan.note; 2],
            velocities: [low, high],
        };
        let bytes = sample_wav::bytes(&tag, stroke, rate)?;
        write(&folder.join(plan.sample_file(index, alternate)), &bytes)?;
    }
    Ok(strokes.iter().map(|stroke| stroke.loop_frames).collect())
}

/// A key part with what is known of its samples and how its level follows the velocity.
type WrittenKeys = (KeyPlan, Vec<SfzKeys>, VelocityCurve);

/// Writes the samples of the key parts into `folder`.
fn write_keys(
    kit: &Arc<Kit>,
    options: &SampleOptions,
    folder: &Path,
    progress: &dyn Progress,
) -> Result<Vec<WrittenKeys>> {
    let play = Arc::new(PlayKit::new(Arc::new(plan::neutral(kit, options)), f64::from(options.rate)));
    let written = KeyPlan::all(kit).into_iter().map(|plan| {
        let beside = Beside(progress);
        let counter = Counter::new(progress, "playing the keys", plan.zones.len());
        let player = KeyPlayer::new(&play, &plan, &beside);
        let sample = |_: &mut (), i: usize| -> Result<_> {
            let zone = &plan.zones[i];
            let stroke = player.sample(zone)?;
            let tag = Tag {
                label: format!("{}, {}, key {}", plan.stem, plan.name, zone.root),
                root: zone.root,
                keys: [zone.low, zone.high],
                velocities: [1, 127],
            };
            write(&folder.join(plan.sample_file(zone)), &sample_wav::bytes(&tag, &stroke, options.rate)?)?;
            let per_key_db = player.per_key_db(zone)?;
            counter.one_done();
            Ok(SfzKeys { loop_frames: stroke.loop_frames, per_key_db })
        };
        let samples =
            parallel::in_order(plan.zones.len(), || (), sample).into_iter().collect::<Result<_>>()?;
        let curve = player.curve()?;
        Ok((plan, samples, curve))
    });
    written.collect()
}

fn write_sfz(
    kit: &Arc<Kit>,
    plans: &[PadPlan],
    options: &SampleOptions,
    folder: &Path,
    progress: &dyn Progress,
) -> Result<()> {
    let samples = folder.join(sfz::SAMPLES);
    create(&samples)?;
    let mut steps = each_step(kit, plans, options, progress, |plan, index, player, strokes| {
        let Step { low, high, .. } = plan.steps[index];
        let curves = player.curves(&strokes, low, high)?;
        let loops = write_step(plan, index, &strokes, options.rate, &samples)?;
        let region = |(alternate, (loop_frames, curve))| SfzRegion {
            sample: plan.sample_file(index, alternate),
            loop_frames,
            curve,
        };
        Ok(SfzStep { low, high, regions: loops.into_iter().zip(curves).enumerate().map(region).collect() })
    })?
    .into_iter();
    let pads: Vec<(&PadPlan, Vec<SfzStep>)> =
        plans.iter().map(|plan| (plan, steps.by_ref().take(plan.steps.len()).collect())).collect();
    for (plan, keys, curve) in write_keys(kit, options, &samples, progress)? {
        let text = sfz::key_text(&kit.doc.name, &plan, &keys, &curve);
        write(&folder.join(key_file(kit, &plan)), text.as_bytes())?;
    }
    let text = sfz::text(&kit.doc.name, &pads);
    write(&folder.join(main_file(kit, SamplerFormat::Sfz)), text.as_bytes())
}

fn write_sf2(
    kit: &Arc<Kit>,
    plans: &[PadPlan],
    options: &SampleOptions,
    folder: &Path,
    progress: &dyn Progress,
) -> Result<()> {
    create(folder)?;
    let mut steps = each_step(kit, plans, options, progress, |plan, index, player, strokes| {
        let Step { low, high, .. } = plan.steps[index];
        let curves = player.curves(&strokes, low, high)?;
        Ok(sf2::samples((low, high), &curves, &strokes))
    })?
    .into_iter();
    let pads: Vec<(&PadPlan, Vec<sf2::Sample>)> =
        plans.iter().map(|plan| (plan, steps.by_ref().take(plan.steps.len()).flatten().collect())).collect();
    let keys = keys_for_sf2(kit, options, progress)?;
    let bytes = sf2::bytes(&kit.doc.name, &pads, &keys, options.rate)?;
    write(&folder.join(main_file(kit, SamplerFormat::Sf2)), &bytes)
}

/// The samples of the key parts, one for each zone.
fn keys_for_sf2(
    kit: &Arc<Kit>,
    options: &SampleOptions,
    progress: &dyn Progress,
) -> Result<Vec<(KeyPlan, Vec<sf2::Sample>)>> {
    let play = Arc::new(PlayKit::new(Arc::new(plan::neutral(kit, options)), f64::from(options.rate)));
    let sampled = KeyPlan::all(kit).into_iter().map(|plan| {
        let beside = Beside(progress);
        let counter = Counter::new(progress, "playing the keys", plan.zones.len());
        let player = KeyPlayer::new(&play, &plan, &beside);
        let curve = [player.curve()?];
        let sample = |_: &mut (), i: usize| -> Result<_> {
            let stroke = [player.sample(&plan.zones[i])?];
            counter.one_done();
            Ok(sf2::samples((1, 127), &curve, &stroke))
        };
        let samples = parallel::in_order(plan.zones.len(), || (), sample).into_iter();
        let samples = samples.collect::<Result<Vec<_>>>()?.into_iter().flatten().collect();
        Ok((plan, samples))
    });
    sampled.collect()
}

fn create(folder: &Path) -> Result<()> {
    fs::create_dir_all(folder).map_err(|e| unwritten(folder, &e))
}

fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    fs::write(path, bytes).map_err(|e| unwritten(path, &e))
}
