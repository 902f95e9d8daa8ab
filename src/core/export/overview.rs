//! overview.png: the takes with their hits marked, and each pad with its role and waveform.

use super::{
    render::Stereo,
    summary::is_tidied,
    text::{Align, Text},
};
use crate::{
    cast::unsure,
    kit::{Kit, PADS, Role},
};
use tiny_skia::{Color, FillRule, Paint, Path, PathBuilder, Pixmap, Rect, Transform};

/// Width of the picture, pixels.
const WIDTH: f32 = 1600.0;
const PICTURE_MARGIN: f32 = 40.0;
const PICTURE_GAP: f32 = 16.0;
const HEADER: f32 = 96.0;
/// Pads in a row.
const COLUMNS: usize = 4;
const CELL_HEIGHT: f32 = 156.0;
/// Takes that are drawn at most; the header counts all.
const MAX_DRAWN_TAKES: usize = 6;

const PICTURE_BACKGROUND: u32 = 0x14161b;
const PANEL: u32 = 0x1d2027;
const QUIET_INK: u32 = 0x5c6370;
const DIM: u32 = 0x9aa0ac;
const BRIGHT: u32 = 0xece9e2;

/// A sound as it is drawn: highest and lowest sample in each column, and its length.
#[derive(Debug, Clone, PartialEq)]
pub struct WaveOutline {
    columns: Vec<(f32, f32)>,
    seconds: f64,
}

impl WaveOutline {
    /// The waveform of a stereo sound at `rate` Hz, up to the last sample within 60 dB of its peak.
    pub fn of(sound: &Stereo, rate: u32) -> Self {
        let [left, right] = sound;
        let peak = left.iter().chain(right).fold(0.0, |p: f32, s| p.max(s.abs()));
        let loud = |s: &f32| s.abs() > peak * 1e-3;
        let end = left.iter().rposition(loud).max(right.iter().rposition(loud)).map_or(1, |i| i + 1);
        let columns = columns(&[&left[..end.min(left.len())], &right[..end.min(right.len())]], 336);
        Self { columns, seconds: end as f64 / f64::from(rate) }
    }
}

/// Highest and lowest sample of all channels in each of `count` columns.
fn columns(channels: &[&[f32]], count: usize) -> Vec<(f32, f32)> {
    let frames = channels.first().map_or(0, |c| c.len());
    (0..count)
        .map(|i| {
            let from = i * frames / count;
            let to = ((i + 1) * frames / count).max(from + 1).min(frames);
            let part = channels.iter().flat_map(|c| c.get(from..to).unwrap_or_default());
            part.fold((0.0, 0.0), |(high, low): (f32, f32), &s| (high.max(s), low.min(s)))
        })
        .collect()
}

/// Colour of a role in pictures, 0xRRGGBB: that of its family, as in the window.
pub fn role_colour(role: Role) -> u32 {
    let [r, g, b] = role.family().colour();
    u32::from_be_bytes([0, r, g, b])
}

/// Draws the picture of a kit; `pads` holds the waveform of each pad that sounds.
pub fn overview(kit: &Kit, pads: &[Option<WaveOutline>; PADS]) -> Pixmap {
    let lanes = kit.takes.len().clamp(1, MAX_DRAWN_TAKES);
    let lane_height = (360.0 / lanes as f32).clamp(72.0, 190.0);
    let lanes_height = lanes as f32 * (lane_height + PICTURE_GAP);
    let grid_height = (PADS / COLUMNS) as f32 * (CELL_HEIGHT + PICTURE_GAP);
    let height = HEADER + lanes_height + 8.0 + grid_height - PICTURE_GAP + PICTURE_MARGIN;

    let picture = Pixmap::new(WIDTH as u32, height as u32).expect("the size is never zero");
    let mut canvas = Canvas { picture, text: Text::new() };
    canvas.picture.fill(colour(PICTURE_BACKGROUND));
    header(&mut canvas, kit);
    for lane in 0..lanes.min(kit.takes.len()) {
        let y = HEADER + lane as f32 * (lane_height + PICTURE_GAP);
        take_lane(&mut canvas, kit, lane, (PICTURE_MARGIN, y, WIDTH - 2.0 * PICTURE_MARGIN, lane_height));
    }
    let cell_width = (WIDTH - 2.0 * PICTURE_MARGIN - (COLUMNS - 1) as f32 * PICTURE_GAP) / COLUMNS as f32;
    for (pad, wave) in pads.iter().enumerate() {
        let x = PICTURE_MARGIN + (pad % COLUMNS) as f32 * (cell_width + PICTURE_GAP);
        let y = HEADER + lanes_height + 8.0 + (pad / COLUMNS) as f32 * (CELL_HEIGHT + PICTURE_GAP);
        pad_cell(&mut canvas, kit, pad, wave.as_ref(), (x, y, cell_width, CELL_HEIGHT));
    }
    canvas.picture
}

/// Left, top, width, height in pixels.
type Area = (f32, f32, f32, f32);

fn header(canvas: &mut Canvas, kit: &Kit) {
    let hits: usize = kit.doc.takes.iter().map(|t| t.hits.len()).sum();
    let facts = format!(
        "{} from {} in {}",
        counted(kit.sounding().count(), "pad"),
        counted(hits, "hit"),
        counted(kit.doc.takes.len(), "take")
    );
    canvas.write(&facts, (WIDTH - PICTURE_MARGIN, 62.0), 22.0, Align::Right, DIM);
    let room = WIDTH - 3.0 * PICTURE_MARGIN - canvas.text.width(&facts, 22.0);
    let name = canvas.text.fit(&kit.doc.name, 40.0, room);
    canvas.write(&name, (PICTURE_MARGIN, 62.0), 40.0, Align::Left, BRIGHT);
}

fn counted(n: usize, thing: &str) -> String {
    if n == 1 { format!("1 {thing}") } else { format!("{n} {thing}s") }
}

/// One take: its waveform with the parts that pads play in their colours, the hits as ticks below.
fn take_lane(canvas: &mut Canvas, kit: &Kit, index: usize, area: Area) {
    let (x, y, width, height) = area;
    canvas.panel(area);
    let take = &kit.takes[index];
    let frames = take.frames().max(1) as f64;
    let inner = (x + 14.0, y + 30.0, width - 28.0, height - 52.0);
    let at = |frame: u64| inner.0 + (frame as f64 / frames) as f32 * inner.2;

    let channels: Vec<&[f32]> = take.channels.iter().map(Vec::as_slice).collect();
    let wave = columns(&channels, inner.2 as usize);
    let peak = wave.iter().fold(1e-6, |p: f32, c| p.max(c.0).max(-c.1));
    canvas.wave(&wave, peak, inner, QUIET_INK);
    for (_, pad, slice) in kit.sounding().filter(|(_, _, s)| s.take == index) {
        let from = at(slice.start) - inner.0;
        let to = (at(slice.end) - inner.0).max(from + 3.0);
        let part = (from as usize).min(wave.len())..(to as usize).min(wave.len());
        let place = (inner.0 + part.start as f32, inner.1, part.len() as f32, inner.3);
        canvas.wave(&wave[part], peak, place, role_colour(pad.role));
    }
    for hit in kit.doc.takes.get(index).iter().flat_map(|t| &t.hits) {
        canvas.bar((at(hit.start) - 0.75, y + height - 18.0, 1.5, 6.0), DIM);
    }
    for (_, pad, slice) in kit.sounding().filter(|(_, _, s)| s.take == index) {
        canvas.bar((at(slice.start) - 1.0, inner.1 - 2.0, 2.0, height - 42.0), role_colour(pad.role));
        canvas.dot((at(slice.start), y + height - 14.0), 5.0, role_colour(pad.role));
    }
    let name = canvas.text.fit(&take.name, 17.0, width - 200.0);
    canvas.write(&name, (x + 14.0, y + 23.0), 17.0, Align::Left, DIM);
    let length = format!("{:.1} s", take.seconds());
    canvas.write(&length, (x + width - 14.0, y + 23.0), 17.0, Align::Right, DIM);
}

/// One pad: role and note, waveform as played, the hit it plays and its score.
fn pad_cell(canvas: &mut Canvas, kit: &Kit, index: usize, wave: Option<&WaveOutline>, area: Area) {
    let (x, y, width, height) = area;
    canvas.panel(area);
    let pad = &kit.doc.pads[index];
    let slice = kit.sounding().find(|(i, ..)| *i == index).map(|(_, _, slice)| slice);
    let shade = if slice.is_some() { role_colour(pad.role) } else { QUIET_INK };
    canvas.dot((x + 22.0, y + 27.0), 7.0, shade);
    let ink = if slice.is_some() { BRIGHT } else { QUIET_INK };
    canvas.write(pad.role.word(), (x + 38.0, y + 34.0), 24.0, Align::Left, ink);
    canvas.write(&format!("note {}", pad.note), (x + width - 16.0, y + 33.0), 17.0, Align::Right, DIM);

    let (Some(slice), Some(wave)) = (slice, wave) else {
        canvas.write("empty", (x + 16.0, y + height - 16.0), 17.0, Align::Left, QUIET_INK);
        return;
    };
    let peak = wave.columns.iter().fold(1e-6, |p: f32, c| p.max(c.0).max(-c.1));
    canvas.wave(&wave.columns, peak, (x + 16.0, y + 48.0, width - 32.0, height - 86.0), shade);
    let rate = kit.takes.get(slice.take).map_or(48_000.0, |t| f64::from(t.sample_rate));
    let mut facts = format!("hit at {:.2} s", slice.start as f64 / rate);
    if kit.takes.len() > 1 {
        facts = format!("take {}, {facts}", slice.take + 1);
    }
    match &pad.audition {
        Some(_) if pad.target.is_some() => facts += ", own target",
        Some(audition) if pad.role.is_scored() => {
            let unsure = if unsure(pad).is_some() { " ?" } else { "" };
            facts += &format!(", score {:.2}{unsure}", audition.score);
        }
        Some(_) if is_tidied(pad) => facts += ", tidied",
        Some(_) => facts += ", as recorded",
        None => {}
    }
    canvas.write(&facts, (x + 16.0, y + height - 15.0), 17.0, Align::Left, DIM);
    let length = if wave.seconds < 1.0 {
        format!("{:.0} ms", wave.seconds * 1000.0)
    } else {
        format!("{:.1} s", wave.seconds)
    };
    canvas.write(&length, (x + width - 16.0, y + height - 15.0), 17.0, Align::Right, DIM);
}

struct Canvas {
    picture: Pixmap,
    text: Text,
}

impl Canvas {
    fn fill(&mut self, path: Option<Path>, rgb: u32) {
        // An empty or degenerate path draws nothing.
        if let Some(path) = path {
            let still = Transform::identity();
            self.picture.fill_path(&path, &paint(rgb), FillRule::Winding, still, None);
        }
    }

    fn write(&mut self, text: &str, at: (f32, f32), size: f32, align: Align, rgb: u32) {
        self.text.draw(&mut self.picture, text, at, size, align, &paint(rgb));
    }

    fn bar(&mut self, (x, y, w, h): Area, rgb: u32) {
        self.fill(Rect::from_xywh(x, y, w, h).map(PathBuilder::from_rect), rgb);
    }

    fn dot(&mut self, (x, y): (f32, f32), radius: f32, rgb: u32) {
        self.fill(PathBuilder::from_circle(x, y, radius), rgb);
    }

    /// A rounded panel.
    fn panel(&mut self, (x, y, w, h): Area) {
        let r = 10.0;
        let mut p = PathBuilder::new();
        p.move_to(x + r, y);
        p.line_to(x + w - r, y);
        p.quad_to(x + w, y, x + w, y + r);
        p.line_to(x + w, y + h - r);
        p.quad_to(x + w, y + h, x + w - r, y + h);
        p.line_to(x + r, y + h);
        p.quad_to(x, y + h, x, y + h - r);
        p.line_to(x, y + r);
        p.quad_to(x, y, x + r, y);
        p.close();
        self.fill(p.finish(), PANEL);
    }

    /// A waveform whose `peak` reaches the edges of the area. Heights follow the square root of the level, so that
    /// soft hits are visible.
    fn wave(&mut self, columns: &[(f32, f32)], peak: f32, (x, y, w, h): Area, rgb: u32) {
        if columns.is_empty() {
            return;
        }
        let middle = y + h / 2.0;
        let half_height = |s: f32| ((s.abs() / peak).min(1.0).sqrt() * h / 2.0).max(0.6);
        let across = |i: usize| x + w * i as f32 / columns.len().max(2) as f32;
        let mut p = PathBuilder::new();
        p.move_to(x, middle);
        for (i, c) in columns.iter().enumerate() {
            p.line_to(across(i), middle - half_height(c.0));
        }
        for (i, c) in columns.iter().enumerate().rev() {
            p.line_to(across(i), middle + half_height(c.1));
        }
        p.close();
        self.fill(p.finish(), rgb);
    }
}

fn colour(rgb: u32) -> Color {
    let [_, r, g, b] = rgb.to_be_bytes();
    Color::from_rgba8(r, g, b, 255)
}

fn paint(rgb: u32) -> Paint<'static> {
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color(colour(rgb));
    paint
}
