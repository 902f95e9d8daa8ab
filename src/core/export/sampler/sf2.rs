//! SoundFont 2: one drum preset in bank 128 with a zone for each key, velocity and alternate, and a preset of bank 0 for
//! each key part.
//!
//! Chunks, generators and modulators are those of the SoundFont Technical Specification 2.04 (E-mu Systems, 2006),
//! chapters 5 to 8. The format knows no alternates: those of a step share its velocities, so that strokes that are not
//! equally hard play different ones. Levels between are left to the modulator from velocity to attenuation: a power law,
//! which a sample has several of where one does not follow the engine closely enough ([`laws`]).

use super::{
    keys::KeyPlan,
    plan::{PadPlan, parts},
    riff::{chunk, list},
    strokes::{Stroke, VelocityCurve},
};
use crate::{
    error::{Error, Result},
    units::{db_to_gain, gain_to_db},
};

/// Generators (8.1.2).
const FILTER_CUTOFF: u16 = 8;
const PAN: u16 = 17;
const DELAY: u16 = 33;
const ATTACK: u16 = 34;
const RELEASE: u16 = 38;
const INSTRUMENT: u16 = 41;
const KEYS: u16 = 43;
const VELOCITIES: u16 = 44;
const ATTENUATION: u16 = 48;
const COARSE_TUNE: u16 = 51;
const FINE_TUNE: u16 = 52;
const SAMPLE: u16 = 53;
const SAMPLE_MODES: u16 = 54;
const SCALE_TUNING: u16 = 56;
const EXCLUSIVE_CLASS: u16 = 57;
const ROOT_KEY: u16 = 58;
/// Sources of modulators (8.2): velocity, falling, from 0 to 1, concave, straight; velocity as a switch.
const VELOCITY_CONCAVE: u16 = 0x0502;
const VELOCITY_LINEAR: u16 = 0x0102;
const VELOCITY_SWITCH: u16 = 0x0D02;
/// Amount of the modulator from velocity to attenuation at which the level follows the square of the velocity, cB
/// (8.4.1).
const SQUARE_LAW_CB: f64 = 960.0;
/// No delay and no attack, timecents (8.1.3); players that know no such thing take a millisecond.
const AT_ONCE: i16 = i16::MIN;
/// Longest release, timecents: drums are not cut when their key is let go.
const NO_RELEASE: i16 = 8000;
/// Silent frames after each sample (7.10).
const GAP: usize = 46;
/// Frames of a player's block, over which fluidsynth fades every sample in, and the lowest rate that players usually have,
/// Hz. Each sample begins with as much silence: short hats lost up to 1.3 dB by the fade, and all come equally late.
const PLAYER_BLOCK: usize = 64;
const PLAYER_RATE: usize = 44_100;
/// Largest ratio of two velocities between which the slope of the level is taken: the softest strokes of a step that goes
/// down to velocity 1 are hardly heard.
const WIDEST: u8 = 4;
/// Steepest law that raises the level of a sample, as a multiple of the square law, and the level that counts as silence,
/// dB.
const STEEPEST: f64 = 4.0;
const SILENT_DB: f64 = -96.0;
/// Steepest law of a modulator, a multiple of the square law: an amount has 16 bits with a sign (8.2).
const STEEPEST_LAW: f64 = 32.0;
/// How far a law may lie from the level it follows, dB; exports are to stay within 0.5 dB.
const LAW_TOLERANCE_DB: f64 = 0.1;
/// Laws of one sample at most: each takes a zone for every key and channel.
const MAX_LAWS: usize = 6;
const FULL_SCALE_16_BIT: f32 = 32_768.0;
/// Numbers of records are 16 bits.
const MAX_RECORDS: usize = 65_535;
/// Bank of drum presets (7.2).
const DRUM_BANK: u16 = 128;
/// A release falls by 100 dB in its time (8.1.2); one so much longer has the energy of the engine's, which ends at its time
/// (as for SFZ players, whose release falls by 80 dB), for the release curve of key parts, which pads have unless it is
/// changed.
const RELEASE_LENGTH: f32 = 3.0;
/// First exclusive class of a mono key part: above the choke groups of pads.
const MONO_CLASS: u16 = 100;

/// One sample with the velocities that it is played at.
pub(super) struct Sample {
    channels: [Vec<i16>; 2],
    loop_frames: Option<[usize; 2]>,
    /// From the loudest velocities to the softest, without a gap.
    laws: Vec<Law>,
}

/// How a sample's level follows some of its velocities.
struct Law {
    velocities: [u8; 2],
    /// Amount of the modulator from velocity to attenuation, cB.
    velocity_cb: u16,
}

/// The samples of a step of these velocities, each with its share of them. `curves` say how their levels follow the
/// velocity.
pub(super) fn samples((low, high): (u8, u8), curves: &[VelocityCurve], strokes: &[Stroke]) -> Vec<Sample> {
    let shares = parts(low, high, strokes.len());
    let all = strokes.iter().zip(curves).zip(shares);
    all.map(|((stroke, curve), share)| sample(stroke, curve, [*share.start(), *share.end()])).collect()
}

/// The sample of a stroke for these velocities. It is stored as loud as it is played at the highest of them before the
/// modulator attenuates it, as far as it has room for that.
fn sample(stroke: &Stroke, curve: &VelocityCurve, [first, last]: [u8; 2]) -> Sample {
    let level_db = |velocity: f64| gain_to_db(level_at(curve, velocity)).max(SILENT_DB);
    let [low, high] = [first.max(last / WIDEST), last].map(f64::from);
    let peak = stroke.sound.iter().flatten().fold(1e-6f32, |peak, s| peak.max(s.abs()));
    let rise_db = level_db(high) - level_db(low);
    let steep = if low < high { rise_db / (square_db(low) - square_db(high)) } else { 0.0 };
    let wanted_db = level_db(high) + steep.clamp(0.0, STEEPEST) * square_db(high);
    let full_db = -f64::from(gain_to_db(peak));
    let stored_db = wanted_db.min(full_db.max(level_db(high)));
    let gain = db_to_gain(stored_db) as f32;
    let step = |s: &f32| (s * gain * FULL_SCALE_16_BIT).round_ties_even().clamp(-32_768.0, 32_767.0) as i16;
    Sample {
        channels: stroke.sound.each_ref().map(|channel| channel.iter().map(step).collect()),
        loop_frames: stroke.loop_frames,
        laws: laws([first, last], |velocity| stored_db - level_db(f64::from(velocity))),
    }
}

/// Attenuation of the square law, dB.
fn square_db(velocity: f64) -> f64 {
    40.0 * (127.0 / velocity).log10()
}

/// The laws that attenuate by `attenuation_db` at each of these velocities, within [`LAW_TOLERANCE_DB`] where [`MAX_LAWS`]
/// suffice for that.
fn laws(velocities: [u8; 2], attenuation_db: impl Fn(u8) -> f64) -> Vec<Law> {
    let mut tolerance_db = LAW_TOLERANCE_DB;
    loop {
        let laws = laws_within(velocities, &attenuation_db, tolerance_db);
        if laws.len() <= MAX_LAWS {
            return laws;
        }
        tolerance_db *= 1.5;
    }
}

/// As few laws as follow `attenuation_db` within `tolerance_db`: each goes on to softer velocities while one steepness is
/// within the tolerance at all of them.
fn laws_within([first, last]: [u8; 2], attenuation_db: impl Fn(u8) -> f64, tolerance_db: f64) -> Vec<Law> {
    let audible = first.max(last / WIDEST);
    let law = |velocities: [u8; 2], [least, most]: [f64; 2]| {
        let steep = f64::midpoint(least, most);
        Law { velocities, velocity_cb: (steep * SQUARE_LAW_CB).round() as u16 }
    };
    let anything = [0.0, STEEPEST_LAW];
    let (mut laws, mut from, mut range) = (Vec::new(), last, anything);
    for velocity in (audible..=last).rev() {
        let square_db = square_db(f64::from(velocity));
        if square_db == 0.0 {
            continue;
        }
        let here = [-tolerance_db, tolerance_db]
            .map(|by| ((attenuation_db(velocity) + by) / square_db).clamp(0.0, STEEPEST_LAW));
        let both = [range[0].max(here[0]), range[1].min(here[1])];
        if both[0] <= both[1] {
            range = both;
        } else {
            laws.push(law([velocity + 1, from], range));
            (from, range) = (velocity, here);
        }
    }
    let range = if range == anything { [0.0; 2] } else { range };
    laws.push(law([first, from], range));
    laws
}

/// Amplitude ratio of a curve at a velocity, on the line between two of its points.
fn level_at(curve: &VelocityCurve, velocity: f64) -> f64 {
    let mut above = (127.0, 1.0);
    for &(at, gain) in curve {
        let here = (f64::from(at), f64::from(gain));
        if here.0 <= velocity {
            let share = if above.0 > here.0 { (velocity - here.0) / (above.0 - here.0) } else { 0.0 };
            return here.1 + share * (above.1 - here.1);
        }
        above = here;
    }
    above.1
}

/// The file; `keys` holds one sample for each zone of a key part.
///
/// # Errors
/// More zones or samples than the format counts.
pub(super) fn bytes(
    kit: &str,
    pads: &[(&PadPlan, Vec<Sample>)],
    keys: &[(KeyPlan, Vec<Sample>)],
    rate: u32,
) -> Result<Vec<u8>> {
    // a player may pan a single channel to the centre by 3 dB: all samples of a file are of one kind
    let of_keys = keys.iter().flat_map(|(_, samples)| samples);
    let all = pads.iter().flat_map(|(_, samples)| samples).chain(of_keys);
    let stereo = all.into_iter().any(|s| s.channels[0] != s.channels[1]);
    let mut tables = Tables::new(kit);
    for (plan, samples) in pads {
        let first: Vec<u16> = samples
            .iter()
            .enumerate()
            .map(|(i, sample)| {
                tables.add_sample(&format!("{} {}", plan.stem, i + 1), sample, plan.note, rate, stereo)
            })
            .collect();
        for &(key, transpose_st) in &plan.keys {
            for (sample, &first) in samples.iter().zip(&first) {
                for (law, side) in laws_and_sides(sample, stereo) {
                    tables.add_zone(
                        plan,
                        (sample, law),
                        (key, transpose_st),
                        pan(side, stereo),
                        first + side,
                    );
                }
            }
        }
    }
    for (program, (plan, samples)) in keys.iter().enumerate() {
        tables.begin_keys(&format!("{} {}", plan.name, kit), program as u16, plan.release_s);
        for (zone, sample) in plan.zones.iter().zip(samples) {
            let name = format!("{} {}", plan.stem, zone.root);
            let first = tables.add_sample(&name, sample, zone.root, rate, stereo);
            let class = if plan.mono { MONO_CLASS + program as u16 } else { 0 };
            for (law, side) in laws_and_sides(sample, stereo) {
                let keys = [zone.low, zone.high, zone.root];
                tables.add_key_zone(keys, (sample, law), (pan(side, stereo), class), first + side);
            }
        }
    }
    tables.finish(kit)
}

/// The zones that a sample has on a key: its laws, each for every channel.
fn laws_and_sides(sample: &Sample, stereo: bool) -> impl Iterator<Item = (&Law, u16)> {
    sample.laws.iter().flat_map(move |law| (0..if stereo { 2 } else { 1 }).map(move |side| (law, side)))
}

/// Place of a channel, tenths of a percent to the right (8.1.2).
fn pan(side: u16, stereo: bool) -> i16 {
    if stereo { [-500, 500][usize::from(side)] } else { 0 }
}

/// The records of the file while they are gathered.
struct Tables {
    data: Vec<i16>,
    headers: Vec<u8>,
    count: usize,
    bags: Vec<u8>,
    generators: Vec<u8>,
    modulators: Vec<u8>,
    /// Name, bank and number of each preset, and the first zone of its instrument.
    presets: Vec<(String, u16, u16, u16)>,
}

impl Tables {
    /// With the drums' instrument and the zone that holds for all others of it.
    fn new(kit: &str) -> Self {
        let mut tables = Self {
            data: Vec::new(),
            headers: Vec::new(),
            count: 0,
            bags: Vec::new(),
            generators: Vec::new(),
            modulators: Vec::new(),
            presets: Vec::new(),
        };
        tables.begin_preset((kit.to_owned(), DRUM_BANK, 0), NO_RELEASE, 0);
        tables
    }

    /// A preset with an instrument of its own, and the zone that holds for all others of it: the time of its release, and
    /// how far keys are apart, cents.
    fn begin_preset(&mut self, (name, bank, program): (String, u16, u16), release: i16, key_ct: u16) {
        self.presets.push((name, bank, program, (self.bags.len() / 4) as u16));
        self.begin_zone();
        self.generator(DELAY, AT_ONCE as u16);
        self.generator(ATTACK, AT_ONCE as u16);
        self.generator(RELEASE, release as u16);
        self.generator(SCALE_TUNING, key_ct);
        // the level alone follows the velocity: what it does to the tone is in the samples
        self.modulator(VELOCITY_LINEAR, FILTER_CUTOFF, 0, 0);
        self.modulator(VELOCITY_LINEAR, FILTER_CUTOFF, 0, VELOCITY_SWITCH);
    }

    /// The preset of a key part.
    fn begin_keys(&mut self, name: &str, program: u16, release_s: f32) {
        self.begin_preset((name.to_owned(), 0, program), timecents(release_s * RELEASE_LENGTH), 100);
    }

    /// Adds the zone of one law and channel of a key part's sample: its lowest and highest key and its root.
    fn add_key_zone(
        &mut self,
        [low, high, root]: [u8; 3],
        (sample, law): (&Sample, &Law),
        (pan, class): (i16, u16),
        header: u16,
    ) {
        self.begin_zone();
        self.generator(KEYS, u16::from_le_bytes([low, high]));
        self.generator(VELOCITIES, u16::from_le_bytes(law.velocities));
        self.generator(PAN, pan as u16);
        self.generator(SAMPLE_MODES, u16::from(sample.loop_frames.is_some()));
        if class > 0 {
            self.generator(EXCLUSIVE_CLASS, class);
        }
        self.generator(ROOT_KEY, u16::from(root));
        self.generator(SAMPLE, header);
        self.modulator(VELOCITY_CONCAVE, ATTENUATION, law.velocity_cb, 0);
    }

    /// Adds the channels of a sample; the number of its first header.
    fn add_sample(&mut self, name: &str, sample: &Sample, note: u8, rate: u32, stereo: bool) -> u16 {
        let first = self.count as u16;
        for side in 0..if stereo { 2 } else { 1 } {
            let start = self.data.len();
            self.data.resize(start + (PLAYER_BLOCK * rate as usize).div_ceil(PLAYER_RATE), 0);
            let sound = self.data.len();
            self.data.extend_from_slice(&sample.channels[side]);
            let end = self.data.len();
            self.data.extend([0; GAP]);
            let [loop_start, loop_end] =
                sample.loop_frames.map_or([start, end], |l| l.map(|frame| sound + frame));
            // mono, left, right
            let kind: u16 = if !stereo { 1 } else { [4, 2][side] };
            let link = if stereo { first + 1 - side as u16 } else { 0 };
            let name = if stereo { format!("{name} {}", ["L", "R"][side]) } else { name.to_owned() };
            self.headers.extend(text_of_20(&name));
            for place in [start, end, loop_start, loop_end] {
                self.headers.extend((place as u32).to_le_bytes());
            }
            self.headers.extend(rate.to_le_bytes());
            self.headers.extend([note, 0]);
            self.headers.extend([link, kind].map(u16::to_le_bytes).concat());
            self.count += 1;
        }
        first
    }

    /// Adds the zone of one law and channel of a sample on a key.
    fn add_zone(
        &mut self,
        plan: &PadPlan,
        (sample, law): (&Sample, &Law),
        (key, transpose_st): (u8, f32),
        pan: i16,
        header: u16,
    ) {
        let range = |[low, high]: [u8; 2]| u16::from_le_bytes([low, high]);
        self.begin_zone();
        self.generator(KEYS, range([key, key]));
        self.generator(VELOCITIES, range(law.velocities));
        self.generator(PAN, pan as u16);
        if plan.held {
            self.generator(RELEASE, timecents(plan.release_s * RELEASE_LENGTH) as u16);
        }
        if transpose_st != 0.0 {
            let semitones = transpose_st.round();
            self.generator(COARSE_TUNE, semitones as i16 as u16);
            self.generator(FINE_TUNE, ((transpose_st - semitones) * 100.0).round() as i16 as u16);
        }
        self.generator(SAMPLE_MODES, u16::from(plan.held && sample.loop_frames.is_some()));
        if plan.choke_group > 0 {
            self.generator(EXCLUSIVE_CLASS, u16::from(plan.choke_group));
        }
        self.generator(ROOT_KEY, u16::from(key));
        self.generator(SAMPLE, header);
        self.modulator(VELOCITY_CONCAVE, ATTENUATION, law.velocity_cb, 0);
    }

    fn begin_zone(&mut self) {
        let at = |bytes: &Vec<u8>, size: usize| ((bytes.len() / size) as u16).to_le_bytes();
        self.bags.extend([at(&self.generators, 4), at(&self.modulators, 10)].concat());
    }

    fn generator(&mut self, what: u16, amount: u16) {
        self.generators.extend([what, amount].map(u16::to_le_bytes).concat());
    }

    fn modulator(&mut self, source: u16, what: u16, amount: u16, amount_source: u16) {
        self.modulators.extend([source, what, amount, amount_source, 0].map(u16::to_le_bytes).concat());
    }

    /// Puts the chunks together; every table ends with a record that only says where it ends.
    fn finish(mut self, kit: &str) -> Result<Vec<u8>> {
        let full = [self.generators.len() / 4, self.modulators.len() / 10, self.bags.len() / 4, self.count];
        if full.iter().any(|&records| records >= MAX_RECORDS) || self.data.len() > u32::MAX as usize / 4 {
            return Err(Error::invalid(
                "the kit has more samples than a SoundFont holds; choose fewer velocities",
            ));
        }
        let zones = (self.bags.len() / 4) as u16;
        self.begin_zone();
        self.generators.extend([0; 4]);
        self.modulators.extend([0; 10]);
        self.headers.extend([text_of_20("EOS").as_slice(), &[0; 26]].concat());
        let preset = |name: &str, [program, bank, bag]: [u16; 3]| {
            let mut bytes = text_of_20(name).to_vec();
            bytes.extend([program, bank, bag].map(u16::to_le_bytes).concat());
            bytes.extend([0; 12]);
            bytes
        };
        let count = self.presets.len() as u16;
        let presets = self.presets.iter().zip(0_u16..);
        let headers = presets.clone().map(|((name, bank, program, _), i)| preset(name, [*program, *bank, i]));
        let headers: Vec<Vec<u8>> = headers.chain([preset("EOP", [0, 0, count])]).collect();
        // a zone for each preset, with one generator: its instrument
        let bags: Vec<u8> = (0..=count).flat_map(|i| [i, 0]).flat_map(u16::to_le_bytes).collect();
        let generators = (0..count).map(|i| [INSTRUMENT, i]).chain([[0, 0]]);
        let generators: Vec<u8> = generators.flatten().flat_map(u16::to_le_bytes).collect();
        let instrument = |name: &str, bag: u16| [&text_of_20(name)[..], &bag.to_le_bytes()].concat();
        let instruments = presets.map(|((name, _, _, bag), _)| instrument(name, *bag));
        let instruments: Vec<Vec<u8>> = instruments.chain([instrument("EOI", zones)]).collect();
        let data: Vec<u8> = self.data.iter().flat_map(|s| s.to_le_bytes()).collect();
        let info = [
            chunk(b"ifil", &[2, 0, 4, 0]),
            chunk(b"isng", &even_text("EMU8000")),
            chunk(b"INAM", &even_text(kit)),
            chunk(b"ISFT", &even_text("Kitwright")),
        ];
        let records = [
            chunk(b"phdr", &headers.concat()),
            chunk(b"pbag", &bags),
            chunk(b"pmod", &[0; 10]),
            chunk(b"pgen", &generators),
            chunk(b"inst", &instruments.concat()),
            chunk(b"ibag", &self.bags),
            chunk(b"imod", &self.modulators),
            chunk(b"igen", &self.generators),
            chunk(b"shdr", &self.headers),
        ];
        let lists = [
            list(b"LIST", b"INFO", &info),
            list(b"LIST", b"sdta", &[chunk(b"smpl", &data)]),
            list(b"LIST", b"pdta", &records),
        ];
        Ok(list(b"RIFF", b"sfbk", &lists))
    }
}

/// A time in timecents: 1200 for each doubling of a second (8.1.2).
fn timecents(seconds: f32) -> i16 {
    (1200.0 * seconds.log2()).round().clamp(-12_000.0, 8000.0) as i16
}

/// A name of a record: 20 characters of ASCII at most, the last of them 0.
fn text_of_20(text: &str) -> [u8; 20] {
    let mut bytes = [0; 20];
    for (to, from) in bytes[..19].iter_mut().zip(ascii(text)) {
        *to = from;
    }
    bytes
}

/// A text of the information: ASCII, ended by one or two zeros so that its length is even, 256 bytes at most.
fn even_text(text: &str) -> Vec<u8> {
    let mut bytes: Vec<u8> = ascii(text).take(254).collect();
    bytes.push(0);
    if bytes.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

fn ascii(text: &str) -> impl Iterator<Item = u8> {
    text.chars().map(|c| if c.is_ascii_graphic() || c == ' ' { c as u8 } else { b'?' })
}
