//! Kinds of drums: clusters of the recordings of a class, such as the rims of acoustic kits beside those of rhythm
//! machines. The mean of a class that has several kinds is a sound that nobody plays, so a pad is compared with the
//! kind that it is nearest to. The numbers are in [`super::profiles`].
//!
//! Distances are of images: the levels of the bands over time. That those agree with what listeners say of drums of one
//! class: E. Pampalk, P. Herrera, M. Goto, "Computational models of similarity for drum samples", IEEE TASLP 16(2), 2008.

use super::{
    features::{BANDS, COUNT, Features, STRETCHES},
    net::Probabilities,
    profiles as p,
};

/// Numbers of an image.
const IMAGE: usize = BANDS * STRETCHES;
/// Logit of a class without kinds.
const NO_KIND: f32 = -60.0;

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
    /// Mean square of the weighted differences between the image of this kind and that of a row of measures, dB².
    fn square(&self, row: &[f32]) -> f32 {
        let differences = row[..IMAGE].iter().zip(self.centre).zip(&p::IMAGE_WEIGHT);
        differences.map(|((x, c), w)| w * (x - c) * (x - c)).sum::<f32>() / IMAGE as f32
    }

    /// Logarithm of the likeness of a row of measures to this kind: a Gaussian kernel, times its share.
    fn logit(&self, row: &[f32]) -> f32 {
        libm::logf(self.share) - self.square(row) / (2.0 * p::KERNEL_DB * p::KERNEL_DB)
    }

    /// Distance from this kind in its standard deviations, root mean square over all measures.
    pub fn distance(&self, row: &[f32]) -> f32 {
        let squares = row.iter().zip(self.centre).zip(self.width);
        let sum: f32 = squares.map(|((x, m), w)| ((x - m) / w).clamp(-4.0, 4.0).powi(2)).sum();
        (sum / row.len() as f32).sqrt()
    }
}

/// Logarithm of the likeness of a sound to each class: the sum of the kernels of its kinds.
pub fn logits(row: &[f32]) -> Probabilities {
    std::array::from_fn(|class| {
        let of = || p::KINDS.iter().filter(|k| k.class == class).map(|k| k.logit(row));
        let top = of().fold(NO_KIND, f32::max);
        top + libm::logf(of().map(|l| libm::expf(l - top)).sum::<f32>().max(f32::MIN_POSITIVE))
    })
}

/// Minus the natural logarithm of the share of a class in a sound's likeness to all of them. It has no bound: where a
/// sound is unlike its class by far, it still says in which direction that lies.
pub fn cross_entropy(class: usize, features: &Features) -> f32 {
    let logits = logits(&features.row());
    let top = logits.iter().copied().fold(f32::MIN, f32::max);
    top + libm::logf(logits.iter().map(|l| libm::expf(l - top)).sum()) - logits[class]
}

/// The kind of a class that a sound is to come near: the most alike of those that several collections have, or of all
/// where none is.
pub fn nearest(class: usize, features: &Features) -> &'static Kind {
    let row = features.row();
    let own = || p::KINDS.iter().filter(move |k| k.class == class);
    let all = !own().any(|k| k.confirmed);
    let likely = own().filter(|k| k.confirmed || all).max_by(|a, b| a.logit(&row).total_cmp(&b.logit(&row)));
    likely.unwrap_or(&p::KINDS[0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cast::net::CLASSES;

    fn at_centre(kind: &Kind) -> Features {
        Features::from_row(kind.centre).expect("as many measures")
    }

    #[test]
    fn each_class_has_kinds_whose_shares_add_up() {
        for (class, name) in CLASSES.iter().enumerate() {
            let own = p::KINDS.iter().filter(|k| k.class == class);
            let share: f32 = own.map(|k| k.share).sum();
            assert!((share - 1.0).abs() < 0.01, "{name}: {share}");
        }
    }

    #[test]
    fn the_centre_of_a_kind_is_most_like_its_class_and_nearest_to_itself() {
        for kind in p::KINDS.iter().filter(|k| k.confirmed && k.share > 0.2) {
            let features = at_centre(kind);
            let logits = logits(&features.row());
            let best = (0..CLASSES.len()).max_by(|&a, &b| logits[a].total_cmp(&logits[b])).unwrap();
            assert_eq!(CLASSES[best], CLASSES[kind.class], "share {}", kind.share);
            assert!(std::ptr::eq(nearest(kind.class, &features), kind), "{}", CLASSES[kind.class]);
            assert!(kind.distance(&features.row()) < 1e-3);
        }
    }

    #[test]
    fn what_one_collection_alone_has_is_not_imitated() {
        for kind in p::KINDS.iter().filter(|k| !k.confirmed) {
            assert!(nearest(kind.class, &at_centre(kind)).confirmed, "{}", CLASSES[kind.class]);
        }
    }
}
