//! INV. R4's invariants, which its JSON Schema cannot express: FHIR R4 StructureDefinitions, element constraints.
//!
//! Each is broken once and kept once. That the functions agree with the published FHIRPath expressions over many
//! resources, `tests/tests/it/expressions.rs` asks a FHIRPath engine from PyPI.

use endplate_fhir::issue::{Issue, Severity};
use endplate_fhir::{Json, json as reader, validate};
use serde_json::json;

pub(super) const UCUM: &str = "http://unitsofmeasure.org";
const CLINICAL: &str = "http://terminology.hl7.org/CodeSystem/condition-clinical";
const VERIFICATION: &str = "http://terminology.hl7.org/CodeSystem/condition-ver-status";

fn told(resource: &Json) -> Vec<Issue> {
    // Through the reader, as the service does.
    validate::resource(&reader::parse(resource.to_string().as_bytes()).unwrap())
}

/// The invariant is told at `at`, with its key and a sentence, and nothing else is an error.
#[track_caller]
pub(super) fn breaks(key: &str, at: &str, resource: &Json) {
    let issues = told(resource);
    let of_key = |issue: &&Issue| issue.key == Some(key) && issue.expression == at;
    let issue = issues.iter().find(of_key).unwrap_or_else(|| panic!("{key} at {at}: {issues:#?}"));
    assert!(issue.text.ends_with('.') && issue.severity == Severity::Error, "{issue:?}");
    assert!(issues.iter().all(|issue| issue.key == Some(key)), "more than {key}: {issues:#?}");
}

/// The same for an invariant that is a warning.
#[track_caller]
pub(super) fn warns(key: &str, at: &str, resource: &Json) {
    let issues = told(resource);
    let [issue] = issues.as_slice() else { panic!("{issues:#?}") };
    assert_eq!((issue.key, issue.expression.as_str(), issue.severity), (Some(key), at, Severity::Warning));
}

/// Nothing at all is told.
#[track_caller]
pub(super) fn holds(resource: &Json) {
    assert_eq!(told(resource), [], "{resource}");
}

/// A resource of a type with these elements and what else its type demands.
pub(super) fn of(kind: &str, elements: Json) -> Json {
    let patient = json!({ "reference": "Patient/1" });
    let mut resource = match kind {
        "Observation" => json!({ "status": "final", "code": { "text": "x" } }),
        "Condition" => json!({ "subject": patient }),
        "CarePlan" => json!({ "status": "active", "intent": "plan", "subject": patient }),
        "Goal" => json!({ "lifecycleStatus": "active", "description": { "text": "x" }, "subject": patient }),
        "Task" => json!({ "status": "requested", "intent": "order" }),
        "RiskAssessment" => json!({ "status": "final", "subject": patient }),
        "ServiceRequest" => json!({ "status": "active", "intent": "order", "subject": patient }),
        "Appointment" => json!({
            "status": "proposed", "participant": [{ "actor": patient, "status": "accepted" }]
        }),
        "AuditEvent" => json!({
            "type": { "code": "rest" }, "recorded": "2026-03-02T10:00:00Z", "agent": [{ "requestor": true }],
            "source": { "observer": { "display": "x" } }
        }),
        "DocumentReference" => json!({ "status": "current" }),
        "CapabilityStatement" => json!({
            "status": "active", "date": "2026", "kind": "requirements", "description": "x", "fhirVersion": "4.0.1",
            "format": ["json"], "rest": [{ "mode": "server" }]
        }),
        "OperationDefinition" => json!({
            "name": "X", "status": "active", "kind": "operation", "code": "x", "system": true, "type": false,
            "instance": false
        }),
        "PlanDefinition" | "ActivityDefinition" => json!({ "status": "active" }),
        "RequestGroup" => json!({ "status": "active", "intent": "plan" }),
        _ => json!({}),
    };
    resource["resourceType"] = json!(kind);
    merged(resource, elements)
}

/// A resource with more elements.
pub(super) fn merged(mut resource: Json, more: Json) -> Json {
    let Json::Object(more) = more else { panic!("no elements") };
    for (name, value) in more {
        resource[name] = value;
    }
    resource
}

/// An Observation with this Timing as its time.
fn timing(repeat: Json) -> Json {
    let mut resource = of("Observation", json!({ "effectiveTiming": {} }));
    resource["effectiveTiming"]["repeat"] = repeat;
    resource
}

/// A Procedure that was performed at this age, range and so on.
fn performed(name: &str, value: Json) -> Json {
    let mut resource = json!({ "resourceType": "Procedure", "status": "completed", "subject": { "reference": "Patient/1" } });
    resource[format!("performed{name}")] = value;
    resource
}

pub(super) fn extension(name: &str, value: Json) -> Json {
    let mut extension = json!({ "url": "https://x.example/e" });
    extension[format!("value{name}")] = value;
    json!({ "resourceType": "Patient", "extension": [extension] })
}

#[test]
fn inv01_contained_resources_contain_none() {
    let contained = |inner: Json| {
        json!({ "resourceType": "Task", "status": "requested", "intent": "order", "owner": { "reference": "#a" },
            "contained": [inner] })
    };
    holds(&contained(json!({ "resourceType": "Device", "id": "a" })));
    breaks(
        "dom-2",
        "Task.contained[0].contained",
        &contained(
            json!({ "resourceType": "Device", "id": "a", "contained": [{ "resourceType": "Device", "id": "b" }] }),
        ),
    );
}

#[test]
fn inv02_contained_resources_are_referred_to() {
    let device = json!([{ "resourceType": "Device", "id": "a" }]);
    breaks("dom-3", "Task.contained[0]", &of("Task", json!({ "contained": device })));
    holds(&of("Task", json!({ "contained": device, "owner": { "reference": "#a" } })));
    let back = json!([{ "resourceType": "Provenance", "id": "a", "recorded": "2026-03-02T10:00:00Z",
        "target": [{ "reference": "#" }], "agent": [{ "who": { "display": "x" } }] }]);
    holds(&of("Task", json!({ "contained": back })));
}

#[test]
fn inv03_contained_resources_have_no_version() {
    for name in ["versionId", "lastUpdated"] {
        let value = if name == "versionId" { "1" } else { "2026-03-02T10:00:00Z" };
        let device = json!([{ "resourceType": "Device", "id": "a", "meta": { name: value } }]);
        breaks(
            "dom-4",
            "Task.contained[0]",
            &of("Task", json!({ "contained": device, "owner": { "reference": "#a" } })),
        );
    }
}

#[test]
fn inv04_contained_resources_have_no_security_label() {
    let device = json!([{ "resourceType": "Device", "id": "a", "meta": { "security": [{ "code": "R" }] } }]);
    breaks(
        "dom-5",
        "Task.contained[0]",
        &of("Task", json!({ "contained": device, "owner": { "reference": "#a" } })),
    );
}

#[test]
fn inv05_a_missing_narrative_is_a_remark_when_asked_for() {
    let task = of("Task", json!({}));
    holds(&task);
    let remarks = validate::practice(&task);
    assert_eq!(remarks.len(), 1);
    assert_eq!((remarks[0].key, remarks[0].severity), (Some("dom-6"), Severity::Information));
    let div = "<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>";
    let told = of("Task", json!({ "text": { "status": "generated", "div": div } }));
    assert_eq!(validate::practice(&told), []);
}

#[test]
fn inv06_an_element_has_a_value_or_children() {
    breaks("ele-1", "Patient.name[0]", &of("Patient", json!({ "name": [{ "id": "a" }] })));
    breaks("ele-1", "Patient.birthDate", &of("Patient", json!({ "_birthDate": { "id": "a" } })));
    holds(&of("Patient", json!({ "birthDate": "1970", "_birthDate": { "id": "a" } })));
}

#[test]
fn inv07_an_extension_has_a_value_or_extensions() {
    breaks(
        "ext-1",
        "Patient.extension[0]",
        &of("Patient", json!({ "extension": [{ "url": "https://x.example/e" }] })),
    );
    let inner = json!([{ "url": "a", "valueCode": "b" }]);
    let both = json!([{ "url": "https://x.example/e", "valueCode": "x", "extension": inner }]);
    breaks("ext-1", "Patient.extension[0]", &of("Patient", json!({ "extension": both })));
    holds(&of("Patient", json!({ "extension": [{ "url": "https://x.example/e", "extension": inner }] })));
}

#[test]
fn inv08_a_narrative_is_xhtml_with_content() {
    let text = |div: &str| {
        let div = format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{div}</div>");
        of("Patient", json!({ "text": { "status": "generated", "div": div } }))
    };
    holds(&text("<p>x</p>"));
    breaks("txt-1", "Patient.text.div", &text("<script>x</script>"));
    breaks("txt-2", "Patient.text.div", &text(" <p/> "));
}

#[test]
fn inv09_a_local_reference_leads_to_a_contained_resource() {
    breaks("ref-1", "Task.owner", &of("Task", json!({ "owner": { "reference": "#a" } })));
}

#[test]
fn inv10_a_code_of_a_quantity_has_a_system() {
    let quantity = |more: Json| of("Observation", json!({ "valueQuantity": more }));
    breaks("qty-3", "Observation.value", &quantity(json!({ "value": 1, "code": "mm" })));
    holds(&quantity(json!({ "value": 1, "code": "mm", "system": UCUM })));
}

#[test]
fn inv11_a_simple_quantity_has_no_comparator() {
    let range = |low: Json| of("Observation", json!({ "referenceRange": [{ "low": low }] }));
    breaks("sqty-1", "Observation.referenceRange[0].low", &range(json!({ "value": 1, "comparator": "<" })));
    holds(&range(json!({ "value": 1 })));
}

#[test]
fn inv12_a_range_goes_from_low_to_high() {
    let range =
        |low: Json, high: Json| of("Observation", json!({ "valueRange": { "low": low, "high": high } }));
    breaks("rng-2", "Observation.value", &range(json!({ "value": 2.0 }), json!({ "value": 1.0 })));
    holds(&range(json!({ "value": 2.0 }), json!({ "value": 2 })));
    // Other units are not compared.
    holds(&range(json!({ "value": 2, "unit": "cm" }), json!({ "value": 1, "unit": "m" })));
}

#[test]
fn inv13_a_period_goes_from_start_to_end() {
    let period = |start: &str, end: &str| {
        of("Observation", json!({ "effectivePeriod": { "start": start, "end": end } }))
    };
    for (start, end) in [
        ("2026-03-02", "2026-03-01"),
        ("2027", "2026-12-31"),
        ("2026-03-02T10:00:00Z", "2026-03-02T10:59:59+01:00"),
    ] {
        breaks("per-1", "Observation.effective", &period(start, end));
    }
    // What is not sure is not refused.
    for (start, end) in
        [("2026-03-02", "2026"), ("2026-03-02T10:00:00Z", "2026-03-02"), ("2026-03", "2026-03-01")]
    {
        holds(&period(start, end));
    }
}

#[test]
fn inv14_a_ratio_has_both_parts() {
    let ratio = |more: Json| of("Observation", json!({ "valueRatio": more }));
    breaks("rat-1", "Observation.value", &ratio(json!({ "numerator": { "value": 1 } })));
    holds(&ratio(json!({ "numerator": { "value": 1 }, "denominator": { "value": 2 } })));
    holds(&ratio(json!({ "extension": [{ "url": "https://x.example/e", "valueCode": "a" }] })));
}

#[test]
fn inv15_an_age_is_a_positive_time() {
    holds(&performed("Age", json!({ "value": 34, "code": "a", "system": UCUM })));
    for age in [
        json!({ "value": 34, "system": UCUM }),
        json!({ "value": 0, "code": "a", "system": UCUM }),
        json!({ "value": 34, "code": "a", "system": "https://x.example/units" }),
    ] {
        breaks("age-1", "Procedure.performed", &performed("Age", age));
    }
}

#[test]
fn inv16_a_duration_is_in_ucum() {
    breaks(
        "drt-1",
        "Patient.extension[0].value",
        &extension("Duration", json!({ "code": "d", "system": UCUM })),
    );
    holds(&extension("Duration", json!({ "value": 1, "code": "d", "system": UCUM })));
}

#[test]
fn inv17_durations_and_periods_have_units() {
    let at = "Observation.effective.repeat";
    breaks("tim-1", at, &timing(json!({ "duration": 1 })));
    breaks("tim-2", at, &timing(json!({ "period": 1 })));
    holds(&timing(json!({ "duration": 1, "durationUnit": "h", "period": 1, "periodUnit": "wk" })));
}

#[test]
fn inv18_durations_and_periods_are_not_negative() {
    let at = "Observation.effective.repeat";
    breaks("tim-4", at, &timing(json!({ "duration": -0.5, "durationUnit": "h" })));
    breaks("tim-5", at, &timing(json!({ "period": -1, "periodUnit": "wk" })));
    holds(&timing(json!({ "duration": 0, "durationUnit": "h" })));
}

#[test]
fn inv19_a_maximum_has_what_it_is_the_maximum_of() {
    let at = "Observation.effective.repeat";
    breaks("tim-6", at, &timing(json!({ "periodMax": 1 })));
    breaks("tim-7", at, &timing(json!({ "durationMax": 1 })));
    breaks("tim-8", at, &timing(json!({ "countMax": 1 })));
    holds(&timing(json!({ "count": 1, "countMax": 2 })));
}

#[test]
fn inv20_an_offset_is_from_a_meal_or_from_sleep() {
    let at = "Observation.effective.repeat";
    breaks("tim-9", at, &timing(json!({ "offset": 30 })));
    breaks("tim-9", at, &timing(json!({ "offset": 30, "when": ["AC", "CM"] })));
    holds(&timing(json!({ "offset": 30, "when": ["AC"] })));
    breaks("tim-10", at, &timing(json!({ "timeOfDay": ["10:00:00"], "when": ["AC"] })));
}

#[test]
fn inv21_a_contact_has_a_system() {
    breaks("cpt-2", "Patient.telecom[0]", &of("Patient", json!({ "telecom": [{ "value": "1" }] })));
    holds(&of("Patient", json!({ "telecom": [{ "value": "1", "system": "phone" }] })));
}

#[test]
fn inv22_attached_data_have_a_content_type() {
    let attached =
        |attachment: Json| of("DocumentReference", json!({ "content": [{ "attachment": attachment }] }));
    breaks("att-1", "DocumentReference.content[0].attachment", &attached(json!({ "data": "SGVs" })));
    holds(&attached(json!({ "data": "SGVs", "contentType": "text/plain" })));
}

#[test]
fn inv23_an_expression_is_written_or_referred_to() {
    let at = "Patient.extension[0].value";
    breaks("exp-1", at, &extension("Expression", json!({ "language": "text/fhirpath" })));
    holds(&extension("Expression", json!({ "language": "text/fhirpath", "expression": "true" })));
}

#[test]
fn inv24_triggers() {
    let at = "Patient.extension[0].value";
    let trigger = |more: Json| extension("TriggerDefinition", more);
    let data = json!([{ "type": "Patient" }]);
    breaks("trd-1", at, &trigger(json!({ "type": "data-added", "data": data, "timingDate": "2026" })));
    breaks(
        "trd-2",
        at,
        &trigger(json!({ "type": "named-event", "name": "x",
        "condition": { "language": "text/fhirpath", "expression": "true" } })),
    );
    for kind in ["named-event", "periodic", "data-added"] {
        breaks("trd-3", at, &trigger(json!({ "type": kind })));
    }
    holds(&trigger(json!({ "type": "data-added", "data": data })));
}

#[test]
fn inv25_a_contact_of_a_patient_has_details() {
    breaks("pat-1", "Patient.contact[0]", &of("Patient", json!({ "contact": [{ "gender": "other" }] })));
    holds(&of("Patient", json!({ "contact": [{ "gender": "other", "name": { "text": "x" } }] })));
}

#[test]
fn inv26_a_stage_has_a_summary_or_an_assessment() {
    breaks(
        "con-1",
        "Condition.stage[0]",
        &of("Condition", json!({ "stage": [{ "type": { "text": "x" } }] })),
    );
    holds(&of("Condition", json!({ "stage": [{ "summary": { "text": "x" } }] })));
}

#[test]
fn inv27_evidence_has_a_code_or_a_detail() {
    let empty = json!([{ "extension": [{ "url": "https://x.example/e", "valueCode": "a" }] }]);
    breaks("con-2", "Condition.evidence[0]", &of("Condition", json!({ "evidence": empty })));
    holds(&of("Condition", json!({ "evidence": [{ "code": [{ "text": "x" }] }] })));
}

#[test]
fn inv28_a_categorised_condition_should_have_a_clinical_status() {
    let active = json!({ "coding": [{ "system": CLINICAL, "code": "active" }] });
    warns("con-3", "Condition", &of("Condition", json!({ "category": [{ "text": "x" }] })));
    holds(&of("Condition", json!({ "category": [{ "text": "x" }], "clinicalStatus": active })));
}

#[test]
fn inv29_what_has_abated_is_not_active() {
    let status = |code: &str| {
        let status = json!({ "coding": [{ "system": CLINICAL, "code": code }] });
        of("Condition", json!({ "abatementDateTime": "2026", "clinicalStatus": status }))
    };
    breaks("con-4", "Condition", &status("active"));
    breaks("con-4", "Condition", &of("Condition", json!({ "abatementDateTime": "2026" })));
    for code in ["resolved", "remission", "inactive"] {
        holds(&status(code));
    }
}

#[test]
fn inv30_what_was_entered_in_error_has_no_clinical_status() {
    let wrong = json!({ "coding": [{ "system": VERIFICATION, "code": "entered-in-error" }] });
    let active = json!({ "coding": [{ "system": CLINICAL, "code": "active" }] });
    breaks(
        "con-5",
        "Condition",
        &of("Condition", json!({ "verificationStatus": wrong, "clinicalStatus": active })),
    );
    holds(&of("Condition", json!({ "verificationStatus": wrong })));
}

// R4 has no invariant of its own for these types: none may be invented.
#[test]
fn inv31_types_without_invariants_of_their_own() {
    let published = endplate_fhir::invariant::published();
    for kind in [
        "Procedure",
        "Encounter",
        "Flag",
        "DetectedIssue",
        "Communication",
        "CommunicationRequest",
        "Subscription",
        "Provenance",
        "DiagnosticReport",
    ] {
        let of_kind = |path: &str| path == kind || path.starts_with(&format!("{kind}."));
        assert!(!published.iter().any(|one| of_kind(one["path"].as_str().unwrap())), "{kind}");
    }
}
