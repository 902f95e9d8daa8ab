//! Takes: samples are read as they were recorded; files that cannot be read are refused in one sentence.
//!
//! Oracles: for WAV the writer `hound`, for AIFF bytes written here after the format's description, for
//! FLAC `ffmpeg`'s decoder, for the lossy formats `ffmpeg`'s encoders and decoders.

mod broken;
mod flac;
mod memory;
mod others;
mod refused;
mod support;
mod uncompressed;
