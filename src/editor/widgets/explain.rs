//! What is under the pointer, explained in the status line.

use egui::{Response, Ui};

/// Explains a control by a tooltip and, while the pointer or the focus is on it, in the status line.
pub fn explained(ui: &Ui, response: Response, help: &str) -> Response {
    explain(ui, &response, help);
    response.on_hover_text(help)
}

/// Tells the status line what is under the pointer.
pub fn explain(ui: &Ui, response: &Response, help: &str) {
    if response.hovered() || response.has_focus() {
        ui.data_mut(|d| {
            d.insert_temp(egui::Id::unique("help"), help.lines().next().unwrap_or_default().to_owned())
        });
    }
}

/// What the controls of this frame have told the status line, once.
pub fn take_help(ui: &Ui) -> Option<String> {
    ui.data_mut(|d| d.remove_temp(egui::Id::unique("help")))
}
