//! A short groove of the project's own: four bars that use every pad of a kit. Kits are tried out with it, and
//! fresh kits are balanced by it.

pub mod patterns;

use crate::kit::{Kit, Role};

/// Beats per minute.
pub const TEMPO: f64 = 92.0;
/// Bars of four beats.
pub const BARS: usize = 4;
/// Steps in a bar: sixteenths.
pub const STEPS: usize = 16;
/// Ticks in a quarter note.
pub const TICKS: u16 = 480;
/// Position of the second of two sixteenths between its neighbours: 0.5 is straight, 0.67 a triplet.
const SWING: f64 = 0.57;

/// Bar, step, velocity (1 to 127).
type Stroke = (usize, usize, u8);

/// A note of the groove.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Note {
    /// When, in ticks of which a quarter note has [`TICKS`].
    pub tick: u32,
    /// Index of its pad.
    pub pad: usize,
    /// 1 to 127.
    pub velocity: u8,
}

impl Note {
    /// When, in seconds.
    pub fn seconds(&self) -> f64 {
        f64::from(self.tick) / f64::from(TICKS) * 60.0 / TEMPO
    }
}

/// The groove for the pads that sound, pad by pad.
pub fn notes(kit: &Kit) -> Vec<Note> {
    let mut notes = Vec::new();
    for (pad, role, nth) in parts(kit) {
        for (bar, step, velocity) in pattern(role, nth, &Present::of(kit)) {
            notes.push(Note { tick: tick(role, bar, step), pad, velocity });
        }
    }
    notes
}

/// Index, role and how many pads of the role came before, of each pad that sounds.
fn parts(kit: &Kit) -> Vec<(usize, Role, usize)> {
    let mut parts: Vec<(usize, Role, usize)> = Vec::new();
    for (index, pad, _) in kit.sounding() {
        let nth = parts.iter().filter(|p| p.1 == pad.role).count();
        parts.push((index, pad.role, nth));
    }
    parts
}

/// Whether roles are there that others replace when they are missing.
struct Present {
    snare: bool,
    hat: bool,
    middle_tom: bool,
}

impl Present {
    fn of(kit: &Kit) -> Self {
        let has = |role| kit.sounding().any(|(_, pad, _)| pad.role == role);
        Self { snare: has(Role::Snare), hat: has(Role::ClosedHat), middle_tom: has(Role::MiddleTom) }
    }
}

/// The pattern of a role; the second and later pads of one role play softer percussion patterns.
fn pattern(role: Role, nth: usize, present: &Present) -> Vec<Stroke> {
    if nth > 0 && role != Role::Percussion {
        return percussion(nth + 3);
    }
    let backbeat =
        |velocity| (0..BARS).flat_map(move |b| [(b, 4, velocity), (b, 12, velocity + 3)]).collect();
    match role {
        Role::Kick => kick(),
        Role::Snare => snare(),
        Role::Clap if !present.snare => backbeat(100),
        Role::Clap => vec![(1, 12, 84), (3, 12, 92)],
        Role::Rim if !present.snare => backbeat(92),
        Role::Rim => vec![(0, 11, 58), (1, 3, 52), (1, 10, 70), (2, 11, 60), (3, 3, 55), (3, 6, 72)],
        Role::ClosedHat => closed_hat(),
        Role::OpenHat => vec![(0, 14, 74), (2, 14, 80)],
        Role::Shaker => shaker(!present.hat),
        Role::LowTom => vec![(1, 14, 78), (1, 15, 64), (3, 14, 96), (3, 15, 104)],
        Role::HighTom if present.middle_tom => vec![(1, 13, 70), (3, 12, 84)],
        Role::HighTom => vec![(1, 13, 70), (3, 12, 72), (3, 13, 92)],
        Role::MiddleTom => vec![(1, 12, 58), (3, 13, 90)],
        // where no closed hat is, which would be cut short
        Role::PedalHat => vec![(1, 13, 52), (2, 9, 46), (3, 9, 54)],
        Role::Crash => vec![(0, 0, 96)],
        Role::Ride => {
            vec![(2, 0, 70), (2, 4, 62), (2, 8, 70), (2, 12, 62), (3, 0, 72), (3, 4, 62), (3, 8, 70)]
        }
        Role::Percussion => percussion(nth),
    }
}

fn kick() -> Vec<Stroke> {
    let mut strokes = Vec::new();
    for bar in 0..BARS {
        strokes.push((bar, 0, 118));
        if bar % 2 == 0 {
            strokes.extend([(bar, 7, 78), (bar, 10, 108)]);
        } else {
            strokes.extend([(bar, 3, 70), (bar, 8, 62), (bar, 10, 110)]);
        }
    }
    strokes
}

fn snare() -> Vec<Stroke> {
    let mut strokes = Vec::new();
    for bar in 0..BARS {
        strokes.extend([(bar, 4, 112), (bar, 12, 116)]);
        // ghost notes
        strokes.extend([(bar, 7, 30), (bar, 9, 38)]);
        if bar % 2 == 1 {
            strokes.extend([(bar, 1, 26), (bar, 15, 44)]);
        }
    }
    strokes
}

fn closed_hat() -> Vec<Stroke> {
    let mut strokes = Vec::new();
    for bar in 0..BARS {
        for step in (0..STEPS).step_by(2) {
            // the open hat has its own places
            if !(bar % 2 == 0 && step == 14) {
                strokes.push((bar, step, if step % 4 == 0 { 92 } else { 66 }));
            }
        }
        strokes.extend([(bar, 5, 34), (bar, 11, 40)]);
        if bar % 2 == 1 {
            strokes.push((bar, 15, 48));
        }
    }
    strokes
}

/// Sixteenths with accents on the beat; from the third bar on, or throughout when there is no closed hat.
fn shaker(alone: bool) -> Vec<Stroke> {
    let first = if alone { 0 } else { 2 };
    (first..BARS)
        .flat_map(|bar| (0..STEPS).map(move |step| (bar, step, [82, 40, 58, 46][step % 4])))
        .collect()
}

/// Three soft strokes off the beat, in other places for each pad.
fn percussion(nth: usize) -> Vec<Stroke> {
    let first = [3, 6, 14, 11, 1, 9, 5, 13, 7, 2, 15, 10][nth % 12];
    let bar = nth % 2;
    let velocity = [74, 62, 80, 68][nth % 4];
    vec![
        (bar, first, velocity),
        (bar + 2, first, velocity + 8),
        (bar + 2, (first + 5) % STEPS, velocity - 24),
    ]
}

/// Time of a stroke in ticks: with swing, hats slightly early and the backbeat slightly late.
fn tick(role: Role, bar: usize, step: usize) -> u32 {
    let sixteenth = f64::from(TICKS) / 4.0;
    let swing = if step % 2 == 1 { (SWING - 0.5) * 2.0 * sixteenth } else { 0.0 };
    let lean = match role {
        Role::Snare | Role::Clap => 7.0,
        Role::Rim | Role::Percussion => 3.0,
        Role::ClosedHat | Role::PedalHat | Role::Ride | Role::Shaker if step > 0 => -4.0,
        _ => 0.0,
    };
    ((bar * STEPS + step) as f64 * sixteenth + swing + lean).round() as u32
}
