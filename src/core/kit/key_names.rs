//! What is written on the keys: role and number of the pads that a key plays.

use super::{Document, PADS, key_map};

/// Each key that sounds, with its name: "1 kick", or "5 percussion, 6 percussion" where a key plays two pads.
pub fn note_names(doc: &Document) -> Vec<(u8, String)> {
    let keys = key_map(doc);
    let name = |key: u8| {
        let on_key = |p: usize| keys.plays(key, p) && !doc.pads[p].is_empty();
        let pads = (0..doc.pads.len().min(PADS)).filter(|&p| on_key(p));
        let names: Vec<String> = pads.map(|p| format!("{} {}", p + 1, doc.pads[p].role)).collect();
        (!names.is_empty()).then(|| (key, names.join(", ")))
    };
    (0..128).filter_map(name).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kit::Slice;

    #[test]
    fn keys_carry_number_and_role_of_the_pads_that_sound() {
        let mut doc = Document::default();
        assert_eq!(note_names(&doc), []);
        let slice = Slice { take: 0, start: 0, end: 1, gain_db: 0.0, velocities: [0.0, 1.0] };
        doc.pads[0].slices.push(slice);
        doc.pads[1].slices.push(slice);
        doc.pads[2].slices.push(slice);
        doc.pads[2].note = 36;
        assert_eq!(note_names(&doc), [(36, "1 kick, 3 snare".into()), (37, "2 rim".into())]);
    }
}
