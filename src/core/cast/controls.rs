//! The controls of a pad that a search moves, each with the window around the pad's own value in which it looks.

use crate::{
    kit::{LAYER, Pad},
    settings::setting,
};

/// Number of layers of which every control is searched; of the others level and decay are.
const MAIN_LAYERS: usize = 2;

type Set = Box<dyn Fn(&mut Pad, f32)>;

/// One control and the window in which it is searched.
pub struct Control {
    low: f32,
    high: f32,
    logarithmic: bool,
    value: f32,
    set: Set,
}

impl Control {
    /// The pad's own position in the window, 0 to 1.
    pub fn position(&self) -> f64 {
        let position = if self.logarithmic {
            (self.value / self.low).ln() / (self.high / self.low).ln()
        } else {
            (self.value - self.low) / (self.high - self.low)
        };
        f64::from(position.clamp(0.0, 1.0))
    }

    /// Moves the control of `pad` to this position in the window, held to 0 to 1.
    pub fn apply(&self, pad: &mut Pad, position: f64) {
        let position = position.clamp(0.0, 1.0) as f32;
        let value = if self.logarithmic {
            self.low * (self.high / self.low).powf(position)
        } else {
            self.low + (self.high - self.low) * position
        };
        (self.set)(pad, value.clamp(self.low, self.high));
    }
}

/// Controls that are searched, with their windows around the pad's values. Layer pitches, layer starts and the cloud's pitch
/// range are included only if `with_pitch_and_start`.
pub fn space(pad: &Pad, with_pitch_and_start: bool) -> Vec<Control> {
    let mut all = Vec::new();
    for i in 0..pad.layers.len() {
        layer(pad, i, with_pitch_and_start, &mut all);
    }
    cloud(pad, with_pitch_and_start, &mut all);
    tone(pad, &mut all);
    all
}

fn layer(pad: &Pad, i: usize, with_pitch_and_start: bool, all: &mut Vec<Control>) {
    let s = &pad.layers[i].settings;
    if i >= MAIN_LAYERS {
        // so few trials find their way among so many controls only
        linear(all, s.level_db, [s.level_db - 8.0, s.level_db + 6.0], move |p, v| {
            p.layers[i].settings.level_db = v
        });
        scaled(all, s.decay_ms, 1.6, [3.0, 2000.0], move |p, v| p.layers[i].settings.decay_ms = v);
        return;
    }
    if with_pitch_and_start {
        linear(all, s.start_ms, [0.0, s.start_ms + 25.0], move |p, v| p.layers[i].settings.start_ms = v);
        let allowed = setting(&LAYER, "pitch_st");
        let pitch = [(s.pitch_st - 6.0).max(allowed.min), (s.pitch_st + 6.0).min(allowed.max)];
        linear(all, s.pitch_st, pitch, move |p, v| p.layers[i].settings.pitch_st = v);
    }
    scaled(all, s.decay_ms, 3.0, [3.0, 2000.0], move |p, v| p.layers[i].settings.decay_ms = v);
    linear(all, s.decay_curve, [0.2, 1.0], move |p, v| p.layers[i].settings.decay_curve = v);
    if s.drop_st > 0.0 {
        linear(all, s.drop_st, [0.0, 18.0], move |p, v| p.layers[i].settings.drop_st = v);
    }
    if s.attack_ms > 0.0 {
        linear(all, s.attack_ms, [0.7 * s.attack_ms, 2.0 * s.attack_ms], move |p, v| {
            p.layers[i].settings.attack_ms = v
        });
    }
    if s.low_cut_hz > 20.0 {
        scaled(all, s.low_cut_hz, 2.0, [20.0, 12_000.0], move |p, v| p.layers[i].settings.low_cut_hz = v);
    }
    if s.high_cut_hz < 20_000.0 {
        scaled(all, s.high_cut_hz, 2.5, [150.0, 18_000.0], move |p, v| p.layers[i].settings.high_cut_hz = v);
    }
    if i > 0 {
        linear(all, s.level_db, [-24.0, 12.0], move |p, v| p.layers[i].settings.level_db = v);
    } else {
        linear(all, s.hold_ms, [0.0, 2.0 * s.hold_ms + 6.0], move |p, v| p.layers[i].settings.hold_ms = v);
    }
}

fn cloud(pad: &Pad, with_pitch_and_start: bool, all: &mut Vec<Control>) {
    let c = &pad.cloud;
    if c.copies == 0 {
        return;
    }
    linear(all, c.cloud_db, [(c.cloud_db - 14.0).max(-40.0), (c.cloud_db + 8.0).min(9.0)], |p, v| {
        p.cloud.cloud_db = v
    });
    scaled(all, c.spread_ms, 2.5, [2.0, 1000.0], |p, v| p.cloud.spread_ms = v);
    if c.fall_db > 0.0 {
        linear(all, c.fall_db, [0.4 * c.fall_db, 1.6 * c.fall_db], |p, v| p.cloud.fall_db = v);
    }
    if with_pitch_and_start {
        linear(all, c.pitch_st, [0.5, 12.0], |p, v| p.cloud.pitch_st = v);
    }
    // a recipe without diffusion wants none: it would add a tail
    if c.diffusion > 0.0 {
        linear(all, c.diffusion, [0.0, 1.0], |p, v| p.cloud.diffusion = v);
    }
}

fn tone(pad: &Pad, all: &mut Vec<Control>) {
    let t = &pad.tone;
    if t.low_cut.on {
        scaled(all, t.low_cut.hz, 2.0, [20.0, 12_000.0], |p, v| p.tone.low_cut.hz = v);
    }
    if t.high_cut.on {
        scaled(all, t.high_cut.hz, 2.0, [300.0, 18_000.0], |p, v| p.tone.high_cut.hz = v);
    }
    for (b, band) in t.bands.iter().enumerate().filter(|(_, b)| b.on) {
        linear(all, band.gain_db, [-18.0, 18.0], move |p, v| p.tone.bands[b].gain_db = v);
        scaled(all, band.hz, 1.6, [40.0, 14_000.0], move |p, v| p.tone.bands[b].hz = v);
    }
    linear(all, t.tilt_db, [-6.0, 6.0], |p, v| p.tone.tilt_db = v);
    if t.saturation.on {
        linear(all, t.saturation.drive_db, [0.0, 26.0], |p, v| p.tone.saturation.drive_db = v);
        linear(all, t.saturation.mix, [0.0, 1.0], |p, v| p.tone.saturation.mix = v);
    }
    if t.punch.on {
        scaled(all, t.punch.ratio, 2.5, [1.0, 10.0], |p, v| p.tone.punch.ratio = v);
    }
}

fn linear(all: &mut Vec<Control>, value: f32, [low, high]: [f32; 2], set: impl Fn(&mut Pad, f32) + 'static) {
    all.push(Control { low, high, logarithmic: false, value, set: Box::new(set) });
}

/// A logarithmic control searched from `1 / factor` of its value to `factor` times it, within the window.
fn scaled(
    all: &mut Vec<Control>,
    value: f32,
    factor: f32,
    [least, most]: [f32; 2],
    set: impl Fn(&mut Pad, f32) + 'static,
) {
    let low = (value / factor).max(least).min(most / 1.01);
    let high = (value * factor).min(most).max(low * 1.01);
    all.push(Control { low, high, logarithmic: true, value, set: Box::new(set) });
}
