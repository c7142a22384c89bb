//! D, second half: alerts, findings, appointments, and what every record carries: provenance, labels, narrative, references, identity.
//! Sources are pages of FHIR R4.

use super::d_modelling::{FINGERS, INDEX, graft, grafted, list, references, refused};
use crate::clinic::{
    Clinic, appointment, code, encounter, interosseous_graft, mm, motor, observation, patient, settings,
    state, text, tinel, with,
};
use endplate_fhir::Json;
use endplate_fhir::issue::Severity;
use endplate_followup::Endplate;
use endplate_server::clock::FixedClock;
use jiff::tz::TimeZone;
use serde_json::json;
use std::collections::BTreeSet;
use std::sync::Arc;

/// A graft whose front stood still after a first finding: alerts of high severity stand.
async fn stalled() -> Clinic {
    let clinic = grafted().await;
    clinic.put(tinel("o1", "p1", "r1", "2026-03-03", 0.0)).await.unwrap();
    for (id, on) in [("m0", "2026-09-10"), ("m1", "2026-12-10")] {
        clinic.clock.turn_to(on);
        clinic.put(motor(id, "p1", "r1", FINGERS, on, 0)).await.unwrap();
    }
    clinic.sweep_on("2027-02-20").await;
    clinic
}

async fn derived(clinic: &Clinic) -> Vec<Json> {
    let kinds = [
        "CarePlan",
        "Communication",
        "DetectedIssue",
        "Flag",
        "Goal",
        "Provenance",
        "RiskAssessment",
        "ServiceRequest",
        "Task",
    ];
    let mut all = Vec::new();
    for kind in kinds {
        let found = clinic.all(kind).await;
        assert!(!found.is_empty(), "{kind}");
        all.extend(found);
    }
    all
}

/// FHIR R4 detectedissue.html: who, what, when, how grave, on what evidence; an answer is a mitigation.
#[tokio::test]
async fn d27_an_alert_is_a_detected_issue() {
    let clinic = stalled().await;
    let issues = clinic.all("DetectedIssue").await;
    for issue in &issues {
        assert_eq!(text(issue, "/patient/reference"), "Patient/p1");
        assert!(!text(issue, "/identifiedPeriod/start").is_empty());
        assert!(["high", "moderate", "low"].contains(&text(issue, "/severity")));
        assert!(references(issue, "/implicated").iter().any(|to| to.starts_with("CarePlan/")));
    }
    let evident = issues.iter().find(|issue| issue.get("evidence").is_some()).unwrap();
    let is_evidence = |to: &&str| {
        ["Observation/", "RiskAssessment/", "DetectedIssue/"].iter().any(|kind| to.starts_with(kind))
    };
    assert!(references(evident, "/evidence/0/detail").iter().all(is_evidence));
    let mut answered = evident.clone();
    answered["mitigation"] = json!([{ "action": { "text": "seen" }, "date": "2027-02-20" }]);
    clinic.put(answered.clone()).await.unwrap();
    assert_eq!(clinic.get("DetectedIssue", text(evident, "/id")).await["mitigation"], answered["mitigation"]);
}

/// FHIR R4 communication.html: "an alert that was sent to a responsible provider".
#[tokio::test]
async fn d29_a_message_is_a_communication_about_its_alert() {
    let clinic = stalled().await;
    for message in clinic.all("Communication").await {
        assert_eq!(message["status"], "completed");
        assert!(!text(&message, "/sent").is_empty() && !list(&message, "/recipient").is_empty());
        assert!(!text(&message, "/payload/0/contentString").is_empty());
        let about = references(&message, "/about");
        let issue = about.iter().find_map(|to| to.strip_prefix("DetectedIssue/")).unwrap();
        clinic.get("DetectedIssue", issue).await;
    }
}

/// FHIR R4 flag.html: a warning on the chart, active while its reason stands.
#[tokio::test]
async fn d30_a_standing_warning_is_a_flag() {
    let clinic = stalled().await;
    let [flag] = &clinic.all("Flag").await[..] else { panic!("one flag") };
    assert_eq!((text(flag, "/status"), text(flag, "/subject/reference")), ("active", "Patient/p1"));
    assert!(flag["period"].get("end").is_none());
    clinic.put(graft(&[("status", json!("entered-in-error"))])).await.unwrap();
    let [flag] = &clinic.all("Flag").await[..] else { panic!("one flag") };
    assert_eq!((text(flag, "/status"), text(flag, "/period/end")), ("inactive", "2027-02-20"));
}

/// FHIR R4 task.html: what has an owner and a day is a Task; a message has neither.
#[tokio::test]
async fn d31_work_is_a_task_and_a_message_is_none() {
    let clinic = stalled().await;
    for request in clinic.all("ServiceRequest?status=active").await {
        let focus = format!("ServiceRequest/{}", text(&request, "/id"));
        let tasks = clinic.all(&format!("Task?focus={focus}")).await;
        assert_eq!(tasks.len(), 1);
        assert!(tasks[0].get("owner").is_some() && tasks[0].get("restriction").is_some());
    }
    for message in clinic.all("Communication").await {
        assert!(message.get("basedOn").is_none() && message.get("partOf").is_none());
    }
}

/// One alert for one rule and one thing it is about: what becomes graver is a version, what returns is the same one.
#[tokio::test]
async fn d32_an_alert_has_no_twin() {
    let clinic = grafted().await;
    for day in ["2026-03-20", "2026-03-27", "2026-04-17", "2026-05-20", "2026-06-20", "2026-09-20"] {
        clinic.sweep_on(day).await;
    }
    let issues = clinic.all("DetectedIssue").await;
    let names: BTreeSet<&str> = issues.iter().map(|issue| text(issue, "/identifier/0/value")).collect();
    assert_eq!(names.len(), issues.len());
    assert_eq!(clinic.standing("review-overdue").await.len(), 1);
    assert!(issues.iter().any(|issue| text(issue, "/meta/versionId") != "1"), "one that changed");
}

/// FHIR R4 observation.html#obsgrouping: a panel holds its members, each of which is a finding of its own.
#[tokio::test]
async fn d33_a_panel_groups_findings_that_count_by_themselves() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-10-02");
    for (id, muscle) in [("o1", FINGERS), ("o2", INDEX)] {
        clinic.put(motor(id, "p1", "r1", muscle, "2026-10-01", 1)).await.unwrap();
    }
    let panel = json!({ "resourceType": "Observation", "id": "panel", "status": "final",
        "code": { "text": "examination" }, "subject": { "reference": "Patient/p1" },
        "hasMember": [{ "reference": "Observation/o1" }, { "reference": "Observation/o2" }],
        "component": [{ "code": code("exam-finding", "motor-grade"), "valueInteger": 5 }] });
    clinic.put(panel.clone()).await.unwrap();
    let basis = clinic.assessment("r1").await;
    assert_eq!(references(&basis, "/basis"), ["Procedure/r1", "Observation/o1", "Observation/o2"]);
    assert_eq!(clinic.get("Observation", "panel").await["hasMember"], panel["hasMember"]);
}

/// FHIR R4 datatypes.html#Quantity and UCUM: system and code are computed with, the unit is for people.
#[tokio::test]
async fn d34_a_unit_is_its_ucum_code() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-06-10");
    let of = |quantity: Json| with(&tinel("o1", "p1", "r1", "2026-06-09", 0.0), "valueQuantity", quantity);
    let ucum = |value: f64, unit: &str, code: &str| json!({ "value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": code });
    clinic.put(of(ucum(2.5, "mm", "cm"))).await.unwrap();
    let centimetres = clinic.assessment("r1").await["prediction"].clone();
    clinic.put(of(mm(25.0))).await.unwrap();
    assert_eq!(clinic.assessment("r1").await["prediction"], centimetres);
    let wrong = [
        ucum(25.0, "mm", "MM"),
        ucum(25.0, "mm", "millimetre"),
        json!({ "value": 25.0, "unit": "mm" }),
        json!({ "value": 25.0, "unit": "mm", "code": "mm" }),
        json!({ "value": 25.0, "unit": "mm", "system": "urn:example:units", "code": "mm" }),
    ];
    for quantity in wrong {
        refused(&clinic, of(quantity), "Observation.value").await;
    }
    // Nothing found is said as absent, not as zero: such a finding has no value to count.
    let mut absent = of(json!({}));
    absent.as_object_mut().unwrap().remove("valueQuantity");
    absent["dataAbsentReason"] = json!({ "coding": [
        { "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "not-performed" } ] });
    refused(&clinic, absent, "Observation.value").await;
}

/// FHIR R4 observation-definitions.html: a finding counts with its day, at the nerve or territory that was repaired.
#[tokio::test]
async fn d35_a_finding_counts_with_day_and_place() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-10-02");
    let mut undated = motor("o1", "p1", "r1", FINGERS, "2026-10-01", 1);
    undated.as_object_mut().unwrap().remove("effectiveDateTime");
    refused(&clinic, undated, "Observation.effective").await;
    let before = clinic.assessment("r1").await;
    let mut elsewhere = motor("o2", "p1", "", "first-dorsal-interosseous", "2026-10-01", 1);
    elsewhere.as_object_mut().unwrap().remove("focus");
    let written = clinic.put(elsewhere.clone()).await.unwrap();
    assert!(written.remarks[0].text.contains("assigned to no repair"), "{:?}", written.remarks);
    assert_eq!(clinic.assessment("r1").await["basis"], before["basis"]);
    // At the muscle that was repaired it counts without a focus.
    clinic.put(with(&elsewhere, "bodySite", code("reinnervation-target", FINGERS))).await.unwrap();
    assert_eq!(references(&clinic.assessment("r1").await, "/basis"), ["Procedure/r1", "Observation/o2"]);
}

/// FHIR R4 valueset-observation-status: a correction counts anew, what was withdrawn never happened.
#[tokio::test]
async fn d36_a_corrected_finding_counts_anew_and_a_withdrawn_one_not() {
    let clinic = stalled().await;
    let standing = clinic.all("DetectedIssue").await.len();
    assert!(standing > 0 && clinic.stands("recovery-overdue").await);
    let seen = motor("m1", "p1", "r1", FINGERS, "2026-12-10", 3);
    for status in ["corrected", "amended"] {
        clinic.put(with(&seen, "status", json!(status))).await.unwrap();
        let goals = clinic.all("Goal").await;
        let fingers = goals.iter().find(|goal| goal.to_string().contains(FINGERS)).unwrap();
        assert_eq!(text(fingers, "/achievementStatus/coding/0/code"), "improving", "{status}");
        assert!(
            clinic.standing("recovery-overdue").await.iter().all(|one| !one.to_string().contains(FINGERS))
        );
    }
    for status in ["entered-in-error", "cancelled"] {
        clinic.put(with(&seen, "status", json!(status))).await.unwrap();
        let basis = clinic.assessment("r1").await;
        assert!(!references(&basis, "/basis").contains(&"Observation/m1"), "{status}");
    }
}

/// FHIR R4 appointment.html, app-2 and app-3: a request has no time yet; a booking has one, with its zone.
#[tokio::test]
async fn d37_only_a_booked_appointment_books() {
    let clinic = grafted().await;
    let task = clinic.open_tasks().await[0].clone();
    let booked = appointment("a1", "p1", &task, "booked", "2026-03-16");
    let mut proposed = with(&booked, "status", json!("proposed"));
    for name in ["start", "end"] {
        proposed.as_object_mut().unwrap().remove(name);
    }
    proposed["requestedPeriod"] = json!([{ "start": "2026-03-12", "end": "2026-03-18" }]);
    clinic.put(proposed.clone()).await.unwrap();
    assert_eq!(state(&clinic.get("Task", text(&task, "/id")).await), ("requested", "to-book"));
    let mut nobody = booked.clone();
    nobody["participant"][0].as_object_mut().unwrap().remove("status");
    clinic.put(nobody).await.unwrap_err();
    clinic.put(with(&booked, "start", json!("2026-03-16T09:00:00"))).await.unwrap_err();
    let state_now = async || {
        let task = clinic.get("Task", text(&task, "/id")).await;
        (text(&task, "/status").to_owned(), text(&task, "/businessStatus/coding/0/code").to_owned())
    };
    let pair = |status: &str, state: &str| (status.to_owned(), state.to_owned());
    clinic.put(booked.clone()).await.unwrap();
    assert_eq!(state_now().await, pair("accepted", "booked"));
    clinic.put(with(&booked, "status", json!("cancelled"))).await.unwrap();
    assert_eq!(state_now().await, pair("requested", "to-book"));
    // basedOn takes ServiceRequests alone; who knows only the Task names it in supportingInformation.
    let mut by_task = with(&booked, "id", json!("a2"));
    by_task.as_object_mut().unwrap().shift_remove("basedOn");
    let to = format!("Task/{}", text(&task, "/id"));
    clinic.put(with(&by_task, "supportingInformation", json!([{ "reference": to }]))).await.unwrap();
    assert_eq!(state_now().await, pair("accepted", "booked"));
}

/// FHIR R4 encounter-definitions.html: `class` is one Coding; a finished Encounter is a review held.
#[tokio::test]
async fn d38_a_finished_encounter_is_a_review_held() {
    let clinic = grafted().await;
    let task = clinic.open_tasks().await[0].clone();
    clinic.clock.turn_to("2026-03-16");
    let visit = encounter("e1", "p1", &task, "arrived", "2026-03-16");
    let mut classless = visit.clone();
    classless.as_object_mut().unwrap().remove("class");
    for wrong in [classless, with(&visit, "class", json!([visit["class"]]))] {
        clinic.put(wrong).await.unwrap_err();
    }
    clinic.put(visit.clone()).await.unwrap();
    assert!(!clinic.plan().await["activity"].to_string().contains("Encounter/e1"));
    clinic.put(with(&visit, "status", json!("finished"))).await.unwrap();
    assert!(clinic.plan().await["activity"].to_string().contains("Encounter/e1"));
}

/// FHIR R4 condition-definitions.html: the statuses are CodeableConcepts of terminology.hl7.org.
#[tokio::test]
async fn d39_the_statuses_of_a_condition_are_concepts_of_their_systems() {
    let clinic = grafted().await;
    let injury = |value: Json| with(&interosseous_graft()[1], "clinicalStatus", value);
    let of = |system: &str| json!({ "coding": [{ "system": system, "code": "active" }] });
    clinic.put(injury(of("http://terminology.hl7.org/CodeSystem/condition-clinical"))).await.unwrap();
    refused(&clinic, injury(of("http://hl7.org/fhir/condition-clinical")), "Condition.clinicalStatus").await;
    clinic.put(injury(json!("active"))).await.unwrap_err();
}

/// FHIR R4 provenance.html: of every derivation, which versions it made of which versions, who, when, by which rules.
#[tokio::test]
async fn d40_every_derivation_has_its_provenance() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-06-10");
    let finding = tinel("o1", "p1", "r1", "2026-06-09", 25.0);
    clinic.put(finding.clone()).await.unwrap();
    clinic.clock.turn_to("2026-06-11");
    clinic.put(with(&finding, "valueQuantity", mm(31.0))).await.unwrap();
    let records = clinic.all("Provenance").await;
    let mut made: BTreeSet<&str> = BTreeSet::new();
    for record in &records {
        made.extend(references(record, "/target"));
        assert_eq!(text(record, "/policy/0"), text(&clinic.plan().await, "/instantiatesCanonical/0"));
        assert_eq!(text(record, "/agent/0/who/reference"), "Device/endplate");
        assert!(text(record, "/recorded").ends_with('Z'));
        for entity in list(record, "/entity") {
            assert!(text(entity, "/what/reference").contains("/_history/"), "{entity}");
        }
    }
    let last = records.iter().max_by_key(|record| text(record, "/recorded")).unwrap();
    let sources: Vec<&str> = list(last, "/entity").iter().map(|one| text(one, "/what/reference")).collect();
    assert_eq!(sources, ["Procedure/r1/_history/1", "Observation/o1/_history/2"]);
    for kind in ["CarePlan", "Goal", "RiskAssessment", "ServiceRequest", "Task"] {
        for resource in clinic.all(kind).await {
            let version = text(&resource, "/meta/versionId");
            let address = format!("{kind}/{}/_history/{version}", text(&resource, "/id"));
            assert!(made.contains(address.as_str()), "{address}");
        }
    }
}

/// FHIR R4 device.html: the service is a Device with the version of its software.
#[tokio::test]
async fn d41_the_service_is_a_device_with_a_version() {
    let clinic = grafted().await;
    let device = clinic.get("Device", "endplate").await;
    assert_eq!(
        text(&device, "/version/0/value"),
        endplate_followup::document::device()["version"][0]["value"]
    );
    assert_eq!(text(&clinic.plan().await, "/author/reference"), "Device/endplate");
    // Of another release, it is brought up to date with the next derivation.
    clinic.put(with(&device, "version", json!([{ "value": "0.0.0-other" }]))).await.unwrap();
    clinic.put(graft(&[("performedDateTime", json!("2026-03-01"))])).await.unwrap();
    assert_eq!(clinic.get("Device", "endplate").await["version"], device["version"]);
}

/// FHIR R4 resource.html#Meta: a profile is a claim; one that is not known here is stored, and the sender is told.
#[tokio::test]
async fn d42_an_unknown_profile_is_a_remark() {
    let clinic = grafted().await;
    let claim = |profile: &str| with(&patient("p2", "1990-01-01"), "meta", json!({ "profile": [profile] }));
    let written = clinic.put(claim("https://example.org/StructureDefinition/person")).await.unwrap();
    assert_eq!(written.remarks.len(), 1, "{:?}", written.remarks);
    assert_eq!(written.remarks[0].severity, Severity::Warning);
    assert_eq!(written.remarks[0].expression, "Patient.meta.profile[0]");
    let stored = clinic.get("Patient", "p2").await;
    assert_eq!(text(&stored, "/meta/profile/0"), "https://example.org/StructureDefinition/person");
    let known = clinic.put(claim("http://hl7.org/fhir/StructureDefinition/Patient")).await.unwrap();
    assert!(known.remarks.is_empty(), "{:?}", known.remarks);
}

/// FHIR R4 security-labels.html: kept as sent, and carried to whatever follows; HTEST marks test data.
#[tokio::test]
async fn d43_labels_of_a_repair_are_carried_to_all_that_follows() {
    let label = json!({ "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", "code": "R" });
    let test = json!({ "system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST" });
    let other = json!({ "system": "urn:example:tags", "code": "import-7" });
    let clinic = stalled().await;
    let meta = json!({ "security": [label], "tag": [test, other] });
    clinic.put(graft(&[("meta", meta.clone()), ("performedDateTime", json!("2026-03-01"))])).await.unwrap();
    let stored = clinic.get("Procedure", "r1").await;
    assert_eq!((&stored["meta"]["security"], &stored["meta"]["tag"]), (&meta["security"], &meta["tag"]));
    let of = async |kind: &str| clinic.all(kind).await.into_iter().next_back().unwrap();
    let kinds = [
        "CarePlan",
        "Communication",
        "DetectedIssue",
        "Flag",
        "Goal",
        "RiskAssessment",
        "ServiceRequest",
        "Task",
    ];
    for kind in kinds {
        for resource in clinic.all(kind).await {
            assert_eq!(resource["meta"]["security"], meta["security"], "{resource}");
            let tags = list(&resource, "/meta/tag");
            assert!(tags.contains(&test) && !tags.contains(&other), "{resource}");
        }
    }
    // Taken off the repair, they are taken off the rest.
    clinic.put(graft(&[("performedDateTime", json!("2026-03-01"))])).await.unwrap();
    assert!(of("CarePlan").await["meta"].get("security").is_none());
}

/// FHIR R4 extensibility.html#modifierExtension: what may turn the meaning round is not acted upon unless it is understood.
#[tokio::test]
async fn d45_an_unknown_modifier_is_not_acted_upon() {
    let clinic = grafted().await;
    let task = clinic.open_tasks().await[0].clone();
    let modifier = json!([{ "url": "https://example.org/StructureDefinition/not", "valueBoolean": true }]);
    let inputs = [
        graft(&[]),
        interosseous_graft()[1].clone(),
        tinel("o1", "p1", "r1", "2026-03-03", 0.0),
        appointment("a1", "p1", &task, "booked", "2026-03-16"),
        encounter("e1", "p1", &task, "finished", "2026-03-03"),
        task.clone(),
        clinic.plan().await,
    ];
    let then = clinic.versions().await;
    for input in inputs {
        let at = format!("{}.modifierExtension", text(&input, "/resourceType"));
        let refusal = clinic.put(with(&input, "modifierExtension", modifier.clone())).await.unwrap_err();
        assert_eq!(
            (refusal.issues[0].code.code(), refusal.issues[0].expression.as_str()),
            ("extension", at.as_str())
        );
    }
    let mut deep = graft(&[]);
    deep["performer"] = json!([{ "modifierExtension": modifier, "actor": { "display": "Surgeon" } }]);
    refused(&clinic, deep, "Procedure.performer[0].modifierExtension").await;
    assert_eq!(clinic.versions().await, then);
    // What nothing is derived from is stored and returned as it came.
    for other in [
        graft(&[("id", json!("other")), ("code", json!({ "text": "wound closure" }))]),
        observation("o2", "p1", "r1", "other", "2026-03-03", ("code", json!({ "text": "weight" }))),
    ] {
        let other = with(&other, "modifierExtension", modifier.clone());
        clinic.put(other.clone()).await.unwrap();
        let stored = clinic.get(text(&other, "/resourceType"), text(&other, "/id")).await;
        assert_eq!(stored["modifierExtension"], modifier);
    }
}

/// FHIR R4 resource-definitions.html#Resource.implicitRules: rules that are not known make a resource unreadable.
#[tokio::test]
async fn d46_implicit_rules_are_refused() {
    let clinic = grafted().await;
    let ruled = with(&patient("p2", "1990-01-01"), "implicitRules", json!("https://example.org/rules"));
    let said = refused(&clinic, ruled, "Patient.implicitRules").await;
    assert!(said.contains("without implicitRules"), "{said}");
}

/// FHIR R4 references.html: every form is taken for what it is; what is contained is part of its container and nothing else.
#[tokio::test]
async fn d47_references_of_every_form() {
    let clinic = grafted().await;
    let base = crate::clinic::BASE;
    let task = |to: Json| json!({ "resourceType": "Task", "id": "t", "status": "requested", "intent": "order", "for": to });
    let contained = json!([{ "resourceType": "Patient", "id": "in", "birthDate": "1990-01-01" }]);
    let forms = [
        (json!({ "reference": "Patient/p1" }), 1),
        (json!({ "reference": format!("{base}/Patient/p1"), "type": "Patient" }), 1),
        (json!({ "reference": "Patient/p1/_history/1" }), 1),
        (json!({ "reference": "https://other.example/fhir/Patient/p1" }), 0),
        (json!({ "type": "Patient", "identifier": { "system": "urn:example:record", "value": "7" } }), 0),
        (json!({ "reference": "#in", "type": "Patient" }), 0),
    ];
    for (to, found) in forms {
        let task = task(to.clone());
        let is_inside = text(&to, "/reference").starts_with('#');
        let task = if is_inside { with(&task, "contained", contained.clone()) } else { task };
        clinic.put(task).await.unwrap();
        assert_eq!(clinic.get("Task", "t").await["for"], to);
        let tasks = clinic.all("Task?patient=p1").await;
        assert_eq!(tasks.iter().filter(|task| text(task, "/id") == "t").count(), found, "{to}");
    }
    assert!(clinic.all("Patient?birthdate=1990-01-01").await.is_empty(), "contained is not searchable");
    for wrong in [
        json!({ "reference": "Patient/p1", "type": "Group" }),
        json!({ "reference": "#in", "type": "Group" }),
    ] {
        let said =
            refused(&clinic, with(&task(wrong), "contained", contained.clone()), "Task.for.type").await;
        assert!(said.contains("type"), "{said}");
    }
    let urn = json!({ "reference": "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0" });
    refused(&clinic, task(urn.clone()), "Task.for.reference").await;
    let transaction = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        { "fullUrl": urn["reference"], "resource": { "resourceType": "Patient" }, "request": { "method": "POST", "url": "Patient" } },
        { "resource": task(urn), "request": { "method": "PUT", "url": "Task/t" } },
    ] });
    clinic.endplate.transaction(transaction).await.unwrap();
    assert!(text(&clinic.get("Task", "t").await, "/for/reference").starts_with("Patient/"));
}

/// FHIR R4 narrative.html and dom-6: generated from the data, escaped, and never the only place of a fact.
#[tokio::test]
async fn d48_every_derived_resource_has_a_narrative() {
    let clinic = stalled().await;
    for resource in derived(&clinic).await {
        if resource["resourceType"] == "Provenance" {
            continue;
        }
        assert_eq!(text(&resource, "/text/status"), "generated", "{resource}");
        assert!(text(&resource, "/text/div").starts_with("<div xmlns=\"http://www.w3.org/1999/xhtml\">"));
    }
    for task in clinic.open_tasks().await {
        let told = text(&task, "/text/div");
        assert!(told.contains(text(&task, "/restriction/period/end")), "{told}");
    }
    // What people wrote is text in it, never markup.
    let task = clinic.open_tasks().await[0].clone();
    clinic.put(with(&task, "note", json!([{ "text": "<b onclick=\"x\">1 < 2 & 3</b>" }]))).await.unwrap();
    let told = clinic.get("Task", text(&task, "/id")).await;
    assert!(text(&told, "/text/div").contains("&lt;b onclick=&quot;x&quot;&gt;1 &lt; 2 &amp; 3"), "{told}");
}

/// FHIR R4 http.html#update: the same record again changes nothing, and every derived resource has a name that is its own.
#[tokio::test]
async fn d50_the_same_repair_again_changes_nothing() {
    let clinic = stalled().await;
    let then = clinic.versions().await;
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    assert_eq!(clinic.versions().await, then);
    let mut names = BTreeSet::new();
    for resource in derived(&clinic).await {
        // R4 gives a Provenance no identifier; its id is made of what it records.
        if resource["resourceType"] != "Provenance" {
            let (system, value) =
                (text(&resource, "/identifier/0/system"), text(&resource, "/identifier/0/value"));
            assert!(!system.is_empty() && !value.is_empty(), "{resource}");
            assert!(names.insert(format!("{system}|{value}")), "{system}|{value} twice");
        }
    }
}

async fn standing_still(now: &str, zone: &str) -> Endplate {
    let store = crate::stores::fresh().await;
    let zone = TimeZone::get(zone).unwrap();
    Endplate::new(store, Arc::new(FixedClock::at(now.parse().unwrap(), &zone)), settings())
}

async fn windows(endplate: &Endplate) -> Vec<(String, String)> {
    let pairs = [("_count".to_owned(), "500".to_owned()), ("_sort".to_owned(), "due".to_owned())];
    let bundle = endplate_fhir::json::stored(&endplate.search("Task", &pairs, true).await.unwrap());
    let of = |entry: &Json| {
        let at = |name: &str| text(entry, &format!("/resource/restriction/period/{name}")).to_owned();
        (at("start"), at("end"))
    };
    list(&bundle, "/entry").iter().map(of).collect()
}

/// ISO 8601 calendar dates: days are added as the clinic's calendar counts them, whatever the clocks do; leap days are days.
#[tokio::test]
async fn d51_days_are_those_of_the_clinics_calendar() {
    let send = async |endplate: &Endplate, operated: &str| {
        for resource in [
            patient("p1", "1995-05-05"),
            with(&interosseous_graft()[1], "onsetDateTime", json!(operated)),
            graft(&[("performedDateTime", json!(operated))]),
        ] {
            let (kind, id) = (text(&resource, "/resourceType").to_owned(), text(&resource, "/id").to_owned());
            endplate.update(&kind, &id, resource, None).await?;
        }
        Ok::<_, endplate_followup::Refusal>(())
    };
    // Clocks go forward in Los Angeles on 8 March and in Berlin on 29 March 2026.
    let mut all = BTreeSet::new();
    for zone in ["UTC", "Europe/Berlin", "America/Los_Angeles", "Pacific/Apia"] {
        let endplate = standing_still("2026-03-03T12:00:00Z", zone).await;
        send(&endplate, "2026-03-02").await.unwrap();
        all.insert(windows(&endplate).await);
    }
    assert_eq!(all.len(), 1, "{all:?}");
    // The same instant is still the 2nd in Los Angeles and already the 3rd in Apia.
    let early = standing_still("2026-03-03T07:30:00Z", "America/Los_Angeles").await;
    send(&early, "2026-03-03").await.unwrap_err();
    let late = standing_still("2026-03-03T07:30:00Z", "Pacific/Apia").await;
    send(&late, "2026-03-03").await.unwrap();
    // A leap day lies between: the wound is seen ten to sixteen days after.
    let leap = standing_still("2028-02-20T12:00:00Z", "UTC").await;
    send(&leap, "2028-02-18").await.unwrap();
    assert_eq!(windows(&leap).await[0], ("2028-02-28".to_owned(), "2028-03-05".to_owned()));
    // A review is overdue when its last day is over where the clinic is, not before.
    let clinic = grafted().await;
    let last = text(&clinic.open_tasks().await[0], "/restriction/period/end").to_owned();
    clinic.sweep_on(&last).await;
    assert!(!clinic.stands("review-overdue").await);
}

/// Licences of LOINC, SNOMED CT and UCUM: the notices are here, and no content of SNOMED CT is derived or published.
#[tokio::test]
async fn d52_terminologies_are_named_with_their_licences() {
    let notice = include_str!("../../../../profiles/LICENCES.md");
    for name in ["LOINC", "SNOMED CT", "UCUM", "http://unitsofmeasure.org", "Regenstrief"] {
        assert!(notice.contains(name), "{name}");
    }
    let clinic = stalled().await;
    for resource in derived(&clinic).await {
        let told = resource.to_string();
        assert!(!told.contains("snomed.info") && !told.contains("loinc.org"), "{told}");
    }
}
