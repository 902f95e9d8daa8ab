//! Lists and documents from strangers, read within bounded memory.

use serde::{
    Deserialize, Deserializer,
    de::{IgnoredAny, SeqAccess, Visitor},
};
use std::{fmt, marker::PhantomData};

/// Reads a list and keeps the first `MAX` + 1 elements: enough for [`super::Document::check`] to refuse a
/// list that is too long. The others take no memory. For `#[serde(deserialize_with)]`.
pub(super) fn list<'de, const MAX: usize, T, D>(from: D) -> Result<Vec<T>, D::Error>
where
    T: Deserialize<'de>,
    D: Deserializer<'de>,
{
    struct Elements<const MAX: usize, T>(PhantomData<T>);

    impl<'de, const MAX: usize, T: Deserialize<'de>> Visitor<'de> for Elements<MAX, T> {
        type Value = Vec<T>;

        fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
            f.write_str("a list")
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut from: A) -> Result<Vec<T>, A::Error> {
            let mut kept = Vec::new();
            while kept.len() <= MAX {
                match from.next_element()? {
                    Some(element) => kept.push(element),
                    None => return Ok(kept),
                }
            }
            while from.next_element::<IgnoredAny>()?.is_some() {}
            Ok(kept)
        }
    }

    from.deserialize_seq(Elements::<MAX, T>(PhantomData))
}

/// At least as many as there are values in a JSON text: its commas and opening brackets outside of strings.
/// What a document takes in memory is bounded by this, not by its bytes.
pub(super) fn count_values(json: &[u8]) -> usize {
    let (mut count, mut in_string, mut escaped) = (1, false, false);
    for &byte in json {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_string => escaped = true,
            b'"' => in_string = !in_string,
            b',' | b'[' | b'{' if !in_string => count += 1,
            _ => (),
        }
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Deserialize)]
    struct Short(#[serde(deserialize_with = "list::<2, _, _>")] Vec<u8>);

    #[test]
    fn a_list_keeps_one_more_than_it_may_have() {
        for (text, kept) in [("[]", 0), ("[1]", 1), ("[1,2]", 2), ("[1,2,3]", 3), ("[1,2,3,{},[5],6]", 3)] {
            assert_eq!(serde_json::from_str::<Short>(text).unwrap().0.len(), kept, "{text}");
        }
        assert!(serde_json::from_str::<Short>("[1,2,3,4").is_err(), "the rest is still read");
        assert!(serde_json::from_str::<Short>("3").is_err());
    }

    #[test]
    fn values_are_counted_outside_of_strings() {
        for (text, count) in [("3", 1), ("[]", 2), ("[1,2]", 3), (r#"{"a,[\"{,": [",", 2]}"#, 4)] {
            assert_eq!(count_values(text.as_bytes()), count, "{text}");
        }
    }
}
