//! The walk and the JSON Schema of R4, the authority, agree on whether the schema has anything to say.

use super::*;
use crate::schema::{known, validator};
use proptest::prelude::*;
use proptest::sample::Index;
use std::sync::LazyLock;

/// The official examples of R4 and the published test cases that can be validated, each alone.
static RESOURCES: LazyLock<Vec<Json>> = LazyLock::new(|| {
    let mut found = Vec::new();
    for folder in ["official", "testcases", "clinic"] {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures").join(folder);
        let mut files: Vec<_> =
            std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        files.sort();
        for text in files.iter().filter_map(|file| std::fs::read(file).ok()) {
            let Ok(one) = crate::json::parse(&text) else { continue };
            let entries = one.get("entry").and_then(Json::as_array).cloned().unwrap_or_default();
            found.extend(entries.iter().filter_map(|entry| entry.get("resource").cloned()));
            found.push(one);
        }
    }
    found.retain(|one| one["resourceType"].as_str().and_then(known).is_some());
    found
});

fn verdicts(value: &Json) -> (bool, bool) {
    let kind = value["resourceType"].as_str().unwrap_or_default();
    let members = value.as_object().unwrap();
    let scope = Scope { resource: members, root: members };
    let definition = schema::definition(kind).unwrap();
    let native = check(definition, members, &scope, At::Root(kind), &mut Vec::new());
    (native, validator(kind).unwrap().is_valid(value))
}

#[test]
fn the_table_and_the_schema_agree_on_published_resources() {
    let told: Vec<(bool, bool)> = RESOURCES.iter().map(verdicts).collect();
    assert!(told.iter().all(|(native, schema)| native == schema));
    assert!(told.len() > 150 && told.iter().filter(|(native, _)| *native).count() > 100, "{}", told.len());
}

fn pointers(value: &Json, at: &str, all: &mut Vec<String>) {
    match value {
        Json::Array(items) => {
            items.iter().enumerate().for_each(|(n, item)| pointers(item, &format!("{at}/{n}"), all));
        }
        Json::Object(members) => {
            members.iter().for_each(|(name, member)| pointers(member, &format!("{at}/{name}"), all));
        }
        _ => {}
    }
    if !at.is_empty() {
        all.push(at.to_owned());
    }
}

/// What takes the place of a value: other JSON types, and texts that some forms have and others have not.
fn odd() -> impl Strategy<Value = Json> {
    let text = |text: &str| Json::from(text);
    prop_oneof![
        Just(Json::Null),
        any::<bool>().prop_map(Json::from),
        any::<i32>().prop_map(Json::from),
        Just(serde_json::json!({})),
        Just(serde_json::json!({ "id": "x" })),
        Just(serde_json::json!([])),
        Just(serde_json::json!(["x"])),
        Just(serde_json::json!([null, { "extension": [{ "url": "x", "valueCode": "y" }] }])),
        proptest::sample::select(vec![
            "2024",
            "2024-13",
            "2024-02-30",
            "10:00:00",
            "a b",
            "a  b",
            " ",
            "final",
            "active",
            "male",
            "urn:uuid:x",
            "1.5",
            "2024-01-01T00:00:00Z",
            "Patient",
            "\u{b}",
            "",
        ])
        .prop_map(text),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20_000))]

    // One change: another value, another name, a member less or a member more.
    #[test]
    fn the_table_and_the_schema_agree_on_changed_resources(
        (one, node, how, odd) in (any::<Index>(), any::<Index>(), 0..4_u8, odd()),
        name in proptest::sample::select(vec![
            "id", "extension", "status", "valueString", "valueBoolean", "_status", "unknown", "resourceType",
            "code", "text", "reference", "contained", "birthDate", "Status", "_",
        ]),
    ) {
        let mut value = one.get(&RESOURCES).clone();
        let mut all = Vec::new();
        pointers(&value, "", &mut all);
        let pointer = node.get(&all);
        let (around, last) = pointer.rsplit_once('/').unwrap();
        match (how, value.pointer_mut(around)) {
            (0, Some(Json::Object(members))) => drop(members.shift_remove(last)),
            (1, Some(Json::Object(members))) => drop(members.insert(name.to_owned(), odd)),
            (2, Some(Json::Object(members))) => {
                let moved = members.shift_remove(last).unwrap();
                members.insert(name.to_owned(), moved);
            }
            _ => *value.pointer_mut(pointer).unwrap() = odd,
        }
        if value["resourceType"].as_str().and_then(known).is_some() {
            let (native, schema) = verdicts(&value);
            prop_assert_eq!(native, schema, "{} {}", pointer, value);
        }
    }
}
