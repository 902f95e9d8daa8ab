//! The built plugin in hosts: CLAP inside this process, VST3 in other programs.

mod clap_extensions;
mod clap_host;
mod golden;
mod hostile;
mod instances;
mod kit_swap;
mod state;
#[path = "../support/mod.rs"]
mod support;
mod vst3_hosts;
