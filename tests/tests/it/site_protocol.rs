//! A clinic's own parameters: another version, kept plans, a preview and the move.

use crate::clinic::{TurnedClock, gap, interosseous_graft, patient, repair, target};
use crate::served::{Served, config};
use endplate_followup::protocol;
use endplate_server::boot::Parts;
use endplate_server::config::{Config, StoreUrl};
use serde_json::json;

const DEFINITION: &str = "https://endplate.example/fhir/PlanDefinition/nerve-repair-follow-up";

/// The defaults with these parameters of the clinic's own.
fn site(overrides: &str) -> Config {
    let protocol = protocol::load(Some(&overrides.parse().unwrap())).unwrap();
    Config { protocol, ..config() }
}

fn count(parameters: &endplate_fhir::Json, name: &str) -> i64 {
    let all = parameters["parameter"].as_array().unwrap();
    all.iter().find(|one| one["name"] == name).unwrap()["valueInteger"].as_i64().unwrap()
}

async fn followed(served: &Served) -> String {
    let plan = served.all("CarePlan").await.remove(0);
    plan["instantiatesCanonical"][0].as_str().unwrap().to_owned()
}

// FHIR R4 CarePlan.instantiatesCanonical names the definition with its version (datatypes.html#canonical).
#[tokio::test]
async fn i14_a_plan_keeps_its_protocol_until_it_is_moved() {
    let store = crate::stores::fresh().await;
    let first = Served::on("2026-03-02", store.clone(), &config()).await;
    for resource in interosseous_graft() {
        first.put(&resource).await.done();
    }
    assert_eq!(followed(&first).await, format!("{DEFINITION}|1"));
    let forecast = first.all("RiskAssessment").await.remove(0)["prediction"].clone();
    // The clinic finds its own patients slower. What is planned stays, also after a write and a sweep.
    let slow = site("[growth]\nrate_mm_per_day = 1.0");
    let second = Served::on("2026-03-20", store.clone(), &slow).await;
    let mut graft = interosseous_graft()[2].clone();
    graft["note"] = json!([{ "text": "corrected" }]);
    second.put(&graft).await.done();
    second.turn_to("2026-04-20").await;
    assert_eq!(followed(&second).await, format!("{DEFINITION}|1"));
    assert_eq!(second.all("RiskAssessment").await[0]["prediction"], forecast);
    // The chart is drawn by the plan's protocol too: the picture says what the stored report says.
    let report = second.all("DiagnosticReport").await.remove(0);
    let said = report["conclusion"].as_str().unwrap().split(" This supports").next().unwrap();
    let picture = second.get(&format!("/fhir/{}", report["presentedForm"][0]["url"].as_str().unwrap())).await;
    assert!(said.len() > 100 && picture.text.contains(said), "{said}");
    // The preview says what would change and changes nothing.
    let before = second.all("CarePlan").await;
    let preview = second.get("/fhir/Patient/p1/$protocol-preview").await.json();
    assert_eq!(count(&preview, "plans"), 1);
    assert!(count(&preview, "windows") > 0);
    assert_eq!(second.all("CarePlan").await, before);
    // The move does what the preview said, once.
    let moved =
        second.post("/fhir/Patient/p1/$protocol-move", &json!({ "resourceType": "Parameters" })).await.json();
    assert_eq!(moved, preview);
    assert_eq!(followed(&second).await, format!("{DEFINITION}|{}", slow.protocol.version));
    assert_ne!(second.all("RiskAssessment").await[0]["prediction"], forecast);
    let again = second.get("/fhir/Patient/p1/$protocol-preview").await.json();
    assert_eq!(count(&again, "plans"), 0);
    // Back at the published protocol the moved plan keeps the clinic's, which is no longer configured.
    let third = Served::on("2026-05-20", store.clone(), &config()).await;
    let forecast = third.all("RiskAssessment").await[0]["prediction"].clone();
    third.turn_to("2026-06-20").await;
    third.put(&interosseous_graft()[2]).await.done();
    assert_eq!(third.all("RiskAssessment").await[0]["prediction"], forecast);
    let report = third.server.endplate().move_plans(false, &|_, _| {}).await.unwrap();
    assert_eq!((report.patients, report.moved.plans), (1, 1));
    assert_eq!(followed(&third).await, format!("{DEFINITION}|1"));
}

#[tokio::test]
async fn one_version_never_has_two_meanings() {
    let directory = tempfile::tempdir().unwrap();
    let url = StoreUrl::Sqlite(directory.path().join("site.db"));
    let own = |rate: &str| Config {
        store: url.clone(),
        ..site(&format!("version = \"own\"\n[growth]\nrate_mm_per_day = {rate}"))
    };
    let clock = TurnedClock::at("2026-03-02");
    let parts = Parts::of(&own("1.0"), clock.clone()).await.unwrap();
    let served = Served::on("2026-03-02", parts.store, &own("1.0")).await;
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
    assert!(Parts::of(&own("1.0"), clock.clone()).await.is_ok());
    let refused = Parts::of(&own("1.1"), clock).await.err().unwrap().to_string();
    assert!(refused.contains("give protocol.version another value"), "{refused}");
}

// A transaction may bring many patients: each plan is of the repair of its own.
#[tokio::test]
async fn what_is_sent_together_is_planned_apart() {
    let served = Served::open("2026-03-02").await;
    let parts = [gap(30.0), target("extensor-digitorum", 120.0)];
    let mut entries = Vec::new();
    for n in 1..=3 {
        let (p, r) = (format!("p{n}"), format!("r{n}"));
        let mut graft = repair(&r, &p, "none", "autograft", "radial", "2026-03-02", &parts);
        graft.as_object_mut().unwrap().shift_remove("reasonReference");
        for resource in [patient(&p, "1995-05-05"), graft] {
            let url = format!(
                "{}/{}",
                resource["resourceType"].as_str().unwrap(),
                resource["id"].as_str().unwrap()
            );
            entries.push(json!({ "resource": resource, "request": { "method": "PUT", "url": url } }));
        }
    }
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    served.post("/fhir", &bundle).await.done();
    let assessments = served.all("RiskAssessment").await;
    assert_eq!(assessments.len(), 3, "one a repair");
    for one in assessments {
        let subject =
            one["subject"]["reference"].as_str().unwrap().trim_start_matches("Patient/p").to_owned();
        assert_eq!(one["basis"][0]["reference"], format!("Procedure/r{subject}"));
    }
}

#[tokio::test]
async fn moving_asks_for_a_patient_and_nothing_else() {
    let served = Served::open("2026-03-02").await;
    for (path, status) in [
        ("/fhir/Patient/none/$protocol-preview", 404),
        ("/fhir/Patient/none/$protocol-preview?asOf=2026-01-01", 400),
        ("/fhir/Patient/none/$protocol-move", 405),
    ] {
        let reply = served.get(path).await;
        assert_eq!(reply.status, status, "{path}: {}", reply.text);
    }
}
