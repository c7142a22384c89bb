//! Both databases under one clinic: the same requests have the same answers, byte for byte.

use crate::served::{Reply, Served, config};
use crate::stores;
use endplate_fhir::Json;

const READS: [&str; 16] = [
    "_history?_count=7",
    "Procedure/_history?_count=200",
    "Task?_count=3&_sort=due,-_lastUpdated&_total=accurate",
    "Task?_count=4&_sort=-_lastUpdated",
    "Task?status=requested&due=le2026-12-31&_sort=due&_count=50",
    "Task?patient.name:contains=e&_count=100&_include=Task:focus",
    "Patient?_has:Procedure:patient:status=completed&_sort=family&_count=5",
    "Patient?name=a,b,c,d,e,f&_count=100",
    "Procedure?_id=a,b,c,d,e,f&_count=100",
    "Observation?date=ge2025-01-01&_sort=-date&_count=6",
    "Observation?value-quantity=gt1&_count=100",
    "DetectedIssue?_count=100&_revinclude=Provenance:target",
    "CarePlan?category:not=x&identifier:missing=false&_count=100",
    "RiskAssessment?_summary=count",
    "ServiceRequest?identifier=https://endplate.example%7C&_count=100",
    "Goal?_elements=lifecycleStatus&_count=100",
];

/// An answer without the address, which is that of a free port, and without what tells one request from another.
fn told(served: &Served, reply: &Reply) -> String {
    let address = served.server.local_addr().to_string();
    let mut text = reply.text.replace(&address, "HERE");
    // A refusal names its trace.
    while let Some(at) = text.find("trace ") {
        let end = text.len().min(at + "trace ".len() + 32);
        text.replace_range(at..end, "of this request");
    }
    format!("{} {}\n{text}", reply.status, reply.header("etag"))
}

/// The clinic of the demo, its records in order, a sweep every month; everything that was answered.
async fn clinic(served: &Served) -> Vec<String> {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/clinic");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "json"));
    // What came later has a longer name.
    files.sort_by_key(|path| path.file_stem().map(ToOwned::to_owned));
    let mut answers = Vec::new();
    for file in &files {
        let bundle: Json = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
        let reply = served.post("/fhir", &bundle).await;
        assert_eq!(reply.status, 200, "{}: {}", file.display(), reply.text);
        answers.push(told(served, &reply));
    }
    for date in ["2026-12-01", "2027-06-01", "2028-01-01"] {
        served.clock.turn_to(date);
        let swept = served.server.endplate().sweep(&|_| {}).await.unwrap();
        answers.push(format!("{swept:?}"));
    }
    for read in READS {
        let mut path = format!("/fhir/{read}");
        // All pages.
        for _ in 0..60 {
            let reply = served.get(&path).await;
            answers.push(format!("{read}: {}", told(served, &reply)));
            let Ok(bundle) = serde_json::from_str::<Json>(&reply.text) else { break };
            let links = bundle["link"].as_array().cloned().unwrap_or_default();
            let Some(next) = links.iter().find(|link| link["relation"] == "next") else { break };
            let url = next["url"].as_str().unwrap();
            url[url.find("/fhir").unwrap()..].clone_into(&mut path);
        }
    }
    answers
}

#[tokio::test]
async fn the_same_clinic_on_either_database_is_the_same_to_the_last_byte() {
    let on = |store| Served::on("2026-11-01", store, Box::leak(Box::new(config())));
    let sqlite = clinic(&on(stores::sqlite().await).await).await;
    let postgres = clinic(&on(stores::postgres().await).await).await;
    assert!(sqlite.len() > 40, "{}", sqlite.len());
    for (here, there) in sqlite.iter().zip(&postgres) {
        assert_eq!(here, there);
    }
    assert_eq!(sqlite.len(), postgres.len());
}
