//! `kitwright export`: a kit for other samplers.

use super::{
    arguments, protect,
    terminal::{Terminal, printable, say},
};
use kitwright_core::{
    error::Result,
    export::{SampleOptions, export_sampler, sampler_files},
    kit::Kit,
};
use std::sync::Arc;

pub(super) fn run(a: &arguments::Export, terminal: &Terminal) -> Result<()> {
    let options = SampleOptions { rate: a.rate, velocities: a.velocities, tone: !a.without_tone };
    let kit = Kit::load(&a.kit, terminal)?;
    for file in sampler_files(&kit, a.format, &options)? {
        protect::check_output(&a.out.join(file), &[&a.kit])?;
    }
    let written = export_sampler(&Arc::new(kit), a.format, &options, &a.out, terminal)?;
    terminal.clear();
    let place = written.file.map_or_else(|| a.out.clone(), |file| a.out.join(file));
    let samples = match written.samples {
        0 => String::new(),
        count => format!("{count} samples of "),
    };
    say(&format!("{}: {samples}{} pads", printable(place), written.pads));
    Ok(())
}
