//! D: how repairs, plans, reviews, goals and forecasts are modelled, and what may become of them. Sources are pages of FHIR R4.

use crate::clinic::{
    Clinic, EP, code, encounter, gap, injury, interosseous_graft, mm, motor, number, patient, repair, state,
    target, text, tinel, with,
};
use endplate_fhir::{Json, validate};
use endplate_followup::{Reason, Refusal};
use serde_json::json;
use std::collections::BTreeSet;

pub const FINGERS: &str = "extensor-digitorum";
pub const INDEX: &str = "extensor-indicis";

pub async fn grafted() -> Clinic {
    Clinic::with("2026-03-03", interosseous_graft()).await
}

/// What the service says to a resource that it must refuse as 422: the issue at `expression`.
pub async fn refused(clinic: &Clinic, resource: Json, expression: &str) -> String {
    let refusal: Refusal = clinic.put(resource.clone()).await.expect_err(&resource.to_string());
    assert_eq!(refusal.reason, Reason::Unprocessable, "{refusal}");
    let at = refusal.issues.iter().find(|issue| issue.expression == expression);
    at.unwrap_or_else(|| panic!("nothing at {expression}: {:?}", refusal.issues)).text.clone()
}

pub fn list<'a>(resource: &'a Json, pointer: &str) -> &'a [Json] {
    resource.pointer(pointer).and_then(Json::as_array).map_or(&[], Vec::as_slice)
}

pub fn references<'a>(resource: &'a Json, pointer: &str) -> Vec<&'a str> {
    list(resource, pointer).iter().map(|one| text(one, "/reference")).collect()
}

/// A graft with some members set.
pub fn graft(members: &[(&str, Json)]) -> Json {
    members.iter().fold(interosseous_graft()[2].clone(), |all, (name, value)| with(&all, name, value.clone()))
}

async fn two() -> Clinic {
    Clinic::with("2026-03-03", interosseous_graft().into_iter().take(2)).await
}

/// FHIR R4 4.0.1 valueset-observation-status and valueset-task-status: codes that only R5 has are not taken.
#[test]
fn d00_the_definitions_are_those_of_4_0_1() {
    let issue = |status: &str| json!({ "resourceType": "DetectedIssue", "id": "d", "status": status });
    assert!(validate::resource(&issue("final")).is_empty());
    assert!(!validate::resource(&issue("mitigated")).is_empty());
    // R5 made Procedure.performed an occurrence.
    let r5 = json!({ "resourceType": "Procedure", "status": "completed", "subject": { "reference": "Patient/1" },
        "occurrenceDateTime": "2026-03-02" });
    assert!(!validate::resource(&r5).is_empty());
}

/// FHIR R4 valueset-event-status: only what was done can be followed; and only what was a nerve repair.
#[tokio::test]
async fn d01_only_a_completed_repair_makes_a_plan() {
    let statuses =
        ["preparation", "in-progress", "not-done", "on-hold", "stopped", "entered-in-error", "unknown"];
    let clinic = two().await;
    for status in statuses {
        clinic.put(graft(&[("status", json!(status))])).await.unwrap();
        assert!(clinic.all("CarePlan").await.is_empty(), "{status}");
    }
    let other = json!({ "coding": [{ "system": "urn:example:operations", "code": "autograft" }], "text": "autograft" });
    clinic.put(graft(&[("code", other)])).await.unwrap();
    assert!(clinic.all("CarePlan").await.is_empty(), "a code of another system is no repair");
    clinic.put(graft(&[])).await.unwrap();
    assert_eq!(clinic.plan().await["status"], "active");
}

/// FHIR R4 procedure.html#status: what was entered in error never happened, and what followed from it ends.
#[tokio::test]
async fn d02_a_retracted_repair_ends_its_plan_once() {
    for status in ["entered-in-error", "not-done"] {
        let clinic = grafted().await;
        let before = clinic.all("Provenance").await.len();
        clinic.put(graft(&[("status", json!(status))])).await.unwrap();
        assert_eq!(clinic.plan().await["status"], "revoked");
        for task in clinic.all("Task").await {
            assert_eq!(state(&task), ("cancelled", "withdrawn"));
            assert!(!text(&task, "/statusReason/text").is_empty());
        }
        let records = clinic.all("Provenance").await;
        assert_eq!(records.len(), before + 1);
        let told =
            records.iter().any(|one| text(one, "/entity/0/what/reference") == "Procedure/r1/_history/2");
        assert!(told, "{records:?}");
        let then = clinic.versions().await;
        clinic.put(graft(&[("status", json!(status))])).await.unwrap();
        clinic.sweep_on("2026-05-03").await;
        assert_eq!(clinic.versions().await, then);
    }
}

/// FHIR R4 procedure-definitions.html#Procedure.performed_x_: five forms, of which two are dates.
#[tokio::test]
async fn d03_the_clock_starts_at_the_end_and_only_of_a_date() {
    let mut operation = graft(&[]);
    operation.as_object_mut().unwrap().remove("performedDateTime");
    let exact = grafted().await.window("r1", FINGERS, "first-contraction").await;
    let periods = [
        json!({ "start": "2026-03-01", "end": "2026-03-02" }),
        json!({ "start": "2026-03-01T22:00:00+00:00", "end": "2026-03-02T05:00:00+00:00" }),
        json!({ "end": "2026-03-02" }),
        json!({ "start": "2026-03-02" }),
    ];
    for period in periods {
        let clinic = two().await;
        clinic.put(with(&operation, "performedPeriod", period.clone())).await.unwrap();
        assert_eq!(clinic.window("r1", FINGERS, "first-contraction").await, exact, "{period}");
        assert!(!clinic.plan().await["note"].to_string().contains("to lie between"), "{period}");
    }
    let age = |years: f64| json!({ "value": years, "system": "http://unitsofmeasure.org", "code": "a" });
    let vague = [
        ("performedString", json!("last spring")),
        ("performedAge", age(30.0)),
        ("performedRange", json!({ "low": age(29.0), "high": age(30.0) })),
    ];
    let clinic = two().await;
    for (name, value) in vague {
        let said = refused(&clinic, with(&operation, name, value.clone()), "Procedure.performed").await;
        assert!(said.contains("performedDateTime"), "{said}");
        // Of an operation that is no repair, all forms are taken.
        let other = with(&with(&operation, name, value), "code", json!({ "text": "wound closure" }));
        clinic.put(with(&other, "id", json!("other"))).await.unwrap();
    }
    refused(&clinic, operation, "Procedure.performed").await;
    assert!(clinic.all("CarePlan").await.is_empty());
}

/// FHIR R4 datatypes.html#dateTime: a month is all of its days.
#[tokio::test]
async fn d04_a_month_is_an_interval_and_never_its_first_day() {
    let window = async |on: &str| {
        let clinic = Clinic::with("2026-04-10", interosseous_graft().into_iter().take(2)).await;
        clinic.put(graft(&[("performedDateTime", json!(on))])).await.unwrap();
        (clinic.window("r1", FINGERS, "first-contraction").await, clinic.plan().await["note"].to_string())
    };
    let ((month, notes), (first, _), (last, said)) =
        (window("2026-03").await, window("2026-03-01").await, window("2026-03-31").await);
    assert!(month[2] >= last[2], "overdue only after the latest that it may be");
    assert!(month != first && month[2] > first[2]);
    for day in ["2026-03-01", "2026-03-31"] {
        assert!(notes.contains(day), "the plan says between which days: {notes}");
    }
    assert!(!said.contains("to lie between"));
}

/// FHIR R4 procedure-definitions.html#Procedure.partOf: steps of one operation; what is no repair adds nothing.
#[tokio::test]
async fn d05_steps_of_one_operation_share_one_plan() {
    let clinic = Clinic::with("2026-03-03", [patient("p1", "1995-05-05")]).await;
    let step = |id: &str, nerve: &str, muscle: &str| {
        let mut step =
            repair(id, "p1", "", "direct-coaptation", nerve, "2026-03-02", &[target(muscle, 90.0)]);
        step.as_object_mut().unwrap().remove("reasonReference");
        with(&step, "partOf", json!([{ "reference": "Procedure/whole" }]))
    };
    let whole = json!({ "resourceType": "Procedure", "id": "whole", "status": "completed",
        "subject": { "reference": "Patient/p1" }, "code": { "text": "exploration of the forearm" } });
    let block =
        with(&with(&whole, "id", json!("block")), "partOf", json!([{ "reference": "Procedure/whole" }]));
    clinic.put(whole).await.unwrap();
    clinic.put(block).await.unwrap();
    assert!(clinic.all("CarePlan").await.is_empty());
    clinic.put(step("m", "median", "abductor-pollicis-brevis")).await.unwrap();
    clinic.put(step("u", "ulnar", "first-dorsal-interosseous")).await.unwrap();
    let plan = clinic.plan().await;
    assert_eq!(list(&plan, "/supportingInfo").len(), 2);
    // A revision on the same injury goes on in the same plan, which is therefore never replaced.
    let clinic = grafted().await;
    let again = graft(&[("id", json!("r2")), ("performedDateTime", json!("2026-03-03"))]);
    let plan = clinic.plan().await;
    clinic.put(again).await.unwrap();
    let now = clinic.plan().await;
    assert_eq!(now["id"], plan["id"]);
    assert!(now.get("replaces").is_none());
}

/// FHIR R4 procedure-definitions.html#Procedure.bodySite: several sites; here each nerve has a Procedure of its own.
#[tokio::test]
async fn d06_one_repair_names_one_nerve() {
    let clinic = two().await;
    let nerve = |name: &str| code("nerve", name);
    let both = graft(&[("bodySite", json!([nerve("radial"), nerve("posterior-interosseous")]))]);
    let said = refused(&clinic, both, "Procedure.bodySite").await;
    assert!(said.contains("one Procedure for each nerve"), "{said}");
    assert!(clinic.all("Procedure").await.is_empty());
    // The side, or a BodyStructure by HL7's extension, may stand beside it.
    let url = "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure";
    let mut one =
        graft(&[("bodySite", json!([{ "text": "left forearm" }, nerve("posterior-interosseous")]))]);
    let structure = json!({ "url": url, "valueReference": { "display": "left forearm" } });
    one["extension"].as_array_mut().unwrap().push(structure.clone());
    clinic.put(one).await.unwrap();
    assert!(text(&clinic.plan().await, "/title").contains("posterior interosseous"));
    assert!(list(&clinic.get("Procedure", "r1").await, "/extension").contains(&structure));
}

/// FHIR R4 careplan-definitions.html and request.html: status and intent are modifiers; their steps are those published.
#[tokio::test]
async fn d07_a_plan_goes_only_where_its_states_lead() {
    let clinic = grafted().await;
    let plan = clinic.plan().await;
    let mine = |name: &str, value: Json| with(&plan, name, value);
    for status in ["draft", "on-hold", "entered-in-error", "unknown"] {
        let said = refused(&clinic, mine("status", json!(status)), "CarePlan.status").await;
        assert!(said.contains("completed, revoked"), "{said}");
    }
    refused(&clinic, mine("intent", json!("order")), "CarePlan.intent").await;
    let other = json!({ "resourceType": "CarePlan", "id": "other", "status": "draft", "intent": "plan",
        "subject": { "reference": "Patient/p1" } });
    for name in ["status", "intent", "subject"] {
        let mut incomplete = other.clone();
        incomplete.as_object_mut().unwrap().remove(name);
        clinic.put(incomplete).await.unwrap_err();
    }
    for status in ["draft", "active", "on-hold", "active", "completed"] {
        clinic.put(with(&other, "status", json!(status))).await.unwrap();
    }
    let said = refused(&clinic, with(&other, "status", json!("active")), "CarePlan.status").await;
    assert!(said.contains("entered-in-error"), "{said}");
}

/// FHIR R4 careplan-definitions.html: `basedOn` names a CarePlan, `addresses` a Condition; the repair is what the forecast rests on.
#[tokio::test]
async fn d08_a_plan_leads_to_its_repair_by_its_forecasts_and_tasks() {
    let clinic = grafted().await;
    let plan = clinic.plan().await;
    assert!(plan.get("basedOn").is_none());
    assert_eq!(references(&plan, "/addresses"), ["Condition/c1"]);
    for forecast in references(&plan, "/supportingInfo") {
        let forecast = clinic.get("RiskAssessment", forecast.split_once('/').unwrap().1).await;
        assert_eq!(references(&forecast, "/basis")[0], "Procedure/r1");
    }
    let tasks = clinic.open_tasks().await;
    assert!(tasks.iter().all(|task| text(task, "/reasonReference/reference") == "Procedure/r1"));
}

/// FHIR R4 CarePlan, cpl-3: an activity is a reference or a detail. Here it is the ServiceRequest of a review, which a Task works on.
#[tokio::test]
async fn d09_every_activity_is_one_reference() {
    let clinic = grafted().await;
    let plan = clinic.plan().await;
    let tasks = clinic.open_tasks().await;
    let worked_on: BTreeSet<&str> = tasks.iter().map(|task| text(task, "/focus/reference")).collect();
    let activities = list(&plan, "/activity");
    assert!(!activities.is_empty());
    for activity in activities {
        assert!(activity.get("detail").is_none());
        assert!(worked_on.contains(text(activity, "/reference/reference")), "{activity}");
    }
}

/// FHIR R4 careplan-definitions.html#CarePlan.activity.reference: what a plan points to does not point back by `basedOn`.
#[tokio::test]
async fn d10_a_request_of_a_plan_is_not_based_on_it() {
    let clinic = grafted().await;
    let requests = clinic.all("ServiceRequest").await;
    assert!(!requests.is_empty());
    for request in requests {
        assert!(request.get("basedOn").is_none());
        let query = format!("CarePlan?activity-reference=ServiceRequest/{}", text(&request, "/id"));
        assert_eq!(clinic.all(&query).await.len(), 1);
    }
}

/// FHIR R4 careplan-definitions.html#CarePlan.activity.outcomeReference: what came of an activity.
#[tokio::test]
async fn d11_a_held_review_names_what_came_of_it() {
    let clinic = grafted().await;
    let task = clinic.open_tasks().await[0].clone();
    clinic.clock.turn_to("2026-03-16");
    clinic.put(encounter("e1", "p1", &task, "finished", "2026-03-16")).await.unwrap();
    clinic.put(tinel("o1", "p1", "r1", "2026-03-16", 0.0)).await.unwrap();
    let plan = clinic.plan().await;
    let outcomes: Vec<(&str, Vec<&str>)> = list(&plan, "/activity")
        .iter()
        .map(|one| (text(one, "/reference/reference"), references(one, "/outcomeReference")))
        .filter(|(_, outcomes)| !outcomes.is_empty())
        .collect();
    assert_eq!(outcomes, [(text(&task, "/focus/reference"), vec!["Encounter/e1", "Observation/o1"])]);
    let task = clinic.get("Task", text(&task, "/id")).await;
    let outputs: Vec<&str> =
        list(&task, "/output").iter().map(|one| text(one, "/valueReference/reference")).collect();
    assert_eq!(outputs, ["Encounter/e1", "Observation/o1"]);
}

/// FHIR R4 careplan.html: to complete a plan is a decision. The service says that everything was reached and leaves it to a person.
#[tokio::test]
async fn d12_a_plan_is_completed_by_people_alone() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2027-06-01");
    for (id, muscle) in [("o1", FINGERS), ("o2", INDEX)] {
        clinic.put(motor(id, "p1", "r1", muscle, "2027-06-01", 5)).await.unwrap();
    }
    let goals = clinic.all("Goal").await;
    assert!(goals.iter().all(|goal| goal["lifecycleStatus"] == "completed"), "{goals:?}");
    assert!(clinic.stands("recovered").await);
    assert_eq!(clinic.plan().await["status"], "active");
    clinic.put(with(&clinic.plan().await, "status", json!("completed"))).await.unwrap();
    assert_eq!(clinic.plan().await["status"], "completed");
    assert!(clinic.open_tasks().await.is_empty());
}

/// FHIR R4 goal.html: `lifecycleStatus`, what is measured, what it is to be, until when; gol-1.
#[tokio::test]
async fn d22_a_goal_is_measured_and_dated() {
    let clinic = grafted().await;
    let goals = clinic.all("Goal").await;
    assert_eq!(goals.len(), 2);
    for goal in goals {
        assert!(goal.get("status").is_none() && goal["lifecycleStatus"] == "active");
        assert!(!text(&goal, "/description/text").is_empty());
        assert_eq!(text(&goal, "/subject/reference"), "Patient/p1");
        let goal_target = &goal["target"][0];
        let muscle = text(goal_target, "/measure/coding/0/code");
        let end = text(goal_target, "/detailCodeableConcept/coding/0/code");
        let [_, _, last] = clinic.window("r1", muscle, end).await;
        assert_eq!(text(goal_target, "/dueDate"), last.to_string());
        assert!(references(&goal, "/addresses").iter().all(|to| !to.starts_with("Procedure/")));
    }
}

/// FHIR R4 valueset-goal-achievement: computed of the findings, with the day; a date that has passed achieves and refutes nothing.
#[tokio::test]
async fn d23_achievement_follows_the_findings_and_not_the_calendar() {
    let achieved = async |clinic: &Clinic, muscle: &str| {
        let goals = clinic.all("Goal").await;
        let goal = goals.into_iter().find(|one| text(one, "/target/0/measure/coding/0/code") == muscle);
        let goal = goal.unwrap();
        (text(&goal, "/achievementStatus/coding/0/code").to_owned(), text(&goal, "/statusDate").to_owned())
    };
    let pair = |code: &str, on: &str| (code.to_owned(), on.to_owned());
    let clinic = grafted().await;
    assert_eq!(achieved(&clinic, FINGERS).await, pair("in-progress", "2026-03-02"));
    let [_, _, last] = clinic.window("r1", FINGERS, "first-contraction").await;
    clinic.clock.turn_to(&last.to_string());
    clinic.put(motor("o1", "p1", "r1", FINGERS, "2026-10-01", 1)).await.unwrap();
    assert_eq!(achieved(&clinic, FINGERS).await, pair("improving", "2026-10-01"));
    clinic.sweep_on("2028-12-01").await;
    assert_eq!(
        achieved(&clinic, FINGERS).await,
        pair("improving", "2026-10-01"),
        "time alone refutes nothing"
    );
    clinic.put(motor("o2", "p1", "r1", FINGERS, "2028-12-01", 5)).await.unwrap();
    assert_eq!(achieved(&clinic, FINGERS).await, pair("achieved", "2028-12-01"));
}

/// FHIR R4 riskassessment-definitions.html#RiskAssessment.prediction.probability_x_ and ras-2: percent, 0 to 100; and in words.
#[tokio::test]
async fn d24_a_chance_is_in_percent_and_in_words() {
    let clinic = grafted().await;
    let forecast = clinic.assessment("r1").await;
    for prediction in list(&forecast, "/prediction") {
        let percent = number(prediction, "/probabilityDecimal");
        assert!((1.0..=100.0).contains(&percent), "{percent}");
        let words = text(prediction, "/qualitativeRisk/coding/0/code");
        let expected = match percent {
            p if p >= 99.0 => "certain",
            p if p > 50.0 => "high",
            p if p >= 20.0 => "moderate",
            _ => "low",
        };
        assert_eq!(words, expected, "{percent}");
        let system = text(prediction, "/qualitativeRisk/coding/0/system");
        assert_eq!(system, "http://terminology.hl7.org/CodeSystem/risk-probability");
    }
}

/// FHIR R4 riskassessment.html: when it holds, on what it rests, how it was made.
#[tokio::test]
async fn d25_a_forecast_names_window_basis_and_method() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-06-10");
    clinic.put(tinel("o1", "p1", "r1", "2026-06-09", 25.0)).await.unwrap();
    let forecast = clinic.assessment("r1").await;
    assert_eq!(references(&forecast, "/basis"), ["Procedure/r1", "Observation/o1"]);
    // The time of the facts it rests on: the same facts give the same forecast on any day.
    assert_eq!(forecast["occurrenceDateTime"], "2026-06-09");
    assert!(text(&forecast, "/method/text").contains("version 1"));
    assert_eq!(text(&forecast, "/condition/reference"), "Condition/c1");
    for prediction in list(&forecast, "/prediction") {
        let (from, to) = (text(prediction, "/whenPeriod/start"), text(prediction, "/whenPeriod/end"));
        let median = text(prediction, "/extension/1/valueDate");
        assert!(from < median && median < to, "{prediction}");
    }
}

/// FHIR R4 riskassessment.html: an expectation is a window with its basis, here and in the narrative, never one day.
#[tokio::test]
async fn d26_an_expectation_is_a_window_with_its_basis() {
    let clinic = grafted().await;
    let (forecast, plan) = (clinic.assessment("r1").await, clinic.plan().await);
    let told = text(&forecast, "/text/div");
    for prediction in list(&forecast, "/prediction") {
        let (from, to) = (text(prediction, "/whenPeriod/start"), text(prediction, "/whenPeriod/end"));
        assert!(told.contains(&format!("{from} to {to}")));
        assert!(text(prediction, "/rationale").contains("as measured"));
    }
    assert!(text(&plan, "/instantiatesCanonical/0").ends_with("nerve-repair-follow-up|1"));
    let level = json!({ "url": format!("{EP}/StructureDefinition/repair-level"), "extension": [
        { "url": "landmark", "valueCodeableConcept": code("landmark", "lateral-epicondyle") },
        { "url": "distance", "valueQuantity": mm(30.0) },
    ] });
    let by_table = Clinic::with(
        "2026-03-03",
        [
            patient("p1", "1995-05-05"),
            injury("c1", "p1", "2026-02-23"),
            graft(&[("extension", json!([gap(30.0), level]))]),
        ],
    )
    .await;
    for prediction in list(&by_table.assessment("r1").await, "/prediction") {
        assert!(text(prediction, "/rationale").contains("from the anatomy table"), "{prediction}");
    }
}
