//! The calendar feeds over HTTP, read back by an independent library and held against RFC 5545
//! (`tests/reference/calendar_feed.py`, which names the sections).

use crate::clinic::{after, appointment, encounter, interosseous_graft, keys, state, text, with};
use crate::python;
use crate::served::{Reply, Served};
use endplate_fhir::Json;
use serde_json::json;
use std::path::Path;

const PATIENT: &str = "/calendar/patient/p1/reviews.ics";
const CLINIC: &str = "/calendar/clinic/reviews.ics?from=2026-03-01&to=2026-12-31";

async fn clinic() -> Served {
    let served = Served::open("2026-03-03").await;
    let [person, injury, graft] = interosseous_graft();
    let name = json!([{ "family": "Alder\u{e9}n", "given": ["Ash"] }]);
    for resource in [with(&person, "name", name), injury, graft] {
        served.put(&resource).await.done();
    }
    served
}

async fn task(served: &Served, key: &str) -> Json {
    let tasks = served.all("Task").await;
    tasks.iter().find(|task| keys(std::slice::from_ref(task)) == [key]).unwrap().clone()
}

/// The events of a feed as the library has them, with times as a clock in `zone` shows them.
fn read_in(zone: &str, name: &str, feed: &str) -> Vec<Json> {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("calendar");
    std::fs::create_dir_all(&folder).unwrap();
    let file = folder.join(format!("{name}.ics"));
    std::fs::write(&file, feed).unwrap();
    let output = python::script("calendar_feed.py", &[zone, file.to_str().unwrap()]);
    assert!(output.status.success(), "{name}: {}\n{feed}", String::from_utf8_lossy(&output.stderr));
    let read: Json = serde_json::from_slice(&output.stdout).unwrap();
    read[0].as_array().unwrap().clone()
}

async fn events(served: &Served, name: &str, path: &str) -> Vec<Json> {
    read_in("UTC", name, &served.get(path).await.done())
}

fn of<'a>(events: &'a [Json], task: &Json) -> &'a Json {
    events.iter().find(|event| event["uid"] == task["id"]).unwrap_or_else(|| panic!("{task} in {events:?}"))
}

/// Planned, booked with a time, attended, withdrawn: what a calendar shows, and how it follows.
#[tokio::test]
async fn a_review_is_one_event_from_its_plan_to_its_end() {
    let served = clinic().await;
    let wound = task(&served, "wound-posterior-interosseous").await;
    let planned = events(&served, "planned", PATIENT).await;
    assert_eq!(planned.len(), served.all("Task").await.len());
    let first = of(&planned, &wound).clone();
    assert_eq!(first["start"], wound["input"][0]["valueDate"], "the preferred day");
    assert_eq!((text(&first, "/status"), &first["end"]), ("TENTATIVE", &Json::Null));
    let period = &wound["restriction"]["period"];
    let due = format!("Due between {} and {}.", text(period, "/start"), text(period, "/end"));
    assert!(text(&first, "/description").starts_with(&due), "{first}");
    assert!(text(&first, "/description").contains("wound check"), "{first}");
    assert!(text(&first, "/description").contains("does not replace the judgement"), "{first}");
    assert!(text(&first, "/url").ends_with(&format!("/fhir/Task/{}", text(&wound, "/id"))));

    served.put(&appointment("a1", "p1", &wound, "booked", "2026-03-13")).await.done();
    let booked = of(&events(&served, "booked", PATIENT).await, &wound).clone();
    assert_eq!(text(&booked, "/start"), "2026-03-13T09:00:00+00:00");
    assert_eq!(text(&booked, "/end"), "2026-03-13T09:30:00+00:00");
    assert_eq!(text(&booked, "/status"), "CONFIRMED");

    // Another hour of the same day is no change of the Task, and yet of the event.
    let later = with(
        &appointment("a1", "p1", &wound, "booked", "2026-03-13"),
        "start",
        json!("2026-03-13T09:15:00Z"),
    );
    served.put(&later).await.done();
    let again = of(&events(&served, "again", PATIENT).await, &wound).clone();
    assert_eq!(text(&again, "/start"), "2026-03-13T09:15:00+00:00");
    // Another Appointment begins with its first version.
    served.put(&with(&later, "status", json!("cancelled"))).await.done();
    served.put(&appointment("a2", "p1", &wound, "booked", "2026-03-16")).await.done();
    let moved = of(&events(&served, "moved", PATIENT).await, &wound).clone();

    served.clock.turn_to("2026-03-16");
    served.put(&encounter("e1", "p1", &wound, "finished", "2026-03-16")).await.done();
    let attended = of(&events(&served, "attended", PATIENT).await, &wound).clone();
    assert_eq!((text(&attended, "/status"), text(&attended, "/start")), ("CONFIRMED", "2026-03-16"));
    let sequences: Vec<i64> = [&first, &booked, &again, &moved, &attended]
        .map(|event| event["sequence"].as_i64().unwrap())
        .to_vec();
    assert!(sequences.is_sorted_by(|a, b| a < b), "RFC 5545 section 3.8.7.4: {sequences:?}");

    // The operation was none: every open review is withdrawn, and a calendar is told so.
    served.put(&with(&interosseous_graft()[2], "status", json!("entered-in-error"))).await.done();
    let withdrawn = events(&served, "withdrawn", PATIENT).await;
    assert_eq!(withdrawn.len(), planned.len());
    let open = withdrawn.iter().filter(|event| event["uid"] != wound["id"]);
    assert!(
        open.clone().count() > 3 && open.clone().all(|event| event["status"] == "CANCELLED"),
        "{withdrawn:?}"
    );
}

/// An appointment at nine in the morning is at nine on the clock of its place, before and after the clocks change (IANA tzdb:
/// Europe/Berlin springs forward on 29 March 2026; Pacific/Auckland falls back on 5 April 2026).
#[tokio::test]
async fn a_time_is_right_on_both_sides_of_a_change_of_clocks() {
    let served = clinic().await;
    let wound = task(&served, "wound-posterior-interosseous").await;
    let cases = [
        ("Europe/Berlin", "2026-03-28T09:00:00+01:00", "2026-03-28T09:30:00+01:00"),
        ("Europe/Berlin", "2026-03-30T09:00:00+02:00", "2026-03-30T09:30:00+02:00"),
        ("Pacific/Auckland", "2026-04-04T09:00:00+13:00", "2026-04-04T09:30:00+13:00"),
        ("Pacific/Auckland", "2026-04-06T09:00:00+12:00", "2026-04-06T09:30:00+12:00"),
    ];
    for (n, (zone, start, end)) in cases.into_iter().enumerate() {
        let booking = appointment("a1", "p1", &wound, "booked", "2026-03-13");
        served.put(&with(&with(&booking, "start", json!(start)), "end", json!(end))).await.done();
        let read = read_in(zone, &format!("clock-{n}"), &served.get(PATIENT).await.done());
        let event = of(&read, &wound);
        assert_eq!((text(event, "/start"), text(event, "/end")), (start, end), "{zone}");
    }
}

/// The clinic's feed lies open on many screens: no name, nothing of what a review is for (checklist D53: no PHI in SUMMARY).
#[tokio::test]
async fn the_clinics_feed_says_when_and_not_who_or_why() {
    let served = clinic().await;
    let all = events(&served, "clinic", CLINIC).await;
    let tasks = served.all("Task?preferred=ge2026-03-01&preferred=le2026-12-31").await;
    assert!(tasks.len() > 3 && all.len() == tasks.len(), "{} events of {} tasks", all.len(), tasks.len());
    let feed = served.get(CLINIC).await.done().replace("\r\n ", "").to_lowercase();
    for word in ["alder", "ash", "patient/p1", "wound", "nerve", "interosseous", "milestone", "baseline"] {
        assert!(!feed.replace("nerve repair review", "").contains(word), "{word}: {feed}");
    }
    assert!(all.iter().all(|event| text(event, "/summary") == "Clinic review (to book)"), "{all:?}");
    // Both ends belong to the range.
    let day = text(&tasks[0], "/input/0/valueDate");
    let one = format!("/calendar/clinic/reviews.ics?from={day}&to={day}");
    assert!(events(&served, "day", &one).await.iter().any(|event| event["uid"] == tasks[0]["id"]));
    let before = format!("/calendar/clinic/reviews.ics?from={}&to={}", after(day, -9), after(day, -1));
    assert!(events(&served, "before", &before).await.iter().all(|event| event["uid"] != tasks[0]["id"]));
    // A review that was held elsewhere than planned stands where it was held.
    served.clock.turn_to("2026-03-20");
    let wound = task(&served, "wound-posterior-interosseous").await;
    served.put(&encounter("e1", "p1", &wound, "finished", "2026-03-20")).await.done();
    let held = "/calendar/clinic/reviews.ics?from=2026-03-20&to=2026-03-20";
    assert_eq!(text(of(&events(&served, "held", held).await, &wound), "/start"), "2026-03-20");
    // Without a range: from thirty days ago, on any day. Nothing in it is still a calendar.
    served.clock.turn_to("2035-01-01");
    assert!(events(&served, "none", "/calendar/clinic/reviews.ics").await.is_empty());
}

/// RFC 9110 sections 9.3.2, 13.1.2 and 15.4.5; the type of RFC 5545 section 8.1.
#[tokio::test]
async fn a_feed_is_fetched_again_only_when_something_changed() {
    let served = clinic().await;
    for path in [PATIENT, CLINIC] {
        let full = served.get(path).await;
        assert_eq!((full.status, full.header("content-type")), (200, "text/calendar; charset=utf-8"));
        let tag = full.header("etag").to_owned();
        let again = served.send(served.request("GET", path).header("if-none-match", &tag)).await;
        assert_eq!((again.status, again.text.as_str(), again.header("etag")), (304, "", tag.as_str()));
        let head = served.send(served.request("HEAD", path)).await;
        assert_eq!((head.status, head.text.as_str(), head.header("etag")), (200, "", tag.as_str()));
        served.clock.turn_to("2026-03-04");
        assert_eq!(served.get(path).await.text, full.text, "the clock alone changes nothing");
        served.clock.turn_to("2026-03-03");
    }
    let tag = served.get(PATIENT).await.header("etag").to_owned();
    let wound = task(&served, "wound-posterior-interosseous").await;
    served.put(&appointment("a1", "p1", &wound, "booked", "2026-03-13")).await.done();
    assert_eq!(state(&task(&served, "wound-posterior-interosseous").await).1, "booked");
    let changed = served.send(served.request("GET", PATIENT).header("if-none-match", &tag)).await;
    assert_eq!(changed.status, 200);
}

/// A refusal is a problem document (RFC 9457 section 3.1) that says what to change.
#[tokio::test]
async fn what_cannot_be_asked_is_refused_with_what_to_change() {
    let served = clinic().await;
    let clinic = |query: &str| format!("/calendar/clinic/reviews.ics?{query}");
    let cases = [
        (clinic("from=tomorrow"), 400, "The parameter from is no date"),
        (clinic("from=2026-02-30"), 400, "The parameter from is no date"),
        (clinic("from=-262143-01-01"), 400, "The parameter from is no date"),
        (clinic("to=9999-12-31"), 400, "The parameter to is no date"),
        (clinic("from=2026-03-01T00:00:00Z"), 400, "The parameter from is no date"),
        (clinic("from="), 400, "The parameter from is no date"),
        (clinic("from=2026-03-02&to=2026-03-01"), 400, "The range ends before it begins"),
        (clinic("from=2026-03-01&to=2027-03-02"), 400, "The range is too long"),
        (clinic("from=2026-03-01&from=2026-03-02"), 400, "Send each parameter once"),
        (clinic("start=2026-03-01"), 400, "this calendar takes from and to"),
        (format!("{PATIENT}?from=2026-03-01"), 400, "this calendar takes none"),
        ("/calendar/patient/p9/reviews.ics".to_owned(), 404, ""),
        ("/calendar/patient/a%20b/reviews.ics".to_owned(), 400, "An id is"),
        ("/calendar/patient/%FF/reviews.ics".to_owned(), 404, "There is nothing at this address"),
        ("/calendar/clinic".to_owned(), 404, "There is nothing at this address"),
    ];
    for (path, status, wanted) in cases {
        let reply: Reply = served.get(&path).await;
        assert_eq!(
            (reply.status, reply.header("content-type")),
            (status, "application/problem+json"),
            "{path}: {}",
            reply.text
        );
        assert!(text(&reply.json(), "/detail").contains(wanted), "{path}: {}", reply.text);
    }
    let posted = served.send(served.request("POST", PATIENT)).await;
    assert_eq!((posted.status, posted.header("allow")), (405, "GET,HEAD"));
    // The longest range and no further.
    assert_eq!(served.get(&clinic("from=2026-03-01&to=2027-03-01")).await.status, 200);
}
