//! A kit whose sixteen pads sound, each differently, and the host's state that holds it.

use base64::{Engine as _, engine::general_purpose::STANDARD};
use kitwright_core::{
    kit::{Kit, Slice, TakeEntry},
    progress::Quiet,
    take::Take,
};
use std::sync::Arc;

const RATE: u32 = 48_000;
/// Frames of each hit.
const HIT: usize = 6000;

/// Sixteen decaying tones with some noise, one after the other, as one take in stereo; each pad reads one.
pub fn kit() -> Kit {
    let mut seed = 1_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223); // Numerical Recipes
        (seed >> 8) as f32 / (1 << 23) as f32 - 1.0
    };
    let mut channels = vec![vec![0.0_f32; 16 * HIT]; 2];
    for hit in 0..16 {
        let hz = 80.0 * 1.3_f32.powi(hit as i32);
        for i in 0..HIT {
            let t = i as f32 / RATE as f32;
            let decay = (-t * 30.0).exp() * 0.5;
            let tone = (std::f32::consts::TAU * hz * t).sin();
            for channel in &mut channels {
                channel[hit * HIT + i] = decay * (0.8 * tone + 0.2 * noise());
            }
        }
    }
    let take = Take::from_samples("tones", RATE, channels);
    let mut kit = Kit::default();
    kit.doc.name = "Sixteen tones".into();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    for (i, pad) in kit.doc.pads.iter_mut().enumerate() {
        let start = (i * HIT) as u64;
        pad.slices =
            vec![Slice { take: 0, start, end: start + HIT as u64, gain_db: 0.0, velocities: [0.0, 1.0] }];
    }
    kit.takes.push(Arc::new(take));
    kit
}

/// The notes of the kit's pads.
pub fn notes() -> [u8; 16] {
    let kit = kit();
    std::array::from_fn(|pad| kit.doc.pads[pad].note)
}

/// A host's state with this kit and every parameter at its default, without the CLAP wrapper's length.
pub fn state_json(kit: &Kit) -> Vec<u8> {
    let text = STANDARD.encode(kit.to_bytes(&Quiet).expect("a kit that packs"));
    let fields = serde_json::json!({ "kit": format!("\"{text}\"") });
    serde_json::to_vec(&serde_json::json!({ "version": "", "params": {}, "fields": fields })).unwrap()
}

/// The same as CLAP hosts keep it.
pub fn clap_state(kit: &Kit) -> Vec<u8> {
    let json = state_json(kit);
    let mut state = (json.len() as u64).to_le_bytes().to_vec();
    state.extend(json);
    state
}
