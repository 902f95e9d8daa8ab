//! Shared by the tests of detection: synthesised sounds, and scoring against true onsets.
#![allow(dead_code)] // each test file uses its part

pub mod score;
pub mod synth;
