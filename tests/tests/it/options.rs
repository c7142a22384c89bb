//! `$compare-options` through HTTP: candidate repairs of one injury side by side.

use crate::clinic::{EP, gap, injury, patient, repair, target, with};
use crate::served::Served;
use endplate_fhir::{Json, validate};
use serde_json::json;

const COMPARE: &str = "/fhir/PlanDefinition/nerve-repair-follow-up/$compare-options";

fn candidate(id: &str, technique: &str, extensions: &[Json]) -> Json {
    let done = repair(id, "p1", "c1", technique, "radial", "2026-03-16", extensions);
    with(&done, "status", json!("preparation"))
}

/// Four options for one radial nerve.
fn candidates() -> Vec<Json> {
    let targets = |path: f64| target("extensor-digitorum", path);
    vec![
        candidate("auto", "autograft", &[gap(40.0), targets(250.0)]),
        candidate("allo", "processed-allograft", &[gap(40.0), targets(250.0)]),
        candidate("nerve", "nerve-transfer", &[targets(60.0)]),
        candidate("tendon", "tendon-transfer", &[targets(0.0)]),
    ]
}

fn body(candidates: &[Json], more: &[Json]) -> Json {
    let resource = |one: &Json| json!({ "name": "resource", "resource": one });
    let mut all: Vec<Json> = candidates.iter().map(resource).collect();
    all.extend(more.iter().cloned());
    json!({ "resourceType": "Parameters", "parameter": all })
}

async fn clinic() -> Served {
    let served = Served::open("2026-03-09").await;
    served.put(&patient("p1", "1995-05-05")).await.done();
    served.put(&injury("c1", "p1", "2025-11-03")).await.done();
    served
}

async fn compared(served: &Served, body: &Json) -> Vec<Json> {
    let reply = served.post(COMPARE, body).await;
    assert_eq!(reply.status, 200, "{}", reply.text);
    let bundle = reply.json();
    assert!(!validate::resource(&bundle).iter().any(endplate_fhir::issue::Issue::is_error), "{bundle}");
    bundle["entry"].as_array().unwrap().iter().map(|entry| entry["resource"].clone()).collect()
}

fn extensions<'a>(resource: &'a Json, name: &str) -> Vec<&'a Json> {
    let url = format!("{EP}/StructureDefinition/{name}");
    resource["extension"].as_array().unwrap().iter().filter(|one| one["url"] == url.as_str()).collect()
}

fn assessments(all: &[Json]) -> Vec<&Json> {
    all.iter().filter(|one| one["resourceType"] == "RiskAssessment").collect()
}

// FHIR R4 operations.html: the answer is valid R4 (Composition, RiskAssessment), and the operation stores nothing.
#[tokio::test]
async fn options_stand_side_by_side_and_nothing_is_stored() {
    let served = clinic().await;
    let wishes = [
        json!({ "name": "wish", "valueCode": "no-donor-deficit" }),
        json!({ "name": "wish", "valueCode": "independent-finger-motion" }),
        json!({ "name": "wish", "valueString": "to be back at the piano <soon>" }),
    ];
    let all = compared(&served, &body(&candidates(), &wishes)).await;
    let summary = &all[0];
    assert_eq!(summary["resourceType"], "Composition");
    assert_eq!(summary["section"][0]["title"], "Cautions");
    let div = summary["text"]["div"].as_str().unwrap();
    assert!(div.find("does not replace").unwrap() < div.find("<table").unwrap(), "cautions first: {div}");
    assert!(summary.to_string().contains("&lt;soon&gt;"), "words are escaped");
    let assessments = assessments(&all);
    assert_eq!(assessments.len(), 4);
    // As sent, not ranked; each on its candidate, which is in the Bundle.
    let basis: Vec<&str> =
        assessments.iter().map(|one| one["basis"][0]["reference"].as_str().unwrap()).collect();
    assert_eq!(basis, ["Procedure/auto", "Procedure/allo", "Procedure/nerve", "Procedure/tendon"]);
    let against: Vec<usize> = assessments.iter().map(|one| extensions(one, "wish-against").len()).collect();
    assert_eq!(against, [1, 0, 1, 2]);
    for one in &assessments {
        assert_eq!(one["status"], "preliminary");
        assert!(extensions(one, "review-count")[0]["valueUnsignedInt"].as_u64().unwrap() > 0);
        for given_up in extensions(one, "given-up") {
            let source = given_up["extension"][2]["valueString"].as_str().unwrap();
            assert!(!source.is_empty());
        }
    }
    assert!(assessments[3].get("prediction").is_none(), "a tendon transfer has no window");
    assert!(extensions(assessments[3], "operate-by").is_empty(), "nor a last useful date");
    for kind in ["Procedure", "CarePlan", "RiskAssessment", "Task"] {
        assert_eq!(served.all(kind).await.len(), 0, "{kind}");
    }
}

// What is compared is what would follow: the same windows as the plan of the repair once it is done.
#[tokio::test]
async fn an_option_says_what_the_plan_will_say() {
    let served = clinic().await;
    let chosen = candidates().remove(0);
    let all = compared(&served, &body(std::slice::from_ref(&chosen), &[])).await;
    served.clock.turn_to("2026-03-16");
    served.put(&with(&chosen, "status", json!("completed"))).await.done();
    let stored = served.all("RiskAssessment").await.remove(0);
    assert_eq!(assessments(&all)[0]["prediction"], stored["prediction"]);
    let reviews = served.all("Task").await.len();
    assert_eq!(extensions(assessments(&all)[0], "review-count")[0]["valueUnsignedInt"], json!(reviews));
}

// The last useful date is the day from which nine in ten of the repairs that take would still be in time: operated on that
// day, the chance is 0.9 times the chance that the front does not stop (design: A(x) with the arrest mixture).
#[tokio::test]
async fn on_its_last_useful_date_an_option_is_in_time_in_nine_of_ten() {
    let served = clinic().await;
    for chosen in candidates().drain(..3) {
        let all = compared(&served, &body(std::slice::from_ref(&chosen), &[])).await;
        let by = extensions(assessments(&all)[0], "operate-by")[0]["extension"][1]["valueDate"].clone();
        let all = compared(&served, &body(&[with(&chosen, "performedDateTime", by)], &[])).await;
        let then = assessments(&all)[0];
        let arrest = extensions(then, "arrest-probability")[0]["valueDecimal"].as_f64().unwrap();
        let in_time = then["prediction"][0]["probabilityDecimal"].as_f64().unwrap();
        // Rounded down to a whole day, which is worth up to one in a hundred.
        let over = in_time - 0.9 * (100.0 - arrest);
        assert!((-0.2..=1.2).contains(&over), "{in_time} {arrest}");
    }
}

#[tokio::test]
async fn a_comparison_that_cannot_be_made_says_what_to_send() {
    let served = clinic().await;
    served.put(&patient("p2", "1990-01-01")).await.done();
    served.put(&injury("c2", "p1", "2026-01-01")).await.done();
    let all = candidates();
    let one = |member: &str, value: Json| body(&[all[0].clone(), with(&all[1], member, value)], &[]);
    let wish = |value: Json| body(&all, &[json!({ "name": "wish", "valueCoding": value })]);
    for (sent, status, said) in [
        (
            body(&[], &[json!({ "name": "wish", "valueCode": "no-donor-deficit" })]),
            400,
            "Procedure with status preparation",
        ),
        (one("status", json!("completed")), 422, "status as preparation"),
        (one("code", json!({ "text": "secret" })), 422, "code of repair-technique"),
        (one("extension", json!([target("extensor-digitorum", 250.0)])), 422, "gap"),
        (one("subject", json!({ "reference": "Patient/p2" })), 422, "one patient"),
        (one("reasonReference", json!([{ "reference": "Condition/none" }])), 422, "not known"),
        (one("reasonReference", json!([{ "reference": "Condition/c2" }])), 422, "several injuries"),
        (one("performedDateTime", json!("2025-01-01")), 422, "dated after its repair"),
        (one("performedDateTime", json!("soon")), 422, "date"),
        (one("id", json!("auto")), 422, "own"),
        (body(&[all[0].clone(), json!({ "resourceType": "Task" })], &[]), 400, "only the candidates"),
        (wish(json!({ "system": "https://other.example", "code": "x" })), 400, "code of patient-wish"),
        (body(&all, &[json!({ "name": "rank", "valueBoolean": true })]), 400, "not known"),
        (body(&all, &[json!({ "name": "subject", "valueString": "Patient/p2" })]), 422, "one patient"),
    ] {
        let reply = served.post(COMPARE, &sent).await;
        assert_eq!(reply.status, status, "{said}: {}", reply.text);
        assert!(reply.text.contains(said), "{said}: {}", reply.text);
        assert!(!reply.text.contains("secret"));
    }
    assert_eq!(
        served.post("/fhir/PlanDefinition/other/$compare-options", &body(&all, &[])).await.status,
        404
    );
    assert_eq!(served.get(COMPARE).await.status, 405);
}
