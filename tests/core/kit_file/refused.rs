//! Files that are no kit, damaged or made to do harm are refused.

use super::{bytes, kit, refusal, repacked, stored, with_document};
use kitwright_core::{
    kit::{Kit, VERSION},
    progress::Quiet,
    take::Take,
};
use proptest::prelude::*;
use std::io::{Cursor, Write};
use zip::{ZipWriter, write::SimpleFileOptions};

#[test]
fn files_that_are_no_kit_are_refused() {
    assert!(refusal(b"").contains("not a kit"));
    assert!(refusal(b"Dear neighbour, about the drums last night").contains("not a kit"));
    assert!(refusal(&bytes()[..bytes().len() / 2]).contains("cut short"));
    assert!(refusal(&repacked(|name, c| (name != "kit.json").then_some(c))).contains("kit.json"));
    assert!(refusal(&repacked(|name, c| (name != "takes/1.flac").then_some(c))).contains("takes/1.flac"));
    assert!(
        refusal(&repacked(|name, c| Some(if name == "kit.json" { b"{\"version\":1,".to_vec() } else { c })))
            .contains("kit.json")
    );
    assert!(
        refusal(&repacked(|name, c| Some(if name == "takes/0.flac" { b"fLaC no more".to_vec() } else { c })))
            .contains("knocks")
    );
    assert!(
        refusal(&repacked(|name, c| Some(if name == "takes/0.flac" {
            c[..c.len() / 2].to_vec()
        } else {
            c
        })))
        .contains("cut short")
    );
}

#[test]
fn a_newer_version_is_refused_with_what_to_do() {
    let text = refusal(&with_document(|doc| {
        doc["version"] = (VERSION + 1).into();
        doc["pads"] = "something this version cannot read".into();
    }));
    assert!(
        text.contains("newer") && text.contains(&(VERSION + 1).to_string()) && text.contains("install"),
        "{text}"
    );
    assert!(refusal(&with_document(|doc| doc["version"] = 0.into())).contains("version 0"));
    assert!(
        refusal(&with_document(|doc| drop(doc.as_object_mut().unwrap().remove("version"))))
            .contains("version")
    );
}

#[test]
fn takes_that_disagree_with_the_document_are_refused() {
    assert!(refusal(&with_document(|doc| doc["takes"][0]["frames"] = 29_999.into())).contains("29999"));
    assert!(refusal(&with_document(|doc| doc["takes"][0]["frames"] = 30_001.into())).contains("30001"));
    assert!(refusal(&with_document(|doc| doc["takes"][0]["sample_rate"] = 48_000.into())).contains("48000"));
    assert!(refusal(&with_document(|doc| doc["takes"][0]["channels"] = 1.into())).contains("channels"));
    let swapped = repacked(|name, c| {
        Some(if name == "takes/0.flac" { kit().takes[1].flac().unwrap().to_vec() } else { c })
    });
    refusal(&swapped);
}

#[test]
fn manipulated_archives_are_refused() {
    let packed = |name: &str, content: &[u8], options: SimpleFileOptions| {
        let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
        zip.start_file(name, options).unwrap();
        zip.write_all(content).unwrap();
        zip.finish().unwrap().into_inner()
    };
    for name in ["../../outside", "/etc/outside", "takes/../../outside"] {
        assert!(refusal(&packed(name, b"x", stored())).contains("points out"), "{name}");
    }
    // A size in the directory that exceeds the archive.
    let mut oversized = packed("kit.json", &[b' '; 100], stored());
    let directory = oversized.windows(4).rposition(|w| w == b"PK\x01\x02").unwrap();
    oversized[directory + 20..directory + 24].copy_from_slice(&0x7fff_ffff_u32.to_le_bytes());
    oversized[directory + 24..directory + 28].copy_from_slice(&0x7fff_ffff_u32.to_le_bytes());
    refusal(&oversized);
    // Method 8: deflated by another program.
    let mut deflated = packed("kit.json", b"{}", stored());
    let directory = deflated.windows(4).rposition(|w| w == b"PK\x01\x02").unwrap();
    deflated[8] = 8;
    deflated[directory + 10] = 8;
    assert!(refusal(&deflated).contains("packed anew"));
    // A document nested a million deep.
    let deep = packed("kit.json", "[".repeat(1_000_000).as_bytes(), stored());
    assert!(refusal(&deep).contains("kit.json"));
}

/// A FLAC stream of silence is tiny, so its length is checked while it is decoded.
#[test]
fn a_take_longer_than_the_document_says_is_refused_while_it_is_decoded() {
    let long = Take::from_samples("long", 48_000, vec![vec![0.0; 48_000 * 60]]);
    let flac = long.flac().unwrap();
    assert!(flac.len() < 100_000);
    let bytes = repacked(|name, c| Some(if name == "takes/1.flac" { flac.to_vec() } else { c }));
    assert!(refusal(&bytes).contains("30000"), "refused as soon as it is longer than the document says");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    /// Never a panic.
    #[test]
    fn changed_bytes_give_a_whole_kit_or_an_error(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
        cut in prop::option::of(any::<prop::sample::Index>()),
        document_only in any::<bool>(),
    ) {
        let mut bytes = bytes().to_vec();
        let span = if document_only { bytes.windows(4).position(|w| w == b"fLaC").unwrap() } else { bytes.len() };
        for (at, value) in changes {
            let i = at.index(span);
            bytes[i] = value;
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        if let Ok(kit) = Kit::from_bytes(&bytes, &Quiet) {
            kit.doc.check(&kit.takes).unwrap();
        }
    }

    /// A changed document with right checksums in the archive.
    #[test]
    fn changed_documents_give_a_whole_kit_or_an_error(
        changes in prop::collection::vec((any::<prop::sample::Index>(), prop::sample::select(&b"0123456789.-e[]{}\",:nul "[..])), 1..6),
    ) {
        let bytes = repacked(|name, mut content| {
            if name == "kit.json" {
                for (at, value) in &changes {
                    let i = at.index(content.len());
                    content[i] = *value;
                }
            }
            Some(content)
        });
        if let Ok(kit) = Kit::from_bytes(&bytes, &Quiet) {
            kit.doc.check(&kit.takes).unwrap();
        }
    }
}
