//! Controls for trims; those that the host moves say so.

use super::{
    frame_context::FrameContext,
    host_facts,
    marked::{Marked, SetBy},
    trims::Trim,
    widgets::{self, Described},
};
use egui::Ui;
use kitwright_core::settings::Setting;

/// Shows a control for every trim of `table` whose id is `shown` or that the host moves; `trim` gives the trim of an entry.
pub(super) fn show<T>(
    ui: &mut Ui,
    owner: &str,
    table: &'static [Setting<T>],
    shown: impl Fn(&str) -> bool,
    cx: &mut FrameContext<'_>,
    trim: impl Fn(usize) -> Trim,
) {
    let marked: Vec<Marked<'_>> = table.iter().map(|s| Marked { of: s, by: SetBy::Host }).collect();
    let row = |(i, s): (usize, &'static Setting<T>)| {
        let by_host = cx.readings.automation.moves(trim(i));
        (i, if by_host { &marked[i] as &dyn Described } else { s }, cx.trims.get(trim(i)))
    };
    let shown = |(i, s): &(usize, &Setting<T>)| shown(s.id) || cx.readings.automation.moves(trim(*i));
    let rows: Vec<_> = table.iter().enumerate().filter(shown).map(row).collect();
    widgets::grid(ui, owner, rows.into_iter(), |i, m| cx.move_trim(trim(i), m));
    host_facts::indications(ui, table, cx, trim);
}
