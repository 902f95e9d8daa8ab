//! Captions above and below pictures.

/// Height of a line of text above or below a picture, points.
pub const CAPTION: f32 = 17.0;
