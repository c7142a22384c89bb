//! C. Operations: FHIR R4 operations.html and the published OperationDefinitions.

mod codes;
mod definitions;
mod plan;
mod records;
mod validate;

use crate::clinic::{EP, interosseous_graft, patient, subscription, with};
use crate::served::{Reply, Served};
use endplate_fhir::{Json, validate as r4};
use endplate_followup::operation::OFFERED;
use serde_json::json;
use std::collections::BTreeMap;

const LOCAL: &str = "https://hospital.example/codes";
const APPLY: &str = "/fhir/PlanDefinition/nerve-repair-follow-up/$apply";

/// A service that knows the graft and two findings.
async fn clinic() -> Served {
    let served = Served::open("2026-03-02").await;
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
    served
}

fn parameters(all: &[Json]) -> Json {
    if all.is_empty() {
        return json!({ "resourceType": "Parameters" });
    }
    json!({ "resourceType": "Parameters", "parameter": all })
}

/// A parameter with a value of this kind, such as `valueCode`, or a `resource`.
fn parameter(name: &str, kind: &str, value: Json) -> Json {
    let mut parameter = json!({ "name": name });
    parameter[kind] = value;
    parameter
}

fn resource(resource: &Json) -> Json {
    parameter("resource", "resource", resource.clone())
}

/// A map of local codes into one of our code systems; each row is code, equivalence, target.
fn map(id: &str, target: &str, rows: &[(&str, &str, &str)]) -> Json {
    let element = |(code, equivalence, to): &(&str, &str, &str)| json!({ "code": code, "target": [{ "code": to, "display": "as the map says", "equivalence": equivalence, "comment": "as the board decided" }] });
    json!({
        "resourceType": "ConceptMap", "id": id, "url": format!("https://hospital.example/ConceptMap/{id}"),
        "version": "3", "status": "active", "sourceUri": "https://hospital.example/ValueSet/all",
        "group": [{ "source": LOCAL, "target": format!("{EP}/CodeSystem/{target}"),
            "element": rows.iter().map(element).collect::<Vec<_>>() }],
    })
}

fn issues(outcome: &Json) -> Vec<(String, String)> {
    let issues = outcome["issue"].as_array().unwrap();
    let text = |issue: &Json, name: &str| issue[name].as_str().unwrap().to_owned();
    issues.iter().map(|issue| (text(issue, "severity"), text(issue, "code"))).collect()
}

fn has_errors(outcome: &Json) -> bool {
    assert_eq!(outcome["resourceType"], "OperationOutcome");
    issues(outcome).iter().any(|(severity, _)| severity == "error")
}

/// How many resources of each type are stored, and their versions.
async fn stored(served: &Served) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    for kind in endplate_fhir::TYPES {
        for found in served.all(kind).await {
            let name = format!("{kind}/{}", found["id"].as_str().unwrap());
            all.insert(name, found["meta"]["versionId"].as_str().unwrap().to_owned());
        }
    }
    all
}

fn refused(reply: &Reply, status: u16, code: &str) {
    assert_eq!(reply.status, status, "{}", reply.text);
    assert!(issues(&reply.json()).iter().any(|(_, found)| found == code), "{}", reply.text);
}

/// Numbers from a seed: a linear congruential generator with Knuth's constants.
struct Seeded(u64);

impl Seeded {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(self.0 >> 33).unwrap() % n.max(1)
    }
}

/// One change somewhere in a resource.
fn mutate(value: &mut Json, seeded: &mut Seeded) {
    let deeper = seeded.below(3) > 0;
    match value {
        Json::Object(members) if !members.is_empty() => {
            let at = seeded.below(members.len());
            let name = members.keys().nth(at).unwrap().clone();
            let member = members.get_mut(&name).unwrap();
            if deeper && (member.is_object() || member.is_array()) {
                return mutate(member, seeded);
            }
            match seeded.below(5) {
                0 => drop(members.shift_remove(&name)),
                1 => *member = json!(17),
                2 => *member = json!([]),
                3 => drop(members.insert(format!("{name}X"), json!("x"))),
                _ => mutate(member, seeded),
            }
        }
        Json::Array(all) if !all.is_empty() => {
            let at = seeded.below(all.len());
            match seeded.below(4) {
                0 => drop(all.remove(at)),
                1 => all.push(all[at].clone()),
                _ => mutate(&mut all[at], seeded),
            }
        }
        Json::String(text) => {
            const TEXTS: [&str; 6] = ["", "x", "2031-01-01", "1990", "completed", "Patient/none"];
            text.replace_range(.., TEXTS[seeded.below(TEXTS.len())]);
        }
        Json::Number(_) => *value = [json!(-1), json!(0), json!(2.5), json!("7")][seeded.below(4)].clone(),
        _ => *value = json!({ "extension": [] }),
    }
}

fn names(bundle: &Json) -> Vec<String> {
    let entries = bundle["entry"].as_array().map_or(&[][..], Vec::as_slice).iter();
    let name = |entry: &Json| {
        let part = |name: &str| entry["resource"][name].as_str().unwrap().to_owned();
        format!("{}/{}", part("resourceType"), part("id"))
    };
    entries.map(name).collect()
}

/// Inputs with which an operation can be done; none where it needs none.
fn inputs(name: &str) -> Vec<Json> {
    match name {
        "validate" => vec![resource(&patient("p1", "1995-05-05"))],
        "meta-add" | "meta-delete" => {
            vec![parameter("meta", "valueMeta", json!({ "tag": [{ "code": "x" }] }))]
        }
        "translate" => {
            vec![parameter("code", "valueCode", json!("N")), parameter("system", "valueUri", json!(LOCAL))]
        }
        "apply" => vec![parameter("subject", "valueString", json!("Patient/p1"))],
        "unit-report" => vec![
            parameter("start", "valueDate", json!("2025-01-01")),
            parameter("end", "valueDate", json!("2025-12-31")),
        ],
        "compare-options" => {
            let [_, _, graft] = interosseous_graft();
            vec![resource(&with(&graft, "status", json!("preparation")))]
        }
        "lastn" => vec![
            parameter("patient", "valueString", json!("p1")),
            parameter("code", "valueString", json!("motor-grade")),
        ],
        _ => vec![],
    }
}

/// The address of an operation on what [`clinic`] and a map `m` hold.
fn address(plan: &Json, kind: &str, is_instance: bool, name: &str) -> String {
    let id = match kind {
        "PlanDefinition" => "nerve-repair-follow-up",
        "CarePlan" => plan["id"].as_str().unwrap(),
        "ConceptMap" => "m",
        "RiskAssessment" => {
            let reference = plan["supportingInfo"][0]["reference"].as_str().unwrap();
            reference.strip_prefix("RiskAssessment/").unwrap()
        }
        _ => "p1",
    };
    if is_instance { format!("/fhir/{kind}/{id}/${name}") } else { format!("/fhir/{kind}/${name}") }
}

// operations.html#executing: POST for all; GET where nothing is changed and all inputs are primitive.
#[tokio::test]
async fn c01_operations_are_invoked_as_r4_says() {
    let served = clinic().await;
    served.put(&map("m", "nerve", &[("N", "equal", "radial")])).await.done();
    served.put(&subscription("p1", "Task", "http://127.0.0.1:9/", true)).await.done();
    let plan = served.all("CarePlan").await.remove(0);
    let address = |kind: &str, is_instance: bool, name: &str| address(&plan, kind, is_instance, name);
    for operation in OFFERED {
        let kind = operation.kind.unwrap_or("Patient");
        let all = inputs(operation.name);
        for is_instance in [false, true] {
            let offered = if is_instance { operation.on_instance } else { operation.on_type };
            let mut all = all.clone();
            if operation.name == "apply" && !is_instance {
                let url = format!("{EP}/PlanDefinition/nerve-repair-follow-up");
                let definition = json!({ "resourceType": "PlanDefinition", "status": "active", "url": url });
                all.push(parameter("planDefinition", "resource", definition));
            }
            let reply = served.post(&address(kind, is_instance, operation.name), &parameters(&all)).await;
            if !offered {
                refused(&reply, 404, "not-supported");
                continue;
            }
            assert_eq!(reply.status, 200, "{} {is_instance}: {}", operation.name, reply.text);
            let plain = all.iter().all(|one| one.get("resource").is_none() && one.get("valueMeta").is_none());
            let query: Vec<String> = all
                .iter()
                .filter_map(|one| {
                    let value = one.as_object()?.iter().find(|(name, _)| name.starts_with("value"))?.1;
                    Some(format!("{}={}", one["name"].as_str()?, value.as_str()?))
                })
                .collect();
            let address = format!("{}?{}", address(kind, is_instance, operation.name), query.join("&"));
            let by_get = served.get(&address).await;
            let allowed = plain && !operation.affects_state;
            assert_eq!(by_get.status, if allowed { 200 } else { 405 }, "{address}: {}", by_get.text);
            // RFC 9110 section 15.5.6: whoever refuses a method names those that are allowed.
            assert_eq!(by_get.header("allow"), if allowed { "" } else { "POST" }, "{address}");
        }
    }
    for (method, path) in [
        ("POST", "/fhir/$nonsense"),
        ("POST", "/fhir/Task/$nonsense"),
        ("GET", "/fhir/Task/$nonsense"),
        ("GET", "/fhir/Task/1/$nonsense"),
        ("POST", "/fhir/Task/1/$everything"),
    ] {
        refused(&served.send(served.request(method, path)).await, 404, "not-supported");
    }
    for path in ["/fhir/ConceptMap/$translate", APPLY, "/fhir/Task/$validate", "/fhir/Patient/p1/$meta-add"] {
        refused(&served.post(path, &parameters(&[])).await, 400, "required");
    }
    // A structure does not fit into a query; and what is not known must not look heeded.
    refused(&served.get("/fhir/ConceptMap/$translate?coding=N").await, 400, "invalid");
    refused(&served.get("/fhir/Patient/p1/$everything?status=active").await, 400, "invalid");
}

// operations.html#response: a single `return` that is a resource comes as it is, anything else as Parameters.
#[tokio::test]
async fn c02_answers_have_the_shape_of_their_parameters() {
    let served = clinic().await;
    let subject = parameters(&[parameter("subject", "valueString", json!("Patient/p1"))]);
    for (path, body, kind) in [
        ("/fhir/Patient/$validate", patient("p1", "1995-05-05"), "OperationOutcome"),
        (APPLY, subject, "CarePlan"),
        ("/fhir/Patient/p1/$everything", parameters(&[]), "Bundle"),
        ("/fhir/Patient/p1/$meta", parameters(&[]), "Parameters"),
        ("/fhir/ConceptMap/$unmapped", parameters(&[]), "Parameters"),
    ] {
        let answer = served.post(path, &body).await.json();
        assert_eq!(answer["resourceType"], kind, "{path}: {answer}");
        assert!(!r4::resource(&answer).iter().any(endplate_fhir::issue::Issue::is_error), "{answer}");
    }
    let meta = served.get("/fhir/Patient/p1/$meta").await.json();
    assert_eq!(meta["parameter"][0]["name"], "return");
    assert!(meta["parameter"][0]["valueMeta"]["lastUpdated"].is_string());
}

/// Whatever is sent to an operation, the answer is a resource or a refusal with a sentence, and those that store nothing
/// store nothing.
#[tokio::test]
async fn mutated_inputs_never_break_an_operation() {
    const SEED: u64 = 20_260_303;
    println!("seed {SEED}");
    let mut seeded = Seeded(SEED);
    let served = clinic().await;
    served.put(&map("m", "nerve", &[("N", "equal", "radial")])).await.done();
    let plan = served.all("CarePlan").await.remove(0);
    let before = stored(&served).await;
    let [_, _, graft] = interosseous_graft();
    let dependency = json!({ "name": "dependency", "part": [
        { "name": "element", "valueUri": "x" }, { "name": "concept", "valueCodeableConcept": { "coding": [{ "code": "y" }] } },
    ] });
    let coding = parameter("coding", "valueCoding", json!({ "system": LOCAL, "code": "N" }));
    for operation in OFFERED.iter().filter(|operation| !operation.affects_state) {
        let mut all = match operation.name {
            "translate" => {
                vec![coding.clone(), dependency.clone(), parameter("reverse", "valueBoolean", json!(true))]
            }
            "everything" => vec![
                parameter("start", "valueDate", json!("2026-01-01")),
                parameter("_type", "valueCode", json!("Task")),
                parameter("_count", "valueInteger", json!(3)),
                parameter("_after", "valueString", json!("Goal/x")),
            ],
            name => inputs(name),
        };
        if matches!(operation.name, "apply" | "validate") {
            all.truncate(1);
            all.push(resource(&graft));
        }
        if matches!(operation.name, "apply" | "assess") {
            all.push(parameter("asOf", "valueDate", json!("2027-01-01")));
        }
        if all.is_empty() {
            continue;
        }
        let path = address(&plan, operation.kind.unwrap_or("Patient"), operation.on_instance, operation.name);
        for n in 0..60 {
            let mut body = parameters(&all);
            for _ in 0..=seeded.below(3) {
                mutate(&mut body, &mut seeded);
            }
            let reply = served.post(&path, &body).await;
            assert!(
                matches!(reply.status, 200 | 400 | 404 | 422),
                "{path} {n}: {body}\n{} {}",
                reply.status,
                reply.text
            );
            let answer = reply.json();
            let text = answer["issue"][0]["details"]["text"].as_str().unwrap_or_default();
            assert!(reply.status == 200 || text.len() > 10, "{}", reply.text);
        }
    }
    assert_eq!(stored(&served).await, before);
}
