//! From a recording to a kit and its files: reading takes, detecting hits, casting, the document, export,
//! the session.

mod cast;
mod cast_real;
mod export;
mod kit_file;
mod kit_memory;
mod listen;
mod listen_describe;
mod listen_edit;
mod listen_key;
mod listen_support;
mod own_process;
mod real_sounds;
mod score_hits;
mod session;
mod take;
mod take_shift;
