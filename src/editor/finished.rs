//! The sound of each pad as it is heard: rendered once for each change, on a thread of its own, with its outline, its
//! character, and the means to compare it with the hit as recorded.

use super::{character::Character, equal_loudness::equally_loud};
use egui::{Color32, Mesh, Painter, Rect, Shape, pos2};
use kitwright_core::{
    cast::auditioner::Auditioner,
    export::{Stereo, render_pad},
    kit::{Kit, PADS, Pad},
    progress::Flag,
    take::{Take, sample_range, widest},
};
use std::{
    sync::{Arc, Mutex, atomic::Ordering::Relaxed, mpsc},
    thread::JoinHandle,
};

/// Rate of the rendering, Hz: that of exported pads.
const RATE: u32 = 48_000;
/// Velocity of the stroke, that of exported pads.
const VELOCITY: f32 = 110.0 / 127.0;
/// Frames of one column of an outline: 0.5 ms.
const COLUMN: usize = 24;
/// Where an outline ends: 50 dB below its peak; what follows is no line on the screen.
const FLOOR: f32 = 3.2e-3;

/// The outline of a sound: its lowest and highest sample in each column.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Outline {
    columns: Vec<[f32; 2]>,
    peak: f32,
}

impl Outline {
    fn of(sound: &Stereo) -> Self {
        let frames = sound[0].len().max(sound[1].len());
        let range = |from: usize| {
            let [lo, hi] = sample_range(sound, from, from + COLUMN);
            [lo.min(0.0), hi.max(0.0)]
        };
        let mut columns: Vec<[f32; 2]> = (0..frames).step_by(COLUMN).map(range).collect();
        let peak = columns.iter().fold(0.0_f32, |peak, [lo, hi]| peak.max(-lo).max(*hi));
        let sounding = columns.iter().rposition(|[lo, hi]| hi.max(-lo) > peak * FLOOR);
        columns.truncate(sounding.map_or(0, |last| last + 1));
        Self { columns, peak }
    }

    /// How long it sounds, s.
    pub fn seconds(&self) -> f32 {
        (self.columns.len() * COLUMN) as f32 / RATE as f32
    }

    /// Draws the first `seconds` of it into `rect`, one column a pixel.
    pub fn draw(&self, painter: &Painter, rect: Rect, seconds: f32, colour: Color32) {
        let pixel = 1.0 / painter.pixels_per_point();
        let count = (rect.width() / pixel).floor().max(1.0) as usize;
        let per_pixel = seconds * RATE as f32 / COLUMN as f32 / count as f32;
        let (middle, scale) = (rect.center().y, rect.height() * 0.5 / self.peak.max(1e-6));
        let mut mesh = Mesh::default();
        for i in 0..count {
            let from = (i as f32 * per_pixel) as usize;
            let to = (((i + 1) as f32 * per_pixel).ceil() as usize)
                .clamp(from + 1, self.columns.len().max(from + 1));
            let Some(part) = self.columns.get(from..to) else { break };
            let [lo, hi] = widest(part);
            let x = rect.left() + i as f32 * pixel;
            let (top, bottom) = (middle - hi * scale, (middle - lo * scale).max(middle + pixel * 0.5));
            mesh.add_colored_rect(Rect::from_min_max(pos2(x, top), pos2(x + pixel, bottom)), colour);
        }
        painter.add(Shape::mesh(mesh));
    }
}

/// Longest part of a sound that is kept for comparing, s.
const MAX_COMPARED_S: usize = 6;

/// A pad as it is heard.
#[derive(Debug, Clone, Default)]
pub struct Finished {
    outline: Outline,
    /// What it is like; `None` for silence.
    pub character: Option<Character>,
    /// The hit as recorded and the finished sound, equally loud; `None` without a hit.
    pub compared: Option<[Arc<Take>; 2]>,
}

impl Finished {
    fn of(kit: &Kit, pad: usize, sound: Stereo, auditioner: &mut Auditioner) -> Self {
        let outline = Outline::of(&sound);
        let built = &kit.doc.pads[pad];
        // measured as casting does, so that the same pad has the same score everywhere
        let character = auditioner.measure(built).map(|heard| Character::of(&heard, built.role));
        let compared = recorded(kit, pad).map(|raw| {
            let [mut left, mut right] = sound;
            for channel in [&mut left, &mut right] {
                channel.truncate(MAX_COMPARED_S * RATE as usize);
            }
            // a take holds up to full scale; a pad's own output may pass it
            let down = 1.0 / outline.peak.max(1.0);
            left.iter_mut().chain(&mut right).for_each(|s| *s *= down);
            let finished = Take::from_samples("finished", RATE, vec![left, right]);
            equally_loud([raw, finished]).map(Arc::new)
        });
        Self { outline, character, compared }
    }

    /// How long it sounds, s.
    pub fn seconds(&self) -> f32 {
        self.outline.seconds()
    }

    /// Draws the first `seconds` of it into `rect`.
    pub fn draw(&self, painter: &Painter, rect: Rect, seconds: f32, colour: Color32) {
        self.outline.draw(painter, rect, seconds, colour);
    }
}

/// The pad's hit as recorded, as a take of its own.
fn recorded(kit: &Kit, pad: usize) -> Option<Take> {
    let slice = kit.doc.pads[pad].slices.first()?;
    let take = kit.takes.get(slice.take)?;
    let most = MAX_COMPARED_S * take.sample_rate as usize;
    let (start, end) = (slice.start as usize, (slice.end as usize).min(take.frames()));
    let part = |c: &Vec<f32>| c.get(start..end.min(start + most)).map(<[f32]>::to_vec);
    let channels: Option<Vec<Vec<f32>>> = take.channels.iter().map(part).collect();
    Some(Take::from_samples("recorded", take.sample_rate, channels.filter(|c| !c.is_empty())?))
}

/// What a pad sounds like.
#[derive(Debug, Clone)]
struct Known {
    pad: Pad,
    /// Addresses of the takes, which the kit below keeps taken.
    kit: Arc<Kit>,
    sound: Option<Arc<Finished>>,
}

impl Known {
    fn is_of(&self, pad: usize, kit: &Arc<Kit>) -> bool {
        let same_takes = || {
            self.kit.takes.len() <= kit.takes.len()
                && self.kit.takes.iter().zip(&kit.takes).all(|(a, b)| Arc::ptr_eq(a, b))
        };
        Arc::ptr_eq(&self.kit, kit) || (same_takes() && self.pad == kit.doc.pads[pad])
    }
}

/// Pad, the kit it is from, and how it sounds.
type Answer = (usize, Arc<Kit>, Finished);

/// The finished sounds of all pads.
#[derive(Debug, Default)]
pub struct FinishedSounds {
    known: [Option<Known>; PADS],
    /// The kit that each pad was asked for last.
    asked: [Option<Arc<Kit>>; PADS],
    worker: Option<Worker>,
}

/// The thread that renders.
#[derive(Debug)]
struct Worker {
    requests: Option<mpsc::Sender<(usize, Arc<Kit>)>>,
    // a receiver is not `Sync`, and windows move between threads
    answers: Mutex<mpsc::Receiver<Answer>>,
    stop: Arc<Flag>,
    thread: Option<JoinHandle<()>>,
}

impl FinishedSounds {
    /// A pad as it sounds; as it was before, or none, until it has been rendered.
    pub fn get(&mut self, pad: usize, kit: &Arc<Kit>, ctx: &egui::Context) -> Option<Arc<Finished>> {
        self.receive();
        let built = &kit.doc.pads[pad];
        if built.is_empty() {
            (self.known[pad], self.asked[pad]) = (None, None);
            return None;
        }
        match &mut self.known[pad] {
            Some(known) if known.is_of(pad, kit) => {
                known.kit = kit.clone();
                self.asked[pad] = None;
            }
            _ => self.ask(pad, kit, ctx),
        }
        self.known[pad].as_ref().and_then(|known| known.sound.clone())
    }

    fn ask(&mut self, pad: usize, kit: &Arc<Kit>, ctx: &egui::Context) {
        let same = |asked: &Arc<Kit>| {
            Arc::ptr_eq(asked, kit)
                || (asked.doc.pads[pad] == kit.doc.pads[pad] && asked.takes.len() == kit.takes.len())
        };
        if self.asked[pad].as_ref().is_some_and(same) {
            return;
        }
        if self.worker.is_none() {
            self.worker = Worker::start(ctx.clone());
        }
        let sender = self.worker.as_ref().and_then(|w| w.requests.as_ref());
        if sender.is_some_and(|s| s.send((pad, kit.clone())).is_ok()) {
            self.asked[pad] = Some(kit.clone());
        }
    }

    fn receive(&mut self) {
        let Some(worker) = &mut self.worker else { return };
        let Ok(answers) = worker.answers.get_mut() else { return };
        while let Ok((pad, kit, sound)) = answers.try_recv() {
            if self.asked[pad].as_ref().is_some_and(|asked| Arc::ptr_eq(asked, &kit)) {
                self.asked[pad] = None;
            }
            let built = kit.doc.pads[pad].clone();
            self.known[pad] = Some(Known { pad: built, kit, sound: Some(Arc::new(sound)) });
        }
    }

    /// Whether a sound is being rendered.
    pub fn is_working(&self) -> bool {
        self.asked.iter().any(Option::is_some)
    }
}

impl Worker {
    fn start(ctx: egui::Context) -> Option<Self> {
        let (requests, wanted) = mpsc::channel::<(usize, Arc<Kit>)>();
        let (send, answers) = mpsc::channel();
        let stop = Arc::<Flag>::default();
        let own = stop.clone();
        let thread = std::thread::Builder::new()
            .name("kitwright sounds".into())
            .spawn(move || {
                // engines are expensive to create: the pads of one kit share them
                let mut measuring: Option<(Arc<Kit>, Auditioner)> = None;
                while let Ok(first) = wanted.recv() {
                    // of several requests for one pad only the last counts
                    let mut line = [const { None }; PADS];
                    for (pad, kit) in std::iter::once(first).chain(wanted.try_iter()) {
                        line[pad] = Some(kit);
                    }
                    for (pad, kit) in line.into_iter().enumerate() {
                        let Some(kit) = kit else { continue };
                        let rendered = render_pad(&kit, pad, VELOCITY, RATE, &*own);
                        if own.0.load(Relaxed) {
                            return;
                        }
                        let known = measuring.take().filter(|(of, _)| Arc::ptr_eq(of, &kit));
                        let (_, auditioner) =
                            measuring.insert(known.unwrap_or_else(|| (kit.clone(), Auditioner::new(&kit))));
                        // what cannot be rendered is drawn as silence
                        let sound = rendered
                            .map(|sound| Finished::of(&kit, pad, sound, auditioner))
                            .unwrap_or_default();
                        if send.send((pad, kit, sound)).is_err() {
                            return;
                        }
                        ctx.request_repaint();
                    }
                }
            })
            .ok()?;
        Some(Self { requests: Some(requests), answers: Mutex::new(answers), stop, thread: Some(thread) })
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop.0.store(true, Relaxed);
        self.requests = None;
        if let Some(thread) = self.thread.take() {
            // a panic there has already been reported by its own thread
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::{
        cast::{CastOptions, make_kit},
        kit::Role,
        listen::{DetectOptions, detect},
        progress::Quiet,
    };

    #[test]
    fn a_pad_is_heard_as_well_as_casting_says() {
        let (take, starts) = kitwright_core::demo::borrowed_cello(1);
        let end = (starts[12] * f64::from(take.sample_rate)) as usize;
        let take =
            Arc::new(Take::from_samples("few", take.sample_rate, vec![take.channels[0][..end].to_vec()]));
        let hits = detect(&take, &DetectOptions::default(), &Quiet).unwrap();
        let options = CastOptions { roles: Some(vec![Role::LowTom]), effort: 0.1, ..CastOptions::default() };
        let kit = make_kit(&[(take, hits)], &options, &Quiet).unwrap();
        let pad = kit.doc.pads.iter().position(|p| !p.is_empty()).unwrap();
        let sound = render_pad(&Arc::new(kit.clone()), pad, VELOCITY, RATE, &Quiet).unwrap();
        let mut auditioner = Auditioner::new(&kit);
        let heard =
            Finished::of(&kit, pad, sound, &mut auditioner).character.expect("it sounds").score(Role::LowTom);
        let said = kit.doc.pads[pad].audition.as_ref().unwrap().score;
        assert!((heard - said).abs() < 0.005, "{heard} beside {said}");
        let silent = Finished::of(&Kit::default(), 0, [vec![0.0; 4800], vec![0.0; 4800]], &mut auditioner);
        assert_eq!(silent.character, None);
    }

    #[test]
    fn an_outline_ends_where_the_sound_does() {
        let mut left = vec![0.0; 48_000];
        left[..4800].fill(0.5);
        left[4800..9600].fill(-1e-4);
        let outline = Outline::of(&[left, vec![0.0; 48_000]]);
        assert!((outline.seconds() - 0.1).abs() < 0.003, "{} s", outline.seconds());
        assert_eq!(outline.peak, 0.5);
        assert_eq!(Outline::of(&Stereo::default()).seconds(), 0.0);
    }
}
