//! How smooth the window is: frames while all pads sound, and the longest stall while the take is zoomed. Figures, which
//! depend on the machine: run it by name, with `--ignored --nocapture`.

use super::{MS, zoomed};
use crate::{embedded_plugin::EmbeddedPlugin, screen::Screen};
use std::time::{Duration, Instant};

/// How long each is measured.
const SPAN: Duration = Duration::from_secs(4);

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

/// Frames a second and the longest time without one while the wheel is turned over the take, in and out.
fn zooming(plugin: &mut EmbeddedPlugin<'_>, at: (i16, i16)) -> (f64, Duration) {
    let watch = plugin.screen.watch(plugin.window());
    let start = Instant::now();
    let (mut turns, mut frames, mut last, mut stall) = (0, 0, Instant::now(), Duration::ZERO);
    while start.elapsed() < SPAN {
        if start.elapsed() > MS(20) * turns {
            plugin.screen.turn_wheel(plugin.window(), at, (turns / 40).is_multiple_of(2));
            turns += 1;
        }
        plugin.pass(MS(2));
        if watch.frames() > frames {
            // what comes before the first frame is no stall
            if frames > 0 {
                stall = stall.max(last.elapsed());
            }
            (frames, last) = (watch.frames(), Instant::now());
        }
    }
    (frames as f64 / start.elapsed().as_secs_f64(), stall)
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
        let (zooms, stall) = zooming(&mut plugin, at);
        plugin.at_rest();
        let plays = playing(&mut plugin);
        println!(
            "{width} x {height}: {plays:.0} frames a second while it sounds, {zooms:.0} while it is zoomed, the \
             longest stall {stall:?}"
        );
        assert!(plays > 1.0 && zooms > 1.0, "frames are drawn");
    }
}
