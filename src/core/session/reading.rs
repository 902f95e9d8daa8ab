//! A recording from a file, with its hits.

use crate::{
    cast::DetectedTake,
    error::Result,
    listen::{self, DetectOptions},
    progress::{Part, Progress},
    take::Take,
};
use std::{path::Path, sync::Arc};

pub(super) fn read_and_detect(path: &Path, progress: &dyn Progress) -> Result<DetectedTake> {
    let take = Take::read(path, &Part::new(progress, 0.0, 0.5))?;
    let hits = listen::detect(&take, &DetectOptions::default(), &Part::new(progress, 0.5, 1.0))?;
    Ok((Arc::new(take), hits))
}
