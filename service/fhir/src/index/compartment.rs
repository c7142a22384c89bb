//! The compartment of a patient: which parameters put a resource into it.
//!
//! Source: FHIR R4 CompartmentDefinition `patient`, for the types that are stored. R4 has no Task in it, because Task can be
//! about anything; here a Task whose `for` is the patient is in it, as a declared extension, since the follow-up of a patient
//! without the reviews would be no answer.

/// The parameters of a type that may lead to the patient; nothing for a type outside the compartment.
pub fn of_patient(kind: &str) -> Option<&'static [&'static str]> {
    BY_TYPE.iter().find(|(one, _)| *one == kind).map(|(_, params)| *params)
}

/// The types of the compartment, sorted.
pub fn types() -> impl Iterator<Item = &'static str> {
    BY_TYPE.iter().map(|(kind, _)| *kind)
}

const BY_TYPE: &[(&str, &[&str])] = &[
    ("Appointment", &["actor"]),
    ("AuditEvent", &["patient"]),
    ("CarePlan", &["patient", "performer"]),
    ("CareTeam", &["patient", "participant"]),
    ("Communication", &["subject", "sender", "recipient"]),
    ("Condition", &["patient", "asserter"]),
    ("DetectedIssue", &["patient"]),
    ("DiagnosticReport", &["subject"]),
    ("DocumentReference", &["subject", "author"]),
    ("Encounter", &["patient"]),
    ("Flag", &["patient"]),
    ("Goal", &["patient"]),
    ("Observation", &["subject", "performer"]),
    ("Patient", &["link"]),
    ("Procedure", &["patient", "performer"]),
    ("Provenance", &["patient"]),
    ("RiskAssessment", &["subject"]),
    ("ServiceRequest", &["subject", "performer"]),
    ("Task", &["patient"]),
];
