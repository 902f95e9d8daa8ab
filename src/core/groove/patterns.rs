//! Six patterns of two bars that try a kit out in time. They use every pad that sounds, and no stroke of theirs changes how
//! kits are made: that is the groove of [`super::notes`].

use crate::kit::{Document, PADS, Role};

/// Bars of a pattern, of four beats.
pub const PATTERN_BARS: usize = 2;
/// Beats of a pattern.
pub const PATTERN_BEATS: f64 = (PATTERN_BARS * 4) as f64;
/// Steps of a pattern: sixteenths.
const STEPS: usize = PATTERN_BARS * 16;
/// Strokes of a pattern at most.
pub const MAX_STROKES: usize = PADS * STEPS;

/// A pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Pattern {
    /// Even eighths, snare on two and four.
    #[default]
    Straight,
    /// Sixteenths that lean towards triplets.
    Swung,
    /// Snare on three.
    HalfTime,
    /// Few strokes with much room.
    Sparse,
    /// Sixteenths, many ghost notes.
    Busy,
    /// Claps and rolls.
    ClapsAndRolls,
}

impl Pattern {
    /// Every pattern.
    pub const ALL: [Self; 6] =
        [Self::Straight, Self::Swung, Self::HalfTime, Self::Sparse, Self::Busy, Self::ClapsAndRolls];

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Swung => "swung",
            Self::HalfTime => "half time",
            Self::Sparse => "sparse",
            Self::Busy => "busy",
            Self::ClapsAndRolls => "claps and rolls",
        }
    }
}

/// How the groove in the window plays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GrooveSettings {
    /// It plays.
    pub playing: bool,
    /// What it plays.
    pub pattern: Pattern,
    /// How late every second sixteenth comes: 0 is straight, 1 a triplet.
    pub swing: f32,
    /// How many of the pattern's strokes are played: 0 the fewest, 1 all and more.
    pub density: f32,
    /// Beats per minute while no host plays.
    pub tempo: f32,
}

impl GrooveSettings {
    /// Tempos to choose from, beats per minute.
    pub const TEMPO_RANGE: [f32; 2] = [40.0, 240.0];
}

impl Default for GrooveSettings {
    fn default() -> Self {
        Self {
            playing: false,
            pattern: Pattern::Straight,
            swing: 0.2,
            density: 0.6,
            tempo: super::TEMPO as f32,
        }
    }
}

/// A stroke of a pattern.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stroke {
    /// When, in beats from the start of the pattern, below [`PATTERN_BEATS`].
    pub beat: f64,
    /// Index of its pad.
    pub pad: u8,
    /// Above 0 up to 1.
    pub velocity: f32,
}

/// The role of each pad that sounds and how many pads of that role come before it.
pub type Parts = [Option<(Role, usize)>; PADS];

/// The parts of a kit's pads.
pub fn parts_of(doc: &Document) -> Parts {
    let mut parts = [None; PADS];
    for (i, pad) in doc.pads.iter().enumerate().take(PADS).filter(|(_, pad)| !pad.is_empty()) {
        let nth = parts[..i].iter().flatten().filter(|p: &&(Role, usize)| p.0 == pad.role).count();
        parts[i] = Some((pad.role, nth));
    }
    parts
}

/// Writes the strokes of a pattern into `out`, earliest first, and returns how many there are. Allocates nothing.
pub fn strokes(settings: &GrooveSettings, parts: &Parts, out: &mut [Stroke; MAX_STROKES]) -> usize {
    let swing = if settings.swing.is_finite() { settings.swing.clamp(0.0, 1.0) } else { 0.0 };
    let mut count = 0;
    for step in 0..STEPS {
        // a triplet's last third lies at two thirds of the eighth
        let late = if step % 2 == 1 { f64::from(swing) / 12.0 } else { 0.0 };
        for (pad, part) in parts.iter().enumerate() {
            let Some((role, nth)) = *part else { continue };
            let sign = line(settings.pattern, role, nth).as_bytes()[step];
            let Some((velocity, from_density)) = meaning(sign) else { continue };
            if settings.density >= from_density {
                // soft and hard strokes alternate a little, so that two never sound alike
                let lean = [1.0, 0.94, 0.98, 0.91][(step / 2 + pad) % 4];
                out[count] =
                    Stroke { beat: step as f64 / 4.0 + late, pad: pad as u8, velocity: velocity * lean };
                count += 1;
            }
        }
    }
    count
}

/// Velocity of a sign and the density from which it is played.
fn meaning(sign: u8) -> Option<(f32, f32)> {
    match sign {
        b'X' => Some((0.92, 0.0)),
        b'x' => Some((0.72, 0.0)),
        b'o' => Some((0.52, 0.25)),
        b'-' => Some((0.34, 0.5)),
        b'+' => Some((0.46, 0.8)),
        _ => None,
    }
}

/// The line of a role in a pattern: a sign for each sixteenth of two bars. `X` is hard, `x` medium, `o` soft, `-` a ghost
/// note, `+` one that only a dense pattern has. Second pads of one role answer the first.
fn line(pattern: Pattern, role: Role, nth: usize) -> &'static str {
    if role == Role::Percussion || nth > 0 {
        return ANSWERS
            [(nth + pattern as usize * 2 + usize::from(role != Role::Percussion) * 3) % ANSWERS.len()];
    }
    match pattern {
        Pattern::Straight => straight(role),
        Pattern::Swung => swung(role),
        Pattern::HalfTime => half_time(role),
        Pattern::Sparse => sparse(role),
        Pattern::Busy => busy(role),
        Pattern::ClapsAndRolls => claps_and_rolls(role),
    }
}

/// What percussion and second pads play: a few strokes off the beat.
const ANSWERS: [&str; 7] = [
    "...o......-.......o.......+..x..",
    "......-...o.........o.....-...+.",
    "..+....o........-......o.....-..",
    ".......x....-.+........o....+...",
    "-....o.........o.....-...+.....o",
    "...-.....+o........-......o.....",
    ".+....o......-...+....x.......-.",
];

fn straight(role: Role) -> &'static str {
    match role {
        Role::Kick => "X......ox.......X..-....x.o.....",
        Role::Snare => "....X..-.-..X......+X..-....X..-",
        Role::Rim => "..........-...o...........+.-...",
        Role::Clap => "............o...............x...",
        Role::ClosedHat => "x.o.x.o.x.o.x.o.x.o.x.o.x.o.x...",
        Role::PedalHat => "......+.......................o.",
        Role::OpenHat => "..............................x.",
        Role::Crash => "x...............................",
        Role::Ride => "................o...-...o...-...",
        Role::Shaker => "+-+-+-+-+-+-+-+-o-+-o-+-o-+-o-+-",
        Role::LowTom => "..............................o+",
        Role::MiddleTom => "............................+o..",
        Role::HighTom => "..........................o.....",
        Role::Percussion => ANSWERS[0],
    }
}

fn swung(role: Role) -> &'static str {
    match role {
        Role::Kick => "X..o..x...-o....X....-xo..x.....",
        Role::Snare => "....X..-.-..X..-....X.-..-..X-..",
        Role::Rim => ".-....o...........-...o.........",
        Role::Clap => "............x.......+.......x...",
        Role::ClosedHat => "x.oox.o-x.oox.-.x.oox.o-x.oox.o+",
        Role::PedalHat => "..............o.................",
        Role::OpenHat => "......................x.........",
        Role::Crash => "o...............................",
        Role::Ride => "o..-o..-o..-o..-........+..-o..-",
        Role::Shaker => "o-+-o-+-o-+-o-+-o-+-o-+-o-+-o-+-",
        Role::LowTom => ".........................o.....x",
        Role::MiddleTom => "..........................+.o...",
        Role::HighTom => ".........o..................+...",
        Role::Percussion => ANSWERS[1],
    }
}

fn half_time(role: Role) -> &'static str {
    match role {
        Role::Kick => "X.....o...x.....X..o......x...-.",
        Role::Snare => "........X......-........X..-..-.",
        Role::Rim => "..-...............o...+.........",
        Role::Clap => "........o...............x.......",
        Role::ClosedHat => "x.-.o.-.x.-.o.--x.-.o.-.x.-.o.++",
        Role::PedalHat => "....o...................+...o...",
        Role::OpenHat => "..............x.................",
        Role::Crash => "x...............................",
        Role::Ride => "................o.-.o.-.o.-.o.-.",
        Role::Shaker => "..o+..o+..o+..o+..o+..o+..o+..o+",
        Role::LowTom => "............................x.o.",
        Role::MiddleTom => "..........................o.....",
        Role::HighTom => ".............o...........o......",
        Role::Percussion => ANSWERS[2],
    }
}

fn sparse(role: Role) -> &'static str {
    match role {
        Role::Kick => "X.........o.....x...............",
        Role::Snare => "............x...........-...x...",
        Role::Rim => "......o...............x.........",
        Role::Clap => "............................o...",
        Role::ClosedHat => "....o.......o...-...o.......o...",
        Role::PedalHat => "........-...............o.......",
        Role::OpenHat => "....................x...........",
        Role::Crash => "o...............................",
        Role::Ride => "........o.......o...............",
        Role::Shaker => "..-...-...-...-...-...-...-...-.",
        Role::LowTom => "..............................x.",
        Role::MiddleTom => "..........................o.....",
        Role::HighTom => "..............o.................",
        Role::Percussion => ANSWERS[3],
    }
}

fn busy(role: Role) -> &'static str {
    match role {
        Role::Kick => "X..x..-o.-x..x..X.-x...ox..o.-x.",
        Role::Snare => "-+.-X-.-o-.-X-.o-+.-X..-o-.-X-xo",
        Role::Rim => "..o...+...-.....o...+...-...o...",
        Role::Clap => "....o.......x.......o.......x..+",
        Role::ClosedHat => "xoxoxoxxxoxoxo.oxoxoxoxxxox.xoxo",
        Role::PedalHat => "......-.......o.......-.......+.",
        Role::OpenHat => "..............x............o....",
        Role::Crash => "x...............................",
        Role::Ride => "..o...o...o...o...o...o...o...o.",
        Role::Shaker => "o-o-o-o-o-o-o-o-o-o-o-o-o-o-o-o-",
        Role::LowTom => ".............o.............x..xo",
        Role::MiddleTom => "............+.............x..o..",
        Role::HighTom => "..........oo.............x......",
        Role::Percussion => ANSWERS[4],
    }
}

fn claps_and_rolls(role: Role) -> &'static str {
    match role {
        Role::Kick => "X.....x..o......X..o..x.....-...",
        Role::Snare => "........-.......--........o-oxxX",
        Role::Rim => "...o.....-....................+.",
        Role::Clap => "....X.......X..o....X......oX...",
        Role::ClosedHat => "x.o.x.oox.o.xoxox.o.x.oox.o.....",
        Role::PedalHat => "..........-.............o.......",
        Role::OpenHat => "......x...............x.........",
        Role::Crash => "x...............................",
        Role::Ride => "..-...-...-...-...-...-...-...-.",
        Role::Shaker => "-+-+-+-+-+-+-+-+o+o+o+o+o+o+o+o+",
        Role::LowTom => "............................xxxx",
        Role::MiddleTom => "..........................xx....",
        Role::HighTom => "........................xx......",
        Role::Percussion => ANSWERS[5],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::{Kit, Slice};

    fn parts() -> Parts {
        let mut kit = Kit::default();
        let slice = Slice { take: 0, start: 0, end: 1, gain_db: 0.0, velocities: [0.0, 1.0] };
        kit.doc.pads.iter_mut().for_each(|p| p.slices.push(slice));
        parts_of(&kit.doc)
    }

    fn played(settings: &GrooveSettings, parts: &Parts) -> Vec<Stroke> {
        let mut out = [Stroke::default(); MAX_STROKES];
        let count = strokes(settings, parts, &mut out);
        out[..count].to_vec()
    }

    #[test]
    fn every_line_has_a_sign_for_each_step() {
        for pattern in Pattern::ALL {
            for role in Role::ALL {
                for nth in 0..4 {
                    let line = line(pattern, role, nth);
                    assert_eq!(line.len(), STEPS, "{pattern:?} {role} {nth}");
                    assert!(line.bytes().all(|b| b == b'.' || meaning(b).is_some()), "{line}");
                }
            }
        }
    }

    #[test]
    fn every_pad_is_heard_in_every_pattern_and_only_pads_that_sound() {
        for pattern in Pattern::ALL {
            let settings = GrooveSettings { pattern, ..GrooveSettings::default() };
            let all = played(&settings, &parts());
            for pad in 0..PADS {
                assert!(all.iter().any(|s| usize::from(s.pad) == pad), "{pattern:?}: pad {}", pad + 1);
            }
            assert!(all.windows(2).all(|w| w[0].beat <= w[1].beat), "in order");
            assert!(all.iter().all(|s| s.beat < PATTERN_BEATS && s.velocity > 0.0 && s.velocity <= 1.0));
            let mut few = parts();
            few[3..].fill(None);
            assert!(played(&settings, &few).iter().all(|s| s.pad < 3));
        }
    }

    #[test]
    fn density_adds_strokes_and_swing_moves_every_second_sixteenth() {
        let with = |density, swing| {
            played(&GrooveSettings { density, swing, ..GrooveSettings::default() }, &parts())
        };
        let counts: Vec<usize> = [0.0, 0.3, 0.6, 1.0].map(|d| with(d, 0.0).len()).to_vec();
        assert!(counts.windows(2).all(|w| w[0] < w[1]), "{counts:?}");
        let (straight, swung) = (with(1.0, 0.0), with(1.0, 1.0));
        for (a, b) in straight.iter().zip(&swung) {
            let odd = (a.beat * 4.0).round() as usize % 2 == 1;
            let late = if odd { 1.0 / 12.0 } else { 0.0 };
            assert!((b.beat - a.beat - late).abs() < 1e-9, "{a:?} {b:?}");
        }
    }

    #[test]
    fn patterns_differ_from_one_another() {
        let all = Pattern::ALL
            .map(|pattern| played(&GrooveSettings { pattern, ..GrooveSettings::default() }, &parts()));
        for (i, a) in all.iter().enumerate() {
            assert!(all[i + 1..].iter().all(|b| a != b), "{:?}", Pattern::ALL[i]);
        }
    }
}
