//! What cannot be is refused over HTTP with a sentence that says what to send, and leaves nothing behind.
//!
//! FHIR R4 http.html: 400 for what is no resource, 404 for a type that is not there, 412 for a version that moved on, 413,
//! 415, and 422 for a resource that breaks a rule; each with an OperationOutcome (operationoutcome.html: `expression` names the
//! element).

use crate::clinic::{
    EP, code, gap, injury, interosseous_graft, mm, motor, observation, patient, repair, target, tinel, with,
};
use crate::served::{FHIR_JSON, Reply, Served};
use endplate_fhir::Json;
use serde_json::json;
use std::fmt::Write as _;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// What the outcome must point at.
enum At {
    /// An element: the expression of some issue contains this.
    Element(&'static str),
    /// A place in the text: line and column in `diagnostics`.
    Line(u32),
    /// The address or a header: there is no element to name.
    Request,
}

struct Case {
    name: &'static str,
    method: &'static str,
    path: String,
    headers: Vec<(&'static str, &'static str)>,
    body: String,
    status: u16,
    at: At,
    /// What some issue's text must contain.
    says: &'static str,
}

/// A resource sent to the address that its type and id make, refused with 422.
fn put(name: &'static str, resource: &Json, at: &'static str, says: &'static str) -> Case {
    let part = |name: &str| resource[name].as_str().unwrap().to_owned();
    let path = format!("/fhir/{}/{}", part("resourceType"), part("id"));
    sent(name, ("PUT", path), resource.to_string(), (422, At::Element(at), says))
}

/// A transaction of these resources, refused with 422.
fn transaction(name: &'static str, resources: &[Json], at: &'static str, says: &'static str) -> Case {
    let entry = |resource: &Json| {
        let url =
            format!("{}/{}", resource["resourceType"].as_str().unwrap(), resource["id"].as_str().unwrap());
        json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
    };
    let entries: Vec<Json> = resources.iter().map(entry).collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    sent(name, ("POST", "/fhir".to_owned()), bundle.to_string(), (422, At::Element(at), says))
}

/// Text sent as a new Observation, refused with 400.
fn text(name: &'static str, body: impl Into<String>, line: u32, says: &'static str) -> Case {
    sent(name, ("POST", "/fhir/Observation".to_owned()), body.into(), (400, At::Line(line), says))
}

fn sent(
    name: &'static str,
    address: (&'static str, String),
    body: String,
    answer: (u16, At, &'static str),
) -> Case {
    let ((method, path), (status, at, says)) = (address, answer);
    Case { name, method, path, headers: vec![("content-type", FHIR_JSON)], body, status, at, says }
}

/// A copy without one member.
fn without(resource: &Json, member: &str) -> Json {
    let mut copy = resource.clone();
    copy.as_object_mut().unwrap().shift_remove(member);
    copy
}

/// A second repair of the patient, by autograft on the day of the first, with these extensions.
fn graft(extensions: &[Json]) -> Json {
    repair("r2", "p1", "c1", "autograft", "posterior-interosseous", "2026-03-02", extensions)
}

fn near() -> Json {
    target("extensor-digitorum", 80.0)
}

fn level(landmark: &str) -> Json {
    json!({ "url": format!("{EP}/StructureDefinition/repair-level"), "extension": [
        { "url": "landmark", "valueCodeableConcept": code("landmark", landmark) },
        { "url": "distance", "valueQuantity": mm(20.0) },
    ] })
}

fn no_json() -> Vec<Case> {
    let deep =
        format!("{{\"resourceType\":\"Observation\",\n\"a\":{}{}}}", "[".repeat(10_000), "]".repeat(10_000));
    vec![
        text(
            "text that is no JSON",
            "{\n  \"resourceType\": \"Observation\",\n  \"status\": final\n}",
            3,
            "",
        ),
        text("text that breaks off", "{\n  \"resourceType\": \"Observation\",", 2, ""),
        text("no text", "", 1, ""),
        text(
            "a key twice",
            "{\n\"resourceType\": \"Observation\",\n\"status\": \"final\",\n\"status\": \"amended\"\n}",
            4,
            "twice",
        ),
        text(
            "a key twice, deep inside",
            "{\"resourceType\": \"Observation\",\n\"code\": {\"text\": \"a\",\n\"text\": \"b\"}}",
            3,
            "twice",
        ),
        text("10,000 arrays in one another", deep, 2, "64"),
        sent(
            "a transaction that is no JSON",
            ("POST", "/fhir".to_owned()),
            "{\"resourceType\":\"Bundle\",\n\"type\":}".to_owned(),
            (400, At::Line(2), ""),
        ),
    ]
}

fn wrong_types() -> Vec<Case> {
    let repair = graft(&[gap(30.0), near()]);
    let foreign = with(&graft(&[gap(30.0), near()]), "code", json!("autograft"));
    vec![
        put("text for an object", &foreign, "Procedure.code", "object"),
        put("a number for text", &with(&repair, "status", json!(1)), "Procedure.status", ""),
        put(
            "an object for an array",
            &with(&repair, "bodySite", code("nerve", "radial")),
            "Procedure.bodySite",
            "",
        ),
        put(
            "a date that is none",
            &with(&repair, "performedDateTime", json!("2026-02-30")),
            "Procedure.performed",
            "",
        ),
        put(
            "a status that is none",
            &with(&repair, "status", json!("done")),
            "Procedure.status",
            "completed",
        ),
        put(
            "an element that is none",
            &with(&repair, "colour", json!("red")),
            "Procedure.colour",
            "leave it out",
        ),
        put("no status", &without(&repair, "status"), "Procedure.status", ""),
    ]
}

fn gaps() -> Vec<Case> {
    let gap_of = |quantity: Json| json!({ "url": format!("{EP}/StructureDefinition/gap-length"), "valueQuantity": quantity });
    let furlongs = json!({ "value": 1, "system": "http://unitsofmeasure.org", "code": "[fur_us]" });
    let bare = json!({ "value": 30, "unit": "mm" });
    let conduit = repair("r2", "p1", "c1", "conduit", "posterior-interosseous", "2026-03-02", &[near()]);
    let mut nobody = graft(&[gap(30.0), near()]);
    nobody["subject"] = json!({ "display": "somebody" });
    vec![
        put("a gap in furlongs", &graft(&[gap_of(furlongs), near()]), "gap-length", "mm"),
        put("a gap without UCUM", &graft(&[gap_of(bare), near()]), "gap-length", "http://unitsofmeasure.org"),
        put("an autograft without a gap", &graft(&[near()]), "gap-length", "30 mm"),
        put("a conduit without a gap", &conduit, "gap-length", "30 mm"),
        put("a negative gap", &graft(&[gap(-5.0), near()]), "gap-length", "0 mm or more"),
        put("a graft over no gap", &graft(&[gap(0.0), near()]), "gap-length", "more than 0 mm"),
        put("a repair of nobody", &nobody, "Procedure.subject", "Patient/123"),
        put("a gap longer than a limb", &graft(&[gap(30_000.0), near()]), "gap-length", "1500 mm"),
    ]
}

fn repairs() -> Vec<Case> {
    let whole = [gap(30.0), near()];
    let site = |nerve: &str| json!([code("nerve", nerve)]);
    let pathless = json!({ "url": format!("{EP}/StructureDefinition/target"), "extension": [
        { "url": "structure", "valueCodeableConcept": code("reinnervation-target", "extensor-digitorum") },
    ] });
    let at = |date: &str| with(&graft(&whole), "performedDateTime", json!(date));
    let late = with(&graft(&whole), "reasonReference", json!([{ "reference": "Condition/c-late" }]));
    vec![
        put("neither targets nor level", &graft(&[gap(30.0)]), "target", "repair-level"),
        put(
            "a landmark that is none",
            &graft(&[gap(30.0), level("umbilicus")]),
            "landmark",
            "lateral-epicondyle",
        ),
        put(
            "a landmark on another nerve",
            &graft(&[gap(30.0), level("fibular-head")]),
            "landmark",
            "measured targets",
        ),
        put(
            "a nerve that is none",
            &with(&graft(&whole), "bodySite", site("optic")),
            "Procedure.bodySite",
            "radial",
        ),
        put("no nerve", &without(&graft(&whole), "bodySite"), "Procedure.bodySite", "bodySite"),
        put(
            "a target that is none",
            &graft(&[gap(30.0), target("appendix", 80.0)]),
            "structure",
            "reinnervation-target",
        ),
        put("a target without a path", &graft(&[gap(30.0), pathless]), "path-length", "80 mm"),
        put(
            "a negative path",
            &graft(&[gap(30.0), target("extensor-indicis", -1.0)]),
            "path-length",
            "0 mm or more",
        ),
        put("the same target twice", &graft(&[gap(30.0), near(), near()]), "target", "once"),
        put("an operation to come", &at("2026-12-01"), "Procedure.performed", "send the date"),
        put("an operation before birth", &at("1990-01-01"), "Procedure.performed", "birth"),
        put(
            "an operation without a date",
            &without(&graft(&whole), "performedDateTime"),
            "Procedure.performed",
            "performedDateTime",
        ),
        put("an operation before its injury", &late, "Procedure.reasonReference", "Condition.onset"),
        put(
            "an injury moved behind its operation",
            &injury("c1", "p1", "2026-04-01"),
            "Condition.onset",
            "correct one",
        ),
    ]
}

fn findings() -> Vec<Case> {
    let on = |date: &str| motor("o1", "p1", "r1", "extensor-digitorum", date, 0);
    let grade = |grade: u8| motor("o1", "p1", "r1", "extensor-digitorum", "2026-06-01", grade);
    let tinel = |at: f64| tinel("o1", "p1", "r1", "2026-06-01", at);
    let coded = |kind: &str, system: &str, grade: &str, site: &str| {
        let value = ("valueCodeableConcept", code(system, grade));
        let coded = observation("o1", "p1", "r1", kind, "2026-06-01", value);
        with(&coded, "bodySite", code("reinnervation-target", site))
    };
    let m9 = coded("motor-grade", "motor-grade", "M9", "extensor-digitorum");
    let s9 = coded("sensory-grade", "sensory-grade", "S9", "digit-pulp");
    let skin = motor("o1", "p1", "r1", "digit-pulp", "2026-06-01", 0);
    let muscle = coded("sensory-grade", "sensory-grade", "S2", "extensor-digitorum");
    let kind = with(&grade(0), "code", code("exam-finding", "mood"));
    let site = with(&grade(0), "bodySite", code("reinnervation-target", "appendix"));
    let furlongs = json!({ "value": 1, "system": "http://unitsofmeasure.org", "code": "[fur_us]" });
    let pain = observation("o1", "p1", "r1", "pain-score", "2026-06-01", ("valueInteger", json!(11)));
    vec![
        put("a finding before its operation", &on("2026-02-25"), "Observation.effective", "focus"),
        put("a finding to come", &on("2026-12-01"), "Observation.effective", "future"),
        put("a finding before birth", &on("1990-01-01"), "Observation.effective", "birth"),
        put(
            "a finding without a date",
            &without(&grade(0), "effectiveDateTime"),
            "Observation.effective",
            "effectiveDateTime",
        ),
        put("a negative Tinel distance", &tinel(-4.0), "Observation.value", "distally"),
        put(
            "a Tinel sign without a distance",
            &without(&tinel(4.0), "valueQuantity"),
            "Observation.value",
            "valueQuantity",
        ),
        put(
            "a Tinel distance in furlongs",
            &with(&tinel(4.0), "valueQuantity", furlongs),
            "Observation.value",
            "mm",
        ),
        put("a Tinel distance beyond the limb", &tinel(2000.0), "Observation.value", "1500 mm"),
        put("motor grade 7", &grade(7), "Observation.value", "0 to 5"),
        put("motor grade M9", &m9, "Observation.value", "M0 to M5"),
        put("sensory grade S9", &s9, "Observation.value", "S3+"),
        put("a motor grade of skin", &skin, "Observation.bodySite", "muscle"),
        put("a sensory grade of a muscle", &muscle, "Observation.bodySite", "territory"),
        put("a motor grade of nothing", &without(&grade(0), "bodySite"), "Observation.bodySite", "muscle"),
        put("a motor grade of an appendix", &site, "Observation.bodySite", "reinnervation-target"),
        put("a finding of no kind", &kind, "Observation.code", "tinel-distance"),
        put("a pain score of 11", &pain, "Observation.value", "0 to 10"),
    ]
}

fn references() -> Vec<Case> {
    let whole = [gap(30.0), near()];
    let lost = |member: &str, to: &str| with(&graft(&whole), member, json!([{ "reference": to }]));
    let subject = with(&graft(&whole), "subject", json!({ "reference": "Patient/nobody" }));
    let focus = motor("o1", "p1", "r-none", "extensor-digitorum", "2026-06-01", 0);
    let urn = "urn:uuid:00000000-0000-4000-8000-000000000009";
    let new = patient("p9", "1980-01-01");
    let broken = with(&graft(&whole), "subject", json!({ "reference": urn }));
    let condition = json!([{ "reference": "Condition?identifier=https://clinic.example|none" }]);
    let searched = with(&graft(&whole), "reasonReference", condition);
    vec![
        put("a subject that is not there", &subject, "Procedure.subject", "send the resource first"),
        put("a focus that is not there", &focus, "Observation.focus", "send the resource first"),
        put(
            "a reason that is not there",
            &lost("reasonReference", "Condition/none"),
            "Procedure.reasonReference",
            "send the resource first",
        ),
        transaction(
            "a search that finds nothing",
            &[searched],
            "Bundle.entry[0].resource.reasonReference",
            "matches nothing",
        ),
        put("a urn:uuid outside a Bundle", &broken, "Procedure.subject", "fullUrl"),
        transaction(
            "a subject that is not there, in a transaction",
            &[new.clone(), injury("c9", "nobody", "2026-01-01")],
            "Bundle.entry[1].resource.subject",
            "in the same transaction",
        ),
        transaction(
            "a urn:uuid that no entry has",
            &[new.clone(), broken],
            "Bundle.entry[1].resource.subject",
            "fullUrl",
        ),
        transaction(
            "a transaction whose second half breaks R4",
            &[new.clone(), without(&injury("c9", "p9", "2026-01-01"), "subject")],
            "Bundle.entry[1].resource.subject",
            "",
        ),
        transaction(
            "a transaction whose last repair has no gap",
            &[
                new,
                injury("c9", "p9", "2026-01-01"),
                repair("r9", "p9", "c9", "autograft", "radial", "2026-02-01", &[near()]),
            ],
            "Bundle.entry[2].resource.extension",
            "30 mm",
        ),
    ]
}

fn requests() -> Vec<Case> {
    let condition = injury("c1", "p1", "2026-02-23").to_string();
    let to = |method: &'static str, path: &str| (method, path.to_owned());
    let mut stale = sent(
        "a version that moved on",
        to("PUT", "/fhir/Condition/c1"),
        condition.clone(),
        (412, At::Element("Condition"), "W/\"2\""),
    );
    stale.headers.push(("if-match", "W/\"1\""));
    let mut plain =
        sent("plain text", to("POST", "/fhir/Condition"), condition.clone(), (415, At::Request, FHIR_JSON));
    plain.headers = vec![("content-type", "text/plain")];
    let kinds = (404, At::Request, "Appointment, AuditEvent");
    vec![
        stale,
        plain,
        sent(
            "another type than the address says",
            to("POST", "/fhir/Observation"),
            condition.clone(),
            (400, At::Element("resourceType"), "Observation"),
        ),
        sent(
            "another id than the address says",
            to("PUT", "/fhir/Condition/c2"),
            condition.clone(),
            (400, At::Element("Condition.id"), "id in the address"),
        ),
        sent(
            "no type",
            to("POST", "/fhir/Condition"),
            "{\"id\":\"c1\"}".to_owned(),
            (400, At::Element("resourceType"), "Condition"),
        ),
        sent(
            "a search by nothing known",
            to("GET", "/fhir/Task?status:colour=red"),
            String::new(),
            (400, At::Request, "status"),
        ),
        sent("a type that is not stored", to("POST", "/fhir/Medication"), condition, kinds),
        sent(
            "a Bundle that is no transaction",
            to("POST", "/fhir"),
            json!({ "resourceType": "Bundle", "type": "collection" }).to_string(),
            (422, At::Element("Bundle.type"), "transaction"),
        ),
    ]
}

fn subscriptions() -> Vec<Case> {
    let subscription = |criteria: &str, kind: &str, endpoint: &str| {
        json!({
            "resourceType": "Subscription", "id": "s1", "status": "requested", "reason": "to be told", "criteria": criteria,
            "channel": { "type": kind, "endpoint": endpoint, "payload": FHIR_JSON },
        })
    };
    let (tasks, here) = ("Task?status=requested", "http://127.0.0.1:9/inbox");
    let criteria = "Subscription.criteria";
    vec![
        put(
            "criteria by nothing known",
            &subscription("Task?colour=red", "rest-hook", here),
            criteria,
            "status",
        ),
        put(
            "criteria of no type",
            &subscription("Medication?status=active", "rest-hook", here),
            criteria,
            "Task",
        ),
        put(
            "an ftp endpoint",
            &subscription(tasks, "rest-hook", "ftp://127.0.0.1/inbox"),
            "Subscription.channel.endpoint",
            "https",
        ),
        put("a websocket", &subscription(tasks, "websocket", here), "Subscription.channel.type", "rest-hook"),
    ]
}

fn cases() -> Vec<Case> {
    [no_json(), wrong_types(), gaps(), repairs(), findings(), references(), requests(), subscriptions()]
        .into_iter()
        .flatten()
        .collect()
}

/// A clinic with one repaired patient, one injury that nothing was done about, and an injury of a second version.
async fn clinic() -> Served {
    let served = Served::open("2026-09-10").await;
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
    served.put(&with(&injury("c1", "p1", "2026-02-23"), "code", json!({ "text": "cut" }))).await.done();
    served.put(&injury("c-late", "p1", "2026-05-01")).await.done();
    served
}

/// Every resource of every type, as text.
async fn everything(served: &Served) -> String {
    let mut all = String::new();
    // That something was refused is on record.
    for kind in endplate_fhir::TYPES.iter().filter(|kind| **kind != "AuditEvent") {
        let found = served.all(&format!("{kind}?_sort=_id")).await;
        writeln!(all, "{kind} {}", found.len()).unwrap();
        for resource in found {
            writeln!(all, "{resource}").unwrap();
        }
    }
    all
}

/// What is wrong with an answer; nothing if it is as the contract has it.
fn judge(case: &Case, reply: &Reply) -> Option<String> {
    if reply.status != case.status {
        return Some(format!("{} instead of {}", reply.status, case.status));
    }
    let outcome: Json = serde_json::from_str(&reply.text).unwrap_or_default();
    if outcome["resourceType"] != "OperationOutcome"
        || !endplate_fhir::validate::resource(&outcome).is_empty()
    {
        return Some("no valid OperationOutcome".to_owned());
    }
    if ["SELECT ", "sqlite", ".rs:", "/home/", "/tmp/", "panicked"]
        .iter()
        .any(|inside| reply.text.contains(inside))
    {
        return Some("it shows the inside of the service".to_owned());
    }
    let issues = outcome["issue"].as_array().unwrap();
    let texts: Vec<&str> = issues.iter().filter_map(|issue| issue["details"]["text"].as_str()).collect();
    if texts.len() < issues.len() || !texts.iter().all(|text| text.ends_with('.')) {
        return Some("an issue without a sentence".to_owned());
    }
    if !texts.iter().any(|text| text.contains(case.says)) {
        return Some(format!("the text does not say \"{}\"", case.says));
    }
    let named =
        |part: &str| issues.iter().filter_map(|i| i["expression"][0].as_str()).any(|e| e.contains(part));
    let placed = |line: u32| {
        let place = format!("line {line}, column ");
        issues.iter().filter_map(|issue| issue["diagnostics"].as_str()).any(|said| said.starts_with(&place))
    };
    match case.at {
        At::Element(part) if !named(part) => Some(format!("no expression names {part}")),
        At::Line(line) if !placed(line) => Some(format!("no diagnostics name line {line}")),
        _ => None,
    }
}

#[tokio::test]
async fn whatever_cannot_be_is_refused_with_what_to_send_and_leaves_nothing_behind() {
    let served = clinic().await;
    let before = everything(&served).await;
    let mut wrong = String::new();
    let cases = cases();
    for case in &cases {
        let mut request = served.request(case.method, &case.path).body(case.body.clone());
        for (name, value) in &case.headers {
            request = request.header(*name, *value);
        }
        let reply = served.send(request).await;
        if let Some(what) = judge(case, &reply) {
            writeln!(wrong, "{}: {what}: {}", case.name, reply.text).unwrap();
        }
        if everything(&served).await != before {
            writeln!(wrong, "{}: something of it is stored", case.name).unwrap();
            break;
        }
    }
    assert!(wrong.is_empty(), "\n{wrong}");
    assert!(cases.len() >= 70, "{} cases", cases.len());
    assert_eq!(served.get("/readyz").await.status, 200);
    // It takes what is right after all that.
    served.put(&motor("o1", "p1", "r1", "extensor-digitorum", "2026-09-10", 0)).await.done();
}

/// Sends a head and then 100 MB of blanks for as long as they are taken; the answer as far as it comes.
async fn pour(served: &Served, head: &str, part: &[u8]) -> String {
    const WHOLE: usize = 100 << 20;
    let (mut from, mut to) = TcpStream::connect(served.server.local_addr()).await.unwrap().into_split();
    let head = format!(
        "POST /fhir/Observation HTTP/1.1\r\nhost: clinic.example\r\ncontent-type: {FHIR_JSON}\r\n{head}\r\n\r\n"
    );
    let part = part.to_vec();
    let sending = tokio::spawn(async move {
        let mut sent = to.write_all(head.as_bytes()).await;
        let mut rest = WHOLE;
        while sent.is_ok() && rest > 0 {
            sent = to.write_all(&part).await;
            rest = rest.saturating_sub(part.len());
        }
        // Kept open: closing is for the service to do.
        to
    });
    let mut answer = Vec::new();
    let mut buffer = [0; 4096];
    let read = async {
        while let Ok(read @ 1..) = from.read(&mut buffer).await {
            answer.extend_from_slice(&buffer[..read]);
            if answer.ends_with(b"}]}") {
                break;
            }
        }
    };
    tokio::time::timeout(Duration::from_mins(1), read).await.expect("an answer in a minute");
    sending.abort();
    String::from_utf8(answer).unwrap()
}

// RFC 9110, section 15.5.14: 413, and the connection may be closed while the client still sends.
#[tokio::test]
async fn a_hundred_megabytes_are_not_waited_for() {
    let served = clinic().await;
    let before = everything(&served).await;
    let blanks = vec![b' '; 64 << 10];
    let chunk = [b"10000\r\n".as_slice(), &blanks, b"\r\n"].concat();
    let announced = pour(&served, "content-length: 104857600", &blanks).await;
    let streamed = pour(&served, "transfer-encoding: chunked", &chunk).await;
    for answer in [announced, streamed] {
        assert!(answer.starts_with("HTTP/1.1 413 "), "{answer}");
        let (_, body) = answer.split_once("\r\n\r\n").unwrap();
        let outcome: Json = serde_json::from_str(body).unwrap();
        assert_eq!(outcome["resourceType"], "OperationOutcome");
        let text = outcome["issue"][0]["details"]["text"].as_str().unwrap();
        assert!(text.contains("smaller parts") && text.contains("bytes"), "{text}");
    }
    assert_eq!(everything(&served).await, before);
    assert_eq!(served.get("/readyz").await.status, 200);
}
