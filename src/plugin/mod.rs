//! The host's side: notes, parameters, state, ports, and the guard at the door.

pub mod params;
pub mod state;
