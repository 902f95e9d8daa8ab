//! One or two channels out of any number.

use super::Take;
use crate::units::db_to_gain;
use std::f32::consts::FRAC_1_SQRT_2;
use symphonia::core::audio::{Channels, Position};

/// A channel whose highest sample lies this far below that of the other holds nothing of the instrument, dB: an input that
/// nothing was plugged into (our choice; that crosstalk and the noise of an open input lie below is common practice, no
/// source).
const UNUSED_DB: f32 = -50.0;

impl Take {
    /// The same take, in mono and with a notice where only one of its two channels was used: it would sound from one side.
    pub(crate) fn without_unused_channel(mut self) -> Self {
        let [left, right] = self.channels.as_slice() else { return self };
        let [left, right] = [left, right].map(|c| c.iter().fold(0.0, |peak: f32, x| peak.max(x.abs())));
        let unused = [left, right].iter().position(|p| *p < left.max(right) * db_to_gain(UNUSED_DB));
        if let Some(unused) = unused {
            self.channels.remove(unused);
            let side = ["left", "right"][unused];
            self.notices
                .push(format!("{}: its {side} channel is silent, so the other one is used alone", self.name));
        }
        self
    }
}

/// Mixes the channels of a file down to mono or stereo; one and two channels pass unchanged.
///
/// Placed channels go to stereo after ITU-R BS.775-3, annex 4 (front left and right at full level,
/// centre and surround 3 dB lower), divided by the largest sum of gains so that nothing clips. The low
/// channel, which that annex leaves to choice, is kept like the centre: in a recording of one instrument
/// it is just another microphone. Channels without a place give mono, their mean.
pub(super) struct Mixer {
    inputs: usize,
    /// `[output][input]`; empty when channels pass unchanged.
    gains: Vec<Vec<f32>>,
}

impl Mixer {
    pub(super) fn new(channels: &Channels) -> Self {
        let inputs = channels.count();
        let gains = match channels {
            _ if inputs <= 2 => Vec::new(),
            Channels::Positioned(positions) => stereo_gains(*positions),
            _ => vec![vec![1.0 / inputs as f32; inputs]],
        };
        Self { inputs, gains }
    }

    pub(super) fn inputs(&self) -> usize {
        self.inputs
    }

    pub(super) fn outputs(&self) -> usize {
        if self.gains.is_empty() { self.inputs } else { self.gains.len() }
    }

    /// Appends `packet` (`[input][frame]`) to `out` (`[output][frame]`).
    pub(super) fn mix(&self, packet: &[Vec<f32>], out: &mut [Vec<f32>]) {
        if self.gains.is_empty() {
            for (channel, samples) in out.iter_mut().zip(packet) {
                channel.extend_from_slice(samples);
            }
            return;
        }
        let frames = packet.first().map_or(0, Vec::len);
        for (channel, gains) in out.iter_mut().zip(&self.gains) {
            channel.extend((0..frames).map(|i| packet.iter().zip(gains).map(|(p, g)| p[i] * g).sum::<f32>()));
        }
    }
}

fn stereo_gains(positions: Position) -> Vec<Vec<f32>> {
    let front = [Position::FRONT_LEFT, Position::FRONT_RIGHT];
    let left = Position::FRONT_LEFT
        | Position::REAR_LEFT
        | Position::FRONT_LEFT_CENTER
        | Position::SIDE_LEFT
        | Position::TOP_FRONT_LEFT
        | Position::TOP_REAR_LEFT
        | Position::TOP_SIDE_LEFT
        | Position::BOTTOM_FRONT_LEFT
        | Position::FRONT_LEFT_WIDE;
    let right = Position::FRONT_RIGHT
        | Position::REAR_RIGHT
        | Position::FRONT_RIGHT_CENTER
        | Position::SIDE_RIGHT
        | Position::TOP_FRONT_RIGHT
        | Position::TOP_REAR_RIGHT
        | Position::TOP_SIDE_RIGHT
        | Position::BOTTOM_FRONT_RIGHT
        | Position::FRONT_RIGHT_WIDE;
    let gain = |position: Position, mine: Position, others: Position| {
        if front.contains(&position) && mine.contains(position) {
            1.0
        } else if others.contains(position) {
            0.0
        } else {
            FRAC_1_SQRT_2
        }
    };
    let mut gains: Vec<Vec<f32>> = [(left, right), (right, left)]
        .map(|(mine, others)| positions.iter().map(|p| gain(p, mine, others)).collect())
        .into();
    let largest = gains.iter().map(|g| g.iter().sum::<f32>()).fold(1.0, f32::max);
    gains.iter_mut().flatten().for_each(|g| *g /= largest);
    gains
}
