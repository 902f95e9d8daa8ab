//! Waveforms, drawn at any zoom from a pyramid of minima and maxima, which is made on another thread; and what is amiss
//! with a recording, which the same thread measures.

use super::theme;
use egui::{Color32, Mesh, Painter, Pos2, Rect, Shape, pos2};
use kitwright_core::{listen::Quality, take::Take};
use std::{
    collections::HashMap,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering},
        mpsc,
    },
    thread::JoinHandle,
};

/// Frames that one entry of the lowest level covers.
const FRAMES_PER_ENTRY: usize = 64;
/// Entries of one level that one entry of the next covers.
const LEVEL_RATIO: usize = 4;

/// Lowest and highest sample of each stretch of a take, over all channels, in levels: the first covers
/// 64 frames an entry, each next four times as many. Costs about 1/24 of the take's memory.
#[derive(Debug, Default)]
pub struct Pyramid {
    levels: Vec<Vec<[f32; 2]>>,
    peak: f32,
}

impl Pyramid {
    /// The pyramid of a take; `None` when `stop` was raised meanwhile.
    pub fn of(take: &Take, stop: &AtomicBool) -> Option<Self> {
        let mut base = Vec::with_capacity(take.frames() / FRAMES_PER_ENTRY + 1);
        for start in (0..take.frames()).step_by(FRAMES_PER_ENTRY) {
            if base.len() % 4096 == 0 && stop.load(Ordering::Relaxed) {
                return None;
            }
            base.push(sample_range(take, start, start + FRAMES_PER_ENTRY));
        }
        let peak = base.iter().map(|[lo, hi]| hi.max(-lo)).fold(0.0, f32::max);
        let mut levels = vec![base];
        while let Some(last) = levels.last()
            && last.len() > LEVEL_RATIO
        {
            let next = last.chunks(LEVEL_RATIO).map(merge).collect();
            levels.push(next);
        }
        Some(Self { levels, peak })
    }

    /// Largest absolute sample.
    pub fn peak(&self) -> f32 {
        self.peak
    }

    /// Lowest and highest sample between two frames; reads at most a few entries, whatever the distance.
    pub fn range(&self, take: &Take, start: usize, end: usize) -> [f32; 2] {
        let end = end.clamp(start + 1, take.frames().max(start + 1));
        if end - start < FRAMES_PER_ENTRY * 2 {
            return sample_range(take, start, end);
        }
        merge(self.entries(start, end))
    }

    /// The entries of the level that covers these frames with the fewest that are still exact enough: at most
    /// nine, whatever the distance.
    fn entries(&self, start: usize, end: usize) -> &[[f32; 2]] {
        let length = end - start;
        let mut level = 0;
        let mut cover = FRAMES_PER_ENTRY;
        while level + 1 < self.levels.len() && cover * LEVEL_RATIO * 2 <= length {
            level += 1;
            cover *= LEVEL_RATIO;
        }
        let entries = &self.levels[level];
        let first = (start / cover).min(entries.len());
        let last = end.div_ceil(cover).min(entries.len());
        &entries[first..last]
    }
}

fn sample_range(take: &Take, start: usize, end: usize) -> [f32; 2] {
    let mut range = [f32::INFINITY, f32::NEG_INFINITY];
    for channel in &take.channels {
        let end = end.min(channel.len());
        for &s in &channel[start.min(end)..end] {
            range = [range[0].min(s), range[1].max(s)];
        }
    }
    if range[0] > range[1] { [0.0, 0.0] } else { range }
}

fn merge(entries: &[[f32; 2]]) -> [f32; 2] {
    let all = entries
        .iter()
        .fold([f32::INFINITY, f32::NEG_INFINITY], |all, e| [all[0].min(e[0]), all[1].max(e[1])]);
    if all[0] > all[1] { [0.0, 0.0] } else { all }
}

/// Pyramids of the kit's takes. Each is made on its own thread, which ends with the cache.
#[derive(Debug, Default)]
pub struct Waves {
    known: HashMap<usize, CachedPyramid>,
    stop: Arc<AtomicBool>,
}

#[derive(Debug)]
struct CachedPyramid {
    /// Keeps the address, which is the key, taken.
    _take: Arc<Take>,
    ready: Option<Arc<Pyramid>>,
    /// A sentence for each thing that is amiss with the recording, once it is measured.
    faults: Option<Vec<String>>,
    // a receiver is not `Sync`, and windows move between threads
    coming: Mutex<mpsc::Receiver<Found>>,
    worker: Option<JoinHandle<()>>,
}

/// What the thread of a take has found.
#[derive(Debug)]
enum Found {
    Pyramid(Pyramid),
    Faults(Vec<String>),
}

impl Waves {
    /// The pyramid of a take, once it is made; the first call starts the work, and a repaint is asked for
    /// when it is done.
    pub fn get(&mut self, take: &Arc<Take>, ctx: &egui::Context) -> Option<Arc<Pyramid>> {
        let key = Arc::as_ptr(take) as usize;
        let stop = &self.stop;
        let entry = self.known.entry(key).or_insert_with(|| start(take.clone(), stop.clone(), ctx.clone()));
        if entry.faults.is_none()
            && let Ok(coming) = entry.coming.get_mut()
        {
            for found in coming.try_iter() {
                match found {
                    Found::Pyramid(pyramid) => entry.ready = Some(Arc::new(pyramid)),
                    Found::Faults(faults) => entry.faults = Some(faults),
                }
            }
        }
        entry.ready.clone()
    }

    /// What is amiss with a take as a recording, a sentence each with what to do; empty until it is measured.
    pub fn faults(&self, take: &Arc<Take>) -> &[String] {
        let entry = self.known.get(&(Arc::as_ptr(take) as usize));
        entry.and_then(|entry| entry.faults.as_deref()).unwrap_or_default()
    }

    /// Whether a take is being looked at.
    pub fn is_working(&self) -> bool {
        self.known.values().any(|entry| entry.faults.is_none())
    }

    /// Forgets takes that are no longer in the kit.
    pub fn keep(&mut self, takes: &[Arc<Take>]) {
        let keys: Vec<usize> = takes.iter().map(|t| Arc::as_ptr(t) as usize).collect();
        self.known.retain(|key, entry| keys.contains(key) || entry.faults.is_none());
    }
}

fn start(take: Arc<Take>, stop: Arc<AtomicBool>, ctx: egui::Context) -> CachedPyramid {
    let (send, coming) = mpsc::channel();
    let work = take.clone();
    let worker = std::thread::Builder::new()
        .name("kitwright wave".into())
        .spawn(move || {
            let Some(pyramid) = Pyramid::of(&work, &stop) else { return };
            // no receiver is left once the window is closed
            let _ = send.send(Found::Pyramid(pyramid));
            ctx.request_repaint();
            let Some(quality) = Quality::unless(&work, || stop.load(Ordering::Relaxed)) else { return };
            let _ = send.send(Found::Faults(quality.sentences()));
            ctx.request_repaint();
        })
        .ok();
    CachedPyramid { _take: take, ready: None, faults: None, coming: Mutex::new(coming), worker }
}

impl Drop for Waves {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        for (_, mut entry) in self.known.drain() {
            if let Some(worker) = entry.worker.take() {
                // a panic there has already been reported by its own thread
                let _ = worker.join();
            }
        }
    }
}

/// A stretch of a take to draw.
#[derive(Debug, Clone, Copy)]
pub struct Stretch<'a> {
    /// The samples.
    pub take: &'a Take,
    /// Their pyramid.
    pub pyramid: &'a Pyramid,
    /// First frame at the left edge; fractions and places outside the take are allowed.
    pub start: f64,
    /// Frame at the right edge.
    pub end: f64,
    /// Amplitude that fills the height.
    pub full_scale: f32,
    /// Drawn from right to left.
    pub reverse: bool,
}

/// Draws a stretch into `rect`, one column a pixel; `shape` scales each column (0 to 1 of the width in, 0 to
/// 1 out: an envelope), `colour` is asked for each frame's place.
pub fn draw(
    painter: &Painter,
    rect: Rect,
    wave: Stretch<'_>,
    shape: impl Fn(f32) -> f32,
    colour: impl Fn(f64) -> Color32,
) {
    let pixel = 1.0 / painter.pixels_per_point();
    let clip = painter.clip_rect().intersect(rect);
    let columns = (rect.width() / pixel).ceil() as usize;
    let per_column = (wave.end - wave.start) / columns.max(1) as f64;
    let frames = wave.take.frames() as f64;
    let middle = rect.center().y;
    let half = rect.height() * 0.5;
    let mut mesh = Mesh::default();
    for column in 0..columns {
        let x = rect.left() + column as f32 * pixel;
        if x + pixel < clip.left() || x > clip.right() {
            continue;
        }
        let place = if wave.reverse { columns - 1 - column } else { column };
        let from = wave.start + place as f64 * per_column;
        if from + per_column < 0.0 || from >= frames {
            continue;
        }
        let [lo, hi] = wave.pyramid.range(
            wave.take,
            from.max(0.0) as usize,
            (from + per_column).max(0.0).ceil() as usize,
        );
        let gain = shape(column as f32 / columns as f32) / wave.full_scale.max(1e-6) * half;
        let top = (middle - hi * gain).clamp(rect.top(), rect.bottom());
        let bottom = (middle - lo * gain).clamp(rect.top(), rect.bottom()).max(top + pixel);
        mesh.add_colored_rect(Rect::from_min_max(pos2(x, top), pos2(x + pixel, bottom)), colour(from));
    }
    painter.add(Shape::mesh(mesh));
}

/// The background of a wave, with a faint middle line.
pub fn background(painter: &Painter, rect: Rect) {
    painter.rect_filled(rect, theme::ROUND, theme::INSET);
    painter.hline(rect.x_range(), rect.center().y, (1.0, theme::RAISED));
}

/// Place of a frame within `rect` that shows `start` to `end`.
pub fn x_of(rect: Rect, start: f64, end: f64, frame: f64) -> f32 {
    rect.left() + ((frame - start) / (end - start)) as f32 * rect.width()
}

/// Frame at a place within `rect` that shows `start` to `end`.
pub fn frame_at(rect: Rect, start: f64, end: f64, at: Pos2) -> f64 {
    start + f64::from((at.x - rect.left()) / rect.width()) * (end - start)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pyramid_ranges_equal_those_of_the_samples() {
        let samples: Vec<f32> =
            (0..100_000).map(|i| ((i * 7919) % 1000) as f32 / 1000.0 * ((i as f32) * 0.001).sin()).collect();
        let take = Take::from_samples("t", 48_000, vec![samples]);
        let pyramid = Pyramid::of(&take, &AtomicBool::new(false)).expect("not stopped");
        for (start, end) in [(0, 100_000), (64, 128), (1000, 1010), (4096, 8192), (65_536, 81_920)] {
            let truth = sample_range(&take, start, end);
            assert_eq!(pyramid.range(&take, start, end), truth, "{start} to {end}");
        }
        // unaligned stretches may see up to one entry more at each side, never less
        let wide = pyramid.range(&take, 10_001, 50_003);
        let truth = sample_range(&take, 10_001, 50_003);
        assert!(wide[0] <= truth[0] && wide[1] >= truth[1]);
        assert_eq!(
            pyramid.peak(),
            sample_range(&take, 0, 100_000).map(f32::abs).into_iter().fold(0.0, f32::max)
        );
    }

    #[test]
    fn a_range_reads_at_most_nine_entries_whatever_its_length() {
        let take = Take::from_samples("t", 48_000, vec![vec![0.25; 3_000_000]]);
        let pyramid = Pyramid::of(&take, &AtomicBool::new(false)).expect("not stopped");
        for length in [128, 500, 5000, 77_777, 1_000_000, 2_999_000] {
            for start in [0, 1, 63, 999] {
                let read = pyramid.entries(start, start + length).len();
                assert!((1..=9).contains(&read), "{read} entries for {length} frames from {start}");
            }
        }
    }

    #[test]
    fn frames_beyond_the_take_are_silent() {
        let take = Take::from_samples("t", 48_000, vec![vec![0.5; 1000]]);
        let pyramid = Pyramid::of(&take, &AtomicBool::new(false)).expect("not stopped");
        assert_eq!(pyramid.range(&take, 5000, 6000), [0.0, 0.0]);
        assert_eq!(pyramid.range(&take, 900, 6000), [0.5, 0.5]);
        let empty = Take::from_samples("t", 48_000, vec![Vec::new()]);
        let pyramid = Pyramid::of(&empty, &AtomicBool::new(false)).expect("not stopped");
        assert_eq!(pyramid.range(&empty, 0, 10), [0.0, 0.0]);
    }
}
