//! Values out of range in a document are refused.

use super::{kit, refusal, with_document};
use kitwright_core::{kit::Kit, settings::Setting};

#[test]
fn values_out_of_range_are_refused_by_name() {
    type Change<'a> = &'a dyn Fn(&mut serde_json::Value);
    let cases: &[(&str, Change<'_>)] = &[
        ("pad 4: Level", &|d| d["pads"][3]["level_db"] = 99.0.into()),
        ("pad 4, layer 2: Pitch", &|d| d["pads"][3]["layers"][1]["pitch_st"] = (-99.0).into()),
        ("pad 4, cloud: Copies", &|d| d["pads"][3]["cloud"]["copies"] = 49.into()),
        ("pad 1, low cut: Frequency", &|d| d["pads"][0]["tone"]["low_cut"]["hz"] = 0.0.into()),
        ("pad 1, punch: Ratio", &|d| d["pads"][0]["tone"]["punch"]["ratio"] = 0.5.into()),
        ("pad 1, low band: Attack", &|d| d["pads"][0]["tone"]["low_band"]["attack_ms"] = 1e30.into()),
        ("pad 1, limiter: Threshold", &|d| d["pads"][0]["tone"]["limiter"]["threshold_db"] = 1.0.into()),
        ("pad 1, last limiter: Release", &|d| d["pads"][0]["tone"]["colour"]["release_ms"] = 0.0.into()),
        ("pad 1, saturation: Drive", &|d| d["pads"][0]["tone"]["saturation"]["drive_db"] = 99.0.into()),
        ("pad 1, band 3: Gain", &|d| d["pads"][0]["tone"]["bands"][2]["gain_db"] = 99.0.into()),
        ("pad 4, dip 8: Q", &|d| d["pads"][3]["tone"]["dips"][7]["q"] = 0.0.into()),
        ("pad 1, bell on the note: Gain", &|d| d["pads"][0]["tone"]["note_bell"]["gain_db"] = 99.0.into()),
        ("pad 1, variation: Pitch", &|d| d["pads"][0]["variation"]["pitch_ct"] = 999.0.into()),
        ("pad 1, trims: Level", &|d| d["trims"]["pads"][0]["level_db"] = 99.0.into()),
        ("the kit's trims: Ceiling level", &|d| d["trims"]["kit"]["ceiling_db"] = 1.0.into()),
        ("the kit's fit", &|d| d["fit"] = 1.5.into()),
        ("pad 4: its fit", &|d| d["pads"][3]["fit"] = (-0.1).into()),
        ("pad 4: how far it is tidied up", &|d| d["pads"][3]["tidied"] = 1.5.into()),
        ("pad 1, tone: Tilt", &|d| d["pads"][0]["tone"]["tilt_db"] = 99.0.into()),
        ("pad 1, tone: Low band up to", &|d| d["pads"][0]["tone"]["low_band_hz"] = 0.0.into()),
        ("key part 1: Glide", &|d| d["key_parts"][0]["glide_ms"] = 9e9.into()),
        ("key part 1: Channel", &|d| d["key_parts"][0]["channel"] = 0.into()),
        ("key part 1, slice: Gain", &|d| d["key_parts"][0]["slice"]["gain_db"] = 1e9.into()),
        ("key part 1: its fundamental", &|d| d["key_parts"][0]["root_hz"] = 0.0.into()),
        ("key part 1: its loop", &|d| d["key_parts"][0]["loop"]["end"] = 24_001.into()),
        ("key part 1: its loop", &|d| d["key_parts"][0]["loop"]["start"] = 23_500.into()),
        ("key part 1: its loop", &|d| d["key_parts"][0]["loop"]["fade"] = 1501.into()),
        ("key part 1 reads from take 3", &|d| d["key_parts"][0]["slice"]["take"] = 2.into()),
        ("3 key parts", &|d| d["key_parts"].as_array_mut().unwrap().push(serde_json::json!({}))),
        ("15 pads", &|d| drop(d["pads"].as_array_mut().unwrap().pop())),
        ("17 pads", &|d| {
            let p = d["pads"][0].clone();
            d["pads"].as_array_mut().unwrap().push(p)
        }),
        ("pad 1 has 0 layers", &|d| d["pads"][0]["layers"] = serde_json::json!([])),
        ("pad 1 has 5 layers", &|d| d["pads"][0]["layers"] = serde_json::json!([{}, {}, {}, {}, {}])),
        ("9 dips", &|d| {
            let p = d["pads"][3]["tone"]["dips"][0].clone();
            d["pads"][3]["tone"]["dips"].as_array_mut().unwrap().push(p)
        }),
        ("share note 36", &|d| d["pads"][1]["note"] = 36.into()),
        ("note 128", &|d| d["pads"][1]["note"] = 128.into()),
        ("stage of the tone chain", &|d| d["pads"][0]["tone"]["order"][0] = "eq".into()),
        ("take 3", &|d| d["pads"][3]["slices"][0]["take"] = 2.into()),
        ("pad 4 reads from take 1844", &|d| d["pads"][3]["slices"][0]["take"] = u64::MAX.into()),
        ("pad 4 reads frames", &|d| d["pads"][3]["slices"][0]["end"] = 30_001.into()),
        ("pad 4 reads frames", &|d| d["pads"][3]["layers"][1]["slice"]["start"] = 24_000.into()),
        ("pad 4, slice 1: Gain", &|d| d["pads"][3]["slices"][0]["gain_db"] = 1e9.into()),
        ("pad 4, slice of layer 2: Gain", &|d| d["pads"][3]["layers"][1]["slice"]["gain_db"] = 1e9.into()),
        ("slice's velocity", &|d| d["pads"][3]["slices"][0]["velocities"][1] = 0.1.into()),
        ("a hit that is not there", &|d| d["pads"][3]["audition"]["hit"] = 5.into()),
        ("a hit that is not there", &|d| d["pads"][3]["audition"]["next_best"][1][0] = 2.into()),
        ("a score", &|d| d["pads"][3]["audition"]["score"] = 2.0.into()),
        ("hit 1 lies outside", &|d| d["takes"][0]["hits"][0]["end"] = 0.into()),
        ("hit 5 lies outside", &|d| d["takes"][0]["hits"][4]["end"] = 30_001.into()),
        ("no recording", &|d| d["takes"][0]["sample_rate"] = 7.into()),
        ("more audio than", &|d| d["takes"][0]["frames"] = u64::MAX.into()),
        ("kit.json", &|d| d["pads"][0]["level_db"] = serde_json::Value::Null),
        ("kit.json", &|d| d["pads"][0]["role"] = "trumpet".into()),
        ("kit.json", &|d| d["key"] = "H flat".into()),
        ("kit.json", &|d| d["pads"][0]["cloud"]["copies"] = 300.into()),
        ("kit.json", &|d| d["takes"][0]["frames"] = (-1).into()),
    ];
    for (name, change) in cases {
        let text = refusal(&with_document(change));
        assert!(text.contains(name), "{name}: {text}");
    }
}

/// Each setting of each structure in a document, one at a time.
#[test]
fn every_setting_of_every_table_is_checked() {
    fn check_all<T>(table: &[Setting<T>], owner: impl Fn(&mut Kit) -> &mut T) -> usize {
        let mut seen = 0;
        for setting in table {
            for wrong in [setting.min - 1.0 - setting.min.abs(), setting.max + 1.0 + setting.max.abs()] {
                let mut kit = kit();
                (setting.set)(owner(&mut kit), wrong);
                let now = (setting.get)(owner(&mut kit));
                if (setting.min..=setting.max).contains(&now) {
                    continue; // switches and words cannot hold a wrong value, counts none below 0
                }
                seen += 1;
                let error = kit.doc.check(&kit.takes).expect_err(setting.id).to_string();
                assert!(error.contains(setting.name), "{}: {error}", setting.id);
                kit.doc.mend();
                kit.doc.check(&kit.takes).unwrap();
            }
        }
        seen
    }
    use kitwright_core::{kit as k, settings as s};
    let counts = [
        check_all(&k::PAD, |k| &mut k.doc.pads[15].settings),
        check_all(&k::CLOUD, |k| &mut k.doc.pads[15].cloud),
        check_all(&k::VARIATION, |k| &mut k.doc.pads[15].variation),
        check_all(&k::LAYER, |k| &mut k.doc.pads[3].layers[1].settings),
        check_all(&k::SLICE, |k| &mut k.doc.pads[3].slices[0]),
        check_all(&k::SLICE, |k| k.doc.pads[3].layers[1].slice.as_mut().unwrap()),
        check_all(&k::TONE, |k| &mut k.doc.pads[15].tone),
        check_all(&k::CUT, |k| &mut k.doc.pads[15].tone.low_cut),
        check_all(&k::CUT, |k| &mut k.doc.pads[15].tone.high_cut),
        check_all(&k::LIMITER, |k| &mut k.doc.pads[15].tone.limiter),
        check_all(&k::LIMITER, |k| &mut k.doc.pads[15].tone.colour),
        check_all(&k::SATURATION, |k| &mut k.doc.pads[15].tone.saturation),
        check_all(&k::BAND, |k| &mut k.doc.pads[15].tone.bands[2]),
        check_all(&k::BAND, |k| &mut k.doc.pads[3].tone.dips[7]),
        check_all(&k::BAND, |k| &mut k.doc.pads[15].tone.note_bell),
        check_all(&k::COMPRESSOR, |k| &mut k.doc.pads[15].tone.punch),
        check_all(&k::COMPRESSOR, |k| &mut k.doc.pads[15].tone.low_band),
        check_all(&s::PAD_TRIMS, |k| &mut k.doc.trims.pads[15]),
        check_all(&s::KIT_TRIMS, |k| &mut k.doc.trims.kit),
    ];
    assert!(counts.iter().all(|&n| n >= 2), "{counts:?}");
}
