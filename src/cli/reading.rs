//! Reading a take for a command, with its notices on standard error.

use super::terminal::{one_line, tell};
use kitwright_core::{error::Result, progress::Progress, take::Take};
use std::path::Path;

/// Reads a take and tells what the user should know about it.
pub(super) fn read_take(path: &Path, progress: &dyn Progress) -> Result<Take> {
    let take = Take::read(path, progress)?;
    pass_on_notices(path, &take);
    Ok(take)
}

/// Prints what the user should know about a take, with the path of its file.
pub(super) fn pass_on_notices(path: &Path, take: &Take) {
    let name = format!("{}: ", take.name);
    for notice in &take.notices {
        let notice = notice.strip_prefix(&name).unwrap_or(notice);
        tell(&one_line(&format!("{}: {notice}", path.display())));
    }
}
