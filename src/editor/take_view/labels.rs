//! Labels above the hits, placed without overlaps.

use crate::editor::{theme, widgets};
use egui::{Align2, Color32, CursorIcon, Rect, Sense, Ui, pos2, vec2};

/// Space between two labels and at their ends.
const LABEL_GAP: f32 = 4.0;
/// Minimum width of a cut label, four letters and an ellipsis; a narrower one is left out.
const MIN_WIDTH: f32 = 34.0;

/// A label above a hit.
pub(super) struct Word {
    /// Number of the hit in its take.
    pub hit: usize,
    /// Where the hit starts on the screen.
    pub x: f32,
    /// What it became.
    pub text: String,
    /// Label of the chosen hit or of the chosen pad's hit: never cut.
    pub lit: bool,
    /// The colour of its family.
    pub ink: Color32,
}

/// Draws the labels into `lane`; returns the hit whose label was clicked. A tick replaces a label without room.
pub(super) fn show(ui: &Ui, lane: Rect, words: &[Word]) -> Option<usize> {
    let painter = ui.painter_at(lane);
    let colour = |word: &Word| if word.lit { theme::ACCENT } else { word.ink };
    let wanted: Vec<Wanted> = words
        .iter()
        .map(|w| {
            let galley = painter.layout_no_wrap(w.text.clone(), theme::small(), colour(w));
            Wanted { x: w.x, width: galley.size().x + LABEL_GAP, lit: w.lit }
        })
        .collect();
    let mut clicked = None;
    for ((word, wanted), place) in words.iter().zip(&wanted).zip(places(&wanted, lane.left(), lane.right())) {
        let Some([from, to]) = place else {
            painter.vline(word.x, (lane.bottom() - 4.0)..=lane.bottom(), (1.0, theme::TEXT_DIM));
            continue;
        };
        let at = pos2(from + LABEL_GAP / 2.0, lane.top() + 1.0);
        let (font, ink, width) = (theme::small(), colour(word), to - from - LABEL_GAP / 2.0);
        widgets::text_in(&painter, at, Align2::LEFT_TOP, &word.text, font, ink, width);
        let area = Rect::from_min_size(pos2(from, lane.top()), vec2(to - from, lane.height()));
        // the hit below is what the keyboard and screen readers go to
        let response = ui.interact(area, ui.scope_id().with(("word", word.hit)), Sense::CLICK);
        let response = response.on_hover_cursor(CursorIcon::PointingHand);
        let response = if to - from < wanted.width { response.on_hover_text(&word.text) } else { response };
        clicked = clicked.or(response.clicked().then_some(word.hit));
    }
    clicked
}

/// The place a label asks for.
#[derive(Debug, Clone, Copy)]
struct Wanted {
    x: f32,
    width: f32,
    lit: bool,
}

/// Left and right edge of each label: lit ones first and in full, the others from left to right in the remaining
/// space, cut before their neighbour, or left out.
fn places(words: &[Wanted], left: f32, right: f32) -> Vec<Option<[f32; 2]>> {
    let mut places = vec![None; words.len()];
    let mut taken: Vec<[f32; 2]> = Vec::new();
    for lit in [true, false] {
        for (word, place) in words.iter().zip(&mut places).filter(|(w, _)| w.lit == lit) {
            *place = if lit { whole(word, left, right, &taken) } else { in_room(word, left, right, &taken) };
            taken.extend(*place);
        }
    }
    places
}

fn overlaps([from, to]: [f32; 2], taken: &[[f32; 2]]) -> Option<[f32; 2]> {
    taken.iter().copied().find(|t| t[0] < to && from < t[1])
}

/// As near to its hit as its width allows, beside the labels already placed.
fn whole(word: &Wanted, left: f32, right: f32, taken: &[[f32; 2]]) -> Option<[f32; 2]> {
    let at = |from: f32| [from, from + word.width];
    let first = at(word.x.min(right - word.width).max(left));
    let Some(other) = overlaps(first, taken) else { return Some(first) };
    [at(other[1]), at(other[0] - word.width)]
        .into_iter()
        .find(|p| p[0] >= left && p[1] <= right && overlaps(*p, taken).is_none())
}

fn in_room(word: &Wanted, left: f32, right: f32, taken: &[[f32; 2]]) -> Option<[f32; 2]> {
    // at the right edge a label may begin before its hit
    let from = word.x.min(right - word.width).max(left);
    if overlaps([from, from + word.width], taken).is_none() {
        return Some([from, from + word.width]);
    }
    let from = word.x.max(left);
    let until = taken.iter().filter(|t| t[1] > from).map(|t| t[0]).fold(right, f32::min);
    (until - from >= MIN_WIDTH).then_some([from, until.min(from + word.width)])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn word(x: f32, width: f32, lit: bool) -> Wanted {
        Wanted { x, width, lit }
    }

    #[test]
    fn labels_never_overlap_and_lit_ones_are_not_cut() {
        let words = [
            word(0.0, 60.0, false),
            word(50.0, 60.0, true),
            word(70.0, 30.0, false),
            word(112.0, 30.0, false),
            word(120.0, 40.0, true),
            word(390.0, 50.0, false),
        ];
        let places = places(&words, 0.0, 400.0);
        assert_eq!(places[0], Some([0.0, 50.0]), "cut before the lit word");
        assert_eq!(places[1], Some([50.0, 110.0]));
        assert_eq!(places[2], None, "it would begin within another");
        assert_eq!(places[3], None, "no room for four letters");
        assert_eq!(places[4], Some([120.0, 160.0]));
        assert_eq!(places[5], Some([350.0, 400.0]), "moved in from the edge");
        let mut all: Vec<[f32; 2]> = places.into_iter().flatten().collect();
        all.sort_by(|a, b| a[0].total_cmp(&b[0]));
        assert!(all.windows(2).all(|p| p[0][1] <= p[1][0]), "{all:?}");
    }

    #[test]
    fn two_lit_labels_at_one_place_are_drawn_side_by_side() {
        let words = [word(380.0, 60.0, true), word(385.0, 40.0, true)];
        assert_eq!(places(&words, 0.0, 400.0), [Some([340.0, 400.0]), Some([300.0, 340.0])]);
    }
}
