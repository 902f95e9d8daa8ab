//! Starter kits: made on demand of instruments that this program invents.

use crate::{
    cast::{CastOptions, make_kit},
    demo::Instrument,
    error::Result,
    kit::Kit,
    listen::{DetectOptions, detect},
    progress::{Part, Progress},
};
use std::sync::Arc;

/// Tags of every starter kit.
pub const STARTER_TAGS: [&str; 2] = ["starter", "invented"];

/// Name of an instrument's starter kit, which says that nobody played it.
pub fn starter_name(instrument: Instrument) -> String {
    format!("{} (invented)", instrument.name())
}

/// A starter kit; `quick` stops at the recipes of the roles and takes a fraction of the time. The takes are cut down to
/// what it plays. The same instrument gives the same kit.
///
/// # Errors
/// [`crate::error::Error::Cancelled`], or what casting says.
pub fn make_starter(instrument: Instrument, quick: bool, progress: &dyn Progress) -> Result<Kit> {
    progress.report("playing the instrument", 0.0);
    let (take, _) = instrument.take(1);
    progress.check()?;
    let take = Arc::new(take);
    let hits = detect(&take, &DetectOptions::default(), &Part::new(progress, 0.1, 0.3))?;
    let options = CastOptions { name: starter_name(instrument), quick, ..CastOptions::default() };
    let mut kit = make_kit(&[(take, hits)], &options, &Part::new(progress, 0.3, 1.0))?;
    kit.doc.key_parts = kit.usual_key_parts();
    kit.doc.tags = STARTER_TAGS.map(str::to_owned).to_vec();
    kit.keep_used()
}
