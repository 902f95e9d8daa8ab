//! The plugin's window in a host's window: painted whatever the host does, in every size, and remembered.
//!
//! The built CLAP is opened on a screen of its own (Xvfb); what is on that screen is what is judged.
#![cfg(target_os = "linux")]

mod guest;
mod screen;
#[path = "../support/mod.rs"]
mod support;

use guest::Guest;
use screen::Screen;
use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering::SeqCst},
    },
    time::{Duration, Instant},
};
use support::{
    host::{Run, stroke},
    kit::{clap_state, kit, notes},
};

const MS: fn(u64) -> Duration = Duration::from_millis;

/// What hosts do with a window that was created.
enum Step {
    Scale(f64),
    Size(u32, u32),
    Parent,
    MapParent,
    UnmapParent,
    Show,
    Hide,
    /// A state arrives: a frame is asked for.
    State,
    /// Another window lies over all of it for a while.
    Cover,
    Wait(u64),
}
use Step::*;

#[test]
fn whatever_a_host_does_before_it_shows_the_window_it_is_painted() {
    let Some(screen) = Screen::open() else { return };
    let state = clap_state(&kit());
    let orders: &[(&str, &[Step])] = &[
        ("as CLAP says", &[Scale(1.0), Parent, MapParent, Show]),
        ("another size, shown at once", &[Size(1300, 800), Parent, MapParent, Show]),
        ("another size, shown 100 ms later", &[Size(1300, 800), Parent, MapParent, Wait(100), Show]),
        ("another size, shown 2 s later", &[Size(1300, 800), Parent, MapParent, Wait(2000), Show]),
        ("the host's window comes last", &[Parent, Size(1300, 800), Show, Wait(200), MapParent]),
        ("a state before it is shown", &[Parent, MapParent, State, Wait(300), Show]),
        ("shown before it has a place", &[Show, Wait(100), Parent, MapParent]),
        ("hidden, a state, shown", &[Parent, MapParent, Show, Wait(300), Hide, State, Wait(300), Show]),
        ("hidden at once", &[Parent, MapParent, Show, Hide, Wait(300), Show]),
        (
            "the host's window goes and comes back",
            &[Parent, MapParent, Show, Wait(300), UnmapParent, State, Wait(300), MapParent],
        ),
        ("covered while a state arrives", &[Parent, MapParent, Show, Wait(300), State, Cover]),
        (
            "larger while hidden",
            &[Parent, MapParent, Show, Wait(300), Hide, Size(1300, 800), Wait(300), Show],
        ),
    ];
    for (name, steps) in orders {
        let mut guest = Guest::new(&screen, None);
        guest.create();
        for step in *steps {
            match *step {
                Scale(scale) => guest.set_scale(scale),
                Size(width, height) => {
                    screen.resize(guest.parent, width, height);
                    guest.set_size(width, height);
                }
                Parent => guest.set_parent(),
                MapParent => screen.map(guest.parent),
                UnmapParent => screen.unmap(guest.parent),
                Show => guest.show(),
                Hide => guest.hide(),
                State => assert!(guest.host.load(&state)),
                Cover => {
                    let cover = screen.window(3840, 2160);
                    screen.map(cover);
                    screen.raise(cover);
                    guest.pass(MS(300));
                    screen.destroy(cover);
                }
                Wait(ms) => guest.pass(MS(ms)),
            }
        }
        guest.wait_painted(name);
    }
}

#[test]
fn the_host_s_hand_gives_it_its_size_and_the_project_keeps_it() {
    let Some(screen) = Screen::open() else { return };
    let mut guest = Guest::open(&screen, Some(&clap_state(&kit())));
    guest.wait_painted("as it opens");
    for (width, height) in [(900, 600), (1280, 800), (2560, 1440), (1600, 1000)] {
        let size = guest.adjust_size(width, height);
        assert_eq!((size.width, size.height), (width, height), "a size that is large enough is taken");
        screen.resize(guest.parent, width, height);
        guest.set_size(width, height);
        guest.wait_painted(&format!("at {width} x {height}"));
        assert_eq!(screen.size(guest.window()), (width, height));
    }
    let least = guest.adjust_size(100, 100);
    assert_eq!((least.width, least.height), (675, 450), "the smallest layout at the smallest zoom");
    let before = guest.at_rest();
    let state = guest.host.save();
    drop(guest);
    let mut again = Guest::open(&screen, Some(&state));
    let size = again.size();
    assert_eq!((size.width, size.height), (1600, 1000), "the project remembers it");
    again.wait_painted("opened again");
    assert!(again.at_rest().looks_like(&before), "it looks as it did: {}", before.told());
}

#[test]
fn the_zoom_is_the_project_s() {
    let Some(screen) = Screen::open() else { return };
    let pictures = [1.0, 1.5].map(|zoom| {
        let mut guest = Guest::open(&screen, Some(&zoomed(zoom, 1350, 900)));
        let size = guest.size();
        assert_eq!((size.width, size.height), (1350, 900));
        guest.wait_painted("zoomed");
        let picture = guest.at_rest();
        assert_eq!(memory(&guest.host.save())["zoom"], zoom);
        picture
    });
    assert!(!pictures[0].looks_like(&pictures[1]), "another zoom, another picture");
}

/// What a host's state says of the window.
fn memory(state: &[u8]) -> serde_json::Value {
    let state: serde_json::Value = serde_json::from_slice(&state[8..]).expect("JSON behind a length");
    let field = state["fields"]["window"].as_str().expect("the window's memory");
    serde_json::from_str(field).expect("JSON in it")
}

/// A state with the kit and a window of this zoom and size.
fn zoomed(zoom: f64, width: u32, height: u32) -> Vec<u8> {
    let state = clap_state(&kit());
    let mut state: serde_json::Value = serde_json::from_slice(&state[8..]).unwrap();
    let window = serde_json::json!({ "width": width, "height": height, "zoom": zoom });
    state["fields"]["window"] = window.to_string().into();
    let json = serde_json::to_vec(&state).unwrap();
    [(json.len() as u64).to_le_bytes().as_slice(), &json].concat()
}

#[test]
fn it_opens_and_closes_twenty_times_and_leaves_nothing_behind() {
    let Some(screen) = Screen::open() else { return };
    let threads = || std::fs::read_dir("/proc/self/task").unwrap().count();
    let windows = screen.children(screen.root).len();
    let mut guest = Guest::new(&screen, Some(&clap_state(&kit())));
    let mut running = 0;
    for round in 0..20 {
        guest.create();
        guest.set_parent();
        screen.map(guest.parent);
        guest.show();
        guest.wait_painted(&format!("opened {} times", round + 1));
        guest.destroy();
        guest.wait("closing", |g| g.screen.children(g.parent).is_empty());
        screen.unmap(guest.parent);
        // the first ones start what stays, as threads of the graphics' library
        if round == 2 {
            running = threads();
        }
    }
    guest.wait("threads", |_| threads() <= running);
    // closed while it opens: a window that missed it would keep the host waiting for ever
    let done = Arc::new(AtomicBool::new(false));
    let watched = done.clone();
    std::thread::spawn(move || {
        std::thread::sleep(MS(120_000));
        if !watched.load(SeqCst) {
            eprintln!("a window that is closed while it opens stays open");
            std::process::abort();
        }
    });
    for _ in 0..100 {
        guest.create();
        guest.destroy();
    }
    done.store(true, SeqCst);
    drop(guest);
    // those of the clipboard end in their own time, and what an earlier test has left to end as well
    let start = Instant::now();
    while screen.children(screen.root).len() > windows {
        assert!(start.elapsed() < MS(20_000), "windows are left behind");
        std::thread::sleep(MS(20));
    }
}

#[test]
fn frames_come_while_it_sounds_and_none_when_nothing_changes() {
    let Some(screen) = Screen::open() else { return };
    let mut guest = Guest::open(&screen, Some(&clap_state(&kit())));
    guest.wait_painted("before it sounds");
    guest.at_rest();
    let watch = screen.watch(guest.window());
    guest.pass(MS(2000));
    assert_eq!(watch.frames(), 0, "frames in 2 s of rest");
    assert!(guest.host.activate(48_000.0, 1024));
    let mut audio = guest.host.begin();
    let notes = notes();
    let (seconds, block) = (4, 480);
    let strokes: Vec<_> =
        (0..seconds * 8).flat_map(|i| notes.map(|key| stroke(i as u64 * 6000, key, 0.9))).flatten().collect();
    let playing = std::thread::spawn(move || {
        let start = Instant::now();
        let in_time = |n: usize| {
            let due = MS(10) * n as u32;
            std::thread::sleep(due.saturating_sub(start.elapsed()));
            block
        };
        let mut run = Run::new(seconds * 48_000, &strokes);
        run.block = &in_time;
        audio.play(&run);
        start.elapsed()
    });
    while !playing.is_finished() {
        guest.pass(MS(10));
    }
    let took = playing.join().expect("the audio thread");
    guest.host.deactivate();
    let rate = watch.frames() as f64 / took.as_secs_f64();
    println!("{rate:.1} frames/s at 1120 x 720 while sixteen pads sound, drawn in software");
    // 60 where the machine has time for it; a machine at work on other tests still shows movement
    assert!(rate > 10.0, "{rate:.1} frames/s");
    // meters fall for some seconds
    let mut before = 0;
    guest.wait("rest after it has sounded", |g| {
        before = watch.frames();
        g.pass(MS(500));
        watch.frames() == before
    });
    guest.pass(MS(1000));
    assert_eq!(watch.frames(), before, "frames in a second of rest after it has sounded");
    drop(watch);
    // what was drawn in places is what is drawn whole: the next size draws all of it
    let in_places = guest.at_rest();
    for (width, height) in [(1130, 730), (1120, 720)] {
        screen.resize(guest.parent, width, height);
        guest.set_size(width, height);
        guest.wait_painted("at another size");
        assert!(guest.at_rest() != in_places || width == 1120, "another size, another picture");
    }
    assert!(guest.at_rest() == in_places, "the same to the bit");
}
