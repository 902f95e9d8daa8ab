//! One pad: from the best of some hits by the role's recipe, the search, the hunt and the tuning.

use super::{
    aim::Aim,
    audition::Stage,
    blend,
    features::Features,
    fit, hunt,
    recipe::{Source, recipe},
    tune,
};
use crate::{
    error::Result,
    kit::{Key, Kit, Pad, Role, Target},
    listen::Hit,
    progress::Progress,
};

/// Dips that cost a role more than this are made up for with the other controls, in units of [`Aim::miss`]
/// (our choice: a small part of what hats miss).
const DIPS_COST: f32 = 0.05;
/// Pads of one choke group: the hats.
const HAT_GROUP: u8 = 1;

/// A hit with its place and its measures as recorded.
pub struct Candidate {
    pub take: usize,
    pub hit: usize,
    pub heard: Hit,
    pub raw: Features,
}

impl Candidate {
    /// A search from this pad of the hit. It draws by the hit, not by the kit's seed: which sound is found
    /// shall not be luck.
    fn start<'a>(&'a self, pad: &'a Pad) -> fit::Start<'a> {
        fit::Start { recipe: pad, raw: &self.raw, seed: self.heard.start }
    }

    /// What recipes look at.
    pub fn source(&self) -> Source<'_> {
        Source { take: self.take, heard: &self.heard, raw: &self.raw }
    }
}

/// How pads are shaped.
pub struct How<'a> {
    pub fit: f32,
    pub target: Option<&'a Target>,
    pub key: Option<Key>,
    pub tune_kick: bool,
}

impl<'a> How<'a> {
    pub fn of(kit: &Kit, fit: f32, target: Option<&'a Target>) -> Self {
        Self { fit, target, key: kit.doc.key, tune_kick: kit.doc.tune_kick }
    }
}

/// The pad that the best of some hits makes in a role, with its index: fitted and tuned; note, level and
/// alternates are not set. The first hit is taken where nothing is searched.
pub fn shape(
    stage: &mut Stage,
    role: Role,
    hits: &[&Candidate],
    how: &How<'_>,
    progress: &dyn Progress,
) -> Result<(usize, Pad)> {
    let (mut best, mut shaped) = (0, recipe(role, &hits[0].source()));
    // percussion stays what it is, and at the raw end nothing of the search is heard
    if (role != Role::Percussion || how.target.is_some()) && how.fit > 0.0 {
        let aim = Aim::of(role, how.target);
        let mut least = f32::INFINITY;
        for (i, hit) in hits.iter().enumerate() {
            let recipe = recipe(role, &hit.source());
            let (cost, pad) = fit::fitted(stage, hit.start(&recipe), &aim, progress)?;
            if cost < least {
                (least, best, shaped) = (cost, i, pad);
            }
        }
        if hunt::hunts(role) {
            let miss = |stage: &mut Stage, pad: &Pad| stage.try_out(pad).map_or(f32::MAX, |f| aim.miss(&f));
            let before = miss(stage, &shaped);
            shaped = hunt::without_tones(stage, &shaped, progress)?;
            if miss(stage, &shaped) > before + DIPS_COST {
                shaped = fit::refined(stage, hits[best].start(&shaped), &aim, progress)?;
            }
        }
    }
    let candidate = hits[best];
    let mut pad = blend::at(&shaped, how.fit);
    if let Some(key) = how.key.filter(|_| tune::has_pitch(role, how.tune_kick)) {
        let d = &candidate.heard.description;
        tune::tune(stage, &mut pad, key, d.pitch_hz, d.pitch_confidence);
    }
    if matches!(role, Role::ClosedHat | Role::OpenHat) {
        pad.settings.choke_group = HAT_GROUP;
    }
    Ok((best, pad))
}
