//! One palette, one type scale, one set of distances: the look of the window.
//!
//! The palette is that of a varnished string instrument: dark wood as the ground, pale spruce as ink,
//! rosin amber for what is chosen or lit, oxidised copper for sound. Roles and states always carry a word
//! or a shape as well.

use egui::{
    Color32, Context, CornerRadius, FontFamily, FontId, Margin, Shadow, Stroke, TextStyle, Vec2, vec2,
};

/// Ground of the whole window.
pub const GROUND: Color32 = Color32::from_rgb(0x17, 0x13, 0x11);
/// A surface that carries text and controls.
pub const WOOD: Color32 = Color32::from_rgb(0x24, 0x1d, 0x19);
/// A surface that can be pressed or holds a picture's frame.
pub const WOOD_HIGH: Color32 = Color32::from_rgb(0x36, 0x2c, 0x26);
/// A pressed or hovered surface.
pub const WOOD_LIT: Color32 = Color32::from_rgb(0x48, 0x3a, 0x31);
/// Wells in which waves and curves are drawn.
pub const WELL: Color32 = Color32::from_rgb(0x0f, 0x0c, 0x0b);
/// Lines between surfaces.
pub const SEAM: Color32 = Color32::from_rgb(0x55, 0x46, 0x3b);
/// Text.
pub const INK: Color32 = Color32::from_rgb(0xf3, 0xe9, 0xda);
/// Text of less weight.
pub const INK_SOFT: Color32 = Color32::from_rgb(0xc4, 0xb3, 0x9f);
/// What is chosen, held or lit.
pub const AMBER: Color32 = Color32::from_rgb(0xf0, 0xb4, 0x4c);
/// Text on amber.
pub const ON_AMBER: Color32 = Color32::from_rgb(0x22, 0x17, 0x0a);
/// Sound: waves, levels, curves.
pub const COPPER: Color32 = Color32::from_rgb(0x86, 0xc8, 0xb0);
/// Sound that is not in use.
pub const COPPER_DIM: Color32 = Color32::from_rgb(0x4d, 0x74, 0x68);
/// The live spectrum in its well: dim copper let through by three fifths.
pub const LIVE: Color32 = Color32::from_rgb(0x34, 0x4a, 0x43);
/// Trouble.
pub const ALARM: Color32 = Color32::from_rgb(0xff, 0x9a, 0x85);
/// The light keys of the keyboard.
pub const IVORY: Color32 = Color32::from_rgb(0xe6, 0xda, 0xc6);

/// Every pair of text and ground that the window uses, by name; the tests hold each to 4.5 : 1.
pub const TEXT_PAIRS: &[(&str, Color32, Color32)] = &[
    ("ink on the ground", INK, GROUND),
    ("ink on wood", INK, WOOD),
    ("ink on high wood", INK, WOOD_HIGH),
    ("ink on lit wood", INK, WOOD_LIT),
    ("ink in a well", INK, WELL),
    ("soft ink on the ground", INK_SOFT, GROUND),
    ("soft ink on wood", INK_SOFT, WOOD),
    ("soft ink on high wood", INK_SOFT, WOOD_HIGH),
    ("soft ink on lit wood", INK_SOFT, WOOD_LIT),
    ("soft ink in a well", INK_SOFT, WELL),
    ("amber on the ground", AMBER, GROUND),
    ("amber on wood", AMBER, WOOD),
    ("amber on high wood", AMBER, WOOD_HIGH),
    ("amber in a well", AMBER, WELL),
    ("dark text on amber", ON_AMBER, AMBER),
    ("copper on wood", COPPER, WOOD),
    ("copper in a well", COPPER, WELL),
    ("alarm on wood", ALARM, WOOD),
    ("alarm on high wood", ALARM, WOOD_HIGH),
    ("dark text on an ivory key", GROUND, IVORY),
];

/// Distance between neighbours.
pub const GAP: f32 = 6.0;
/// Rounding of every corner.
pub const ROUND: CornerRadius = CornerRadius::same(3);

/// Fine print: units, note names.
pub fn small() -> FontId {
    FontId::new(11.5, FontFamily::Proportional)
}

/// Text and controls.
pub fn body() -> FontId {
    FontId::new(13.5, FontFamily::Proportional)
}

/// Names of places.
pub fn title() -> FontId {
    FontId::new(16.5, FontFamily::Proportional)
}

/// One sentence alone in the window.
pub fn display() -> FontId {
    FontId::new(24.0, FontFamily::Proportional)
}

/// Dresses a context; call it once when the window opens.
pub fn apply(ctx: &Context) {
    ctx.set_theme(egui::Theme::Dark);
    ctx.all_styles_mut(|style| {
        style.text_styles = [
            (TextStyle::Small, small()),
            (TextStyle::Body, body()),
            (TextStyle::Button, body()),
            (TextStyle::Heading, title()),
            (TextStyle::Monospace, FontId::new(13.0, FontFamily::Monospace)),
        ]
        .into();
        style.animation_time = 0.08;
        style.interaction.selectable_labels = false;
        style.interaction.tooltip_delay = 0.4;
        space(&mut style.spacing);
        colour(&mut style.visuals);
    });
}

/// A box over the window.
pub fn modal(name: &'static str) -> egui::Modal {
    let frame = egui::Frame::new()
        .fill(WOOD)
        .stroke(Stroke::new(1.0, SEAM))
        .corner_radius(ROUND)
        .inner_margin(Margin::same(16));
    egui::Modal::new(egui::Id::unique(name)).frame(frame)
}

fn space(s: &mut egui::style::Spacing) {
    s.item_spacing = Vec2::splat(GAP);
    s.button_padding = vec2(9.0, 3.0);
    s.interact_size = vec2(24.0, 24.0);
    s.window_margin = Margin::same(14);
    s.menu_margin = Margin::same(6);
    s.scroll = egui::style::ScrollStyle::solid();
    s.scroll.bar_width = 8.0;
    s.tooltip_width = 320.0;
}

fn colour(v: &mut egui::Visuals) {
    v.override_text_color = None;
    v.weak_text_color = Some(INK_SOFT);
    v.weak_text_alpha = 1.0;
    v.disabled_alpha = 0.75;
    v.panel_fill = GROUND;
    v.window_fill = WOOD;
    v.window_stroke = Stroke::new(1.0, SEAM);
    v.window_corner_radius = ROUND;
    v.menu_corner_radius = ROUND;
    v.window_shadow = Shadow { offset: [0, 6], blur: 18, spread: 0, color: Color32::from_black_alpha(140) };
    v.popup_shadow = v.window_shadow;
    v.extreme_bg_color = WELL;
    v.text_edit_bg_color = Some(WELL);
    v.faint_bg_color = WOOD;
    v.hyperlink_color = AMBER;
    v.error_fg_color = ALARM;
    v.warn_fg_color = ALARM;
    v.selection.bg_fill = Color32::from_rgb(0x6b, 0x4a, 0x15);
    v.selection.stroke = Stroke::new(1.0, INK);
    let states = [
        (&mut v.widgets.noninteractive, WOOD, SEAM, INK),
        (&mut v.widgets.inactive, WOOD_HIGH, SEAM, INK),
        (&mut v.widgets.hovered, WOOD_LIT, INK_SOFT, INK),
        (&mut v.widgets.active, WOOD_LIT, AMBER, INK),
        (&mut v.widgets.open, WOOD_LIT, AMBER, INK),
    ];
    for (state, fill, edge, text) in states {
        state.bg_fill = fill;
        state.weak_bg_fill = fill;
        state.bg_stroke = Stroke::new(1.0, edge);
        state.fg_stroke = Stroke::new(1.2, text);
        state.corner_radius = ROUND;
        state.expansion = 0.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast ratio, WCAG 2.1, "relative luminance" and "contrast ratio" in its glossary.
    fn contrast(a: Color32, b: Color32) -> f32 {
        let luminance = |c: Color32| {
            let linear = |v: u8| {
                let s = f32::from(v) / 255.0;
                if s <= 0.03928 { s / 12.92 } else { ((s + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * linear(c.r()) + 0.7152 * linear(c.g()) + 0.0722 * linear(c.b())
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn the_contrast_formula_gives_the_published_extremes() {
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-3);
        assert!((contrast(INK, INK) - 1.0).abs() < 1e-6);
    }

    #[test]
    fn every_text_stands_out_at_least_four_and_a_half_to_one() {
        for (name, text, ground) in TEXT_PAIRS {
            let ratio = contrast(*text, *ground);
            assert!(ratio >= 4.5, "{name}: {ratio:.2} : 1");
        }
    }
}
