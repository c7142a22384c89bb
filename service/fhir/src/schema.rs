//! The R4 JSON Schema: every definition with all that R4 says about it, for the rules and for messages; and one validator
//! for each type, compiled when it is first needed to explain what is wrong.

use crate::Json;
use crate::form::{self, Form};
use crate::invariant::{self, Invariant};
use foldhash::fast::FixedState;
use jsonschema::{PatternOptions, Validator};
use serde_json::{Map, json};
use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::{LazyLock, OnceLock};

/// By a name that R4 has. The names are fixed, so nobody can send such that collide.
pub(crate) type Names<T> = HashMap<&'static str, T, FixedState>;

/// Types that are not stored but sent, answered or published, and therefore validated too.
const ALSO: &[&str] = &[
    "ActivityDefinition",
    "Bundle",
    "CapabilityStatement",
    "CodeSystem",
    "CommunicationRequest",
    "Composition",
    "ImplementationGuide",
    "Library",
    "MeasureReport",
    "NamingSystem",
    "OperationDefinition",
    "OperationOutcome",
    "Parameters",
    "PlanDefinition",
    "RequestGroup",
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

/// What the schema leaves out: see profiles/r4/SOURCES.md.
static RULES: LazyLock<Json> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../../profiles/r4/rules.json"))
        .expect("the embedded rules are JSON")
});

static VALIDATORS: LazyLock<Names<OnceLock<Validator>>> = LazyLock::new(|| {
    let kinds = crate::TYPES.iter().chain(ALSO);
    kinds.filter(|kind| DEFINITIONS.places.contains_key(*kind)).map(|kind| (*kind, OnceLock::new())).collect()
});

static DEFINITIONS: LazyLock<Definitions> = LazyLock::new(|| {
    let definitions = || SCHEMA.get("definitions").and_then(Json::as_object).into_iter().flatten();
    let parts = || definitions().filter(|(_, one)| one.get("properties").is_some());
    let places = parts().enumerate().map(|(place, (name, _))| (name.as_str(), place)).collect();
    let all = parts().filter_map(|(name, one)| Definition::of(name, one, &places)).collect();
    Definitions { places, all }
});

/// Every definition that has members.
struct Definitions {
    places: Names<usize>,
    all: Vec<Definition>,
}

/// Every resource type of R4, for references.
static RESOURCES: LazyLock<HashSet<&'static str, FixedState>> =
    LazyLock::new(|| texts(RULES.get("types")).into_iter().collect());

/// One definition: of a type, of a data type, or of a part such as `CarePlan_Detail`, with all that R4 asks of it.
#[derive(Debug)]
pub(crate) struct Definition {
    /// By name.
    pub elements: Names<Element>,
    /// Whether the schema says no more about it than `elements` and `marks` hold.
    pub is_plain: bool,
    /// The marks of what is looked for among the members.
    pub marks: Marks,
    /// Elements that must be there and that the schema does not demand; a choice by its base.
    pub mandatory: Vec<&'static str>,
    /// Choices of one type.
    pub choices: Vec<Choice>,
    /// R4's constraints on it.
    pub invariants: Vec<&'static Invariant>,
}

/// `value[x]`: its base and the names that it may have.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Choice {
    /// `value`.
    pub base: &'static str,
    /// `valueQuantity`, `valueString`, …
    pub names: &'static [Json],
}

/// One bit for each name that is looked for in a definition; its elements carry them.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Marks {
    /// What the schema demands, by that name alone.
    pub required: u64,
    /// What R4 demands, as a primitive, its twin, or whichever of a choice.
    pub mandatory: u64,
    /// The choices, of which one may be there.
    pub choices: u64,
}

/// What the schema says about the JSON of an element, or of an item of it.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Shape {
    /// An object with the members of the definition at this place.
    Part(usize),
    /// A resource, which is checked at its own type.
    Held,
    /// A string of this form.
    Text(Form),
    /// One of these codes.
    Codes(&'static [Json]),
    /// This string alone.
    Only(&'static str),
    /// A number.
    Number,
    /// True or false.
    Boolean,
    /// Whatever is sent.
    Anything,
    /// Something that the schema alone can decide.
    Unknown,
}

impl Shape {
    /// Whether the schema has nothing to say against a value, but for the members of a part.
    pub fn has(self, value: &Json) -> bool {
        match (self, value) {
            (Self::Text(form), Json::String(text)) => form(text),
            (Self::Codes(codes), Json::String(text)) => codes.iter().any(|code| code == text),
            (Self::Only(only), Json::String(text)) => only == text,
            (Self::Held, Json::Object(members)) => members.contains_key("resourceType"),
            // The schema of R4 says nothing about what is no object; the rules do.
            (Self::Part(_) | Self::Anything, _)
            | (Self::Number, Json::Number(_))
            | (Self::Boolean, Json::Bool(_)) => true,
            _ => false,
        }
    }

    fn of(schema: &'static Json, places: &Names<usize>) -> Self {
        let Some(words) = schema.as_object() else { return Self::Unknown };
        let word = |name: &str| words.get(name).and_then(Json::as_str);
        let is_only = |names: &[&str]| words.keys().all(|name| names.contains(&name.as_str()));
        if words.is_empty() {
            return Self::Anything;
        }
        if let (Some(target), true) = (word("$ref"), words.len() == 1) {
            let name = target.trim_start_matches("#/definitions/");
            let definition = SCHEMA.get("definitions").and_then(|all| all.get(name));
            return match places.get(name) {
                Some(place) => Self::Part(*place),
                None => definition.map_or(Self::Unknown, |one| Self::of(one, places)),
            };
        }
        if let (Some(Json::Array(codes)), 1) = (words.get("enum"), words.len()) {
            return Self::Codes(codes);
        }
        match word("type") {
            None if words.len() == 1 => word("const").map_or(Self::Unknown, Self::Only),
            Some("object")
                if is_only(&["type", "required"]) && texts(words.get("required")) == ["resourceType"] =>
            {
                Self::Held
            }
            Some("string") if words.len() == 1 => Self::Text(|_| true),
            Some("string") if is_only(&["type", "pattern"]) => {
                word("pattern").and_then(form::of).map_or(Self::Unknown, Self::Text)
            }
            // A pattern says nothing about what is no string.
            Some("number") if is_only(&["type", "pattern"]) => Self::Number,
            Some("boolean") if is_only(&["type", "pattern"]) => Self::Boolean,
            _ => Self::Unknown,
        }
    }
}

/// What R4 says about one element.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Element {
    /// The definition it is of, or the name of a primitive.
    pub kind: &'static str,
    /// What the schema says about its JSON.
    pub shape: Shape,
    /// The marks of the names that are looked for and that this is one of.
    pub marks: u64,
    /// Whether it is an array.
    pub many: bool,
    /// Its name in a FHIRPath: the twin of a primitive under the primitive's name, a choice under its base.
    pub shown: &'static str,
    /// The codes of its required binding, by system, where the schema does not enforce them.
    pub codes: Option<&'static Map<String, Json>>,
    /// The types that a reference may lead to; nothing where any will do.
    pub targets: Option<&'static [Json]>,
    /// Whether it is a SimpleQuantity, which has no comparator.
    pub simple: bool,
}

impl Element {
    /// Its definition; nothing for a primitive and for a held resource.
    pub fn definition(&self) -> Option<&'static Definition> {
        match self.shape {
            Shape::Part(place) => at(place),
            _ => None,
        }
    }
}

impl Definition {
    fn of(name: &'static str, schema: &'static Json, places: &Names<usize>) -> Option<Self> {
        let properties = schema.get("properties")?.as_object()?;
        let rules = |table: &str| RULES.get(table).and_then(|all| all.get(name));
        let choices: Vec<Choice> = rules("choices")
            .and_then(Json::as_object)
            .into_iter()
            .flatten()
            .filter_map(|(base, names)| Some(Choice { base, names: names.as_array()? }))
            .collect();
        let simple = texts(rules("simple"));
        let (required, mandatory) = (texts(schema.get("required")), texts(rules("mandatory")));
        let bits = |from: usize, count: usize| (from..from + count).map(|bit| 1_u64 << bit).sum();
        let marks = Marks {
            required: bits(0, required.len()),
            mandatory: bits(required.len(), mandatory.len()),
            choices: bits(required.len() + mandatory.len(), choices.len()),
        };
        let element = |(own, property): (&'static String, &'static Json)| {
            let own = own.as_str();
            let items = property.get("items");
            let plain = own.strip_prefix('_').filter(|plain| !plain.is_empty()).unwrap_or(own);
            let choice = choices.iter().find(|choice| choice.names.iter().any(|one| one == plain));
            let shown = choice.map_or(plain, |choice| choice.base);
            let element = Element {
                kind: kind_of(own, items.unwrap_or(property)),
                shape: Shape::of(items.unwrap_or(property), places),
                marks: (required.iter().map(|name| *name == own))
                    .chain(mandatory.iter().map(|name| *name == shown))
                    .chain(choices.iter().map(|choice| choice.base == shown))
                    .enumerate()
                    .map(|(bit, is_one)| u64::from(is_one) << bit)
                    .sum(),
                many: items.is_some(),
                shown,
                codes: rules("codes").and_then(|all| all.get(own)).and_then(Json::as_object),
                targets: rules("targets")
                    .and_then(|all| all.get(own))
                    .and_then(Json::as_array)
                    .map(Vec::as_slice),
                simple: simple.contains(&own),
            };
            (own, element)
        };
        Some(Self {
            elements: properties.iter().map(element).collect(),
            marks,
            is_plain: schema.get("additionalProperties").and_then(Json::as_bool) == Some(false)
                && schema.as_object().into_iter().flatten().all(|(word, _)| {
                    matches!(word.as_str(), "additionalProperties" | "properties" | "required")
                }),
            mandatory,
            invariants: invariant::of(name),
            choices,
        })
    }

    /// The choice with this base.
    pub fn choice(&self, base: &str) -> Option<&Choice> {
        self.choices.iter().find(|choice| choice.base == base)
    }
}

fn texts(list: Option<&'static Json>) -> Vec<&'static str> {
    list.and_then(Json::as_array).into_iter().flatten().filter_map(Json::as_str).collect()
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

/// The types that can be validated.
pub(crate) fn kinds() -> impl Iterator<Item = &'static str> {
    VALIDATORS.keys().copied()
}

/// A definition; nothing for a primitive or an unknown name.
pub(crate) fn definition(name: &str) -> Option<&'static Definition> {
    DEFINITIONS.places.get(name).copied().and_then(at)
}

/// The definition at this place.
pub(crate) fn at(place: usize) -> Option<&'static Definition> {
    DEFINITIONS.all.get(place)
}

/// The elements of a definition; nothing for a primitive or an unknown name.
pub(crate) fn elements(name: &str) -> Option<&'static Names<Element>> {
    definition(name).map(|one| &one.elements)
}

/// Whether R4 has a resource type of this name.
pub(crate) fn is_resource_type(name: &str) -> bool {
    RESOURCES.contains(name)
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
            && let Some(schema) = SCHEMA.get("definitions").and_then(|all| all.get(name))
        {
            kept.insert(name.to_owned(), schema.clone());
            open.extend(
                definition(name)
                    .into_iter()
                    .flat_map(|one| one.elements.values())
                    .map(|element| element.kind),
            );
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
            assert!(definition(kind).is_some_and(|one| one.elements.contains_key("resourceType")), "{kind}");
        }
        assert!(validator("Medication").is_none());
    }

    // FHIR R4: Observation.value[x], Patient.birthDate, CarePlan.activity.
    #[test]
    fn shapes() {
        let kind = |name: &str, element: &str| definition(name).unwrap().elements[element].kind;
        assert_eq!(kind("Observation", "valueDateTime"), "dateTime");
        assert_eq!(kind("Observation", "valueInteger"), "integer");
        assert_eq!(kind("Observation", "valueTime"), "time");
        assert_eq!(kind("Extension", "valueUnsignedInt"), "unsignedInt");
        assert_eq!(kind("Extension", "valueOid"), "oid");
        assert_eq!(kind("Patient", "birthDate"), "date");
        assert_eq!(kind("Patient", "gender"), "code");
        assert_eq!(kind("CarePlan", "activity"), "CarePlan_Activity");
        assert!(definition("CarePlan").unwrap().elements["activity"].many);
        assert_eq!(kind("CarePlan", "contained"), "ResourceList");
        assert_eq!(kind("Narrative", "div"), "xhtml");
    }
}
