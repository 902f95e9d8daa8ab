//! The signal processing: resampling, envelopes, filters, dynamics, saturation.
//!
//! Rules that every kernel here keeps:
//! - Nothing allocates after construction.
//! - The result does not depend on the chunks or the machine, to the bit: sums in one fixed order that scalar
//!   and vector code share, explicit fused multiply-add in the reader (emulated exactly where the hardware lacks
//!   it) and nowhere else, transcendental functions from `libm` only.
//! - Feedback states are flushed to zero above the denormal range, at fixed intervals of frames, so nothing
//!   relies on the processor's flush-to-zero mode.
//! - Sample rates from 44.1 to 384 kHz.
//!
//! | module | contents |
//! | --- | --- |
//! | [`reader`] | band-limited resampling of a slice: any ratio, backwards, gliding |
//! | [`envelope`] | attack, hold, decay, sustain, release with curves |
//! | [`svf`] | a state-variable filter, stable under fast modulation |
//! | [`eq`] | bells, shelves and cuts matched to their analogue prototypes up to 20 kHz |
//! | [`compressor`] | feed-forward compression with a soft knee |
//! | [`crossover`] | a Linkwitz-Riley crossover, whose bands sum flat |
//! | [`saturation`] | three characters, oversampled, at constant loudness |
//! | [`glide`] | a linear parameter smoother |
//! | [`halfband`] | doubling and halving of the sample rate with little delay |
//! | [`loudness`] | the loudness before and after a stage |
//! | [`limiter`] | the pad limiter, with look-ahead when the following frames are known |
//! | [`ceiling`] | the true-peak ceiling of the outputs |
//! | [`denormal`] | flushing of feedback states |
//! | [`math`] | smoothing coefficients, fast exponentials, fused multiply-add |

pub mod ceiling;
pub mod compressor;
pub mod crossover;
pub mod denormal;
pub mod envelope;
pub mod eq;
pub mod glide;
pub mod halfband;
pub mod limiter;
pub mod loudness;
pub mod math;
mod pair;
pub mod reader;
pub mod saturation;
pub mod svf;
