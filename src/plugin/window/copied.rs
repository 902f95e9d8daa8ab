//! Which parts of the kept picture are copied to the window.
//!
//! Where the window keeps what was drawn into it, changed parts are enough. It loses the rest when it is hidden, mapped late
//! or made anew by the system, and little says so: all of it is copied when it was exposed, for a while after its size
//! changed and after a rest, and strip by strip while frames follow one another. After a rest a large window is copied over
//! several frames: the whole copy takes about 13 ms for each million pixels (Mesa llvmpipe), 105 ms at 3840 x 2160.

use baseview::dpi::PhysicalSize;
use std::time::{Duration, Instant};

/// For so long after a change of its size the whole window is copied.
const SETTLING: Duration = Duration::from_secs(1);
/// From a frame this long after the last one on the whole window is copied.
const REST: Duration = Duration::from_millis(100);
/// Strips that make up the window; each frame copies one.
const STRIPS: i32 = 16;
/// Pixels that a frame after a rest copies beside what changed; at least a strip.
const AFTER_REST_PX: i32 = 1_000_000;

/// A part of the window, pixels from its lower left corner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub left: i32,
    pub bottom: i32,
    pub width: i32,
    pub height: i32,
}

impl Place {
    /// `place` in points on whole pixels, in a window of so many pixels of height.
    pub fn of(place: egui::Rect, window: u32, pixels_per_point: f32) -> Self {
        let px = |points: f32| (points * pixels_per_point).round() as i32;
        Self {
            left: px(place.min.x),
            bottom: window as i32 - px(place.max.y),
            width: px(place.max.x) - px(place.min.x),
            height: px(place.max.y) - px(place.min.y),
        }
    }
}

/// What was copied when.
#[derive(Default)]
pub(super) struct Copied {
    /// Whether the window keeps what was drawn into it.
    window_keeps: bool,
    size: PhysicalSize<u32>,
    resized: Option<Instant>,
    last: Option<Instant>,
    exposed: bool,
    strip: i32,
    /// Strips still to be copied since the last rest.
    due: i32,
}

impl Copied {
    /// For a window that keeps what was drawn into it, or not.
    pub fn new(window_keeps: bool) -> Self {
        Self { window_keeps, ..Self::default() }
    }

    /// The system has shown a part of the window that may have been lost.
    pub fn expose(&mut self) {
        self.exposed = true;
    }

    /// Whether further frames must copy the rest of the window.
    pub fn is_behind(&self) -> bool {
        self.due > 0
    }

    /// What to copy for a frame drawn `now` in which these places changed.
    pub fn next(&mut self, now: Instant, size: PhysicalSize<u32>, changed: &[Place]) -> Vec<Place> {
        if self.size != size {
            (self.size, self.resized) = (size, Some(now));
        }
        let recent = |at: Option<Instant>, time: Duration| at.is_some_and(|at| now.duration_since(at) < time);
        let rested = !recent(self.last.replace(now), REST);
        let (width, height) = (size.width as i32, size.height as i32);
        let exposed = std::mem::take(&mut self.exposed);
        if rested {
            self.due = STRIPS;
        }
        let strips = (AFTER_REST_PX / (width * height / STRIPS).max(1)).clamp(1, self.due.max(1));
        if !self.window_keeps || exposed || recent(self.resized, SETTLING) || strips == STRIPS {
            self.due = 0;
            return vec![Place { left: 0, bottom: 0, width, height }];
        }
        self.due = (self.due - strips).max(0);
        let first = self.strip;
        self.strip = (first + strips) % STRIPS;
        let strip = |strip: i32| {
            let edge = |strip: i32| height * strip / STRIPS;
            let (bottom, top) = (edge(strip), edge(strip + 1));
            Place { left: 0, bottom, width, height: top - bottom }
        };
        changed.iter().copied().chain((first..first + strips).map(|i| strip(i % STRIPS))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: PhysicalSize<u32> = PhysicalSize { width: 900, height: 605 };
    const CHANGED: Place = Place { left: 10, bottom: 20, width: 30, height: 40 };

    fn is_whole(copied: &[Place]) -> bool {
        copied == [Place { left: 0, bottom: 0, width: 900, height: 605 }]
    }

    #[test]
    fn places_are_counted_from_the_lower_left_corner() {
        let place = egui::Rect::from_min_max(egui::pos2(10.0, 20.0), egui::pos2(30.5, 60.0));
        assert_eq!(Place::of(place, 200, 2.0), Place { left: 20, bottom: 80, width: 41, height: 80 });
    }

    #[test]
    fn the_whole_window_is_copied_after_a_rest_and_while_it_settles() {
        let start = Instant::now();
        let at = |ms: u64| start + Duration::from_millis(ms);
        let mut copied = Copied::new(true);
        for ms in (0..1000).step_by(16) {
            assert!(is_whole(&copied.next(at(ms), SIZE, &[CHANGED])), "settling, {ms} ms");
        }
        assert!(!is_whole(&copied.next(at(1010), SIZE, &[CHANGED])), "frames follow one another");
        assert!(!is_whole(&copied.next(at(1020), SIZE, &[])), "drawn although nothing changed");
        copied.expose();
        assert!(is_whole(&copied.next(at(1025), SIZE, &[])), "exposed");
        assert!(!is_whole(&copied.next(at(1030), SIZE, &[CHANGED])));
        assert!(is_whole(&copied.next(at(1130), SIZE, &[CHANGED])), "after a rest");
        let mut never = Copied::new(false);
        assert!((0..200).all(|i| is_whole(&never.next(at(16 * i), SIZE, &[CHANGED]))));
    }

    #[test]
    fn a_large_window_is_copied_over_several_frames_after_a_rest() {
        let (start, size) = (Instant::now(), PhysicalSize::new(3840, 2160));
        let mut copied = Copied::new(true);
        copied.next(start, size, &[]);
        let mut rows = vec![0; 2160];
        let mut frames = 0;
        let rested = start + 2 * SETTLING;
        while frames == 0 || copied.is_behind() {
            let parts = copied.next(rested + Duration::from_millis(16 * frames), size, &[CHANGED]);
            assert_eq!(parts[0], CHANGED);
            let pixels: i32 = parts[1..].iter().map(|part| part.width * part.height).sum();
            assert!(pixels <= AFTER_REST_PX + 3840 * 135, "{pixels} pixels in frame {frames}");
            for part in &parts[1..] {
                (part.bottom..part.bottom + part.height).for_each(|row| rows[row as usize] += 1);
            }
            frames += 1;
        }
        assert!(rows.iter().all(|times| *times == 1), "{rows:?}");
        assert!((2..=STRIPS as u64).contains(&frames), "{frames} frames");
        copied.expose();
        copied.next(rested + Duration::from_secs(9), size, &[]);
        assert!(!copied.is_behind(), "exposed: copied at once");
    }

    #[test]
    fn frames_that_follow_one_another_copy_every_row_within_sixteen() {
        let start = Instant::now();
        let mut copied = Copied::new(true);
        copied.next(start, SIZE, &[]);
        let mut rows = vec![0; 605];
        for frame in 0..90 {
            let now = start + Duration::from_millis(16 * frame);
            let parts = copied.next(now, SIZE, &[CHANGED]);
            if frame < 64 {
                continue;
            }
            assert_eq!(parts[0], CHANGED);
            let strip = parts[1];
            assert_eq!((strip.left, strip.width), (0, 900));
            if frame < 80 {
                (strip.bottom..strip.bottom + strip.height).for_each(|row| rows[row as usize] += 1);
            }
        }
        assert!(rows.iter().all(|times| *times == 1), "{rows:?}");
    }
}
