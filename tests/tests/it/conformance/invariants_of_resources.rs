//! INV. The second half: Observation and what follows, definitions, Bundles, required bindings.

use super::invariants::{UCUM, breaks, extension, holds, merged, of, warns};
use endplate_fhir::Json;
use serde_json::json;

fn bundle(kind: &str, elements: Json) -> Json {
    merged(json!({ "resourceType": "Bundle", "type": kind }), elements)
}

#[test]
fn inv32_a_reference_range_has_a_limit_or_a_text() {
    let range = |more: Json| of("Observation", json!({ "referenceRange": [more] }));
    breaks("obs-3", "Observation.referenceRange[0]", &range(json!({ "type": { "text": "x" } })));
    holds(&range(json!({ "text": "x" })));
}

#[test]
fn inv33_a_value_is_there_or_absent() {
    let absent = json!({ "text": "x" });
    breaks(
        "obs-6",
        "Observation",
        &of("Observation", json!({ "valueInteger": 1, "dataAbsentReason": absent })),
    );
    holds(&of("Observation", json!({ "dataAbsentReason": absent })));
}

#[test]
fn inv34_a_value_is_not_that_of_a_component_too() {
    let code = json!({ "coding": [{ "system": "http://loinc.org", "code": "85354-9" }] });
    let with = |component: &Json| {
        of(
            "Observation",
            json!({ "code": code, "valueInteger": 1, "component": [{ "code": component, "valueInteger": 1 }] }),
        )
    };
    breaks("obs-7", "Observation", &with(&code));
    holds(&with(&json!({ "coding": [{ "system": "http://loinc.org", "code": "8480-6" }] })));
}

#[test]
fn inv35_an_activity_is_referred_to_or_detailed() {
    let detail = json!({ "status": "scheduled" });
    let reference = json!({ "reference": "Task/1" });
    breaks(
        "cpl-3",
        "CarePlan.activity[0]",
        &of("CarePlan", json!({ "activity": [{ "detail": detail, "reference": reference }] })),
    );
    // Neither is allowed.
    holds(&of("CarePlan", json!({ "activity": [{ "progress": [{ "text": "x" }] }, { "detail": detail }] })));
}

#[test]
fn inv36_a_detail_of_a_target_has_a_measure() {
    breaks("gol-1", "Goal.target[0]", &of("Goal", json!({ "target": [{ "detailInteger": 1 }] })));
    holds(&of("Goal", json!({ "target": [{ "detailInteger": 1, "measure": { "text": "x" } }] })));
}

#[test]
fn inv37_a_task_is_modified_after_it_was_written() {
    let task = |authored: &str, modified: &str| {
        of("Task", json!({ "authoredOn": authored, "lastModified": modified }))
    };
    breaks("inv-1", "Task", &task("2026-03-02T10:00:00Z", "2026-03-02T09:59:59Z"));
    holds(&task("2026-03-02", "2026-03-02T09:59:59Z"));
}

#[test]
fn inv38_a_range_of_probability_is_in_percent() {
    let prediction = |code: &str| {
        let bound = json!({ "value": 10, "code": code, "system": UCUM });
        of("RiskAssessment", json!({ "prediction": [{ "probabilityRange": { "low": bound } }] }))
    };
    breaks("ras-1", "RiskAssessment.prediction[0]", &prediction("1"));
    holds(&prediction("%"));
}

#[test]
fn inv39_a_probability_is_from_0_to_100() {
    let prediction = |p: f64| of("RiskAssessment", json!({ "prediction": [{ "probabilityDecimal": p }] }));
    for p in [100.01, -0.01] {
        breaks("ras-2", "RiskAssessment.prediction[0]", &prediction(p));
    }
    holds(&prediction(100.0));
}

#[test]
fn inv40_a_participant_has_a_type_or_an_actor() {
    let participant = |more: Json| of("Appointment", json!({ "participant": [more] }));
    breaks("app-1", "Appointment.participant[0]", &participant(json!({ "status": "accepted" })));
    holds(&participant(json!({ "status": "accepted", "type": [{ "text": "x" }] })));
}

const FROM: &str = "2026-03-02T10:00:00Z";
const TO: &str = "2026-03-02T11:00:00Z";

#[test]
fn inv41_start_and_end_come_together() {
    breaks("app-2", "Appointment", &of("Appointment", json!({ "start": FROM })));
    holds(&of("Appointment", json!({ "start": FROM, "end": TO })));
}

#[test]
fn inv42_a_booked_appointment_has_a_time() {
    breaks("app-3", "Appointment", &of("Appointment", json!({ "status": "booked" })));
    // The expression has waitlist, which the human text omits.
    for status in ["proposed", "cancelled", "waitlist"] {
        holds(&of("Appointment", json!({ "status": status })));
    }
}

#[test]
fn inv43_only_what_was_cancelled_or_missed_has_a_reason_for_it() {
    let why = |status: &str| {
        of(
            "Appointment",
            json!({ "status": status, "start": FROM, "end": TO, "cancelationReason": { "text": "x" } }),
        )
    };
    breaks("app-4", "Appointment", &why("booked"));
    for status in ["noshow", "cancelled"] {
        holds(&why(status));
    }
}

#[test]
fn inv44_an_entity_has_a_name_or_a_query() {
    let entity = |more: Json| of("AuditEvent", json!({ "entity": [more] }));
    breaks("sev-1", "AuditEvent.entity[0]", &entity(json!({ "name": "x", "query": "SGVs" })));
    holds(&entity(json!({ "name": "x" })));
}

#[test]
fn inv45_an_action_has_a_resource_or_actions() {
    let action = |more: Json| of("RequestGroup", json!({ "action": [more] }));
    breaks("rqg-1", "RequestGroup.action[0]", &action(json!({ "title": "x" })));
    holds(&action(json!({ "resource": { "reference": "Task/1" } })));
}

#[test]
fn inv46_details_of_an_order_need_its_code() {
    let detail = json!([{ "text": "x" }]);
    breaks("prr-1", "ServiceRequest", &of("ServiceRequest", json!({ "orderDetail": detail })));
    holds(&of("ServiceRequest", json!({ "orderDetail": detail, "code": { "text": "x" } })));
}

#[test]
fn inv47_names_of_definitions_should_be_computable() {
    for (key, kind) in [("pdf-0", "PlanDefinition"), ("adf-0", "ActivityDefinition")] {
        warns(key, kind, &of(kind, json!({ "name": "not a name" })));
        holds(&of(kind, json!({ "name": "A_name1" })));
    }
}

#[test]
fn inv48_a_parameter_is_one_thing() {
    let parameter = |more: Json| json!({ "resourceType": "Parameters", "parameter": [more] });
    let at = "Parameters.parameter[0]";
    breaks("inv-1", at, &parameter(json!({ "name": "x" })));
    breaks(
        "inv-1",
        at,
        &parameter(json!({ "name": "x", "valueCode": "x", "resource": { "resourceType": "Patient" } })),
    );
    holds(&parameter(json!({ "name": "x", "part": [{ "name": "y", "valueCode": "x" }] })));
}

fn entry() -> Json {
    json!({ "resource": { "resourceType": "Patient" } })
}

fn with(mut entry: Json, name: &str, value: Json) -> Json {
    entry[name] = value;
    entry
}

fn request() -> Json {
    json!({ "method": "POST", "url": "Patient" })
}

#[test]
fn inv49_totals_and_search_belong_to_searches() {
    breaks("bdl-1", "Bundle", &bundle("collection", json!({ "total": 1 })));
    let found = json!([with(entry(), "search", json!({ "mode": "match" }))]);
    breaks("bdl-2", "Bundle", &bundle("collection", json!({ "entry": found })));
    holds(&bundle("searchset", json!({ "total": 1, "entry": found })));
}

#[test]
fn inv50_requests_belong_to_transactions() {
    breaks("bdl-3", "Bundle", &bundle("transaction", json!({ "entry": [entry()] })));
    breaks(
        "bdl-3",
        "Bundle",
        &bundle("collection", json!({ "entry": [with(entry(), "request", request())] })),
    );
    holds(&bundle("transaction", json!({ "entry": [with(entry(), "request", request())] })));
}

#[test]
fn inv51_responses_belong_to_responses() {
    breaks("bdl-4", "Bundle", &bundle("batch-response", json!({ "entry": [entry()] })));
    holds(&bundle(
        "batch-response",
        json!({ "entry": [with(entry(), "response", json!({ "status": "200" }))] }),
    ));
}

#[test]
fn inv52_an_entry_has_content_and_an_address_without_version() {
    breaks(
        "bdl-5",
        "Bundle.entry[0]",
        &bundle("collection", json!({ "entry": [{ "fullUrl": "https://x.example/Patient/1" }] })),
    );
    let versioned = with(entry(), "fullUrl", json!("https://x.example/Patient/1/_history/2"));
    breaks("bdl-8", "Bundle.entry[0]", &bundle("collection", json!({ "entry": [versioned] })));
}

#[test]
fn inv53_full_urls_are_unique() {
    let one = with(entry(), "fullUrl", json!("https://x.example/Patient/1"));
    breaks("bdl-7", "Bundle", &bundle("collection", json!({ "entry": [one, one] })));
    let mut other = one.clone();
    other["resource"]["meta"] = json!({ "versionId": "2" });
    holds(&bundle("collection", json!({ "entry": [one, other] })));
}

#[tokio::test]
async fn inv54_capability_statements_ours_included() {
    let statement = |more: Json| of("CapabilityStatement", more);
    let mut bare = statement(json!({}));
    holds(&bare);
    bare.as_object_mut().unwrap().shift_remove("rest");
    breaks("cpb-1", "CapabilityStatement", &bare);
    let mut nameless = statement(json!({}));
    nameless.as_object_mut().unwrap().shift_remove("description");
    breaks("cpb-2", "CapabilityStatement", &nameless);
    breaks("cpb-14", "CapabilityStatement", &statement(json!({ "kind": "instance" })));
    breaks("cpb-15", "CapabilityStatement", &statement(json!({ "kind": "capability" })));
    breaks("cpb-16", "CapabilityStatement", &statement(json!({ "software": { "name": "x" } })));
    let rest = |resources: Json| statement(json!({ "rest": [{ "mode": "server", "resource": resources }] }));
    let at = "CapabilityStatement.rest[0]";
    breaks("cpb-9", at, &rest(json!([{ "type": "Task" }, { "type": "Task" }])));
    let parameter = json!({ "name": "a", "type": "token" });
    breaks(
        "cpb-12",
        &format!("{at}.resource[0]"),
        &rest(json!([{ "type": "Task", "searchParam": [parameter, parameter] }])),
    );

    let served = crate::served::Served::open("2026-03-02").await;
    holds(&served.get("/fhir/metadata").await.json());
}

#[test]
fn inv55_parameters_of_operations() {
    let parameter = |more: Json| {
        let parameter = merged(json!({ "name": "x", "use": "in", "min": 0, "max": "1" }), more);
        of("OperationDefinition", json!({ "parameter": [parameter] }))
    };
    let at = "OperationDefinition.parameter[0]";
    breaks("opd-1", at, &parameter(json!({})));
    breaks("opd-2", at, &parameter(json!({ "type": "code", "searchType": "token" })));
    breaks("opd-3", at, &parameter(json!({ "type": "code", "targetProfile": ["https://x.example/p"] })));
    holds(&parameter(json!({ "type": "string", "searchType": "token" })));
}

// FHIR R4, terminologies.html#required: the code must be from the value set.
#[test]
fn inv56_codes_of_required_bindings() {
    let day = json!([{ "daysOfWeek": ["mon", "Monday"] }]);
    for (at, resource) in [
        ("Task.status", of("Task", json!({ "status": "running" }))),
        ("ServiceRequest.priority", of("ServiceRequest", json!({ "priority": "high" }))),
        ("Condition.clinicalStatus", of("Condition", json!({ "clinicalStatus": { "text": "active" } }))),
        (
            "PractitionerRole.availableTime[0].daysOfWeek[1]",
            of("PractitionerRole", json!({ "availableTime": day })),
        ),
        (
            "DocumentReference.content[0].attachment.contentType",
            of("DocumentReference", json!({ "content": [{ "attachment": { "contentType": "pdf" } }] })),
        ),
        (
            "Patient.extension[0].value.currency",
            extension("Money", json!({ "value": 1, "currency": "euro" })),
        ),
        ("CapabilityStatement.format[0]", of("CapabilityStatement", json!({ "format": ["fhir"] }))),
    ] {
        breaks("binding", at, &resource);
    }
}
