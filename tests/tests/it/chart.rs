//! The recovery chart: read by an SVG renderer, a PDF reader and font metrics from elsewhere, and fetched over HTTP.

use crate::clinic::{
    Clinic, appointment, code, encounter, gap, injury, interosseous_graft, mm, motor, patient, repair,
    sudomotor, target, tinel,
};
use crate::python;
use crate::served::Served;
use endplate_fhir::Json;
use endplate_followup::derivation::bare;
use endplate_followup::operation::Inputs;
use serde_json::json;
use std::fs;
use std::path::{Path, PathBuf};

/// Where charts are put for the script, and for people who want to look.
fn folder() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("chart");
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// Asks for the chart of a repair and puts it and its forecast where the script reads them.
async fn put_down(clinic: &Clinic, name: &str, procedure: &str) {
    let forecast = clinic.assessment(procedure).await;
    let id = forecast["id"].as_str().unwrap();
    let chart = clinic.endplate.chart(id, &Inputs::default()).await.unwrap();
    let again = clinic.endplate.chart(id, &Inputs::default()).await.unwrap();
    assert!(chart.svg == again.svg && chart.pdf == again.pdf, "{name}: the same facts give the same bytes");
    let file = |ending: &str| folder().join(format!("{name}.{ending}"));
    fs::write(file("svg"), &chart.svg).unwrap();
    fs::write(file("pdf"), &chart.pdf).unwrap();
    let findings = clinic.all("Observation?patient=p1").await;
    let facts = json!({ "forecast": forecast, "findings": findings, "report": chart.report });
    fs::write(file("json"), facts.to_string()).unwrap();
}

fn named(given: &str, family: &str) -> Json {
    let mut patient = patient("p1", "1995-05-05");
    patient["name"] = json!([{ "given": [given], "family": family }]);
    patient
}

/// A muscle that the anatomy table does not have, by its name.
fn free_target(name: &str, path: f64) -> Json {
    let mut target = target("extensor-digitorum", path);
    target["extension"][0]["valueCodeableConcept"] = json!({ "text": name });
    target
}

fn ulnar(targets: &[Json]) -> [Json; 3] {
    let extensions: Vec<Json> = [gap(45.0)].iter().chain(targets).cloned().collect();
    [
        named("Bj\u{f6}rn <&\"> O'", &"Very-Long-Family-Name ".repeat(12)),
        injury("c1", "p1", "2026-02-23"),
        repair("r1", "p1", "c1", "autograft", "ulnar", "2026-03-02", &extensions),
    ]
}

const EIGHT: [(&str, f64); 8] = [
    ("flexor carpi ulnaris", 60.0),
    ("flexor digitorum profundus to the ring finger", 62.0),
    ("flexor digitorum profundus to the little finger, a name that no margin has room for", 64.0),
    ("abductor digiti minimi", 290.0),
    ("third lumbrical", 300.0),
    ("first dorsal interosseous", 330.0),
    ("adductor pollicis", 331.0),
    ("deep head of flexor pollicis brevis", 332.0),
];

/// No finding, one, and thirty; one target and eight; good, stalled, late; names that XML and PDF must escape.
#[tokio::test]
async fn charts_are_what_independent_readers_expect() {
    let clinic = Clinic::with("2026-03-03", interosseous_graft()).await;
    put_down(&clinic, "none", "r1").await;

    clinic.clock.turn_to("2026-06-02");
    clinic.put(tinel("t1", "p1", "r1", "2026-06-01", 42.0)).await.unwrap();
    put_down(&clinic, "one", "r1").await;

    let one = [
        named("Ada", "Example"),
        injury("c1", "p1", "2026-02-23"),
        repair(
            "r1",
            "p1",
            "c1",
            "direct-coaptation",
            "ulnar",
            "2026-03-02",
            &[target("abductor-digiti-minimi", 90.0)],
        ),
    ];
    let clinic = Clinic::with("2029-04-01", one).await;
    put_down(&clinic, "single-late", "r1").await;

    let clinic = Clinic::with("2026-03-03", ulnar(&EIGHT.map(|(name, path)| free_target(name, path)))).await;
    put_down(&clinic, "eight", "r1").await;
    clinic.clock.turn_to("2027-03-02");
    let days = ["2026-05-01", "2026-07-01", "2026-09-01", "2026-11-02", "2027-01-04", "2027-03-01"];
    for (n, on) in days.into_iter().enumerate() {
        // A front that stops after the second look.
        clinic
            .put(tinel(&format!("t{n}"), "p1", "r1", on, [20.0, 48.0, 55.0, 56.0, 55.0, 57.0][n]))
            .await
            .unwrap();
    }
    put_down(&clinic, "stalled", "r1").await;

    let clinic = Clinic::with("2026-03-03", interosseous_graft()).await;
    clinic.clock.turn_to("2027-03-01");
    let task = clinic.open_tasks().await.into_iter().next().unwrap();
    clinic.put(encounter("e1", "p1", &task, "finished", "2026-03-16")).await.unwrap();
    let task = clinic.open_tasks().await.into_iter().next().unwrap();
    clinic.put(appointment("a1", "p1", &task, "booked", "2026-04-13")).await.unwrap();
    for n in 0..10_u8 {
        let on = crate::clinic::after("2026-04-13", i32::from(n) * 35);
        clinic
            .put(tinel(&format!("t{n}"), "p1", "r1", &on, (f64::from(n) * 19.0 + 12.0).min(185.0)))
            .await
            .unwrap();
        for (muscle, late) in [("extensor-digitorum", 4), ("extensor-indicis", 7)] {
            let grade = n.saturating_sub(late).min(4);
            clinic.put(motor(&format!("m{n}{muscle}"), "p1", "r1", muscle, &on, grade)).await.unwrap();
        }
    }
    put_down(&clinic, "thirty", "r1").await;

    let median = [
        named("\u{41e}\u{43b}\u{44c}\u{433}\u{430}", "\u{6f22}\u{5b57}"),
        injury("c1", "p1", "2026-02"),
        json!({
            "resourceType": "Procedure", "id": "r1", "status": "completed", "subject": { "reference": "Patient/p1" },
            "code": code("repair-technique", "direct-coaptation"), "bodySite": [code("nerve", "median")],
            "performedDateTime": "2026-03-02", "reasonReference": [{ "reference": "Condition/c1" }],
            "extension": [{ "url": format!("{}/StructureDefinition/repair-level", crate::clinic::EP), "extension": [
                { "url": "landmark", "valueCodeableConcept": code("landmark", "medial-epicondyle") },
                { "url": "distance", "valueQuantity": mm(-100.0) },
            ] }],
        }),
    ];
    let clinic = Clinic::with("2026-03-03", median).await;
    put_down(&clinic, "high-median", "r1").await;

    let output = python::script("chart.py", &[folder().to_str().unwrap()]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success() && said.starts_with("7 charts"), "{said}{stderr}");
}

/// R4 http.html, content negotiation, and RFC 9110 section 12: the chart is FHIR, or the picture that is asked for.
#[tokio::test]
async fn the_chart_is_served_as_fhir_as_svg_and_as_pdf() {
    let served = Served::open("2026-03-03").await;
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
    served.put(&tinel("t1", "p1", "r1", "2026-03-03", 4.0)).await.done();
    served.put(&sudomotor("s1", "p1", "r1", "radial-dorsum-hand", "2026-03-03", false)).await;
    let forecast = served.all("RiskAssessment?patient=p1").await.remove(0);
    let address = format!("/fhir/RiskAssessment/{}/$chart", forecast["id"].as_str().unwrap());

    let report = served.get(&address).await;
    assert_eq!(report.header("content-type"), "application/fhir+json;charset=utf-8");
    let report = report.json();
    assert_eq!(report["resourceType"], "DiagnosticReport");
    assert_eq!(report["subject"], forecast["subject"]);
    assert_eq!(report["result"][0]["reference"], "Observation/t1");
    let said = report["conclusion"].as_str().unwrap();
    assert!(
        said.contains("Tinel sign at 4 mm on 2026-03-03") && said.contains("does not replace the judgement"),
        "{said}"
    );
    let valid = served.post("/fhir/DiagnosticReport/$validate", &report).await.json();
    let issues = valid["issue"].as_array().unwrap();
    assert!(issues.iter().all(|issue| issue["severity"] != "error"), "{valid}");

    let ask = |accept: &'static str, query: &str| {
        served.send(served.request("GET", &format!("{address}{query}")).header("accept", accept))
    };
    for (accept, query, kind, begin) in [
        ("image/svg+xml", "", "image/svg+xml", "<?xml"),
        ("*/*", "?format=svg", "image/svg+xml", "<?xml"),
        ("application/pdf, */*;q=0.1", "", "application/pdf", "%PDF-1.4"),
        ("text/html", "?_format=application/pdf", "application/pdf", "%PDF-1.4"),
        ("*/*", "", "application/fhir+json;charset=utf-8", "{"),
    ] {
        let reply = ask(accept, query).await;
        assert_eq!((reply.status, reply.header("content-type")), (200, kind), "{accept} {query}");
        assert!(reply.text.starts_with(begin), "{accept} {query}");
    }
    assert_eq!(ask("text/html", "").await.status, 406);
    assert_eq!(ask("*/*", "?format=gif").await.status, 400);
    assert_eq!(served.get("/fhir/RiskAssessment/nobody/$chart").await.status, 404);

    // What has ended has no chart any more.
    let mut repair = interosseous_graft()[2].clone();
    repair["status"] = json!("entered-in-error");
    served.put(&repair).await.done();
    assert_eq!(served.get(&address).await.status, 422);
}

/// R4 DiagnosticReport and Attachment.url ("interpreted relative to the service url", "SHALL resolve to actual data"): a client
/// that knows nothing but FHIR finds the report of a patient and fetches the picture from it.
#[tokio::test]
async fn the_report_is_found_by_search_and_leads_to_the_picture() {
    let served = Served::open("2026-03-03").await;
    for resource in interosseous_graft() {
        served.put(&resource).await.done();
    }
    let mut versions = vec![served.all("DiagnosticReport").await.remove(0)];
    served.put(&motor("m1", "p1", "r1", "extensor-digitorum", "2026-03-03", 0)).await.done();
    served.put(&tinel("t1", "p1", "r1", "2026-03-02", 4.0)).await.done();
    let code = "code=https://endplate.example/fhir/CodeSystem/report|recovery-chart";
    let plan = served.all("CarePlan").await.remove(0);
    for query in [
        format!("patient=p1&{code}"),
        "result=Observation/t1".to_owned(),
        "status=partial&date=2026-03-03".to_owned(),
        format!("based-on=CarePlan/{}", plan["id"].as_str().unwrap()),
    ] {
        let found = served.all(&format!("DiagnosticReport?{query}")).await;
        assert_eq!(found.len(), 1, "{query}");
        versions.extend(found);
    }
    let report = versions.pop().unwrap();
    assert_eq!(report["id"], versions[0]["id"]);
    let findings: Vec<&str> =
        report["result"].as_array().unwrap().iter().map(|one| one["reference"].as_str().unwrap()).collect();
    assert_eq!(findings, ["Observation/t1", "Observation/m1"], "in the order of their days");
    assert!(versions[0].get("result").is_none());
    for (form, begin) in report["presentedForm"].as_array().unwrap().iter().zip(["<?xml", "%PDF-1.4"]) {
        let reply = served.get(&format!("/fhir/{}", form["url"].as_str().unwrap())).await;
        assert_eq!(
            (reply.status, reply.header("content-type")),
            (200, form["contentType"].as_str().unwrap())
        );
        assert!(reply.text.starts_with(begin) && form.get("data").is_none());
    }
    // The operation answers the same report, with the picture in it.
    let forecast = report["extension"][0]["valueReference"]["reference"].as_str().unwrap();
    let mut drawn = served.get(&format!("/fhir/{forecast}/$chart")).await.json();
    drawn["presentedForm"] = report["presentedForm"].clone();
    assert_eq!(drawn, bare(&report));
    // It rests on findings alone: a booking and a day that passes leave it as it is, and with nothing seen it costs little.
    let task = served.all("Task?status=requested&_sort=due").await.remove(0);
    served.put(&appointment("a1", "p1", &task, "booked", "2026-03-16")).await.done();
    served.turn_to("2026-03-10").await;
    assert_eq!(served.all("DiagnosticReport").await, std::slice::from_ref(&report));
    println!(
        "{} bytes without a finding, {} with two",
        versions[0].to_string().len(),
        report.to_string().len()
    );
}
