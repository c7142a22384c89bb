//! A hospital record server of the tests' own: enough of R4's REST interface to be written to and read from, and as badly
//! behaved as the test asks.

use crate::clinic::{Clinic, TurnedClock, settings};
use axum::Router;
use axum::body::Bytes;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use endplate_fhir::Json;
use endplate_followup::{Endplate, Record};
use endplate_server::config::{Config, RecordAuth, RecordConfig};
use endplate_server::record::Outgoing;
use endplate_server::webhook::Webhook;
use jiff::SignedDuration;
use serde_json::json;
use std::collections::{BTreeMap, VecDeque};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Notify;

/// What the server does instead of, or after, what it is asked.
#[derive(Clone, Debug)]
pub enum Fault {
    /// It does what it is asked.
    None,
    /// It answers with this status, and an outcome.
    Status(u16),
    /// It answers with this status, and asks to wait so many seconds.
    Wait(u16, u64),
    /// It never answers.
    Hang,
    /// It does what it is asked, and the answer is lost.
    Lost,
}

/// A request as it came.
#[derive(Clone, Debug)]
pub struct Seen {
    pub method: String,
    /// Path and query below the base, such as `Task?identifier=…`.
    pub target: String,
    pub if_match: Option<String>,
    pub authorization: Option<String>,
    /// The trace that it is part of, as W3C Trace Context has it.
    pub trace: Option<String>,
    pub status: u16,
}

#[derive(Default)]
pub struct Ward {
    pub resources: BTreeMap<(String, String), Json>,
    /// Faults of the next requests, one each.
    pub script: VecDeque<Fault>,
    /// Types that are always refused, with 422.
    pub refuses: Vec<String>,
    pub seen: Vec<Seen>,
    /// Pages hold the latest change first, whatever is asked.
    pub backwards: bool,
    /// A link to put in place of the next one.
    pub next_link: Option<String>,
    /// The token that opens it; none: it is open.
    pub token: Option<String>,
    /// Forms sent to the token endpoint.
    pub grants: Vec<BTreeMap<String, String>>,
    /// What discovery says of algorithms.
    pub algorithms: Vec<String>,
    changes: u32,
}

impl Ward {
    /// Puts a resource under its own id, as people at the hospital would.
    pub fn put(&mut self, mut resource: Json) {
        self.changes += 1;
        let key = (word(&resource["resourceType"]), word(&resource["id"]));
        let before = self.resources.get(&key).map_or(0, version);
        resource["meta"]["versionId"] = json!((before + 1).to_string());
        resource["meta"]["lastUpdated"] =
            json!(format!("2026-03-01T{:02}:{:02}:00.000Z", self.changes / 60, self.changes % 60));
        self.resources.insert(key, resource);
    }

    /// Has it that a resource was last changed then.
    pub fn date(&mut self, kind: &str, id: &str, at: &str) {
        let resource = self.resources.get_mut(&(kind.to_owned(), id.to_owned())).expect("it is there");
        resource["meta"]["lastUpdated"] = json!(at);
    }

    pub fn get(&self, kind: &str, id: &str) -> Json {
        self.resources[&(kind.to_owned(), id.to_owned())].clone()
    }

    pub fn all(&self, kind: &str) -> Vec<Json> {
        self.resources
            .iter()
            .filter(|((one, _), _)| one == kind)
            .map(|(_, resource)| resource.clone())
            .collect()
    }

    /// Requests that wrote, as target and status.
    pub fn writes(&self) -> Vec<(String, u16)> {
        let puts = self.seen.iter().filter(|seen| seen.method == "PUT");
        puts.map(|seen| (seen.target.clone(), seen.status)).collect()
    }

    fn find(&self, kind: &str, params: &BTreeMap<String, String>) -> Vec<Json> {
        let mut found = self.all(kind);
        if let Some(token) = params.get("identifier") {
            let (system, value) = token.split_once('|').unwrap();
            found.retain(|resource| {
                let all = resource["identifier"].as_array().into_iter().flatten();
                all.into_iter().any(|one| one["system"] == system && one["value"] == value)
            });
        }
        if let Some(since) = params.get("_lastUpdated") {
            let since = since.strip_prefix("ge").unwrap().to_owned();
            found.retain(|resource| word(&resource["meta"]["lastUpdated"]) >= since);
        }
        found.sort_by_key(|resource| word(&resource["meta"]["lastUpdated"]));
        if self.backwards {
            found.reverse();
        }
        found
    }

    fn search(&self, base: &str, kind: &str, params: &BTreeMap<String, String>) -> Json {
        let found = self.find(kind, params);
        let count: usize = params.get("_count").map_or(50, |text| text.parse().unwrap());
        let from: usize = params.get("from").map_or(0, |text| text.parse().unwrap());
        let entries = found.iter().skip(from).take(count).map(|resource| json!({ "resource": resource }));
        let mut bundle =
            json!({ "resourceType": "Bundle", "type": "searchset", "entry": entries.collect::<Vec<_>>() });
        if from + count < found.len() {
            let mut next = params.clone();
            next.insert("from".to_owned(), (from + count).to_string());
            let query: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(next).finish();
            let next = self.next_link.clone().unwrap_or(format!("{base}/{kind}?{query}"));
            bundle["link"] = json!([{ "relation": "next", "url": next }]);
        }
        bundle
    }

    /// A conditional update (R4 http.html#cond-update) with If-Match (#concurrency).
    fn update(
        &mut self,
        kind: &str,
        params: &BTreeMap<String, String>,
        if_match: Option<&str>,
        sent: Json,
    ) -> Answer {
        if self.refuses.iter().any(|one| one == kind) {
            return outcome(422, "This type is read by nobody here.");
        }
        let found = self.find(kind, params);
        if found.len() > 1 {
            return outcome(412, "More than one matches.");
        }
        let there = found.first();
        if let Some(tag) = if_match {
            let current = there.map(|there| format!("W/\"{}\"", version(there)));
            if current.as_deref() != Some(tag) {
                return outcome(412, "Another version is current.");
            }
        }
        let id = there.map_or_else(|| format!("h{}", self.resources.len() + 1), |there| word(&there["id"]));
        if sent.get("id").is_some_and(|sent| *sent != json!(id)) {
            return outcome(400, "The id is another one.");
        }
        let created = there.is_none();
        let mut stored = sent;
        stored["id"] = json!(id);
        self.put(stored);
        let stored = self.get(kind, &id);
        let location = format!("{kind}/{id}/_history/{}", version(&stored));
        let status = if created { 201 } else { 200 };
        Answer { status, location: Some(location), body: stored, retry_after_s: None }
    }
}

struct Answer {
    status: u16,
    location: Option<String>,
    body: Json,
    retry_after_s: Option<u64>,
}

fn answer(status: u16, body: Json) -> Answer {
    Answer { status, location: None, body, retry_after_s: None }
}

fn outcome(status: u16, text: &str) -> Answer {
    let issue = json!({ "severity": "error", "code": "processing", "details": { "text": text } });
    answer(status, json!({ "resourceType": "OperationOutcome", "issue": [issue] }))
}

fn word(value: &Json) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

pub fn version(resource: &Json) -> u64 {
    word(&resource["meta"]["versionId"]).parse().unwrap()
}

/// The server, on a port of its own.
pub struct Hospital {
    pub base: String,
    /// Told of each write.
    pub written: Arc<Notify>,
    pub ward: Arc<Mutex<Ward>>,
}

#[derive(Clone)]
struct Shared {
    base: String,
    written: Arc<Notify>,
    ward: Arc<Mutex<Ward>>,
}

impl Hospital {
    pub async fn open() -> Self {
        let ward = Arc::new(Mutex::new(Ward::default()));
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let base = format!("http://{}/fhir", listener.local_addr().unwrap());
        let written = Arc::new(Notify::new());
        let shared = Shared { base: base.clone(), written: written.clone(), ward: ward.clone() };
        let router = Router::new().fallback(serve).with_state(shared);
        tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        Self { base, written, ward }
    }

    /// It, as the service knows it: what is written, what is read.
    pub fn record(&self, writes: &[&str], reads: &[&str]) -> RecordConfig {
        let names = |types: &[&str]| types.iter().map(|kind| (*kind).to_owned()).collect();
        RecordConfig {
            record: Record {
                name: "main".to_owned(),
                base: self.base.clone(),
                writes: names(writes),
                reads: names(reads),
                same_ids: false,
                overlap: SignedDuration::from_secs(300),
                page: 3,
            },
            base: self.base.parse().unwrap(),
            auth: RecordAuth::None,
            timeout: Duration::from_secs(1),
            read_every: Duration::from_mins(1),
        }
    }

    pub fn with<T>(&self, act: impl FnOnce(&mut Ward) -> T) -> T {
        act(&mut self.ward.lock().unwrap())
    }

    /// The next requests go wrong like this, one each.
    pub fn faults(&self, faults: impl IntoIterator<Item = Fault>) {
        self.with(|ward| ward.script.extend(faults));
    }
}

/// A clinic in memory beside these record servers, and the way to them.
pub async fn beside(date: &str, records: &[RecordConfig]) -> (Clinic, Outgoing) {
    joined(Clinic::open(date).await, records)
}

/// The same on a file.
pub async fn beside_on(date: &str, file: &Path, records: &[RecordConfig]) -> (Clinic, Outgoing) {
    joined(Clinic::on_file(date, file).await, records)
}

fn joined(clinic: Clinic, records: &[RecordConfig]) -> (Clinic, Outgoing) {
    let Clinic { endplate, clock } = clinic;
    let endplate: Endplate = endplate.beside(records.iter().map(|one| one.record.clone()).collect());
    assert_eq!(endplate.settings().base, settings().base);
    let outgoing = outgoing(records, &clock);
    (Clinic { endplate, clock }, outgoing)
}

pub fn outgoing(records: &[RecordConfig], clock: &Arc<TurnedClock>) -> Outgoing {
    let config = Config { records: records.to_vec(), ..Config::of_defaults().unwrap() };
    let clock: Arc<dyn endplate_followup::ports::Clock> = clock.clone();
    Outgoing::new(Webhook::new(&config, clock.clone()).unwrap(), &config, &clock).unwrap()
}

async fn serve(State(shared): State<Shared>, request: Request) -> Response {
    let (parts, body) = request.into_parts();
    let header = |name: &str| header(&parts.headers, name);
    let body = axum::body::to_bytes(body, usize::MAX).await.unwrap();
    let (if_match, authorization) = (header("if-match"), header("authorization"));
    let trace = header("traceparent");
    let target = parts.uri.to_string().trim_start_matches("/fhir/").to_owned();
    let method = parts.method.to_string();
    let query = parts.uri.query().unwrap_or_default();
    let params: BTreeMap<String, String> = form_urlencoded::parse(query.as_bytes()).into_owned().collect();
    if let Some(answer) = login(&shared, parts.uri.path(), &body) {
        return told(answer);
    }
    let fault = shared.ward.lock().unwrap().script.pop_front().unwrap_or(Fault::None);
    let answer = match fault {
        Fault::Status(status) => outcome(status, "As the test asks."),
        Fault::Wait(status, seconds) => Answer { retry_after_s: Some(seconds), ..outcome(status, "Wait.") },
        Fault::Hang => {
            let status = 0;
            note(&shared, Seen { method, target, if_match, authorization, trace, status });
            return std::future::pending().await;
        }
        Fault::None | Fault::Lost => done(
            &shared,
            &method,
            parts.uri.path(),
            &params,
            (if_match.as_deref(), authorization.as_deref()),
            &body,
        ),
    };
    if method == "PUT" {
        shared.written.notify_one();
    }
    let status = answer.status;
    note(&shared, Seen { method, target, if_match, authorization, trace, status });
    if matches!(fault, Fault::Lost) { std::future::pending().await } else { told(answer) }
}

fn note(shared: &Shared, seen: Seen) {
    shared.ward.lock().unwrap().seen.push(seen);
}

fn done(
    shared: &Shared,
    method: &str,
    path: &str,
    params: &BTreeMap<String, String>,
    (if_match, authorization): (Option<&str>, Option<&str>),
    body: &Bytes,
) -> Answer {
    let mut ward = shared.ward.lock().unwrap();
    if let Some(token) = &ward.token
        && authorization != Some(&format!("Bearer {token}"))
    {
        return outcome(401, "Another token is needed.");
    }
    let parts: Vec<&str> = path.trim_start_matches("/fhir/").split('/').collect();
    match (method, parts.as_slice()) {
        ("GET", [kind]) => answer(200, ward.search(&shared.base, kind, params)),
        ("GET", [kind, id]) => match ward.resources.get(&((*kind).to_owned(), (*id).to_owned())) {
            Some(resource) => answer(200, resource.clone()),
            None => outcome(404, "There is none."),
        },
        ("PUT", [kind]) => ward.update(kind, params, if_match, serde_json::from_slice(body).unwrap()),
        _ => outcome(405, "Not here."),
    }
}

/// Discovery and the token endpoint of SMART Backend Services. Assertions are kept; whether they are good, the test asks others.
fn login(shared: &Shared, path: &str, body: &Bytes) -> Option<Answer> {
    let mut ward = shared.ward.lock().unwrap();
    match path {
        "/fhir/.well-known/smart-configuration" => Some(answer(
            200,
            json!({
                "token_endpoint": shared.base.replace("/fhir", "/login/token"),
                "token_endpoint_auth_signing_alg_values_supported": ward.algorithms,
            }),
        )),
        "/login/token" => {
            ward.grants.push(form_urlencoded::parse(body).into_owned().collect());
            let token = format!("t{}", ward.grants.len());
            ward.token = Some(token.clone());
            Some(answer(
                200,
                json!({ "access_token": token, "token_type": "bearer", "expires_in": 300, "scope": "system/*.rs" }),
            ))
        }
        _ => None,
    }
}

fn header(headers: &HeaderMap, name: &str) -> Option<String> {
    headers.get(name).map(|value| value.to_str().unwrap().to_owned())
}

fn told(answer: Answer) -> Response {
    let mut response =
        (StatusCode::from_u16(answer.status).unwrap(), answer.body.to_string()).into_response();
    let headers = response.headers_mut();
    headers.insert("content-type", "application/fhir+json".parse().unwrap());
    if let Some(location) = answer.location {
        headers.insert("location", location.parse().unwrap());
    }
    if let Some(seconds) = answer.retry_after_s {
        headers.insert("retry-after", seconds.into());
    }
    response
}
