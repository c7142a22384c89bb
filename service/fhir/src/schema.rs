//! The R4 JSON Schema: one validator for each type, compiled when it is first needed, and what the schema says about the
//! shape of elements, for the rules and for messages.

use crate::Json;
use jsonschema::{PatternOptions, Validator};
use serde_json::{Map, json};
use std::collections::{BTreeSet, HashMap};
use std::sync::{LazyLock, OnceLock};

/// Types that are not stored but sent, answered or published, and therefore validated too.
const ALSO: &[&str] = &[
    "Bundle",
    "CapabilityStatement",
    "CodeSystem",
    "Composition",
    "Library",
    "MeasureReport",
    "OperationOutcome",
    "Parameters",
    "PlanDefinition",
    "SearchParameter",
    "StructureDefinition",
    "ValueSet",
];

/// Primitives that occur as the second half of a choice element's name, with their R4 names.
const PRIMITIVES: &[(&str, &str)] = &[
    ("Base64Binary", "base64Binary"),
    ("Boolean", "boolean"),
    ("Canonical", "canonical"),
    ("Code", "code"),
    ("DateTime", "dateTime"),
    ("Date", "date"),
    ("Decimal", "decimal"),
    ("Instant", "instant"),
    ("UnsignedInt", "unsignedInt"),
    ("PositiveInt", "positiveInt"),
    ("Integer", "integer"),
    ("Markdown", "markdown"),
    ("Oid", "oid"),
    ("Id", "id"),
    ("String", "string"),
    // After DateTime, whose end it is.
    ("Time", "time"),
    ("Uri", "uri"),
    ("Url", "url"),
    ("Uuid", "uuid"),
];

/// The pruned schema: see profiles/r4/SOURCES.md.
static SCHEMA: LazyLock<Json> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../../profiles/r4/fhir.schema.json"))
        .expect("the embedded schema is JSON")
});

static VALIDATORS: LazyLock<HashMap<&'static str, OnceLock<Validator>>> =
    LazyLock::new(|| crate::TYPES.iter().chain(ALSO).map(|kind| (*kind, OnceLock::new())).collect());

static ELEMENTS: LazyLock<HashMap<&'static str, Elements>> = LazyLock::new(|| {
    let definitions = SCHEMA.get("definitions").and_then(Json::as_object);
    definitions
        .into_iter()
        .flatten()
        .filter_map(|(name, one)| Some((name.as_str(), elements_of(one)?)))
        .collect()
});

/// The elements of one definition: of a type, of a data type, or of a part such as `CarePlan_Detail`.
pub(crate) type Elements = HashMap<&'static str, Element>;

/// What the schema says about one element.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Element {
    /// The definition it is of, or the name of a primitive.
    pub kind: &'static str,
    /// Whether it is an array.
    pub many: bool,
}

fn elements_of(definition: &'static Json) -> Option<Elements> {
    let properties = definition.get("properties")?.as_object()?;
    let elements = properties.iter().map(|(name, property)| {
        let items = property.get("items");
        let kind = kind_of(name, items.unwrap_or(property));
        (name.as_str(), Element { kind, many: items.is_some() })
    });
    Some(elements.collect())
}

fn kind_of(name: &str, property: &'static Json) -> &'static str {
    if let Some(target) = property.get("$ref").and_then(Json::as_str) {
        return target.trim_start_matches("#/definitions/");
    }
    if property.get("pattern").is_some() {
        let suffix = PRIMITIVES.iter().find(|(suffix, _)| name.ends_with(suffix));
        return suffix.map_or("string", |(_, kind)| kind);
    }
    "code"
}

/// The name of a type that can be validated, as it stands in the schema.
pub(crate) fn known(kind: &str) -> Option<&'static str> {
    VALIDATORS.get_key_value(kind).map(|(kind, _)| *kind)
}

/// The elements of a definition; nothing for a primitive or an unknown name.
pub(crate) fn elements(definition: &str) -> Option<&'static Elements> {
    ELEMENTS.get(definition)
}

/// The validator of a type; nothing for a type that is not known.
pub(crate) fn validator(kind: &str) -> Option<&'static Validator> {
    let (kind, cell) = VALIDATORS.get_key_value(kind)?;
    Some(cell.get_or_init(|| compile(kind)))
}

fn compile(kind: &'static str) -> Validator {
    let schema = json!({
        "$schema": "http://json-schema.org/draft-06/schema#",
        "allOf": [{ "$ref": format!("#/definitions/{kind}") }],
        "definitions": reached(kind),
    });
    jsonschema::options()
        // Linear in the text that is matched, whatever the pattern.
        .with_pattern_options(PatternOptions::regex())
        .build(&schema)
        .expect("the embedded schema compiles")
}

/// The definitions that a type reaches, itself included.
fn reached(kind: &'static str) -> Json {
    let mut open = vec![kind];
    let mut names = BTreeSet::new();
    let mut kept = Map::new();
    while let Some(name) = open.pop() {
        if names.insert(name)
            && let Some(definition) = SCHEMA.get("definitions").and_then(|all| all.get(name))
        {
            kept.insert(name.to_owned(), definition.clone());
            open.extend(elements(name).into_iter().flatten().map(|(_, element)| element.kind));
        }
    }
    Json::Object(kept)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_type_compiles_and_has_elements() {
        for kind in crate::TYPES.iter().chain(ALSO) {
            assert!(validator(kind).is_some(), "{kind}");
            assert!(elements(kind).is_some(), "{kind}");
        }
        assert!(validator("Medication").is_none());
    }

    // FHIR R4: Observation.value[x], Patient.birthDate, CarePlan.activity.
    #[test]
    fn shapes() {
        let kind = |definition: &str, name: &str| elements(definition).unwrap()[name].kind;
        assert_eq!(kind("Observation", "valueDateTime"), "dateTime");
        assert_eq!(kind("Observation", "valueInteger"), "integer");
        assert_eq!(kind("Observation", "valueTime"), "time");
        assert_eq!(kind("Extension", "valueUnsignedInt"), "unsignedInt");
        assert_eq!(kind("Extension", "valueOid"), "oid");
        assert_eq!(kind("Patient", "birthDate"), "date");
        assert_eq!(kind("Patient", "gender"), "code");
        assert_eq!(kind("CarePlan", "activity"), "CarePlan_Activity");
        assert!(elements("CarePlan").unwrap()["activity"].many);
        assert_eq!(kind("CarePlan", "contained"), "ResourceList");
        assert_eq!(kind("Narrative", "div"), "xhtml");
    }
}
