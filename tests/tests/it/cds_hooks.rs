//! CDS Hooks 2.0 over HTTP, against the specification and its published examples (`fixtures/cds-hooks`).

use crate::clinic::{after, interosseous_graft, motor, text, with};
use crate::served::{Reply, Served};
use endplate_fhir::Json;
use serde_json::json;
use std::collections::BTreeSet;

const STATE: &str = "/cds-services/repair-state";
const BOOKING: &str = "/cds-services/review-booking";
const INSTANCE: &str = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea";

fn example(name: &str) -> Json {
    let path = format!("{}/../fixtures/cds-hooks/{name}.json", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// A clinic with a graft on the posterior interosseous nerve, of which the patient has identifiers.
async fn clinic(date: &str) -> Served {
    let served = Served::open(date).await;
    let [person, injury, graft] = interosseous_graft();
    let named = with(&person, "identifier", json!([{ "system": "urn:oid:1.2.3", "value": "a,1" }]));
    for resource in [named, injury, graft] {
        served.put(&resource).await.done();
    }
    served
}

fn view() -> Json {
    json!({
        "hook": "patient-view", "hookInstance": INSTANCE,
        "context": { "userId": "Practitioner/example", "patientId": "p1", "encounterId": "89284" },
    })
}

fn book(appointments: &[Json]) -> Json {
    let entries: Vec<Json> = appointments.iter().map(|one| json!({ "resource": one })).collect();
    json!({
        "hook": "appointment-book", "hookInstance": INSTANCE,
        "context": {
            "userId": "Practitioner/example", "patientId": "p1",
            "appointments": { "resourceType": "Bundle", "type": "collection", "entry": entries },
        },
    })
}

async fn call(served: &Served, path: &str, body: &Json) -> Reply {
    let request = served.request("POST", path).header("content-type", "application/json");
    served.send(request.body(body.to_string())).await
}

async fn cards(served: &Served, path: &str, body: &Json) -> Vec<Json> {
    let reply = call(served, path, body).await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "application/json"), "{}", reply.text);
    let cards = reply.json()["cards"].as_array().unwrap().clone();
    cards.iter().for_each(check);
    cards
}

/// A refusal: a problem document (RFC 9457 section 3.1) that shows nothing of what was sent.
fn refused(reply: &Reply, status: u16) -> String {
    assert_eq!(
        (reply.status, reply.header("content-type")),
        (status, "application/problem+json"),
        "{}",
        reply.text
    );
    let problem = reply.json();
    assert_eq!((text(&problem, "/type"), &problem["status"]), ("about:blank", &json!(status)));
    assert!(!text(&problem, "/title").is_empty() && text(&problem, "/instance").starts_with("/cds-services"));
    text(&problem, "/detail").to_owned()
}

fn names(value: &Json) -> BTreeSet<&str> {
    value.as_object().unwrap().keys().map(String::as_str).collect()
}

/// CDS Hooks 2.0, card attributes: what a card, its source, its links and its suggestions may and must hold.
fn check(card: &Json) {
    let allowed = BTreeSet::from([
        "uuid",
        "summary",
        "detail",
        "indicator",
        "source",
        "suggestions",
        "selectionBehavior",
        "overrideReasons",
        "links",
    ]);
    assert!(names(card).is_subset(&allowed), "{card}");
    let summary = text(card, "/summary");
    assert!(!summary.is_empty() && summary.chars().count() < 140, "{summary}");
    assert!(["info", "warning", "critical"].contains(&text(card, "/indicator")));
    assert!(!text(card, "/source/label").is_empty());
    assert!(!text(card, "/uuid").is_empty());
    let detail = text(card, "/detail");
    assert!(!detail.contains('<') && detail.contains("does not replace the judgement"), "{detail}");
    assert_eq!(card.get("suggestions").is_some(), card.get("selectionBehavior").is_some());
    for link in card["links"].as_array().into_iter().flatten() {
        assert_eq!(names(link), BTreeSet::from(["label", "url", "type"]));
        assert!(
            ["absolute", "smart"].contains(&text(link, "/type")) && text(link, "/url").starts_with("http")
        );
    }
    nothing_empty(card);
}

/// CDS Hooks 2.0: no member is null or empty.
fn nothing_empty(value: &Json) {
    match value {
        Json::Null => panic!("null"),
        Json::String(text) => assert!(!text.is_empty()),
        Json::Array(all) => {
            assert!(!all.is_empty());
            all.iter().for_each(nothing_empty);
        }
        Json::Object(all) => {
            assert!(!all.is_empty());
            all.values().for_each(nothing_empty);
        }
        _ => {}
    }
}

/// Every member that a published example also has is of the type that it has there.
fn like(ours: &Json, theirs: &Json, at: &str) {
    assert_eq!(std::mem::discriminant(ours), std::mem::discriminant(theirs), "{at}");
    match (ours, theirs) {
        (Json::Object(ours), Json::Object(theirs)) => {
            for (name, value) in ours {
                if let Some(other) = theirs.get(name) {
                    like(value, other, &format!("{at}.{name}"));
                }
            }
        }
        (Json::Array(ours), Json::Array(theirs)) => {
            for (value, other) in ours.iter().zip(theirs) {
                like(value, other, at);
            }
        }
        _ => {}
    }
}

async fn task(served: &Served) -> Json {
    let tasks = served.all("Task?patient=p1&_sort=due").await;
    tasks.into_iter().find(|task| text(task, "/status") == "requested").unwrap()
}

fn proposed(task: &Json, on: &str) -> Json {
    json!({
        "resourceType": "Appointment", "id": "draft-1", "status": "proposed", "basedOn": [task["focus"]],
        "start": format!("{on}T09:00:00+02:00"), "end": format!("{on}T09:30:00+02:00"),
        "participant": [{ "actor": { "reference": "Patient/p1" }, "status": "needs-action" }],
    })
}

// CDS Hooks 2.0, discovery.
#[tokio::test]
async fn g01_discovery_lists_the_services() {
    let served = Served::open("2026-03-03").await;
    let reply = served.get("/cds-services").await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "application/json"));
    let services = reply.json()["services"].as_array().unwrap().clone();
    assert_eq!(services.len(), 2);
    for service in &services {
        let required = BTreeSet::from(["hook", "description", "id"]);
        assert!(names(service).is_superset(&required));
        assert!(names(service).is_subset(&BTreeSet::from([
            "hook",
            "title",
            "description",
            "id",
            "prefetch",
            "usageRequirements"
        ])));
    }
    like(&reply.json(), &example("discovery"), "discovery");
    let wrong = served.send(served.request("POST", "/cds-services")).await;
    refused(&wrong, 405);
    assert_eq!(wrong.header("allow"), "GET,HEAD");
    refused(&served.get("/cds-services/repair-state/else").await, 404);
}

// CDS Hooks, hook patient-view: userId and patientId are required, encounterId is not.
#[tokio::test]
async fn g02_the_context_of_patient_view_is_checked() {
    let served = clinic("2026-03-03").await;
    let mut more = view();
    more["context"].as_object_mut().unwrap().shift_remove("encounterId");
    more["context"]["else"] = json!("passed over");
    more["extension"] = example("call-with-extension")["extension"].clone();
    assert_eq!(cards(&served, STATE, &more).await.len(), 1);
    for (member, value) in [
        ("userId", None),
        ("userId", Some(json!("secret-user"))),
        ("userId", Some(json!(7))),
        ("patientId", None),
        ("patientId", Some(json!("Patient/secret"))),
    ] {
        let mut less = view();
        let context = less["context"].as_object_mut().unwrap();
        match value {
            Some(value) => drop(context.insert(member.to_owned(), value)),
            None => drop(context.shift_remove(member)),
        }
        let detail = refused(&call(&served, STATE, &less).await, 400);
        assert!(
            detail.starts_with(&format!("context.{member}: Send")) && !detail.contains("secret"),
            "{detail}"
        );
    }
}

// CDS Hooks 2.0, HTTP request.
#[tokio::test]
async fn g03_a_call_has_its_required_members() {
    let served = clinic("2026-03-03").await;
    let mut published = example("call");
    published["context"]["patientId"] = json!("p1");
    published["prefetch"] = json!({});
    assert_eq!(cards(&served, STATE, &published).await.len(), 1);
    let changes: [(&str, Json); 6] = [
        ("hook", json!("order-sign")),
        ("hookInstance", json!("1")),
        ("hookInstance", Json::Null),
        ("context", Json::Null),
        ("fhirServer", Json::Null),
        ("prefetch", json!("all")),
    ];
    for (member, value) in changes {
        let detail = refused(&call(&served, STATE, &with(&published, member, value)).await, 400);
        assert!(detail.starts_with(member), "{member}: {detail}");
    }
    refused(&call(&served, "/cds-services/greeter", &view()).await, 404);
    refused(&call(&served, BOOKING, &view()).await, 400);
    for body in ["", "[]", "{", "7"] {
        let request = served.request("POST", STATE).header("content-type", "application/json").body(body);
        refused(&served.send(request).await, 400);
    }
    let form = served.request("POST", STATE).header("content-type", "text/plain").body("{}");
    refused(&served.send(form).await, 415);
    refused(&served.get(STATE).await, 405);
}

// CDS Hooks 2.0, prefetch templates: a read by an id of the context is within the recommended subset.
#[tokio::test]
async fn g04_prefetch_templates_name_first_level_fields_of_the_context() {
    let served = Served::open("2026-03-03").await;
    for service in served.get("/cds-services").await.json()["services"].as_array().unwrap() {
        for template in service["prefetch"].as_object().unwrap().values() {
            assert_eq!(template, "Patient/{{context.patientId}}");
        }
    }
}

// CDS Hooks 2.0, prefetch: absent, null, empty, OperationOutcome.
#[tokio::test]
async fn g05_each_way_not_to_prefetch_means_something_else() {
    let served = clinic("2026-03-03").await;
    let identifier = |value: &str| json!([{ "system": "urn:oid:1.2.3", "value": value }]);
    let person =
        |value: &str| json!({ "resourceType": "Patient", "id": "x9", "identifier": identifier(value) });
    let outcome = json!({ "resourceType": "OperationOutcome", "issue": [{ "severity": "error", "code": "forbidden" }] });
    let sent = |id: &str, patient: Option<Json>| {
        let mut body = view();
        body["context"]["patientId"] = json!(id);
        if let Some(patient) = patient {
            body["prefetch"] = json!({ "patient": patient });
        }
        body
    };
    // Known here by its id: nothing is needed. By another id: the identifier leads to it.
    let found = [
        sent("p1", None),
        sent("p1", Some(Json::Null)),
        sent("p1", Some(outcome.clone())),
        sent("p1", Some(person("a,1"))),
        sent("x9", Some(person("a,1"))),
    ];
    for body in found {
        assert_eq!(cards(&served, STATE, &body).await.len(), 1, "{body}");
    }
    // No such data, an empty answer, somebody else: nothing to say.
    let empty = json!({ "resourceType": "Bundle", "type": "searchset", "total": 0 });
    let nobody = [
        sent("x9", Some(Json::Null)),
        sent("x9", Some(empty)),
        sent("x9", Some(person("a"))),
        sent("p1", Some(person("another"))),
    ];
    for body in nobody {
        assert!(cards(&served, STATE, &body).await.is_empty(), "{body}");
    }
}

// CDS Hooks 2.0, HTTP response: 412 if data could not be had.
#[tokio::test]
async fn g06_what_can_not_be_had_is_412() {
    let served = clinic("2026-03-03").await;
    let mut body = view();
    body["context"]["patientId"] = json!("x9");
    refused(&call(&served, STATE, &body).await, 412);
    body["prefetch"] = json!({ "patient": { "resourceType": "OperationOutcome", "issue": [{ "severity": "error", "code": "forbidden" }] } });
    let detail = refused(&call(&served, STATE, &body).await, 412);
    assert!(detail.contains("prefetch"), "{detail}");
}

// CDS Hooks 2.0, card array: no cards is an empty array.
#[tokio::test]
async fn g07_nothing_to_say_is_an_empty_array() {
    let served = clinic("2026-03-03").await;
    served.put(&json!({ "resourceType": "Patient", "id": "p2" })).await.done();
    let mut body = view();
    body["context"]["patientId"] = json!("p2");
    let reply = call(&served, STATE, &body).await;
    assert_eq!(reply.json(), example("no-cards"));
    // Nor is anything said of the dead.
    let [person, ..] = interosseous_graft();
    served.put(&with(&person, "deceasedBoolean", json!(true))).await.done();
    assert_eq!(call(&served, STATE, &view()).await.json(), example("no-cards"));
}

// CDS Hooks 2.0, card attributes.
#[tokio::test]
async fn g08_a_card_tells_the_state_of_the_repair() {
    let served = clinic("2026-03-03").await;
    let all = cards(&served, STATE, &view()).await;
    let [card] = all.as_slice() else { panic!("{all:?}") };
    like(&json!({ "cards": [card] }), &example("cards"), "cards");
    let detail = text(card, "/detail");
    for said in [
        "posterior interosseous",
        "extensor indicis",
        "first contraction (M1) expected",
        "Next review",
        "not booked",
    ] {
        assert!(detail.contains(said), "{said}: {detail}");
    }
    let plan = served.all("CarePlan").await[0].clone();
    let links = |n: usize| text(card, &format!("/links/{n}/url")).to_owned();
    assert!(links(0).contains("/fhir/RiskAssessment/") && links(0).ends_with("/$chart?format=svg"), "{card}");
    assert!(links(1).ends_with(&format!("/fhir/CarePlan/{}", text(&plan, "/id"))));
    // A stalled repair is critical, and names what stands.
    served.clock.turn_to("2027-02-20");
    served.put(&motor("m1", "p1", "r1", "extensor-digitorum", "2027-02-20", 0)).await.done();
    let stalled = cards(&served, STATE, &view()).await;
    assert_eq!(text(&stalled[0], "/indicator"), "critical");
    assert!(text(&stalled[0], "/detail").contains("front static"), "{}", stalled[0]);
    // A name from a record is neither mark nor HTML.
    let mut named = interosseous_graft()[2].clone();
    named["extension"][1]["extension"][0]["valueCodeableConcept"] =
        json!({ "text": "<b>muscle</b> *x* [y](http://z)" });
    served.put(&named).await.done();
    let marked = cards(&served, STATE, &view()).await;
    assert!(text(&marked[0], "/detail").contains("&lt;b>muscle&lt;/b> \\*x\\* \\[y\\]"), "{}", marked[0]);
}

// CDS Hooks 2.0, action: update carries the full resource; hook appointment-book.
#[tokio::test]
async fn g09_a_booking_outside_its_window_is_advised_against_with_an_update() {
    let served = clinic("2026-03-03").await;
    let task = task(&served).await;
    let [opens, closes] =
        ["start", "end"].map(|side| text(&task, &format!("/restriction/period/{side}")).to_owned());
    for (on, count) in [(&opens, 0), (&closes, 0), (&after(&opens, -1), 1), (&after(&closes, 1), 1)] {
        let draft = proposed(&task, on);
        let all = cards(&served, BOOKING, &book(&[draft.clone(), draft.clone()])).await;
        assert_eq!(all.len(), count, "on {on}");
        let Some(card) = all.first() else { continue };
        assert!(text(card, "/summary").contains(on.as_str()) && text(card, "/summary").contains(&opens));
        assert_eq!(text(card, "/selectionBehavior"), "at-most-one");
        let suggestion = &card["suggestions"][0];
        let action = &suggestion["actions"][0];
        like(action, &example("action-update"), "action");
        let preferred = text(&task, "/input/0/valueDate");
        let mut moved = draft.clone();
        moved["start"] = json!(format!("{preferred}T09:00:00+02:00"));
        moved["end"] = json!(format!("{preferred}T09:30:00+02:00"));
        assert_eq!(action["resource"], moved);
    }
    // Another visit is none of its business, and a Task leads to its review.
    let mut other = proposed(&task, "2026-01-01");
    other.as_object_mut().unwrap().shift_remove("basedOn");
    assert!(cards(&served, BOOKING, &book(&[other.clone()])).await.is_empty());
    other["supportingInformation"] = json!([{ "reference": format!("Task/{}", text(&task, "/id")) }]);
    assert_eq!(cards(&served, BOOKING, &book(&[other])).await.len(), 1);
    let mut none = book(&[]);
    none["context"].as_object_mut().unwrap().shift_remove("appointments");
    refused(&call(&served, BOOKING, &none).await, 400);
}

// CDS Hooks 2.0, JSON: each card is also checked so wherever it is asked for above.
#[tokio::test]
async fn g10_no_member_is_null_or_empty() {
    let served = clinic("2026-03-03").await;
    for month in 0..24 {
        served.clock.turn_to(&after("2026-03-03", 30 * month));
        cards(&served, STATE, &view()).await;
    }
    nothing_empty(&served.get("/cds-services").await.json());
}

fn report(card: &str, outcome: &str) -> Json {
    json!({ "card": card, "outcome": outcome, "outcomeTimestamp": "2026-03-03T13:00:00Z" })
}

/// What became of cards about p1.
const KEPT: &str = "AuditEvent?patient=p1&subtype=https://endplate.example/fhir/CodeSystem/card-feedback|";

// CDS Hooks 2.0, feedback.
#[tokio::test]
async fn g11_feedback_is_kept_once() {
    let served = clinic("2026-03-03").await;
    let card = text(&cards(&served, STATE, &view()).await[0], "/uuid").to_owned();
    let path = format!("{STATE}/feedback");
    let issues = served.all("DetectedIssue").await;
    let mut overridden = report(&card, "overridden");
    overridden["overrideReason"] = json!({
        "reason": { "system": "https://endplate.example/fhir/CodeSystem/override-reason", "code": "known" },
        "userComment": "seen yesterday",
    });
    let mut accepted = report(&card, "accepted");
    accepted["acceptedSuggestions"] = json!([{ "id": INSTANCE }]);
    let body = json!({ "feedback": [overridden, accepted] });
    for _ in 0..2 {
        assert_eq!(call(&served, &path, &body).await.status, 200);
    }
    let kept = served.all(KEPT).await;
    assert_eq!(kept.len(), 2, "{kept:?}");
    for event in &kept {
        assert_eq!(endplate_fhir::validate::resource(event), []);
        assert_eq!(text(event, "/entity/1/what/reference"), format!("CarePlan/{card}"));
        assert_eq!(text(event, "/period/end"), "2026-03-03T13:00:00Z");
    }
    let all = json!(kept).to_string();
    assert!(all.contains("seen yesterday") && all.contains(INSTANCE) && all.contains("\"known\""));
    assert_eq!(served.all("DetectedIssue").await, issues, "a card set aside acknowledges nothing");

    let mut unnamed = report(&card, "accepted");
    unnamed["acceptedSuggestions"] = json!([{ "label": "this one" }]);
    let mut undated = report(&card, "overridden");
    undated["outcomeTimestamp"] = json!("yesterday");
    for (wrong, member) in [
        (json!({}), "feedback"),
        (json!({ "feedback": [] }), "feedback"),
        (json!({ "feedback": [report(&card, "accepted")] }), "feedback[0].acceptedSuggestions"),
        (json!({ "feedback": [body["feedback"][0], unnamed] }), "feedback[1].acceptedSuggestions"),
        (json!({ "feedback": [report(&card, "ignored")] }), "feedback[0].outcome"),
        (json!({ "feedback": [undated] }), "feedback[0].outcomeTimestamp"),
        (json!({ "feedback": [report("card-1", "overridden")] }), "feedback[0].card"),
    ] {
        let detail = refused(&call(&served, &path, &wrong).await, 400);
        assert!(detail.starts_with(&format!("{member}: ")), "{detail}");
    }
    refused(&call(&served, &path, &json!({ "feedback": [report(INSTANCE, "overridden")] })).await, 404);
    refused(&call(&served, "/cds-services/greeter/feedback", &body).await, 404);
    assert_eq!(served.all(KEPT).await.len(), 2);
}

// CDS Hooks 2.0, FHIR resource access: a token is for this call only. None is looked at, so none is kept or called with.
#[tokio::test]
async fn g13_a_token_is_neither_used_nor_kept() {
    let served = clinic("2026-03-03").await;
    let mut body = example("call");
    body["context"]["patientId"] = json!("x9");
    body["prefetch"] = json!({});
    body["fhirServer"] = json!("http://127.0.0.1:1/never-called");
    let reply = call(&served, STATE, &body).await;
    let token = text(&body, "/fhirAuthorization/access_token");
    assert!(!refused(&reply, 412).contains(token));
    let card = text(&cards(&served, STATE, &view()).await[0], "/uuid").to_owned();
    let kept = json!({ "feedback": [report(&card, "overridden")] });
    assert_eq!(call(&served, &format!("{STATE}/feedback"), &kept).await.status, 200);
    assert!(!json!(served.all("AuditEvent").await).to_string().contains(token));
}

// A card says what the Tasks and alerts say, also on a day on which no sweep has been yet.
#[tokio::test]
async fn g16_a_card_says_what_the_alerts_say() {
    let served = clinic("2026-03-03").await;
    for days in (0..400).step_by(23) {
        served.clock.turn_to(&after("2026-03-03", days));
        let before = cards(&served, STATE, &view()).await;
        served.turn_to(&after("2026-03-03", days)).await;
        assert_eq!(cards(&served, STATE, &view()).await, before, "after {days} days");
        let standing = served.all("DetectedIssue").await;
        let standing: Vec<&Json> =
            standing.iter().filter(|one| one["identifiedPeriod"].get("end").is_none()).collect();
        let detail = text(&before[0], "/detail");
        for issue in &standing {
            let kind = text(issue, "/code/coding/0/display");
            assert!(detail.contains(&format!("**{kind}**")), "{kind} after {days} days: {detail}");
        }
        assert_eq!(detail.matches("**: ").count(), standing.len(), "after {days} days: {detail}");
        let grave = standing.iter().any(|one| one["severity"] == "high");
        assert_eq!(text(&before[0], "/indicator") == "critical", grave);
    }
}
