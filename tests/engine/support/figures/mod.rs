//! The figures of the sound, measured: the tests hold them to their targets, `cargo xtask score sound` prints
//! them all.

pub mod cloud;
pub mod colour;
pub mod dynamics;
pub mod filters;
pub mod reading;
pub mod tone;
