//! How a plan comes to be and goes on: whose findings are whose, partly known dates, several repairs and injuries, transfers.
//! What the world does to it afterwards is in `world.rs`.

use crate::clinic::{
    Clinic, EP, after, appointment, code, gap, injury, interosseous_graft, keys, mm, motor, patient, repair,
    state, sudomotor, target, text, tinel, with,
};
use endplate_fhir::Json;
use endplate_followup::Reason;
use serde_json::json;
use std::collections::BTreeSet;
use std::sync::Arc;

const FINGERS: &str = "extensor-digitorum";

async fn grafted() -> Clinic {
    Clinic::with("2026-03-03", interosseous_graft()).await
}

/// Last useful dates of one repair: salvage, structure and date of each.
async fn last_useful(clinic: &Clinic, procedure: &str) -> Vec<Json> {
    let url = format!("{EP}/StructureDefinition/last-useful-date");
    let assessment = clinic.assessment(procedure).await;
    assessment["extension"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|one| text(one, "/url") == url)
        .cloned()
        .collect()
}

#[tokio::test]
async fn a_nerve_transfer_takes_over_its_target_alone() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-11-03");
    let transfer = repair(
        "r2",
        "p1",
        "c1",
        "nerve-transfer",
        "median",
        "2026-11-02",
        &[target("extensor-indicis", 60.0)],
    );
    clinic.put(transfer).await.unwrap();
    let targets = |assessment: &Json| {
        let predictions = assessment["prediction"].as_array().unwrap().clone();
        let of = |one: &Json| text(one, "/extension/0/valueCodeableConcept/coding/0/code").to_owned();
        predictions.iter().map(of).collect::<BTreeSet<String>>()
    };
    assert_eq!(targets(&clinic.assessment("r1").await), BTreeSet::from([FINGERS.to_owned()]));
    assert_eq!(targets(&clinic.assessment("r2").await), BTreeSet::from(["extensor-indicis".to_owned()]));
    let goals = clinic.all("Goal").await;
    let cancelled: Vec<&Json> = goals.iter().filter(|goal| goal["lifecycleStatus"] == "cancelled").collect();
    assert_eq!((goals.len(), cancelled.len()), (3, 1));
    assert_eq!(clinic.all("CarePlan").await.len(), 1);
}

#[tokio::test]
async fn three_repairs_of_one_operation_share_a_plan_and_come_once() {
    let repairs = [
        repair(
            "r1",
            "p1",
            "c1",
            "direct-coaptation",
            "median",
            "2026-03-02",
            &[target("abductor-pollicis-brevis", 110.0)],
        ),
        repair(
            "r2",
            "p1",
            "c1",
            "direct-coaptation",
            "ulnar",
            "2026-03-02",
            &[target("first-dorsal-interosseous", 120.0)],
        ),
        repair(
            "r3",
            "p1",
            "c1",
            "autograft",
            "superficial-radial",
            "2026-03-02",
            &[gap(20.0), target("first-dorsal-web-of-hand", 90.0)],
        ),
    ];
    let people = [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-03-01")];
    let mut most = 0;
    for one in &repairs {
        let clinic = Clinic::with("2026-03-03", people.iter().cloned().chain([one.clone()])).await;
        most = most.max(clinic.open_tasks().await.len());
    }
    let clinic = Clinic::with("2026-03-03", people.into_iter().chain(repairs)).await;
    let together = clinic.open_tasks().await;
    assert_eq!(clinic.plan().await["supportingInfo"].as_array().unwrap().len(), 3);
    assert!(together.len() <= most + 2, "{most} reviews for one, {:?} together", keys(&together));
    let wounds = keys(&together).into_iter().filter(|key| key.starts_with("wound")).count();
    assert_eq!(wounds, 1, "one wound check for three wounds of one day");
}

/// FHIR R4 per-1: a period does not end before it starts, though a clock that was set back says so.
#[tokio::test]
async fn a_clock_that_was_set_back_refuses_no_record() {
    let clinic = grafted().await;
    let wound = clinic.task("wound-posterior-interosseous").await;
    clinic.clock.turn_to("2026-03-13");
    clinic.put(appointment("a1", "p1", &wound, "noshow", "2026-03-13")).await.unwrap();
    let raised = clinic.standing("review-missed").await;
    assert_eq!(raised.len(), 1);
    clinic.clock.turn_to("2026-03-12");
    clinic.put(appointment("a1", "p1", &wound, "booked", "2026-03-17")).await.unwrap();
    let cleared = clinic.issues("review-missed").await.remove(0)["identifiedPeriod"].clone();
    assert_eq!(cleared["end"], cleared["start"]);
}

#[tokio::test]
async fn a_clinician_ends_a_plan_for_good() {
    let clinic = grafted().await;
    clinic.clock.turn_to("2026-09-10");
    for status in ["completed", "revoked"] {
        let mut plan = clinic.plan().await;
        plan["status"] = json!(status);
        clinic.put(plan).await.unwrap();
        assert!(clinic.open_tasks().await.is_empty());
        assert!(clinic.all("Task").await.iter().all(|task| state(task) == ("cancelled", "withdrawn")));
        let then = clinic.versions().await;
        for day in (1..30).map(|month| after("2026-09-10", 30 * month)) {
            clinic.sweep_on(&day).await;
        }
        assert_eq!(clinic.versions().await, then);
        clinic.clock.turn_to("2026-09-10");
    }
    // Taken up again by a clinician, it goes on.
    let mut plan = clinic.plan().await;
    plan["status"] = json!("active");
    clinic.put(plan).await.unwrap();
    assert!(!clinic.open_tasks().await.is_empty());
}

fn identified_repair() -> Json {
    let mut repair = interosseous_graft()[2].clone();
    repair.as_object_mut().unwrap().remove("id");
    repair["identifier"] = json!([{ "system": "urn:example:record", "value": "op-7" }]);
    repair
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn twenty_identical_conditional_creates_at_once_make_one_resource() {
    let clinic = Arc::new(Clinic::with("2026-03-03", interosseous_graft().into_iter().take(2)).await);
    let create = |_| {
        let clinic = clinic.clone();
        tokio::spawn(async move {
            let condition = Some("identifier=urn:example:record|op-7");
            clinic.endplate.create("Procedure", identified_repair(), condition).await.unwrap()
        })
    };
    let mut created = 0;
    let mut named = BTreeSet::new();
    for task in (0..20).map(create).collect::<Vec<_>>() {
        let written = task.await.unwrap();
        created += usize::from(written.created);
        named.insert(written.id);
    }
    assert_eq!((created, named.len()), (1, 1));
    assert_eq!(clinic.all("Procedure").await.len(), 1);
    assert_eq!(clinic.plan().await["meta"]["versionId"], "1");
}

/// A median and an ulnar repair at the wrist; both could carry a finding at neither.
fn two_nerves() -> [Json; 4] {
    [
        patient("p1", "1995-05-05"),
        injury("c1", "p1", "2026-03-01"),
        repair(
            "r1",
            "p1",
            "c1",
            "direct-coaptation",
            "median",
            "2026-03-02",
            &[target("abductor-pollicis-brevis", 110.0)],
        ),
        repair(
            "r2",
            "p1",
            "c1",
            "direct-coaptation",
            "ulnar",
            "2026-03-02",
            &[target("first-dorsal-interosseous", 120.0)],
        ),
    ]
}

fn without_focus(mut finding: Json, site: Option<Json>) -> Json {
    finding.as_object_mut().unwrap().remove("focus");
    if let Some(site) = site {
        finding["bodySite"] = site;
    }
    finding
}

#[tokio::test]
async fn a_finding_without_focus_goes_to_the_only_repair_it_can_be_about() {
    let clinic = Clinic::with("2026-06-10", two_nerves()).await;
    let nerve = without_focus(tinel("o1", "p1", "", "2026-06-09", 40.0), Some(code("nerve", "ulnar")));
    let muscle = without_focus(motor("o2", "p1", "", "abductor-pollicis-brevis", "2026-06-09", 0), None);
    for finding in [nerve, muscle] {
        assert!(clinic.put(finding).await.unwrap().remarks.is_empty());
    }
    let basis = async |procedure| clinic.assessment(procedure).await["basis"].to_string();
    assert!(basis("r2").await.contains("Observation/o1") && !basis("r1").await.contains("Observation/o1"));
    assert!(basis("r1").await.contains("Observation/o2") && !basis("r2").await.contains("Observation/o2"));
}

#[tokio::test]
async fn a_finding_that_could_be_about_either_is_listed_and_remarked_on() {
    let clinic = Clinic::with("2026-06-10", two_nerves()).await;
    let anywhere = without_focus(tinel("o1", "p1", "", "2026-06-09", 40.0), None);
    let written = clinic.put(anywhere.clone()).await.unwrap();
    assert_eq!(written.remarks.len(), 1, "{:?}", written.remarks);
    assert!(written.remarks[0].text.contains("focus"));
    let notes = clinic.plan().await["note"].to_string();
    assert!(notes.contains("Observation/o1"), "{notes}");
    // Named, it belongs.
    let named = with(&anywhere, "focus", json!([{ "reference": "Procedure/r1" }]));
    assert!(clinic.put(named).await.unwrap().remarks.is_empty());
    assert!(!clinic.plan().await["note"].to_string().contains("Observation/o1"));
}

#[tokio::test]
async fn months_alone_are_read_towards_safety_and_said_to_be_an_assumption() {
    let [person, injured, operation] = interosseous_graft();
    let injured = with(&injured, "onsetDateTime", json!("2026-02"));
    let operation = with(&operation, "performedDateTime", json!("2026-03"));
    let clinic = Clinic::with("2026-04-10", [person.clone(), injured, operation]).await;
    let notes = clinic.plan().await["note"].to_string();
    assert!(notes.contains("2026-02-01") && notes.contains("2026-02-28"), "{notes}");
    assert!(notes.contains("2026-03-01") && notes.contains("2026-03-31"), "{notes}");
    // The denervation clock starts on the first day it may have been, the growth clock on the last.
    let graft = with(&interosseous_graft()[2], "performedDateTime", json!("2026-03-31"));
    let exact = Clinic::with("2026-04-10", [person, injury("c1", "p1", "2026-02-01"), graft]).await;
    assert_eq!(last_useful(&clinic, "r1").await, last_useful(&exact, "r1").await);
    let window = clinic.window("r1", FINGERS, "first-contraction").await;
    assert_eq!(window, exact.window("r1", FINGERS, "first-contraction").await);
}

#[tokio::test]
async fn a_nerve_outside_the_table_needs_measured_targets() {
    let named = |extensions: &[Json]| {
        let mut repair = repair("r1", "p1", "c1", "direct-coaptation", "", "2026-03-02", extensions);
        repair["bodySite"] = json!([{ "text": "long thoracic nerve" }]);
        repair
    };
    let people = [patient("p1", "1995-05-05"), injury("c1", "p1", "2026-03-01")];
    let clinic = Clinic::with("2026-03-03", people).await;
    let refusal = clinic.put(named(&[])).await.unwrap_err();
    assert_eq!(refusal.reason, Reason::Unprocessable);
    assert!(refusal.to_string().contains("target"), "{refusal}");
    assert!(clinic.all("Procedure").await.is_empty() && clinic.all("CarePlan").await.is_empty());

    let measured = json!({ "url": format!("{EP}/StructureDefinition/target"), "extension": [
        { "url": "structure", "valueCodeableConcept": { "text": "serratus anterior" } },
        { "url": "path-length", "valueQuantity": mm(90.0) },
    ] });
    clinic.put(named(&[measured])).await.unwrap();
    assert!(clinic.plan().await["note"].to_string().contains("serratus anterior"));
    assert!(!clinic.open_tasks().await.is_empty());
}

/// Two injuries of one patient have a plan each.
#[tokio::test]
async fn each_injury_has_its_own_plan() {
    let other =
        repair("r2", "p1", "c2", "direct-coaptation", "digital", "2026-05-04", &[target("digit-pulp", 40.0)]);
    let records = interosseous_graft().into_iter().chain([injury("c2", "p1", "2026-05-03"), other]);
    let clinic = Clinic::with("2026-05-05", records).await;
    assert_eq!(clinic.all("CarePlan?status=active").await.len(), 2);
    clinic.put(sudomotor("o1", "p1", "r2", "digit-pulp", "2026-05-05", false)).await.unwrap();
    assert!(!clinic.assessment("r1").await["basis"].to_string().contains("o1"));
}
