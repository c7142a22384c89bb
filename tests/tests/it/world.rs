//! What the world does to a plan, row by row of section 7 of the design, as a hospital's systems see it: through HTTP.
//! Each test is named after its row; `ledger` holds the two together.
//!
//! Where a row says what a plan becomes once a record is another one, the measure is a second service that knew the
//! record as it now is from the start.

use crate::clinic::{
    EP, after, appointment, encounter, gap, injury, interosseous_graft, keys, mm, motor, patient, repair,
    stands, state, subscription, target, text, tinel, with,
};
use crate::served::{FHIR_JSON, Receiver, Served};
use endplate_fhir::Json;
use endplate_followup::derivation::bare;
use endplate_followup::ports::Clock;
use endplate_followup::preview::DERIVED;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// The table of section 7, verbatim.
const ROWS: &str = "\
| the Procedure is corrected (gap, level, date) | is recomputed; tasks move as little as possible |
| the Procedure becomes `entered-in-error` or `not-done` | is revoked, tasks cancelled, alerts retracted |
| a second repair on the same injury | the first repair's targets are superseded; the denervation clock runs on |
| a tendon transfer for a target | closes that target's regeneration milestones; reviews for its own rehabilitation |
| the patient dies | ends at once; no task, no message to anyone about a review afterwards |
| two Patient records are merged (`Patient.link`) | follows the surviving record |
| a finding is corrected or `entered-in-error` | is assessed again without it |
| an Appointment is booked, cancelled, a no-show, fulfilled | the Task follows (`businessStatus`) |
| an Encounter finishes | the review is attended, whoever booked it |
| the surgeon discharges | is completed early; remaining tasks cancelled |
| the same message arrives twice, late or out of order | once; the latest version wins; nothing is raised twice |";

/// A row without a test, or a test without a row, is said here.
#[test]
fn ledger_every_row_has_its_test() {
    let name = |row: &str| {
        let what = row.trim_start_matches("| ").split(" | ").next().unwrap().to_lowercase();
        let words = what.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
        words.collect::<Vec<_>>().join("_")
    };
    let rows: BTreeSet<String> = ROWS.lines().map(name).collect();
    assert_eq!(rows.len(), 11);
    let source = include_str!("world.rs");
    let tests = source.split("#[tokio::test]\nasync fn ").skip(1);
    let tests: BTreeSet<String> = tests.map(|rest| rest.split('(').next().unwrap().to_owned()).collect();
    assert_eq!(tests, rows);
}

const FINGERS: &str = "extensor-digitorum";
const INDEX: &str = "extensor-indicis";
const WOUND: &str = "wound-posterior-interosseous";
const BASELINE: &str = "baseline-posterior-interosseous";

struct World(Served);

impl World {
    /// A service that knows these records since a day.
    async fn with(date: &str, records: impl IntoIterator<Item = Json>) -> Self {
        let world = Self(Served::open(date).await);
        for record in records {
            world.put(&record).await;
        }
        world
    }

    async fn grafted() -> Self {
        Self::with("2026-03-03", interosseous_graft()).await
    }

    /// Sends a record, which is taken; its version.
    async fn put(&self, record: &Json) -> String {
        let reply = self.0.put(record).await;
        assert!(matches!(reply.status, 200 | 201), "{}: {}", reply.status, reply.text);
        reply.header("etag").to_owned()
    }

    async fn all(&self, query: &str) -> Vec<Json> {
        self.0.all(query).await
    }

    async fn plan(&self) -> Json {
        let mut plans = self.all("CarePlan").await;
        assert_eq!(plans.len(), 1, "{plans:?}");
        plans.remove(0)
    }

    async fn open_tasks(&self) -> Vec<Json> {
        self.all("Task?status=requested,accepted&_sort=due").await
    }

    async fn task(&self, key: &str) -> Json {
        let mut found = self.all("Task").await;
        found.retain(|task| text(task, "/identifier/0/value").ends_with(&format!("/{key}")));
        assert_eq!(found.len(), 1, "{key}");
        found.remove(0)
    }

    /// The derived resource of a type that is about one repair: a RiskAssessment, a DiagnosticReport.
    async fn of_repair(&self, kind: &str, procedure: &str) -> Json {
        let forecast = |one: &Json| text(one, "/basis/0/reference") == format!("Procedure/{procedure}");
        let mut found = self.all("RiskAssessment").await;
        found.retain(forecast);
        assert_eq!(found.len(), 1, "{procedure}");
        if kind == "RiskAssessment" {
            return found.remove(0);
        }
        let address = format!("RiskAssessment/{}", text(&found[0], "/id"));
        let mut reports = self.all(kind).await;
        reports.retain(|one| text(one, "/extension/0/valueReference/reference") == address);
        assert_eq!(reports.len(), 1, "{procedure}");
        reports.remove(0)
    }

    /// What is derived and stands, as text without version and time, by address.
    async fn standing(&self) -> BTreeMap<String, String> {
        let mut all = BTreeMap::new();
        for kind in DERIVED.iter().filter(|kind| **kind != "Communication") {
            for one in self.all(kind).await.iter().filter(|one| stands(one)) {
                let mut said = bare(one);
                said.as_object_mut().unwrap().shift_remove("lastModified");
                all.insert(format!("{kind}/{}", text(one, "/id")), said.to_string());
            }
        }
        all
    }

    /// How many alerts and flags of high severity stand.
    async fn alerts(&self) -> usize {
        let issues = self.all("DetectedIssue").await;
        issues.iter().filter(|one| stands(one)).count() + self.all("Flag?status=active").await.len()
    }

    async fn count(&self, kind: &str) -> usize {
        self.all(kind).await.len()
    }
}

/// A graft of which the path lengths follow from its level, as the anatomy table has them.
fn levelled(distance: f64) -> Json {
    let level = json!({ "url": format!("{EP}/StructureDefinition/repair-level"), "extension": [
        { "url": "landmark", "valueCode": "lateral-epicondyle" }, { "url": "distance", "valueQuantity": mm(distance) },
    ] });
    repair("r1", "p1", "c1", "autograft", "posterior-interosseous", "2026-03-02", &[gap(30.0), level])
}

#[tokio::test]
async fn the_procedure_is_corrected_gap_level_date() {
    let graft = interosseous_graft()[2].clone();
    let gapped = with(&graft, "extension", json!([gap(38.0), target(FINGERS, 80.0), target(INDEX, 160.0)]));
    let dated = with(&graft, "performedDateTime", json!("2026-02-27"));
    for (first, corrected, changes_early) in
        [(graft.clone(), gapped, false), (levelled(10.0), levelled(30.0), false), (graft, dated, true)]
    {
        let [person, hurt, _] = interosseous_graft();
        let world = World::with("2026-03-03", [person.clone(), hurt.clone(), first.clone()]).await;
        let before = world.open_tasks().await;
        let stood = world.standing().await;
        world.put(&corrected).await;
        let fresh = World::with("2026-03-03", [person, hurt, corrected.clone()]).await;
        assert_eq!(world.standing().await, fresh.standing().await);
        assert_ne!(world.standing().await, stood);
        // What need not move was not even written.
        let now = world.open_tasks().await;
        let same = |task: &&Json| before.iter().any(|was| was["id"] == task["id"] && bare(was) == bare(task));
        assert!(now.iter().filter(same).all(|task| text(task, "/meta/versionId") == "1"));
        let wound = now.iter().filter(same).any(|task| text(task, "/identifier/0/value").ends_with(WOUND));
        assert_eq!(wound, !changes_early, "a wound check depends on the day of the operation alone");
        let preferred = |tasks: &[Json]| {
            let of =
                |task: &Json| (text(task, "/id").to_owned(), text(task, "/input/0/valueDate").to_owned());
            tasks.iter().map(of).collect::<BTreeMap<_, _>>()
        };
        let (was, is) = (preferred(&before), preferred(&now));
        let kept = is.iter().filter(|(id, on)| was.get(*id) == Some(*on)).count();
        println!("{kept} of {} preferred days kept", is.len());
        assert!(changes_early || kept >= 2, "wound check and baseline stay where they were");
        // Corrected back, everything is as it was.
        world.put(&first).await;
        assert_eq!(world.standing().await, stood);
        // What is booked stays, whatever is corrected.
        let booked = world.open_tasks().await.remove(2);
        let on = text(&booked, "/restriction/period/end").to_owned();
        world.put(&appointment("a1", "p1", &booked, "booked", &on)).await;
        world.put(&corrected).await;
        let kept = world.all(&format!("Task?_id={}", text(&booked, "/id"))).await.remove(0);
        assert_eq!((state(&kept), text(&kept, "/input/0/valueDate")), (("accepted", "booked"), on.as_str()));
    }
}

#[tokio::test]
async fn the_procedure_becomes_entered_in_error_or_not_done() {
    for status in ["entered-in-error", "not-done"] {
        let world = World::grafted().await;
        world.0.turn_to("2026-06-10").await;
        world.put(&tinel("o1", "p1", "r1", "2026-06-01", 20.0)).await;
        for (k, on) in ["2026-09-10", "2026-12-10"].into_iter().enumerate() {
            world.0.turn_to(on).await;
            world.put(&motor(&format!("m{k}"), "p1", "r1", FINGERS, on, 0)).await;
        }
        world.0.turn_to("2027-02-20").await;
        assert!(world.alerts().await > 1 && world.all("Flag?status=active").await.len() == 1);
        let (stood, messages) = (world.standing().await, world.count("Communication").await);

        let graft = &interosseous_graft()[2];
        world.put(&with(graft, "status", json!(status))).await;
        assert_eq!(world.plan().await["status"], "revoked");
        let over =
            |task: &Json| matches!(state(task), ("cancelled", "withdrawn") | ("completed", "attended"));
        assert!(world.all("Task").await.iter().all(over));
        assert_eq!(world.alerts().await, 0);
        assert!(
            world.standing().await.keys().all(|address| address.starts_with("Goal/"))
                || world.standing().await.is_empty()
        );
        let report = world.of_repair("DiagnosticReport", "r1").await;
        assert_eq!((text(&report, "/status"), report.get("presentedForm")), ("cancelled", None));
        assert_eq!(world.count("Communication").await, messages, "a retraction is no message");

        // Corrected again, it goes on where it was; the alerts are raised anew.
        world.put(graft).await;
        let mut again = world.standing().await;
        again.retain(|address, _| !address.starts_with("DetectedIssue/") && !address.starts_with("Flag/"));
        let mut stood = stood;
        stood.retain(|address, _| !address.starts_with("DetectedIssue/") && !address.starts_with("Flag/"));
        assert_eq!(again, stood);
        assert!(world.alerts().await > 1);
    }
}

/// A second autograft of the same nerve, nine months after the first.
fn second_graft() -> Json {
    let targets = [gap(50.0), target(FINGERS, 80.0), target(INDEX, 160.0)];
    repair("r2", "p1", "c1", "autograft", "posterior-interosseous", "2026-12-07", &targets)
}

/// The last useful dates of one repair.
async fn last_useful(world: &World, procedure: &str) -> Vec<String> {
    let url = format!("{EP}/StructureDefinition/last-useful-date");
    let forecast = world.of_repair("RiskAssessment", procedure).await;
    let all = forecast["extension"].as_array().unwrap().iter();
    all.filter(|one| text(one, "/url") == url)
        .map(|one| text(one, "/extension/2/valueDate").to_owned())
        .collect()
}

#[tokio::test]
async fn a_second_repair_on_the_same_injury() {
    let world = World::grafted().await;
    world.0.turn_to("2026-12-08").await;
    world.put(&second_graft()).await;
    for (kind, first, second) in
        [("RiskAssessment", "cancelled", "final"), ("DiagnosticReport", "cancelled", "partial")]
    {
        assert_eq!(world.of_repair(kind, "r1").await["status"], first);
        assert_eq!(world.of_repair(kind, "r2").await["status"], second);
    }
    assert_eq!(world.plan().await["supportingInfo"].as_array().unwrap().len(), 1);
    let open = world.open_tasks().await;
    for key in [WOUND, BASELINE].map(|key| format!("{key}-2")) {
        assert!(keys(&open).contains(&key.as_str()), "{:?}", keys(&open));
    }
    // The clock is the injury's: the dates are those of the same operation had it been the first, and a later injury
    // gives later ones by as many days.
    let dates = last_useful(&world, "r2").await;
    assert!(!dates.is_empty());
    for (injured, later) in [("2026-02-23", 0), ("2026-03-05", 10)] {
        let alone = [patient("p1", "1995-05-05"), injury("c1", "p1", injured), second_graft()];
        let alone = World::with("2026-12-08", alone).await;
        let moved: Vec<String> = dates.iter().map(|on| after(on, later)).collect();
        assert_eq!(last_useful(&alone, "r2").await, moved);
    }
}

#[tokio::test]
async fn a_tendon_transfer_for_a_target() {
    let world = World::grafted().await;
    world.0.turn_to("2027-03-02").await;
    let transfer = |targets: &[Json]| {
        repair("r2", "p1", "c1", "tendon-transfer", "posterior-interosseous", "2027-03-01", targets)
    };
    world.put(&transfer(&[target(FINGERS, 0.0), target(INDEX, 0.0)])).await;
    assert_eq!(world.of_repair("RiskAssessment", "r1").await["status"], "cancelled");
    let tasks = world.open_tasks().await;
    let purposes: BTreeSet<&str> =
        keys(&tasks).into_iter().map(|key| key.split('-').next().unwrap()).collect();
    assert_eq!(purposes, BTreeSet::from(["wound", "rehabilitation"]), "{:?}", keys(&tasks));
    assert_eq!(world.plan().await["status"], "active");

    // For one target alone: the other keeps its milestones.
    world.put(&transfer(&[target(FINGERS, 0.0)])).await;
    let forecast = world.of_repair("RiskAssessment", "r1").await;
    let places: BTreeSet<&str> = forecast["prediction"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| text(one, "/extension/0/valueCodeableConcept/coding/0/code"))
        .collect();
    assert_eq!((text(&forecast, "/status"), places), ("final", BTreeSet::from([INDEX])));
    let open = world.open_tasks().await;
    assert!(keys(&open).iter().any(|key| key.starts_with("rehabilitation")));
}

#[tokio::test]
async fn the_patient_dies() {
    for death in [("deceasedBoolean", json!(true)), ("deceasedDateTime", json!("2026-06-10"))] {
        let world = World::grafted().await;
        let receiver = Receiver::open().await;
        for criteria in ["Task?status=requested,accepted", "Communication"] {
            let id = criteria.split('?').next().unwrap().to_lowercase();
            world.put(&subscription(&id, criteria, &receiver.endpoint, true)).await;
        }
        world.0.turn_to("2026-06-09").await;
        let booked = world.open_tasks().await.remove(0);
        world.put(&appointment("a1", "p1", &booked, "booked", "2026-06-15")).await;
        world.0.turn_to("2026-06-11").await;
        let told = receiver.received().len();
        assert!(told > 0);
        world.put(&with(&patient("p1", "1995-05-05"), death.0, death.1)).await;
        assert_eq!((world.plan().await["status"].clone(), world.alerts().await), (json!("revoked"), 0));
        assert!(world.open_tasks().await.is_empty());
        let messages = world.count("Communication").await;
        // Not even after what the hospital record still sends by itself.
        world.put(&appointment("a1", "p1", &booked, "noshow", "2026-06-15")).await;
        world.put(&motor("m1", "p1", "r1", FINGERS, "2026-06-01", 0)).await;
        for day in (1..40).map(|month| after("2026-06-11", 30 * month)) {
            world.0.turn_to(&day).await;
        }
        assert!(world.open_tasks().await.is_empty());
        assert_eq!((world.count("Communication").await, world.alerts().await), (messages, 0));
        assert_eq!(receiver.received().len(), told);
    }
}

#[tokio::test]
async fn two_patient_records_are_merged_patient_link() {
    let link = |kind: &str, other: &str| json!([{ "other": { "reference": format!("Patient/{other}") }, "type": kind }]);
    let [old, new] = ["p1", "p2"].map(|id| patient(id, "1995-05-05"));
    let given_up = with(&old, "link", link("replaced-by", "p2"));
    let survivor = with(&new, "link", link("replaces", "p1"));
    for links in [[&given_up, &survivor], [&survivor, &given_up]] {
        let world = World::grafted().await;
        world.put(&new).await;
        let booked = world.open_tasks().await.remove(2);
        let on = text(&booked, "/input/0/valueDate").to_owned();
        world.put(&appointment("a1", "p1", &booked, "booked", &on)).await;
        world.0.turn_to("2026-06-01").await;
        let (stood, messages) = (world.standing().await, world.all("Communication").await);
        assert!(!messages.is_empty());
        for link in links {
            world.put(link).await;
            let moved = world.standing().await;
            let told = |address: &str| moved[address].replace("Patient/p2", "Patient/p1");
            assert!(stood.keys().eq(moved.keys()), "the same resources");
            for (address, was) in &stood {
                assert_eq!(&told(address), was);
            }
            assert!(!moved.values().any(|one| one.contains("\"Patient/p1\"")), "all follow the survivor");
        }
        world.0.turn_to("2026-06-02").await;
        assert_eq!(world.all("Communication").await, messages, "nobody is told twice");
        // What still comes under the old name counts, and chart and card are those of the surviving record.
        world.put(&tinel("o1", "p1", "r1", "2026-06-01", 30.0)).await;
        let report = world.of_repair("DiagnosticReport", "r1").await;
        assert_eq!(text(&report, "/result/0/reference"), "Observation/o1");
        let chart = world.0.get(&format!("/fhir/{}", text(&report, "/presentedForm/0/url"))).await;
        assert_eq!((chart.status, chart.header("content-type")), (200, "image/svg+xml"), "{}", chart.text);
        assert!(chart.text.contains("Patient p2"));
        for id in ["p1", "p2"] {
            let hook = json!({ "hook": "patient-view", "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
                "context": { "userId": "Practitioner/example", "patientId": id } });
            let call = world
                .0
                .request("POST", "/cds-services/repair-state")
                .header("content-type", "application/json");
            let cards = world.0.send(call.body(hook.to_string())).await.json();
            assert_eq!(cards["cards"].as_array().map(Vec::len), Some(1), "{id}: {cards}");
        }
    }
}

#[tokio::test]
async fn a_finding_is_corrected_or_entered_in_error() {
    let world = World::grafted().await;
    world.0.turn_to("2026-09-10").await;
    world.put(&motor("m0", "p1", "r1", INDEX, "2026-09-10", 0)).await;
    let without = world.standing().await;
    let seen = motor("m1", "p1", "r1", FINGERS, "2026-09-10", 3);
    let unseen = with(&seen, "valueInteger", json!(0));
    world.put(&seen).await;
    let with_it = world.standing().await;
    assert_ne!(with_it, without);
    for corrected in [unseen, with(&seen, "effectiveDateTime", json!("2026-08-20"))] {
        world.put(&corrected).await;
        let fresh = World::grafted().await;
        fresh.0.turn_to("2026-09-10").await;
        fresh.put(&motor("m0", "p1", "r1", INDEX, "2026-09-10", 0)).await;
        fresh.put(&corrected).await;
        // Alerts have their day of raising, and histories of their own.
        let plan = |mut all: BTreeMap<String, String>| {
            all.retain(|address, _| !address.starts_with("DetectedIssue/") && !address.starts_with("Flag/"));
            all
        };
        assert_eq!(plan(world.standing().await), plan(fresh.standing().await));
    }
    world.put(&with(&seen, "status", json!("entered-in-error"))).await;
    assert_eq!(world.standing().await, without);
    assert!(!world.of_repair("RiskAssessment", "r1").await["basis"].to_string().contains("Observation/m1"));
}

#[tokio::test]
async fn an_appointment_is_booked_cancelled_a_no_show_fulfilled() {
    let world = World::grafted().await;
    let wound = world.task(WOUND).await;
    assert_eq!(state(&wound), ("requested", "to-book"));
    let said = async |status: &str, on: &str| {
        let today = world.0.clock.today().to_string();
        world.0.clock.turn_to(if status == "booked" { &today } else { on });
        world.put(&appointment("a1", "p1", &wound, status, on)).await;
        world.task(WOUND).await
    };
    let booked = said("booked", "2026-03-13").await;
    assert_eq!(
        (
            state(&booked),
            text(&booked, "/input/0/valueDate"),
            text(&booked, "/input/1/valueReference/reference")
        ),
        (("accepted", "booked"), "2026-03-13", "Appointment/a1")
    );
    assert_eq!(state(&said("cancelled", "2026-03-13").await), ("requested", "to-book"));
    assert_eq!(state(&said("booked", "2026-03-13").await), ("accepted", "booked"));
    let missed = async || {
        let issues = world.all("DetectedIssue").await;
        issues.iter().filter(|one| stands(one) && text(one, "/code/coding/0/code") == "review-missed").count()
    };
    assert_eq!(state(&said("noshow", "2026-03-13").await), ("requested", "missed"));
    assert_eq!((missed().await, world.count("Communication").await), (1, 1));
    assert_eq!(state(&said("booked", "2026-03-17").await), ("accepted", "booked"));
    assert_eq!(missed().await, 0);
    let held = said("fulfilled", "2026-03-17").await;
    assert_eq!(
        (state(&held), text(&held, "/executionPeriod/end")),
        (("completed", "attended"), "2026-03-17")
    );
    let request = world.0.get(&format!("/fhir/{}", text(&held, "/focus/reference"))).await.json();
    assert_eq!(request["status"], "completed");
    assert_eq!(world.count("Communication").await, 1, "who misses and comes is told of once");
}

#[tokio::test]
async fn an_encounter_finishes() {
    // Nobody booked it; the scheduler did, for another day.
    for booked in [None, Some("2026-03-13")] {
        let world = World::grafted().await;
        let wound = world.task(WOUND).await;
        if let Some(on) = booked {
            world.put(&appointment("a1", "p1", &wound, "booked", on)).await;
        }
        world.0.clock.turn_to("2026-03-16");
        let waiting = state(&world.task(WOUND).await).1.to_owned();
        world.put(&encounter("e1", "p1", &wound, "in-progress", "2026-03-16")).await;
        assert_eq!(state(&world.task(WOUND).await).1, waiting, "it has not finished");
        world.put(&encounter("e1", "p1", &wound, "finished", "2026-03-16")).await;
        let held = world.task(WOUND).await;
        assert_eq!(
            (state(&held), text(&held, "/executionPeriod/end")),
            (("completed", "attended"), "2026-03-16")
        );
        assert_eq!(text(&held, "/output/0/valueReference/reference"), "Encounter/e1");
        // The spacing of later reviews runs from the day on which the patient came (protocol: 91 days).
        let baseline = world.task(BASELINE).await;
        world.0.clock.turn_to("2026-04-06");
        world.put(&encounter("e2", "p1", &baseline, "finished", "2026-04-06")).await;
        let next = world.open_tasks().await.remove(0);
        assert!(text(&next, "/restriction/period/end") <= after("2026-04-06", 91).as_str(), "{next}");
    }
}

#[tokio::test]
async fn the_surgeon_discharges() {
    let world = World::grafted().await;
    let wound = world.task(WOUND).await;
    world.put(&encounter("e1", "p1", &wound, "finished", "2026-03-16")).await;
    world.0.turn_to("2026-12-10").await;
    world.put(&motor("m1", "p1", "r1", FINGERS, "2026-12-10", 0)).await;
    assert!(world.alerts().await > 0);
    let (plan, messages) = (world.plan().await, world.count("Communication").await);
    world.put(&with(&plan, "status", json!("completed"))).await;
    let ended = async || {
        assert_eq!(world.plan().await["status"], "completed");
        let tasks = world.all("Task").await;
        assert!(tasks.iter().all(|task| matches!(task["status"].as_str(), Some("cancelled" | "completed"))));
        assert_eq!(state(&world.task(WOUND).await), ("completed", "attended"), "what was done stays done");
        assert_eq!((world.alerts().await, world.count("Communication").await), (0, messages));
    };
    ended().await;
    for day in (1..30).map(|month| after("2026-12-10", 30 * month)) {
        world.0.turn_to(&day).await;
    }
    world.put(&tinel("o1", "p1", "r1", "2026-12-09", 20.0)).await;
    ended().await;
}

#[tokio::test]
async fn the_same_message_arrives_twice_late_or_out_of_order() {
    let world = World::grafted().await;
    let [early, late] =
        [tinel("o1", "p1", "r1", "2026-06-09", 25.0), tinel("o2", "p1", "r1", "2026-09-08", 27.0)];
    let unnamed = |mut one: Json| {
        one.as_object_mut().unwrap().shift_remove("id");
        one
    };
    // A front that has not moved in 91 days raises its alert once, in either order, told of twice each.
    let mut ends = Vec::new();
    for order in [[&early, &late], [&late, &early]] {
        let world = World::grafted().await;
        world.0.clock.turn_to("2026-09-10");
        for message in order {
            let first = world.put(message).await;
            assert_eq!(world.put(message).await, first, "once");
        }
        let stall = world.all("DetectedIssue?code=front-static").await;
        assert_eq!(stall.len(), 1);
        let messages = world.count("Communication").await;
        for message in order {
            world.put(message).await;
        }
        world.0.turn_to("2026-09-10").await;
        world.0.turn_to("2026-09-11").await;
        assert_eq!(world.all("DetectedIssue?code=front-static").await, stall);
        assert_eq!(world.count("Communication").await, messages);
        ends.push(world.standing().await);
    }
    assert_eq!(ends[0], ends[1]);

    // A create with its identifier as condition, sent twice, makes one (R4 http.html#ccreate).
    let named = with(
        &unnamed(early.clone()),
        "identifier",
        json!([{ "system": "urn:example:record", "value": "o-7" }]),
    );
    world.0.clock.turn_to("2026-09-10");
    for status in [201, 200] {
        let request = world.0.request("POST", "/fhir/Observation").header("content-type", FHIR_JSON);
        let request = request.header("if-none-exist", "identifier=urn:example:record|o-7");
        assert_eq!(world.0.send(request.body(named.to_string())).await.status, status);
    }
    assert_eq!(world.count("Observation").await, 1);

    // A correction that rests on a version that is no longer the last comes late: the latest wins (R4 http.html#concurrency).
    world.put(&late).await;
    world.put(&with(&late, "valueQuantity", mm(40.0))).await;
    let stood = world.standing().await;
    let request = world.0.request("PUT", "/fhir/Observation/o2").header("content-type", FHIR_JSON);
    let stale =
        request.header("if-match", "W/\"1\"").body(with(&late, "valueQuantity", mm(20.0)).to_string());
    assert_eq!(world.0.send(stale).await.status, 412);
    assert_eq!(world.standing().await, stood);
    // A finding before the repair that it is about is refused, and taken once that has come.
    let [person, hurt, graft] = interosseous_graft();
    let world = World::with("2026-09-10", [person, hurt]).await;
    assert_eq!(world.0.put(&early).await.status, 422);
    assert_eq!(world.count("Observation").await, 0);
    world.put(&graft).await;
    world.put(&early).await;
    assert_eq!(text(&world.of_repair("RiskAssessment", "r1").await, "/basis/1/reference"), "Observation/o1");
}
