//! Waveforms, drawn at any zoom from a pyramid of minima and maxima, which is made on another thread; and what is amiss
//! with a recording, which the same thread measures.

use super::theme;
use egui::{Color32, Mesh, Painter, Pos2, Rect, Shape, pos2};
use kitwright_core::{
    listen::Quality,
    take::{Pyramid, Take},
};
use std::{
    collections::HashMap,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering},
        mpsc,
    },
    thread::JoinHandle,
};

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
            let stopped = || stop.load(Ordering::Relaxed);
            let Some(pyramid) = Pyramid::unless(&work, &stopped) else { return };
            // no receiver is left once the window is closed
            let _ = send.send(Found::Pyramid(pyramid));
            ctx.request_repaint();
            let Some(quality) = Quality::unless(&work, &stopped) else { return };
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

/// Distance from the window's left edge, points, of a frame within `rect`, which shows the frames `start` to `end`. Frames
/// before or after these lie left or right of `rect`; NaN or infinite where `start` and `end` are equal.
pub fn x_of(rect: Rect, start: f64, end: f64, frame: f64) -> f32 {
    rect.left() + ((frame - start) / (end - start)) as f32 * rect.width()
}

/// Frame at a place, points, within `rect`, which shows the frames `start` to `end`. A place beside `rect` gives a frame
/// before or after these, which may be below 0.
pub fn frame_at(rect: Rect, start: f64, end: f64, at: Pos2) -> f64 {
    start + f64::from((at.x - rect.left()) / rect.width()) * (end - start)
}
