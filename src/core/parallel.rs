//! Work that is shared out among all cores.

use std::{
    panic::resume_unwind,
    sync::atomic::{AtomicUsize, Ordering},
    thread::{available_parallelism, scope},
};

/// Threads at most: the work that is shared out here (hits, pads, stretches of a take) gains little from more.
const MAX_THREADS: usize = 16;

/// Runs `work` for every index below `count` on as many threads as there are cores, each with a `state` of its own.
/// The results are in the order of the indices, whichever thread made them. A panic in `work` is passed on.
pub fn in_order<S, T: Send>(
    count: usize,
    state: impl Fn() -> S + Sync,
    work: impl Fn(&mut S, usize) -> T + Sync,
) -> Vec<T> {
    let threads = available_parallelism().map_or(1, |n| n.get()).min(MAX_THREADS).min(count.max(1));
    let next = AtomicUsize::new(0);
    let run = || {
        let mut state = state();
        let mut done = Vec::new();
        loop {
            let i = next.fetch_add(1, Ordering::Relaxed);
            if i >= count {
                return done;
            }
            done.push((i, work(&mut state, i)));
        }
    };
    let mut all: Vec<(usize, T)> = scope(|scope| {
        let others: Vec<_> = (1..threads).map(|_| scope.spawn(run)).collect();
        let mut all = run();
        others.into_iter().for_each(|o| all.extend(o.join().unwrap_or_else(|panic| resume_unwind(panic))));
        all
    });
    all.sort_by_key(|(i, _)| *i);
    all.into_iter().map(|(_, t)| t).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_order_and_each_index_once() {
        let made = AtomicUsize::new(0);
        let state = || made.fetch_add(1, Ordering::Relaxed);
        let results = in_order(1000, state, |_, i| {
            // The first ones take longest.
            std::thread::sleep(std::time::Duration::from_micros(if i < 4 { 2000 } else { 1 }));
            2 * i
        });
        assert_eq!(results, (0..1000).map(|i| 2 * i).collect::<Vec<_>>());
        assert!((1..=MAX_THREADS).contains(&made.into_inner()));
        assert!(in_order(0, || (), |_, i| i).is_empty());
    }

    #[test]
    #[should_panic(expected = "the third")]
    fn a_panic_of_the_work_is_passed_on() {
        in_order(8, || (), |_, i| assert!(i != 2, "the third"));
    }
}
