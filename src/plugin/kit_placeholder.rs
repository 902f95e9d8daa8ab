//! A placeholder for the kit's text in the framework's JSON while a host saves or loads.
//!
//! The framework keeps the kit as JSON within JSON and would copy and scan its megabytes three times on the host's main
//! thread. The guards let it work on a state with a short placeholder, and put the kit's text in its place: the bytes
//! that a host keeps are the same as without that.

use std::{cell::RefCell, sync::Arc};

/// Stands for the kit's text in the framework's part. No base64 text is like it.
pub(super) const PLACEHOLDER: &str = "@";
/// What comes before the kit's text in a state: the field, and the quotation mark of the text within it.
const BEFORE: &[u8] = b"\"kit\":\"\\\"";
/// What follows it.
const AFTER: &[u8] = b"\\\"\"";

thread_local! {
    /// The kit's text of the state that this thread saves or loads; the outer `None` when it does neither.
    static KIT_TEXT: RefCell<Option<Option<Arc<String>>>> = const { RefCell::new(None) };
}

/// Calls `save` so that [`take_out_while_saving`] takes the kit's text: returns it beside the result, `None` when there was
/// none.
pub(super) fn while_saving<R>(save: impl FnOnce() -> R) -> (R, Option<Arc<String>>) {
    KIT_TEXT.set(Some(None));
    let result = save();
    (result, KIT_TEXT.take().flatten())
}

/// Calls `load` so that [`kit_text_while_loading`] gives `kit`.
pub(super) fn while_loading<R>(kit: Option<Arc<String>>, load: impl FnOnce() -> R) -> R {
    KIT_TEXT.set(Some(kit));
    let result = load();
    KIT_TEXT.take();
    result
}

/// Takes the kit's text out of the state that this thread saves through a guard; returns whether it saves through one.
pub(super) fn take_out_while_saving(text: &Arc<String>) -> bool {
    KIT_TEXT.with_borrow_mut(|kit| {
        if let Some(kit) = kit {
            *kit = Some(text.clone());
        }
        kit.is_some()
    })
}

/// The kit's text of the state that this thread loads through a guard.
pub(super) fn kit_text_while_loading() -> Option<Arc<String>> {
    KIT_TEXT.with_borrow(|kit| kit.clone().flatten())
}

/// The framework's JSON around the kit's text, in order; `None` when nothing stands for a kit in it.
pub(super) fn join<'a>(json: &'a [u8], kit: &'a str) -> Option<[&'a [u8]; 3]> {
    let start = after_key(json)?;
    let (head, rest) = json.split_at(start);
    let tail = rest.strip_prefix(PLACEHOLDER.as_bytes())?;
    tail.starts_with(AFTER).then_some([head, kit.as_bytes(), tail])
}

/// Takes the kit's text out of a state; one in which it does not stand as this program writes it stays whole. The text's
/// megabytes are searched by the standard library, which is quick in every build, and moved once.
pub(super) fn split_off_kit(mut state: Vec<u8>) -> (Vec<u8>, Option<Arc<String>>) {
    let Some(start) = after_key(&state) else { return (state, None) };
    let length = std::str::from_utf8(&state[start..]).ok().and_then(|text| text.find('\\'));
    let Some(end) = length.map(|length| start + length) else { return (state, None) };
    if !state[end..].starts_with(AFTER) || state[start..end].contains(&b'"') {
        return (state, None);
    }
    let json = [&state[..start], PLACEHOLDER.as_bytes(), &state[end..]].concat();
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
        let (json, kit) = split_off_kit(STATE.to_vec());
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
            assert_eq!(split_off_kit(state.to_vec()), (state.to_vec(), None));
            assert_eq!(join(state, "QUJD"), None);
        }
    }
}
