//! `$translate`, codes without a map, and what is said of terminology.

use super::{LOCAL, issues, map, parameter, parameters};
use crate::clinic::{EP, interosseous_graft, observation, with};
use crate::served::{FHIR_JSON, Served};
use endplate_fhir::Json;
use serde_json::json;

fn out<'a>(answer: &'a Json, name: &str) -> Vec<&'a Json> {
    answer["parameter"].as_array().unwrap().iter().filter(|one| one["name"] == name).collect()
}

// OperationDefinition ConceptMap-translate.
#[tokio::test]
async fn c15_codes_are_translated_by_stored_maps() {
    let served = Served::open("2026-03-02").await;
    let rows =
        [("G1", "wider", "autograft"), ("G1", "narrower", "conduit"), ("G2", "disjoint", "neurolysis")];
    served.put(&map("m", "repair-technique", &rows)).await.done();
    let url = "https://hospital.example/ConceptMap/m";
    let ask = async |query: &str| {
        let reply = served.get(&format!("/fhir/ConceptMap/{query}")).await;
        assert_eq!(reply.status, 200, "{query}: {}", reply.text);
        reply.json()
    };
    let coding = format!("code=G1&system={LOCAL}");
    for query in [
        format!("$translate?{coding}"),
        format!("$translate?{coding}&url={url}"),
        format!("$translate?{coding}&url={url}|3"),
        format!("$translate?{coding}&targetsystem={EP}/CodeSystem/repair-technique"),
        format!("$translate?{coding}&source=https://hospital.example/ValueSet/all"),
        format!("m/$translate?{coding}"),
    ] {
        let answer = ask(&query).await;
        assert_eq!(out(&answer, "result")[0]["valueBoolean"], true, "{query}");
        let matches = out(&answer, "match");
        assert_eq!(matches.len(), 2, "{query}: {answer}");
        let system = format!("{EP}/CodeSystem/repair-technique");
        let concept = json!({ "code": "autograft", "system": system, "display": "as the map says" });
        assert_eq!(
            matches[0]["part"],
            json!([
                { "name": "equivalence", "valueCode": "wider" },
                { "name": "concept", "valueCoding": concept },
                { "name": "source", "valueUri": url },
            ])
        );
    }
    for query in [
        format!("$translate?code=G9&system={LOCAL}"),
        format!("$translate?code=G2&system={LOCAL}"),
        format!("$translate?{coding}&target=https://other.example/ValueSet/x"),
        "$translate?code=G1&system=https://other.example/codes".to_owned(),
    ] {
        let answer = ask(&query).await;
        assert_eq!(out(&answer, "result")[0]["valueBoolean"], false, "{query}");
        assert!(out(&answer, "message")[0]["valueString"].is_string());
    }
    // Backwards the equivalence is the other way round.
    let system = format!("{EP}/CodeSystem/repair-technique");
    let back = ask(&format!("$translate?code=autograft&system={system}&reverse=true")).await;
    assert_eq!(out(&back, "match")[0]["part"][0]["valueCode"], "narrower");
    let concept = json!({ "coding": [{ "code": "x" }, { "system": LOCAL, "code": "G1" }] });
    let body = parameters(&[parameter("codeableConcept", "valueCodeableConcept", concept)]);
    let answer = served.post("/fhir/ConceptMap/$translate", &body).await.json();
    assert_eq!(out(&answer, "match").len(), 2);
    let sent = map("x", "repair-technique", &[("Z", "equal", "conduit")]);
    let coding = json!({ "system": LOCAL, "code": "Z" });
    let body =
        parameters(&[parameter("conceptMap", "resource", sent), parameter("coding", "valueCoding", coding)]);
    let answer = served.post("/fhir/ConceptMap/$translate", &body).await.json();
    assert_eq!(out(&answer, "result")[0]["valueBoolean"], true);
    for (query, status) in [
        ("$translate?code=G1".to_owned(), 400),
        (format!("$translate?code=G1&system={LOCAL}&url=https://other.example/x"), 404),
        (format!("none/$translate?code=G1&system={LOCAL}"), 404),
    ] {
        assert_eq!(served.get(&format!("/fhir/ConceptMap/{query}")).await.status, status, "{query}");
    }
}

#[tokio::test]
async fn c16_an_unmapped_code_is_kept_told_and_counted_but_never_guessed() {
    let served = Served::open("2026-03-02").await;
    let [who, what, graft] = interosseous_graft();
    for resource in [who, what, map("m", "repair-technique", &[("G1", "equal", "autograft")])] {
        served.put(&resource).await.done();
    }
    let local = |id: &str, system: &str, code: &str| {
        let concept = json!({ "coding": [{ "system": system, "code": code }], "text": "autograft" });
        with(&with(&graft, "id", json!(id)), "code", concept)
    };
    let put = async |resource: &Json| {
        let path = format!(
            "/fhir/{}/{}",
            resource["resourceType"].as_str().unwrap(),
            resource["id"].as_str().unwrap()
        );
        let request = served.request("PUT", &path).header("content-type", FHIR_JSON);
        served.send(request.header("prefer", "return=OperationOutcome").body(resource.to_string())).await
    };
    for (id, system, code, severity) in [
        ("r1", LOCAL, "G9", "warning"),
        ("r2", LOCAL, "G9", "warning"),
        ("r3", "https://other.example/codes", "7", "information"),
    ] {
        let sent = local(id, system, code);
        let reply = put(&sent).await;
        assert_eq!(reply.status, 201, "{}", reply.text);
        assert_eq!(issues(&reply.json())[0].0, severity, "{}", reply.text);
        assert!(!reply.text.contains("G9"), "no value of the payload is repeated");
        let mut read = served.get(&format!("/fhir/Procedure/{id}")).await.json();
        read.as_object_mut().unwrap().shift_remove("meta");
        assert_eq!(read, sent);
    }
    let lab = with(
        &observation("o1", "p1", "r1", "x", "2026-03-01", ("valueInteger", json!(4))),
        "code",
        json!({ "coding": [{ "system": "http://loinc.org", "code": "718-7" }] }),
    );
    put(&lab).await.done();
    assert_eq!(served.all("CarePlan").await, Vec::<Json>::new());
    let counted = served.get("/fhir/ConceptMap/$unmapped").await.json();
    let rows: Vec<(String, String, i64)> = out(&counted, "unmapped")
        .iter()
        .map(|row| {
            let part = |name: &str| {
                row["part"].as_array().unwrap().iter().find(|part| part["name"] == name).unwrap().clone()
            };
            let text = |name: &str| part(name)["valueCode"].as_str().unwrap().to_owned();
            (text("type"), text("code"), part("count")["valueInteger"].as_i64().unwrap())
        })
        .collect();
    let row = |kind: &str, code: &str, count: i64| (kind.to_owned(), code.to_owned(), count);
    assert_eq!(rows, [row("Procedure", "G9", 2), row("Observation", "718-7", 1), row("Procedure", "7", 1)]);
}

// http.html#capabilities: mode.
#[tokio::test]
async fn c20_terminology_is_told_at_metadata() {
    let served = Served::open("2026-03-02").await;
    let told = served.get("/fhir/metadata?mode=terminology").await.json();
    assert_eq!(
        (&told["resourceType"], &told["kind"]),
        (&json!("TerminologyCapabilities"), &json!("instance"))
    );
    assert_eq!(told["translation"]["needsMap"], true);
    for name in ["status", "date", "implementation"] {
        assert!(told.get(name).is_some(), "{name}");
    }
    let systems = told["codeSystem"].as_array().unwrap();
    assert!(systems.iter().any(|system| system["uri"] == format!("{EP}/CodeSystem/repair-technique")));
    assert_eq!(served.get("/fhir/metadata").await.json()["resourceType"], "CapabilityStatement");
}
