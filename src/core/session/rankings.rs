//! How well every hit serves a role, best first; made once for each role and set of hits.

use super::threads::lock;
use crate::{
    cast,
    error::Result,
    kit::{Kit, Role},
    progress::Progress,
    take::Take,
};
use std::{
    collections::HashMap,
    sync::{Arc, Mutex, Weak},
};

/// Take, hit and score, 0 to 1, of every hit that can be a pad, best first.
pub type Ranking = Vec<(usize, usize, f32)>;

/// The rankings of the open kit.
#[derive(Debug, Default)]
pub(super) struct Rankings(Mutex<HashMap<Role, (Hits, Arc<Ranking>)>>);

/// What a ranking belongs to.
#[derive(Debug)]
struct Hits(Vec<(Weak<Take>, Marks)>);

/// Number of hits, and the sum of their edges.
type Marks = (usize, u64);

impl Hits {
    fn of(kit: &Kit) -> Self {
        Self(kit.takes.iter().map(Arc::downgrade).zip(marks(kit)).collect())
    }

    fn are_of(&self, kit: &Kit) -> bool {
        self.0.len() == kit.takes.len()
            && self.0.iter().zip(&kit.takes).all(|(a, b)| std::ptr::eq(a.0.as_ptr(), Arc::as_ptr(b)))
            && self.0.iter().map(|h| h.1).eq(marks(kit))
    }
}

fn marks(kit: &Kit) -> impl Iterator<Item = Marks> {
    kit.doc.takes.iter().map(|take| {
        let edges = |sum: u64, (i, h): (usize, &crate::listen::Hit)| {
            sum.wrapping_add((h.start ^ h.end.rotate_left(20)).wrapping_mul(2 * i as u64 + 1))
        };
        (take.hits.len(), take.hits.iter().enumerate().fold(0, edges))
    })
}

impl Rankings {
    /// The ranking for `role`, where it is known and belongs to the hits of `kit`.
    pub(super) fn of(&self, kit: &Kit, role: Role) -> Option<Arc<Ranking>> {
        let known = lock(&self.0);
        known.get(&role).filter(|known| known.0.are_of(kit)).map(|known| known.1.clone())
    }

    /// The ranking for `role`, made where it is not known.
    pub(super) fn make(&self, kit: &Kit, role: Role, progress: &dyn Progress) -> Result<Arc<Ranking>> {
        if let Some(known) = self.of(kit, role) {
            return Ok(known);
        }
        let ranking = Arc::new(cast::rank(kit, role, progress)?);
        let mut known = lock(&self.0);
        known.retain(|_, other| other.0.are_of(kit));
        known.insert(role, (Hits::of(kit), ranking.clone()));
        Ok(ranking)
    }
}
