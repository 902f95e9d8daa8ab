//! kit.json is what its schema (`src/core/export/kit.schema.json`) says, and the schema says all of it.

use kitwright_core::{
    export::{PadSummary, Summary, TakeSummary, TargetSummary, Tuning},
    kit::Role,
};
use serde_json::{Value, json};

fn schema() -> Value {
    serde_json::from_str(include_str!("../../src/core/export/kit.schema.json")).expect("the schema is JSON")
}

/// What is wrong with `value` by the part `schema` of `root`; draft 2020-12, as far as the schema uses it. An unknown word
/// in the schema is a mistake of the schema.
fn fault(root: &Value, schema: &Value, value: &Value) -> Option<String> {
    for (word, rule) in schema.as_object().expect("a schema is an object") {
        let wrong = |what: &str| Some(format!("{value}: {what} {rule}"));
        let found = match word.as_str() {
            "$schema" | "$id" | "$defs" | "title" | "description" | "properties" => None,
            "$ref" => {
                let place = rule.as_str().and_then(|r| r.strip_prefix('#')).expect("a place in the schema");
                fault(root, root.pointer(place).expect("it is there"), value)
            }
            "type" => {
                let is = |kind: &Value| match kind.as_str().expect("a word") {
                    "object" => value.is_object(),
                    "array" => value.is_array(),
                    "string" => value.is_string(),
                    "number" => value.is_number(),
                    "integer" => value.is_u64(),
                    "boolean" => value.is_boolean(),
                    "null" => value.is_null(),
                    other => panic!("no check for the type {other}"),
                };
                let kinds = rule.as_array().cloned().unwrap_or_else(|| vec![rule.clone()]);
                if kinds.iter().any(is) { None } else { wrong("is not of type") }
            }
            "enum" if !rule.as_array().expect("a list").contains(value) => wrong("is none of"),
            "minimum" if value.as_f64() < rule.as_f64() && value.is_number() => wrong("is below"),
            "maximum" if value.as_f64() > rule.as_f64() => wrong("is above"),
            "minItems" if items(value) < rule.as_u64() => wrong("has fewer items than"),
            "maxItems" if items(value) > rule.as_u64() => wrong("has more items than"),
            "enum" | "minimum" | "maximum" | "minItems" | "maxItems" => None,
            "items" => value.as_array().and_then(|all| all.iter().find_map(|item| fault(root, rule, item))),
            "required" => {
                let names =
                    rule.as_array().expect("a list").iter().map(|name| name.as_str().expect("a name"));
                names
                    .clone()
                    .find(|name| value.get(name).is_none())
                    .map(|name| format!("{value} has no {name}"))
            }
            "additionalProperties" => {
                assert_eq!(rule, false);
                let known = schema["properties"].as_object().expect("properties");
                let unknown =
                    value.as_object().and_then(|v| v.keys().find(|name| !known.contains_key(*name)));
                unknown.map(|name| format!("{name} is not in the schema"))
            }
            other => panic!("no check for {other}"),
        };
        if found.is_some() {
            return found;
        }
    }
    let properties = schema.get("properties").and_then(Value::as_object).into_iter().flatten();
    properties
        .filter_map(|(name, rule)| Some((rule, value.get(name)?)))
        .find_map(|(rule, v)| fault(root, rule, v))
}

fn items(value: &Value) -> Option<u64> {
    value.as_array().map(|all| all.len() as u64)
}

/// A summary with every field that there is.
fn full() -> Summary {
    let pad = PadSummary {
        note: 36,
        role: Role::Kick,
        file: "pads/36-kick.wav".into(),
        score: Some(0.9),
        unsure: Some("hard to tell".into()),
        tidied: true,
        target: Some(TargetSummary {
            sound: "mine.wav".into(),
            distance_db: 3.1,
            distance_by_recipe_db: 8.4,
            not_fitted: true,
        }),
        weak: Some("little for it; strike lower".into()),
        tuned: Some(Tuning { note: "A1".into(), cents: -31.4 }),
        shares_hit_with: vec![38],
        take: 0,
        start: 1.25,
        end: 1.5,
        fit: Some(0.8),
        alternates: 3,
    };
    let percussion = PadSummary {
        role: Role::Percussion,
        score: None,
        fit: None,
        unsure: None,
        tidied: false,
        target: None,
        weak: None,
        tuned: None,
        shares_hit_with: Vec::new(),
        ..pad.clone()
    };
    let take =
        TakeSummary { file: "take.wav".into(), seconds: 2.0, hits: 12, faults: vec!["it hums".into()] };
    let quiet = TakeSummary { faults: Vec::new(), ..take.clone() };
    Summary {
        name: "Kit".into(),
        key: Some("A minor".into()),
        takes: vec![take, quiet],
        pads: vec![pad, percussion],
        roles_empty: Role::ALL.to_vec(),
    }
}

#[test]
fn every_field_of_kit_json_is_in_the_schema() {
    let schema = schema();
    let value = serde_json::to_value(full()).unwrap();
    assert_eq!(fault(&schema, &schema, &value), None);
    // nothing is described that is never written
    let names = |place: &str| -> Vec<String> {
        schema.pointer(place).unwrap()["properties"].as_object().unwrap().keys().cloned().collect()
    };
    let written = |value: &Value| value.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(""), written(&value));
    assert_eq!(names("/$defs/take"), written(&value["takes"][0]));
    assert_eq!(names("/$defs/pad"), written(&value["pads"][0]));
    let empty = Summary { key: None, takes: Vec::new(), pads: Vec::new(), roles_empty: Vec::new(), ..full() };
    assert_eq!(fault(&schema, &schema, &serde_json::to_value(empty).unwrap()), None);
}

#[test]
fn fields_that_are_always_written_are_required_and_no_others() {
    let schema = schema();
    let value = serde_json::to_value(full()).unwrap();
    // the second take and pad have nothing that can be left out
    for (place, sparse) in [("/$defs/take", &value["takes"][1]), ("/$defs/pad", &value["pads"][1])] {
        let mut required: Vec<&str> = schema.pointer(place).unwrap()["required"]
            .as_array()
            .unwrap()
            .iter()
            .filter_map(Value::as_str)
            .collect();
        required.sort_unstable();
        let mut written: Vec<&str> = sparse.as_object().unwrap().keys().map(String::as_str).collect();
        written.sort_unstable();
        assert_eq!(required, written, "{place}");
    }
}

#[test]
fn what_is_no_kit_json_is_refused() {
    let schema = schema();
    let good = serde_json::to_value(full()).unwrap();
    for (place, wrong) in [
        ("/name", json!(3)),
        ("/pads/0/note", json!(128)),
        ("/pads/0/role", json!("banjo")),
        ("/pads/0/score", json!(1.5)),
        ("/pads/0/shares_hit_with", json!([])),
        ("/pads/0/start", json!(-0.1)),
        ("/takes/0/hits", json!(1.5)),
        ("/takes", json!({})),
        ("/roles_empty/0", json!(null)),
    ] {
        let mut value = good.clone();
        *value.pointer_mut(place).unwrap() = wrong;
        assert!(fault(&schema, &schema, &value).is_some(), "{place}");
    }
    for name in ["name", "takes", "pads", "roles_empty"] {
        let mut value = good.clone();
        value.as_object_mut().unwrap().remove(name);
        assert!(fault(&schema, &schema, &value).is_some(), "{name}");
    }
    let mut more = good;
    more["pads"][0]["colour"] = json!("red");
    assert!(fault(&schema, &schema, &more).is_some());
}

#[test]
fn the_schema_lists_the_roles() {
    let words: Vec<&str> = Role::ALL.iter().map(|role| role.word()).collect();
    assert_eq!(schema()["$defs"]["role"]["enum"], json!(words));
}
