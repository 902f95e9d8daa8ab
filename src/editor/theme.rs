//! The look of the window: colours, font sizes, distances.
//!
//! Dark wood for backgrounds, ivory for text and for what is chosen, and a colour for each family of drums. No meaning is
//! shown by colour alone: every role and state also has a word or a shape.

use egui::{
    Color32, Context, CornerRadius, FontFamily, FontId, Margin, Shadow, Stroke, TextStyle, Vec2, vec2,
};

/// Background of the whole window.
pub const BACKGROUND: Color32 = Color32::from_rgb(0x15, 0x11, 0x0f);
/// Background of text and controls.
pub const SURFACE: Color32 = Color32::from_rgb(0x21, 0x1a, 0x16);
/// Background of what can be pressed, and of parts of a picture.
pub const RAISED: Color32 = Color32::from_rgb(0x2b, 0x22, 0x1d);
/// Background of what is pressed or hovered.
pub const HOVERED: Color32 = Color32::from_rgb(0x36, 0x2b, 0x25);
/// Background of waves, curves and text fields.
pub const INSET: Color32 = Color32::from_rgb(0x0e, 0x0b, 0x0a);
/// Lines between areas.
pub const BORDER: Color32 = Color32::from_rgb(0x4a, 0x3d, 0x34);
/// Text.
pub const TEXT: Color32 = Color32::from_rgb(0xf3, 0xe9, 0xda);
/// Secondary text.
pub const TEXT_DIM: Color32 = Color32::from_rgb(0xb9, 0xa8, 0x94);
/// What is chosen or held, and the next sensible thing: ivory, the colour of no family.
pub const ACCENT: Color32 = Color32::from_rgb(0xf5, 0xec, 0xde);
/// Text on [`ACCENT`].
pub const ON_ACCENT: Color32 = Color32::from_rgb(0x1b, 0x15, 0x11);
/// Sound: levels, curves.
pub const SOUND: Color32 = Color32::from_rgb(0x74, 0xc2, 0xad);
/// Sound that no pad uses.
pub const SOUND_DIM: Color32 = Color32::from_rgb(0x6b, 0x5f, 0x55);
/// The live spectrum, over [`INSET`].
pub const LIVE_SPECTRUM: Color32 = Color32::from_rgb(0x34, 0x4a, 0x43);
/// Errors and warnings.
pub const ERROR: Color32 = Color32::from_rgb(0xff, 0x9a, 0x85);
/// The white keys of the keyboard.
pub const WHITE_KEY: Color32 = Color32::from_rgb(0xe6, 0xda, 0xc6);

/// The colour of the family that a role belongs to, the same in take, tile and pad editor. The word always stands beside
/// it.
pub fn family(role: kitwright_core::kit::Role) -> Color32 {
    let [r, g, b] = role.family().colour();
    Color32::from_rgb(r, g, b)
}

/// Every pair of text and background that the window uses, by name; the tests require a contrast of 4.5 : 1.
pub const TEXT_PAIRS: &[(&str, Color32, Color32)] = &[
    ("text on the background", TEXT, BACKGROUND),
    ("text on a surface", TEXT, SURFACE),
    ("text on a raised surface", TEXT, RAISED),
    ("text on a hovered surface", TEXT, HOVERED),
    ("text on an inset", TEXT, INSET),
    ("dim text on the background", TEXT_DIM, BACKGROUND),
    ("dim text on a surface", TEXT_DIM, SURFACE),
    ("dim text on a raised surface", TEXT_DIM, RAISED),
    ("dim text on a hovered surface", TEXT_DIM, HOVERED),
    ("dim text on an inset", TEXT_DIM, INSET),
    ("accent on the background", ACCENT, BACKGROUND),
    ("accent on a surface", ACCENT, SURFACE),
    ("accent on a raised surface", ACCENT, RAISED),
    ("accent on an inset", ACCENT, INSET),
    ("text on the accent", ON_ACCENT, ACCENT),
    ("sound on a surface", SOUND, SURFACE),
    ("sound on an inset", SOUND, INSET),
    ("error on a surface", ERROR, SURFACE),
    ("error on a raised surface", ERROR, RAISED),
    ("text on a white key", BACKGROUND, WHITE_KEY),
];

/// Distance between neighbouring controls, points.
pub const GAP: f32 = 8.0;
/// Least height of what is pressed, points.
pub const TARGET: f32 = 28.0;
/// Radius of every corner, points.
pub const ROUND: CornerRadius = CornerRadius::same(6);

/// Small text: units, note names.
pub fn small() -> FontId {
    FontId::new(12.5, FontFamily::Proportional)
}

/// Text and controls.
pub fn body() -> FontId {
    FontId::new(14.0, FontFamily::Proportional)
}

/// Titles.
pub fn title() -> FontId {
    FontId::new(18.0, FontFamily::Proportional)
}

/// The sentence in an empty window.
pub fn display() -> FontId {
    FontId::new(26.0, FontFamily::Proportional)
}

/// Applies the look to a context; call it once when the window opens.
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

/// A dialog over the window.
pub fn modal(name: &'static str) -> egui::Modal {
    let frame = egui::Frame::new()
        .fill(SURFACE)
        .stroke(Stroke::new(1.0, BORDER))
        .corner_radius(ROUND)
        .inner_margin(Margin::same(16));
    egui::Modal::new(egui::Id::unique(name)).frame(frame)
}

fn space(s: &mut egui::style::Spacing) {
    s.item_spacing = Vec2::splat(GAP);
    s.button_padding = vec2(7.0, 3.0);
    s.interact_size = vec2(24.0, 24.0);
    s.window_margin = Margin::same(14);
    s.menu_margin = Margin::same(6);
    s.scroll = egui::style::ScrollStyle::solid();
    s.scroll.bar_width = 8.0;
    s.tooltip_width = 320.0;
}

fn colour(v: &mut egui::Visuals) {
    v.override_text_color = None;
    v.weak_text_color = Some(TEXT_DIM);
    v.weak_text_alpha = 1.0;
    v.disabled_alpha = 0.75;
    v.panel_fill = BACKGROUND;
    v.window_fill = SURFACE;
    v.window_stroke = Stroke::new(1.0, BORDER);
    v.window_corner_radius = ROUND;
    v.menu_corner_radius = ROUND;
    v.window_shadow = Shadow { offset: [0, 6], blur: 18, spread: 0, color: Color32::from_black_alpha(140) };
    v.popup_shadow = v.window_shadow;
    v.extreme_bg_color = INSET;
    v.text_edit_bg_color = Some(INSET);
    v.faint_bg_color = SURFACE;
    v.hyperlink_color = ACCENT;
    v.error_fg_color = ERROR;
    v.warn_fg_color = ERROR;
    v.selection.bg_fill = HOVERED;
    v.selection.stroke = Stroke::new(1.0, TEXT);
    let states = [
        (&mut v.widgets.noninteractive, SURFACE, BORDER, TEXT),
        (&mut v.widgets.inactive, RAISED, BORDER, TEXT),
        (&mut v.widgets.hovered, HOVERED, TEXT_DIM, TEXT),
        (&mut v.widgets.active, HOVERED, ACCENT, TEXT),
        (&mut v.widgets.open, HOVERED, ACCENT, TEXT),
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
        assert!((contrast(TEXT, TEXT) - 1.0).abs() < 1e-6);
    }

    #[test]
    fn every_family_has_a_contrast_of_at_least_4_5_to_1_on_every_ground() {
        for role in kitwright_core::kit::Role::ALL {
            for ground in [BACKGROUND, SURFACE, RAISED, HOVERED, INSET] {
                let ratio = contrast(family(role), ground);
                assert!(ratio >= 4.5, "{role}: {ratio:.2} : 1");
            }
        }
    }

    #[test]
    fn every_text_has_a_contrast_of_at_least_4_5_to_1() {
        for (name, text, background) in TEXT_PAIRS {
            let ratio = contrast(*text, *background);
            assert!(ratio >= 4.5, "{name}: {ratio:.2} : 1");
        }
    }
}
