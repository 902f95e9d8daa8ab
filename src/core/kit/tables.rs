//! One walk over all tables of settings: checks, the engine, casting and tests visit the same ones.

use super::{
    BAND, CLOUD, COMPRESSOR, CUT, Document, KEY_PART, KeyPart, LAYER, LIMITER, PAD, Pad, SATURATION, SLICE,
    TONE, Tone, VARIATION,
};
use crate::settings::{KIT_TRIMS, PAD_TRIMS, Setting};
use std::fmt::Arguments;

/// Reads or changes one structure after the other, each with its table.
pub trait TableVisitor {
    /// `value` holds the settings of `table`. `owner` names it: "pad 3, layer 1"; from [`Pad::each_table`] only what
    /// follows the pad's name (", layer 1"), nothing for the pad's own settings.
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, owner: Arguments<'_>);
}

/// Puts the pad's name before what [`Pad::each_table`] says.
struct Named<'a, V> {
    visitor: &'a mut V,
    pad: usize,
}

impl<V: TableVisitor> TableVisitor for Named<'_, V> {
    fn visit<T: 'static>(&mut self, table: &'static [Setting<T>], value: &mut T, owner: Arguments<'_>) {
        self.visitor.visit(table, value, format_args!("pad {}{owner}", self.pad));
    }
}

impl Document {
    /// Shows every structure that has a table of settings to `visitor`: those of the pads in order, those of the
    /// key parts, then the trims.
    pub fn each_table(&mut self, visitor: &mut impl TableVisitor) {
        for (i, pad) in self.pads.iter_mut().enumerate() {
            pad.each_table(&mut Named { visitor, pad: i + 1 });
        }
        for (i, part) in self.key_parts.iter_mut().enumerate() {
            part.each_table(visitor, i + 1);
        }
        visitor.visit(&KIT_TRIMS, &mut self.trims.kit, format_args!("the kit's trims"));
        for (i, trims) in self.trims.pads.iter_mut().enumerate() {
            visitor.visit(&PAD_TRIMS, trims, format_args!("pad {}, trims", i + 1));
        }
    }
}

impl KeyPart {
    /// Shows both structures of part `number` that have a table of settings to `visitor`.
    pub fn each_table(&mut self, visitor: &mut impl TableVisitor, number: usize) {
        visitor.visit(&KEY_PART, &mut self.settings, format_args!("key part {number}"));
        if let Some(slice) = &mut self.slice {
            visitor.visit(&SLICE, slice, format_args!("key part {number}, slice"));
        }
    }
}

impl Pad {
    /// Shows every structure of the pad that has a table of settings to `visitor`, always in the same order.
    pub fn each_table(&mut self, visitor: &mut impl TableVisitor) {
        visitor.visit(&PAD, &mut self.settings, format_args!(""));
        for (i, slice) in self.slices.iter_mut().enumerate() {
            visitor.visit(&SLICE, slice, format_args!(", slice {}", i + 1));
        }
        visitor.visit(&CLOUD, &mut self.cloud, format_args!(", cloud"));
        visitor.visit(&VARIATION, &mut self.variation, format_args!(", variation"));
        for (i, layer) in self.layers.iter_mut().enumerate() {
            visitor.visit(&LAYER, &mut layer.settings, format_args!(", layer {}", i + 1));
            if let Some(slice) = &mut layer.slice {
                visitor.visit(&SLICE, slice, format_args!(", slice of layer {}", i + 1));
            }
        }
        self.tone.each_table(visitor);
    }
}

impl Tone {
    fn each_table(&mut self, visitor: &mut impl TableVisitor) {
        visitor.visit(&TONE, self, format_args!(", tone"));
        visitor.visit(&CUT, &mut self.low_cut, format_args!(", low cut"));
        visitor.visit(&CUT, &mut self.high_cut, format_args!(", high cut"));
        visitor.visit(&LIMITER, &mut self.limiter, format_args!(", limiter"));
        visitor.visit(&SATURATION, &mut self.saturation, format_args!(", saturation"));
        for (i, band) in self.bands.iter_mut().enumerate() {
            visitor.visit(&BAND, band, format_args!(", band {}", i + 1));
        }
        for (i, dip) in self.dips.iter_mut().enumerate() {
            visitor.visit(&BAND, dip, format_args!(", dip {}", i + 1));
        }
        visitor.visit(&BAND, &mut self.note_bell, format_args!(", bell on the note"));
        visitor.visit(&COMPRESSOR, &mut self.punch, format_args!(", punch"));
        visitor.visit(&COMPRESSOR, &mut self.low_band, format_args!(", low band"));
        visitor.visit(&LIMITER, &mut self.colour, format_args!(", last limiter"));
    }
}
