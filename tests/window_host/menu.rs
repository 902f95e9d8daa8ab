//! The host's own menu, opened by a right click in the plugin's window.

use crate::{MS, embedded_plugin::EmbeddedPlugin, screen::Screen, zoomed};
use std::sync::atomic::Ordering::SeqCst;

/// Side of a button for "mute" at this zoom, pixels, less what rounding may take.
fn step(zoom: f64) -> usize {
    (26.0 * zoom) as usize
}

/// Clicks at one place; the menus that the host has opened since the last call.
fn click(plugin: &mut EmbeddedPlugin<'_>, at: (i16, i16)) -> Vec<(u32, [i32; 2])> {
    plugin.screen.right_click(plugin.window(), at);
    plugin.pass(MS(25));
    plugin.host.callbacks(|c| std::mem::take(&mut *c.menus.lock().unwrap()))
}

#[test]
fn a_right_click_opens_the_hosts_menu_of_that_parameter_there() {
    let Some(screen) = Screen::open() else { return };
    for zoom in [1.0, 1.5] {
        let (width, height) = (1350, 900);
        let mut plugin = EmbeddedPlugin::open(&screen, Some(&zoomed(zoom, width, height)));
        plugin.wait_painted("opened");
        plugin.at_rest();
        let params = plugin.host.params();
        // every tile has a button for "mute" and one for "solo": clicks in a raster hit one
        let rows = (0..height as usize).step_by(step(zoom)).rev();
        let places = rows.flat_map(|y| (0..width as usize).step_by(step(zoom)).map(move |x| (x, y)));
        let found = places.map(|(x, y)| (x as i16, y as i16)).find_map(|at| {
            let menus = click(&mut plugin, at);
            (!menus.is_empty()).then_some((at, menus))
        });
        let ((x, y), menus) = found.expect("a menu");
        let [(id, at)] = menus[..] else { panic!("{menus:?}") };
        let (name, _) = params.iter().find(|(_, own)| **own == id).expect("a parameter of the plugin");
        assert!(name.starts_with("Pad ") && (name.ends_with("Mute") || name.ends_with("Solo")), "{name}");
        // a click may still have been on its way
        assert!((at[0] - i32::from(x)).abs() <= 2 * step(zoom) as i32 && at[1] == i32::from(y), "{at:?}");
        let place = (at[0] as i16, at[1] as i16);
        plugin.host.callbacks(|c| c.without_menus.store(true, SeqCst));
        for _ in 0..10 {
            assert_eq!(click(&mut plugin, place), [], "a host that has no menus");
        }
        plugin.pass(MS(300));
        plugin.host.callbacks(|c| c.without_menus.store(false, SeqCst));
        let mut again = click(&mut plugin, place);
        plugin.wait("the menu again", |p| {
            again.extend(p.host.callbacks(|c| std::mem::take(&mut *c.menus.lock().unwrap())));
            !again.is_empty()
        });
        assert_eq!(again, [(id, at)]);
    }
}
