//! kit.json: what a kit holds, for other programs; `kit.schema.json` beside this file describes it.

use crate::{
    cast::{target_distance, unsure, weakness},
    kit::{Document, Kit, Pad, Role},
    listen::Quality,
    music::note_name,
    staging::file_name,
    units::hz_to_note,
};
use serde::{Deserialize, Serialize};

/// What a kit holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Name of the kit.
    pub name: String,
    /// The key that pads with a pitch are tuned to: "A minor".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// The takes, in order.
    pub takes: Vec<TakeSummary>,
    /// The pads that sound, in the order of their notes' pads.
    pub pads: Vec<PadSummary>,
    /// Roles that no pad fills.
    pub roles_empty: Vec<Role>,
}

/// A take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeSummary {
    /// File name.
    pub file: String,
    /// Length, s.
    pub seconds: f64,
    /// Number of hits detected.
    pub hits: usize,
    /// What is amiss with the recording, one sentence each, with what to do.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<String>,
}

/// What tuning did to a pad.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tuning {
    /// The note that it stands on: "A2".
    pub note: String,
    /// How far its pitch was moved, cents.
    pub cents: f64,
}

/// The drum sound that the player gave a pad as its target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TargetSummary {
    /// File name of the sound.
    pub sound: String,
    /// How far the pad is from it, dB: see [`crate::cast::TargetDistance`].
    pub distance_db: f64,
    /// How far the role's recipe alone would be, dB.
    pub distance_by_recipe_db: f64,
    /// Nothing was fitted to it: the recipe alone made the pad, or its fit is 0.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub not_fitted: bool,
}

/// A pad that sounds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PadSummary {
    /// MIDI note.
    pub note: u8,
    /// Role.
    pub role: Role,
    /// Its WAV file, relative to kit.json, with forward slashes.
    pub file: String,
    /// Score of the pad in its role, 0 to 1; 0 for a pad made by hand, none for percussion, which can be any drum.
    pub score: Option<f64>,
    /// One sentence where the score says little, because recorded drums of the role cannot be told well by sound alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unsure: Option<String>,
    /// Percussion that its recipe has tidied up: cut, shortened, driven and compressed a little, towards no drum.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub tidied: bool,
    /// The sound that it is shaped towards instead of its role.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<TargetSummary>,
    /// One sentence where the takes give little for the role, with what would help.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weak: Option<String>,
    /// What tuning did; none for pads that were not tuned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tuned: Option<Tuning>,
    /// Notes of other pads that are made of the same hit.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub shares_hit_with: Vec<u8>,
    /// Index of its take.
    pub take: usize,
    /// Start of its hit in the take, s.
    pub start: f64,
    /// End of its hit in the take, s.
    pub end: f64,
    /// Its fit, 0 to 1; none for percussion without a target, which is shaped towards no drum.
    pub fit: Option<f64>,
    /// Further hits that alternate with the first.
    pub alternates: usize,
}

impl Summary {
    /// Describes a kit.
    pub fn of(kit: &Kit) -> Self {
        let doc = &kit.doc;
        let takes = doc
            .takes
            .iter()
            .zip(&kit.takes)
            .map(|(t, audio)| TakeSummary {
                file: t.name.clone(),
                seconds: tidy(t.frames as f64 / f64::from(t.sample_rate.max(1))),
                hits: t.hits.len(),
                faults: Quality::of(audio).sentences(),
            })
            .collect();
        let pads = kit
            .sounding()
            .map(|(i, pad, slice)| {
                let rate = doc.takes.get(slice.take).map_or(48_000.0, |t| f64::from(t.sample_rate.max(1)));
                let scored = |x| pad.role.is_scored().then_some(x);
                PadSummary {
                    note: pad.note,
                    role: pad.role,
                    file: pad_file(kit, i),
                    score: scored(tidy(f64::from(pad.audition.as_ref().map_or(0.0, |a| a.score)))),
                    unsure: unsure(pad),
                    tidied: is_tidied(pad),
                    target: target(kit, i),
                    weak: weakness(pad),
                    tuned: tuning(doc, pad),
                    shares_hit_with: shares_hit_with(doc, i),
                    take: slice.take,
                    start: tidy(slice.start as f64 / rate),
                    end: tidy(slice.end as f64 / rate),
                    fit: pad.is_fitted().then(|| tidy(f64::from(pad.shaped()))),
                    alternates: pad.slices.len().saturating_sub(1),
                }
            })
            .collect();
        let filled = |role| kit.sounding().any(|(_, pad, _)| pad.role == role);
        let roles_empty = Role::ALL.into_iter().filter(|&role| !filled(role)).collect();
        Self { name: doc.name.clone(), key: doc.key.map(|key| key.to_string()), takes, pads, roles_empty }
    }
}

/// Whether a pad is percussion that its recipe has tidied up.
pub fn is_tidied(pad: &Pad) -> bool {
    !pad.is_fitted() && pad.audition.is_some() && pad.shaped() > 0.0
}

fn target(kit: &Kit, pad: usize) -> Option<TargetSummary> {
    let built = &kit.doc.pads[pad];
    let sound = built.target.as_ref()?.name.clone();
    let by_recipe = built.audition.as_ref().is_some_and(|a| a.by_recipe);
    let distance = target_distance(kit, pad)?;
    let tenth = |db: f32| (f64::from(db) * 10.0).round() / 10.0;
    Some(TargetSummary {
        sound,
        distance_db: tenth(distance.db),
        distance_by_recipe_db: tenth(distance.by_recipe_db),
        not_fitted: by_recipe || built.shaped() <= 0.0,
    })
}

/// What tuning did to a pad: the note of a tuned pad is where its bell stands.
pub fn tuning(doc: &Document, pad: &Pad) -> Option<Tuning> {
    let cents = doc.key.and(pad.audition.as_ref()?.tuned_ct)?;
    let note = hz_to_note(f64::from(pad.tone.note_bell.hz)).round().clamp(0.0, 127.0) as u8;
    Some(Tuning { note: note_name(note), cents: (f64::from(cents) * 10.0).round() / 10.0 })
}

/// The notes of the other pads whose hit is that of `pad`.
pub fn shares_hit_with(doc: &Document, pad: usize) -> Vec<u8> {
    let hit = |p: &Pad| p.audition.as_ref().filter(|_| !p.is_empty()).map(|a| (a.take, a.hit));
    let Some(own) = doc.pads.get(pad).and_then(hit) else { return Vec::new() };
    let others = doc.pads.iter().enumerate().filter(|(i, other)| *i != pad && hit(other) == Some(own));
    others.map(|(_, other)| other.note).collect()
}

/// File name of a kit: its name without what a file system may refuse, "Untitled" when nothing is left.
pub fn kit_file(name: &str) -> String {
    let safe = file_name(name, '-', 120); // file systems allow 255 bytes
    format!("{}.kitwright", if safe.is_empty() { "Untitled" } else { &safe })
}

/// Name of a pad's WAV file within the kit's folder: "pads/36-kick.wav". Pads of a kit that passes
/// [`Document::check`] have notes of their own, and so files of their own.
pub fn pad_file(kit: &Kit, pad: usize) -> String {
    let pad = &kit.doc.pads[pad];
    format!("pads/{:02}-{}.wav", pad.note, pad.role.file_word())
}

/// The key parts that play, by their place in the kit, with the file name of each one's stem.
pub fn key_part_stems(kit: &Kit) -> impl Iterator<Item = (usize, String)> {
    let parts = kit.doc.key_parts.iter().enumerate();
    parts
        .filter(|(_, part)| part.settings.on && part.slice.is_some())
        .map(|(i, _)| (i, format!("keys-{}.wav", i + 1)))
}

/// Name of a pad's stem beside a rendered song: "36-kick.wav".
pub fn stem_file(kit: &Kit, pad: usize) -> String {
    pad_file(kit, pad).trim_start_matches("pads/").to_owned()
}

/// A number for JSON: finite, to the millionth.
pub fn tidy(x: f64) -> f64 {
    if x.is_finite() { (x * 1e6).round() / 1e6 } else { 0.0 }
}

/// A level for JSON: finite, to the hundredth, silence as -144 dB (the step of 24 bits).
pub fn tidy_db(db: f32) -> f64 {
    if db.is_nan() { -144.0 } else { (f64::from(db.clamp(-144.0, 144.0)) * 100.0).round() / 100.0 }
}
