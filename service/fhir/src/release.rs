//! Content of another release of FHIR, told from its elements: the commonest reason why a whole sender is refused.
//!
//! Source: FHIR R5 (5.0.0), the pages of the resources, "R5 Diff"; elements that R4 (4.0.1) does not have.

/// What R5 added or renamed, by R4 schema definition; an asterisk stands for every definition.
#[rustfmt::skip]
const R5: &[(&str, &[&str])] = &[
    ("*", &["concept", "valueInteger64", "valueCodeableReference", "valueRatioRange", "versionAlgorithmString",
        "versionAlgorithmCoding", "copyrightLabel", "bodyStructure"]),
    ("Appointment", &["cancellationReason", "class", "reason", "virtualService", "recurrenceId", "recurrenceTemplate",
        "occurrenceChanged", "subject", "account", "note", "previousAppointment", "originatingAppointment"]),
    ("AuditEvent", &["category", "code", "severity", "occurredDateTime", "occurredPeriod", "authorization", "patient", "encounter", "basedOn"]),
    ("CarePlan", &["custodian"]),
    ("CarePlan_Activity", &["performedActivity", "plannedActivityReference"]),
    ("Communication_Payload", &["contentCodeableConcept"]),
    ("Condition", &["participant"]),
    ("DetectedIssue", &["subject", "category", "encounter"]),
    ("Device", &["udiCarrier", "displayName", "name", "modelNumber", "deviceVersion", "category", "cycle", "duration",
        "mode", "conformsTo", "biologicalSourceEvent", "availabilityStatus", "endpoint", "gateway", "additive"]),
    ("DiagnosticReport", &["note", "composition", "supportingInfo", "procedure"]),
    ("DocumentReference", &["attester", "version", "modality", "bodySite", "basedOn", "facilityType", "practiceSetting", "event", "period"]),
    ("Encounter", &["actualPeriod", "plannedStartDate", "plannedEndDate", "admission", "subjectStatus", "businessStatus",
        "careTeam", "virtualService", "reason"]),
    ("Goal", &["acceptance", "continuous"]),
    ("Location", &["form", "contact", "virtualService", "characteristic"]),
    ("Observation", &["triggeredBy", "instantiatesCanonical", "instantiatesReference"]),
    ("Organization", &["qualification", "description"]),
    ("Practitioner", &["deceasedBoolean", "deceasedDateTime"]),
    ("PractitionerRole", &["contact", "characteristic", "display"]),
    ("Procedure", &["occurrenceDateTime", "occurrencePeriod", "occurrenceString", "occurrenceAge", "occurrenceRange",
        "occurrenceTiming", "recorded", "reportedBoolean", "reportedReference", "reason", "supportingInfo"]),
    ("Provenance", &["authorization", "why", "basedOn", "patient", "encounter"]),
    ("RiskAssessment", &["reason"]),
    ("ServiceRequest", &["reason", "focus"]),
    ("Subscription", &["topic", "filterBy", "channelType", "endpoint", "content", "contentType", "heartbeatPeriod",
        "timeout", "maxCount", "managingEntity", "parameter", "name", "identifier"]),
    ("Task", &["requestedPeriod", "requestedPerformer", "performer", "reason", "doNotPerform"]),
];

/// Whether an unknown element is one of R5.
pub(crate) fn is_r5(definition: &str, name: &str) -> bool {
    R5.iter().any(|(one, names)| (*one == "*" || *one == definition) && names.contains(&name))
}

/// What to say of it.
pub(crate) const SEND_R4: &str =
    "This looks like FHIR R5; this endpoint is R4 (4.0.1). Send the R4 form of the resource.";
