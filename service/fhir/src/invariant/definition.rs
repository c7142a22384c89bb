//! Invariants of what is published: capability statements, terminologies, profiles and their elements.

use super::{Invariant, choice, distinct, has, is, is_true, object, objects, text, texts};
use crate::Json;
use crate::rule::Members;

/// `[A-Z]([A-Za-z0-9_]){0,254}`, or no name.
fn is_computable(it: &Members) -> bool {
    text(it, "name").is_none_or(|name| {
        name.len() <= 255
            && name.bytes().next().is_some_and(|b| b.is_ascii_uppercase())
            && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_')
    })
}

/// The codes of a CodeSystem at every level.
fn codes<'a>(it: &'a Members, all: &mut Vec<&'a str>) {
    for concept in objects(it, "concept") {
        all.extend(text(concept, "code"));
        codes(concept, all);
    }
}

fn elements<'a>(profile: &'a Members, view: &str) -> impl Iterator<Item = &'a Members> + use<'a> {
    object(profile, view).into_iter().flat_map(|view| objects(view, "element"))
}

fn is_root(element: &Members) -> bool {
    text(element, "path").is_some_and(|path| !path.contains('.'))
}

/// Whether every path is below the one of the first element.
fn below_first(view: &Members) -> bool {
    let mut paths = objects(view, "element").filter_map(|one| text(one, "path"));
    let root = paths.next().and_then(|first| first.split('.').next()).unwrap_or_default();
    paths.all(|path| path.strip_prefix(root).is_some_and(|rest| rest.starts_with('.')))
}

fn have_ids(profile: &Members, view: &str) -> bool {
    elements(profile, view).all(|one| has(one, "id"))
        && distinct(elements(profile, view).filter_map(|one| text(one, "id")))
}

#[rustfmt::skip]
macro_rules! computable_name {
    ($key:literal, $on:literal) => {
        Invariant {
            key: $key, on: &[$on],
            send: "Consider a name that programs can use: a capital letter, then letters, digits and _.",
            holds: |it, _| is_computable(it),
        }
    };
}

#[rustfmt::skip]
pub(super) const TABLE: &[Invariant] = &[
    computable_name!("adf-0", "ActivityDefinition"),
    computable_name!("cmd-0", "ConceptMap"),
    computable_name!("cpb-0", "CapabilityStatement"),
    computable_name!("csd-0", "CodeSystem"),
    computable_name!("ig-0", "ImplementationGuide"),
    computable_name!("nsd-0", "NamingSystem"),
    computable_name!("opd-0", "OperationDefinition"),
    computable_name!("pdf-0", "PlanDefinition"),
    computable_name!("sdf-0", "StructureDefinition"),
    computable_name!("spd-0", "SearchParameter"),
    computable_name!("vsd-0", "ValueSet"),
    Invariant {
        key: "cpb-1", on: &["CapabilityStatement"],
        send: "Send at least one of rest, messaging and document.",
        holds: |it, _| has(it, "rest") || has(it, "messaging") || has(it, "document"),
    },
    Invariant {
        key: "cpb-2", on: &["CapabilityStatement"],
        send: "Send at least one of description, software and implementation.",
        holds: |it, _| has(it, "description") || has(it, "software") || has(it, "implementation"),
    },
    Invariant {
        key: "cpb-3", on: &["CapabilityStatement"],
        send: "Leave messaging.endpoint out: only an instance has one.",
        holds: |it, _| is(it, "kind", "instance") || !objects(it, "messaging").any(|one| has(one, "endpoint")),
    },
    Invariant {
        key: "cpb-7", on: &["CapabilityStatement"],
        send: "Send each pair of profile and mode once in document.",
        holds: |it, _| distinct(objects(it, "document").map(|one| (text(one, "profile"), text(one, "mode")))),
    },
    Invariant {
        key: "cpb-9", on: &["CapabilityStatement_Rest"],
        send: "Send each resource type once.",
        holds: |it, _| distinct(objects(it, "resource").filter_map(|one| text(one, "type"))),
    },
    Invariant {
        key: "cpb-12", on: &["CapabilityStatement_Resource"],
        send: "Send each search parameter once.",
        holds: |it, _| distinct(objects(it, "searchParam").filter_map(|one| text(one, "name"))),
    },
    Invariant {
        key: "cpb-14", on: &["CapabilityStatement"],
        send: "Send the implementation that this instance is.",
        holds: |it, _| !is(it, "kind", "instance") || has(it, "implementation"),
    },
    Invariant {
        key: "cpb-15", on: &["CapabilityStatement"],
        send: "Send software and no implementation for a kind of software.",
        holds: |it, _| !is(it, "kind", "capability") || (!has(it, "implementation") && has(it, "software")),
    },
    Invariant {
        key: "cpb-16", on: &["CapabilityStatement"],
        send: "Send neither software nor implementation with requirements.",
        holds: |it, _| !is(it, "kind", "requirements") || (!has(it, "implementation") && !has(it, "software")),
    },
    Invariant {
        key: "cmd-1", on: &["ConceptMap_Target"],
        send: "Send a comment that says how the target is narrower or inexact.",
        holds: |it, _| has(it, "comment") || !(is(it, "equivalence", "narrower") || is(it, "equivalence", "inexact")),
    },
    Invariant {
        key: "cmd-2", on: &["ConceptMap_Unmapped"],
        send: "Send the fixed code.",
        holds: |it, _| !is(it, "mode", "fixed") || has(it, "code"),
    },
    Invariant {
        key: "cmd-3", on: &["ConceptMap_Unmapped"],
        send: "Send the url of the other map.",
        holds: |it, _| !is(it, "mode", "other-map") || has(it, "url"),
    },
    Invariant {
        key: "csd-1", on: &["CodeSystem"],
        send: "Send each code once.",
        holds: |it, _| { let mut all = Vec::new(); codes(it, &mut all); distinct(all.into_iter()) },
    },
    Invariant {
        key: "vsd-1", on: &["ValueSet_Include"],
        send: "Send a system or a value set to take codes from.",
        holds: |it, _| has(it, "valueSet") || has(it, "system"),
    },
    Invariant {
        key: "vsd-2", on: &["ValueSet_Include"],
        send: "Send the system of the concepts or filters.",
        holds: |it, _| !(has(it, "concept") || has(it, "filter")) || has(it, "system"),
    },
    Invariant {
        key: "vsd-3", on: &["ValueSet_Include"],
        send: "Send either concepts or filters.",
        holds: |it, _| !has(it, "concept") || !has(it, "filter"),
    },
    Invariant {
        key: "vsd-6", on: &["ValueSet_Contains"],
        send: "Send a code or a display.",
        holds: |it, _| has(it, "code") || has(it, "display"),
    },
    Invariant {
        key: "vsd-9", on: &["ValueSet_Contains"],
        send: "Send a code, or say that the entry is abstract.",
        holds: |it, _| has(it, "code") || is_true(it, "abstract"),
    },
    Invariant {
        key: "vsd-10", on: &["ValueSet_Contains"],
        send: "Send the system of the code.",
        holds: |it, _| !has(it, "code") || has(it, "system"),
    },
    Invariant {
        key: "opd-1", on: &["OperationDefinition_Parameter"],
        send: "Send the type of the parameter, or its parts.",
        holds: |it, _| has(it, "type") || has(it, "part"),
    },
    Invariant {
        key: "opd-2", on: &["OperationDefinition_Parameter"],
        send: "Leave searchType out: only a parameter of type string has one.",
        holds: |it, _| !has(it, "searchType") || is(it, "type", "string"),
    },
    Invariant {
        key: "opd-3", on: &["OperationDefinition_Parameter"],
        send: "Leave targetProfile out: only a parameter of type Reference or canonical has one.",
        holds: |it, _| !has(it, "targetProfile") || is(it, "type", "Reference") || is(it, "type", "canonical"),
    },
    Invariant {
        key: "spd-1", on: &["SearchParameter"],
        send: "Send xpathUsage beside xpath.",
        holds: |it, _| !has(it, "xpath") || has(it, "xpathUsage"),
    },
    Invariant {
        key: "spd-2", on: &["SearchParameter"],
        send: "Leave chain out: only a reference parameter can be chained.",
        holds: |it, _| !has(it, "chain") || is(it, "type", "reference"),
    },
    Invariant {
        key: "nsd-1", on: &["NamingSystem"],
        send: "Send no uuid for a root: it is named otherwise.",
        holds: |it, _| !is(it, "kind", "root") || !objects(it, "uniqueId").any(|one| is(one, "type", "uuid")),
    },
    Invariant {
        key: "nsd-2", on: &["NamingSystem"],
        send: "Prefer one id of each type.",
        holds: |it, _| distinct(
            objects(it, "uniqueId").filter(|one| is_true(one, "preferred")).filter_map(|one| text(one, "type"))),
    },
    Invariant {
        key: "ig-1", on: &["ImplementationGuide_Definition"],
        send: "Send the grouping that groupingId names.",
        holds: |it, _| objects(it, "resource").filter_map(|one| text(one, "groupingId"))
            .all(|id| objects(it, "grouping").any(|one| is(one, "id", id))),
    },
    Invariant {
        key: "ig-2", on: &["ImplementationGuide"],
        send: "Send only versions of FHIR that the guide itself names.",
        holds: |it, _| object(it, "definition").is_none_or(|one| objects(one, "resource")
            .flat_map(|one| texts(one, "fhirVersion")).all(|wanted| texts(it, "fhirVersion").any(|one| one == wanted))),
    },
    Invariant {
        key: "sdf-1", on: &["StructureDefinition"],
        send: "Send each path once in the snapshot of a specialization.",
        holds: |it, _| is(it, "derivation", "constraint")
            || distinct(elements(it, "snapshot").filter_map(|one| text(one, "path"))),
    },
    Invariant {
        key: "sdf-2", on: &["StructureDefinition_Mapping"],
        send: "Send a name or a uri of the mapping.",
        holds: |it, _| has(it, "name") || has(it, "uri"),
    },
    Invariant {
        key: "sdf-3", on: &["StructureDefinition_Snapshot"],
        send: "Send definition, min and max of every element of a snapshot.",
        holds: |it, _| objects(it, "element")
            .all(|one| has(one, "definition") && has(one, "min") && has(one, "max")),
    },
    Invariant {
        key: "sdf-4", on: &["StructureDefinition"],
        send: "Send baseDefinition, or say that the type is abstract.",
        holds: |it, _| is_true(it, "abstract") || has(it, "baseDefinition"),
    },
    Invariant {
        key: "sdf-5", on: &["StructureDefinition"],
        send: "Send the context in which the extension may stand.",
        holds: |it, _| !is(it, "type", "Extension") || is(it, "derivation", "specialization") || has(it, "context"),
    },
    Invariant {
        key: "sdf-6", on: &["StructureDefinition"],
        send: "Send a snapshot or a differential.",
        holds: |it, _| has(it, "snapshot") || has(it, "differential"),
    },
    Invariant {
        key: "sdf-8", on: &["StructureDefinition_Snapshot"],
        send: "Send the type's own path first and only paths below it after.",
        holds: |it, scope| below_first(it) && (is(scope.resource, "kind", "logical")
            || objects(it, "element").next().and_then(|one| text(one, "path")) == text(scope.resource, "type")),
    },
    Invariant {
        key: "sdf-8a", on: &["StructureDefinition_Differential"],
        send: "Begin every path with the type.",
        holds: |it, scope| below_first(it) && (is(scope.resource, "kind", "logical")
            || objects(it, "element").next().and_then(|one| text(one, "path")).is_none_or(|path|
                text(scope.resource, "type").is_some_and(|kind| path.starts_with(kind)))),
    },
    Invariant {
        key: "sdf-8b", on: &["StructureDefinition_Snapshot"],
        send: "Send the base of every element of a snapshot.",
        holds: |it, _| objects(it, "element").all(|one| has(one, "base")),
    },
    Invariant {
        key: "sdf-9", on: &["StructureDefinition"],
        send: "Leave label, code and requirements out of the first element.",
        holds: |it, _| ["snapshot", "differential"].iter().all(|view| elements(it, view).filter(|one| is_root(one))
            .all(|one| !has(one, "label") && !has(one, "code") && !has(one, "requirements"))),
    },
    Invariant {
        key: "sdf-10", on: &["ElementDefinition"],
        send: "Send a value set or a description of the binding.",
        holds: |it, scope| object(it, "binding").is_none_or(|one| has(one, "valueSet") || has(one, "description"))
            || object(scope.resource, "snapshot").is_none(),
    },
    Invariant {
        key: "sdf-11", on: &["StructureDefinition"],
        send: "Begin the snapshot with the type's own path.",
        holds: |it, _| is(it, "kind", "logical")
            || elements(it, "snapshot").next().is_none_or(|one| text(one, "path") == text(it, "type")),
    },
    Invariant {
        key: "sdf-14", on: &["StructureDefinition"],
        send: "Send an id of every element.",
        holds: |it, _| ["snapshot", "differential"].iter().all(|view| elements(it, view).all(|one| has(one, "id"))),
    },
    Invariant {
        key: "sdf-15", on: &["StructureDefinition"],
        send: "Leave type out of the first element of the snapshot.",
        holds: |it, _| is(it, "kind", "logical") || elements(it, "snapshot").next().is_none_or(|one| !has(one, "type")),
    },
    Invariant {
        key: "sdf-15a", on: &["StructureDefinition"],
        send: "Leave type out of the first element of the differential.",
        holds: |it, _| is(it, "kind", "logical")
            || elements(it, "differential").next().is_none_or(|one| !is_root(one) || !has(one, "type")),
    },
    Invariant {
        key: "sdf-16", on: &["StructureDefinition"],
        send: "Send an id of every element of the snapshot, each once.",
        holds: |it, _| have_ids(it, "snapshot"),
    },
    Invariant {
        key: "sdf-17", on: &["StructureDefinition"],
        send: "Send an id of every element of the differential, each once.",
        holds: |it, _| have_ids(it, "differential"),
    },
    Invariant {
        key: "sdf-18", on: &["StructureDefinition"],
        send: "Leave contextInvariant out: only an extension has one.",
        holds: |it, _| !has(it, "contextInvariant") || is(it, "type", "Extension"),
    },
    Invariant {
        key: "sdf-20", on: &["StructureDefinition_Differential"],
        send: "Leave slicing out of the first element.",
        holds: |it, _| objects(it, "element").filter(|one| is_root(one)).all(|one| !has(one, "slicing")),
    },
    Invariant {
        key: "sdf-21", on: &["StructureDefinition"],
        send: "Leave default values out: only a specialization has them.",
        holds: |it, _| is(it, "derivation", "specialization")
            || !elements(it, "differential").any(|one| choice(one, "defaultValue")),
    },
    Invariant {
        key: "sdf-23", on: &["StructureDefinition"],
        send: "Leave sliceName out of the first element.",
        holds: |it, _| ["snapshot", "differential"].iter()
            .all(|view| elements(it, view).filter(|one| is_root(one)).all(|one| !has(one, "sliceName"))),
    },
];

fn max(element: &Members) -> Option<&str> {
    text(element, "max")
}

fn types(element: &Members) -> usize {
    objects(element, "type").count()
}

/// One part of a path: 1 to 64 characters, none of them white space or punctuation.
fn is_path_part(part: &str) -> bool {
    const NOT: &str = ".,:;'\"/|?!@#$%&*()[]{}";
    (1..=64).contains(&part.chars().count()) && !part.contains(|c: char| c.is_whitespace() || NOT.contains(c))
}

#[rustfmt::skip]
pub(super) const ELEMENTS: &[Invariant] = &[
    Invariant {
        key: "eld-1", on: &["ElementDefinition_Slicing"],
        send: "Send a discriminator or a description of the slicing.",
        holds: |it, _| has(it, "discriminator") || has(it, "description"),
    },
    Invariant {
        key: "eld-2", on: &["ElementDefinition"],
        send: "Send a min that is not above the max.",
        holds: |it, _| match (it.get("min").and_then(Json::as_u64), max(it).and_then(|max| max.parse::<u64>().ok())) {
            (Some(min), Some(max)) => min <= max,
            _ => true,
        },
    },
    Invariant {
        key: "eld-3", on: &["ElementDefinition"],
        send: "Send a whole number or * as max.",
        holds: |it, _| max(it).is_none_or(|max| max == "*" || max.parse::<u32>().is_ok()),
    },
    Invariant {
        key: "eld-4", on: &["ElementDefinition_Type"],
        send: "Leave aggregation out: only a reference has it.",
        holds: |it, _| !has(it, "aggregation") || is(it, "code", "Reference") || is(it, "code", "canonical"),
    },
    Invariant {
        key: "eld-5", on: &["ElementDefinition"],
        send: "Leave type, values, maxLength and binding out beside contentReference.",
        holds: |it, _| !has(it, "contentReference")
            || !(["type", "example", "maxLength", "binding"].iter().any(|name| has(it, name))
                || ["defaultValue", "fixed", "pattern", "minValue", "maxValue"].iter().any(|base| choice(it, base))),
    },
    Invariant {
        key: "eld-6", on: &["ElementDefinition"],
        send: "Send a fixed value for one type only.",
        holds: |it, _| !choice(it, "fixed") || types(it) <= 1,
    },
    Invariant {
        key: "eld-7", on: &["ElementDefinition"],
        send: "Send a pattern for one type only.",
        holds: |it, _| !choice(it, "pattern") || types(it) <= 1,
    },
    Invariant {
        key: "eld-8", on: &["ElementDefinition"],
        send: "Send either a fixed value or a pattern.",
        holds: |it, _| !choice(it, "fixed") || !choice(it, "pattern"),
    },
    Invariant {
        key: "eld-11", on: &["ElementDefinition"],
        send: "Leave the binding out: only code, Coding, CodeableConcept, Quantity, string and uri have one.",
        // The published expression asks only whether there is a type.
        holds: |it, _| !has(it, "binding") || !objects(it, "type").any(|one| has(one, "code"))
            || objects(it, "type").any(|one| text(one, "code").is_some_and(|code|
                matches!(code, "code" | "Coding" | "CodeableConcept" | "Quantity" | "string" | "uri"))),
    },
    Invariant {
        key: "eld-12", on: &["ElementDefinition_Binding"],
        send: "Send the value set as http:, https: or urn:.",
        holds: |it, _| text(it, "valueSet")
            .is_none_or(|url| ["http:", "https", "urn:"].iter().any(|scheme| url.starts_with(scheme))),
    },
    Invariant {
        key: "eld-13", on: &["ElementDefinition"],
        send: "Send each type once.",
        holds: |it, _| distinct(objects(it, "type").filter_map(|one| text(one, "code"))),
    },
    Invariant {
        key: "eld-14", on: &["ElementDefinition"],
        send: "Send each key of a constraint once.",
        holds: |it, _| distinct(objects(it, "constraint").filter_map(|one| text(one, "key"))),
    },
    Invariant {
        key: "eld-15", on: &["ElementDefinition"],
        send: "Send either a default value or meaningWhenMissing.",
        holds: |it, _| !choice(it, "defaultValue") || !has(it, "meaningWhenMissing"),
    },
    Invariant {
        key: "eld-16", on: &["ElementDefinition"],
        send: "Send a sliceName of letters, digits and / - _ [ ] @ only.",
        holds: |it, _| text(it, "sliceName")
            .is_none_or(|name| name.bytes().all(|b| b.is_ascii_alphanumeric() || b"/-_[]@".contains(&b))),
    },
    Invariant {
        key: "eld-17", on: &["ElementDefinition_Type"],
        send: "Leave targetProfile out: only Reference and canonical have one.",
        holds: |it, _| is(it, "code", "Reference") || is(it, "code", "canonical") || !has(it, "targetProfile"),
    },
    Invariant {
        key: "eld-18", on: &["ElementDefinition"],
        send: "Send isModifierReason.",
        holds: |it, _| !is_true(it, "isModifier") || has(it, "isModifierReason"),
    },
    Invariant {
        key: "eld-19", on: &["ElementDefinition"],
        send: "Send a path of names with points between them.",
        holds: |it, _| text(it, "path").is_none_or(|path| path.split('.').all(|part| {
            let name = part.split(':').next().unwrap_or_default();
            is_path_part(name.strip_suffix("[x]").unwrap_or(name))
        })),
    },
    Invariant {
        key: "eld-20", on: &["ElementDefinition"],
        send: "Consider a path of a type and elements that begin with a small letter.",
        holds: |it, _| text(it, "path").is_none_or(|path| path.split('.').enumerate().all(|(n, part)| {
            let name = part.strip_suffix("[x]").unwrap_or(part);
            let first = name.bytes().next().is_some_and(|b| if n == 0 { b.is_ascii_alphabetic() } else { b.is_ascii_lowercase() });
            first && name.bytes().all(|b| b.is_ascii_alphanumeric())
        })),
    },
    Invariant {
        key: "eld-21", on: &["ElementDefinition_Constraint"],
        send: "Consider an expression, so that programs can check the constraint.",
        holds: |it, _| has(it, "expression"),
    },
    Invariant {
        key: "eld-22", on: &["ElementDefinition"],
        send: "Send the sliceName that is constrained.",
        holds: |it, _| !has(it, "sliceIsConstraining") || has(it, "sliceName"),
    },
];
