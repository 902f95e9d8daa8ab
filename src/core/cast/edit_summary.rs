//! The edit summary: what was done to a sound, in words for the player.

use crate::kit::{Pad, Timing};

/// One phrase for each setting that shapes the pad's sound: pitch and time, cloud, tone.
pub fn of(pad: &Pad) -> Vec<String> {
    let mut edits = Vec::new();
    let Some(first) = pad.layers.first().map(|l| l.settings) else { return edits };
    pitch(f64::from(first.pitch_st) + f64::from(first.fine_ct) / 100.0, &mut edits);
    if first.start_ms >= 1.0 {
        edits.push(format!("starts {:.0} ms in", first.start_ms));
    }
    if first.drop_st >= 0.5 {
        edits.push(format!("falls {:.1} semitones at the start", first.drop_st));
    }
    let ms = first.hold_ms + first.decay_ms;
    if first.tail_ms > 0.0 {
        edits.push(format!(
            "goes on as noise of its own after {:.0} ms, for {ms:.0} ms in all",
            first.tail_ms
        ));
    } else if first.decay_ms < 1000.0 {
        edits.push(format!("shortened to {ms:.0} ms"));
    }
    if first.attack_ms >= 2.0 {
        edits.push(format!("swells in {:.0} ms", first.attack_ms));
    }
    if pad.layers.len() > 1 {
        edits.push(format!("{} layers", pad.layers.len()));
    }
    cloud(pad, &mut edits);
    tone(pad, &mut edits);
    edits
}

fn pitch(st: f64, edits: &mut Vec<String>) {
    if st.abs() < 0.05 {
        return;
    }
    let way = if st < 0.0 { "down" } else { "up" };
    let octaves = st.abs() / 12.0;
    edits.push(match octaves {
        o if (o - 1.0).abs() < 0.01 => format!("an octave {way}"),
        o if o > 1.5 && (o - o.round()).abs() < 0.01 => format!("{o:.0} octaves {way}"),
        _ => format!("{:.1} semitones {way}", st.abs()),
    });
}

fn cloud(pad: &Pad, edits: &mut Vec<String>) {
    let c = &pad.cloud;
    if c.copies == 0 || c.cloud_db <= -40.0 {
        return;
    }
    edits.push(if c.timing == Timing::Bursts {
        format!("{} copies in bursts {:.0} ms apart", c.copies, c.burst_gap_ms)
    } else {
        format!("{} copies within {:.0} ms", c.copies, c.spread_ms)
    });
}

fn tone(pad: &Pad, edits: &mut Vec<String>) {
    let t = &pad.tone;
    if t.low_cut.on && t.low_cut.hz > 25.0 {
        edits.push(format!("cut below {}", hertz(t.low_cut.hz)));
    }
    if t.high_cut.on && t.high_cut.hz < 19_000.0 {
        edits.push(format!("cut above {}", hertz(t.high_cut.hz)));
    }
    for b in t.bands.iter().filter(|b| b.on && b.gain_db.abs() >= 1.0) {
        let what = if b.gain_db > 0.0 { "lifted" } else { "dipped" };
        edits.push(format!("{what} {:.0} dB at {}", b.gain_db.abs(), hertz(b.hz)));
    }
    let dips = t.dips.iter().filter(|d| d.on && d.gain_db * t.dip_amount <= -1.0).count();
    if dips > 0 {
        edits.push(format!("{dips} {} taken out", if dips == 1 { "tone" } else { "tones" }));
    }
    if t.limiter.on && t.limiter.threshold_db < -1.0 {
        edits.push(format!("limited to {:.0} dB", t.limiter.threshold_db));
    }
    if t.saturation.on && t.saturation.mix >= 0.05 && t.saturation.drive_db >= 0.5 {
        edits.push(format!("driven by {:.0} dB", t.saturation.drive_db));
    }
    if t.punch.on && t.punch.ratio > 1.2 {
        edits.push("transient emphasised by a slow-attack compressor".into());
    }
    if t.low_band.on && t.low_band.ratio > 1.2 {
        edits.push(format!("lows compressed below {}", hertz(t.low_band_hz)));
    }
    if t.note_bell.on && t.note_bell.gain_db >= 1.0 {
        edits.push(format!("its note lifted at {}", hertz(t.note_bell.hz)));
    }
}

fn hertz(hz: f32) -> String {
    if hz >= 1000.0 { format!("{:.1} kHz", hz / 1000.0) } else { format!("{hz:.0} Hz") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hit_that_goes_on_is_not_called_shortened() {
        let mut pad = Pad { layers: vec![crate::kit::Layer::default()], ..Pad::default() };
        let settings = &mut pad.layers[0].settings;
        (settings.hold_ms, settings.decay_ms) = (60.0, 420.0);
        assert_eq!(of(&pad), ["shortened to 480 ms"]);
        pad.layers[0].settings.tail_ms = 20.0;
        assert_eq!(of(&pad), ["goes on as noise of its own after 20 ms, for 480 ms in all"]);
    }
}
