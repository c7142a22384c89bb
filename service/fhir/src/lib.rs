//! FHIR R4 resources as JSON values: strict reading, validation, index, search, references and Bundles.
//!
//! Nothing here knows HTTP, SQL or nerves, and nothing here panics on what it is sent. A resource is a
//! [`Json`] value whose numbers keep the text they were written with, so `1.10` stays `1.10`.

pub mod bundle;
pub mod date;
pub mod decimal;
mod form;
pub mod index;
pub mod invariant;
pub mod issue;
pub mod json;
pub mod narrative;
pub mod patch;
pub mod quantity;
pub mod reference;
mod release;
mod rule;
mod schema;
pub mod search;
pub mod searchset;
pub mod subset;
pub mod validate;
mod xhtml;

/// A FHIR resource or element. Members keep the order in which they were sent; numbers keep their text.
pub type Json = serde_json::Value;

/// The resource types that are accepted and stored, sorted.
pub const TYPES: &[&str] = &[
    "Appointment",
    "AuditEvent",
    "Binary",
    "CarePlan",
    "CareTeam",
    "Communication",
    "ConceptMap",
    "Condition",
    "DetectedIssue",
    "Device",
    "DiagnosticReport",
    "DocumentReference",
    "Encounter",
    "Flag",
    "Goal",
    "Location",
    "Observation",
    "Organization",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Procedure",
    "Provenance",
    "RiskAssessment",
    "ServiceRequest",
    "Subscription",
    "Task",
];

/// Whether `id` is a FHIR id: 1 to 64 ASCII letters, digits, `-` and `.`.
pub fn is_id(id: &str) -> bool {
    (1..=64).contains(&id.len()) && id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'.')
}
