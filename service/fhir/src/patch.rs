//! Patches: JSON Patch (RFC 6902) and FHIRPath Patch (FHIR R4 fhirpatch.html), each applied whole or not at all.
//!
//! JSON Patch is written here and not taken from a library: members keep their order and numbers their text through every
//! operation, and each refusal is a sentence.

mod fhirpath;
mod pointer;

use crate::Json;
use crate::issue::{Code, Issue};
use crate::json::DEPTH_MAX;

/// A patch of either form.
#[derive(Clone, Debug, PartialEq)]
pub enum Patch {
    /// RFC 6902: an array of operations.
    Pointer(Json),
    /// A Parameters resource whose parameters are operations.
    FhirPath(Json),
}

/// Why a patch was not applied.
#[derive(Clone, Debug, PartialEq)]
pub struct Refused {
    /// What is wrong and what to send.
    pub issue: Issue,
    /// Whether the patch itself cannot be read; else it does not fit the resource.
    pub malformed: bool,
}

impl Patch {
    /// The resource after all operations, in their order.
    ///
    /// # Errors
    /// The patch cannot be read, or one of its operations does not fit the resource.
    pub fn apply(&self, resource: &Json) -> Result<Json, Refused> {
        let mut patched = resource.clone();
        match self {
            Self::Pointer(operations) => pointer::apply(&mut patched, operations)?,
            Self::FhirPath(parameters) => fhirpath::apply(&mut patched, parameters)?,
        }
        Ok(patched)
    }
}

/// Most operations of one patch.
const OPERATIONS_MAX: usize = 1_000;
/// Largest resource that a patch may make, as a count of values and bytes of text; operations that copy could double it each time.
const SIZE_MAX: usize = 8 << 20;

fn check_count(operations: usize) -> Result<(), Refused> {
    if operations <= OPERATIONS_MAX {
        return Ok(());
    }
    Err(malformed("", format!("A patch holds at most {OPERATIONS_MAX} operations; send it in parts.")))
}

/// Refuses what grew too deep or too large.
fn check_size(resource: &Json) -> Result<(), Refused> {
    let mut left = SIZE_MAX;
    if fits(resource, DEPTH_MAX, &mut left) {
        return Ok(());
    }
    Err(unfit("", "The patch makes the resource too deep or too large; send less."))
}

fn fits(value: &Json, depth: usize, left: &mut usize) -> bool {
    let size = if let Json::String(text) = value { text.len() + 1 } else { 1 };
    let Some(rest) = left.checked_sub(size) else { return false };
    *left = rest;
    match value {
        Json::Array(items) => depth > 0 && items.iter().all(|item| fits(item, depth - 1, left)),
        Json::Object(members) => depth > 0 && members.values().all(|member| fits(member, depth - 1, left)),
        _ => true,
    }
}

fn malformed(expression: impl Into<String>, text: impl Into<String>) -> Refused {
    Refused { issue: Issue::error(Code::Invalid, expression, text), malformed: true }
}

fn unfit(expression: impl Into<String>, text: impl Into<String>) -> Refused {
    Refused { issue: Issue::error(Code::Processing, expression, text), malformed: false }
}

/// After a patch, a narrative that was made from the elements no longer tells them: it is taken away, unless the patch wrote
/// a new one. One that holds more than the elements cannot be made again.
///
/// # Errors
/// The narrative holds more than the elements, and the patch left it as it was.
pub fn settle_narrative(before: &Json, after: &mut Json) -> Result<(), Issue> {
    let told = after.get("text");
    if told.is_none() || told != before.get("text") || before == after {
        return Ok(());
    }
    match told.and_then(|text| text.get("status")).and_then(Json::as_str) {
        Some("empty") => Ok(()),
        Some("additional") => {
            let kind = before.get("resourceType").and_then(Json::as_str).unwrap_or_default();
            let text = "The narrative holds more than the elements, so it would no longer be true: patch text as well, or \
                        send the whole resource with PUT.";
            Err(Issue::error(Code::BusinessRule, format!("{kind}.text"), text))
        }
        _ => {
            if let Some(members) = after.as_object_mut() {
                members.shift_remove("text");
            }
            Ok(())
        }
    }
}
