//! How like a sound is to the kinds of each class ([`super::kind`]).

use super::{features::Features, kind::Kind, net::Probabilities, profiles as p};

/// Logit of a class without kinds.
const NO_KIND: f32 = -60.0;

fn logit(kind: &Kind, row: &[f32]) -> f32 {
    kind.logit(row, &p::IMAGE_WEIGHT, p::KERNEL_DB)
}

/// Logarithm of the likeness of a sound to each class: the sum of the kernels of its kinds.
pub fn logits(row: &[f32]) -> Probabilities {
    std::array::from_fn(|class| {
        let of = || p::KINDS.iter().filter(|k| k.class == class).map(|k| logit(k, row));
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
    let likely =
        own().filter(|k| k.confirmed || all).max_by(|a, b| logit(a, &row).total_cmp(&logit(b, &row)));
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
