//! The code systems that plain codes are of without saying so.
//!
//! Source: FHIR R4, the required bindings of elements of type `code`; R4 search, token: a code's system is implicit.

/// Type, parameter, system.
#[rustfmt::skip]
pub(super) const BY_PARAMETER: &[(&str, &str, &str)] = &[
    ("Appointment", "part-status", "http://hl7.org/fhir/participationstatus"),
    ("Appointment", "status", "http://hl7.org/fhir/appointmentstatus"),
    ("AuditEvent", "action", "http://hl7.org/fhir/audit-event-action"),
    ("AuditEvent", "outcome", "http://hl7.org/fhir/audit-event-outcome"),
    ("CarePlan", "intent", "http://hl7.org/fhir/request-intent"),
    ("CarePlan", "status", "http://hl7.org/fhir/request-status"),
    ("CareTeam", "status", "http://hl7.org/fhir/care-team-status"),
    ("Communication", "priority", "http://hl7.org/fhir/request-priority"),
    ("Communication", "status", "http://hl7.org/fhir/event-status"),
    ("ConceptMap", "status", "http://hl7.org/fhir/publication-status"),
    ("DetectedIssue", "severity", "http://hl7.org/fhir/detectedissue-severity"),
    ("DetectedIssue", "status", "http://hl7.org/fhir/observation-status"),
    ("Device", "status", "http://hl7.org/fhir/device-status"),
    ("DiagnosticReport", "status", "http://hl7.org/fhir/diagnostic-report-status"),
    ("DocumentReference", "relation", "http://hl7.org/fhir/document-relationship-type"),
    ("DocumentReference", "status", "http://hl7.org/fhir/document-reference-status"),
    ("Encounter", "status", "http://hl7.org/fhir/encounter-status"),
    ("Flag", "status", "http://hl7.org/fhir/flag-status"),
    ("Goal", "lifecycle-status", "http://hl7.org/fhir/goal-status"),
    ("Location", "status", "http://hl7.org/fhir/location-status"),
    ("Observation", "status", "http://hl7.org/fhir/observation-status"),
    ("Patient", "gender", "http://hl7.org/fhir/administrative-gender"),
    ("Practitioner", "gender", "http://hl7.org/fhir/administrative-gender"),
    ("Procedure", "status", "http://hl7.org/fhir/event-status"),
    ("RiskAssessment", "status", "http://hl7.org/fhir/observation-status"),
    ("ServiceRequest", "intent", "http://hl7.org/fhir/request-intent"),
    ("ServiceRequest", "priority", "http://hl7.org/fhir/request-priority"),
    ("ServiceRequest", "status", "http://hl7.org/fhir/request-status"),
    ("Subscription", "status", "http://hl7.org/fhir/subscription-status"),
    ("Subscription", "type", "http://hl7.org/fhir/subscription-channel-type"),
    ("Task", "priority", "http://hl7.org/fhir/request-priority"),
    ("Task", "status", "http://hl7.org/fhir/task-status"),
];
