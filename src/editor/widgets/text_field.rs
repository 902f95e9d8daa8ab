//! What text fields share.

use egui::{
    Id, TextEdit, Ui,
    text::{CCursor, CCursorRange},
};

/// Selects all `chars` characters of the text field with this id.
pub fn select_all(ui: &Ui, id: Id, chars: usize) {
    let mut state = TextEdit::load_state(ui.ctx(), id).unwrap_or_default();
    state.cursor.set_char_range(Some(CCursorRange::two(CCursor::new(0), CCursor::new(chars))));
    TextEdit::store_state(ui.ctx(), id, state);
}
