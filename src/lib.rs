//! Kitwright turns the recorded sound of one instrument into a playable drum kit: the plugin, its window and
//! the command line. The sound itself is made by the library `kitwright_core` (in `src/core`).
//!
//! | module | what it gives its reader |
//! | --- | --- |
//! | [`editor`] | the window |
//! | [`plugin`] | the host's side: notes, parameters, state, ports, guards against hosts' mistakes |
//! | [`cli`] | the command line |

pub mod cli;
pub mod editor;
pub mod plugin;
