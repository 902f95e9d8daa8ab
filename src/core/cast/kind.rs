//! Kinds of drums: clusters of the recordings of a class, such as the rims of acoustic kits beside those of rhythm
//! machines. The mean of a class that has several kinds is a sound that nobody plays, so a pad is compared with the
//! kind that it is nearest to. The numbers are in [`super::profiles`], and
//! [`super::likeness`] compares with all of them.
//!
//! Distances are of images: the levels of the bands over time. That those agree with what listeners say of drums of one
//! class: E. Pampalk, P. Herrera, M. Goto, "Computational models of similarity for drum samples", IEEE TASLP 16(2), 2008.

use super::features::{BANDS, COUNT, STRETCHES};

/// Numbers of an image.
pub const IMAGE: usize = BANDS * STRETCHES;

/// Sounds of a class that are alike.
pub struct Kind {
    /// Index in [`super::net::CLASSES`].
    pub class: usize,
    /// Share of the class, 0 to 1.
    pub share: f32,
    /// Whether sounds of several collections are in it. What only one collection has may be a peculiarity of it: a kind
    /// to recognise, none to imitate.
    pub confirmed: bool,
    /// Mean of each measure.
    pub centre: &'static [f32; COUNT],
    /// Standard deviation of each measure.
    pub width: &'static [f32; COUNT],
}

impl Kind {
    /// Mean square of the differences between the image of this kind and that of a row of measures, dB²; the weights
    /// are 1 in the mean.
    fn square(&self, row: &[f32], weights: &[f32; IMAGE]) -> f32 {
        // in eight sums of their own: processors add them at once
        const LANES: usize = 8;
        let mut sums = [0.0f32; LANES];
        fn lanes(row: &[f32]) -> &[[f32; LANES]] {
            row[..IMAGE].as_chunks().0
        }
        for ((x, c), w) in lanes(row).iter().zip(lanes(self.centre)).zip(lanes(weights)) {
            for lane in 0..LANES {
                let difference = x[lane] - c[lane];
                sums[lane] += w[lane] * difference * difference;
            }
        }
        sums.iter().sum::<f32>() / IMAGE as f32
    }

    /// Logarithm of the likeness of a row of measures to this kind: a Gaussian kernel of this width, times its share.
    pub fn logit(&self, row: &[f32], weights: &[f32; IMAGE], kernel_db: f32) -> f32 {
        libm::logf(self.share) - self.square(row, weights) / (2.0 * kernel_db * kernel_db)
    }

    /// Distance from this kind in its standard deviations, root mean square over all measures.
    pub fn distance(&self, row: &[f32]) -> f32 {
        let squares = row.iter().zip(self.centre).zip(self.width);
        let sum: f32 = squares.map(|((x, m), w)| ((x - m) / w).clamp(-4.0, 4.0).powi(2)).sum();
        (sum / row.len() as f32).sqrt()
    }
}
