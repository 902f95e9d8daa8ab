//! Listening: the hits of a take, where each starts and ends, and what it is like.
//!
//! | part | what it gives its reader |
//! | --- | --- |
//! | `hit` | a hit and its description |
//! | `detect` | the way from a take to its hits, by the parts below |
//! | `recorded` | the part of a take that was recorded |
//! | `spectrogram` | the take as power per band and frame |
//! | `onsets` | candidates for onsets: peaks of the spectral flux |
//! | `refine` | the sample where a candidate's energy begins to rise |
//! | `evidence` | what speaks for a candidate in a noisy take |
//! | `classified` | candidates with their starts and log odds |
//! | `onset_classifier`, `boosted_trees`, `onset_trees`, `noisy_onset_trees` | which candidates are hits |
//! | `swell` | where a slow onset becomes audible |
//! | `envelope`, `ends` | where hits end |
//! | `background`, `steady` | which hits are only background |
//! | `describe`, `peaks`, `period`, `pitch` | what a hit is like |
//! | `hum` | what sounds all the time |
//! | `quality` | what is amiss with a recording |
//! | `key`, `struck` | the key of a song, from a loop of it |
//! | `hit_builder` | a hit from its start: its end and its description |
//! | [`edit`] | hits set by hand |

mod background;
mod boosted_trees;
mod classified;
mod describe;
mod detect;
pub mod edit;
mod ends;
mod envelope;
mod evidence;
mod hit;
mod hit_builder;
mod hum;
mod key;
mod noisy_onset_trees;
mod onset_classifier;
mod onset_trees;
mod onsets;
mod peaks;
mod period;
mod pitch;
mod quality;
mod recorded;
mod refine;
mod spectrogram;
mod steady;
mod struck;
mod swell;

#[doc(hidden)]
pub use classified::onset_features;
pub use describe::{BAND_EDGES_HZ, STRETCH_ENDS_S, describe};
pub use detect::{DetectOptions, detect, detect_again};
pub use ends::DECAYED_DB;
pub use hit::{Description, Hit};
pub use key::{DetectedKey, detect_key, key_of, read_key};
pub use quality::{Quality, SILENT};
