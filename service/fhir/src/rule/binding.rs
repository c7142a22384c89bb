//! Codes: required bindings that the schema does not enforce, media types, currencies and units.

use super::{At, Members, listed};
use crate::Json;
use crate::invariant;
use crate::issue::{Code, Issue};
use crate::quantity::UCUM;
use crate::schema::Element;
use std::fmt::Write as _;

/// Required bindings that the schema does not enforce. A CodeableConcept must hold one of the codings.
pub(super) fn check(systems: &Members, value: &Json, at: At<'_>, issues: &mut Vec<Issue>) {
    let known = |system: Option<&str>, code: &str| {
        systems.iter().any(|(one, codes)| {
            system.is_none_or(|system| system == one)
                && codes.as_array().is_some_and(|codes| codes.iter().any(|known| known == code))
        })
    };
    let concept = |concept: &Members| {
        concept.get("coding").and_then(Json::as_array).is_some_and(|codings| {
            codings.iter().any(|coding| {
                let text = |name: &str| coding.get(name).and_then(Json::as_str);
                text("system")
                    .is_some_and(|system| text("code").is_some_and(|code| known(Some(system), code)))
            })
        })
    };
    let good = |one: &Json| match one {
        Json::String(code) => known(None, code),
        Json::Object(members) => concept(members),
        _ => true,
    };
    match value {
        Json::Array(items) => {
            for (position, _) in items.iter().enumerate().filter(|(_, item)| !good(item)) {
                issues.push(issue(systems, false, At::Item(&at, position).path()));
            }
        }
        one if !good(one) => issues.push(issue(systems, one.is_object(), at.path())),
        _ => {}
    }
}

fn issue(systems: &Members, is_concept: bool, path: String) -> Issue {
    let codes: Vec<Json> = systems.values().filter_map(Json::as_array).flatten().cloned().collect();
    let mut text = format!("Send one of the codes {}", listed(&codes));
    if is_concept {
        let systems = systems.keys().map(String::as_str).collect::<Vec<_>>().join(" or ");
        let _ = write!(text, " as a coding of {systems}");
    }
    text.push('.');
    Issue::error(Code::CodeInvalid, path, text).keyed("binding")
}

/// Required bindings to codes that are too many to list: media types (BCP 13) and currencies (ISO 4217).
pub(super) fn form(name: &str, element: &Element, value: &Json, at: At<'_>, issues: &mut Vec<Issue>) {
    if element.kind != "code" {
        return;
    }
    let (good, text): (fn(&str) -> bool, _) = match name {
        "contentType" | "payload" | "sigFormat" | "targetFormat" => {
            (is_media_type, "Send a media type, for example application/pdf.")
        }
        "format" | "patchFormat" => {
            (is_format, "Send json, xml, ttl or a media type such as application/fhir+json.")
        }
        "currency" => (is_currency, "Send a currency by its three letters in ISO 4217, for example EUR."),
        _ => return,
    };
    let is_bad = |one: &Json| one.as_str().is_some_and(|code| !good(code));
    match value {
        Json::Array(items) => {
            for (position, _) in items.iter().enumerate().filter(|(_, item)| is_bad(item)) {
                issues.push(
                    Issue::error(Code::CodeInvalid, At::Item(&at, position).path(), text).keyed("binding"),
                );
            }
        }
        one if is_bad(one) => issues.push(Issue::error(Code::CodeInvalid, at.path(), text).keyed("binding")),
        _ => {}
    }
}

/// RFC 6838, section 4.2: two names of restricted characters, then perhaps parameters.
fn is_media_type(text: &str) -> bool {
    let names = text.split(';').next().unwrap_or_default().trim_end();
    let is_name = |name: &str| {
        (1..=127).contains(&name.len())
            && name.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric())
            && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"!#$&-^_.+".contains(&b))
    };
    names.split_once('/').is_some_and(|(kind, rest)| is_name(kind) && is_name(rest))
}

/// R4, CapabilityStatement.format: media types, and the names of the formats.
fn is_format(text: &str) -> bool {
    matches!(text, "json" | "xml" | "ttl") || is_media_type(text)
}

fn is_currency(text: &str) -> bool {
    text.len() == 3 && text.bytes().all(|b| b.is_ascii_uppercase())
}

/// Units that are sent all the time; they need no grammar.
const USUAL: &[&str] =
    &["mm", "cm", "m", "um", "d", "wk", "mo", "a", "h", "min", "s", "%", "1", "g", "kg", "mg"];

/// Whether the code of a quantity is UCUM if it says so.
pub(super) fn is_unit(quantity: &Members) -> bool {
    let text = |name: &str| invariant::get(quantity, name).and_then(Json::as_str);
    if text("system") != Some(UCUM) || invariant::get(quantity, "value").is_none() {
        return true;
    }
    text("code").is_none_or(|code| USUAL.contains(&code) || octofhir_ucum::validate(code).is_ok())
}
