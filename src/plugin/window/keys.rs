//! The keyboard: baseview's keys and those that hosts hand on, in egui's words.

use crate::editor::kit_view::PLAYING_KEYS;
use egui::{Event, Key, Modifiers};
use keyboard_types::{Code, Key as Pressed, KeyState, KeyboardEvent};
use nice_plug::editor::{Modifiers as HostModifiers, VirtualKeyCode};

/// The modifiers in egui's words.
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

/// What a press or release means to egui; `pasted` is asked for the clipboard's text when it is wanted.
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
    if let Some(key) = named(&event.key) {
        let physical_key = at_place(event.code);
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

/// Whether the window itself does something at this key, also while no text is typed.
pub(super) fn is_ours(event: &Event) -> bool {
    let Event::Key { key, modifiers, .. } = event else { return false };
    if modifiers.command {
        matches!(key, Key::Z | Key::Y)
    } else {
        !modifiers.alt && PLAYING_KEYS.iter().any(|(k, _)| k == key)
    }
}

/// The key by what it writes or is called.
fn named(key: &Pressed) -> Option<Key> {
    match key {
        Pressed::Character(text) => Key::from_name(&text.to_uppercase()),
        Pressed::Named(name) => Key::from_name(&name.to_string()),
    }
}

/// The key by its place on the keyboard, named as on one with the letters Q, W, E, R, T and Y.
fn at_place(code: Code) -> Option<Key> {
    let name = code.to_string();
    let letter = name.strip_prefix("Key").or_else(|| name.strip_prefix("Digit"));
    Key::from_name(letter.unwrap_or(&name))
}

/// A key that a host hands on while a text is typed; `None` for those that no text needs.
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
    fn a_key_keeps_its_place_on_another_layout() {
        let events = press(Pressed::Character("y".into()), Code::KeyZ, Held::empty());
        assert!(matches!(events[0], Event::Key { key: Key::Y, physical_key: Some(Key::Z), .. }));
        for (code, key) in [(Code::Comma, Key::Comma), (Code::Period, Key::Period), (Code::Slash, Key::Slash)]
        {
            assert_eq!(at_place(code), Some(key));
        }
    }

    #[test]
    fn control_writes_no_text() {
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
            assert_eq!(named(&Pressed::Named(name)), Some(key));
        }
        assert_eq!(named(&Pressed::Character(" ".into())), Some(Key::Space));
    }

    #[test]
    fn the_space_bar_is_the_host_s_and_the_playing_keys_are_ours() {
        let ours =
            |text: &str, code, held| press(Pressed::Character(text.into()), code, held).iter().any(is_ours);
        assert!(ours("z", Code::KeyZ, Held::empty()) && ours("/", Code::Slash, Held::empty()));
        assert!(!ours(" ", Code::Space, Held::empty()) && !ours("s", Code::KeyS, Held::CONTROL));
        assert!(cfg!(target_os = "macos") || ours("z", Code::KeyZ, Held::CONTROL));
    }

    #[test]
    fn hosts_hand_on_what_a_text_needs() {
        let events = from_host(VirtualKeyCode::Backspace, true, HostModifiers::empty()).expect("taken");
        assert!(matches!(events[0], Event::Key { key: Key::Backspace, .. }));
        assert_eq!(from_host(VirtualKeyCode::Space, true, HostModifiers::empty()).map(|e| e.len()), Some(2));
        assert_eq!(from_host(VirtualKeyCode::F5, true, HostModifiers::empty()), None);
    }
}
