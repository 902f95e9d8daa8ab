//! Every hit of a kit in the order in which it serves a role.

use super::{
    auditioner::{drafts, on_all_cores},
    candidate::candidates,
    make::MAX_AUDITION_COPIES,
    recipe::recipe,
    score,
};
use crate::{
    error::Result,
    kit::{Kit, Role},
    progress::{Counter, Part, Progress},
};

/// See [`super::rank`].
pub fn rank(kit: &Kit, role: Role, progress: &dyn Progress) -> Result<Vec<(usize, usize, f32)>> {
    let candidates = candidates(kit, progress)?;
    let rest = Part::new(progress, 0.1, 1.0);
    let counter = Counter::new(&rest, "trying every hit", candidates.len());
    let scored = on_all_cores(kit, &drafts(kit), candidates.len(), |auditioner, i| {
        progress.check()?;
        let candidate = &candidates[i];
        let score = if role.is_scored() {
            let mut pad = recipe(role, &candidate.source());
            pad.cloud.copies = pad.cloud.copies.min(MAX_AUDITION_COPIES);
            auditioner.try_out(&pad).map_or(0.0, |sound| score::fitness(role, &sound))
        } else {
            score::score(role, &candidate.raw)
        };
        counter.one_done();
        Ok((candidate.take, candidate.hit_index, score.clamp(0.0, 1.0)))
    });
    let mut ranking = scored.into_iter().collect::<Result<Vec<_>>>()?;
    ranking.sort_by(|a, b| b.2.total_cmp(&a.2).then((a.0, a.1).cmp(&(b.0, b.1))));
    Ok(ranking)
}
