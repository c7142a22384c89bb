//! `endplate demo`: an invented clinic from the operations to two years after, on a moving clock.
//!
//! Everything goes the way it would in a hospital: records and findings over HTTP, a booking desk that books what it is told to,
//! a receiver to which the service posts what it raises. Only the clock is turned, a day at a time.

mod cast;
mod receiver;
mod table;

use crate::boot::{self, Parts};
use crate::clock::TurnedClock;
use crate::config::{Config, StoreUrl};
use crate::fault::Fault;
use crate::guard::Guard;
use crate::input::print;
use cast::{Found, Nature, Patient, cast};
use endplate_fhir::Json;
use endplate_followup::code::{EP, UCUM};
use endplate_followup::document::CAUTION;
use endplate_followup::ports::Transport;
use endplate_recovery::milestone::Milestone;
use indicatif::{ProgressBar, ProgressStyle};
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use receiver::Received;
use reqwest::{Client, Method};
use serde_json::json;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::{Arc, Mutex};
use table::{Folder, text};

/// First and last day.
const FROM: Date = Date::constant(2025, 1, 14);
const TO: Date = Date::constant(2027, 4, 16);
/// The booking desk looks this many days ahead.
const DESK_AHEAD_DAYS: i32 = 21;
/// The surgeon answers an alert after this many days.
const ANSWER_AFTER_DAYS: i32 = 4;

/// Plays the clinic. With `stay` the result is served afterwards until the process is ended.
///
/// # Errors
/// The environment is at fault, or the service refused what the clinic sent.
pub async fn run(config: &Config, stay: bool) -> Result<(), Fault> {
    let mut clinic = Clinic::open(config, stay).await?;
    clinic.subscribe().await?;
    print(&format!(
        "An invented clinic, {FROM} to {TO}, over HTTP at {}. {CAUTION}\n\nwhat the receiver was told (bookings that went smoothly are left out):\n",
        clinic.base
    ));
    let progress = ProgressBar::new(u64::try_from(days_between(FROM, TO)).unwrap_or(0));
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {msg}") {
        progress.set_style(style);
    }
    let mut day = FROM;
    while day <= TO {
        clinic.day(day).await?;
        clinic.tell(&progress);
        progress.set_message(day.to_string());
        progress.inc(1);
        day = after(day, 1);
    }
    progress.finish_and_clear();
    let summary = clinic.summary().await?;
    print(&summary);
    if stay {
        print(&clinic.requests_to_try());
        let stopped = tokio::signal::ctrl_c().await;
        stopped.map_err(|_| Fault::Environment("signals cannot be caught here".to_owned()))?;
    }
    clinic.server.shutdown().await;
    Ok(())
}

/// Makes the entry of one Observation from its code, its site, and the name and value of its value.
type Observe<'a> = dyn Fn(&str, Json, (&str, Json)) -> Json + 'a;

/// A booked visit.
struct Visit {
    on: Date,
    patient: usize,
    request: String,
    appointment: String,
}

struct Clinic {
    server: boot::Server,
    client: Client,
    base: String,
    clock: Arc<TurnedClock>,
    transport: Arc<dyn Transport>,
    received: Arc<Mutex<Received>>,
    receiver: String,
    patients: Vec<Patient>,
    /// Ids of the patients, once they are known.
    ids: BTreeMap<usize, String>,
    expected: BTreeMap<usize, BTreeMap<(String, String), String>>,
    visits: Vec<Visit>,
    /// Bookings made for each patient.
    bookings: BTreeMap<usize, u32>,
    requests: u32,
    protocol: endplate_recovery::protocol::Protocol,
}

impl Clinic {
    async fn open(config: &Config, stay: bool) -> Result<Self, Fault> {
        let clock = Arc::new(TurnedClock::at(morning(FROM)));
        let mut config = config.clone();
        config.store = StoreUrl::Memory;
        if !stay {
            config.listen.set_port(0);
        }
        let parts = Parts { workers: false, ..Parts::of(&config, Arc::clone(&clock) as _).await? };
        let transport = Arc::clone(&parts.transport);
        let server = boot::start(&config, parts).await?;
        let (address, received) = receiver::listen().await?;
        Ok(Self {
            base: format!("http://{}/fhir", server.local_addr()),
            server,
            client: Guard::new(&config)
                .client()
                .build()
                .map_err(|_| Fault::Environment("no HTTP client can be made".to_owned()))?,
            clock,
            transport,
            received,
            receiver: format!("http://{address}"),
            patients: cast(),
            ids: BTreeMap::new(),
            expected: BTreeMap::new(),
            visits: Vec::new(),
            bookings: BTreeMap::new(),
            requests: 0,
            protocol: config.protocol.clone(),
        })
    }

    async fn subscribe(&mut self) -> Result<(), Fault> {
        for criteria in [
            "Task?status=requested,accepted",
            "DetectedIssue?status=final",
            "Communication?status=completed",
            "Flag?status=active,inactive",
        ] {
            let subscription = json!({
                "resourceType": "Subscription", "status": "requested", "reason": "demonstration", "criteria": criteria,
                "channel": { "type": "rest-hook", "endpoint": self.receiver, "payload": "application/fhir+json" },
            });
            self.send(Method::POST, "Subscription", Some(subscription)).await?;
        }
        Ok(())
    }

    /// One day at the clinic: records arrive, patients come, time passes, the desk books, the surgeon answers.
    async fn day(&mut self, day: Date) -> Result<(), Fault> {
        self.clock.turn_to(morning(day));
        self.records(day).await?;
        self.visits(day).await?;
        self.server.endplate().sweep(&|_| ()).await?;
        self.server.endplate().deliver(self.transport.as_ref()).await?;
        if day.weekday() == jiff::civil::Weekday::Monday {
            self.desk(day).await?;
            self.answers(day).await?;
        }
        self.server.endplate().deliver(self.transport.as_ref()).await?;
        Ok(())
    }

    async fn records(&mut self, day: Date) -> Result<(), Fault> {
        for index in 0..self.patients.len() {
            let due: Vec<&str> = self.patients[index]
                .arrivals
                .iter()
                .filter(|(on, _)| *on == day)
                .map(|(_, record)| *record)
                .collect();
            for record in due {
                let bundle = endplate_fhir::json::parse(record.as_bytes())
                    .map_err(|issue| Fault::Input(issue.text))?;
                self.send(Method::POST, "", Some(bundle)).await?;
                self.register(index).await?;
            }
        }
        Ok(())
    }

    /// Remembers who the patient is and what was expected on the day the repair became known.
    async fn register(&mut self, index: usize) -> Result<(), Fault> {
        let query = format!(
            "Patient?identifier=https://clinic.example/record-number|{}",
            self.patients[index].number
        );
        if let Some(patient) = self.all(&query).await?.first() {
            let id = text(patient, "/id").to_owned();
            let name = self.patients[index].name.to_owned();
            if let Ok(mut received) = self.received.lock() {
                received.names.insert(format!("Patient/{id}"), name);
            }
            self.ids.insert(index, id);
        }
        for assessment in self.of(index, "RiskAssessment").await? {
            for (key, window) in table::first_windows(&assessment) {
                self.expected.entry(index).or_default().entry(key).or_insert(window);
            }
        }
        Ok(())
    }

    /// Patients who are booked for today come, or do not.
    async fn visits(&mut self, day: Date) -> Result<(), Fault> {
        let (today, later): (Vec<Visit>, Vec<Visit>) =
            self.visits.drain(..).partition(|visit| visit.on == day);
        self.visits = later;
        for visit in today {
            let patient = &self.patients[visit.patient];
            let number: u32 = visit.appointment.rsplit('-').next().and_then(|n| n.parse().ok()).unwrap_or(0);
            let misses =
                patient.misses.contains(&number) || patient.lost_from.is_some_and(|from| day >= from);
            if misses {
                let appointment = self.appointment(&visit, "noshow");
                self.send(Method::PUT, &format!("Appointment/{}", visit.appointment), Some(appointment))
                    .await?;
            } else {
                let examination = self.examination(&visit, day);
                self.send(Method::POST, "", Some(examination)).await?;
            }
        }
        Ok(())
    }

    fn appointment(&self, visit: &Visit, status: &str) -> Json {
        let patient = self.ids.get(&visit.patient).map_or("", String::as_str);
        json!({
            "resourceType": "Appointment", "id": visit.appointment, "status": status,
            "basedOn": [{ "reference": visit.request }],
            "start": format!("{}T09:00:00Z", visit.on), "end": format!("{}T09:30:00Z", visit.on),
            "participant": [{ "actor": { "reference": format!("Patient/{patient}") }, "status": "accepted" }],
        })
    }

    /// The encounter of a visit and everything that was found, as one transaction.
    fn examination(&self, visit: &Visit, day: Date) -> Json {
        let patient = &self.patients[visit.patient];
        let subject = json!({ "reference": format!("Patient/{}", self.ids.get(&visit.patient).map_or("", String::as_str)) });
        let encounter = json!({
            "resourceType": "Encounter", "status": "finished", "subject": subject,
            "class": { "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB" },
            "basedOn": [{ "reference": visit.request }], "period": { "start": day.to_string(), "end": day.to_string() },
        });
        let mut entries = vec![entry("Encounter", &encounter)];
        for nature in patient.repairs.iter().filter(|nature| days_between(nature.on, day) >= 30) {
            let observe = |name: &str, site: Json, value: (&str, Json)| {
                let mut observation = json!({
                    "resourceType": "Observation", "status": "final", "subject": subject, "code": code("exam-finding", name),
                    "focus": [{ "reference": format!("Procedure?identifier=https://clinic.example/operation|{}", nature.operation) }],
                    "effectiveDateTime": day.to_string(), "bodySite": site,
                });
                observation[value.0] = value.1;
                entry("Observation", &observation)
            };
            entries.extend(self.findings(nature, day, &observe));
        }
        json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
    }

    fn findings(&self, nature: &Nature, day: Date, observe: &Observe<'_>) -> Vec<Json> {
        let since = days_between(nature.on, day);
        let mut all = Vec::new();
        if let Some(at) = nature.tinel(since, &self.protocol) {
            let quantity = json!({ "value": at.0, "unit": "mm", "system": UCUM, "code": "mm" });
            all.push(observe("tinel-distance", code("nerve", nature.nerve), ("valueQuantity", quantity)));
        }
        for Found { structure, skin, furthest } in nature.signs(since, &self.protocol) {
            let site = || code("reinnervation-target", structure);
            if skin {
                let sweats = furthest.is_some();
                all.push(observe("sudomotor-function", site(), ("valueBoolean", json!(sweats))));
                let grade = match furthest {
                    Some(Milestone::UsefulSensation) => "S3+",
                    Some(Milestone::ProtectiveSensation) => "S2",
                    _ => "S0",
                };
                all.push(observe(
                    "sensory-grade",
                    site(),
                    ("valueCodeableConcept", code("sensory-grade", grade)),
                ));
            } else {
                let grade = match furthest {
                    Some(Milestone::Strong) => 4,
                    Some(Milestone::Antigravity) => 3,
                    Some(Milestone::FirstContraction) => 1,
                    _ => 0,
                };
                all.push(observe("motor-grade", site(), ("valueInteger", json!(grade))));
            }
        }
        all
    }

    /// The booking desk books what is due soon, on the preferred day.
    async fn desk(&mut self, day: Date) -> Result<(), Fault> {
        let query =
            format!("Task?status=requested&due=le{}&_sort=due&_count=500", after(day, DESK_AHEAD_DAYS));
        for task in self.all(&query).await? {
            let patient =
                text(&task, "/for/reference").strip_prefix("Patient/").unwrap_or_default().to_owned();
            let Some(index) = self.ids.iter().find(|(_, id)| **id == patient).map(|(index, _)| *index) else {
                continue;
            };
            // Nobody answers the telephone.
            if self.patients[index].lost_from.is_some_and(|from| day >= after(from, 30)) {
                continue;
            }
            let preferred = text(&task, "/input/0/valueDate").parse::<Date>().unwrap_or(day);
            let on = working_day(preferred.max(after(day, 2)));
            let booking = self.bookings.entry(index).or_default();
            *booking += 1;
            let appointment = format!("{}-{booking}", self.patients[index].number);
            let visit = Visit {
                on,
                patient: index,
                request: text(&task, "/focus/reference").to_owned(),
                appointment,
            };
            let appointment = self.appointment(&visit, "booked");
            self.send(Method::PUT, &format!("Appointment/{}", visit.appointment), Some(appointment)).await?;
            self.visits.push(visit);
        }
        Ok(())
    }

    /// The surgeon acknowledges what has been standing for some days.
    async fn answers(&mut self, day: Date) -> Result<(), Fault> {
        for issue in self.all("DetectedIssue?severity=high,moderate&_count=500").await? {
            let patient =
                text(&issue, "/patient/reference").strip_prefix("Patient/").unwrap_or_default().to_owned();
            let answered = self
                .ids
                .iter()
                .find(|(_, id)| **id == patient)
                .is_some_and(|(i, _)| self.patients[*i].answered);
            let raised =
                text(&issue, "/identifiedPeriod/start").get(..10).and_then(|date| date.parse::<Date>().ok());
            let waited = raised.is_some_and(|raised| days_between(raised, day) >= ANSWER_AFTER_DAYS);
            let stands =
                issue.pointer("/identifiedPeriod/end").is_none() && issue.get("mitigation").is_none();
            if answered && waited && stands {
                let mut issue = issue;
                issue["mitigation"] = json!([{
                    "action": code("alert-answer", "acknowledged"), "date": day.to_string(),
                }]);
                let path = format!("DetectedIssue/{}", text(&issue, "/id"));
                self.send(Method::PUT, &path, Some(issue)).await?;
            }
        }
        Ok(())
    }

    /// Prints what has arrived.
    fn tell(&self, progress: &ProgressBar) {
        let lines =
            self.received.lock().map(|mut received| std::mem::take(&mut received.lines)).unwrap_or_default();
        progress.suspend(|| {
            for line in lines.iter().filter(|line| !line.contains("review not booked")) {
                print(&format!("{line}\n"));
            }
        });
    }

    async fn summary(&mut self) -> Result<String, Fault> {
        let mut text = format!("\n{}\n", table::heading());
        for index in 0..self.patients.len() {
            let folder = Folder {
                name: self.patients[index].name,
                expected: self.expected.get(&index).cloned().unwrap_or_default(),
                assessments: self.of(index, "RiskAssessment").await?,
                tasks: self.of(index, "Task").await?,
                issues: self.of(index, "DetectedIssue").await?,
                plans: self.of(index, "CarePlan").await?,
            };
            for row in table::rows(&folder) {
                let _ = writeln!(text, "{row}");
            }
        }
        let counts = self.received.lock().map(|received| received.counts.clone()).unwrap_or_default();
        let counts: Vec<String> = counts.iter().map(|(kind, count)| format!("{count} {kind}")).collect();
        let _ = writeln!(text, "\n{} requests; the receiver took {}.", self.requests, counts.join(", "));
        Ok(text)
    }

    fn requests_to_try(&self) -> String {
        let alder = self.ids.get(&0).map_or("", String::as_str);
        format!(
            "\nThe clinic is served at {base} until you press Ctrl-C. Try:\n  curl '{base}/CarePlan?patient={alder}'\n  curl '{base}/Task?status=requested&_sort=due'\n  curl '{base}/DetectedIssue?severity=high'\n",
            base = self.base
        )
    }

    async fn of(&mut self, patient: usize, kind: &str) -> Result<Vec<Json>, Fault> {
        let Some(id) = self.ids.get(&patient) else { return Ok(Vec::new()) };
        let query = format!("{kind}?patient={id}&_count=500");
        self.all(&query).await
    }

    async fn all(&mut self, query: &str) -> Result<Vec<Json>, Fault> {
        let bundle = self.send(Method::GET, query, None).await?;
        let entries = bundle.get("entry").and_then(Json::as_array).cloned().unwrap_or_default();
        Ok(entries.into_iter().map(|mut entry| entry["resource"].take()).collect())
    }

    async fn send(&mut self, method: Method, path: &str, body: Option<Json>) -> Result<Json, Fault> {
        self.requests += 1;
        let address = format!("{}/{path}", self.base);
        let mut request = self.client.request(method, address.trim_end_matches('/'));
        if let Some(body) = body {
            request = request.header("content-type", "application/fhir+json").body(body.to_string());
        }
        let lost =
            |error: reqwest::Error| Fault::Environment(format!("the service cannot be reached: {error}"));
        let response = request.send().await.map_err(lost)?;
        let status = response.status();
        let answer: Json =
            serde_json::from_slice(&response.bytes().await.map_err(lost)?).unwrap_or(Json::Null);
        if status.is_success() {
            return Ok(answer);
        }
        let said = text(&answer, "/issue/0/details/text");
        Err(Fault::Input(format!(
            "the service refused {path} ({status}): {said} {}",
            text(&answer, "/issue/0/expression/0")
        )))
    }
}

fn entry(kind: &str, resource: &Json) -> Json {
    json!({ "resource": resource, "request": { "method": "POST", "url": kind } })
}

fn code(system: &str, code: &str) -> Json {
    json!({ "coding": [{ "system": format!("{EP}/CodeSystem/{system}"), "code": code }] })
}

fn morning(day: Date) -> Timestamp {
    jiff::tz::Offset::UTC.to_timestamp(day.at(8, 0, 0, 0)).unwrap_or(Timestamp::UNIX_EPOCH)
}

fn after(day: Date, days: i32) -> Date {
    day.saturating_add(days.days())
}

fn days_between(from: Date, to: Date) -> i32 {
    i32::try_from(to.duration_since(from).as_hours() / 24).unwrap_or(0)
}

fn working_day(day: Date) -> Date {
    match day.weekday() {
        jiff::civil::Weekday::Saturday => after(day, 2),
        jiff::civil::Weekday::Sunday => after(day, 1),
        _ => day,
    }
}
