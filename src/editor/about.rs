//! The About box: version, keys, and the hearing caution.

use super::theme;
use egui::{Context, RichText, Ui};

/// The hearing caution, shown here and in the documentation.
pub const HEARING_CAUTION: &str = "Mind your hearing: loud sound over a long time harms it for good, and drum hits are louder than \
     they seem. Start with the volume low, leave the ceiling on, rest your ears, and stop when they ring.";

/// Shows the box while `open`; the button, Escape and a click beside it close it.
pub fn show(ctx: &Context, open: &mut bool) {
    if !*open {
        return;
    }
    let modal = theme::modal("about").show(ctx, |ui| {
        ui.set_width(440.0);
        contents(ui);
        ui.add_space(theme::GAP);
        super::widgets::button(ui, "Close", "Close About", "Back to the kit.").clicked()
    });
    if modal.should_close() || modal.inner {
        *open = false;
    }
}

fn contents(ui: &mut Ui) {
    ui.label(
        RichText::new(format!("Kitwright {}", env!("CARGO_PKG_VERSION")))
            .font(theme::title())
            .color(theme::TEXT),
    );
    ui.label("Turns the recorded sound of one instrument into a playable drum kit.");
    ui.add_space(theme::GAP);
    ui.label(RichText::new(HEARING_CAUTION).color(theme::ACCENT));
    ui.add_space(theme::GAP);
    ui.label(
        "Keys Z S X D C V G B H N J M , L . / play the pads from left to right while no text is being typed. \
         Ctrl+Z undoes, Ctrl+Shift+Z redoes, F6 goes from region to region; the buttons do the same where a host keeps these keys.",
    );
    ui.add_space(theme::GAP);
    ui.label(
        RichText::new("Free software under the ISC licence, without any warranty.").color(theme::TEXT_DIM),
    );
}
