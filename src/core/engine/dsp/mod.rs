//! Building blocks of the sound: reading at any pitch, envelopes, filters, dynamics, saturation.
//!
//! Rules that every kernel here keeps:
//! - Nothing allocates after construction.
//! - The result is the same to the bit however the frames are chunked, and on every machine:
//!   sums in one fixed order that scalar and vector code share, fused multiply-add by name in the reader
//!   (emulated exactly where the hardware lacks it) and nowhere else, transcendental functions from `libm`
//!   alone.
//! - States that feed back are flushed to zero near the denormal range on their own sample grid, so
//!   nothing relies on the processor's flush-to-zero mode.
//! - Usable at 44.1 to 384 kHz.
//!
//! | module | what it gives its reader |
//! | --- | --- |
//! | [`reader`] | a slice read at any pitch, forwards, backwards, gliding |
//! | [`envelope`] | attack, hold, decay, sustain, release with curves |
//! | [`svf`] | the filter that stays stable under fast modulation |
//! | [`eq`] | bells, shelves and cuts that follow their analogue prototypes to 20 kHz |
//! | [`compressor`] | feed-forward compression with a soft knee |
//! | [`crossover`] | a split whose bands sum flat |
//! | [`saturation`] | three characters, oversampled, loudness held |
//! | [`glide`] | a value that moves without steps |
//! | [`halfband`] | doubling and halving the sample rate with almost no delay |
//! | [`loudness`] | how much louder a stage made the sound |
//! | [`limiter`] | the pad limiter, looking ahead when it is given the future |
//! | [`ceiling`] | the true-peak ceiling of the outputs |
//! | [`denormal`] | keeping feedback states out of the denormal range |
//! | [`math`] | decibels and exponentials with the same bits everywhere |

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
