//! From a recording to a kit and its files: reading takes, detecting hits, casting, the document, export,
//! the session.

mod architecture;
mod cast;
#[cfg(feature = "test-recordings")]
mod cast_real;
mod cohesion;
#[cfg(feature = "test-recordings")]
#[path = "../data.rs"]
mod data;
mod export;
mod export_sampler;
mod keep_used;
mod key_parts;
mod kit_file;
mod kit_memory;
mod kit_schema;
mod library;
mod listen;
mod listen_describe;
mod listen_edit;
mod listen_key;
#[cfg(feature = "test-recordings")]
mod listen_noise;
mod listen_quality;
mod listen_support;
mod own_process;
mod preference;
#[cfg(any(feature = "test-recordings", feature = "test-packaged-sounds"))]
mod real_sounds;
#[cfg(feature = "test-recordings")]
mod score_hits;
mod session;
mod spectrum;
mod take;
mod take_shift;
mod whole_kit;
