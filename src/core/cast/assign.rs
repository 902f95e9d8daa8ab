//! The assignment of hits to roles with the highest sum of scores.

use pathfinding::prelude::{Matrix, kuhn_munkres};

/// Scores are compared in steps of this size.
const SCORE_STEP: f64 = 1e-6;

/// For each row the column it is given, each column at most once, so that the sum of `score(row, column)`
/// (-1 to 1) is the highest there is (Kuhn 1955, Munkres 1957; the `pathfinding` crate). Rows beyond the
/// number of columns get `None`, so that the sum loses least.
pub fn best(rows: usize, columns: usize, score: impl Fn(usize, usize) -> f32) -> Vec<Option<usize>> {
    if rows == 0 || columns == 0 {
        return vec![None; rows];
    }
    // columns that stand for "empty" make room where there are fewer hits than rows
    let wide = columns.max(rows);
    let weights = Matrix::from_fn(rows, wide, |(r, c)| {
        // a hit that scores 0 is still better than none
        if c < columns {
            1 + ((1.0 + f64::from(score(r, c).clamp(-1.0, 1.0))) / SCORE_STEP) as i64
        } else {
            0
        }
    });
    let (_, given) = kuhn_munkres(&weights);
    given.into_iter().map(|c| (c < columns).then_some(c)).collect()
}

#[cfg(test)]
mod tests {
    use super::best;

    #[test]
    fn the_highest_sum_wins_over_the_best_single_score() {
        // taking the best first (0.9 at row 0) would leave row 1 with 0.1
        let scores = [[0.9, 0.8], [0.85, 0.1]];
        assert_eq!(best(2, 2, |r, c| scores[r][c]), [Some(1), Some(0)]);
    }

    #[test]
    fn fewer_hits_than_roles_leave_pads_empty() {
        let scores = [[0.2], [0.9], [0.4]];
        assert_eq!(best(3, 1, |r, c| scores[r][c]), [None, Some(0), None]);
        assert_eq!(best(2, 0, |_, _| 0.0), [None, None]);
    }

    #[test]
    fn no_other_assignment_of_four_has_a_higher_sum() {
        let scores: Vec<Vec<f32>> = (0..4)
            .map(|r| (0..4).map(|c| ((r * 7 + c * 5 + r * c * 3) % 11) as f32 / 11.0).collect())
            .collect();
        let sum = |order: &[usize]| order.iter().enumerate().map(|(r, &c)| scores[r][c]).sum::<f32>();
        let given: Vec<usize> = best(4, 4, |r, c| scores[r][c]).into_iter().flatten().collect();
        let mut max = 0.0f32;
        for code in 0..256 {
            let order = [code & 3, code >> 2 & 3, code >> 4 & 3, code >> 6 & 3];
            if (0..4).all(|c| order.contains(&c)) {
                max = max.max(sum(&order));
            }
        }
        assert!((sum(&given) - max).abs() < 1e-5);
    }
}
