//! A new kit, played as soon as its hits are known: by recipes first, then pad by pad as it is fitted.

use super::{
    open_kit::{OpenKit, same_takes},
    reading::read_and_detect,
};
use crate::{
    cast::{self, CastOptions, DetectedTake},
    demo,
    error::{Error, Result},
    kit::Kit,
    listen::{self, DetectOptions},
    progress::{Part, Progress},
};
use std::{
    path::PathBuf,
    sync::{Arc, Mutex, PoisonError},
};

pub(super) fn new_kit(
    open_kit: &OpenKit,
    paths: &[PathBuf],
    fit: f32,
    progress: &dyn Progress,
) -> Result<()> {
    if paths.is_empty() {
        return Err(Error::invalid("no recording was given; choose one or more audio files"));
    }
    let reading = Part::new(progress, 0.0, 0.3);
    let mut detected: Vec<DetectedTake> = Vec::with_capacity(paths.len());
    for (i, path) in paths.iter().enumerate() {
        let part = Part::nth(&reading, i, paths.len());
        let take = read_and_detect(path, detected.iter().map(|(take, _)| take), &part)?;
        detected.push(take);
    }
    let name = paths[0].file_stem().unwrap_or_default().to_string_lossy().into_owned();
    cast(open_kit, &detected, name, fit, &Part::new(progress, 0.3, 1.0))
}

/// Casts a kit and puts it in place in one step of the history. Once it is shown it stays, also when the fitting is
/// cancelled.
pub(super) fn cast(
    open_kit: &OpenKit,
    detected: &[DetectedTake],
    name: String,
    fit: f32,
    progress: &dyn Progress,
) -> Result<()> {
    if detected.iter().all(|(_, hits)| hits.is_empty()) {
        return Err(no_hits(detected));
    }
    let preference = open_kit.preference.for_casting();
    let effort = open_kit.search_effort.share();
    let options = CastOptions { name, fit, preference, effort, ..CastOptions::default() };
    let shown = Shown { open_kit, last: Mutex::new(None) };
    let progress = ShownProgress { progress, shown: &shown };
    let made = cast::make_kit_in_steps(detected, &options, &progress, &|kit| shown.show(kit));
    // a kit that could not be shown ended the work: that is what the player is told
    if let Some(error) = shown.failure() {
        return Err(error);
    }
    let kit = made?;
    if kit.sounding().next().is_none() {
        return Err(no_hits(detected));
    }
    progress.check()?;
    let parts = kit.usual_key_parts();
    shown.put(kit)?;
    open_kit.refine(|now| {
        let fits = now.doc.key_parts.is_empty() && !parts.is_empty() && is_made_of(now, detected);
        if fits {
            now.doc.key_parts.clone_from(&parts);
        }
        fits
    });
    Ok(())
}

/// Whether the kit is made of these takes.
fn is_made_of(kit: &Kit, detected: &[DetectedTake]) -> bool {
    let takes: Vec<_> = detected.iter().map(|(take, _)| take.clone()).collect();
    same_takes(&kit.takes, &takes)
}

/// The invented cello as a kit.
pub(super) fn demo_kit(open_kit: &OpenKit, fit: f32, progress: &dyn Progress) -> Result<()> {
    progress.report("playing the demo", 0.0);
    let (take, _) = demo::borrowed_cello(1);
    let hits = listen::detect(&take, &DetectOptions::default(), &Part::new(progress, 0.1, 0.3))?;
    cast(open_kit, &[(Arc::new(take), hits)], "Demo cello".into(), fit, &Part::new(progress, 0.3, 1.0))
}

fn no_hits(detected: &[DetectedTake]) -> Error {
    let names: Vec<&str> = detected.iter().map(|(take, _)| take.name.as_str()).collect();
    Error::invalid(format!(
        "{}: no hit was heard that could be a pad, so the kit stays as it is; record knocks or plucks, louder",
        names.join(", ")
    ))
}

/// The kit as it was put in place last.
struct Shown<'a> {
    open_kit: &'a OpenKit,
    last: Mutex<Option<State>>,
}

enum State {
    /// Put in place, and what it is.
    Playing(Box<Kit>),
    /// The player has taken it away.
    Gone,
    /// It could not be put in place.
    Failed(Error),
}

impl Shown<'_> {
    fn show(&self, kit: &Kit) {
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        let next = match last.take() {
            None => self.first(kit),
            Some(State::Playing(before)) => self.refine(&before, kit),
            Some(ended) => ended,
        };
        *last = Some(next);
    }

    fn first(&self, kit: &Kit) -> State {
        let put = kit
            .check_state_size(&crate::progress::Quiet)
            .and_then(|()| self.open_kit.change_to_new("new kit", kit.clone(), None));
        put.map_or_else(State::Failed, |()| State::Playing(Box::new(kit.clone())))
    }

    /// Replaces the pads that nobody has changed since they were shown.
    fn refine(&self, before: &Kit, kit: &Kit) -> State {
        let refined = self.open_kit.refine(|now| {
            if !same_takes(&now.takes, &kit.takes) {
                return false;
            }
            let pads = now.doc.pads.iter_mut().zip(&before.doc.pads).zip(&kit.doc.pads);
            for ((now, before), new) in pads {
                if now == before {
                    now.clone_from(new);
                }
            }
            true
        });
        if refined { State::Playing(Box::new(kit.clone())) } else { State::Gone }
    }

    /// Whether there is nothing left to fit.
    fn ended(&self) -> bool {
        let last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        matches!(*last, Some(State::Gone | State::Failed(_)))
    }

    /// Why the kit could not be put in place.
    fn failure(&self) -> Option<Error> {
        match &*self.last.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(State::Failed(error)) => Some(error.clone()),
            _ => None,
        }
    }

    /// The finished kit, also where it was never shown.
    fn put(self, kit: Kit) -> Result<()> {
        self.show(&kit);
        match self.last.into_inner().unwrap_or_else(PoisonError::into_inner) {
            Some(State::Failed(error)) => Err(error),
            _ => Ok(()),
        }
    }
}

/// Cancelled as well when the shown kit is gone.
struct ShownProgress<'a> {
    progress: &'a dyn Progress,
    shown: &'a Shown<'a>,
}

impl Progress for ShownProgress<'_> {
    fn report(&self, step: &str, done: f32) {
        self.progress.report(step, done);
    }

    fn cancelled(&self) -> bool {
        self.progress.cancelled() || self.shown.ended()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{kit::MAX_TAKES, listen::Hit, progress::Quiet, take::Take};

    #[test]
    fn a_kit_that_cannot_be_put_in_place_says_why() {
        let knock = |i: u16| 0.5 * (-f32::from(i) / 600.0).exp() * (f32::from(i) / 20.0).sin();
        let take = Arc::new(Take::from_samples("knock", 48_000, vec![(0..9600).map(knock).collect()]));
        let description = listen::describe(&take, 0, 9600);
        let hit = Hit { start: 0, end: 9600, by_hand: false, description };
        let mut detected: Vec<DetectedTake> = vec![(take.clone(), vec![hit])];
        detected.resize(MAX_TAKES + 1, (take, Vec::new()));
        let open_kit = OpenKit::default();
        let error = cast(&open_kit, &detected, "knock".into(), 0.5, &Quiet).unwrap_err();
        assert!(error.to_string().contains("65 takes"), "{error}");
        assert_eq!((open_kit.kit().takes.len(), open_kit.undo_names()), (0, Vec::new()));
    }
}
