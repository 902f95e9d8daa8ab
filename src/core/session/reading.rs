//! A recording from a file, with its hits.

use crate::{
    cast::DetectedTake,
    error::Result,
    listen::{self, DetectOptions},
    progress::{Part, Progress},
    take::{Take, check_memory},
};
use std::{path::Path, sync::Arc};

/// Reads a recording and detects its hits. `beside` are the takes that stay in the same kit.
///
/// # Errors
/// Cancelled, a file that cannot be read, or takes that need more memory than a kit may have.
pub(super) fn read_and_detect<'a>(
    path: &Path,
    beside: impl Iterator<Item = &'a Arc<Take>>,
    progress: &dyn Progress,
) -> Result<DetectedTake> {
    let take = Take::read(path, &Part::new(progress, 0.0, 0.5))?;
    check_memory(take.memory() + beside.map(|take| take.memory()).sum::<u64>())?;
    let hits = listen::detect(&take, &DetectOptions::default(), &Part::new(progress, 0.5, 1.0))?;
    Ok((Arc::new(take), hits))
}
