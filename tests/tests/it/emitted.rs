//! Everything the service emits is R4 in the eyes of libraries that know nothing of it.
//!
//! `tests/reference/emitted.py` asks `fhirkit-rs` and `fhirclient`, both from PyPI; the versions are in `requirements.txt` there.

use crate::clinic::{
    EP, appointment, code, encounter, gap, injury, mm, motor, observation, patient, repair, subscription,
    sudomotor, target, tinel,
};
use crate::python;
use crate::served::{Receiver, Served};
use endplate_fhir::Json;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// Every type that the service derives.
const DERIVED: [&str; 11] = [
    "CarePlan",
    "Communication",
    "DetectedIssue",
    "Device",
    "DiagnosticReport",
    "Flag",
    "Goal",
    "Provenance",
    "RiskAssessment",
    "ServiceRequest",
    "Task",
];

/// The Monday of each fortnight over two years.
fn fortnights() -> Vec<String> {
    let first: jiff::civil::Date = "2026-03-16".parse().unwrap();
    (0..54).map(|n| first.saturating_add(jiff::Span::new().days(14 * n)).to_string()).collect()
}

/// One patient with one injury, and its first repair under the id `{id}-r`.
fn episode(id: &str, birth: &str, technique: &str, nerve: &str, extensions: &[Json]) -> Vec<Json> {
    let (who, what) = (format!("{id}-p"), format!("{id}-c"));
    vec![
        patient(&who, birth),
        injury(&what, &who, "2026-02-23"),
        repair(&format!("{id}-r"), &who, &what, technique, nerve, "2026-03-02", extensions),
    ]
}

fn level(landmark: &str, distance: f64) -> Json {
    json!({ "url": format!("{EP}/StructureDefinition/repair-level"), "extension": [
        { "url": "landmark", "valueCodeableConcept": code("landmark", landmark) },
        { "url": "distance", "valueQuantity": mm(distance) },
    ] })
}

/// The clinic on the day it opens: a graft, a digit, a transfer, three nerves at once, one that will stall, one that will
/// be grafted again, and one who will die.
fn opening() -> Vec<Json> {
    let wrist = |muscle: &str, skin: &str| [target(muscle, 90.0), target(skin, 120.0)];
    let second = |id: &str, nerve: &str, extensions: &[Json]| {
        repair(id, "three-p", "three-c", "direct-coaptation", nerve, "2026-03-02", extensions)
    };
    let stalling = [gap(55.0), target("brachioradialis", 60.0), target("extensor-digitorum", 170.0)];
    let again = [gap(45.0), target("tibialis-anterior", 90.0), target("first-dorsal-web-of-foot", 380.0)];
    let mut all = vec![
        json!({ "resourceType": "Practitioner", "id": "surgeon", "name": [{ "text": "Surgeon Heath" }] }),
    ];
    all.extend(episode(
        "graft",
        "1991-04-17",
        "autograft",
        "posterior-interosseous",
        &[gap(30.0), target("extensor-digitorum", 80.0), target("extensor-indicis", 160.0)],
    ));
    all.extend(episode("digit", "2016-07", "direct-coaptation", "digital", &[target("digit-pulp", 60.0)]));
    all.extend(episode("transfer", "1969", "nerve-transfer", "axillary", &[target("deltoid", 45.0)]));
    all.extend(episode(
        "three",
        "1988-01-30",
        "direct-coaptation",
        "median",
        &wrist("abductor-pollicis-brevis", "thumb-and-index-pulp"),
    ));
    all.push(second("three-u", "ulnar", &wrist("abductor-digiti-minimi", "little-finger-pulp")));
    all.push(second("three-s", "radial", &[level("lateral-epicondyle", -20.0)]));
    all.extend(episode("stalled", "1979-09-09", "autograft", "radial", &stalling));
    all.extend(episode("again", "2000-12-01", "processed-allograft", "common-fibular", &again));
    all.extend(episode(
        "dying",
        "1950-02-02",
        "conduit",
        "ulnar",
        &[gap(20.0), target("little-finger-pulp", 70.0)],
    ));
    for resource in &mut all {
        if matches!(resource["id"].as_str(), Some("stalled-r" | "again-r" | "graft-r")) {
            resource["performer"] = json!([{ "actor": { "reference": "Practitioner/surgeon" } }]);
        }
    }
    all
}

/// What happens in the clinic, by the fortnight in which it does.
fn events() -> BTreeMap<&'static str, Vec<Json>> {
    let stalled = |id: &str, on: &str, at: f64| tinel(id, "stalled-p", "stalled-r", on, at);
    let mut pain =
        observation("digit-o2", "digit-p", "digit-r", "pain-score", "2026-06-22", ("valueInteger", json!(3)));
    pain["bodySite"] = code("nerve", "digital");
    let second = repair(
        "again-r2",
        "again-p",
        "again-c",
        "autograft",
        "common-fibular",
        "2026-11-09",
        &[gap(60.0), target("tibialis-anterior", 90.0)],
    );
    let mut dead = patient("dying-p", "1950-02-02");
    dead["deceasedDateTime"] = json!("2026-08-01");
    BTreeMap::from([
        (
            "2026-06-22",
            vec![
                stalled("stalled-o1", "2026-06-22", 38.0),
                sudomotor("digit-o1", "digit-p", "digit-r", "digit-pulp", "2026-06-22", true),
                pain,
            ],
        ),
        ("2026-08-03", vec![dead]),
        (
            "2026-09-28",
            vec![
                stalled("stalled-o2", "2026-09-28", 39.0),
                motor("stalled-o3", "stalled-p", "stalled-r", "brachioradialis", "2026-09-28", 0),
                motor("graft-o1", "graft-p", "graft-r", "extensor-digitorum", "2026-09-28", 2),
                motor("transfer-o1", "transfer-p", "transfer-r", "deltoid", "2026-09-28", 3),
            ],
        ),
        ("2026-11-09", vec![second]),
        (
            "2027-02-01",
            vec![
                motor("graft-o2", "graft-p", "graft-r", "extensor-digitorum", "2027-02-01", 4),
                motor("graft-o3", "graft-p", "graft-r", "extensor-indicis", "2027-02-01", 4),
                motor("transfer-o2", "transfer-p", "transfer-r", "deltoid", "2027-02-01", 1),
                stalled("stalled-o4", "2027-02-01", 40.0),
            ],
        ),
    ])
}

/// Two years in the clinic; what was delivered meanwhile.
async fn two_years(served: &Served) -> Vec<Json> {
    let receiver = Receiver::open().await;
    for criteria in ["Task?status=requested", "DetectedIssue", "Communication", "CarePlan"] {
        let id = criteria.split('?').next().unwrap().to_lowercase();
        served.put(&subscription(&id, criteria, &receiver.endpoint, true)).await.done();
    }
    for resource in opening() {
        served.put(&resource).await.done();
    }
    // One patient keeps an appointment and misses the next.
    let tasks = served.all("Task?patient=three-p&_sort=due").await;
    served.put(&appointment("three-a1", "three-p", &tasks[0], "booked", "2026-03-16")).await.done();
    let mut events = events();
    for day in fortnights() {
        served.turn_to(&day).await;
        if day == "2026-03-30" {
            served.put(&encounter("three-e1", "three-p", &tasks[0], "finished", "2026-03-16")).await.done();
            served.put(&appointment("three-a2", "three-p", &tasks[1], "noshow", "2026-03-27")).await.done();
        }
        for resource in events.remove(day.as_str()).unwrap_or_default() {
            served.put(&resource).await.done();
        }
    }
    assert!(events.is_empty(), "these never happened: {events:?}");
    receiver.received()
}

/// What the two libraries say of a collection Bundle of these resources, one line each, the count first.
pub fn votes(resources: &[Json]) -> Vec<String> {
    let entries: Vec<Json> = resources.iter().map(|resource| json!({ "resource": resource })).collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "collection", "entry": entries });
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("emitted.json"), bundle.to_string()).unwrap();
    let output = python::script("emitted.py", &[&folder.path().to_string_lossy()]);
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
}

#[tokio::test]
async fn two_other_libraries_take_everything_that_the_service_emits() {
    let served = Served::open("2026-03-09").await;
    let delivered = two_years(&served).await;
    let mut emitted = Vec::new();
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for kind in DERIVED {
        let found = served.all(&format!("{kind}?_tag={EP}/CodeSystem/origin|derived")).await;
        counts.insert(kind, found.len());
        emitted.extend(found);
    }
    assert!(counts.values().all(|count| *count > 0), "a type is missing: {counts:?}");
    assert!(counts["CarePlan"] == 7 && counts["RiskAssessment"] >= 10, "{counts:?}");
    assert!(emitted.len() >= 400, "{counts:?}");
    let alerts: BTreeSet<&str> = emitted
        .iter()
        .filter(|resource| resource["resourceType"] == "DetectedIssue")
        .filter_map(|issue| issue["code"]["coding"][0]["code"].as_str())
        .collect();
    assert!(alerts.len() >= 8, "{alerts:?}");
    assert!(delivered.len() >= 100, "{} delivered", delivered.len());
    let fresh: Vec<Json> = delivered.into_iter().filter(|resource| !emitted.contains(resource)).collect();
    emitted.push(served.get("/fhir/metadata").await.json());
    let report = "/fhir/PlanDefinition/nerve-repair-follow-up/$unit-report?start=2026-03-09&end=2027-03-31";
    emitted.push(served.get(report).await.json());
    assert_eq!(crate::published::unresolved(&emitted), BTreeSet::new());
    let (breaches, judged) = crate::profiled::breaches(&emitted);
    assert!(breaches.is_empty() && judged >= 100, "{judged}: {breaches:#?}");
    emitted.extend(fresh);
    let votes = votes(&emitted);
    // The Bundle counts as one.
    assert_eq!(votes[0], format!("{} resources, 0 rejected", emitted.len() + 1), "{}", votes.join("\n"));
}

// The vote is worth something only if it can go the other way.
#[test]
fn the_other_libraries_reject_what_is_no_r4() {
    let goal = json!({ "resourceType": "Goal", "id": "1", "lifecycleStatus": 7, "subject": { "reference": "Patient/1" } });
    let flag = json!({ "resourceType": "Flag", "id": "2", "status": "active", "colour": "red" });
    let votes = votes(&[goal, flag]);
    assert_eq!(votes[0], "3 resources, 2 rejected", "{}", votes.join("\n"));
    for library in ["fhirkit", "fhirclient"] {
        assert!(votes[1..].iter().all(|line| line.contains(library)), "{}", votes.join("\n"));
    }
}
