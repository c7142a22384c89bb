//! What comes under the identifier of something that is there already: a first try at a write takes what it creates to be new, and nobody
//! may notice when it is not. FHIR R4 http.html#create, #transaction.

use super::{DAY, ask, unit, unit_as};
use crate::clinic::{gap, injury, patient, repair, target};
use crate::served::Served;
use endplate_fhir::Json;
use serde_json::json;

const STAFF: &str = "https://records.example/staff";

fn transaction(entries: &[(&str, &str, Json)]) -> Json {
    let entry = |(method, url, resource): &(&str, &str, Json)| json!({ "request": { "method": method, "url": url }, "resource": resource });
    json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries.iter().map(entry).collect::<Vec<_>>() })
}

fn id(resource: &Json) -> String {
    resource["id"].as_str().unwrap().to_owned()
}

// http.html#create: each create makes a resource.
#[tokio::test]
async fn what_is_created_beside_an_update_of_its_namesake_is_another_resource() {
    let served = Served::open(DAY).await;
    let first = id(&served.post("/fhir/Organization", &unit("Hand unit")).await.json());
    let renamed = unit_as(&first, "Hand and arm unit");
    let both = transaction(&[
        ("POST", "Organization", unit("Hand unit")),
        ("PUT", &format!("Organization/{first}"), renamed),
    ]);
    let reply = served.post("/fhir", &both).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
    let mut names: Vec<(bool, String)> = served
        .all("Organization")
        .await
        .iter()
        .map(|unit| (id(unit) == first, unit["name"].as_str().unwrap().to_owned()))
        .collect();
    names.sort();
    assert_eq!(names, [(false, "Hand unit".to_owned()), (true, "Hand and arm unit".to_owned())]);
}

// http.html#trules: a conditional reference leads to the one that matches.
#[tokio::test]
async fn a_conditional_reference_finds_the_namesake_of_what_is_created() {
    let served = Served::open(DAY).await;
    let identifier = |value: &str| json!({ "system": STAFF, "value": value });
    let named = |values: &[&str]| json!({ "resourceType": "Practitioner", "identifier": values.iter().map(|value| identifier(value)).collect::<Vec<_>>() });
    let first = id(&served.post("/fhir/Practitioner", &named(&["heath", "h-7"])).await.json());
    let role = json!({ "resourceType": "PractitionerRole", "practitioner": { "reference": format!("Practitioner?identifier={STAFF}|h-7") } });
    let both =
        transaction(&[("POST", "Practitioner", named(&["heath"])), ("POST", "PractitionerRole", role)]);
    let reply = served.post("/fhir", &both).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
    let roles = served.all("PractitionerRole").await;
    assert_eq!(roles[0]["practitioner"]["reference"], json!(format!("Practitioner/{first}")));
    assert_eq!(served.all("Practitioner").await.len(), 2);
}

// http.html#create. An injury of the same name that is dated after the operation is not the one that was operated on.
#[tokio::test]
async fn an_injury_that_is_recorded_again_changes_nothing_of_a_repair() {
    let served = Served::open("2026-03-03").await;
    let put = async |resource: Json| assert_eq!(served.put(&resource).await.status, 201);
    let recorded = async |onset: &str| {
        let mut injury = injury("unnamed", "p1", onset);
        injury["identifier"] = json!([{ "system": "https://records.example/injuries", "value": "i-7" }]);
        // The service makes the id, from the identifier.
        injury.as_object_mut().unwrap().shift_remove("id");
        let reply = served.post("/fhir/Condition", &injury).await;
        assert_eq!(reply.status, 201, "{}", reply.text);
        id(&reply.json())
    };
    put(patient("p1", "1995-05-05")).await;
    let first = recorded("2026-02-23").await;
    let nerve = "posterior-interosseous";
    let targets = [gap(30.0), target("extensor-digitorum", 80.0)];
    put(repair("r1", "p1", &first, "autograft", nerve, "2026-03-02", &targets)).await;
    let plans = served.all("CarePlan?status=active").await;
    assert_eq!(plans.len(), 1);
    assert_ne!(recorded("2026-03-03").await, first);
    assert_eq!(served.all("CarePlan?status=active").await, plans);
}

// http.html#transaction; the rule is this server's. What is refused is refused with the words of what is so.
#[tokio::test]
async fn a_reference_to_what_is_not_there_is_named_and_nothing_is_stored() {
    let served = Served::open(DAY).await;
    let part = json!({ "resourceType": "Organization", "name": "Hand unit", "partOf": { "reference": "Organization/none" } });
    for reply in [
        served.post("/fhir/Organization", &part).await,
        served.post("/fhir", &transaction(&[("POST", "Organization", part.clone())])).await,
    ] {
        assert_eq!(reply.status, 422);
        assert!(reply.text.contains("This reference leads to nothing here"), "{}", reply.text);
        assert!(reply.text.contains("partOf.reference"), "{}", reply.text);
    }
    assert_eq!(
        ask(&served, "GET", "/fhir/Organization?_summary=count", &[], &Json::Null).await.json()["total"],
        0
    );
}
