//! The plugin's window in a host's window: it is painted whatever the host does and in every size, and its size is
//! remembered.
//!
//! The built CLAP is opened on a screen of its own (Xvfb); the tests compare what that screen shows.
#![cfg(target_os = "linux")]

mod bare_window;
mod embedded_plugin;
mod left_behind;
mod menu;
mod screen;
mod speed;
#[path = "../support/mod.rs"]
mod support;

use embedded_plugin::EmbeddedPlugin;
use left_behind::{Held, LeftBehind, MOST_KB};
use screen::{DEADLINE, Screen, Watch};
use std::{
    collections::BTreeSet,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering::SeqCst},
    },
    time::{Duration, Instant},
};
use support::{
    is_soak,
    kit::{clap_state, kit},
    trials,
};

const MS: fn(u64) -> Duration = Duration::from_millis;

/// What a host does with a window that was created.
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
            "the host's window is hidden and shown again",
            &[Parent, MapParent, Show, Wait(300), UnmapParent, State, Wait(300), MapParent],
        ),
        ("covered while a state arrives", &[Parent, MapParent, Show, Wait(300), State, Cover]),
        (
            "larger while hidden",
            &[Parent, MapParent, Show, Wait(300), Hide, Size(1300, 800), Wait(300), Show],
        ),
    ];
    for (name, steps) in orders {
        let mut plugin = EmbeddedPlugin::new(&screen, None);
        plugin.create();
        for step in *steps {
            match *step {
                Scale(scale) => plugin.set_scale(scale),
                Size(width, height) => {
                    screen.resize(plugin.parent, width, height);
                    plugin.set_size(width, height);
                }
                Parent => plugin.set_parent(),
                MapParent => screen.map(plugin.parent),
                UnmapParent => screen.unmap(plugin.parent),
                Show => plugin.show(),
                Hide => plugin.hide(),
                State => assert!(plugin.host.load(&state)),
                Cover => {
                    let cover = screen.window(3840, 2160);
                    screen.map(cover);
                    screen.raise(cover);
                    plugin.pass(MS(300));
                    screen.destroy(cover);
                }
                Wait(ms) => plugin.pass(MS(ms)),
            }
        }
        plugin.wait_painted(name);
    }
}

#[test]
fn the_host_sets_its_size_and_the_project_keeps_it() {
    let Some(screen) = Screen::open() else { return };
    let mut plugin = EmbeddedPlugin::open(&screen, Some(&clap_state(&kit())));
    plugin.wait_painted("as it opens");
    for (width, height) in [(900, 600), (1280, 800), (2560, 1440), (1600, 1000)] {
        let size = plugin.adjust_size(width, height);
        assert_eq!((size.width, size.height), (width, height), "a size that is large enough is taken");
        screen.resize(plugin.parent, width, height);
        plugin.set_size(width, height);
        plugin.wait_painted(&format!("at {width} x {height}"));
        assert_eq!(screen.size(plugin.window()), (width, height));
    }
    let least = plugin.adjust_size(100, 100);
    assert_eq!((least.width, least.height), (675, 450), "the smallest layout at the smallest zoom");
    let before = plugin.at_rest();
    let state = plugin.host.save();
    drop(plugin);
    let mut again = EmbeddedPlugin::open(&screen, Some(&state));
    let size = again.size();
    assert_eq!((size.width, size.height), (1600, 1000), "the project remembers it");
    again.wait("the picture of before", |p| p.screen.picture(p.parent).looks_like(&before));
}

#[test]
fn the_project_keeps_the_zoom() {
    let Some(screen) = Screen::open() else { return };
    let pictures = [1.0, 1.5].map(|zoom| {
        let mut plugin = EmbeddedPlugin::open(&screen, Some(&zoomed(zoom, 1350, 900)));
        let size = plugin.size();
        assert_eq!((size.width, size.height), (1350, 900));
        plugin.wait_painted("zoomed");
        let picture = plugin.at_rest();
        assert_eq!(memory(&plugin.host.save())["zoom"], zoom);
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

/// The libraries for OpenGL that are in memory: EGL and Mesa's drivers.
fn graphics_libraries() -> BTreeSet<String> {
    let maps = std::fs::read_to_string("/proc/self/maps").expect("Linux tells");
    let names = maps.lines().filter_map(|line| line.rsplit('/').next());
    names
        .filter(|n| n.starts_with("libEGL") || n.starts_with("libgallium") || n.ends_with("_dri.so"))
        .map(str::to_owned)
        .collect()
}

#[test]
fn it_opens_and_closes_again_and_again_and_leaves_nothing_behind() {
    let Some(screen) = Screen::open() else { return };
    let windows = screen.children(screen.root).len();
    let mut plugin = EmbeddedPlugin::new(&screen, Some(&clap_state(&kit())));
    let rounds = trials(12);
    let mut left = LeftBehind::new(rounds);
    for round in 0..rounds {
        plugin.create();
        plugin.set_parent();
        screen.map(plugin.parent);
        plugin.show();
        plugin.wait_painted(&format!("opened {} times", round + 1));
        let loaded = graphics_libraries();
        plugin.destroy();
        plugin.wait("closing", |g| g.screen.children(g.parent).is_empty());
        screen.unmap(plugin.parent);
        assert_eq!(graphics_libraries(), loaded, "loaded anew, they leave memory behind each time");
        left.after(round);
    }
    // in a process of its own only
    if is_soak() {
        let grown = left.growth_kb("CLAP");
        assert!(grown < MOST_KB, "{grown} kB");
    }
    plugin.wait("threads", |_| Held::now().threads <= left.held().threads);
    // closed while it opens: a window that missed the request would keep the host waiting forever
    let done = Arc::new(AtomicBool::new(false));
    let watched = done.clone();
    std::thread::spawn(move || {
        std::thread::sleep(DEADLINE);
        if !watched.load(SeqCst) {
            eprintln!("a window that is closed while it opens stays open");
            std::process::abort();
        }
    });
    for _ in 0..100 {
        plugin.create();
        plugin.destroy();
    }
    done.store(true, SeqCst);
    drop(plugin);
    // threads of the clipboard and of earlier tests end a little later
    let start = Instant::now();
    while screen.children(screen.root).len() > windows {
        assert!(start.elapsed() < DEADLINE, "windows are left behind");
        std::thread::sleep(MS(20));
    }
}

#[test]
fn an_instance_is_destroyed_with_its_window_open() {
    let Some(screen) = Screen::open() else { return };
    for _ in 0..5 {
        let mut plugin = EmbeddedPlugin::open(&screen, Some(&clap_state(&kit())));
        plugin.wait_painted("opened");
        assert_eq!(screen.children(plugin.parent).len(), 1);
        plugin.destroy_instance();
        plugin.wait("closing", |g| g.screen.children(g.parent).is_empty());
        plugin.create();
    }
}

/// Waits until nothing has been drawn for two seconds; how often something was drawn by then.
fn wait_rest(plugin: &mut EmbeddedPlugin<'_>, watch: &Watch) -> usize {
    let mut drawn = 0;
    plugin.wait("two seconds without a frame", |p| {
        drawn = watch.frames();
        p.pass(MS(2000));
        watch.frames() == drawn
    });
    drawn
}

#[test]
fn frames_come_while_it_sounds_and_none_when_nothing_changes() {
    let Some(screen) = Screen::open() else { return };
    let mut plugin = EmbeddedPlugin::open(&screen, Some(&clap_state(&kit())));
    plugin.wait_painted("before it sounds");
    let watch = screen.watch(plugin.window());
    let at_rest = wait_rest(&mut plugin, &watch);
    plugin.while_all_pads_sound(|plugin| {
        plugin.wait("30 frames while it sounds", |_| watch.frames() >= at_rest + 30);
    });
    wait_rest(&mut plugin, &watch);
    drop(watch);
    // redrawing in places and drawing whole give the same picture: another size draws it whole
    let in_places = plugin.at_rest();
    for (width, height) in [(1130, 730), (1120, 720)] {
        screen.resize(plugin.parent, width, height);
        plugin.set_size(width, height);
        plugin.wait_painted("at another size");
        assert!(plugin.at_rest() != in_places || width == 1120, "another size, another picture");
    }
    plugin.wait("the same picture to the bit", |p| p.screen.picture(p.parent) == in_places);
}
