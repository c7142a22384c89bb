//! What validation says of a resource is what a write of it is told: FHIR R4 resource-operation-validate.html, "would be
//! accepted", and http.html#create.

use crate::clinic::{
    EP, code, gap, injury, interosseous_graft, motor, observation, patient, repair, target, with,
};
use crate::expressions::{Random, examples, mutate, pool};
use crate::served::Served;
use endplate_fhir::Json;
use endplate_fhir::issue::Issue;
use serde_json::json;

const SEED: u64 = 20_260_307;

/// Place and sentence of each error, sorted.
type Told = Vec<(String, String)>;

async fn validated(served: &Served, resource: &Json) -> Vec<Issue> {
    let kind = resource["resourceType"].as_str().unwrap();
    served.server.endplate().validate(kind, resource.clone()).await.unwrap()
}

fn errors(issues: &[Issue]) -> Told {
    let mut told: Told = issues
        .iter()
        .filter(|issue| issue.is_error())
        .map(|issue| (issue.expression.clone(), issue.text.clone()))
        .collect();
    told.sort();
    told
}

/// What a write is refused for; nothing if it was done.
async fn refused(served: &Served, resource: &Json) -> Told {
    let kind = resource["resourceType"].as_str().unwrap();
    let reply = if kind == "Bundle" {
        served.post("/fhir", resource).await
    } else if resource["id"].is_string() {
        served.put(resource).await
    } else {
        served.post(&format!("/fhir/{kind}"), resource).await
    };
    if matches!(reply.status, 200 | 201) {
        return Vec::new();
    }
    assert!((400..500).contains(&reply.status), "{}: {}", reply.status, reply.text);
    let outcome = reply.json();
    let text = |value: &Json| value.as_str().unwrap_or_default().to_owned();
    let mut told: Told = outcome["issue"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|issue| issue["severity"] == "error")
        .map(|issue| (text(&issue["expression"][0]), text(&issue["details"]["text"])))
        .collect();
    told.sort();
    assert!(!told.is_empty(), "{}", reply.text);
    told
}

/// Both say the same, and validation stores nothing.
async fn agree(served: &Served, name: &str, resource: &Json) -> bool {
    let kind = resource["resourceType"].as_str().unwrap();
    let address = format!("/fhir/{kind}?_summary=count");
    let before = served.get(&address).await.untraced();
    let validated = errors(&validated(served, resource).await);
    assert_eq!(served.get(&address).await.untraced(), before, "{name}: validation stored something");
    assert_eq!(validated, refused(served, resource).await, "{name}");
    validated.is_empty()
}

// Repairs and findings, right and wrong: R4, our profiles, references, ids.
#[tokio::test]
async fn repairs_and_findings_are_judged_as_they_are_written() {
    let served = Served::open("2026-07-01").await;
    served.put(&patient("p1", "1990-01-01")).await.done();
    served.put(&injury("c1", "p1", "2026-02-23")).await.done();
    let graft = |extensions: &[Json]| {
        repair("r1", "p1", "c1", "autograft", "posterior-interosseous", "2026-03-02", extensions)
    };
    let good = graft(&[gap(30.0), target("extensor-digitorum", 80.0)]);
    let right = [good.clone(), motor("o1", "p1", "r1", "extensor-digitorum", "2026-06-22", 1)];
    let wrong = [
        graft(&[target("extensor-digitorum", 80.0)]),
        graft(&[gap(-3.0)]),
        with(&good, "bodySite", json!([code("nerve", "nothing")])),
        with(&good, "subject", json!({ "reference": "Patient/nobody" })),
        with(&good, "status", json!("done")),
        observation("o2", "p1", "r1", "motor-grade", "2026-06-22", ("valueInteger", json!(9))),
        observation("o3", "p1", "r1", "pain-score", "2026-06-22", ("valueString", json!("much"))),
        json!({ "resourceType": "Subscription", "status": "requested", "reason": "x", "criteria": "Nothing",
            "channel": { "type": "rest-hook", "endpoint": "ftp://x.example" } }),
    ];
    for resource in &wrong {
        assert!(!agree(&served, &resource.to_string(), resource).await, "{resource}");
    }
    for resource in &right {
        assert!(agree(&served, &resource.to_string(), resource).await, "{resource}");
    }
    let entries: Vec<Json> = interosseous_graft()
        .iter()
        .map(|one| {
            let url = format!("{}/{}", one["resourceType"].as_str().unwrap(), one["id"].as_str().unwrap());
            json!({ "resource": one, "request": { "method": "PUT", "url": url } })
        })
        .collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    assert!(agree(&served, "a transaction", &bundle).await);
}

// A repair that breaks R4 and its profile is told both at once, with an example and a code for machines.
#[tokio::test]
async fn everything_that_is_wrong_with_a_repair_is_told_at_once() {
    let served = Served::open("2026-03-02").await;
    served.put(&patient("p1", "1990-01-01")).await.done();
    let mut repair = repair("r1", "p1", "c1", "autograft", "radial", "2026-03-02", &[]);
    repair["recorder"] = json!({ "reference": "Device/1" });
    repair["statusReason"] = json!("x");
    repair["extension"] =
        json!([{ "url": format!("{EP}/StructureDefinition/laterality"), "valueCode": "up" }]);
    let told = validated(&served, &repair).await;
    let of = |key: &str| {
        told.iter().find(|issue| issue.key == Some(key)).unwrap_or_else(|| panic!("{key}: {told:#?}"))
    };
    assert_eq!(of("reference-target").expression, "Procedure.recorder.reference");
    assert_eq!(of("json-type").expression, "Procedure.statusReason");
    let example = of("repair-gap").diagnostics.clone().unwrap();
    assert!(example.starts_with("For example: ") && example.contains("valueQuantity"), "{example}");
    assert_eq!(
        of("repair-side").expression,
        format!("Procedure.extension('{EP}/StructureDefinition/laterality').value")
    );
}

// The published examples and seeded mutations of them, each to the service of one clinic.
#[tokio::test]
async fn examples_are_judged_as_they_are_written() {
    println!("seed {SEED}");
    let served = Served::open("2026-03-02").await;
    let examples = examples();
    let pool = pool(&examples);
    let mut random = Random(SEED);
    let (mut accepted, mut refused) = (0, 0);
    // AuditEvents are not offered for writing at all.
    for (name, example) in examples.iter().filter(|(name, _)| !name.starts_with("AuditEvent")) {
        let mutants = [mutate(example, &pool, &mut random), mutate(example, &pool, &mut random)];
        for resource in [example].into_iter().chain(&mutants) {
            if agree(&served, name, resource).await {
                accepted += 1;
            } else {
                refused += 1;
            }
        }
    }
    println!("{accepted} accepted, {refused} refused");
    assert!(accepted > 20 && refused > 20, "{accepted} accepted, {refused} refused");
}
