//! The service as its own counterpart: one instance plays the hospital's record, the other follows the repair up beside it.
//!
//! The hospital codes the operation with a code of its own, so that its instance is a record and no more; the other one has the
//! map. A plan (CarePlan) is left here: an instance that holds a plan of the same name ends it, since it knows of no repair.

use crate::clinic::{Clinic, EP, TurnedClock, appointment, interosseous_graft, state, text, tinel, with};
use crate::hospital::{Hospital, beside_on, outgoing};
use crate::served::{Served, config};
use endplate_fhir::Json;
use endplate_followup::Record;
use endplate_followup::record::{READABLE, WRITABLE};
use endplate_server::boot::{self, Parts};
use endplate_server::config::{Config, RecordAuth, RecordConfig};
use jiff::SignedDuration;
use serde_json::json;
use std::path::Path;
use std::time::Duration;

const LOCAL: &str = "https://hospital.example/codes";

fn map() -> Json {
    let target = [json!({ "code": "autograft", "equivalence": "equivalent" })];
    json!({ "resourceType": "ConceptMap", "id": "m", "status": "active", "group": [{
        "source": LOCAL, "target": format!("{EP}/CodeSystem/repair-technique"), "element": [{ "code": "T1", "target": target }] }] })
}

async fn hospital() -> Served {
    let served = Served::open("2026-03-03").await;
    let [patient, injury, mut graft] = interosseous_graft();
    graft["code"] = json!({ "coding": [{ "system": LOCAL, "code": "T1" }] });
    for resource in [patient, injury, graft] {
        served.put(&resource).await.done();
    }
    served
}

fn record(hospital: &Served) -> RecordConfig {
    let base = format!("http://{}/fhir", hospital.server.local_addr());
    let names = |types: &[&str]| {
        types.iter().filter(|kind| **kind != "CarePlan").map(|kind| (*kind).to_owned()).collect()
    };
    RecordConfig {
        record: Record {
            name: "main".to_owned(),
            base: base.clone(),
            writes: names(&WRITABLE),
            reads: names(&READABLE),
            same_ids: false,
            overlap: SignedDuration::from_secs(300),
            page: 2,
        },
        base: base.parse().unwrap(),
        auth: RecordAuth::None,
        timeout: Duration::from_secs(10),
        read_every: Duration::from_mins(1),
    }
}

/// One turn: what happened there is read, what follows from it is written there.
async fn turn(clinic: &Clinic, records: &[RecordConfig]) -> (usize, usize) {
    let outgoing = outgoing(records, &clinic.clock);
    let read = clinic.endplate.poll("main", &outgoing).await.unwrap();
    assert_eq!((read.refused, read.problems.as_slice()), (0, &[][..]));
    let sent = clinic.endplate.deliver(&outgoing).await.unwrap();
    assert_eq!((sent.deferred, sent.parked), (0, 0), "{:?}", aside(clinic).await);
    (read.taken, sent.delivered)
}

/// Why something was refused, for the message of a test that fails.
async fn aside(clinic: &Clinic) -> String {
    format!("{:?}", clinic.endplate.receivers(None, 10).await.unwrap())
}

async fn clinic(file: &Path, date: &str, hospital: &Served) -> (Clinic, [RecordConfig; 1]) {
    let records = [record(hospital)];
    let (clinic, _) = beside_on(date, file, &records).await;
    (clinic, records)
}

/// The running service does both by itself: what it reads at the start makes a plan, and the plan is written.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_reads_and_writes_by_itself() {
    let hospital = Hospital::open().await;
    hospital.with(|ward| interosseous_graft().into_iter().for_each(|resource| ward.put(resource)));
    let config = Config { records: vec![hospital.record(&WRITABLE, &READABLE)], ..config() };
    let clock = TurnedClock::at("2026-03-03");
    let parts = Parts::of(&config, clock).await.unwrap();
    let server = boot::start(&config, parts).await.unwrap();
    hospital.written.notified().await;
    assert!(server.shutdown().await);
    assert!(!hospital.with(|ward| ward.all("Device")).is_empty());
}

/// From the operation to a booking, a finding and an alert, with a restart in the middle.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repair_is_followed_up_beside_the_hospital_record() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    let hospital = hospital().await;
    let (ours, records) = clinic(&file, "2026-03-03", &hospital).await;
    ours.put(map()).await.unwrap();
    let (taken, sent) = turn(&ours, &records).await;
    assert!(taken == 3 && sent > 10, "{taken} {sent}");
    // The work list of the hospital's scheduler, about the hospital's patient.
    let tasks = hospital.all("Task?status=requested&patient=p1&_sort=due").await;
    assert_eq!(tasks.len(), ours.open_tasks().await.len());
    assert_eq!(text(&tasks[0], "/reasonReference/reference"), "Procedure/r1");
    let request = hospital.get(&format!("/fhir/{}", text(&tasks[0], "/focus/reference"))).await.done();
    assert!(request.contains("\"subject\":{\"reference\":\"Patient/p1\"}"), "{request}");
    assert_eq!(turn(&ours, &records).await, (0, 0), "nothing comes back");

    // The scheduler books at the hospital.
    let on = text(&tasks[0], "/restriction/period/start").to_owned();
    hospital.put(&appointment("a1", "p1", &tasks[0], "booked", &on)).await.done();
    drop(ours);
    let (ours, records) = clinic(&file, "2026-03-04", &hospital).await;
    let (taken, sent) = turn(&ours, &records).await;
    assert!(taken == 1 && sent > 0);
    let task = hospital.get(&format!("/fhir/Task/{}", text(&tasks[0], "/id"))).await.json();
    assert_eq!(state(&task), ("accepted", "booked"));
    assert_eq!(text(&task, "/input/1/valueReference/reference"), "Appointment/a1");

    // Two findings of a front that stands still: the alert is on the hospital's record, with the hospital's findings.
    hospital.clock.turn_to("2026-12-16");
    for (id, on) in [("o1", "2026-09-01"), ("o2", "2026-12-15")] {
        hospital.put(&with(&tinel(id, "p1", "r1", on, 8.0), "status", json!("final"))).await.done();
    }
    ours.clock.turn_to("2026-12-16");
    turn(&ours, &records).await;
    let alerts = hospital.all("DetectedIssue?code=front-static").await;
    assert_eq!(alerts.len(), ours.issues("front-static").await.len());
    let evidence: Vec<&str> = alerts[0]["evidence"][0]["detail"]
        .as_array()
        .unwrap()
        .iter()
        .map(|detail| text(detail, "/reference"))
        .collect();
    assert!(evidence.contains(&"Observation/o2"), "{evidence:?}");
    assert_eq!(turn(&ours, &records).await, (0, 0));
}
