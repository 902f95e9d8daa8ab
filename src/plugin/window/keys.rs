//! Keyboard events from baseview and from hosts, as egui's events.

use crate::editor::kit_view::PLAYING_KEYS;
use egui::{Event, Key, Modifiers};
use keyboard_types::{Code, Key as Pressed, KeyState, KeyboardEvent};
use nice_plug::editor::{Modifiers as HostModifiers, VirtualKeyCode};

/// Converts modifiers to egui's.
pub(super) fn modifiers(m: keyboard_types::Modifiers) -> Modifiers {
    let mac = cfg!(target_os = "macos");
    Modifiers {
        alt: m.alt(),
        ctrl: m.ctrl(),
        shift: m.shift(),
        mac_cmd: mac && m.meta(),
        command: if mac { m.meta() } else { m.ctrl() },
    }
}

/// Converts a press or release to egui's events; `pasted` reads the clipboard for a paste.
pub(super) fn events(event: &KeyboardEvent, pasted: impl FnOnce() -> Option<String>) -> Vec<Event> {
    let modifiers = modifiers(event.modifiers);
    let pressed = event.state == KeyState::Down;
    let mut events = Vec::new();
    if pressed && modifiers.command {
        match event.code {
            Code::KeyX => return vec![Event::Cut],
            Code::KeyC => return vec![Event::Copy],
            Code::KeyV => return pasted().map(Event::Paste).into_iter().collect(),
            _ => {}
        }
    }
    if let Some(key) = key_by_name(&event.key) {
        let physical_key = key_at_position(event.code);
        events.push(Event::Key { key, physical_key, pressed, repeat: event.repeat, modifiers });
    }
    if pressed
        && !modifiers.command
        && !modifiers.ctrl
        && let Pressed::Character(text) = &event.key
        && !text.chars().any(char::is_control)
    {
        events.push(Event::Text(text.clone()));
    }
    events
}

/// Whether the window uses this key even while no text is typed.
pub(super) fn is_used(event: &Event) -> bool {
    let Event::Key { key, modifiers, .. } = event else { return false };
    if modifiers.command {
        matches!(key, Key::Z | Key::Y)
    } else {
        !modifiers.alt && (*key == Key::F6 || PLAYING_KEYS.iter().any(|(k, _)| k == key))
    }
}

/// The key by its character or its name.
fn key_by_name(key: &Pressed) -> Option<Key> {
    match key {
        Pressed::Character(text) => Key::from_name(&text.to_uppercase()),
        Pressed::Named(name) => Key::from_name(&name.to_string()),
    }
}

/// The key by its position on the keyboard, named as on a QWERTY keyboard.
fn key_at_position(code: Code) -> Option<Key> {
    let name = code.to_string();
    let letter = name.strip_prefix("Key").or_else(|| name.strip_prefix("Digit"));
    Key::from_name(letter.unwrap_or(&name))
}

/// Converts a key that a host passes on while text is typed; `None` for keys that editing a text does not need.
pub(super) fn from_host(key: VirtualKeyCode, pressed: bool, modifiers: HostModifiers) -> Option<Vec<Event>> {
    use VirtualKeyCode as V;
    let key = match key {
        V::Backspace => Key::Backspace,
        V::Tab => Key::Tab,
        V::Return | V::NumpadEnter => Key::Enter,
        V::Escape => Key::Escape,
        V::Space => Key::Space,
        V::End => Key::End,
        V::Home => Key::Home,
        V::ArrowLeft => Key::ArrowLeft,
        V::ArrowUp => Key::ArrowUp,
        V::ArrowRight => Key::ArrowRight,
        V::ArrowDown => Key::ArrowDown,
        V::PageUp => Key::PageUp,
        V::PageDown => Key::PageDown,
        V::Delete => Key::Delete,
        _ => return None,
    };
    let command = modifiers.contains(HostModifiers::COMMAND) || modifiers.contains(HostModifiers::CONTROL);
    let modifiers = Modifiers {
        alt: modifiers.contains(HostModifiers::ALT),
        ctrl: modifiers.contains(HostModifiers::CONTROL),
        shift: modifiers.contains(HostModifiers::SHIFT),
        mac_cmd: false,
        command,
    };
    let mut events = vec![Event::Key { key, physical_key: None, pressed, repeat: false, modifiers }];
    if key == Key::Space && pressed && !command {
        events.push(Event::Text(" ".into()));
    }
    Some(events)
}

#[cfg(test)]
mod tests {
    use super::*;
    use keyboard_types::{Modifiers as Held, NamedKey};

    fn press(key: Pressed, code: Code, modifiers: Held) -> Vec<Event> {
        let event = KeyboardEvent { state: KeyState::Down, key, code, modifiers, ..KeyboardEvent::default() };
        events(&event, || Some("pasted".into()))
    }

    #[test]
    fn letters_are_keys_and_text() {
        let events = press(Pressed::Character("z".into()), Code::KeyZ, Held::empty());
        assert!(matches!(
            events[0],
            Event::Key { key: Key::Z, physical_key: Some(Key::Z), pressed: true, .. }
        ));
        assert_eq!(events[1], Event::Text("z".into()));
    }

    #[test]
    fn a_key_keeps_its_position_on_another_layout() {
        let events = press(Pressed::Character("y".into()), Code::KeyZ, Held::empty());
        assert!(matches!(events[0], Event::Key { key: Key::Y, physical_key: Some(Key::Z), .. }));
        for (code, key) in [(Code::Comma, Key::Comma), (Code::Period, Key::Period), (Code::Slash, Key::Slash)]
        {
            assert_eq!(key_at_position(code), Some(key));
        }
    }

    #[test]
    fn keys_with_control_write_no_text() {
        let events = press(Pressed::Character("z".into()), Code::KeyZ, Held::CONTROL);
        assert_eq!(events.len(), 1);
        assert!(matches!(events[0], Event::Key { modifiers, .. } if modifiers.ctrl));
        if !cfg!(target_os = "macos") {
            let paste = press(Pressed::Character("v".into()), Code::KeyV, Held::CONTROL);
            assert_eq!(paste, [Event::Paste("pasted".into())]);
            assert_eq!(press(Pressed::Character("c".into()), Code::KeyC, Held::CONTROL), [Event::Copy]);
        }
    }

    #[test]
    fn named_keys_have_their_names() {
        for (name, key) in [
            (NamedKey::ArrowLeft, Key::ArrowLeft),
            (NamedKey::Enter, Key::Enter),
            (NamedKey::Escape, Key::Escape),
            (NamedKey::PageDown, Key::PageDown),
            (NamedKey::Backspace, Key::Backspace),
        ] {
            assert_eq!(key_by_name(&Pressed::Named(name)), Some(key));
        }
        assert_eq!(key_by_name(&Pressed::Character(" ".into())), Some(Key::Space));
    }

    #[test]
    fn the_window_uses_the_playing_keys_and_leaves_the_space_bar_to_the_host() {
        let used =
            |text: &str, code, held| press(Pressed::Character(text.into()), code, held).iter().any(is_used);
        assert!(used("z", Code::KeyZ, Held::empty()) && used("/", Code::Slash, Held::empty()));
        assert!(!used(" ", Code::Space, Held::empty()) && !used("s", Code::KeyS, Held::CONTROL));
        assert!(
            press(Pressed::Named(keyboard_types::NamedKey::F6), Code::F6, Held::empty()).iter().any(is_used)
        );
        assert!(cfg!(target_os = "macos") || used("z", Code::KeyZ, Held::CONTROL));
    }

    #[test]
    fn hosts_pass_on_the_keys_that_edit_a_text() {
        let events = from_host(VirtualKeyCode::Backspace, true, HostModifiers::empty()).expect("taken");
        assert!(matches!(events[0], Event::Key { key: Key::Backspace, .. }));
        assert_eq!(from_host(VirtualKeyCode::Space, true, HostModifiers::empty()).map(|e| e.len()), Some(2));
        assert_eq!(from_host(VirtualKeyCode::F5, true, HostModifiers::empty()), None);
    }
}
