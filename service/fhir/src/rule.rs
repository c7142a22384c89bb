//! What R4 demands and its JSON Schema does not say: mandatory primitives, one type of a choice, codes of required
//! bindings, days that exist, whole numbers, base64, XHTML without script, where objects, arrays and nulls may stand,
//! what references may lead to, and the invariants.
//!
//! The tables are made by profiles/r4/prune.py from R4's StructureDefinitions.

mod at;
mod binding;
mod primitive;
mod target;

use crate::Json;
use crate::invariant::{self, Scope};
use crate::issue::{Code, Issue};
use crate::json::{plain_of, push_name};
use crate::schema::{self, Definition, Element, Shape};
use serde_json::Map;

pub(crate) use at::At;
pub(crate) use target::kind_of;

pub(crate) type Members = Map<String, Json>;

/// Checks one element and all below it, except contained resources and the resources of entries and parameters.
/// `at` is where it stands. Tells whether the schema, too, has nothing to say; the walk finds that out on its way, much
/// faster than the schema's own validator, which is left to explain. A test holds the two verdicts together.
pub(crate) fn check(
    definition: &'static Definition,
    members: &Members,
    scope: &Scope<'_>,
    at: At<'_>,
    issues: &mut Vec<Issue>,
) -> bool {
    let first = issues.len();
    let mut fits = definition.is_plain;
    let (mut seen, mut twice) = (0, false);
    for (name, value) in members {
        // The schema names the elements that are not there.
        let Some(element) = definition.elements.get(name.as_str()) else {
            fits = false;
            continue;
        };
        twice |= seen & element.marks & definition.marks.choices != 0;
        seen |= element.marks;
        fits &= !element.many || value.is_array();
        let here = At::Element(&at, element.shown);
        let plain = plain_of(name).and_then(|plain| members.get(plain));
        twins(plain, value, here, issues);
        match value {
            Json::Array(items) if element.many => {
                for (position, item) in items.iter().enumerate() {
                    let here = At::Item(&here, position);
                    if item.is_null() {
                        fits &= element.shape.has(item);
                        null(element, name, members, position, here, issues);
                    } else {
                        let plain = plain.and_then(|plain| plain.get(position));
                        let has_value = plain.is_some_and(|plain| !plain.is_null());
                        fits &= one(element, item, has_value, scope, here, issues);
                    }
                }
            }
            // The schema wants the array.
            _ if element.many && !value.is_object() => {}
            _ => fits &= one(element, value, plain.is_some(), scope, here, issues),
        }
        if let Some(systems) = element.codes {
            binding::check(systems, value, here, issues);
        }
        binding::form(name, element, value, here, issues);
    }
    // Found by the marks, told by name; and before what the elements are told.
    if twice || seen & definition.marks.mandatory != definition.marks.mandatory {
        let mut told = Vec::new();
        mandatory(definition, members, at, &mut told);
        one_of_a_choice(definition, members, at, &mut told);
        issues.splice(first..first, told);
    }
    for one in &definition.invariants {
        if !(one.holds)(members, scope) {
            issues.push(one.issue(&at.path()));
        }
    }
    fits && seen & definition.marks.required == definition.marks.required
}

/// Appends an element's name as a FHIRPath has it.
pub(crate) fn push_element(path: &mut String, definition: &str, name: &str) {
    let element = schema::definition(definition).and_then(|one| one.elements.get(name));
    push_name(path, element.map_or(name, |element| element.shown));
}

/// Some names of a list, for a sentence.
pub(crate) fn listed(names: &[Json]) -> String {
    const SHOWN: usize = 16;
    let shown: Vec<&str> = names.iter().take(SHOWN).filter_map(Json::as_str).collect();
    format!("{}{}", shown.join(", "), if names.len() > SHOWN { ", …" } else { "" })
}

fn mandatory(definition: &Definition, members: &Members, at: At<'_>, issues: &mut Vec<Issue>) {
    for name in &definition.mandatory {
        let choice = definition.choice(name);
        let present = match choice {
            Some(choice) => chosen(definition, choice.base, members).next().is_some(),
            None => invariant::has(members, name),
        };
        if !present {
            let at = format!("{}.{name}", at.path());
            let text = match choice {
                Some(choice) => format!("Send {at} as one of {}: it is mandatory.", listed(choice.names)),
                None => format!("Send {at}: it is mandatory."),
            };
            issues.push(Issue::error(Code::Required, at, text).keyed("mandatory"));
        }
    }
}

fn one_of_a_choice(definition: &Definition, members: &Members, at: At<'_>, issues: &mut Vec<Issue>) {
    for choice in &definition.choices {
        let base = choice.base;
        let mut sent = chosen(definition, base, members);
        let first = sent.next();
        // A primitive and its twin are one.
        if sent.any(|other| Some(other) != first) {
            let mut sent: Vec<&str> = chosen(definition, base, members).collect();
            sent.dedup();
            let text = format!("Send only one of {}: {base}[x] is a choice.", sent.join(", "));
            issues.push(Issue::error(Code::Structure, format!("{}.{base}", at.path()), text).keyed("choice"));
        }
    }
}

/// The names that are there of a choice, those of twins without the underscore.
fn chosen<'m>(
    definition: &'m Definition,
    base: &'m str,
    members: &'m Members,
) -> impl Iterator<Item = &'m str> {
    members.keys().filter_map(move |name| {
        let plain = plain_of(name).unwrap_or(name);
        let may =
            plain.as_bytes().get(base.len()).is_some_and(u8::is_ascii_uppercase) && plain.starts_with(base);
        (may && definition.elements.get(plain).is_some_and(|one| one.shown == base)).then_some(plain)
    })
}

/// R4, JSON representation: `null` stands in an array of primitives where the twin has something, and the reverse.
fn null(
    element: &Element,
    name: &str,
    members: &Members,
    position: usize,
    at: At<'_>,
    issues: &mut Vec<Issue>,
) {
    let twin = plain_of(name).map_or_else(|| format!("_{name}"), str::to_owned);
    let is_primitive = element.definition().is_none() || name.starts_with('_');
    let other = members.get(&twin).and_then(|twin| twin.get(position)).is_some_and(|item| !item.is_null());
    if !(is_primitive && other) {
        let text = "Leave the null out: nothing else stands for this item.";
        issues.push(Issue::error(Code::Structure, at.path(), text).keyed("null"));
    }
}

fn twins(plain: Option<&Json>, twin: &Json, at: At<'_>, issues: &mut Vec<Issue>) {
    if let (Some(Json::Array(plain)), Json::Array(twin)) = (plain, twin)
        && plain.len() != twin.len()
    {
        let text = "Send as many items with the underscore as without, with null where there is nothing.";
        issues.push(Issue::error(Code::Structure, at.path(), text).keyed("twins"));
    }
}

/// One element, or one item of it. `has_value`: the element is the twin of a primitive that has a value. Tells whether the
/// schema has nothing to say.
fn one(
    element: &Element,
    value: &Json,
    has_value: bool,
    scope: &Scope<'_>,
    at: At<'_>,
    issues: &mut Vec<Issue>,
) -> bool {
    if matches!(element.shape, Shape::Held) {
        return element.shape.has(value);
    }
    let Some(definition) = element.definition() else {
        if let Some((code, key, text)) = primitive::problem(element.kind, value) {
            issues.push(Issue::error(code, at.path(), text).keyed(key));
        }
        return element.shape.has(value);
    };
    let Json::Object(members) = value else {
        let text = format!("Send a JSON object here, not {}.", found(value));
        issues.push(Issue::error(Code::Structure, at.path(), text).keyed("json-type"));
        return element.shape.has(value);
    };
    if !has_value && members.keys().all(|name| matches!(name.as_str(), "id" | "_id")) {
        issues.push(invariant::ELEMENT.issue(&at.path()));
    }
    if element.simple && !invariant::SIMPLE.holds(members, scope) {
        issues.push(invariant::SIMPLE.issue(&at.path()));
    }
    if !binding::is_unit(members) {
        let text = "Send a UCUM code, for example mm or d, or leave the system out: the code is not in UCUM.";
        issues.push(Issue::warning(Code::CodeInvalid, format!("{}.code", at.path()), text).keyed("unit"));
    }
    if element.kind == "Reference" {
        target::check(element, members, scope, at, issues);
    }
    check(definition, members, scope, at, issues)
}

/// What stands there, by its JSON type alone.
pub(crate) fn found(value: &Json) -> &'static str {
    match value {
        Json::Null => "null",
        Json::Bool(_) => "true or false",
        Json::Number(_) => "a number",
        Json::String(_) => "a string",
        Json::Array(_) => "an array",
        Json::Object(_) => "an object",
    }
}

/// Whether any string at or below these members is one that is looked for.
pub(crate) fn found_in(members: &Members, wanted: &dyn Fn(&str) -> bool) -> bool {
    fn at(value: &Json, wanted: &dyn Fn(&str) -> bool) -> bool {
        match value {
            Json::String(text) => wanted(text),
            Json::Array(items) => items.iter().any(|item| at(item, wanted)),
            Json::Object(members) => found_in(members, wanted),
            _ => false,
        }
    }
    members.values().any(|value| at(value, wanted))
}

#[cfg(test)]
mod tests;
