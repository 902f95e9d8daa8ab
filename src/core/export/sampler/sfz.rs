//! SFZ, version 1: a text that maps the samples to keys, velocities and turns.

use super::{keys::KeyPlan, plan::PadPlan, strokes::VelocityCurve};
use crate::units::{db_to_gain, gain_to_db};
use std::fmt::Write;

/// Folder of the samples, beside the SFZ file.
pub(super) const SAMPLES: &str = "samples";

/// Samples that take turns at the same velocities.
pub(super) struct SfzStep {
    /// Lowest velocity.
    pub low: u8,
    /// Highest velocity.
    pub high: u8,
    /// In the order of their turns.
    pub regions: Vec<SfzRegion>,
}

/// One sample.
pub(super) struct SfzRegion {
    /// File name within [`SAMPLES`].
    pub sample: String,
    /// First frame of its loop and the one after its last.
    pub loop_frames: Option<[usize; 2]>,
    /// How its level follows the velocity.
    pub curve: VelocityCurve,
}

/// The file's text. A pad is a group; where it answers further keys, it has a group for each of them.
pub(super) fn text(kit: &str, pads: &[(&PadPlan, Vec<SfzStep>)]) -> String {
    let mut text = head(kit);
    for (plan, steps) in pads {
        for &(key, transpose_st) in &plan.keys {
            group(&mut text, plan, key, transpose_st);
            steps.iter().for_each(|step| regions(&mut text, plan, step));
        }
    }
    text
}

fn head(name: &str) -> String {
    let name: String = name.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    format!(
        "// {name}, exported by Kitwright. Levels and pans are in the samples;\n\
         // volume and pan of a group change them.\n"
    )
}

/// Highest volume of version 1, dB.
const MAX_VOLUME_DB: f32 = 6.0;
/// A release of players falls by about 80 dB in its time; one so much longer has the energy of the engine's, which ends at
/// silence (measured in pysfizz 0.1.3, for the release curve of key parts, which pads have unless it is changed).
const RELEASE_LENGTH: f32 = 2.4;
/// Exclusive groups of key parts that play one key at a time begin after those of pads.
const FIRST_MONO_GROUP: usize = 100;

/// The sample of a key part's zone.
#[derive(Debug, Clone, Copy)]
pub(super) struct SfzKeys {
    /// First frame of its loop and the one after its last.
    pub loop_frames: Option<[usize; 2]>,
    /// How much louder each higher key is, dB.
    pub per_key_db: f32,
}

/// The text of a key part: a file of its own, since it is played on a channel of its own. `samples` are those of its zones.
pub(super) fn key_text(kit: &str, plan: &KeyPlan, samples: &[SfzKeys], curve: &VelocityCurve) -> String {
    let mut text = head(&format!("{kit}, {}, channel {}", plan.name, plan.channel + 1));
    let _ = write!(
        text,
        "\n<group> amp_veltrack=100 volume=0 pan=0 ampeg_release={:.3}",
        plan.release_s * RELEASE_LENGTH
    );
    if plan.mono {
        let _ = write!(text, " group={0} off_by={0}", FIRST_MONO_GROUP + plan.part);
    }
    text.push('\n');
    for (zone, SfzKeys { loop_frames, per_key_db }) in plan.zones.iter().zip(samples) {
        let _ = write!(
            text,
            "<region> sample={SAMPLES}/{} lokey={} hikey={} pitch_keycenter={root} amp_keycenter={root} \
             amp_keytrack={per_key_db:.3}",
            plan.sample_file(zone),
            zone.low,
            zone.high,
            root = zone.root
        );
        match loop_frames {
            Some([start, end]) => {
                let _ = write!(text, " loop_mode=loop_continuous loop_start={start} loop_end={}", end - 1);
            }
            None => text.push_str(" loop_mode=no_loop"),
        }
        velocity_curve(&mut text, curve);
        text.push('\n');
    }
    text
}

/// The curve, with what it is above 1 (a pad may be louder when it is struck less hard) as volume: curves end at 1.
fn velocity_curve(text: &mut String, curve: &VelocityCurve) {
    let most = curve.iter().map(|(_, gain)| *gain).fold(1.0, f32::max);
    let most = most.min(db_to_gain(MAX_VOLUME_DB));
    if most > 1.0 {
        let _ = write!(text, " volume={:.2}", gain_to_db(most));
    }
    for (velocity, gain) in curve {
        let _ = write!(text, " amp_velcurve_{velocity}={:.5}", (gain / most).clamp(0.0, 1.0));
    }
}

fn group(text: &mut String, plan: &PadPlan, key: u8, transpose_st: f32) {
    let mode = if plan.held { "no_loop" } else { "one_shot" };
    let _ = write!(
        text,
        "\n// {}\n<group> key={key} loop_mode={mode} amp_veltrack=100 volume=0 pan=0",
        plan.stem
    );
    if plan.held {
        let _ = write!(text, " ampeg_release={:.3}", plan.release_s * RELEASE_LENGTH);
    }
    if plan.choke_group > 0 {
        let _ = write!(text, " group={0} off_by={0}", plan.choke_group);
    }
    let semitones = transpose_st.round();
    if transpose_st != 0.0 {
        let cents = ((transpose_st - semitones) * 100.0).round();
        let _ = write!(text, " transpose={semitones} tune={cents}");
    }
    text.push('\n');
}

fn regions(text: &mut String, plan: &PadPlan, step: &SfzStep) {
    for (turn, region) in step.regions.iter().enumerate() {
        let _ = write!(
            text,
            "<region> sample={SAMPLES}/{} lovel={} hivel={}",
            region.sample, step.low, step.high
        );
        if step.regions.len() > 1 {
            let _ = write!(text, " seq_length={} seq_position={}", step.regions.len(), turn + 1);
        }
        if let Some([start, end]) = region.loop_frames.filter(|_| plan.held) {
            let _ = write!(text, " loop_mode=loop_continuous loop_start={start} loop_end={}", end - 1);
        }
        velocity_curve(text, &region.curve);
        text.push('\n');
    }
}
