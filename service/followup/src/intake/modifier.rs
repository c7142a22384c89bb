//! Modifier extensions: none is known here, and what is not known must not be ignored (FHIR R4 extensibility.html#modifierExtension).

use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use std::fmt::Write as _;

/// Said of a repair whose injury cannot be understood.
pub const OF_CONDITION: &str = "The Condition named here holds a modifierExtension that is not known here; send it without, or name another.";

/// One issue for every modifier extension of a resource that is to be acted upon, contained resources apart.
pub fn issues(resource: &Json) -> Vec<Issue> {
    let mut path = resource.get("resourceType").and_then(Json::as_str).unwrap_or_default().to_owned();
    let mut found = Vec::new();
    walk(resource, &mut path, &mut found);
    found
}

fn walk(value: &Json, path: &mut String, found: &mut Vec<Issue>) {
    let length = path.len();
    match value {
        Json::Array(items) => {
            for (position, item) in items.iter().enumerate() {
                let _ = write!(path, "[{position}]");
                walk(item, path, found);
                path.truncate(length);
            }
        }
        Json::Object(members) => {
            for (name, member) in members {
                let _ = write!(path, ".{name}");
                if name == "modifierExtension" {
                    let text = "This modifier extension is not known here and may change the meaning: send the record without it.";
                    found.push(Issue::error(Code::Extension, path.as_str(), text));
                } else if name != "contained" {
                    walk(member, path, found);
                }
                path.truncate(length);
            }
        }
        _ => {}
    }
}
