//! What a resource claims of itself and of what it points to: implicit rules, profiles, the types of its references.

use crate::code;
use crate::element::{self, text};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, reference};
use std::fmt::Write as _;

/// Claims that cannot be taken: implicit rules, and types of references that their targets contradict.
pub fn issues(kind: &str, resource: &Json) -> Vec<Issue> {
    let mut found = Vec::new();
    // FHIR R4 resource.html: rules that the reader does not know change the meaning, so such a resource cannot be understood.
    if resource.get("implicitRules").is_some() {
        let text = "No implicit rules are known here: send the resource without implicitRules, in its plain R4 meaning.";
        found.push(Issue::error(Code::NotSupported, format!("{kind}.implicitRules"), text));
    }
    let contained =
        |id: &str| element::items(resource, "contained").find(|one| text(one, &["id"]) == Some(id));
    let kind_of = |to: &str| match to.strip_prefix('#') {
        Some(id) => contained(id).and_then(|one| text(one, &["resourceType"])).map(str::to_owned),
        None => reference::parse(to, "").map(|target| target.kind),
    };
    walk(resource, &mut kind.to_owned(), &kind_of, &mut found);
    found
}

/// FHIR R4 references.html#Reference: the type, if said, is that of the target. A type that is a URL is a logical model's.
fn walk(value: &Json, path: &mut String, kind_of: &dyn Fn(&str) -> Option<String>, found: &mut Vec<Issue>) {
    let length = path.len();
    match value {
        Json::Array(items) => {
            for (position, item) in items.iter().enumerate() {
                let _ = write!(path, "[{position}]");
                walk(item, path, kind_of, found);
                path.truncate(length);
            }
        }
        Json::Object(members) => {
            if let (Some(to), Some(said)) = (text(value, &["reference"]), text(value, &["type"]))
                && !said.contains([':', '/'])
                && kind_of(to).is_some_and(|kind| kind != said)
            {
                let text = "The type of a reference is the type of the resource it names: correct one of them, or leave type out.";
                found.push(Issue::error(Code::Value, format!("{path}.type"), text));
            }
            for (name, member) in members {
                let _ = write!(path, ".{name}");
                walk(member, path, kind_of, found);
                path.truncate(length);
            }
        }
        _ => {}
    }
}

/// FHIR R4 resource.html#Meta: a profile is a claim. One that is not known here is stored unchecked, and the sender is told.
pub fn unknown_profiles(kind: &str, resource: &Json) -> Vec<Issue> {
    let own = code::structure("");
    let base = format!("http://hl7.org/fhir/StructureDefinition/{kind}");
    let claims = resource.get("meta").map(|meta| element::items(meta, "profile")).into_iter().flatten();
    let unknown = |(index, claim): (usize, &Json)| {
        let claim = claim.as_str()?;
        let known = claim.starts_with(&own) || claim.split('|').next() == Some(base.as_str());
        let text = "This profile is not known here: the resource was checked against R4 and stored as sent.";
        (!known).then(|| Issue::warning(Code::NotSupported, format!("{kind}.meta.profile[{index}]"), text))
    };
    claims.enumerate().filter_map(unknown).collect()
}
