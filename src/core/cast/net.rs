//! Small nets that name drum classes; their numbers are in [`super::profiles`].

use super::features::COUNT;

/// The classes of the models, in the order of the profiles.
pub const CLASSES: [&str; 10] =
    ["kick", "snare", "rim", "clap", "hat_closed", "hat_open", "shaker", "tom", "perc", "cymbal"];

/// A number for each class. Probabilities add up to 1.
pub type Probabilities = [f32; CLASSES.len()];

/// Hidden units of a net.
const HIDDEN: usize = 16;

/// A net with one hidden layer of tanh units.
pub struct Net {
    /// One bias for each hidden unit.
    pub in_bias: &'static [f32; HIDDEN],
    /// `[hidden][measure]`.
    pub weights: &'static [[f32; COUNT]; HIDDEN],
    /// One bias for each class.
    pub out_bias: &'static [f32; CLASSES.len()],
    /// `[class][hidden]`.
    pub out: &'static [[f32; HIDDEN]; CLASSES.len()],
}

impl Net {
    /// The logit of each class for measures in standard deviations.
    pub fn logits(&self, z: &[f32]) -> [f32; CLASSES.len()] {
        let hidden: [f32; HIDDEN] =
            std::array::from_fn(|h| libm::tanhf(self.in_bias[h] + dot(&self.weights[h], z)));
        std::array::from_fn(|c| self.out_bias[c] + dot(&self.out[c], &hidden))
    }
}

/// Sum of the products of two rows, in eight sums of their own: processors add them at once.
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    const LANES: usize = 8;
    let (a, b) = (a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
    let mut sums = [0.0f32; LANES];
    for (a, b) in a.0.iter().zip(b.0) {
        for ((sum, x), y) in sums.iter_mut().zip(a).zip(b) {
            *sum += x * y;
        }
    }
    let rest: f32 = a.1.iter().zip(b.1).map(|(x, y)| x * y).sum();
    sums.iter().sum::<f32>() + rest
}
