//! What the host's project stores of the window.

use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// What is stored with the host's project.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StoredWindow {
    /// Width of the window, logical pixels.
    pub width: u32,
    /// Height of the window, logical pixels.
    pub height: u32,
    /// Zoom, 0.75 to 3.
    pub zoom: f32,
    /// Folder shown last by the file browser.
    pub folder: Option<PathBuf>,
    /// Files opened last, newest first.
    pub recent: Vec<PathBuf>,
}

impl StoredWindow {
    /// Smallest size that the layout fits into, points.
    pub const MIN_SIZE: [u32; 2] = [900, 600];
    /// Zooms to choose from.
    pub const ZOOMS: [f32; 8] = [0.75, 0.9, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0];
    /// How many recent files are kept.
    const RECENT: usize = 8;

    /// Puts a file first among the recent ones.
    pub fn remember(&mut self, file: &std::path::Path) {
        self.recent.retain(|f| f != file);
        self.recent.insert(0, file.to_owned());
        self.recent.truncate(Self::RECENT);
    }

    /// Remembers the window's size, logical pixels.
    pub fn keep_size(&mut self, width: f64, height: f64) {
        self.width = width.round().max(1.0) as u32;
        self.height = height.round().max(1.0) as u32;
    }

    /// The zoom at which everything fits into a window of this size in logical pixels: the chosen one, or
    /// less where the host gives too little room.
    pub fn zoom_that_fits(&self, width: f64, height: f64) -> f32 {
        let [min_width, min_height] = Self::MIN_SIZE.map(f64::from);
        let room = (width / min_width).min(height / min_height) as f32;
        self.zoom.min(room).max(0.25)
    }

    /// The smallest window, logical pixels: the smallest layout at the smallest zoom.
    pub fn min_window_size() -> [u32; 2] {
        Self::MIN_SIZE.map(|side| (side as f32 * Self::ZOOMS[0]) as u32)
    }

    /// Values from a project, moved into the ranges that the window can show.
    pub fn clamped(mut self) -> Self {
        let [width, height] = Self::min_window_size();
        self.width = self.width.clamp(width, 16_384);
        self.height = self.height.clamp(height, 16_384);
        self.zoom = if self.zoom.is_finite() { self.zoom.clamp(0.75, 3.0) } else { 1.0 };
        self.recent.truncate(Self::RECENT);
        self
    }
}

impl Default for StoredWindow {
    fn default() -> Self {
        Self { width: 1120, height: 720, zoom: 1.0, folder: None, recent: Vec::new() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_out_of_range_are_clamped() {
        let wild =
            StoredWindow { width: 0, height: u32::MAX, zoom: f32::NAN, ..StoredWindow::default() }.clamped();
        assert_eq!((wild.width, wild.height, wild.zoom), (675, 16_384, 1.0));
        assert_eq!(StoredWindow { zoom: 9.0, ..StoredWindow::default() }.clamped().zoom, 3.0);
    }

    #[test]
    fn zoom_is_lowered_until_the_layout_fits() {
        let memory = StoredWindow { zoom: 2.0, ..StoredWindow::default() };
        assert_eq!(memory.zoom_that_fits(1800.0, 1200.0), 2.0);
        assert_eq!(memory.zoom_that_fits(1800.0, 900.0), 1.5);
        assert_eq!(StoredWindow::default().zoom_that_fits(675.0, 450.0), 0.75);
        assert_eq!(StoredWindow::default().zoom_that_fits(3840.0, 2160.0), 1.0);
    }

    #[test]
    fn eight_recent_files_are_kept_newest_first() {
        let mut memory = StoredWindow::default();
        for i in 0..20 {
            memory.remember(std::path::Path::new(&format!("{i}.wav")));
        }
        memory.remember(std::path::Path::new("15.wav"));
        assert_eq!(memory.recent.len(), 8);
        assert_eq!(memory.recent[0], PathBuf::from("15.wav"));
        assert_eq!(memory.recent.iter().filter(|f| f.as_os_str() == "15.wav").count(), 1);
    }
}
