//! An invented clinic in memory: a store, a clock that the test turns, and short ways to say what happens.

use endplate_fhir::Json;
use endplate_followup::ports::Clock;
use endplate_followup::{Endplate, Party, Refusal, Settings, Written, protocol};
use endplate_store::SqliteStore;
use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::json;
use std::sync::{Arc, Mutex};

pub const EP: &str = "https://endplate.example/fhir";
pub const BASE: &str = "http://127.0.0.1:8080/fhir";

/// A clock that stands until it is turned.
#[derive(Debug)]
pub struct TurnedClock(Mutex<Timestamp>);

impl TurnedClock {
    pub fn at(date: &str) -> Arc<Self> {
        Arc::new(Self(Mutex::new(noon(date))))
    }

    pub fn turn_to(&self, date: &str) {
        *self.0.lock().unwrap() = noon(date);
    }
}

fn noon(date: &str) -> Timestamp {
    format!("{date}T12:00:00Z").parse().unwrap()
}

impl Clock for TurnedClock {
    fn now(&self) -> Timestamp {
        *self.0.lock().unwrap()
    }

    fn today(&self) -> Date {
        jiff::tz::Offset::UTC.to_datetime(self.now()).date()
    }
}

pub struct Clinic {
    pub endplate: Endplate,
    pub clock: Arc<TurnedClock>,
}

pub fn settings() -> Settings {
    Settings {
        base: BASE.to_owned(),
        protocol: protocol::load(None).unwrap(),
        clinic_lead: Party { display: "Clinic lead".to_owned(), reference: None },
        scheduler: Party { display: "Booking desk".to_owned(), reference: None },
    }
}

impl Clinic {
    pub async fn open(date: &str) -> Self {
        let store = Arc::new(SqliteStore::open("sqlite::memory:").await.unwrap());
        let clock = TurnedClock::at(date);
        Self { endplate: Endplate::new(store, clock.clone(), settings()), clock }
    }

    pub async fn put(&self, resource: Json) -> Result<Written, Refusal> {
        let kind = resource["resourceType"].as_str().unwrap().to_owned();
        let id = resource["id"].as_str().unwrap().to_owned();
        self.endplate.update(&kind, &id, resource, None).await
    }

    pub async fn all(&self, query: &str) -> Vec<Json> {
        let (kind, rest) = query.split_once('?').unwrap_or((query, ""));
        let mut pairs: Vec<(String, String)> = rest
            .split('&')
            .filter_map(|pair| pair.split_once('='))
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .collect();
        pairs.push(("_count".to_owned(), "500".to_owned()));
        let bundle = self.endplate.search(kind, &pairs).await.unwrap();
        bundle["entry"].as_array().into_iter().flatten().map(|entry| entry["resource"].clone()).collect()
    }
}

pub fn patient(id: &str, birth: &str) -> Json {
    json!({ "resourceType": "Patient", "id": id, "birthDate": birth })
}

pub fn injury(id: &str, patient: &str, onset: &str) -> Json {
    json!({
        "resourceType": "Condition", "id": id, "subject": { "reference": format!("Patient/{patient}") },
        "code": { "text": "nerve injury" }, "onsetDateTime": onset,
    })
}

pub fn mm(value: f64) -> Json {
    json!({ "value": value, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm" })
}

pub fn code(system: &str, code: &str) -> Json {
    json!({ "coding": [{ "system": format!("{EP}/CodeSystem/{system}"), "code": code }] })
}

pub fn target(structure: &str, path: f64) -> Json {
    json!({ "url": format!("{EP}/StructureDefinition/target"), "extension": [
        { "url": "structure", "valueCodeableConcept": code("reinnervation-target", structure) },
        { "url": "path-length", "valueQuantity": mm(path) },
    ] })
}

pub fn gap(value: f64) -> Json {
    json!({ "url": format!("{EP}/StructureDefinition/gap-length"), "valueQuantity": mm(value) })
}

/// A repair of `nerve` for the Condition `injury`.
pub fn repair(id: &str, patient: &str, injury: &str, technique: &str, nerve: &str, on: &str, extensions: &[Json]) -> Json {
    json!({
        "resourceType": "Procedure", "id": id, "status": "completed",
        "subject": { "reference": format!("Patient/{patient}") },
        "code": code("repair-technique", technique), "bodySite": [code("nerve", nerve)],
        "performedDateTime": on, "reasonReference": [{ "reference": format!("Condition/{injury}") }],
        "extension": extensions,
    })
}

pub fn observation(id: &str, patient: &str, focus: &str, kind: &str, on: &str, value: (&str, Json)) -> Json {
    let mut observation = json!({
        "resourceType": "Observation", "id": id, "status": "final", "code": code("exam-finding", kind),
        "subject": { "reference": format!("Patient/{patient}") },
        "focus": [{ "reference": format!("Procedure/{focus}") }], "effectiveDateTime": on,
    });
    observation[value.0] = value.1;
    observation
}

pub fn motor(id: &str, patient: &str, focus: &str, muscle: &str, on: &str, grade: u8) -> Json {
    let mut motor = observation(id, patient, focus, "motor-grade", on, ("valueInteger", json!(grade)));
    motor["bodySite"] = code("reinnervation-target", muscle);
    motor
}

pub fn tinel(id: &str, patient: &str, focus: &str, on: &str, at: f64) -> Json {
    observation(id, patient, focus, "tinel-distance", on, ("valueQuantity", mm(at)))
}

/// A patient of 30 with a posterior interosseous repair by autograft on 2 March 2026, injured a week before.
pub fn interosseous_graft() -> [Json; 3] {
    [
        patient("p1", "1995-05-05"),
        injury("c1", "p1", "2026-02-23"),
        repair(
            "r1",
            "p1",
            "c1",
            "autograft",
            "posterior-interosseous",
            "2026-03-02",
            &[gap(30.0), target("extensor-digitorum", 80.0), target("extensor-indicis", 160.0)],
        ),
    ]
}
