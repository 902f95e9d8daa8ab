//! `kitwright render`: a MIDI file played with a kit.

use super::{
    arguments, protect,
    terminal::{Terminal, printable, say},
};
use kitwright_core::{
    error::Result,
    export::{Loudness, RenderOptions, Score, render_file},
    kit::Kit,
    music::note_name,
};
use std::sync::Arc;

pub(super) fn run(a: &arguments::Render, terminal: &Terminal) -> Result<()> {
    let options = RenderOptions { rate: a.rate, block: a.block }.checked()?;
    let inputs = [a.kit.as_path(), a.midi.as_path()];
    protect::check_output(&a.out, &inputs)?;
    let score = Score::read(&a.midi)?;
    let mut kit = Kit::load(&a.kit, terminal)?;
    if let Some(seed) = a.seed {
        kit.doc.seed = seed;
    }
    if let Some(stems) = &a.stems {
        protect::check_stems(&kit, stems, &a.out, &inputs)?;
    }
    let unanswered = score.unanswered(&kit);
    let song = render_file(&Arc::new(kit), &score, options, &a.out, a.stems.as_deref(), terminal)?;
    terminal.clear();
    say(&format!("{}: {:.1} s{}", printable(&a.out), song.seconds, words(&song.loudness)));
    if let Some(stems) = &a.stems {
        say(&format!("{}: one file for each pad; together they are the mix", printable(stems)));
    }
    for stem in &song.stems {
        let apart = if stem.in_mix { "" } else { ", not in the mix: the pad is not sent to the main output" };
        say(&format!("  {}{}{apart}", stem.file, words(&stem.loudness)));
    }
    for (note, count) in unanswered {
        let times = if count == 1 { "once".into() } else { format!("{count} times") };
        say(&format!("note {note} ({}), {times}: no pad of this kit plays it", note_name(note)));
    }
    Ok(())
}

/// ", -14.2 LUFS, true peak -1.0 dBTP".
fn words(loudness: &Loudness) -> String {
    match (loudness.lufs, loudness.peak_dbtp) {
        (_, None) => ", silent".into(),
        (None, Some(peak)) => format!(", too short for a loudness, true peak {peak:.1} dBTP"),
        (Some(lufs), Some(peak)) => format!(", {lufs:.1} LUFS, true peak {peak:.1} dBTP"),
    }
}
