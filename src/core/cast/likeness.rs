//! How like a sound is to the kinds of each class ([`super::kind`]).

use super::{kind::Kind, net::Probabilities, profiles as p};

/// Logit of a class without kinds.
const NO_KIND: f32 = -60.0;

/// How like a sound is to each kind: the logarithms of the kernels, in the order of the profiles.
pub struct Likeness(Vec<f32>);

impl Likeness {
    /// Of a row of measures.
    pub fn of(row: &[f32]) -> Self {
        Self(p::KINDS.iter().map(|kind| kind.logit(row, &p::IMAGE_WEIGHT, p::KERNEL_DB)).collect())
    }

    /// The kinds of a class with their logarithms.
    fn kinds(&self, class: usize) -> impl Iterator<Item = (&'static Kind, f32)> {
        p::KINDS.iter().zip(self.0.iter().copied()).filter(move |(kind, _)| kind.class == class)
    }

    /// Logarithm of the likeness to each class: the sum of the kernels of its kinds.
    pub fn logits(&self) -> Probabilities {
        std::array::from_fn(|class| {
            let top = self.kinds(class).map(|(_, l)| l).fold(NO_KIND, f32::max);
            let sum: f32 = self.kinds(class).map(|(_, l)| libm::expf(l - top)).sum();
            top + libm::logf(sum.max(f32::MIN_POSITIVE))
        })
    }

    /// Minus the natural logarithm of the share of a class in the likeness to all of them. It has no bound: where a
    /// sound is unlike its class by far, it still says in which direction that lies.
    pub fn cross_entropy(&self, class: usize) -> f32 {
        let logits = self.logits();
        let top = logits.iter().copied().fold(f32::MIN, f32::max);
        top + libm::logf(logits.iter().map(|l| libm::expf(l - top)).sum()) - logits[class]
    }

    /// The kind of a class that the sound is to come near: the most alike of those that several collections have, or of
    /// all where none is.
    pub fn nearest(&self, class: usize) -> &'static Kind {
        let all = !self.kinds(class).any(|(kind, _)| kind.confirmed);
        let likely = self.kinds(class).filter(|(kind, _)| kind.confirmed || all);
        likely.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(&p::KINDS[0], |(kind, _)| kind)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cast::net::CLASSES;

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
            let likeness = Likeness::of(kind.centre);
            let logits = likeness.logits();
            let best = (0..CLASSES.len()).max_by(|&a, &b| logits[a].total_cmp(&logits[b])).unwrap();
            assert_eq!(CLASSES[best], CLASSES[kind.class], "share {}", kind.share);
            assert!(std::ptr::eq(likeness.nearest(kind.class), kind), "{}", CLASSES[kind.class]);
            assert!(kind.distance(kind.centre) < 1e-3);
        }
    }

    #[test]
    fn what_one_collection_alone_has_is_not_imitated() {
        for kind in p::KINDS.iter().filter(|k| !k.confirmed) {
            assert!(Likeness::of(kind.centre).nearest(kind.class).confirmed, "{}", CLASSES[kind.class]);
        }
    }
}
