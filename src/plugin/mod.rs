//! The plugin inside a host: notes, parameters, state, ports, and guards that correct what hosts do wrong.

mod buses_vst3;
mod clap_instance;
mod dirty_vst3;
mod entry_vst3;
mod event_reduction;
mod events_clap;
mod events_vst3;
mod extensions_clap;
mod guard_clap;
mod guard_vst3;
mod host_facts;
mod host_menu;
mod host_params_clap;
mod instance;
#[cfg(test)]
mod job_tests;
mod kit_placeholder;
mod labels_vst3;
mod limits;
mod link;
mod lock;
mod notices_clap;
pub mod params;
mod params_clap;
mod port_buffers;
mod ports;
mod presets_clap;
mod preview;
mod process;
pub mod state;
mod streams_clap;
mod streams_vst3;
mod tail;
mod units_vst3;
mod view_vst3;
mod window;
mod worker_keeper;

pub use instance::{Kitwright, open_first, reopen};
pub use window::{ask_before_end, close_windows, take_unsaved};
