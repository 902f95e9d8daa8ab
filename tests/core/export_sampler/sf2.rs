//! SoundFont 2.

use super::{RATE, chunks, export, kit, played, u16_at, u32_at};
use kitwright_core::{
    export::SamplerFormat,
    kit::{Kit, note_names},
};
use std::{collections::BTreeMap, fs, path::Path};

/// Generators of a zone, and the amount of its modulator from velocity to attenuation.
type Zone = (BTreeMap<u16, u16>, Option<u16>);

/// Zones of a SoundFont.
pub(super) fn zones(pdta: &BTreeMap<String, Vec<u8>>) -> Vec<Zone> {
    let bags: Vec<[usize; 2]> = pdta["pdta ibag"]
        .chunks_exact(4)
        .map(|bag| [usize::from(u16_at(bag, 0)), usize::from(u16_at(bag, 2))])
        .collect();
    let zone = |pair: &[[usize; 2]]| {
        let generators = pdta["pdta igen"][4 * pair[0][0]..4 * pair[1][0]].chunks_exact(4);
        let modulators = pdta["pdta imod"][10 * pair[0][1]..10 * pair[1][1]].chunks_exact(10);
        let amount =
            modulators.filter(|m| u16_at(m, 0) == 0x0502 && u16_at(m, 2) == 48).map(|m| u16_at(m, 4)).next();
        (generators.map(|g| (u16_at(g, 0), u16_at(g, 2))).collect(), amount)
    };
    bags.windows(2).map(zone).collect()
}

/// A SoundFont and what a player makes of it.
struct Font {
    chunks: BTreeMap<String, Vec<u8>>,
    zones: Vec<Zone>,
    /// -1 to 1.
    data: Vec<f64>,
}

impl Font {
    fn export(kit: &Kit, folder: &Path) -> (Self, usize) {
        let count = export(kit, SamplerFormat::Sf2, folder);
        let chunks = chunks(&fs::read(folder.join("Tones & -noise-.sf2")).unwrap());
        let samples = chunks["sdta smpl"].chunks_exact(2);
        let data = samples.map(|s| f64::from(i16::from_le_bytes([s[0], s[1]])) / 32_768.0).collect();
        (Self { zones: zones(&chunks), data, chunks }, count)
    }

    fn headers(&self) -> Vec<&[u8]> {
        self.chunks["pdta shdr"].chunks_exact(46).collect()
    }

    /// The zones that play a key at a velocity.
    fn of(&self, key: u16, velocity: u8) -> Vec<&Zone> {
        let fits = |zone: &&Zone| {
            let [low, high] = zone.0.get(&44).map_or([0, 0], |range| range.to_le_bytes());
            zone.0.get(&43) == Some(&(key | key << 8)) && (low..=high).contains(&velocity)
        };
        self.zones.iter().filter(fits).collect()
    }

    /// Energy of what they play in a player at 44.1 kHz that fades every sample in over its first 64 frames, as fluidsynth
    /// does.
    fn energy(&self, key: u16, velocity: u8) -> f64 {
        let energy = |&(zone, amount): &&Zone| {
            let header = self.headers()[usize::from(zone[&53])];
            let sound = &self.data[u32_at(header, 20) as usize..u32_at(header, 24) as usize];
            let attenuation_cb =
                f64::from(amount.unwrap()) / 960.0 * 400.0 * (127.0 / f64::from(velocity)).log10();
            let fade = 64.0 * f64::from(RATE) / 44_100.0;
            let faded = sound.iter().enumerate().map(|(i, s)| s * (i as f64 / fade).min(1.0));
            faded.map(|s| s * s).sum::<f64>() * 10f64.powf(-attenuation_cb / 100.0)
        };
        self.of(key, velocity).iter().map(energy).sum()
    }
}

/// A click of a millisecond on a pad of its own.
#[test]
fn a_soundfont_keeps_the_attack_out_of_the_fade_of_its_players() {
    let dir = tempfile::tempdir().unwrap();
    let mut kit = kit();
    let slice = &mut kit.doc.pads[1].slices[0];
    slice.end = slice.start + 48;
    kit.doc.pads[1].slices.truncate(1);
    let (font, _) = Font::export(&kit, dir.path());
    for velocity in [127, 64] {
        let stroke = &played(&kit, 37, velocity, 1)[0];
        let engine: f64 = stroke.iter().flatten().map(|s| f64::from(*s).powi(2)).sum();
        let off_db = 10.0 * (font.energy(37, velocity) / engine).log10();
        assert!(engine > 1e-4 && off_db.abs() < 0.3, "velocity {velocity}: {off_db:.2} dB");
    }
}

#[test]
fn a_soundfont_plays_every_velocity_at_the_engines_level() {
    let dir = tempfile::tempdir().unwrap();
    let kit = kit();
    let (font, count) = Font::export(&kit, dir.path());
    let file = &font.chunks;
    assert_eq!((&file["INFO ifil"][..], u16_at(&file["pdta phdr"], 22)), (&[2, 0, 4, 0][..], 128));
    assert_eq!(font.headers().len(), 2 * count + 1, "left and right of each stroke, and the end");
    for (key, velocity, turn, alternates) in
        [(37, 127, 2, 3), (37, 100, 0, 3), (37, 40, 0, 3), (38, 30, 0, 1), (46, 96, 3, 4)]
    {
        let found = font.of(key, velocity);
        assert_eq!(found.len(), 2, "left and right of key {key} at {velocity}");
        assert!(found.iter().all(|zone| zone.0[&58] == key));
        let strokes = played(&kit, key as u8, velocity, alternates);
        let engine: f64 = strokes[turn].iter().flatten().map(|s| f64::from(*s).powi(2)).sum();
        let off_db = 10.0 * (font.energy(key, velocity) / engine).log10();
        assert!(off_db.abs() < 0.3, "key {key} at {velocity}: {off_db:.2} dB");
    }
    for key in note_names(&kit.doc).iter().map(|(key, _)| u16::from(*key)) {
        assert!((1..=127).all(|velocity| font.of(key, velocity).len() == 2), "key {key}");
    }
    let hats: Vec<_> =
        [42, 46].iter().flat_map(|&key| font.of(key, 99)).map(|zone| zone.0.get(&57)).collect();
    assert_eq!(hats, [Some(&1); 4]);
    let held = font.of(56, 127)[0];
    let release_s = 2f64.powf(f64::from(held.0[&38] as i16) / 1200.0);
    assert!((release_s - 3.0 * 0.3).abs() < 0.001, "{release_s} s");
    let header = font.headers()[usize::from(held.0[&53])];
    assert_eq!(
        (held.0[&54], u32_at(header, 32) - u32_at(header, 28)),
        (1, RATE),
        "it is looped for a second"
    );
}

/// Driven into saturation at full scale, a pad's level follows no power of the velocity, and its samples have no room to be
/// stored louder.
#[test]
fn a_soundfont_follows_the_level_of_a_loud_pad_between_its_samples() {
    let dir = tempfile::tempdir().unwrap();
    let mut kit = kit();
    let pad = &mut kit.doc.pads[1];
    pad.slices.truncate(1);
    pad.layers[0].settings.velocity_level = 1.0;
    (pad.tone.saturation.on, pad.tone.saturation.drive_db) = (true, 24.0);
    kit.doc.trims.pads[1].level_db = 6.0;
    let (font, _) = Font::export(&kit, dir.path());
    for velocity in (24..=127).rev().step_by(5) {
        let stroke = &played(&kit, 37, velocity, 1)[0];
        let engine: f64 = stroke.iter().flatten().map(|s| f64::from(*s).powi(2)).sum();
        let off_db = 10.0 * (font.energy(37, velocity) / engine).log10();
        assert!(off_db.abs() < 0.3, "velocity {velocity}: {off_db:.2} dB");
    }
}
