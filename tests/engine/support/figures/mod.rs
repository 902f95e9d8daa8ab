//! Measures of the sound: the tests compare them with their targets, `cargo xtask score sound` prints all.

pub mod cloud;
pub mod dynamics;
pub mod filters;
pub mod resampling;
pub mod saturation;
pub mod tone;
