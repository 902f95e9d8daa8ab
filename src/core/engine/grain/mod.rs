//! One grain: a slice played once, as a layer of a hit or as part of its cloud.
//!
//! | module | contents |
//! | --- | --- |
//! | `settings` | what a grain is asked to play |
//! | `playback` | the grain while it sounds |
//! | `pitch` | its playback ratio from frame to frame |
//! | `slice_loop` | the loop at the end of a held slice or of a tail |

mod pitch;
mod playback;
mod settings;
mod slice_loop;

pub(super) use playback::{Grain, GrainContext, Scratch};
pub(super) use settings::{GRAIN_BLOCK, GrainSettings};
