//! Runs jobs: each works on copies, and changes the kit in one step at its end; a new kit is shown before (`new_kit`).

use super::{
    audio_requests::Preview,
    job::Job,
    job_parts::check_unchanged,
    library_jobs, new_kit,
    open_kit::OpenKit,
    pad_jobs::{audition, follow_fit, next_best, put_file, set_fit, set_hit, set_target},
    preparer::KitPreparer,
    rankings::Rankings,
    recast::recast,
    take_jobs::{add_take, detect_again, edit_hits, keep_recording, remove_take, shift_take},
};
use crate::{
    cast,
    error::Result,
    export,
    kit::{Key, Kit, Pad},
    listen,
    progress::{Part, Progress},
};
use std::{
    path::{Path, PathBuf},
    sync::Arc,
};

/// What the player is told of a job that is done, besides the changed kit.
#[derive(Debug, Default)]
pub(super) struct Done {
    /// Files that were read or written.
    pub files: Vec<PathBuf>,
    /// A sentence.
    pub note: Option<String>,
}

impl Done {
    fn with(file: PathBuf) -> Self {
        Self { files: vec![file], note: None }
    }
}

pub(super) fn run(
    job: Job,
    open_kit: &OpenKit,
    rankings: &Rankings,
    preparer: &KitPreparer,
    progress: &dyn Progress,
) -> Result<Done> {
    match job {
        Job::NewKit { takes, fit } => {
            new_kit::new_kit(open_kit, &takes, fit, progress)?;
            return Ok(Done { files: takes, note: None });
        }
        Job::DemoKit { fit } => new_kit::demo_kit(open_kit, fit, progress),
        Job::AddTake(path) => {
            add_take(open_kit, &path, progress)?;
            return Ok(Done::with(path));
        }
        Job::ShiftTake { take, semitones } => shift_take(open_kit, take, semitones, progress),
        Job::RemoveTake(take) => remove_take(open_kit, take),
        Job::KeepUsed => return keep_used(open_kit, progress),
        Job::KeepRecording { fit } => keep_recording(open_kit, fit, progress),
        Job::PutFile { pad, file, role } => {
            put_file(open_kit, pad, &file, role, progress)?;
            return Ok(Done::with(file));
        }
        Job::DetectAgain(take, options) => detect_again(open_kit, take, options, progress),
        Job::EditHits(take, edit) => edit_hits(open_kit, take, edit, progress),
        Job::Recast => recast(open_kit, progress),
        Job::SetHit { pad, source, role } => set_hit(open_kit, rankings, pad, source, role, progress),
        Job::NextBest { pad, back } => next_best(open_kit, rankings, pad, back, progress),
        Job::Audition { pad, source } => {
            let take = audition(open_kit, pad, source, progress)?;
            let end = take.frames() as u64;
            preparer.preview(Preview { take, start: 0, end });
            Ok(())
        }
        Job::Rank(role) => rankings.make(&open_kit.kit(), role, progress).map(drop),
        Job::SetFit { pad, fit } => set_fit(open_kit, pad, fit, progress),
        Job::FollowFit { pad, setting } => follow_fit(open_kit, pad, setting.as_deref(), progress),
        Job::SetKey(key) => set_key(open_kit, key, progress),
        Job::DetectKey(path) => {
            let key = listen::read_key(&path, progress)?;
            set_key(open_kit, Some(key), progress)
        }
        Job::SetTarget { pad, sound } => set_target(open_kit, pad, sound.as_deref(), progress),
        Job::LoadKit(path) => {
            load(open_kit, &path, Some(&path), progress)?;
            return Ok(Done::with(path));
        }
        Job::RestoreAutosave(path) => {
            load(open_kit, &path, None, progress)?;
            open_kit.adopt_autosave(path);
            Ok(())
        }
        Job::SaveKit(path) => return save(open_kit, path, progress),
        Job::Library { folder, job } => {
            let note = Some(library_jobs::run(open_kit, &folder, job, progress)?);
            return Ok(Done { files: Vec::new(), note });
        }
        job @ (Job::SavePattern { .. }
        | Job::Export(_)
        | Job::ExportSampler { .. }
        | Job::ExportPad { .. }) => {
            return export_job(job, open_kit, progress);
        }
    }
    .map(|()| Done::default())
}

/// Writes files that the kit does not belong to.
fn export_job(job: Job, open_kit: &OpenKit, progress: &dyn Progress) -> Result<Done> {
    let note = match job {
        Job::SavePattern { file, groove } => {
            export::write_pattern(&open_kit.kit(), &groove, &file)?;
            format!("Saved to {}.", file.display())
        }
        Job::Export(folder) => {
            export::write_folder(&open_kit.kit_with_trims(), &folder, progress)?;
            format!("Exported to {}.", folder.display())
        }
        Job::ExportSampler { folder, format } => {
            let options = export::SampleOptions::default();
            export::export_sampler(&open_kit.kit_with_trims(), format, &options, &folder, progress)?;
            format!("Exported to {}.", folder.display())
        }
        Job::ExportPad { pad, file } => {
            export::write_pad_file(&open_kit.kit_with_trims(), pad, &file, progress)?;
            format!("Saved to {}.", file.display())
        }
        _ => return Ok(Done::default()),
    };
    Ok(Done { files: Vec::new(), note: Some(note) })
}

fn save(open_kit: &OpenKit, path: PathBuf, progress: &dyn Progress) -> Result<Done> {
    let kit = open_kit.kit();
    open_kit.with_trims(&kit).save(&path, progress)?;
    open_kit.saved(kit, path.clone());
    let note = Some(format!("Saved to {}.", path.display()));
    Ok(Done { files: vec![path], note })
}

fn keep_used(open_kit: &OpenKit, progress: &dyn Progress) -> Result<Done> {
    progress.check()?;
    progress.report("cutting the takes", 0.5);
    // the host's parameters, not what was saved
    let trims = open_kit.kit_with_trims().doc.trims.clone();
    let (kept, all) = open_kit.kit().used_seconds(&trims);
    let mut changed = false;
    open_kit.change("keep only what sounds", false, |kit| {
        let used = kit.keep_used_with(&trims)?;
        changed = used.takes.len() != kit.takes.len()
            || used.takes.iter().zip(&kit.takes).any(|(used, take)| !Arc::ptr_eq(used, take));
        *kit = used;
        Ok(())
    })?;
    let note = if changed {
        format!(
            "Kept {kept:.1} s of {all:.1} s of recordings: what pads play and half as much again; undo brings the rest back."
        )
    } else {
        "The pads play all of the recordings; nothing was removed.".into()
    };
    Ok(Done { files: Vec::new(), note: Some(note) })
}

fn set_key(open_kit: &OpenKit, key: Option<Key>, progress: &dyn Progress) -> Result<()> {
    progress.check()?;
    progress.report("tuning the pads", 0.5);
    let before = open_kit.kit();
    let mut tuned = Kit::clone(&before);
    cast::set_key(&mut tuned, key);
    progress.check()?;
    let name = key.map_or_else(|| "no key".to_owned(), |key| format!("key {key}"));
    open_kit.change(&name, false, |kit| {
        check_unchanged(kit, &before)?;
        kit.doc.key = tuned.doc.key;
        // pads that were changed meanwhile stay as they are
        for ((pad, tuned), old) in kit.doc.pads.iter_mut().zip(tuned.doc.pads).zip(&before.doc.pads) {
            if pad == old && !pad.locked {
                *pad = kept(tuned, pad);
            }
        }
        Ok(())
    })
}

/// A tuned pad with what was set by hand.
fn kept(mut tuned: Pad, old: &Pad) -> Pad {
    tuned.keep_by_hand(old);
    tuned
}

/// Loads a kit file; the kit belongs to `file` from then on.
fn load(open_kit: &OpenKit, path: &Path, file: Option<&Path>, progress: &dyn Progress) -> Result<()> {
    let kit = Kit::load(path, &Part::new(progress, 0.0, 0.9))?;
    kit.check_state_size(&Part::new(progress, 0.9, 1.0))?;
    progress.check()?;
    open_kit.load(kit, file)
}
