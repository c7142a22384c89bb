//! What was derived, at the hospital's record server: once, in order, under their names, whatever goes wrong on the way.

use crate::clinic::{Clinic, gap, interosseous_graft, target, text, with};
use crate::hospital::{Fault, Hospital, Seen, Ward, beside, beside_on, version};
use endplate_fhir::{Json, TYPES, reference};
use endplate_followup::DeliveryReport;
use endplate_followup::ports::{Counterparts, Replay, Transport};
use endplate_followup::record::WRITABLE;
use endplate_followup::trace::Trace;
use endplate_store::SqliteStore;
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;

const MRN: &str = "https://hospital.example/mrn";

fn identified(resource: &Json, value: &str) -> Json {
    with(resource, "identifier", json!([{ "system": MRN, "value": value }]))
}

/// The records of one patient: here as they were sent, there under other ids.
fn records() -> Vec<Json> {
    interosseous_graft().iter().zip(["p", "c", "r"]).map(|(one, value)| identified(one, value)).collect()
}

fn known_there(ward: &mut Ward) {
    for (resource, id) in records().iter().zip(["70", "71", "72"]) {
        let mut there = with(resource, "id", json!(id));
        for member in ["subject", "reasonReference"] {
            there.as_object_mut().unwrap().remove(member);
        }
        ward.put(there);
    }
}

async fn sent(clinic: &Clinic) {
    for resource in records() {
        clinic.put(resource).await.unwrap();
    }
}

async fn deliver(clinic: &Clinic, transport: &dyn Transport) -> DeliveryReport {
    clinic.endplate.deliver(transport).await.unwrap()
}

/// Delivers until nothing waits, with the waits that the outbox asks for.
async fn deliver_all(clinic: &Clinic, transport: &dyn Transport) {
    while let Some(at) = clinic.endplate.next_delivery_at().await.unwrap() {
        clinic.clock.turn_on_s(at.duration_since(clinic.clock.instant()).as_secs().max(0) + 1);
        deliver(clinic, transport).await;
    }
}

/// The repair with a gap of another length: its reviews move.
fn corrected() -> Json {
    let targets = [gap(45.0), target("extensor-digitorum", 80.0), target("extensor-indicis", 160.0)];
    with(&records()[2], "extension", json!(targets))
}

/// Of each derived resource there, by identifier, its version; no two have the same identifier.
fn there(ward: &Ward) -> BTreeMap<String, u64> {
    let mut all = BTreeMap::new();
    for kind in WRITABLE {
        for resource in ward.all(kind) {
            let name = format!("{kind} {}", text(&resource, "/identifier/0/value"));
            assert_eq!(all.insert(name, version(&resource)), None, "twice there");
        }
    }
    all
}

async fn here(clinic: &Clinic) -> BTreeMap<String, u64> {
    let mut all = BTreeMap::new();
    for kind in WRITABLE {
        for resource in clinic.all(kind).await {
            all.insert(format!("{kind} {}", text(&resource, "/identifier/0/value")), version(&resource));
        }
    }
    all
}

// R4 http.html#cond-update; references.html: a relative reference is to a resource of the same server.
#[tokio::test]
async fn i16_everything_derived_is_there_once_after_what_it_refers_to_and_under_their_names() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    clinic.sweep_on("2026-04-20").await;
    let report = deliver(&clinic, &outgoing).await;
    assert_eq!((report.deferred, report.parked), (0, 0));
    assert_eq!(hospital.with(|ward| there(ward)), here(&clinic).await);
    assert!(hospital.with(|ward| there(ward)).keys().any(|name| name.starts_with("Communication ")));
    let writes = hospital.with(|ward| ward.writes());
    assert!(
        writes.iter().all(|(target, _)| target.contains("?identifier=https%3A%2F%2Fendplate.example")),
        "{writes:?}"
    );
    hospital.with(|ward| {
        for kind in WRITABLE {
            for resource in ward.all(kind) {
                reference::each(&resource, &mut |path, to| {
                    let target = reference::parse(to, "").unwrap_or_else(|| panic!("{path}: {to}"));
                    assert!(TYPES.contains(&target.kind.as_str()));
                    // Found there: it was written before, or is theirs.
                    assert!(ward.resources.contains_key(&(target.kind, target.id)), "{path}: {to}");
                });
            }
        }
        assert_eq!(text(&ward.all("Task")[0], "/for/reference"), "Patient/70");
        assert_eq!(text(&ward.all("Task")[0], "/reasonReference/reference"), "Procedure/72");
    });
    let asked = hospital.with(|ward| ward.seen.len());
    assert_eq!(deliver(&clinic, &outgoing).await, DeliveryReport::default());
    assert_eq!(hospital.with(|ward| ward.seen.len()), asked, "nothing is asked when nothing is new");
}

/// What a write causes at a record server is part of its trace (W3C Trace Context); what the clock alone causes has traces of its own.
#[tokio::test]
async fn i10_the_trace_of_a_write_goes_with_what_is_written_there() {
    const ID: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    let parent = format!("00-{ID}-00f067aa0ba902b7-01");
    let traced = clinic.endplate.within(Arc::new(Trace { parent, state: None }));
    for resource in records() {
        let (kind, id) = (text(&resource, "/resourceType").to_owned(), text(&resource, "/id").to_owned());
        traced.update(&kind, &id, resource, None).await.unwrap();
    }
    deliver(&clinic, &outgoing).await;
    let ids =
        |seen: &Seen| seen.trace.as_deref().and_then(|trace| trace.split('-').nth(1)).unwrap().to_owned();
    let first = hospital.with(|ward| ward.seen.iter().map(ids).collect::<Vec<_>>());
    assert!(first.len() > 5 && first.iter().all(|id| id == ID), "{first:?}");
    clinic.sweep_on("2026-04-20").await;
    deliver(&clinic, &outgoing).await;
    let later = hospital.with(|ward| ward.seen.iter().skip(first.len()).map(ids).collect::<Vec<_>>());
    assert!(!later.is_empty() && later.iter().all(|id| id.len() == 32 && id != ID), "{later:?}");
}

/// Each was written when all that it refers to was there: the server gives ids in the order in which resources came.
#[tokio::test]
async fn a_resource_comes_after_those_it_refers_to() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    deliver(&clinic, &outgoing).await;
    let number = |id: &str| id.strip_prefix('h').and_then(|number| number.parse::<usize>().ok()).unwrap_or(0);
    let mut seen = 0;
    hospital.with(|ward| {
        for resource in WRITABLE.iter().flat_map(|kind| ward.all(kind)) {
            let own = number(text(&resource, "/id"));
            reference::each(&resource, &mut |path, to| {
                let there = reference::parse(to, "").unwrap_or_else(|| panic!("{path}: {to} was not there"));
                assert!(number(&there.id) < own, "{path}: {to} came after {own}");
                seen += 1;
            });
        }
    });
    assert!(seen > 50, "{seen}");
}

// R4 http.html#concurrency: the version that was answered last is the one that must be current.
#[tokio::test]
async fn i16_a_change_is_written_over_the_version_last_answered() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    deliver(&clinic, &outgoing).await;
    hospital.with(|ward| ward.seen.clear());
    clinic.put(corrected()).await.unwrap();
    let report = deliver(&clinic, &outgoing).await;
    assert!(report.delivered > 0 && report.deferred == 0);
    hospital.with(|ward| {
        let updates = ward.seen.iter().filter(|seen| seen.method == "PUT" && seen.status == 200);
        let tags: Vec<_> = updates.map(|seen| seen.if_match.clone().unwrap()).collect();
        assert!(!tags.is_empty() && tags.iter().all(|tag| tag == "W/\"1\""), "{tags:?}");
    });
    assert_eq!(hospital.with(|ward| there(ward)), here(&clinic).await);
}

/// Whatever the server does in between, in the end all is there, once; what was answered before it was lost is not written twice
/// under another id.
#[tokio::test]
async fn a_server_that_fails_in_every_way_has_everything_in_the_end() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    hospital.faults([
        Fault::Status(500),
        Fault::Status(503),
        Fault::Lost,
        Fault::Hang,
        Fault::None,
        Fault::Wait(429, 7),
        Fault::Lost,
        Fault::Status(502),
        Fault::Status(401),
        Fault::Status(408),
        Fault::None,
        Fault::Status(409),
    ]);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    deliver_all(&clinic, &outgoing).await;
    let (there, here) = (hospital.with(|ward| there(ward)), here(&clinic).await);
    assert_eq!(there.keys().collect::<Vec<_>>(), here.keys().collect::<Vec<_>>());
}

/// RFC 9110, section 10.2.3; RFC 6585, section 4.
#[tokio::test]
async fn i16_a_server_may_ask_for_more_time() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    hospital.faults([Fault::Wait(429, 5000)]);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    assert_eq!(deliver(&clinic, &outgoing).await.deferred, 1);
    clinic.clock.turn_on_s(4_999);
    assert_eq!(deliver(&clinic, &outgoing).await, DeliveryReport::default());
    clinic.clock.turn_on_s(1);
    assert!(deliver(&clinic, &outgoing).await.delivered > 0);
}

#[tokio::test]
async fn a_restart_in_the_middle_goes_on_where_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    // The fourth write is done there, and the process ends before it learns so.
    hospital.faults([Fault::None, Fault::None, Fault::None, Fault::None, Fault::Lost, Fault::Status(503)]);
    {
        let (clinic, outgoing) = beside_on("2026-03-03", &file, &[hospital.record(&WRITABLE, &[])]).await;
        sent(&clinic).await;
        assert_eq!(deliver(&clinic, &outgoing).await.deferred, 1);
    }
    let before = hospital.with(|ward| there(ward));
    let (clinic, outgoing) = beside_on("2026-03-04", &file, &[hospital.record(&WRITABLE, &[])]).await;
    deliver_all(&clinic, &outgoing).await;
    let (there, here) = (hospital.with(|ward| there(ward)), here(&clinic).await);
    assert_eq!(there.keys().collect::<Vec<_>>(), here.keys().collect::<Vec<_>>());
    // What was answered is not written again; what was lost was.
    let again: Vec<_> = before.keys().filter(|name| there[*name] > here[*name]).collect();
    assert!(!before.is_empty() && again.len() <= 1, "{again:?}");
}

/// Somebody at the hospital writes on a resource of ours. What they wrote stays; what we change is changed, then and later.
#[tokio::test]
async fn i16_what_others_wrote_there_is_read_before_it_is_written_again() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    deliver(&clinic, &outgoing).await;
    let said = "Told the patient what to expect.";
    hospital.with(|ward| {
        let assessment = ward.all("RiskAssessment").remove(0);
        ward.put(with(&assessment, "mitigation", json!(said)));
        ward.seen.clear();
    });
    let mut before = clinic.assessment("r1").await;
    for length in [45.0, 60.0] {
        let targets = [gap(length), target("extensor-digitorum", 80.0), target("extensor-indicis", 160.0)];
        clinic.put(with(&records()[2], "extension", json!(targets))).await.unwrap();
        let report = deliver(&clinic, &outgoing).await;
        assert_eq!((report.deferred, report.parked), (0, 0));
        let ours = clinic.assessment("r1").await;
        assert_ne!(ours["prediction"], before["prediction"], "a longer graft takes longer");
        let theirs = hospital.with(|ward| ward.all("RiskAssessment").remove(0));
        assert_eq!(theirs["prediction"], ours["prediction"]);
        assert_eq!(text(&theirs, "/mitigation"), said);
        before = ours;
    }
    // Only the first write did not know of it; the second one looked before.
    let refused = hospital.with(|ward| ward.writes().iter().filter(|(_, status)| *status == 412).count());
    assert_eq!(refused, 1);
}

#[tokio::test]
async fn what_was_deleted_there_is_there_again_when_it_changes() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    deliver(&clinic, &outgoing).await;
    hospital.with(|ward| ward.resources.retain(|(kind, _), _| kind != "RiskAssessment"));
    clinic.put(corrected()).await.unwrap();
    deliver(&clinic, &outgoing).await;
    assert_eq!(hospital.with(|ward| ward.all("RiskAssessment").len()), 1);
}

/// A refusal is about one resource: the others go on. It is kept with the server's own words, and sent again when asked for.
#[tokio::test]
async fn i16_what_is_refused_for_good_is_put_aside_and_stops_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    hospital.with(|ward| ward.refuses.push("Goal".to_owned()));
    let (clinic, outgoing) = beside_on("2026-03-03", &file, &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    let report = deliver(&clinic, &outgoing).await;
    let goals = clinic.all("Goal").await.len();
    assert_eq!((report.parked, report.deferred), (goals, 0));
    assert_eq!(hospital.with(|ward| ward.all("Task").len()), clinic.all("Task").await.len());
    // What is not there is named by its address here.
    let plan = hospital.with(|ward| ward.all("CarePlan").pop().unwrap());
    assert!(text(&plan, "/goal/0/reference").starts_with("http://127.0.0.1:8080/fhir/Goal/"), "{plan}");

    let letters = SqliteStore::open(&format!("sqlite:{}", file.display())).await.unwrap();
    let letters = letters.dead_letters("record/main", 50).await.unwrap();
    assert_eq!(letters.len(), goals);
    let said = "the record server answered 422: This type is read by nobody here.";
    assert!(letters.iter().all(|letter| letter.kind == "Goal" && letter.reason == said), "{letters:?}");

    hospital.with(|ward| ward.refuses.clear());
    let which = Replay { receiver: Some("record/main".to_owned()), since: None, dead: true };
    assert_eq!(clinic.endplate.replay(&which).await.unwrap(), goals as u64);
    deliver(&clinic, &outgoing).await;
    assert_eq!(hospital.with(|ward| ward.all("Goal").len()), goals);
}

#[tokio::test]
async fn nothing_is_written_about_a_patient_whom_the_server_does_not_know() {
    let hospital = Hospital::open().await;
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&WRITABLE, &[])]).await;
    sent(&clinic).await;
    deliver(&clinic, &outgoing).await;
    assert_eq!(
        hospital.with(|ward| ward.resources.keys().map(|(kind, _)| kind.clone()).collect::<Vec<_>>()),
        ["Device"]
    );
}

/// A server that is added to a running clinic is told of what was derived before, when it is asked for; again changes nothing.
#[tokio::test]
async fn what_was_derived_before_can_be_sent() {
    let hospital = Hospital::open().await;
    hospital.with(known_there);
    let (clinic, outgoing) = beside("2026-03-03", &[hospital.record(&[], &[])]).await;
    sent(&clinic).await;
    assert_eq!(deliver(&clinic, &outgoing).await, DeliveryReport::default());
    let records = [hospital.record(&WRITABLE, &[])];
    let endplate = clinic.endplate.beside(records.iter().map(|one| one.record.clone()).collect());
    let clinic = Clinic { endplate, clock: clinic.clock };
    let count = clinic.endplate.forward_all("main").await.unwrap();
    assert_eq!(deliver(&clinic, &outgoing).await.delivered, count);
    assert_eq!(hospital.with(|ward| there(ward)), here(&clinic).await);
    assert_eq!(clinic.endplate.forward_all("main").await.unwrap(), 0);
    assert!(clinic.endplate.forward_all("other").await.is_err());
}
