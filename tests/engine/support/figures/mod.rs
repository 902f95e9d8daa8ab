//! The figures of the sound, measured: the tests hold them to their targets, `cargo xtask score sound` prints
//! them all.

pub mod cloud;
pub mod dynamics;
pub mod filters;
pub mod resampling;
pub mod saturation;
pub mod tone;
