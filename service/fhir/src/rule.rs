//! What R4 demands and its JSON Schema does not say: mandatory primitives, one type of a choice, codes of required
//! bindings, days that exist, whole numbers, base64, XHTML without script, and where objects, arrays and nulls may stand.
//!
//! The tables are made by profiles/r4/prune.py from R4's StructureDefinitions.

use crate::issue::{Code, Issue};
use crate::json::push_name;
use crate::schema::{self, Element};
use crate::{Json, date, xhtml};
use serde_json::{Map, Number};
use std::fmt::Write as _;
use std::sync::LazyLock;

static RULES: LazyLock<Json> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../../profiles/r4/rules.json"))
        .expect("the embedded rules are JSON")
});

type Members = Map<String, Json>;

/// Checks one element and all below it, except contained resources and the resources of entries and parameters.
/// `definition` is the name of its definition in the schema, `path` its FHIRPath.
pub(crate) fn check(definition: &str, members: &Members, path: &mut String, issues: &mut Vec<Issue>) {
    mandatory(definition, members, path, issues);
    one_of_a_choice(definition, members, path, issues);
    let Some(elements) = schema::elements(definition) else { return };
    for (name, value) in members {
        // The schema names the elements that are not there.
        let Some(element) = elements.get(name.as_str()) else { continue };
        let length = path.len();
        push_element(path, definition, name);
        if let Some(plain) = name.strip_prefix('_') {
            twins(members.get(plain), value, path, issues);
        }
        match value {
            Json::Array(items) if element.many => {
                for (position, item) in items.iter().enumerate() {
                    let inner = path.len();
                    let _ = write!(path, "[{position}]");
                    if item.is_null() {
                        null(element, name, members, position, path, issues);
                    } else {
                        one(element, item, path, issues);
                    }
                    path.truncate(inner);
                }
            }
            // The schema wants the array.
            _ if element.many && !value.is_object() => {}
            _ => one(element, value, path, issues),
        }
        bound(definition, name, value, path, issues);
        path.truncate(length);
    }
}

/// Appends an element's name: the twin of a primitive under the primitive's name, a choice under its base.
pub(crate) fn push_element(path: &mut String, definition: &str, name: &str) {
    let name = name.strip_prefix('_').filter(|plain| !plain.is_empty()).unwrap_or(name);
    push_name(path, choice_base(definition, name).unwrap_or(name));
}

/// The base of a choice element: `value` for `valueQuantity`.
fn choice_base(definition: &str, name: &str) -> Option<&'static str> {
    choices(definition).find(|(_, names)| names.iter().any(|one| one == name)).map(|(base, _)| base)
}

/// The elements that a choice stands for: `valueQuantity`, `valueCodeableConcept`, … for `value`.
pub(crate) fn choice_names(definition: &str, base: &str) -> Option<&'static [Json]> {
    choices(definition).find(|(one, _)| *one == base).map(|(_, names)| names)
}

fn choices(definition: &str) -> impl Iterator<Item = (&'static str, &'static [Json])> {
    let groups = RULES.get("choices").and_then(|all| all.get(definition)).and_then(Json::as_object);
    groups
        .into_iter()
        .flatten()
        .filter_map(|(base, names)| Some((base.as_str(), names.as_array()?.as_slice())))
}

/// Some names of a list, for a sentence.
pub(crate) fn listed(names: &[Json]) -> String {
    const SHOWN: usize = 16;
    let shown: Vec<&str> = names.iter().take(SHOWN).filter_map(Json::as_str).collect();
    format!("{}{}", shown.join(", "), if names.len() > SHOWN { ", …" } else { "" })
}

fn has(members: &Members, name: &str) -> bool {
    members.contains_key(name) || members.contains_key(&format!("_{name}"))
}

fn mandatory(definition: &str, members: &Members, path: &str, issues: &mut Vec<Issue>) {
    let names = RULES.get("mandatory").and_then(|all| all.get(definition)).and_then(Json::as_array);
    for name in names.into_iter().flatten().filter_map(Json::as_str) {
        let choice = choice_names(definition, name);
        let present = match choice {
            Some(names) => names.iter().filter_map(Json::as_str).any(|one| has(members, one)),
            None => has(members, name),
        };
        if !present {
            let at = format!("{path}.{name}");
            let text = match choice {
                Some(names) => format!("Send {at} as one of {}: it is mandatory.", listed(names)),
                None => format!("Send {at}: it is mandatory."),
            };
            issues.push(Issue::error(Code::Required, at, text));
        }
    }
}

fn one_of_a_choice(definition: &str, members: &Members, path: &str, issues: &mut Vec<Issue>) {
    for (base, names) in choices(definition) {
        let present: Vec<&str> =
            names.iter().filter_map(Json::as_str).filter(|name| has(members, name)).collect();
        if present.len() > 1 {
            let text = format!("Send only one of {}: {base}[x] is a choice.", present.join(", "));
            issues.push(Issue::error(Code::Structure, format!("{path}.{base}"), text));
        }
    }
}

/// R4, JSON representation: `null` stands in an array of primitives where the twin has something, and the reverse.
fn null(
    element: &Element,
    name: &str,
    members: &Members,
    position: usize,
    path: &str,
    issues: &mut Vec<Issue>,
) {
    let twin = name.strip_prefix('_').map_or_else(|| format!("_{name}"), str::to_owned);
    let is_primitive = schema::elements(element.kind).is_none() || name.starts_with('_');
    let other = members.get(&twin).and_then(|twin| twin.get(position)).is_some_and(|item| !item.is_null());
    if !(is_primitive && other) {
        issues.push(Issue::error(
            Code::Structure,
            path,
            "Leave the null out: nothing else stands for this item.",
        ));
    }
}

fn twins(plain: Option<&Json>, twin: &Json, path: &str, issues: &mut Vec<Issue>) {
    if let (Some(Json::Array(plain)), Json::Array(twin)) = (plain, twin)
        && plain.len() != twin.len()
    {
        let text = "Send as many items with the underscore as without, with null where there is nothing.";
        issues.push(Issue::error(Code::Structure, path, text));
    }
}

fn one(element: &Element, value: &Json, path: &mut String, issues: &mut Vec<Issue>) {
    if element.kind == "ResourceList" {
        return;
    }
    match (schema::elements(element.kind), value) {
        (Some(_), Json::Object(members)) => check(element.kind, members, path, issues),
        (Some(_), _) => issues.push(Issue::error(Code::Structure, path.as_str(), "Send a JSON object here.")),
        (None, _) => {
            if let Some((code, text)) = primitive(element.kind, value) {
                issues.push(Issue::error(code, path.as_str(), text));
            }
        }
    }
}

/// What is wrong with a primitive whose JSON type and pattern the schema has checked or will check.
fn primitive(kind: &str, value: &Json) -> Option<(Code, &'static str)> {
    match (kind, value) {
        ("date" | "dateTime" | "instant", Json::String(text)) => match date::span(text) {
            Err(date::DateError::Day) => {
                Some((Code::Value, "The calendar has no such day. Correct the month or the day."))
            }
            _ => None,
        },
        ("integer" | "positiveInt" | "unsignedInt", Json::Number(number)) => {
            whole_number(kind, number).map(|text| (Code::Value, text))
        }
        ("base64Binary", Json::String(text)) if !is_base64(text) => {
            Some((Code::Value, "Send base64: letters, digits, + and /, padded with = to a multiple of four."))
        }
        ("xhtml", Json::String(div)) => xhtml::problem(div).map(|text| (Code::Invariant, text)),
        ("xhtml", _) => Some((Code::Structure, "Send the XHTML div as a string.")),
        _ => None,
    }
}

/// R4, datatypes: integers are 32-bit, written without point or exponent.
fn whole_number(kind: &str, number: &Number) -> Option<&'static str> {
    let (least, text) = match kind {
        "positiveInt" => (1, "Send a whole number from 1 to 2147483647, without point or exponent."),
        "unsignedInt" => (0, "Send a whole number from 0 to 2147483647, without point or exponent."),
        _ => (i32::MIN, "Send a whole number of 32 bits, without point or exponent."),
    };
    let good = number.as_str().parse::<i32>().is_ok_and(|whole| whole >= least) && number.as_str() != "-0";
    (!good).then_some(text)
}

fn is_base64(text: &str) -> bool {
    let data: Vec<u8> = text.bytes().filter(|b| !b.is_ascii_whitespace()).collect();
    let padding = data.iter().rev().take_while(|b| **b == b'=').count();
    let body = data.get(..data.len() - padding).unwrap_or_default();
    !body.is_empty()
        && data.len().is_multiple_of(4)
        && padding <= 2
        && body.iter().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'+' | b'/'))
}

/// Required bindings that the schema does not enforce. A CodeableConcept must hold one of the codings.
fn bound(definition: &str, name: &str, value: &Json, path: &str, issues: &mut Vec<Issue>) {
    let systems = RULES.get("codes").and_then(|all| all.get(definition)).and_then(|all| all.get(name));
    let Some(systems) = systems.and_then(Json::as_object) else { return };
    let known = |system: Option<&str>, code: &str| {
        systems.iter().any(|(one, codes)| {
            system.is_none_or(|system| system == one)
                && codes.as_array().is_some_and(|codes| codes.iter().any(|known| known == code))
        })
    };
    let good = match value {
        Json::String(code) => known(None, code),
        Json::Array(codes) => codes.iter().filter_map(Json::as_str).all(|code| known(None, code)),
        Json::Object(concept) => concept.get("coding").and_then(Json::as_array).is_some_and(|codings| {
            codings.iter().any(|coding| {
                let text = |name: &str| coding.get(name).and_then(Json::as_str);
                text("system")
                    .is_some_and(|system| text("code").is_some_and(|code| known(Some(system), code)))
            })
        }),
        _ => return,
    };
    if !good {
        let codes: Vec<Json> = systems.values().filter_map(Json::as_array).flatten().cloned().collect();
        let mut text = format!("Send one of the codes {}", listed(&codes));
        if value.is_object() {
            let _ = write!(
                text,
                " as a coding of {}",
                systems.keys().map(String::as_str).collect::<Vec<_>>().join(" or ")
            );
        }
        text.push('.');
        issues.push(Issue::error(Code::CodeInvalid, path, text));
    }
}
