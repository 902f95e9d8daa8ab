//! The engine: its kernels, its voices, its tone chain, and what a whole kit sounds like.

#[cfg(feature = "test-recordings")]
#[path = "../data.rs"]
mod data;
mod denormals;
mod dsp_dynamics;
mod dsp_envelope;
mod dsp_filters;
mod dsp_reader;
mod dsp_saturation;
mod dsp_tone;
mod events;
mod groove;
mod guard;
mod instructions;
mod key_parts;
mod long;
mod meters;
mod safety;
mod sound;
mod support;
mod true_peak;
mod variation;
