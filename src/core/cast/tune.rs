//! Tuning: pads with a pitch move to the nearest note of the song's key, by the pitch of their layers and by
//! a bell on the fundamental.
//!
//! The sound of the rendered pad is tuned: the pitch in the hit's description says where to look for the
//! fundamental, the rendered pad gives its exact frequency.

use super::{
    auditioner::{AUDITION_RATE, Auditioner, mono},
    partials::{PITCHED_HZ, level_over_others, peak_hz, spectrum, strongest_hz, strongest_with_stroke_hz},
};
use crate::{
    kit::{Band, Key, Kit, LAYER, LayerSettings, Pad, Role, Slice},
    settings::setting,
    units::{hz_to_note, note_to_hz, ratio_to_cents, ratio_to_st, st_to_ratio},
};

/// Minimum confidence in a fundamental for it to be tuned.
pub const MIN_CONFIDENCE: f32 = 0.5;
/// Confidence from which a recorded pitch is exact.
const EXACT_CONFIDENCE: f32 = 0.99;
/// Lift of the bell on the fundamental of a fully shaped pad whose recipe has none, dB, and its Q (our
/// choice).
const BELL_DB: f32 = 3.0;
const BELL_Q: f32 = 4.0;
/// The fundamental is searched for within this distance of the expected one, cents.
const SEARCH_CT: f64 = 45.0;
/// The same for short sounds, whose peaks are wide.
const MAX_SEARCH_CT: f64 = 200.0;
/// A pitch within this distance of its note is in tune, cents.
const IN_TUNE_CT: f64 = 0.5;
/// Largest correction of a rim towards its recorded pitch, semitones (4 cents).
const MAX_HALFWAY_ST: f64 = 0.04;
/// Level of a tuned fundamental over the other partials, dB: strokes differ a little.
const LEVEL_OVER_OTHERS_DB: f32 = 1.5;
/// Maximum number of renderings for one note.
const MAX_TUNING_RENDERINGS: usize = 8;
/// Maximum number of notes that are tried.
const NOTES: usize = 3;
/// A sound counts until this share of its energy has passed: after that only filters ring, at their own
/// frequencies.
const AUDIBLE_ENERGY: f32 = 0.9999;
/// Maximum length of the sound that is analysed, seconds.
const MAX_ANALYSED_S: f64 = 0.8;
/// Limit on the pitch drop of a tuned pad, semitones times milliseconds, so that most of the sound stands on the
/// note (found by trial: the pitch that is heard and the pitch that is measured then agree within 5 cents).
const MAX_DROP_ST_MS: f32 = 15.0;
/// Limit on the pitch variation of a tuned pad, cents: every stroke is in tune.
const MAX_VARIATION_CT: f32 = 4.0;

/// A partial more than 12 dB below the strongest one (this share of its power) is not taken for the fundamental
/// (our choice).
const FUNDAMENTAL: f32 = 0.063;
/// The bell lifts a fundamental by no more than this, dB.
const MAX_BELL_DB: f32 = 12.0;
/// Maximum Q of the bell where another partial lies beside the fundamental: a higher one rings (our choice).
const MAX_BELL_Q: f32 = 12.0;

/// Whether pads of this role are tuned: a kick only when that is `kick_too`.
pub fn has_pitch(role: Role, kick_too: bool) -> bool {
    role.is_tom() || role == Role::Rim || (kick_too && role == Role::Kick)
}

/// Nearest frequency to `hz` that is a note of the key; equal temperament, A4 = 440 Hz (ISO 16:1975).
pub fn nearest_hz(key: Key, hz: f64) -> f64 {
    let note = hz_to_note(hz);
    let near = note.round() as i32;
    let scale = key.scale();
    let best = (near - 3..=near + 3)
        .filter(|n| scale.contains(&(n.rem_euclid(12) as u8)))
        .min_by(|a, b| (f64::from(*a) - note).abs().total_cmp(&(f64::from(*b) - note).abs()));
    note_to_hz(f64::from(best.unwrap_or(near)))
}

/// What is known of the pitch of the hits that a pad reads.
pub struct HitPitch<'a> {
    /// Fundamental of the pad's hit as it was recorded, Hz.
    pub hz: Option<f32>,
    /// How certain it is, 0 to 1.
    pub confidence: f32,
    /// Fundamental of a slice that a layer reads instead; `None` where it is not certain.
    pub of_slice: &'a dyn Fn(&Slice) -> Option<f32>,
}

/// Moves every layer of the pad by the interval that brings its fundamental, as it is heard, to the nearest
/// note of the key, and puts the bell there; layers of other pitches move to octaves of it. Nothing changes where
/// there is no certain fundamental. Returns how far the pitch moved, cents.
pub fn tune(auditioner: &mut Auditioner, pad: &mut Pad, key: Key, pitch: &HitPitch) -> Option<f32> {
    let before = pitch_st(pad).filter(|_| pitch.hz.is_some() && pitch.confidence >= MIN_CONFIDENCE)?;
    move_to_key(auditioner, pad, key, pitch);
    Some((100.0 * (pitch_st(pad)? - before)) as f32)
}

fn move_to_key(auditioner: &mut Auditioner, pad: &mut Pad, key: Key, pitch: &HitPitch) {
    let Some(hit_hz) = pitch.hz.filter(|_| pitch.confidence >= MIN_CONFIDENCE) else { return };
    let Some(st) = pitch_st(pad) else { return };
    steady(pad);
    let expected = f64::from(hit_hz) * st_to_ratio(st);
    tune_other_layers(pad);
    tune_own_slices(auditioner, pad, nearest_hz(key, expected), pitch.of_slice);
    let now = sounding_hz(auditioner, pad, expected).unwrap_or(expected);
    let tuned = tune_strongest_partial(auditioner, pad, key, now);
    if tuned && pad.role == Role::Rim && pitch.confidence >= EXACT_CONFIDENCE {
        meet_halfway(pad, f64::from(hit_hz));
    }
}

/// Moves the pad until its strongest partial stands on a note, beginning with the one at `now` Hz; false where none does.
fn tune_strongest_partial(auditioner: &mut Auditioner, pad: &mut Pad, key: Key, mut now: f64) -> bool {
    for _ in 0..NOTES {
        if tune_partial(auditioner, pad, key, now) {
            return true;
        }
        // a louder partial masks it after the move: tune that one instead
        let Some(hz) = whole(auditioner, pad).and_then(|sound| strongest_hz(&sound)) else { return false };
        now = hz;
    }
    false
}

/// Moves a rim whose fundamental was tuned by the rendered sound halfway back to where its recorded pitch, `hit_hz`, is on
/// the note: the peak of a short sound is wide, and its neighbours pull it by some cents.
fn meet_halfway(pad: &mut Pad, hit_hz: f64) {
    let Some(st) = pitch_st(pad) else { return };
    let off_st = ratio_to_st(hit_hz * st_to_ratio(st) / f64::from(pad.tone.note_bell.hz));
    if off_st.abs() * 100.0 < SEARCH_CT {
        transpose(pad, (-off_st / 2.0).clamp(-MAX_HALFWAY_ST, MAX_HALFWAY_ST));
    }
}

/// Moves the pad until its partial at `now` Hz stands on the nearest note, with the bell there; false when another
/// partial is the strongest one afterwards.
fn tune_partial(auditioner: &mut Auditioner, pad: &mut Pad, key: Key, now: f64) -> bool {
    let wanted = nearest_hz(key, now);
    lift(pad, wanted);
    let mut by = ratio_to_st(wanted / now);
    for _ in 0..MAX_TUNING_RENDERINGS {
        if by.abs() * 100.0 >= IN_TUNE_CT {
            transpose(pad, by);
        }
        tune_other_layers(pad);
        raise(auditioner, pad, wanted);
        // the bell and the other layers change the measured pitch: measure again
        let Some(hz) = heard_hz(auditioner, pad, wanted) else { return false };
        by = ratio_to_st(wanted / hz);
        if by.abs() * 100.0 < IN_TUNE_CT {
            break;
        }
    }
    !masked(auditioner, pad, wanted)
}

/// Whether another partial is the strongest although the bell is at its limit.
fn masked(auditioner: &mut Auditioner, pad: &Pad, hz: f64) -> bool {
    let most = MAX_BELL_DB * pad.fit;
    let spent = most > 0.0 && pad.tone.note_bell.gain_db >= most - 0.01;
    let strongest = whole(auditioner, pad).filter(|_| spent).and_then(|sound| strongest_hz(&sound));
    strongest.is_some_and(|s| ratio_to_cents(s / hz).abs() > SEARCH_CT)
}

/// Puts the bell on the note; a pad whose recipe has none gets one.
fn lift(pad: &mut Pad, hz: f64) {
    let bell = &mut pad.tone.note_bell;
    if bell.gain_db == 0.0 {
        (bell.gain_db, bell.q) = (BELL_DB * pad.fit, BELL_Q);
    }
    *bell = Band { on: bell.gain_db != 0.0, hz: hz as f32, ..*bell };
}

/// Raises the bell until the fundamental lies [`LEVEL_OVER_OTHERS_DB`] over all other partials, by [`MAX_BELL_DB`] at most.
fn raise(auditioner: &mut Auditioner, pad: &mut Pad, hz: f64) {
    let Some(part) = whole(auditioner, pad) else { return };
    let Some((over_db, strongest_hz)) = level_over_others(&part, hz, lobe_ct(&part, hz)) else { return };
    let short_db = LEVEL_OVER_OTHERS_DB - over_db;
    let bell = &mut pad.tone.note_bell;
    let most = MAX_BELL_DB * pad.fit;
    if short_db > 0.5 && bell.gain_db < most {
        bell.gain_db = (bell.gain_db + short_db).min(most);
    }
    // a bell that lifts a stronger neighbour as well does not help: make it narrower than their distance
    let apart_oct = (strongest_hz / hz).log2().abs() as f32;
    if short_db > 0.5 && apart_oct * bell.q < 0.5 {
        bell.q = (1.0 / apart_oct.max(1e-3)).clamp(bell.q, MAX_BELL_Q);
    }
}

/// Shortens the pitch drops and limits the pitch variation, so that the pad has one pitch that can be tuned, at every velocity.
fn steady(pad: &mut Pad) {
    for layer in &mut pad.layers {
        let s = &mut layer.settings;
        s.velocity_pitch_st = 0.0;
        s.drop_ms = s.drop_ms.min(MAX_DROP_ST_MS / s.drop_st.abs().max(1.0));
    }
    pad.variation.pitch_ct = pad.variation.pitch_ct.min(MAX_VARIATION_CT);
}

/// Pitch of the first layer, semitones.
fn pitch_st(pad: &Pad) -> Option<f64> {
    let first = pad.layers.first()?;
    Some(f64::from(first.settings.pitch_st) + f64::from(first.settings.fine_ct) / 100.0)
}

fn transpose(pad: &mut Pad, by_st: f64) {
    for layer in pad.layers.iter_mut().filter(|l| l.slice.is_none()) {
        shift(&mut layer.settings, by_st);
    }
}

fn shift(s: &mut LayerSettings, by_st: f64) {
    let all = f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0 + by_st;
    s.pitch_st = setting(&LAYER, "pitch_st").clamp(all.round() as f32);
    s.fine_ct = setting(&LAYER, "fine_ct").clamp(((all - all.round()) * 100.0) as f32);
}

/// Moves the other layers of the same hit to octaves of the first: partials of other notes would beat with it, or be
/// the stronger ones.
fn tune_other_layers(pad: &mut Pad) {
    let Some(first_st) = pitch_st(pad) else { return };
    for layer in pad.layers.iter_mut().skip(1).filter(|l| l.slice.is_none()) {
        let s = &mut layer.settings;
        let by = to_octave(f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0 - first_st);
        if by.abs() * 100.0 >= IN_TUNE_CT {
            shift(s, by);
        }
    }
}

/// Moves layers that read a hit of their own to octaves of `first_hz`, by the rendered sound: each is played alone once it
/// is there. `pitch_hz` tells the fundamental of a slice, `None` where it is not certain.
fn tune_own_slices(
    auditioner: &mut Auditioner,
    pad: &mut Pad,
    first_hz: f64,
    pitch_hz: &dyn Fn(&Slice) -> Option<f32>,
) {
    for i in 0..pad.layers.len() {
        let Some(hz) = pad.layers[i].slice.as_ref().and_then(pitch_hz) else { continue };
        let s = &mut pad.layers[i].settings;
        let sounding = f64::from(hz) * st_to_ratio(f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0);
        let by = to_octave(ratio_to_st(sounding / first_hz));
        shift(s, by);
        let wanted = sounding * st_to_ratio(by);
        let mut alone = pad.clone();
        alone.layers = vec![pad.layers[i].clone()];
        alone.tone.note_bell.on = false;
        if let Some(hz) = heard_hz(auditioner, &alone, wanted) {
            shift(&mut pad.layers[i].settings, ratio_to_st(wanted / hz));
        }
    }
}

/// Semitones from an interval to the nearest whole number of octaves.
fn to_octave(interval_st: f64) -> f64 {
    12.0 * (interval_st / 12.0).round() - interval_st
}

/// The pad's pitch, Hz: that of a partial near `expected_hz` if one stands out there, else of its strongest partial
/// (a fundamental that was filtered out cannot be tuned). `None` for silence.
fn sounding_hz(auditioner: &mut Auditioner, pad: &Pad, expected_hz: f64) -> Option<f64> {
    let part = whole(auditioner, pad)?;
    let (power, bin_hz) = spectrum(&part);
    let at = |hz: f64| power.get((hz / bin_hz).round() as usize).copied().unwrap_or(0.0);
    let strongest = strongest_hz(&part)?;
    peak_hz(&part, AUDITION_RATE, expected_hz, SEARCH_CT)
        .filter(|&hz| hz <= PITCHED_HZ[1] && at(hz) >= at(strongest) * FUNDAMENTAL)
        .or(Some(strongest))
}

/// Frequency of the partial near `near_hz` in the pad's sound; `None` where none stands out there.
fn heard_hz(auditioner: &mut Auditioner, pad: &Pad, near_hz: f64) -> Option<f64> {
    let sound = whole(auditioner, pad)?;
    peak_hz(&sound, AUDITION_RATE, near_hz, lobe_ct(&sound, near_hz))
}

/// How far the peak of a partial reaches, cents: a short sound has wide peaks, which move further. Half the main lobe of
/// a Hann window is two bins.
fn lobe_ct(sound: &[f32], hz: f64) -> f64 {
    let lobe_ct = ratio_to_cents(1.0 + 2.0 * AUDITION_RATE / (sound.len() as f64 * hz));
    lobe_ct.clamp(SEARCH_CT, MAX_SEARCH_CT)
}

/// The sound of the pad until [`AUDIBLE_ENERGY`] of its energy has passed, in one channel; `None` for silence.
fn whole(auditioner: &mut Auditioner, pad: &Pad) -> Option<Vec<f32>> {
    let mut still = pad.clone();
    // strokes vary around the pitch that is tuned
    let v = &mut still.variation;
    (v.start_ms, v.pitch_ct, v.level_db, v.cut_oct) = (0.0, 0.0, 0.0, 0.0);
    // and so do the copies of a cloud
    still.cloud.copies = 0;
    let [left, right] = auditioner.play(&still, MAX_ANALYSED_S);
    let mut sound = mono(&left, &right);
    sound.truncate(reaches(&sound, AUDIBLE_ENERGY));
    (!sound.is_empty()).then_some(sound)
}

/// The sample by which this share of the sound's energy has passed.
fn reaches(sound: &[f32], share: f32) -> usize {
    let wanted = share * sound.iter().map(|s| s * s).sum::<f32>();
    let mut past = 0.0;
    let reached = sound.iter().position(|s| {
        past += s * s;
        past >= wanted
    });
    reached.unwrap_or(sound.len())
}

/// The strongest partial of the pad as it sounds, Hz; `None` for silence.
pub(super) fn strongest_partial_hz(auditioner: &mut Auditioner, pad: &Pad) -> Option<f64> {
    strongest_hz(&whole(auditioner, pad)?)
}

/// The same in stretches of the sound, seconds from its key, and in all of it with its stroke; a stretch that begins after
/// the sound has ended is heard as all of it.
pub(super) fn strongest_partials_hz(
    auditioner: &mut Auditioner,
    pad: &Pad,
    stretches: &[[f64; 2]],
) -> Option<Vec<f64>> {
    let sound = whole(auditioner, pad)?;
    let all = strongest_hz(&sound)?;
    let heard = stretches.iter().map(|stretch| {
        let [from, to] = stretch.map(|s| ((s * AUDITION_RATE) as usize).min(sound.len()));
        strongest_hz(&sound[from..to]).unwrap_or(all)
    });
    Some(heard.chain(strongest_with_stroke_hz(&sound)).collect())
}

/// Moves the pad by so many semitones, with the filters that follow its pitch; in a key to the nearest note there.
pub(super) fn move_pad(auditioner: &mut Auditioner, pad: &mut Pad, key: Option<Key>, by_st: f64) {
    let before = strongest_partial_hz(auditioner, pad);
    transpose(pad, by_st);
    let ratio = st_to_ratio(by_st) as f32;
    for hz in [&mut pad.tone.low_cut.hz, &mut pad.tone.bands[0].hz, &mut pad.tone.note_bell.hz] {
        *hz = (*hz * ratio).clamp(20.0, 20_000.0);
    }
    if let Some((key, hz)) = key.zip(before) {
        tune_strongest_partial(auditioner, pad, key, hz * st_to_ratio(by_st));
    }
}

/// Sets the kit's key and moves every pad that has a pitch to the nearest note of it; `None` only clears the key.
/// Pads that were tuned by hand move as well: by less than two semitones, like all others.
pub fn set_key(kit: &mut Kit, key: Option<Key>) {
    kit.doc.key = key;
    let Some(key) = key else { return };
    let mut auditioner = Auditioner::new(kit);
    let kick_too = kit.doc.tune_kick;
    let takes = &kit.doc.takes;
    let pitch_hz = |slice: &Slice| {
        let hit = takes.get(slice.take)?.hits.iter().find(|h| h.start == slice.start)?;
        hit.description.pitch_hz.filter(|_| hit.description.pitch_confidence >= MIN_CONFIDENCE)
    };
    for pad in kit.doc.pads.iter_mut().filter(|p| has_pitch(p.role, kick_too)) {
        let hit = pad.audition.as_ref().and_then(|a| kit.doc.takes.get(a.take)?.hits.get(a.hit));
        if let Some(hit) = hit {
            let d = &hit.description;
            let pitch = HitPitch { hz: d.pitch_hz, confidence: d.pitch_confidence, of_slice: &pitch_hz };
            let moved = tune(&mut auditioner, pad, key, &pitch);
            if let (Some(audition), Some(moved)) = (&mut pad.audition, moved) {
                audition.tuned_ct = Some(audition.tuned_ct.unwrap_or(0.0) + moved);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{cast::companions::slice_of, kit::TakeEntry, listen::Hit, take::Take, units::cents_to_ratio};
    use std::sync::Arc;

    /// An auditioner with one take: a decaying tone of two partials at `hz`.
    fn auditioner_of(hz: f64) -> (Auditioner, Pad) {
        auditioner_with(&[(hz, 1.0), (2.0 * hz, 0.5)])
    }

    /// An auditioner with one take: decaying partials of these frequencies, Hz, and heights.
    fn auditioner_with(partials: &[(f64, f64)]) -> (Auditioner, Pad) {
        let tone = (0..48_000).map(|i| {
            let t = f64::from(i) / 48_000.0;
            let sum: f64 = partials.iter().map(|(hz, a)| a * (std::f64::consts::TAU * hz * t).sin()).sum();
            (0.4 * sum * (-4.0 * t).exp()) as f32
        });
        let take = Arc::new(Take::from_samples("tone", 48_000, vec![tone.collect()]));
        let hit = Hit { start: 0, end: 48_000, by_hand: false, description: Default::default() };
        let mut kit = Kit::default();
        kit.doc.takes = vec![TakeEntry::new(&take, vec![hit.clone()])];
        kit.takes = vec![take];
        let mut pad = Pad::empty(45, Role::LowTom);
        pad.slices = vec![slice_of(0, &hit)];
        (Auditioner::new(&kit), pad)
    }

    fn alone(hz: Option<f32>, confidence: f32) -> HitPitch<'static> {
        HitPitch { hz, confidence, of_slice: &|_| None }
    }

    #[test]
    fn pitched_pads_land_on_notes_of_the_key() {
        let key: Key = "A minor".parse().unwrap();
        for hz in [61.0f32, 77.7, 103.2, 180.9, 466.0, 491.3] {
            // the description is 8 cents off: what is heard counts
            let (mut auditioner, mut pad) = auditioner_of(f64::from(hz) * cents_to_ratio(8.0));
            pad.layers[0].settings.pitch_st = -6.3;
            tune(&mut auditioner, &mut pad, key, &alone(Some(hz), 0.9));
            let s = pad.layers[0].settings;
            let st = f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0;
            let note = hz_to_note(f64::from(hz) * st_to_ratio(st)) + 0.08;
            assert!((note - note.round()).abs() < 0.01, "{hz} Hz lands at note {note}");
            assert!(key.scale().contains(&((note.round() as i32).rem_euclid(12) as u8)));
            assert!((st + 6.3).abs() <= 1.1, "moved by {} semitones", st + 6.3);
            let tuned = pad.clone();
            tune(&mut auditioner, &mut pad, key, &alone(Some(hz), 0.9));
            assert_eq!(pad, tuned, "what is in tune stays");
        }
    }

    /// A free bar's second partial lies at 2.756 times its first (Fletcher and Rossing, The Physics of Musical Instruments,
    /// 2nd edition, section 2.16): on a note only when it is tuned itself.
    #[test]
    fn a_pad_without_its_fundamental_is_tuned_by_the_partial_that_sounds() {
        let key: Key = "A minor".parse().unwrap();
        for (first, sounds) in [(0.02, true), (0.5, false)] {
            let (mut auditioner, mut pad) = auditioner_with(&[(100.0, first), (275.6, 1.0)]);
            tune(&mut auditioner, &mut pad, key, &alone(Some(100.0), 0.9));
            let s = pad.layers[0].settings;
            let ratio = st_to_ratio(f64::from(s.pitch_st) + f64::from(s.fine_ct) / 100.0);
            let note = hz_to_note(if sounds { 275.6 } else { 100.0 } * ratio);
            assert!((note - note.round()).abs() < 0.01, "first partial of {first}: at note {note}");
            assert!(key.scale().contains(&((note.round() as i32).rem_euclid(12) as u8)));
        }
    }

    #[test]
    fn pads_without_a_certain_pitch_are_not_tuned() {
        let key: Key = "C".parse().unwrap();
        let (mut auditioner, before) = auditioner_of(300.0);
        for (hz, sure) in [(None, 1.0), (Some(300.0), 0.2)] {
            let mut pad = before.clone();
            tune(&mut auditioner, &mut pad, key, &alone(hz, sure));
            assert_eq!(pad, before);
        }
        assert!(
            !has_pitch(Role::Shaker, true) && !has_pitch(Role::Kick, false) && has_pitch(Role::Kick, true)
        );
    }
}
