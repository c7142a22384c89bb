//! D49: every official R4 example goes in and comes out as it was. Source: package hl7.fhir.r4.examples 4.0.1, see
//! fixtures/official/SOURCES.md.

use crate::served::Served;
use endplate_fhir::{Json, TYPES, json, reference};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Examples that must be refused, each with the reason and the status of the answer.
const REFUSED: &[(&str, &str, u16)] = &[
    ("AuditEvent-", "audit events are written by the service alone", 405),
    ("Observation-clinical-gender", "it has an Encounter as performer, which R4 does not allow", 422),
];

/// Every example by the name of its file.
pub fn examples() -> BTreeMap<String, Json> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/official");
    let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    files
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .map(|path| {
            let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
            let example = json::parse(&std::fs::read(&path).unwrap());
            (name.clone(), example.unwrap_or_else(|issue| panic!("{name}: {issue:?}")))
        })
        .collect()
}

/// What an integrator sends first, so that a reference leads somewhere: the least that R4 allows of a type.
fn placeholder(kind: &str, id: &str) -> Json {
    let somebody = json!({ "display": "somebody" });
    let mut least = match kind {
        "Appointment" => {
            json!({ "status": "proposed", "participant": [{ "actor": somebody, "status": "needs-action" }] })
        }
        "Binary" => json!({ "contentType": "text/plain" }),
        "CarePlan" => json!({ "status": "active", "intent": "plan", "subject": somebody }),
        "Communication" => json!({ "status": "completed" }),
        "Condition" | "RiskAssessment" => json!({ "subject": somebody, "status": "final" }),
        "DetectedIssue" => json!({ "status": "final" }),
        "Organization" => json!({ "name": "some organization" }),
        "DiagnosticReport" | "Observation" => json!({ "status": "final", "code": { "text": "something" } }),
        "DocumentReference" => {
            json!({ "status": "current", "content": [{ "attachment": { "title": "a paper" } }] })
        }
        "Encounter" => json!({ "status": "finished", "class": { "code": "AMB" } }),
        "Goal" => {
            json!({ "lifecycleStatus": "active", "description": { "text": "a goal" }, "subject": somebody })
        }
        "Procedure" => json!({ "status": "completed", "subject": somebody }),
        "ServiceRequest" => json!({ "status": "active", "intent": "order", "subject": somebody }),
        "Task" => json!({ "status": "requested", "intent": "order" }),
        _ => json!({}),
    };
    if kind == "Condition" {
        least.as_object_mut().unwrap().remove("status");
    }
    least["resourceType"] = json!(kind);
    least["id"] = json!(id);
    least
}

/// Why an example is not taken, if it is not.
pub fn refused(name: &str) -> Option<&'static (&'static str, &'static str, u16)> {
    REFUSED.iter().find(|(prefix, _, _)| name.starts_with(prefix))
}

/// One transaction of all examples that are taken, and of what they refer to: they name one another, in circles too.
pub fn together(examples: &BTreeMap<String, Json>) -> Json {
    let mut there: BTreeSet<String> = BTreeSet::new();
    let mut wanted: BTreeSet<(String, String)> = BTreeSet::new();
    for (name, example) in examples {
        if refused(name).is_some() {
            continue;
        }
        let part = |name: &str| example[name].as_str().unwrap();
        there.insert(format!("{}/{}", part("resourceType"), part("id")));
        reference::each(example, &mut |_, to| {
            let target = reference::parse(to, "").filter(|target| TYPES.contains(&target.kind.as_str()));
            wanted.extend(target.map(|target| (target.kind, target.id)));
        });
    }
    let mut entries = Vec::new();
    for (kind, id) in &wanted {
        let address = format!("{kind}/{id}");
        if !there.contains(&address) {
            let request = json!({ "method": "PUT", "url": address });
            entries.push(json!({ "resource": placeholder(kind, id), "request": request }));
        }
    }
    for example in examples.iter().filter(|(name, _)| refused(name).is_none()).map(|(_, example)| example) {
        let url =
            format!("{}/{}", example["resourceType"].as_str().unwrap(), example["id"].as_str().unwrap());
        entries.push(json!({ "resource": example, "request": { "method": "PUT", "url": url } }));
    }
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
}

/// A resource without what the server sets, as text: order of members and the text of decimals count. The server puts type, id
/// and meta first, so these are compared apart.
fn as_sent(mut resource: Json) -> [String; 3] {
    let members = resource.as_object_mut().unwrap();
    let mut meta = members.shift_remove("meta").unwrap_or_else(|| json!({}));
    for name in ["versionId", "lastUpdated"] {
        meta.as_object_mut().unwrap().shift_remove(name);
    }
    let name =
        format!("{}/{}", members.shift_remove("resourceType").unwrap(), members.shift_remove("id").unwrap());
    [name, meta.to_string(), resource.to_string()]
}

/// FHIR R4 http.html#update: "the server SHOULD" return what it was sent: arrays in order, `_` members, ids, unknown extensions,
/// decimals and what is contained.
#[tokio::test]
async fn d49_every_official_example_comes_back_as_it_was_sent() {
    let served = Served::open("2026-03-02").await;
    let examples = examples();
    assert_eq!(examples.len(), 149);
    served.post("/fhir", &together(&examples)).await.done();
    for (name, example) in &examples {
        let put = served.put(example).await;
        if let Some((_, why, status)) = refused(name) {
            assert_eq!(put.status, *status, "{name}: {why}");
            continue;
        }
        // One by one they are taken too, and are already there.
        assert_eq!((put.status, put.header("etag")), (200, "W/\"1\""), "{name}: {}", put.text);
        let address = format!(
            "/fhir/{}/{}",
            example["resourceType"].as_str().unwrap(),
            example["id"].as_str().unwrap()
        );
        let text = served.get(&address).await.done();
        let stored = json::parse(text.as_bytes()).unwrap();
        let mut expected = example.clone();
        // FHIR R4 subscription.html: a client requests, the server makes it active.
        if expected["resourceType"] == "Subscription" && expected["status"] == "requested" {
            expected["status"] = json!("active");
            // What its headers hold is kept and not shown.
            expected["channel"]["header"] = json!(["Authorization: ***"]);
        }
        assert_eq!(as_sent(stored), as_sent(expected), "{name}");
    }
}
