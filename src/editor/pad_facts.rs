//! What is to be known of a pad beside its score: that the recording gives little for it, that it shares its hit, and what
//! tuning did.

use super::score_text;
use kitwright_core::{
    export::{shares_hit_with, tuning},
    kit::{Document, Pad},
};

/// A sentence about a pad.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fact {
    /// The sentence.
    pub text: String,
    /// Whether it warns of something to mend.
    pub warns: bool,
}

/// The facts about a pad, warnings first.
pub fn of(doc: &Document, pad: usize) -> Vec<Fact> {
    let Some(built) = doc.pads.get(pad) else { return Vec::new() };
    let warning = score_text::weak(built).map(|text| Fact { text, warns: true });
    let told = [shared(doc, pad), tuned(doc, built), score_text::doubt(built)];
    let told = told.into_iter().flatten().map(|text| Fact { text, warns: false });
    warning.into_iter().chain(told).collect()
}

/// "This hit also plays the clap and the ride."
fn shared(doc: &Document, pad: usize) -> Option<String> {
    let own = &doc.pads[pad];
    let notes = shares_hit_with(doc, pad);
    let others: Vec<&Pad> = doc.pads.iter().filter(|other| notes.contains(&other.note)).collect();
    let second = |other: &Pad| if other.role == own.role { "other " } else { "" };
    let words: Vec<String> = others.iter().map(|o| format!("the {}{}", second(o), o.role)).collect();
    let (last, first) = words.split_last()?;
    let all = if first.is_empty() { last.clone() } else { format!("{} and {last}", first.join(", ")) };
    let alike = others.iter().any(|other| other.role == own.role && sounds_alike(own, other));
    let same = if alike { format!(" The other {} is the same sound.", own.role) } else { String::new() };
    Some(format!("This hit also plays {all}.{same}"))
}

/// Whether two pads of one hit are built alike; level and place in the mix may differ.
fn sounds_alike(a: &Pad, b: &Pad) -> bool {
    (&a.slices, &a.layers, &a.cloud, &a.tone) == (&b.slices, &b.layers, &b.cloud, &b.tone)
}

/// "Tuned to A2, 12 cents up."
fn tuned(doc: &Document, pad: &Pad) -> Option<String> {
    let tuning = tuning(doc, pad)?;
    let cents = tuning.cents.abs();
    Some(match tuning.cents {
        _ if cents < 0.5 => format!("Tuned to {}, where it was already.", tuning.note),
        up if up > 0.0 => format!("Tuned to {}, {cents:.0} cents up.", tuning.note),
        _ => format!("Tuned to {}, {cents:.0} cents down.", tuning.note),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::kit::{Audition, Role, Slice};

    /// A document whose pads are made of these hits, in turn.
    fn document(hits: &[usize]) -> Document {
        let mut doc = Document::default();
        for (pad, &hit) in doc.pads.iter_mut().zip(hits) {
            let start = 100 * hit as u64;
            let slice = Slice { take: 0, start, end: start + 100, gain_db: 0.0, velocities: [0.0, 1.0] };
            pad.slices = vec![slice];
            pad.fit = 0.8;
            pad.audition = Some(Audition { take: 0, hit, score: 0.9, ..Audition::default() });
        }
        doc
    }

    fn texts(doc: &Document, pad: usize) -> Vec<String> {
        of(doc, pad).into_iter().map(|fact| fact.text).collect()
    }

    #[test]
    fn the_pads_that_share_a_hit_are_named() {
        // kick, rim, snare, clap, snare
        let mut doc = document(&[0, 1, 2, 0, 2, 0]);
        assert_eq!(texts(&doc, 0), ["This hit also plays the clap and the closed hat."]);
        assert_eq!(
            texts(&doc, 2),
            ["This hit also plays the other snare. The other snare is the same sound."]
        );
        doc.pads[4].layers[0].settings.pitch_st = 2.0;
        assert_eq!(texts(&doc, 2), ["This hit also plays the other snare."]);
    }

    #[test]
    fn tuning_is_told_in_cents() {
        let mut doc = document(&[0]);
        doc.key = Some("A minor".parse().unwrap());
        doc.pads[0].tone.note_bell.hz = 110.0;
        for (cents, words) in [(12.4, "Tuned to A2, 12 cents up."), (-31.0, "Tuned to A2, 31 cents down.")] {
            doc.pads[0].audition.as_mut().unwrap().tuned_ct = Some(cents);
            assert_eq!(texts(&doc, 0), [words]);
        }
        doc.pads[0].audition.as_mut().unwrap().tuned_ct = None;
        assert!(texts(&doc, 0).is_empty());
    }

    #[test]
    fn a_weak_pad_is_warned_of_first() {
        let mut doc = document(&[0, 1]);
        doc.pads[1].role = Role::Rim;
        doc.pads[1].audition.as_mut().unwrap().score = 0.1;
        let facts = of(&doc, 1);
        assert_eq!(facts.iter().map(|f| f.warns).collect::<Vec<_>>(), [true, false], "{facts:?}");
        assert!(facts[0].text.starts_with("Rim: nothing in this recording comes close"));
        assert!(facts[1].text.starts_with("Unsure: recorded rims"));
    }
}
