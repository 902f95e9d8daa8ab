//! Jobs on the kit library: the open kit stays as it is, except for where it belongs.

use super::{job::LibraryJob, open_kit::OpenKit};
use crate::{
    error::Result,
    library::{Library, make_starter, starter_name},
    progress::{Part, Progress},
};
use std::path::Path;

/// Does the job in the library in `folder`; returns what the player is told.
pub(super) fn run(
    open_kit: &OpenKit,
    folder: &Path,
    job: LibraryJob,
    progress: &dyn Progress,
) -> Result<String> {
    let library = Library::open(folder)?;
    Ok(match job {
        LibraryJob::Add => {
            let kit = open_kit.kit();
            let file = library.add(&open_kit.with_trims(&kit), progress)?;
            open_kit.saved(kit, file.clone());
            format!("Saved to {}.", file.display())
        }
        LibraryJob::Rename { file, name } => {
            let to = library.rename(&file, &name, progress)?;
            open_kit.moved(&file, &to);
            format!("It is now called {}.", name.trim())
        }
        LibraryJob::Duplicate(file) => {
            let copy = library.duplicate(&file, progress)?;
            format!("Copied to {}.", copy.display())
        }
        LibraryJob::Tag { file, tags } => {
            library.set_tags(&file, &tags, progress)?;
            "The kit has these tags now.".into()
        }
        LibraryJob::ThrowAway(file) => {
            let trashed = library.throw_away(&file)?;
            format!("It lies in {}.", trashed.display())
        }
        LibraryJob::Starter(instrument) => {
            let kit = make_starter(instrument, false, &Part::new(progress, 0.0, 0.95))?;
            progress.check()?;
            library.add(&kit, &Part::new(progress, 0.95, 1.0))?;
            format!("{} is in the library.", starter_name(instrument))
        }
    })
}
