//! Building blocks of the sound: reading at any pitch, envelopes, filters, dynamics, saturation.
