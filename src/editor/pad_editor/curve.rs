//! The tone chain's cuts and EQ as one response curve, with handles for the bands.

use super::{
    caption::CAPTION,
    live::LiveSpectrum,
    spectrum::{self, HitSpectrum, Levels},
};
use crate::editor::{frame_context::FrameContext, theme, widgets};
use egui::{Align2, CursorIcon, Pos2, Rect, Role, Sense, Ui, WidgetInfo, pos2, vec2};
use kitwright_core::{
    cast::typical_bands,
    engine::dsp::eq::EqSection,
    kit::{BAND, Role as PadRole, Tone},
    units::{db_to_power, power_to_db},
};

/// Rate at which the curve is computed, Hz.
const CURVE_RATE: f64 = 96_000.0;
/// Edges of the picture, Hz.
const EDGES: [f64; 2] = spectrum::SHOWN_RANGE_HZ;
/// Height of the picture, dB up and down.
const SPAN_DB: f32 = 18.0;

/// Level at the lower edge of the spectrum behind the curve, dB below its strongest band.
const SPECTRUM_FLOOR_DB: f32 = -60.0;

/// Width of the scale left of the picture.
const SCALE_WIDTH: f32 = 46.0;
/// Frequencies with a line, Hz.
const FREQUENCIES: [(f64, &str); 3] = [(100.0, "100 Hz"), (1000.0, "1 kHz"), (10_000.0, "10 kHz")];
/// Levels with a line, dB.
const LEVELS: [(f32, &str); 3] = [(-12.0, "-12 dB"), (0.0, "0 dB"), (12.0, "+12 dB")];

/// The sections that shape the spectrum, in no particular order: their gains add up.
pub(super) fn sections(tone: &Tone) -> Vec<EqSection> {
    let mut all = Vec::new();
    let fourth = |cut: &kitwright_core::kit::Cut| cut.slope == kitwright_core::kit::Slope::TwentyFour;
    if tone.low_cut.on {
        all.extend(EqSection::low_cut(f64::from(tone.low_cut.hz), fourth(&tone.low_cut), CURVE_RATE));
    }
    if tone.high_cut.on {
        all.extend(EqSection::high_cut(f64::from(tone.high_cut.hz), fourth(&tone.high_cut), CURVE_RATE));
    }
    for (i, band) in tone.bands.iter().enumerate().filter(|(_, b)| b.on) {
        let (hz, gain, q) = (f64::from(band.hz), f64::from(band.gain_db), f64::from(band.q));
        all.push(match i {
            0 => EqSection::low_shelf(hz, gain, q, CURVE_RATE),
            1 => EqSection::bell(hz, gain, q, CURVE_RATE),
            _ => EqSection::high_shelf(hz, gain, q, CURVE_RATE),
        });
    }
    for dip in tone.dips.iter().filter(|d| d.on) {
        let gain_db = f64::from(dip.gain_db * tone.dip_amount);
        all.push(EqSection::bell(f64::from(dip.hz), gain_db, f64::from(dip.q), CURVE_RATE));
    }
    let bell = &tone.note_bell;
    if bell.on {
        all.push(EqSection::bell(f64::from(bell.hz), f64::from(bell.gain_db), f64::from(bell.q), CURVE_RATE));
    }
    if tone.tilt_db != 0.0 {
        all.push(EqSection::tilt(f64::from(tone.tilt_db), CURVE_RATE));
    }
    all
}

/// The spectra behind the curve.
#[derive(Debug, Default)]
pub(super) struct CurveView {
    spectrum: HitSpectrum,
    live: LiveSpectrum,
}

impl CurveView {
    /// Whether a spectrum is being computed.
    pub fn is_working(&self) -> bool {
        self.spectrum.is_working()
    }

    /// Draws the curve of a pad; the three bands can be dragged.
    pub fn show(&mut self, ui: &mut Ui, rect: Rect, pad: usize, cx: &FrameContext<'_>) {
        let now = ui.input(|i| i.time);
        let live = cx.session.meters().and_then(|m| self.live.follow(&m, pad, now));
        draw(ui, rect, pad, &mut self.spectrum, live, cx);
    }
}

fn draw(
    ui: &mut Ui,
    rect: Rect,
    pad: usize,
    spectrum: &mut HitSpectrum,
    live: Option<Levels>,
    cx: &FrameContext<'_>,
) {
    let tone = &cx.pad(pad).tone.clone();
    let response = ui.interact(rect, ui.scope_id().with("curve"), Sense::hover());
    ui.painter().rect_filled(rect, theme::ROUND, theme::INSET);
    let outer = rect;
    // captions lie around the picture
    let rect = Rect::from_min_max(rect.min + vec2(SCALE_WIDTH, CAPTION), rect.max - vec2(0.0, CAPTION));
    let painter = ui.painter_at(rect);
    let all = sections(tone);
    let over = if live.is_some() { "over the live spectrum" } else { "over the hit's spectrum" };
    response.widget_info(|| {
        WidgetInfo::labeled(Role::Image, true, format!("Frequency response of cuts and EQ, {over}"))
    });
    let caption = if live.is_some() { "live spectrum" } else { "the hit's spectrum, filtered" };
    let shown = spectra(ui, rect, pad, spectrum, cx, &all, live);
    let role = cx.pad(pad).role;
    target(ui, rect, role, shown.as_ref());
    grid(&painter, rect);
    words(ui, outer, rect, caption, role);
    let steps = (rect.width() / 2.0) as usize;
    let line: Vec<Pos2> = (0..=steps)
        .map(|i| {
            let hz = hz_at(rect, rect.left() + rect.width() * i as f32 / steps.max(1) as f32);
            let db: f64 = all.iter().map(|s| s.magnitude_db(hz, CURVE_RATE)).sum();
            pos2(x_of(rect, hz), y_of(rect, (db as f32).clamp(-SPAN_DB * 2.0, SPAN_DB * 2.0)))
        })
        .collect();
    painter.line(line, (2.0, theme::SOUND));
    for band in 0..3 {
        handle(ui, rect, pad, cx, band);
    }
}

/// Lines of equal frequency and level, drawn over the bars, which would hide them.
fn grid(painter: &egui::Painter, rect: Rect) {
    let line = theme::TEXT.gamma_multiply(0.1);
    for (hz, _) in FREQUENCIES {
        painter.vline(x_of(rect, hz), rect.y_range(), (1.0, line));
    }
    for (db, _) in LEVELS {
        painter.hline(rect.x_range(), y_of(rect, db), (1.0, if db == 0.0 { theme::BORDER } else { line }));
    }
}

/// The words around the picture `inner`, within `outer`.
fn words(ui: &Ui, outer: Rect, inner: Rect, what: &str, role: PadRole) {
    let painter = ui.painter();
    let word = |at: Pos2, align: Align2, text: &str, ink| {
        widgets::text_in(painter, at, align, text, theme::small(), ink, outer.width() * 0.5 - 8.0);
    };
    for (hz, text) in FREQUENCIES {
        let at = pos2(x_of(inner, hz), inner.bottom() + 1.0);
        word(at, Align2::CENTER_TOP, text, theme::TEXT_DIM);
    }
    for (db, text) in LEVELS {
        word(pos2(inner.left() - 4.0, y_of(inner, db)), Align2::RIGHT_CENTER, text, theme::TEXT_DIM);
    }
    word(outer.min + vec2(6.0, 1.0), Align2::LEFT_TOP, what, theme::TEXT_DIM);
    let dashed = format!("dashed: most {} recordings", role.word());
    word(outer.right_top() + vec2(-6.0, 1.0), Align2::RIGHT_TOP, &dashed, theme::ACCENT);
}

/// Draws and returns the live spectrum, or the hit's spectrum after the curve while nothing sounds.
fn spectra(
    ui: &Ui,
    rect: Rect,
    pad: usize,
    spectrum: &mut HitSpectrum,
    cx: &FrameContext<'_>,
    all: &[EqSection],
    live: Option<Levels>,
) -> Option<Levels> {
    if let Some(levels) = live {
        ui.ctx().request_repaint_after(std::time::Duration::from_millis(16));
        bars(ui, rect, &levels, theme::LIVE_SPECTRUM);
        return Some(levels);
    }
    let slice = cx.pad(pad).slices.first().copied()?;
    let levels = spectrum.get(cx.kit.takes.get(slice.take)?, slice, ui.ctx())?;
    let mut shaped: Levels = std::array::from_fn(|i| {
        let hz = (spectrum::edge_hz(i) * spectrum::edge_hz(i + 1)).sqrt();
        levels[i] + all.iter().map(|s| s.magnitude_db(hz, CURVE_RATE)).sum::<f64>() as f32
    });
    let top = shaped.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    shaped.iter_mut().for_each(|l| *l -= top);
    bars(ui, rect, &shaped, theme::RAISED);
    Some(shaped)
}

/// Height of a level that lies `db` below the strongest.
fn height_of(rect: Rect, db: f32) -> f32 {
    (1.0 - db / SPECTRUM_FLOOR_DB).clamp(0.0, 1.0) * rect.height() * 0.88
}

fn bars(ui: &Ui, rect: Rect, levels: &Levels, colour: egui::Color32) {
    let mut mesh = egui::Mesh::default();
    let width = rect.width() / spectrum::SHOWN_BANDS as f32;
    for (i, level) in levels.iter().enumerate() {
        let left = rect.left() + i as f32 * width;
        let top = rect.bottom() - height_of(rect, *level);
        mesh.add_colored_rect(Rect::from_min_max(pos2(left, top), pos2(left + width, rect.bottom())), colour);
    }
    ui.painter().add(egui::Shape::mesh(mesh));
}

/// The range in which recordings of the role lie (one standard deviation to each side), at the level that fits
/// `shown` best.
fn target(ui: &Ui, rect: Rect, role: PadRole, shown: Option<&Levels>) {
    let band = target_band(role, shown);
    let y = |db: f32| rect.bottom() - height_of(rect, db);
    let line = |side: f32| -> Vec<Pos2> {
        band.iter().map(|t| pos2(x_of(rect, t.hz), y(t.level_db + side * t.spread_db))).collect()
    };
    let (high, low) = (line(1.0), line(-1.0));
    let fill = theme::ACCENT.gamma_multiply(0.14);
    let mut mesh = egui::Mesh::default();
    for (above, below) in high.iter().zip(&low) {
        mesh.colored_vertex(*above, fill);
        mesh.colored_vertex(*below, fill);
    }
    for i in 0..band.len().saturating_sub(1) as u32 {
        mesh.add_triangle(2 * i, 2 * i + 1, 2 * i + 2);
        mesh.add_triangle(2 * i + 1, 2 * i + 2, 2 * i + 3);
    }
    let painter = ui.painter_at(rect);
    painter.add(egui::Shape::mesh(mesh));
    for edge in [high, low] {
        painter.extend(egui::Shape::dashed_line(&edge, (1.0, theme::ACCENT.gamma_multiply(0.7)), 4.0, 4.0));
    }
}

/// A point of the target, on the scale of the bars.
#[derive(Debug, Clone, Copy)]
struct TargetPoint {
    hz: f64,
    level_db: f32,
    spread_db: f32,
}

/// The role's typical bands as power in bands like those of the bars, shifted in level by their mean difference to
/// `shown` over the bands that are not silent.
fn target_band(role: PadRole, shown: Option<&Levels>) -> Vec<TargetPoint> {
    // bars are equally wide on a logarithmic axis: their power is density times frequency, times a constant
    let mut band: Vec<TargetPoint> = typical_bands(role)
        .iter()
        .map(|b| TargetPoint {
            hz: f64::from(b.hz),
            level_db: b.density_db + power_to_db(b.hz),
            spread_db: b.spread_db,
        })
        .collect();
    let top = band.iter().map(|t| t.level_db).fold(f32::NEG_INFINITY, f32::max);
    band.iter_mut().for_each(|t| t.level_db -= top);
    let Some(shown) = shown else { return band };
    let share = |hz: f64| (hz / EDGES[0]).ln() / (EDGES[1] / EDGES[0]).ln();
    let at =
        |hz: f64| shown[((share(hz) * spectrum::SHOWN_BANDS as f64) as usize).min(spectrum::SHOWN_BANDS - 1)];
    let (mut sum, mut weight) = (0.0, 0.0);
    for t in band.iter().filter(|t| at(t.hz) > SPECTRUM_FLOOR_DB && t.level_db > SPECTRUM_FLOOR_DB) {
        // bands that are strong in both count most
        let w = db_to_power((at(t.hz) + t.level_db) / 4.0);
        sum += w * (at(t.hz) - t.level_db);
        weight += w;
    }
    let lift = if weight > 0.0 { (sum / weight).clamp(-24.0, 24.0) } else { 0.0 };
    band.iter_mut().for_each(|t| t.level_db += lift);
    band
}

fn handle(ui: &mut Ui, rect: Rect, pad: usize, cx: &FrameContext<'_>, band: usize) {
    let b = cx.pad(pad).tone.bands[band];
    let at = pos2(x_of(rect, f64::from(b.hz)), y_of(rect, b.gain_db.clamp(-SPAN_DB, SPAN_DB)));
    let response = ui.interact(
        Rect::from_center_size(at, vec2(18.0, 18.0)),
        ui.scope_id().with(("band", band)),
        Sense::click_and_drag(),
    );
    let word = ["Low", "Middle", "High"][band];
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, format!("{word} band of the curve")));
    let lit = response.hovered() || response.dragged();
    let fill = if b.on { theme::ACCENT } else { theme::INSET };
    ui.painter().circle(at, 8.0, fill, (1.5, if lit { theme::TEXT } else { theme::ACCENT }));
    let ink = if b.on { theme::ON_ACCENT } else { theme::ACCENT };
    ui.painter().text(at, Align2::CENTER_CENTER, &word[..1], theme::small(), ink);
    if response.dragged()
        && let Some(p) = response.interact_pointer_pos()
    {
        let hz = hz_at(rect, p.x) as f32;
        let gain = (rect.center().y - p.y) / (rect.height() / 2.0) * SPAN_DB;
        cx.edit_pad(pad, &format!("{} band", word.to_lowercase()), |pad| {
            let band = &mut pad.tone.bands[band];
            band.on = true;
            for s in &BAND {
                match s.id {
                    "hz" => (s.set)(band, s.clamp(hz)),
                    "gain_db" => (s.set)(band, s.clamp(gain)),
                    _ => {}
                }
            }
        });
    }
    if response.double_clicked() {
        cx.edit_pad(pad, &format!("{} band", word.to_lowercase()), |pad| pad.tone.bands[band].gain_db = 0.0);
    }
    response.on_hover_cursor(CursorIcon::Grab).on_hover_text(format!(
        "{word} band: {:.0} Hz, {:+.1} dB. Drag to move it, double click for 0 dB.",
        b.hz, b.gain_db
    ));
}

fn x_of(rect: Rect, hz: f64) -> f32 {
    rect.left() + ((hz / EDGES[0]).ln() / (EDGES[1] / EDGES[0]).ln()) as f32 * rect.width()
}

fn hz_at(rect: Rect, x: f32) -> f64 {
    EDGES[0] * (EDGES[1] / EDGES[0]).powf(f64::from(((x - rect.left()) / rect.width()).clamp(0.0, 1.0)))
}

fn y_of(rect: Rect, db: f32) -> f32 {
    rect.center().y - db / SPAN_DB * rect.height() / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::kit::Band;

    #[test]
    fn the_curve_is_flat_without_sections_and_follows_a_bell() {
        let mut tone = Tone::default();
        assert!(sections(&tone).is_empty());
        tone.bands[1] = Band { on: true, hz: 1000.0, gain_db: 6.0, q: 1.0 };
        let at = |hz| sections(&tone).iter().map(|s| s.magnitude_db(hz, CURVE_RATE)).sum::<f64>();
        assert!((at(1000.0) - 6.0).abs() < 0.01);
        assert!(at(30.0).abs() < 0.1);
        tone.note_bell = Band { on: true, hz: 200.0, gain_db: 9.0, q: 4.0 };
        let at = |hz| sections(&tone).iter().map(|s| s.magnitude_db(hz, CURVE_RATE)).sum::<f64>();
        assert!((at(200.0) - 9.0).abs() < 0.3, "the bell at the pad's note");
    }

    #[test]
    fn the_target_is_shifted_to_the_level_of_the_sound() {
        let alone = target_band(PadRole::Kick, None);
        assert!(alone.iter().all(|t| t.level_db <= 0.0));
        let softer: Levels = std::array::from_fn(|i| {
            let hz = (spectrum::edge_hz(i) * spectrum::edge_hz(i + 1)).sqrt();
            let near = |t: &&TargetPoint| (t.hz / hz).ln().abs();
            alone.iter().min_by(|a, b| near(a).total_cmp(&near(b))).map_or(-60.0, |t| t.level_db - 6.0)
        });
        let moved = target_band(PadRole::Kick, Some(&softer));
        for (a, b) in alone.iter().zip(&moved) {
            assert!((a.level_db - b.level_db - 6.0).abs() < 1.0, "{} to {} dB", a.level_db, b.level_db);
        }
    }

    #[test]
    fn positions_and_frequencies_convert_both_ways() {
        let rect = Rect::from_min_size(pos2(10.0, 0.0), vec2(300.0, 100.0));
        for hz in [20.0, 440.0, 20_000.0] {
            assert!((hz_at(rect, x_of(rect, hz)) / hz - 1.0).abs() < 1e-4);
        }
    }
}
