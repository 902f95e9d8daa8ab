//! Boosted decision trees: a classifier as a sum of votes (J. H. Friedman, "Greedy function approximation: a
//! gradient boosting machine", Annals of Statistics 29, 2001).

/// A node of a tree, the nodes of each in depth-first order.
pub(super) enum Node {
    /// Compares the feature of this index with a threshold: on to the next node where it is at most that, else to the
    /// one so many nodes further on.
    At(u8, f32, u8),
    /// What the tree adds to the log odds.
    Leaf(f32),
}

/// Log odds of the class for one row of features: the sum of all trees and the bias.
pub(super) fn log_odds(bias: f32, trees: &[&[Node]], features: &[f32]) -> f32 {
    bias + trees.iter().map(|tree| vote(tree, features)).sum::<f32>()
}

fn vote(tree: &[Node], features: &[f32]) -> f32 {
    let mut at = 0;
    loop {
        match tree[at] {
            Node::Leaf(value) => return value,
            Node::At(feature, threshold, further) => {
                at += if features[usize::from(feature)] <= threshold { 1 } else { usize::from(further) };
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Node::*, *};

    #[test]
    fn a_row_follows_its_branch_of_every_tree() {
        let trees: [&[Node]; 2] =
            [&[At(1, 0.5, 2), Leaf(1.0), At(0, -1.0, 2), Leaf(10.0), Leaf(20.0)], &[Leaf(0.25)]];
        assert_eq!(log_odds(0.5, &trees, &[0.0, 0.5]), 1.75);
        assert_eq!(log_odds(0.5, &trees, &[-1.0, 0.6]), 10.75);
        assert_eq!(log_odds(0.5, &trees, &[0.0, 0.6]), 20.75);
    }
}
