//! Whether a resource is R4: all problems at once, each with its FHIRPath and a sentence that says what to send.
//!
//! Contained resources, and the resources of Bundle entries and Parameters, are checked each at the root of its own
//! type, so that every message names the element itself. No message repeats a value of the payload.

use crate::invariant::{self, Scope};
use crate::issue::{Code, Issue};
use crate::json::push_name;
use crate::rule::At;
use crate::{Json, TYPES, release, rule, schema};
use jsonschema::ValidationError;
use jsonschema::error::ValidationErrorKind as Kind;
use serde_json::Map;
use std::fmt::Write as _;

/// How many problems are told at most; a last issue then says that there are more.
pub const ISSUES_MAX: usize = 200;

/// All problems of a resource. Empty: it is valid against the R4 schema, the rules beside it and R4's invariants.
/// Profiles and best practice are not checked here.
///
/// Types that are stored, and Bundle, Parameters, OperationOutcome and the published definitions, are known. Another
/// type is an error, except inside `contained`, where it is only warned of.
pub fn resource(value: &Json) -> Vec<Issue> {
    let mut issues = Vec::new();
    check(value, "", None, &mut issues);
    if issues.len() > ISSUES_MAX {
        issues.truncate(ISSUES_MAX);
        let text = format!("There are more problems than these {ISSUES_MAX}. Correct these and send again.");
        issues.push(Issue::error(Code::TooLong, "", text));
    }
    issues
}

/// What R4 calls best practice, as remarks: a narrative (dom-6) for the resource and for those of its entries.
pub fn practice(value: &Json) -> Vec<Issue> {
    let mut issues = Vec::new();
    let mut look = |value: &Json, at: &str| {
        let Some(members) = value.as_object() else { return };
        let kind = members.get("resourceType").and_then(Json::as_str).unwrap_or_default();
        let is_domain = schema::definition(kind).is_some_and(|one| one.elements.contains_key("text"));
        let scope = Scope { resource: members, root: members };
        if is_domain && !invariant::NARRATIVE.holds(members, &scope) {
            issues.push(invariant::NARRATIVE.issue(if at.is_empty() { kind } else { at }));
        }
    };
    look(value, "");
    for (position, entry) in items(value.get("entry")) {
        if let Some(resource) = entry.get("resource") {
            look(resource, &format!("Bundle.entry[{position}].resource"));
        }
    }
    issues
}

/// Reads the table of all that R4 says, which otherwise happens at the first validation.
pub fn prepare() {
    schema::known("Bundle");
}

/// Compiles the JSON Schema of every type, which otherwise happens for each type when something is first wrong with one.
pub fn compile() {
    for kind in schema::kinds() {
        schema::validator(kind);
    }
}

/// Checks the resource at `at`, the FHIRPath of its place; empty for the whole. `around`: the outermost resource that
/// contains it.
fn check(value: &Json, at: &str, around: Option<&Map<String, Json>>, issues: &mut Vec<Issue>) {
    let Some(members) = value.as_object() else {
        let text = "Send a resource: a JSON object with resourceType.";
        issues.push(Issue::error(Code::Structure, at, text).keyed("json-type"));
        return;
    };
    let Some(kind) = members.get("resourceType").and_then(Json::as_str) else {
        let place = if at.is_empty() { "resourceType".to_owned() } else { format!("{at}.resourceType") };
        let text = "Name the type of the resource in resourceType.";
        issues.push(Issue::error(Code::Required, place, text).keyed("resource-type"));
        return;
    };
    let root = if at.is_empty() { shown_kind(kind) } else { at.to_owned() };
    let scope = Scope { resource: members, root: around.unwrap_or(members) };
    if around.is_some() {
        for one in invariant::CONTAINED.iter().filter(|one| !one.holds(members, &scope)) {
            let part = if one.key == "dom-2" { ".contained" } else { "" };
            issues.push(one.issue(&format!("{root}{part}")));
        }
    }
    let (Some(_), Some(definition)) = (schema::known(kind), schema::definition(kind)) else {
        let issue = if around.is_some() {
            let text = "Contained resources of this type are kept as they are and not checked.";
            Issue::warning(Code::NotSupported, root, text)
        } else {
            let text = format!("This type is not known here. Send one of: {}.", TYPES.join(", "));
            Issue::error(Code::NotSupported, root, text)
        };
        issues.push(issue.keyed("resource-type"));
        return;
    };
    other_release(members, &root, issues);
    let mut broken = Vec::new();
    let fits = rule::check(definition, members, &scope, At::Root(&root), &mut broken);
    // The walk has found whether the schema has anything to tell; what it tells comes first.
    if !fits && let Some(validator) = schema::validator(kind) {
        for error in validator.iter_errors(value).take(ISSUES_MAX + 1) {
            explain(&error, kind, &root, issues);
        }
    }
    issues.append(&mut broken);
    // What a contained resource contains must move out first: that has been said.
    if around.is_none() {
        held(kind, members, &root, issues);
    }
}

/// A definition that says it is of another release.
fn other_release(members: &Map<String, Json>, root: &str, issues: &mut Vec<Issue>) {
    let is_other = |version: &Json| version.as_str().is_some_and(|version| !version.starts_with("4.0"));
    let found = match members.get("fhirVersion") {
        Some(Json::Array(versions)) => versions.iter().all(is_other),
        Some(version) => is_other(version),
        None => false,
    };
    if found {
        let text = "Send fhirVersion 4.0.1: this endpoint is R4.";
        issues.push(Issue::error(Code::Value, format!("{root}.fhirVersion"), text).keyed("other-release"));
    }
}

/// A type name is shown only when it looks like one.
fn shown_kind(kind: &str) -> String {
    let mut path = String::new();
    push_name(&mut path, kind);
    path
}

/// The resources that a resource holds.
fn held(kind: &str, members: &Map<String, Json>, root: &str, issues: &mut Vec<Issue>) {
    for (position, one) in items(members.get("contained")) {
        check(one, &format!("{root}.contained[{position}]"), Some(members), issues);
    }
    match kind {
        "Bundle" => {
            for (position, entry) in items(members.get("entry")) {
                if let Some(resource) = entry.get("resource") {
                    check(resource, &format!("{root}.entry[{position}].resource"), None, issues);
                }
                if let Some(outcome) = entry.pointer("/response/outcome") {
                    check(outcome, &format!("{root}.entry[{position}].response.outcome"), None, issues);
                }
            }
        }
        "Parameters" => parameters(members, root, issues),
        _ => {}
    }
}

fn parameters(members: &Map<String, Json>, root: &str, issues: &mut Vec<Issue>) {
    for name in ["parameter", "part"] {
        for (position, one) in items(members.get(name)) {
            let at = format!("{root}.{name}[{position}]");
            if let Some(resource) = one.get("resource") {
                check(resource, &format!("{at}.resource"), None, issues);
            }
            if let Some(inner) = one.as_object() {
                parameters(inner, &at, issues);
            }
        }
    }
}

fn items(value: Option<&Json>) -> impl Iterator<Item = (usize, &Json)> {
    value.and_then(Json::as_array).into_iter().flatten().enumerate()
}

/// Turns one breach of the schema into issues with our sentences.
fn explain(error: &ValidationError<'_>, kind: &str, root: &str, issues: &mut Vec<Issue>) {
    let place = Place::of(error.instance_path().as_str(), kind, root);
    if place.kind == "ResourceList" {
        // Each held resource is checked on its own.
        return;
    }
    let path = || place.path.clone();
    match error.kind() {
        Kind::Required { property } => {
            let mut at = path();
            push_name(&mut at, property.as_str().unwrap_or_default());
            let text = format!("Send {at}: it is mandatory.");
            issues.push(Issue::error(Code::Required, at, text).keyed("mandatory"));
        }
        Kind::AdditionalProperties { unexpected } => {
            for name in unexpected {
                let mut at = path();
                push_name(&mut at, name);
                issues.push(unknown(place.holder, name, at));
            }
        }
        Kind::Enum { options } => {
            let options = options.as_array().map(Vec::as_slice).unwrap_or_default();
            let text = format!("Send one of the codes {}.", rule::listed(options));
            issues.push(Issue::error(Code::CodeInvalid, path(), text).keyed("binding"));
        }
        Kind::Pattern { .. } => {
            issues.push(Issue::error(Code::Value, path(), form_of(place.kind)).keyed("form"));
        }
        // Null in an array of primitives may stand beside its twin; the rules decide that.
        Kind::Type { .. } if error.instance().is_null() => {}
        Kind::Type { .. } => {
            let text = format!("Send {}, not {}.", place.json_type(), rule::found(error.instance()));
            issues.push(Issue::error(Code::Structure, path(), text).keyed("json-type"));
        }
        // The schema of R4 has no other keywords; if one comes, its own words are masked.
        _ => issues.push(Issue::error(
            Code::Structure,
            path(),
            format!("The element does not fit the R4 schema: {}.", error.masked_with("this value")),
        )),
    }
}

fn unknown(definition: &str, name: &str, at: String) -> Issue {
    let choice = schema::definition(definition).and_then(|one| one.choice(name));
    if let Some(choice) = choice {
        let text = format!("Name the type in the property: send one of {}.", rule::listed(choice.names));
        return Issue::error(Code::Structure, at, text).keyed("choice");
    }
    if release::is_r5(definition, name) {
        return Issue::error(Code::Structure, at, release::SEND_R4).keyed("other-release");
    }
    let text = "R4 has no such element here. Correct the spelling, send it as an extension, or leave it out.";
    Issue::error(Code::Structure, at, text).keyed("unknown-element")
}

/// Where the schema was broken.
struct Place {
    /// FHIRPath.
    path: String,
    /// The definition that holds the element, or the element's own where the breach is about its members.
    holder: &'static str,
    /// The element's definition or primitive.
    kind: &'static str,
    /// Whether the element is an array and the breach is about the array itself.
    is_array: bool,
}

impl Place {
    fn of(pointer: &str, kind: &str, root: &str) -> Self {
        let mut path = root.to_owned();
        let kind = schema::known(kind).unwrap_or_default();
        let mut place = Self { path: String::new(), holder: kind, kind, is_array: false };
        for segment in pointer.split('/').skip(1) {
            let name = segment.replace("~1", "/").replace("~0", "~");
            if place.is_array
                && let Ok(position) = name.parse::<usize>()
            {
                let _ = write!(path, "[{position}]");
                place.is_array = false;
                continue;
            }
            let definition = schema::definition(place.kind);
            let element = definition.and_then(|definition| definition.elements.get(name.as_str()));
            rule::push_element(&mut path, place.kind, &name);
            place.holder = place.kind;
            place.kind = element.map_or("", |element| element.kind);
            place.is_array = element.is_some_and(|element| element.many);
        }
        if schema::definition(place.kind).is_some() {
            place.holder = place.kind;
        }
        place.path = path;
        place
    }

    fn json_type(&self) -> &'static str {
        if self.is_array {
            return "a JSON array here";
        }
        match self.kind {
            "boolean" => "true or false without quotes",
            "decimal" | "integer" | "positiveInt" | "unsignedInt" => "a JSON number without quotes",
            kind if schema::definition(kind).is_some() => "a JSON object here",
            _ => "a JSON string here",
        }
    }
}

/// What a primitive looks like.
fn form_of(kind: &str) -> &'static str {
    match kind {
        "id" => "Send an id of 1 to 64 letters, digits, - and .",
        "date" => "Send a date: YYYY, YYYY-MM or YYYY-MM-DD.",
        "dateTime" => {
            "Send a dateTime: YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with a zone such as Z or +02:00."
        }
        "instant" => "Send an instant: YYYY-MM-DDThh:mm:ss with a zone such as Z or +02:00.",
        "time" => "Send a time: hh:mm:ss without a zone.",
        "code" => "Send a code without spaces at either end and without double spaces.",
        "uri" | "url" | "canonical" => "Send a URI without spaces.",
        "oid" => "Send an OID: urn:oid: and numbers with points between them.",
        "uuid" => "Send a UUID: urn:uuid: and the UUID in lower case.",
        "base64Binary" => "Send base64: letters, digits, + and /, padded with = to a multiple of four.",
        _ => "Send a text that is not blank.",
    }
}

#[cfg(test)]
mod tests;
