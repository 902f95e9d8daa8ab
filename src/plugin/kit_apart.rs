//! The kit's text kept out of the framework's JSON while a host saves or loads.
//!
//! The framework keeps the kit as JSON within JSON and would copy and scan its megabytes three times on the host's main
//! thread. The guards let it work on a state in which a short text stands for the kit's, and put the kit's text
//! in its place: the bytes that a host keeps are the same as without that.

use std::{cell::RefCell, sync::Arc};

/// Stands for the kit's text in the framework's part. No base64 text is like it.
pub(super) const STAND_IN: &str = "@";
/// What comes before the kit's text in a state: the field, and the quotation mark of the text within it.
const BEFORE: &[u8] = b"\"kit\":\"\\\"";
/// What follows it.
const AFTER: &[u8] = b"\\\"\"";

thread_local! {
    /// The kit's text apart from the state that this thread saves or loads; the outer `None` when it does neither.
    static APART: RefCell<Option<Option<Arc<String>>>> = const { RefCell::new(None) };
}

/// Calls `save` so that [`hold_back`] takes the kit's text: returns it beside the result, `None` when there was none.
pub(super) fn while_saving<R>(save: impl FnOnce() -> R) -> (R, Option<Arc<String>>) {
    APART.set(Some(None));
    let result = save();
    (result, APART.take().flatten())
}

/// Calls `load` so that [`held_back`] gives `kit`.
pub(super) fn while_loading<R>(kit: Option<Arc<String>>, load: impl FnOnce() -> R) -> R {
    APART.set(Some(kit));
    let result = load();
    APART.take();
    result
}

/// Keeps the kit's text apart, where this thread saves through a guard; whether it was taken.
pub(super) fn hold_back(text: &Arc<String>) -> bool {
    APART.with_borrow_mut(|apart| {
        if let Some(apart) = apart {
            *apart = Some(text.clone());
        }
        apart.is_some()
    })
}

/// The kit's text of the state that this thread loads through a guard.
pub(super) fn held_back() -> Option<Arc<String>> {
    APART.with_borrow(|apart| apart.clone().flatten())
}

/// The framework's JSON around the kit's text, in order; `None` when nothing stands for a kit in it.
pub(super) fn join<'a>(json: &'a [u8], kit: &'a str) -> Option<[&'a [u8]; 3]> {
    let start = after_key(json)?;
    let (head, rest) = json.split_at(start);
    let tail = rest.strip_prefix(STAND_IN.as_bytes())?;
    tail.starts_with(AFTER).then_some([head, kit.as_bytes(), tail])
}

/// Takes the kit's text out of a state; one in which it does not stand as this program writes it stays whole. The text's
/// megabytes are searched by the standard library, which is quick in every build, and moved once.
pub(super) fn part(mut state: Vec<u8>) -> (Vec<u8>, Option<Arc<String>>) {
    let Some(start) = after_key(&state) else { return (state, None) };
    let length = std::str::from_utf8(&state[start..]).ok().and_then(|text| text.find('\\'));
    let Some(end) = length.map(|length| start + length) else { return (state, None) };
    if !state[end..].starts_with(AFTER) || state[start..end].contains(&b'"') {
        return (state, None);
    }
    let json = [&state[..start], STAND_IN.as_bytes(), &state[end..]].concat();
    state.truncate(end);
    state.drain(..start);
    // a part of a text
    (json, String::from_utf8(state).ok().map(Arc::new))
}

/// Where the kit's text begins. Within a text of JSON the quotation marks of the key would be escaped, so that nothing
/// else is taken for it.
fn after_key(json: &[u8]) -> Option<usize> {
    json.windows(BEFORE.len()).position(|w| w == BEFORE).map(|at| at + BEFORE.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    const STATE: &[u8] =
        br#"{"version":"1","params":{},"fields":{"kit":"\"QUJD/+=\"","window":"{\"kit\":\"x\"}"}}"#;

    #[test]
    fn a_state_is_the_same_after_it_was_taken_apart_and_joined() {
        let (json, kit) = part(STATE.to_vec());
        let kit = kit.expect("a kit");
        assert_eq!(*kit, "QUJD/+=");
        assert!(serde_json::from_slice::<serde_json::Value>(&json).is_ok());
        assert_eq!(join(&json, &kit).expect("a place for it").concat(), STATE);
    }

    #[test]
    fn a_state_without_a_kit_as_it_is_written_stays_whole() {
        let cut = &STATE[..STATE.len() / 2];
        let odd = br#"{"fields":{"kit":"\"QU\\nD\""}}"#;
        let no_json = br#"{"fields":{"kit":"\"QU"D\""}}"#;
        let no_text = b"{\"fields\":{\"kit\":\"\\\"QU\xffD\\\"\"}}";
        for state in [
            cut,
            odd,
            no_json,
            no_text,
            br#"{"fields":{}}"#,
            b"",
            br#"{"fields":{"window":"{\"kit\":\"@\"}"}}"#,
        ] {
            assert_eq!(part(state.to_vec()), (state.to_vec(), None));
            assert_eq!(join(state, "QUJD"), None);
        }
    }
}
