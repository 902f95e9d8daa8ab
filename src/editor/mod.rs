//! The window: see, hear and change a kit.
