//! What is asked of every resource on its way in, and of every derived one on its way out.

use super::claim;
use crate::Endplate;
use crate::element::text;
use crate::intake::{finding, repair};
use crate::refusal::{Reason, Refusal};
use crate::subscription;
use endplate_fhir::bundle::{Address, Entry, Method};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, TYPES, reference, subset, validate};

/// Type and id of the body must be those of the address.
pub(super) fn single(entry: &Entry) -> Vec<Issue> {
    let mut issues = Vec::new();
    if let Address::Id(id) = &entry.address
        && !endplate_fhir::is_id(id)
    {
        let text = "An id is 1 to 64 letters, digits, hyphens or dots.";
        issues.push(Issue::error(Code::Value, format!("{}.id", entry.kind), text));
    } else if !matches!(entry.method, Method::Post | Method::Put) {
        // There is no resource to compare.
    } else if text(&entry.resource, &["resourceType"]) != Some(&entry.kind) {
        let text =
            format!("The body must be a {} as the address says; send its resourceType so.", entry.kind);
        issues.push(Issue::error(Code::Invalid, "resourceType", text));
    } else if let Address::Id(id) = &entry.address
        && text(&entry.resource, &["id"]) != Some(id)
    {
        let text = "The id in the body must be the id in the address; send it there.";
        issues.push(Issue::error(Code::Invalid, format!("{}.id", entry.kind), text));
    }
    issues
}

/// R4 and the rules for types that people may not write. What a patch makes is looked at when it is made.
pub(super) fn resource(entry: &Entry, bundled: bool, endplate: &Endplate) -> Vec<Issue> {
    if !matches!(entry.method, Method::Post | Method::Put) {
        return Vec::new();
    }
    let mut issues = if TYPES.contains(&entry.kind.as_str()) {
        validate::resource(&entry.resource)
    } else {
        Refusal::unknown_type().issues
    };
    issues.extend(claim::issues(&entry.kind, &entry.resource));
    if subset::is_subset(&entry.resource) {
        let text =
            "This is a part of a resource, tagged SUBSETTED; read the whole one, change that, and send it.";
        issues.push(Issue::error(Code::BusinessRule, format!("{}.meta.tag", entry.kind), text));
    }
    if entry.kind == "AuditEvent" {
        let text = "AuditEvents are written by the service alone; leave this entry out.";
        issues.push(Issue::error(Code::NotSupported, "AuditEvent", text));
    }
    if issues.is_empty() && entry.kind == "Subscription" {
        issues.extend(subscription::check(&entry.resource));
        issues.extend(endplate.check_endpoint(&entry.resource));
    }
    if issues.iter().any(Issue::is_error) {
        // All that is wrong at once: what our own profiles miss too, where R4 itself has not spoken already.
        for one in profile(&entry.kind, &entry.resource) {
            if !issues.iter().any(|other| one.expression.starts_with(&other.expression)) {
                issues.push(one);
            }
        }
    }
    if bundled {
        for issue in &mut issues {
            issue.expression = in_bundle(&issue.expression, &entry.kind, entry.index);
        }
    }
    issues
}

/// A repair or a finding that is about no patient has no plan to go to: it is refused with everything else that is wrong with it.
pub(super) fn belongs(kind: &str, resource: &Json, base: &str) -> Vec<Issue> {
    if reference::patient_of(resource, base).is_some() {
        return Vec::new();
    }
    let is_ours = match kind {
        "Procedure" => repair::technique(resource).is_some() && repair::is_done(resource),
        "Observation" => finding::kind(resource).is_some(),
        _ => false,
    };
    if !is_ours {
        return Vec::new();
    }
    let mut issues = profile(kind, resource);
    let text =
        "This must be about a patient who is known here: send subject.reference, for example Patient/123.";
    issues.insert(0, Issue::error(Code::Required, format!("{kind}.subject"), text));
    issues
}

/// What a repair or a finding lacks of its profile, on its own; nothing for any other resource. What is wrong with it as R4
/// is told by [`validate::resource`].
pub fn profile(kind: &str, resource: &Json) -> Vec<Issue> {
    match kind {
        "Procedure" => match repair::technique(resource) {
            Some(technique) if repair::is_done(resource) => {
                repair::read(resource, technique, None).err().unwrap_or_default()
            }
            _ => Vec::new(),
        },
        "Observation" => match finding::kind(resource) {
            Some(found) => finding::read(resource, found).err().unwrap_or_default(),
            None => Vec::new(),
        },
        _ => Vec::new(),
    }
}

/// `Procedure.performed` of entry 3 is `Bundle.entry[3].resource.performed`.
pub(super) fn in_bundle(expression: &str, kind: &str, index: usize) -> String {
    let rest = expression.strip_prefix(kind).unwrap_or_default();
    format!("Bundle.entry[{index}].resource{rest}")
}

/// Names the entry of a Bundle in every issue that does not name it yet. What is about no element is about its URL.
pub(super) fn placed(mut refusal: Refusal, kind: &str, index: usize) -> Refusal {
    for issue in refusal.issues.iter_mut().filter(|issue| !issue.expression.starts_with("Bundle")) {
        let root = if issue.expression.starts_with("Parameters") { "Parameters" } else { kind };
        issue.expression = if issue.expression.is_empty() || issue.expression.starts_with("http.") {
            format!("Bundle.entry[{index}].request.url")
        } else {
            in_bundle(&issue.expression, root, index)
        };
    }
    refusal
}

/// Nothing leaves this service that R4 does not allow.
pub(crate) fn own(resource: &Json) -> Result<(), Refusal> {
    let wrong: Vec<Issue> = validate::resource(resource).into_iter().filter(Issue::is_error).collect();
    if wrong.is_empty() {
        return Ok(());
    }
    let kind = text(resource, &["resourceType"]).unwrap_or_default();
    for issue in &wrong {
        tracing::error!(
            kind,
            expression = issue.expression,
            text = issue.text,
            "a derived resource breaks R4"
        );
    }
    let text =
        "The service derived something that R4 does not allow; nothing was stored. Please report this.";
    Err(Refusal::new(Reason::Fault, Issue::error(Code::Exception, "", text)))
}
