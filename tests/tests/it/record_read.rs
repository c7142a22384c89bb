//! What happens at a hospital that sends nothing by itself: read there, and then here as if it had been sent.

use crate::clinic::{Clinic, appointment, interosseous_graft, state, text, tinel, with};
use crate::hospital::{Fault, Hospital, beside, beside_on, version};
use endplate_fhir::Json;
use endplate_followup::poll::PollReport;
use endplate_followup::ports::Transport;
use endplate_followup::record::{READABLE, WRITABLE};
use serde_json::json;

/// The records of one patient, as they are at the hospital.
fn records() -> Vec<Json> {
    let mut all = interosseous_graft().to_vec();
    all.extend(
        (1..=5).map(|n| {
            tinel(&format!("o{n}"), "p1", "r1", &format!("2026-0{}-10", n + 3), f64::from(n) * 20.0)
        }),
    );
    all
}

async fn hospital_with(records: Vec<Json>) -> Hospital {
    let hospital = Hospital::open().await;
    hospital.with(|ward| records.into_iter().for_each(|resource| ward.put(resource)));
    hospital
}

async fn poll(clinic: &Clinic, transport: &dyn Transport) -> PollReport {
    clinic.endplate.poll("main", transport).await.unwrap()
}

fn counts(report: &PollReport) -> (usize, usize, usize, usize) {
    (report.taken, report.known, report.ours, report.refused)
}

/// What is here of a resource of theirs.
async fn here(clinic: &Clinic, hospital: &Hospital, kind: &str, their_id: &str) -> Option<Json> {
    let source = format!("{}/{kind}/{their_id}", hospital.base);
    clinic.all(kind).await.into_iter().find(|resource| text(resource, "/meta/source") == source)
}

// R4 search.html#lastUpdated, http.html#paging.
#[tokio::test]
async fn what_is_there_is_here_with_its_plan_and_again_it_is_known() {
    let hospital = hospital_with(records()).await;
    let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &READABLE)]).await;
    let report = poll(&clinic, &outgoing).await;
    assert_eq!((counts(&report), report.problems.as_slice()), ((8, 0, 0, 0), &[][..]));
    let repair = here(&clinic, &hospital, "Procedure", "r1").await.unwrap();
    let patient = here(&clinic, &hospital, "Patient", "p1").await.unwrap();
    assert_eq!(text(&repair, "/subject/reference"), format!("Patient/{}", text(&patient, "/id")));
    assert_eq!(clinic.plan().await["subject"], repair["subject"]);
    assert_eq!(
        text(&clinic.assessment(text(&repair, "/id")).await, "/basis/1/reference").split('/').next(),
        Some("Observation")
    );
    let versions = clinic.versions().await;
    let again = poll(&clinic, &outgoing).await;
    assert_eq!((again.taken, again.refused, again.known), (0, 0, 8), "all within the overlap");
    assert_eq!(clinic.versions().await, versions);
}

#[tokio::test]
async fn only_what_changed_since_is_asked_for_and_a_change_arrives() {
    let hospital = hospital_with(records()).await;
    let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &READABLE)]).await;
    poll(&clinic, &outgoing).await;
    hospital.with(|ward| {
        ward.seen.clear();
        let moved = with(&ward.get("Observation", "o5"), "effectiveDateTime", json!("2026-08-11"));
        ward.put(moved);
    });
    let report = poll(&clinic, &outgoing).await;
    assert_eq!(report.taken, 1);
    let finding = here(&clinic, &hospital, "Observation", "o5").await.unwrap();
    assert_eq!((text(&finding, "/effectiveDateTime"), version(&finding)), ("2026-08-11", 2));
    let first = hospital.with(|ward| ward.seen[0].target.clone());
    // Five minutes before the last change of a Patient, which was at 00:01.
    assert!(first.contains("_lastUpdated=ge2026-02-28T23%3A56%3A00.000Z"), "{first}");
}

/// A clock at the hospital was wrong for a moment; what is dated years ahead must not hide what comes after it.
#[tokio::test]
async fn a_record_dated_years_ahead_hides_nothing_that_follows() {
    let hospital = hospital_with(records()).await;
    let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &READABLE)]).await;
    hospital.with(|ward| ward.date("Observation", "o1", "2036-01-01T00:00:00.000Z"));
    assert_eq!(poll(&clinic, &outgoing).await.taken, 8);
    hospital.with(|ward| {
        ward.put(with(&ward.get("Observation", "o5"), "effectiveDateTime", json!("2026-08-11")));
        ward.date("Observation", "o5", "2026-09-01T12:01:00.000Z");
    });
    assert_eq!(poll(&clinic, &outgoing).await.taken, 1);
}

/// Pages in any order, a Procedure that is part of a later one, an Observation whose Procedure was never on a page.
#[tokio::test]
async fn what_a_record_refers_to_is_read_first() {
    let mut all = records();
    let later = with(&with(&all[2], "id", json!("r2")), "status", json!("preparation"));
    all[2]["partOf"] = json!([{ "reference": "Procedure/r2" }]);
    all.push(later);
    let hospital = hospital_with(all).await;
    hospital.with(|ward| ward.backwards = true);
    let (clinic, outgoing) =
        beside("2026-09-01", &[hospital.record(&[], &["Observation", "Procedure", "Patient", "Condition"])])
            .await;
    let report = poll(&clinic, &outgoing).await;
    assert_eq!((report.refused, report.problems.len()), (0, 0));
    let (repair, whole) = (
        here(&clinic, &hospital, "Procedure", "r1").await.unwrap(),
        here(&clinic, &hospital, "Procedure", "r2").await.unwrap(),
    );
    assert_eq!(text(&repair, "/partOf/0/reference"), format!("Procedure/{}", text(&whole, "/id")));
    assert_eq!(clinic.all("Observation").await.len(), 5);
    assert_eq!(
        text(&clinic.all("Observation").await[0], "/focus/0/reference"),
        format!("Procedure/{}", text(&repair, "/id"))
    );
    assert_eq!(poll(&clinic, &outgoing).await.taken, 0);
}

/// A type that is not read is named by its address there, and stops nothing.
#[tokio::test]
async fn what_is_not_read_is_named_by_its_address_there() {
    let hospital = hospital_with(records()).await;
    let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &["Patient", "Procedure"])]).await;
    assert_eq!(counts(&poll(&clinic, &outgoing).await), (2, 0, 0, 0));
    let repair = here(&clinic, &hospital, "Procedure", "r1").await.unwrap();
    assert_eq!(text(&repair, "/reasonReference/0/reference"), format!("{}/Condition/c1", hospital.base));
}

#[tokio::test]
async fn a_bad_record_is_put_aside_with_the_reason_until_it_is_corrected() {
    let mut all = records();
    let bad = with(&all[3], "id", json!("bad"));
    all.insert(0, with(&bad, "status", json!("Finished")));
    all.insert(1, with(&with(&all[4], "id", json!("worse")), "note", json!([{ "text": "" }])));
    let hospital = hospital_with(all).await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    let (clinic, outgoing) = beside_on("2026-09-01", &file, &[hospital.record(&[], &READABLE)]).await;
    assert_eq!(counts(&poll(&clinic, &outgoing).await), (8, 0, 0, 2));
    let aside = listed(&file).await;
    let reasons: Vec<_> =
        aside.iter().map(|(id, reason)| (id.as_str(), reason.contains("Finished"))).collect();
    assert_eq!(reasons, [("bad", false), ("worse", false)], "no value of the record is repeated");
    assert!(
        aside[0].1.contains("Observation.status") && aside[1].1.contains("Observation.note[0].text"),
        "{aside:?}"
    );
    hospital.with(|ward| {
        for id in ["bad", "worse"] {
            let mut good = with(&ward.get("Observation", id), "status", json!("final"));
            good.as_object_mut().unwrap().remove("note");
            ward.put(good);
        }
    });
    assert_eq!(poll(&clinic, &outgoing).await.taken, 2);
    assert_eq!(listed(&file).await, []);
}

/// Id and reason of what was put aside, as the store of a file has them.
async fn listed(file: &std::path::Path) -> Vec<(String, String)> {
    use endplate_followup::ports::Counterparts;
    let store = endplate_store::SqliteStore::open(&format!("sqlite:{}", file.display())).await.unwrap();
    let mut all: Vec<_> =
        store.unread("main", 10).await.unwrap().into_iter().map(|one| (one.their_id, one.reason)).collect();
    all.sort();
    all
}

#[tokio::test]
async fn a_reading_that_breaks_off_begins_again_also_after_a_restart() {
    let hospital = hospital_with(records()).await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    let record = || [hospital.record(&[], &READABLE)];
    // Patients, Conditions, Procedures, the first page of Observations; then nothing for a while.
    hospital.faults([Fault::None, Fault::None, Fault::None, Fault::None, Fault::Wait(503, 120)]);
    {
        let (clinic, outgoing) = beside_on("2026-09-01", &file, &record()).await;
        let report = poll(&clinic, &outgoing).await;
        assert_eq!((report.taken, report.retry_after_s, report.problems.len()), (6, Some(120), 1));
        assert!(
            report.problems[0].starts_with("Observation: the record server answered 503"),
            "{:?}",
            report.problems
        );
    }
    hospital.faults([Fault::Hang]);
    let (clinic, outgoing) = beside_on("2026-09-02", &file, &record()).await;
    assert_eq!(poll(&clinic, &outgoing).await.problems, ["Patient: no answer in time"]);
    let report = poll(&clinic, &outgoing).await;
    assert_eq!((report.taken, report.problems.len()), (2, 0), "the rest, once");
    assert_eq!(clinic.all("Observation").await.len(), 5);
    assert!(
        clinic
            .versions()
            .await
            .iter()
            .all(|(name, version)| !name.starts_with("Observation") || version == "1")
    );
}

/// A type that the server does not offer is said, and the others are read.
#[tokio::test]
async fn a_type_that_is_refused_stops_no_other() {
    let hospital = hospital_with(records()).await;
    hospital.faults([Fault::None, Fault::Status(403)]);
    let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &READABLE)]).await;
    let report = poll(&clinic, &outgoing).await;
    assert_eq!(report.problems, ["Condition: the record server answered 403 As the test asks."]);
    assert_eq!(clinic.all("Observation").await.len(), 5);
}

// RFC 6454: another port is another origin.
#[tokio::test]
async fn a_page_elsewhere_is_not_asked_for() {
    let elsewhere = Hospital::open().await;
    let hospital = hospital_with(records()).await;
    for link in
        [format!("{}/Observation?from=3", elsewhere.base), "http://127.0.0.1:1/fhir/Observation".to_owned()]
    {
        hospital.with(|ward| ward.next_link = Some(link));
        let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &READABLE)]).await;
        let report = poll(&clinic, &outgoing).await;
        assert_eq!(
            report.problems,
            ["Observation: the record server gave a link that leads elsewhere; it is not followed"]
        );
    }
    assert_eq!(elsewhere.with(|ward| ward.seen.len()), 0);
}

#[tokio::test]
async fn pages_that_lead_in_a_circle_end() {
    let hospital = hospital_with(records()).await;
    let circle = format!("{}/Observation?_count=3", hospital.base);
    hospital.with(|ward| ward.next_link = Some(circle));
    let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &READABLE)]).await;
    assert_eq!(
        poll(&clinic, &outgoing).await.problems,
        ["Observation: the pages of the record server lead in a circle"]
    );
}

/// There and back: a review is written to the hospital, booked there, and what follows from the booking is written there too.
/// What is ours is never read as theirs.
#[tokio::test]
async fn a_review_is_booked_at_the_hospital() {
    let hospital = hospital_with(records()[..3].to_vec()).await;
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &READABLE)]).await;
    poll(&clinic, &outgoing).await;
    clinic.endplate.deliver(&outgoing).await.unwrap();
    let task = hospital.with(|ward| {
        let mut open = ward.all("Task");
        open.sort_by_key(|task| text(task, "/restriction/period/start").to_owned());
        let task = open.remove(0);
        let on = text(&task, "/restriction/period/start").to_owned();
        ward.put(appointment("a1", "p1", &task, "booked", &on));
        // As if somebody had copied one of ours under another name.
        let mut copy = ward.get("Condition", "c1");
        copy["id"] = json!("copy");
        copy["identifier"] = task["identifier"].clone();
        copy["meta"]["tag"] = task["meta"]["tag"].clone();
        ward.put(copy);
        task
    });
    assert_eq!(text(&task, "/for/reference"), "Patient/p1", "their patient under their id");
    assert_eq!(state(&task), ("requested", "to-book"));
    let report = poll(&clinic, &outgoing).await;
    assert_eq!((report.taken, report.ours, report.refused), (1, 1, 0));
    let report = clinic.endplate.deliver(&outgoing).await.unwrap();
    assert!(report.delivered > 0 && report.deferred + report.parked == 0);
    let task = hospital.with(|ward| ward.get("Task", text(&task, "/id")));
    assert_eq!(state(&task), ("accepted", "booked"));
    assert_eq!(text(&task, "/input/1/valueReference/reference"), "Appointment/a1");
    assert_eq!(poll(&clinic, &outgoing).await.taken, 0);
    assert_eq!(clinic.endplate.deliver(&outgoing).await.unwrap().delivered, 0, "and it ends there");
}

/// What was sent to us before is not doubled by reading it.
#[tokio::test]
async fn a_record_that_was_sent_is_the_same_when_it_is_read() {
    let named = |resource: &Json| {
        with(resource, "identifier", json!([{ "system": "https://hospital.example/mrn", "value": "1" }]))
    };
    let patient = named(&records()[0]);
    let hospital = hospital_with(vec![with(&patient, "id", json!("their-own"))]).await;
    let (clinic, outgoing) = beside("2026-09-01", &[hospital.record(&[], &READABLE)]).await;
    clinic.put(patient).await.unwrap();
    assert_eq!(poll(&clinic, &outgoing).await.taken, 1);
    let all = clinic.all("Patient").await;
    assert_eq!((all.len(), text(&all[0], "/id")), (1, "p1"));
}
