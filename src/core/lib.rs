//! Kitwright's engine and its document: everything that needs neither a plugin format nor a window.
//!
//! The way of a sound, each module using only those above it:
//!
//! | module | what it gives its reader |
//! | --- | --- |
//! | [`units`] | decibels, semitones, hertz and milliseconds, converted in one place |
//! | [`music`] | musical keys and the names of notes |
//! | [`spectrum`] | windows, transforms and peaks of spectra |
//! | [`error`] | the one error type: a sentence for the person who can act on it |
//! | [`progress`] | how long work reports and is cancelled |
//! | [`parallel`] | the same work for many things, on every core |
//! | [`staging`] | files that appear whole or not at all |
//! | [`settings`] | the one table that describes every setting |
//! | [`take`] | recordings: decoded, kept as they were |
//! | [`listen`] | hits: where each starts and ends, and what it is like |
//! | [`kit`] | the document: pads, layers, cloud, tone; its file |
//! | [`groove`] | four bars that use every pad of a kit |
//! | [`engine`] | the sound, in real time |
//! | [`cast`] | which hit serves which role, found by trying it there through the engine |
//! | [`demo`] | an invented take, synthesised, to try everything with |
//! | [`library`] | a folder of kits with names, tags and search; starter kits |
//! | [`export`] | files: rendered songs, pads, a groove, a picture, a summary |
//! | [`session`] | one open kit with its undo, jobs and errors; what plugin and window share |

pub mod cast;
pub mod demo;
pub mod engine;
pub mod error;
pub mod export;
pub mod groove;
pub mod kit;
pub mod library;
pub mod listen;
pub mod music;
pub mod parallel;
pub mod progress;
pub mod session;
pub mod settings;
pub use kitwright_spectrum as spectrum;
pub mod staging;
pub mod take;
pub mod units;
