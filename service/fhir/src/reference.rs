//! References between resources: reading, walking, rewriting, and the patient they lead to.

use crate::{Json, is_id, schema};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// A resource of this service that a reference names.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Target {
    /// Resource type.
    pub kind: String,
    /// Logical id.
    pub id: String,
}

/// Reads `Type/id`, `Type/id/_history/version`, or either of them absolute under `base`.
///
/// Nothing for references to contained resources (`#…`), `urn:` references and URLs of other servers.
pub fn parse(text: &str, base: &str) -> Option<Target> {
    let base = base.trim_end_matches('/');
    let relative = match text.strip_prefix(base).and_then(|rest| rest.strip_prefix('/')) {
        Some(rest) if !base.is_empty() => rest,
        _ => text,
    };
    let mut parts = relative.split('/');
    let (kind, id) = (parts.next()?, parts.next()?);
    match (parts.next(), parts.next(), parts.next()) {
        (None, _, _) => {}
        (Some("_history"), Some(version), None) if is_id(version) => {}
        _ => return None,
    }
    let is_kind = kind.bytes().next().is_some_and(|b| b.is_ascii_uppercase())
        && kind.len() <= 64
        && kind.bytes().all(|b| b.is_ascii_alphabetic());
    (is_kind && is_id(id)).then(|| Target { kind: kind.to_owned(), id: id.to_owned() })
}

/// Shows every `Reference.reference` of a resource to `visit`, with its FHIRPath, in the order of the text. Contained
/// resources and Bundle entries are walked too.
pub fn each<'a>(value: &'a Json, visit: &mut dyn FnMut(&str, &'a str)) {
    let mut path = value.get("resourceType").and_then(Json::as_str).unwrap_or_default().to_owned();
    walk(value, &mut path, visit);
}

fn walk<'a>(value: &'a Json, path: &mut String, visit: &mut dyn FnMut(&str, &'a str)) {
    let length = path.len();
    match value {
        Json::Array(items) => {
            for (position, item) in items.iter().enumerate() {
                let _ = write!(path, "[{position}]");
                walk(item, path, visit);
                path.truncate(length);
            }
        }
        Json::Object(members) => {
            for (name, member) in members {
                crate::json::push_name(path, name);
                match member {
                    Json::String(text) if name == "reference" && is_reference(value) => visit(path, text),
                    _ => walk(member, path, visit),
                }
                path.truncate(length);
            }
        }
        _ => {}
    }
}

/// Replaces every `Reference.reference` for which `map` knows another text. Nothing else is touched: not attachments,
/// not narrative, not canonical URLs.
pub fn rewrite(value: &mut Json, map: &dyn Fn(&str) -> Option<String>) {
    match value {
        Json::Array(items) => items.iter_mut().for_each(|item| rewrite(item, map)),
        Json::Object(_) => {
            let is_reference = is_reference(value);
            let Json::Object(members) = value else { return };
            for (name, member) in members.iter_mut() {
                match member {
                    Json::String(text) if name == "reference" && is_reference => {
                        if let Some(other) = map(text) {
                            *text = other;
                        }
                    }
                    _ => rewrite(member, map),
                }
            }
        }
        _ => {}
    }
}

/// Replaces whatever else names an entry of a Bundle by its `fullUrl`: elements of the types uri, url, oid and uuid, and the
/// links and images of narrative (R4 http.html#trules). Canonical URLs are not touched; a fragment stays.
pub fn rewrite_addresses(resource: &mut Json, addresses: &BTreeMap<String, String>) {
    let kind = resource.get("resourceType").and_then(Json::as_str).and_then(schema::known);
    if let Some(kind) = kind {
        rewrite_below(resource, kind, addresses);
    }
}

fn rewrite_below(value: &mut Json, definition: &str, addresses: &BTreeMap<String, String>) {
    let inner = value.get("resourceType").and_then(Json::as_str).and_then(schema::known);
    let Some(elements) = schema::elements(inner.unwrap_or(definition)) else { return };
    let Json::Object(members) = value else { return };
    for (name, member) in members.iter_mut() {
        let Some(element) = elements.get(name.as_str()) else { continue };
        let items = match member {
            Json::Array(items) => items.as_mut_slice(),
            one => std::slice::from_mut(one),
        };
        for item in items {
            match (element.kind, item) {
                ("uri" | "url" | "oid" | "uuid", Json::String(text)) => {
                    if let Some(other) = resolve(addresses, text) {
                        *text = other;
                    }
                }
                ("xhtml", Json::String(text)) => rewrite_links(text, addresses),
                (kind, item @ Json::Object(_)) => rewrite_below(item, kind, addresses),
                _ => {}
            }
        }
    }
}

fn rewrite_links(div: &mut String, addresses: &BTreeMap<String, String>) {
    for (from, to) in addresses.iter().filter(|(from, _)| !from.is_empty()) {
        if !div.contains(from.as_str()) {
            continue;
        }
        for (open, quote) in [("href=", '"'), ("href=", '\''), ("src=", '"'), ("src=", '\'')] {
            for end in [quote, '#'] {
                *div = div.replace(&format!("{open}{quote}{from}{end}"), &format!("{open}{quote}{to}{end}"));
            }
        }
    }
}

/// The address of what a `fullUrl` names; a fragment behind it stays.
pub fn resolve(addresses: &BTreeMap<String, String>, text: &str) -> Option<String> {
    addresses.get(text).cloned().or_else(|| {
        let (front, fragment) = text.split_once('#')?;
        addresses.get(front).map(|address| format!("{address}#{fragment}"))
    })
}

/// `Expression.reference` is a URL of a definition, not a Reference; an Expression always has a `language`.
fn is_reference(value: &Json) -> bool {
    value.get("language").is_none()
}

/// The id of the patient in whose compartment a resource is: its own for a Patient, else the first reference to a
/// Patient by the type's search parameter `patient`, or for a Binary by `securityContext`.
pub fn patient_of(value: &Json, base: &str) -> Option<String> {
    match value.get("resourceType")?.as_str()? {
        "Patient" => value.get("id")?.as_str().map(str::to_owned),
        "Binary" => {
            let target = parse(value.pointer("/securityContext/reference")?.as_str()?, base)?;
            (target.kind == "Patient").then_some(target.id)
        }
        kind => crate::index::first_target(value, kind, "patient", base).map(|target| target.id),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    const BASE: &str = "https://records.example/fhir";

    fn read(text: &str, base: &str) -> String {
        parse(text, base).map(|target| format!("{} {}", target.kind, target.id)).unwrap_or_default()
    }

    // FHIR R4 references page: relative, absolute, versioned, contained and urn references.
    #[test]
    fn forms_of_references() {
        assert_eq!(read("Patient/034AB16", BASE), "Patient 034AB16");
        assert_eq!(read("Patient/1/_history/2", BASE), "Patient 1");
        assert_eq!(read("https://records.example/fhir/Task/a-1", BASE), "Task a-1");
        assert_eq!(
            read("https://records.example/fhir/Task/a-1", "https://records.example/fhir/"),
            "Task a-1"
        );
        for text in [
            "#p1",
            "urn:uuid:6ba7b810-9dad-11d1-80b4-00c04fd430c8",
            "https://other.example/fhir/Patient/1",
            "https://records.example/fhirPatient/1",
            "Patient",
            "Patient/",
            "Patient/1/2",
            "Patient/1/_history",
            "Patient/a b",
            "patient/1",
            "Patient?identifier=x",
            "",
        ] {
            assert_eq!(parse(text, BASE), None, "{text}");
        }
    }

    #[test]
    fn walking_and_rewriting() {
        let mut bundle = json!({
            "resourceType": "Bundle",
            "entry": [{ "fullUrl": "urn:uuid:1", "resource": {
                "resourceType": "Task",
                "for": { "reference": "urn:uuid:1" },
                "input": [{ "valueAttachment": { "url": "urn:uuid:1" } }],
                "contained": [{ "resourceType": "Device", "owner": { "reference": "Organization/2" } }],
                "extension": [{ "url": "x", "valueExpression": { "language": "text/fhirpath", "reference": "urn:uuid:1" } }],
            }}],
        });
        rewrite(&mut bundle, &|text| (text == "urn:uuid:1").then(|| "Patient/9".to_owned()));
        let mut seen = Vec::new();
        each(&bundle, &mut |path, text| seen.push((path.to_owned(), text.to_owned())));
        assert_eq!(
            seen,
            [
                ("Bundle.entry[0].resource.for.reference".to_owned(), "Patient/9".to_owned()),
                (
                    "Bundle.entry[0].resource.contained[0].owner.reference".to_owned(),
                    "Organization/2".to_owned()
                ),
            ]
        );
        assert_eq!(
            bundle.pointer("/entry/0/resource/input/0/valueAttachment/url"),
            Some(&json!("urn:uuid:1"))
        );
    }

    // FHIR R4 compartment definition "patient".
    #[test]
    fn the_patient_of_a_resource() {
        let of = |value: Json| patient_of(&value, BASE);
        let one = Some("1".to_owned());
        assert_eq!(of(json!({ "resourceType": "Patient", "id": "1" })), one);
        assert_eq!(of(json!({ "resourceType": "Task", "for": { "reference": "Patient/1" } })), one);
        assert_eq!(
            of(
                json!({ "resourceType": "DetectedIssue", "patient": { "reference": format!("{BASE}/Patient/1") } })
            ),
            one
        );
        assert_eq!(
            of(json!({ "resourceType": "Appointment", "participant": [
                { "actor": { "reference": "Practitioner/7" } }, { "actor": { "reference": "Patient/1" } } ] })),
            one
        );
        assert_eq!(
            of(json!({ "resourceType": "Binary", "securityContext": { "reference": "Patient/1" } })),
            one
        );
        assert_eq!(of(json!({ "resourceType": "Observation", "subject": { "reference": "Group/1" } })), None);
        assert_eq!(of(json!({ "resourceType": "Practitioner", "id": "1" })), None);
    }
}
