//! How smooth the window is: frames while all pads sound, and the longest stall while the take is zoomed. Figures, which
//! depend on the machine: run it by name, with `--ignored --nocapture`.
//!
//! Zoomed is the take's time axis, by 50 steps of the wheel a second over the wave, 40 in and 40 out in turn. Beside the
//! clock stands what the process and the X server used of the processors, and how long their threads waited for one
//! while other programs had it: where others compute, `chrt -r 1` before the program shows what is the window's own.

use super::{MS, zoomed};
use crate::{embedded_plugin::EmbeddedPlugin, screen::Screen};
use std::{
    fmt,
    ops::Sub,
    time::{Duration, Instant},
};

/// How long each is measured.
const SPAN: Duration = Duration::from_secs(4);

/// Time of this process and of the X server.
#[derive(Clone, Copy)]
struct Spent {
    clock: Instant,
    used: Duration,
    waited: Duration,
}

impl Spent {
    /// Until now.
    fn now(screen: &Screen) -> Self {
        let mut sums = [0, 0];
        for process in [std::process::id(), screen.server] {
            for thread in std::fs::read_dir(format!("/proc/{process}/task")).into_iter().flatten().flatten() {
                // nanoseconds on a processor, nanoseconds waited for one (Linux, sched-stats); a thread may have ended
                let text = std::fs::read_to_string(thread.path().join("schedstat")).unwrap_or_default();
                for (sum, word) in sums.iter_mut().zip(text.split(' ')) {
                    *sum += word.parse().unwrap_or(0);
                }
            }
        }
        let [used, waited] = sums.map(Duration::from_nanos);
        Self { clock: Instant::now(), used, waited }
    }
}

impl Sub for Spent {
    type Output = Span;
    fn sub(self, before: Self) -> Span {
        let used = self.used.saturating_sub(before.used);
        Span { clock: self.clock - before.clock, used, waited: self.waited.saturating_sub(before.waited) }
    }
}

/// Time from one moment to another.
#[derive(Clone, Copy, Default)]
struct Span {
    clock: Duration,
    used: Duration,
    waited: Duration,
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { clock, used, waited } = self;
        write!(f, "{clock:.1?} ({used:.1?} of processors, {waited:.1?} waited for one)")
    }
}

/// Frames a second while all pads sound.
fn playing(plugin: &mut EmbeddedPlugin<'_>) -> f64 {
    plugin.while_all_pads_sound(|plugin| {
        plugin.pass(MS(1000));
        let watch = plugin.screen.watch(plugin.window());
        let start = Instant::now();
        plugin.pass(SPAN);
        watch.frames() as f64 / start.elapsed().as_secs_f64()
    })
}

/// Frames, their whole time, and the longest time without one, while the wheel is turned over the take, in and out.
fn zooming(plugin: &mut EmbeddedPlugin<'_>, at: (i16, i16)) -> (usize, Span, Span) {
    let watch = plugin.screen.watch(plugin.window());
    let start = Spent::now(plugin.screen);
    let (mut turns, mut frames, mut last, mut stall) = (0, 0, start, Span::default());
    while start.clock.elapsed() < SPAN {
        if start.clock.elapsed() > MS(20) * turns {
            plugin.screen.turn_wheel(plugin.window(), at, (turns / 40).is_multiple_of(2));
            turns += 1;
        }
        plugin.pass(MS(2));
        if watch.frames() > frames {
            let now = Spent::now(plugin.screen);
            let gap = now - last;
            // what comes before the first frame is no stall
            if frames > 0 && gap.clock > stall.clock {
                stall = gap;
            }
            (frames, last) = (watch.frames(), now);
        }
    }
    (frames, last - start, stall)
}

#[test]
#[ignore = "measures times; run it by name on a quiet machine"]
fn frames_while_it_sounds_and_the_longest_stall_while_it_is_zoomed() {
    let Some(screen) = Screen::open() else { return };
    for (width, height, zoom) in [(1120, 720, 1.0), (1280, 800, 1.0), (3840, 2160, 2.0)] {
        let mut plugin = EmbeddedPlugin::open(&screen, Some(&zoomed(zoom, width, height)));
        plugin.wait_painted("before it is measured");
        plugin.at_rest();
        let at = ((width / 2) as i16, (140.0 * zoom) as i16);
        let (frames, all, stall) = zooming(&mut plugin, at);
        plugin.at_rest();
        let plays = playing(&mut plugin);
        let zooms = frames as f64 / all.clock.as_secs_f64();
        let each = all.used / frames.max(1) as u32;
        println!(
            "{width} x {height}: {plays:.0} frames a second while it sounds, {zooms:.0} while it is zoomed, {each:.1?} \
             of processors each; the longest stall {stall}"
        );
        assert!(plays > 1.0 && zooms > 1.0, "frames are drawn");
    }
}
