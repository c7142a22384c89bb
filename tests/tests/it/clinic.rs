//! An invented clinic in memory: a store, a clock that the test turns, and short ways to say what happens.

use endplate_fhir::Json;
use endplate_followup::ports::{Clock, Store};
use endplate_followup::{Endplate, Party, Refusal, Settings, Written, protocol};
use endplate_recovery::protocol::Protocol;
use endplate_store::SqliteStore;
use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::json;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, LazyLock, Mutex};

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

    pub fn instant(&self) -> Timestamp {
        self.now()
    }

    pub fn turn_on_s(&self, seconds: i64) {
        let mut now = self.0.lock().unwrap();
        *now += jiff::SignedDuration::from_secs(seconds);
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
    // Read once: thousands of histories are followed by it.
    static PROTOCOL: LazyLock<Protocol> = LazyLock::new(|| protocol::load(None).unwrap());
    Settings {
        base: BASE.to_owned(),
        protocol: PROTOCOL.clone(),
        clinic_lead: Party { display: "Clinic lead".to_owned(), reference: None },
        scheduler: Party { display: "Booking desk".to_owned(), reference: None },
        reviews_per_day_max: None,
    }
}

impl Clinic {
    pub async fn open(date: &str) -> Self {
        Self::on(crate::stores::fresh().await, date)
    }

    pub fn on(store: Arc<dyn Store>, date: &str) -> Self {
        let clock = TurnedClock::at(date);
        Self { endplate: Endplate::new(store, clock.clone(), settings()), clock }
    }

    /// A clinic whose store is a file that outlives it.
    pub async fn on_file(date: &str, file: &Path) -> Self {
        let store = Arc::new(SqliteStore::open(&format!("sqlite:{}", file.display())).await.unwrap());
        let clock = TurnedClock::at(date);
        Self { endplate: Endplate::new(store, clock.clone(), settings()), clock }
    }

    /// A clinic that knows these records since `date`.
    pub async fn with(date: &str, resources: impl IntoIterator<Item = Json>) -> Self {
        let clinic = Self::open(date).await;
        for resource in resources {
            clinic.put(resource).await.unwrap();
        }
        clinic
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
        let bundle = self.endplate.search(kind, &pairs, true).await.unwrap();
        let bundle: Json = serde_json::from_str(&bundle).unwrap();
        bundle["entry"].as_array().into_iter().flatten().map(|entry| entry["resource"].clone()).collect()
    }

    pub async fn get(&self, kind: &str, id: &str) -> Json {
        serde_json::from_str(&self.endplate.read(kind, id).await.unwrap().body).unwrap()
    }

    /// Version of every resource stored, by `Type/id`.
    pub async fn versions(&self) -> BTreeMap<String, String> {
        let mut all = BTreeMap::new();
        for kind in endplate_fhir::TYPES {
            for resource in self.all(kind).await {
                let id = resource["id"].as_str().unwrap();
                all.insert(
                    format!("{kind}/{id}"),
                    resource["meta"]["versionId"].as_str().unwrap().to_owned(),
                );
            }
        }
        all
    }

    /// Turns the clock to `date` and sweeps.
    pub async fn sweep_on(&self, date: &str) {
        self.clock.turn_to(date);
        self.endplate.sweep(&|_| {}).await.unwrap();
    }

    /// Sweeps every day after the clock's day up to `last`; the first day on which `holds` is true.
    pub async fn first_day(&self, last: &str, holds: impl AsyncFn(&Self) -> bool) -> Option<String> {
        let last: Date = last.parse().unwrap();
        while self.clock.today() < last {
            let day = self.clock.today().tomorrow().unwrap().to_string();
            self.sweep_on(&day).await;
            if holds(self).await {
                return Some(day);
            }
        }
        None
    }

    pub fn today(&self) -> String {
        self.clock.today().to_string()
    }

    /// The only plan there is.
    pub async fn plan(&self) -> Json {
        let plans = self.all("CarePlan").await;
        assert_eq!(plans.len(), 1, "{plans:?}");
        plans[0].clone()
    }

    /// Tasks that somebody still has to do something about, in order of their windows.
    pub async fn open_tasks(&self) -> Vec<Json> {
        let tasks = self.all("Task?_sort=due").await;
        tasks.into_iter().filter(|task| matches!(text(task, "/status"), "requested" | "accepted")).collect()
    }

    /// The open Task whose review is named `key`.
    pub async fn task(&self, key: &str) -> Json {
        let named = |task: &Json| text(task, "/identifier/0/value").ends_with(&format!("/{key}"));
        let tasks = self.all("Task").await;
        tasks
            .iter()
            .find(|task| named(task))
            .unwrap_or_else(|| panic!("no task {key} in {:?}", keys(&tasks)))
            .clone()
    }

    /// All alerts of one kind, standing or not.
    pub async fn issues(&self, kind: &str) -> Vec<Json> {
        let issues = self.all("DetectedIssue").await;
        issues.into_iter().filter(|issue| text(issue, "/code/coding/0/code") == kind).collect()
    }

    /// Alerts of one kind that stand.
    pub async fn standing(&self, kind: &str) -> Vec<Json> {
        self.issues(kind)
            .await
            .into_iter()
            .filter(|issue| issue["identifiedPeriod"].get("end").is_none())
            .collect()
    }

    /// Whether an alert of this kind stands.
    pub async fn stands(&self, kind: &str) -> bool {
        !self.standing(kind).await.is_empty()
    }

    /// Messages about alerts of one kind.
    pub async fn messages(&self, kind: &str) -> Vec<Json> {
        let all = self.all("Communication").await;
        let about = |message: &Json| {
            let kinds = message["category"].as_array().into_iter().flatten();
            kinds.into_iter().any(|category| text(category, "/coding/0/code") == kind)
        };
        all.into_iter().filter(about).collect()
    }

    /// The window p10, p50, p90 of one milestone at one target of a repair, as published in its RiskAssessment.
    pub async fn window(&self, procedure: &str, place: &str, milestone: &str) -> [Date; 3] {
        let assessment = self.assessment(procedure).await;
        let names = ["/coding/0/code", "/text"].map(|at| format!("/extension/0/valueCodeableConcept{at}"));
        let of = |prediction: &&Json| {
            text(prediction, "/outcome/coding/0/code") == milestone
                && names.iter().any(|at| text(prediction, at) == place)
        };
        let found =
            assessment["prediction"].as_array().unwrap().iter().find(of).expect("this target and milestone");
        ["/whenPeriod/start", "/extension/1/valueDate", "/whenPeriod/end"]
            .map(|at| text(found, at).parse().unwrap())
    }

    /// The RiskAssessment of a repair.
    pub async fn assessment(&self, procedure: &str) -> Json {
        let of = format!("Procedure/{procedure}");
        let all = self.all("RiskAssessment").await;
        all.into_iter()
            .find(|one| text(one, "/basis/0/reference") == of)
            .expect("an assessment of this repair")
    }
}

/// The text at a JSON pointer; empty if there is none.
pub fn text<'a>(resource: &'a Json, pointer: &str) -> &'a str {
    resource.pointer(pointer).and_then(Json::as_str).unwrap_or_default()
}

/// Whether a resource stands: a record as sent, or of what is derived a plan that runs, an open review, a goal, a forecast and
/// its report, an alert that nobody has cleared.
pub fn stands(resource: &Json) -> bool {
    match text(resource, "/resourceType") {
        "Task" => matches!(text(resource, "/status"), "requested" | "accepted"),
        "ServiceRequest" | "Flag" | "CarePlan" => text(resource, "/status") == "active",
        "Goal" => text(resource, "/lifecycleStatus") != "cancelled",
        "RiskAssessment" => text(resource, "/status") == "final",
        "DiagnosticReport" => text(resource, "/status") == "partial",
        "DetectedIssue" => resource.pointer("/identifiedPeriod/end").is_none(),
        "Communication" | "Provenance" => false,
        _ => true,
    }
}

/// The number at a JSON pointer.
pub fn number(resource: &Json, pointer: &str) -> f64 {
    resource
        .pointer(pointer)
        .and_then(Json::as_f64)
        .unwrap_or_else(|| panic!("no number at {pointer}: {resource}"))
}

/// Status and state of a Task.
pub fn state(task: &Json) -> (&str, &str) {
    (text(task, "/status"), text(task, "/businessStatus/coding/0/code"))
}

/// The names of the reviews of some Tasks.
pub fn keys(tasks: &[Json]) -> Vec<&str> {
    tasks
        .iter()
        .filter_map(|task| text(task, "/identifier/0/value").split_once('/'))
        .map(|(_, key)| key)
        .collect()
}

/// A copy with one member set.
pub fn with(resource: &Json, member: &str, value: Json) -> Json {
    let mut copy = resource.clone();
    copy[member] = value;
    copy
}

/// The day so many days after `date`.
pub fn after(date: &str, days: i32) -> String {
    let date: Date = date.parse().unwrap();
    date.saturating_add(jiff::Span::new().days(days)).to_string()
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
pub fn repair(
    id: &str,
    patient: &str,
    injury: &str,
    technique: &str,
    nerve: &str,
    on: &str,
    extensions: &[Json],
) -> Json {
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

pub fn sudomotor(id: &str, patient: &str, focus: &str, territory: &str, on: &str, seen: bool) -> Json {
    let mut sudomotor =
        observation(id, patient, focus, "sudomotor-function", on, ("valueBoolean", json!(seen)));
    sudomotor["bodySite"] = code("reinnervation-target", territory);
    sudomotor
}

/// An Appointment for the review of `task` on `on`.
pub fn appointment(id: &str, patient: &str, task: &Json, status: &str, on: &str) -> Json {
    json!({
        "resourceType": "Appointment", "id": id, "status": status, "basedOn": [task["focus"]],
        "start": format!("{on}T09:00:00Z"), "end": format!("{on}T09:30:00Z"),
        "participant": [{ "actor": { "reference": format!("Patient/{patient}") }, "status": "accepted" }],
    })
}

/// An Encounter for the review of `task` on `on`.
pub fn encounter(id: &str, patient: &str, task: &Json, status: &str, on: &str) -> Json {
    json!({
        "resourceType": "Encounter", "id": id, "status": status, "basedOn": [task["focus"]],
        "class": { "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB" },
        "subject": { "reference": format!("Patient/{patient}") },
        "period": { "start": format!("{on}T09:00:00Z"), "end": format!("{on}T09:30:00Z") },
    })
}

/// A Subscription to `criteria` whose receiver listens at `endpoint`.
pub fn subscription(id: &str, criteria: &str, endpoint: &str, payload: bool) -> Json {
    let mut channel = json!({ "type": "rest-hook", "endpoint": endpoint });
    if payload {
        channel["payload"] = json!("application/fhir+json");
    }
    json!({
        "resourceType": "Subscription", "id": id, "status": "requested", "reason": "tests", "criteria": criteria,
        "channel": channel,
    })
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
