//! Mouse, drags and focus from baseview, as egui's events.

use super::keys;
use baseview::{DropData, DropEffect, EventStatus, MouseButton, MouseCursor, MouseEvent, ScrollDelta};
use egui::{CursorIcon, Event, Modifiers, PointerButton, Pos2, RawInput};
use std::{
    path::{Path, PathBuf},
    sync::Arc,
};

/// Events since the last frame.
pub(super) struct Input {
    raw: RawInput,
    /// Where the pointer is, or was when it left the window.
    pointer: Option<Pos2>,
    /// The pointer has left the window.
    is_outside: bool,
    modifiers: Modifiers,
}

impl Input {
    /// No events yet; `max_texture_side` in pixels.
    pub fn new(max_texture_side: usize) -> Self {
        let raw = RawInput { max_texture_side: Some(max_texture_side), ..RawInput::default() };
        Self { raw, pointer: None, is_outside: false, modifiers: Modifiers::NONE }
    }

    /// The input since the last call, for a frame of `size` points at `time` seconds.
    pub fn take(&mut self, size: egui::Vec2, native_pixels_per_point: f32, time: f64) -> RawInput {
        let screen = egui::Rect::from_min_size(Pos2::ZERO, size);
        self.raw.screen_rect = Some(screen);
        self.raw.time = Some(time);
        let viewport = self.raw.viewports.entry(self.raw.viewport_id).or_default();
        viewport.native_pixels_per_point = Some(native_pixels_per_point);
        viewport.inner_rect = Some(screen);
        viewport.focused = Some(self.raw.focused);
        self.raw.take()
    }

    /// Adds events as they are.
    pub fn extend(&mut self, events: impl IntoIterator<Item = Event>) {
        self.raw.events.extend(events);
    }

    /// The window got or lost keyboard focus.
    pub fn focus(&mut self, focused: bool) {
        self.raw.focused = focused;
        self.raw.events.push(Event::WindowFocused(focused));
    }

    /// Tells egui which modifiers are held.
    pub fn hold(&mut self, held: keyboard_types::Modifiers) {
        let held = keys::modifiers(held);
        if held != self.modifiers {
            self.modifiers = held;
            self.raw.events.push(Event::ModifiersChanged(held));
        }
    }

    /// Takes an event of the mouse, whose position is in pixels; `None` for one that the window does not use.
    pub fn mouse(&mut self, event: MouseEvent, pixels_per_point: f32) -> Option<EventStatus> {
        match event {
            MouseEvent::CursorMoved { position, modifiers } => {
                self.hold(modifiers);
                self.point_at(position.cast(), pixels_per_point);
            }
            MouseEvent::ButtonPressed { button, modifiers } => self.button(button, true, modifiers),
            MouseEvent::ButtonReleased { button, modifiers } => self.button(button, false, modifiers),
            MouseEvent::WheelScrolled { delta, modifiers } => {
                self.hold(modifiers);
                self.scroll(delta, pixels_per_point);
            }
            MouseEvent::CursorLeft => self.pointer_gone(),
            MouseEvent::DragEntered { position, data, .. } | MouseEvent::DragMoved { position, data, .. } => {
                self.point_at(position.cast(), pixels_per_point);
                self.raw.hovered_files = hovered(data);
                return Some(self.answer());
            }
            MouseEvent::DragLeft => {
                self.raw.hovered_files.clear();
                self.pointer_gone();
            }
            MouseEvent::DragDropped { position, data, .. } => {
                // no cursor event comes during a drag: the position comes with the drop
                self.point_at(position.cast(), pixels_per_point);
                self.raw.hovered_files = hovered(data);
                let answer = self.answer();
                let files = self.raw.hovered_files.drain(..).filter_map(|f| f.path);
                self.raw.dropped_files.extend(files.map(|path| Arc::new(Dropped(path)) as _));
                return Some(answer);
            }
            _ => return None,
        }
        Some(EventStatus::Captured)
    }

    fn answer(&self) -> EventStatus {
        if self.raw.hovered_files.is_empty() {
            EventStatus::Ignored
        } else {
            EventStatus::AcceptDrop(DropEffect::Copy)
        }
    }

    fn point_at(&mut self, position: baseview::dpi::PhysicalPosition<f32>, pixels_per_point: f32) {
        let at = egui::pos2(position.x, position.y) / pixels_per_point;
        (self.pointer, self.is_outside) = (Some(at), false);
        self.raw.events.push(Event::PointerMoved(at));
    }

    fn pointer_gone(&mut self) {
        self.is_outside = true;
        self.raw.events.push(Event::PointerGone);
    }

    fn button(&mut self, button: MouseButton, pressed: bool, held: keyboard_types::Modifiers) {
        self.hold(held);
        let button = match button {
            MouseButton::Left => PointerButton::Primary,
            MouseButton::Right => PointerButton::Secondary,
            MouseButton::Middle => PointerButton::Middle,
            _ => return,
        };
        if let Some(pos) = self.pointer {
            let modifiers = self.modifiers;
            self.raw.events.push(Event::PointerButton { pos, button, pressed, modifiers });
            // a button that is let go of outside the window ends a drag and points at nothing
            if self.is_outside {
                self.raw.events.push(Event::PointerGone);
            }
        }
    }

    fn scroll(&mut self, delta: ScrollDelta, pixels_per_point: f32) {
        let (unit, delta) = match delta {
            ScrollDelta::Lines { x, y } => (egui::MouseWheelUnit::Line, egui::vec2(x, y)),
            ScrollDelta::Pixels { x, y } => {
                (egui::MouseWheelUnit::Point, egui::vec2(x, y) / pixels_per_point)
            }
        };
        self.raw.events.push(Event::MouseWheel {
            unit,
            delta,
            modifiers: self.modifiers,
            phase: egui::TouchPhase::Move,
            source: egui::MouseWheelSource::Unknown,
        });
    }
}

fn hovered(data: DropData) -> Vec<egui::HoveredFile> {
    let DropData::Files(files) = data else { return Vec::new() };
    let file = |path: PathBuf| egui::HoveredFile { path: Some(path), ..egui::HoveredFile::default() };
    files.into_iter().map(file).collect()
}

/// A file that was dropped onto the window; the session reads it, not the window.
#[derive(Debug)]
struct Dropped(PathBuf);

impl egui::DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        std::fs::read(&self.0).map_err(|e| e.to_string())
    }
}

/// The cursor that the system shows for the one that egui asks for.
pub(super) fn cursor(icon: CursorIcon) -> MouseCursor {
    match icon {
        CursorIcon::None => MouseCursor::Hidden,
        CursorIcon::PointingHand | CursorIcon::Grab => MouseCursor::Hand,
        CursorIcon::Grabbing => MouseCursor::HandGrabbing,
        CursorIcon::Help => MouseCursor::Help,
        CursorIcon::Wait => MouseCursor::Working,
        CursorIcon::Progress => MouseCursor::PtrWorking,
        CursorIcon::Crosshair => MouseCursor::Crosshair,
        CursorIcon::Text => MouseCursor::Text,
        CursorIcon::Copy => MouseCursor::Copy,
        CursorIcon::Move | CursorIcon::AllScroll => MouseCursor::Move,
        CursorIcon::NoDrop | CursorIcon::NotAllowed => MouseCursor::NotAllowed,
        CursorIcon::ResizeHorizontal | CursorIcon::ResizeColumn => MouseCursor::EwResize,
        CursorIcon::ResizeVertical | CursorIcon::ResizeRow => MouseCursor::NsResize,
        _ => MouseCursor::Default,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use baseview::dpi::PhysicalPosition;
    use keyboard_types::Modifiers as Held;

    fn position(x: f64, y: f64) -> PhysicalPosition<f64> {
        PhysicalPosition::new(x, y)
    }

    fn frame(input: &mut Input) -> RawInput {
        input.take(egui::vec2(900.0, 600.0), 2.0, 1.0)
    }

    #[test]
    fn a_drop_gives_its_files_and_its_position() {
        let mut input = Input::new(2048);
        let data = DropData::Files(vec!["/a/knock.wav".into()]);
        let modifiers = Held::empty();
        let over = MouseEvent::DragMoved { position: position(20.0, 40.0), modifiers, data: data.clone() };
        assert_eq!(input.mouse(over, 2.0), Some(EventStatus::AcceptDrop(DropEffect::Copy)));
        let raw = frame(&mut input);
        assert_eq!(raw.hovered_files.len(), 1);
        assert_eq!(raw.events, [Event::PointerMoved(egui::pos2(10.0, 20.0))]);
        assert_eq!(frame(&mut input).hovered_files.len(), 1, "it hovers until it leaves");
        let drop = MouseEvent::DragDropped { position: position(60.0, 40.0), modifiers, data };
        assert_eq!(input.mouse(drop, 2.0), Some(EventStatus::AcceptDrop(DropEffect::Copy)));
        let raw = frame(&mut input);
        assert!(raw.hovered_files.is_empty());
        assert_eq!(raw.events, [Event::PointerMoved(egui::pos2(30.0, 20.0))]);
        assert_eq!(raw.dropped_files[0].path(), Path::new("/a/knock.wav"));
        assert!(frame(&mut input).dropped_files.is_empty(), "once");
    }

    #[test]
    fn a_drag_without_files_is_refused() {
        let mut input = Input::new(2048);
        let event = MouseEvent::DragEntered {
            position: position(0.0, 0.0),
            modifiers: Held::empty(),
            data: DropData::None,
        };
        assert_eq!(input.mouse(event, 1.0), Some(EventStatus::Ignored));
    }

    #[test]
    fn a_press_is_at_the_position_of_the_pointer() {
        let mut input = Input::new(2048);
        input.mouse(MouseEvent::CursorMoved { position: position(30.0, 30.0), modifiers: Held::SHIFT }, 1.5);
        input.mouse(MouseEvent::ButtonPressed { button: MouseButton::Left, modifiers: Held::SHIFT }, 1.5);
        let raw = frame(&mut input);
        assert!(matches!(
            raw.events[2],
            Event::PointerButton { pos, button: PointerButton::Primary, pressed: true, modifiers }
                if pos == egui::pos2(20.0, 20.0) && modifiers.shift
        ));
        assert_eq!(raw.viewports[&raw.viewport_id].native_pixels_per_point, Some(2.0));
    }

    #[test]
    fn a_button_let_go_of_outside_the_window_is_released() {
        let mut input = Input::new(2048);
        let modifiers = Held::empty();
        input.mouse(MouseEvent::CursorMoved { position: position(30.0, 30.0), modifiers }, 1.0);
        input.mouse(MouseEvent::ButtonPressed { button: MouseButton::Left, modifiers }, 1.0);
        input.mouse(MouseEvent::CursorLeft, 1.0);
        frame(&mut input);
        input.mouse(MouseEvent::ButtonReleased { button: MouseButton::Left, modifiers }, 1.0);
        let events = frame(&mut input).events;
        assert!(matches!(
            events[..],
            [Event::PointerButton { button: PointerButton::Primary, pressed: false, .. }, Event::PointerGone]
        ));
    }
}
