//! Less of a resource than there is: `_summary` and `_elements`, with the tag that says so.
//!
//! Source: FHIR R4 search, sections `_summary` and `_elements`; ElementDefinition.isSummary, .min and .isModifier of the stored
//! types, cut down in profiles/r4/subset.json.

use crate::Json;
use serde_json::{Map, json};
use std::sync::LazyLock;

const SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue";
const SUBSETTED: &str = "SUBSETTED";

/// Of every resource: what it is, which one, and what may change the meaning of the rest.
const ALWAYS: &[&str] = &["resourceType", "id", "meta", "implicitRules", "modifierExtension"];

static ELEMENTS: LazyLock<Json> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../../profiles/r4/subset.json"))
        .expect("the embedded list of elements is JSON")
});

/// How much of a resource is wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Shape {
    /// All of it.
    Whole,
    /// `_summary=true`: what R4 marks as summary.
    Summary,
    /// `_summary=text`: narrative, id, meta and what is mandatory.
    Text,
    /// `_summary=data`: all but the narrative.
    Data,
    /// `_elements`: these, and what is mandatory.
    Elements(Vec<String>),
}

impl Shape {
    /// The shape that a value of `_summary` names; nothing for `count` and what R4 does not know.
    pub fn summary(value: &str) -> Option<Self> {
        match value {
            "true" => Some(Self::Summary),
            "text" => Some(Self::Text),
            "data" => Some(Self::Data),
            "false" => Some(Self::Whole),
            _ => None,
        }
    }

    /// The resource in this shape, tagged SUBSETTED unless it is whole.
    pub fn apply(&self, resource: Json) -> Json {
        let Json::Object(members) = resource else { return resource };
        let kind = members.get("resourceType").and_then(Json::as_str).unwrap_or_default().to_owned();
        let keeps = |name: &str| match self {
            Self::Whole => true,
            Self::Summary => listed(&kind, "summary", name) || listed(&kind, "needed", name),
            Self::Text => name == "text" || listed(&kind, "needed", name),
            Self::Data => name != "text",
            Self::Elements(names) => {
                names.iter().any(|one| is_named(name, one)) || listed(&kind, "needed", name)
            }
        };
        if *self == Self::Whole {
            return Json::Object(members);
        }
        let mut kept = Map::new();
        for (name, value) in members {
            let element = name.strip_prefix('_').unwrap_or(&name);
            if ALWAYS.contains(&element) || keeps(element) {
                let value = if *self == Self::Summary { summarised(&kind, element, value) } else { value };
                kept.insert(name, value);
            }
        }
        tag(&mut kept);
        Json::Object(kept)
    }
}

/// Whether an element is the one asked for; of a choice also by its stem, `value` for `valueQuantity`.
fn is_named(name: &str, asked: &str) -> bool {
    name == asked
        || name.strip_prefix(asked).is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_uppercase()))
            && !asked.is_empty()
}

fn listed(kind: &str, list: &str, path: &str) -> bool {
    let names = ELEMENTS.get(kind).and_then(|of| of.get(list)).and_then(Json::as_array);
    names.is_some_and(|names| names.iter().any(|name| name == path))
}

/// Drops from a part of a resource what is no summary, where R4 marks some of the part's own elements as such.
fn summarised(kind: &str, path: &str, value: Json) -> Json {
    let names = ELEMENTS.get(kind).and_then(|of| of.get("summary")).and_then(Json::as_array);
    let within = format!("{path}.");
    let has_parts = names
        .is_some_and(|names| names.iter().filter_map(Json::as_str).any(|name| name.starts_with(&within)));
    match value {
        Json::Array(items) => items.into_iter().map(|item| summarised(kind, path, item)).collect(),
        Json::Object(members) if has_parts => {
            let parts = members.into_iter().filter_map(|(name, value)| {
                let element = name.strip_prefix('_').unwrap_or(&name);
                let path = format!("{path}.{element}");
                let keeps =
                    element == "id" || element.ends_with("xtension") || listed(kind, "summary", &path);
                keeps.then(|| {
                    let value = summarised(kind, &path, value);
                    (name, value)
                })
            });
            Json::Object(parts.collect())
        }
        other => other,
    }
}

fn tag(members: &mut Map<String, Json>) {
    let tag = json!({ "system": SYSTEM, "code": SUBSETTED });
    let meta = members.entry("meta").or_insert_with(|| json!({}));
    let Some(meta) = meta.as_object_mut() else { return };
    let tags = meta.entry("tag").or_insert_with(|| json!([]));
    if let Some(tags) = tags.as_array_mut() {
        tags.push(tag);
    }
}

/// Whether a resource says that it is not whole: it must not be stored as if it were.
pub fn is_subset(resource: &Json) -> bool {
    let tags = resource.pointer("/meta/tag").and_then(Json::as_array);
    tags.into_iter().flatten().any(|tag| tag["system"] == SYSTEM && tag["code"] == SUBSETTED)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn task() -> Json {
        json!({ "resourceType": "Task", "id": "1", "meta": { "versionId": "1" },
            "text": { "status": "generated", "div": "<div/>" }, "status": "requested", "intent": "order",
            "priority": "routine", "description": "x", "_description": { "id": "d" },
            "restriction": { "repetitions": 1 } })
    }

    fn names(shape: &Shape) -> Vec<String> {
        let shaped = shape.apply(task());
        shaped.as_object().into_iter().flatten().map(|(name, _)| name.clone()).collect()
    }

    // FHIR R4 search, _summary and _elements; Task: status, intent mandatory, description summary, priority not.
    #[test]
    fn each_shape_keeps_what_it_should() {
        let head = ["resourceType", "id", "meta"];
        let of = |more: &[&'static str]| [&head[..], more].concat();
        assert_eq!(names(&Shape::Summary), of(&["status", "intent", "description", "_description"]));
        assert_eq!(names(&Shape::Text), of(&["text", "status", "intent"]));
        assert_eq!(
            names(&Shape::Elements(vec!["restriction".into()])),
            of(&["status", "intent", "restriction"])
        );
        assert_eq!(names(&Shape::Whole).len(), 10);
        assert_eq!(names(&Shape::Data).len(), 9);
        assert!(is_subset(&Shape::Data.apply(task())) && !is_subset(&Shape::Whole.apply(task())));
    }

    #[test]
    fn every_stored_type_is_listed() {
        for kind in crate::TYPES {
            assert!(ELEMENTS.get(kind).is_some(), "{kind}");
        }
    }
}
