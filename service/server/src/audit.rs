//! Every request on its way to the audit trail.
//!
//! What a write did is committed with the write. Reads and refusals wait in a bounded queue and are committed in groups; it is
//! drained before the service stops. A request for which there is no room in the queue is refused with 503 before anything is
//! done for it: what cannot be put on record does not happen. Probes, the description of the interface and published definitions
//! say nothing about anybody and are left out.

mod verify;

pub use verify::{head, verify};

use crate::caller::Caller;
use crate::error::{Failure, Told};
use crate::http::{App, Phase};
use crate::proxy::origin;
use crate::publish;
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{Method, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use endplate_fhir::{TYPES, is_id};
use endplate_followup::audit::{Arrival, Call, Requester, Seen};
use endplate_followup::ports::{Clock, Stored};
use endplate_followup::{Endplate, Reason};
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tracing::error;

/// Requests that may wait to be put on record.
const WAITING_MAX: usize = 4_096;
/// How long a request waits for room there.
const ROOM_WAIT: Duration = Duration::from_secs(1);
/// Requests that are put on record with one commit.
const TOGETHER_MAX: usize = 256;
/// The pause after a failure of the store.
const PAUSE_AFTER_FAILURE: Duration = Duration::from_secs(1);

tokio::task_local! {
    /// The request in progress. It is here, and not an argument of each handler, so that no handler can forget it.
    static CALL: Arc<Call>;
}

/// The id that a request has in the log and in its answer.
#[derive(Clone, Debug)]
pub(crate) struct RequestId(pub String);

/// The request in progress, where it is put on record.
pub(crate) fn current() -> Option<Arc<Call>> {
    CALL.try_with(Arc::clone).ok()
}

/// Notes that this is what the client is shown.
pub(crate) fn shows(app: &App, stored: &Stored) {
    if let Some(call) = current() {
        call.shows(&stored.body, &app.base);
    }
}

/// Notes the criteria of a search by POST.
pub(crate) fn searches(uri: &Uri, form: &[u8]) {
    if let Some(call) = current() {
        let form = String::from_utf8_lossy(form);
        let query = uri.query().map_or(String::new(), |query| format!("{query}&"));
        note_query(&call, uri.path(), &format!("{query}{form}"));
    }
}

/// What waits in the queue.
enum Waiting {
    Answered(Box<Seen>),
    /// Somebody who wants everything before this to be on record.
    Reader(oneshot::Sender<()>),
}

/// The way to the audit trail.
#[derive(Clone)]
pub(crate) struct Trail {
    queue: mpsc::Sender<Waiting>,
    clock: Arc<dyn Clock>,
    /// Whether the last try at the store failed.
    is_stuck: Arc<AtomicBool>,
}

impl Trail {
    /// Starts it. The future puts on record what is sent there, until the service stops.
    pub(crate) fn start(
        endplate: Endplate,
        clock: Arc<dyn Clock>,
        phase: watch::Receiver<Phase>,
    ) -> (Self, impl Future<Output = ()> + Send) {
        let (queue, waiting) = mpsc::channel(WAITING_MAX);
        let is_stuck = Arc::new(AtomicBool::new(false));
        let recorder =
            Recorder { endplate, waiting, phase, is_stuck: Arc::clone(&is_stuck), is_ending: false };
        (Self { queue, clock, is_stuck }, recorder.run())
    }

    /// How many requests wait.
    pub(crate) fn waiting(&self) -> u32 {
        u32::try_from(WAITING_MAX - self.queue.capacity().min(WAITING_MAX)).unwrap_or(u32::MAX)
    }

    /// Whether the last try at the store failed.
    pub(crate) fn is_stuck(&self) -> bool {
        self.is_stuck.load(Ordering::Acquire)
    }

    /// Waits until everything that was answered before is on record, or cannot be now.
    async fn settle(&self) {
        let (reader, read) = oneshot::channel();
        if !self.is_stuck.load(Ordering::Acquire) && self.queue.send(Waiting::Reader(reader)).await.is_ok() {
            let _ = read.await;
        }
    }
}

/// Takes what waits, and puts it on record.
struct Recorder {
    endplate: Endplate,
    waiting: mpsc::Receiver<Waiting>,
    phase: watch::Receiver<Phase>,
    is_stuck: Arc<AtomicBool>,
    is_ending: bool,
}

impl Recorder {
    async fn run(mut self) {
        let mut some = Vec::with_capacity(TOGETHER_MAX);
        loop {
            tokio::select! {
                taken = self.waiting.recv_many(&mut some, TOGETHER_MAX) => {
                    if taken == 0 {
                        return;
                    }
                }
                () = stopping(self.phase.clone()), if !self.is_ending => {
                    self.end();
                    continue;
                }
            }
            let (mut seen, mut readers) = (Vec::new(), Vec::new());
            for one in some.drain(..) {
                match one {
                    Waiting::Answered(answered) => seen.push(*answered),
                    Waiting::Reader(reader) => readers.push(reader),
                }
            }
            self.record(seen).await;
            for reader in readers {
                let _ = reader.send(());
            }
        }
    }

    /// No more is taken; what is there is still put on record.
    fn end(&mut self) {
        self.is_ending = true;
        self.waiting.close();
    }

    async fn record(&mut self, mut seen: Vec<Seen>) {
        while !seen.is_empty() {
            let done = self.endplate.put_on_record(&seen).await;
            self.is_stuck.store(done.is_err(), Ordering::Release);
            match done {
                Ok(()) => return,
                // Whatever it is that cannot be told must not stand in the way of everything after it.
                Err(refusal) if refusal.reason == Reason::Fault && seen.len() == 1 => {
                    error!(
                        request.id = seen[0].call.arrival.request_id,
                        "a request could not be put on record"
                    );
                    return;
                }
                Err(refusal) if refusal.reason == Reason::Fault => {
                    let rest = seen.split_off(seen.len() / 2);
                    Box::pin(self.record(seen)).await;
                    seen = rest;
                }
                Err(_) if self.is_ending => {
                    error!(requests = seen.len(), "stopped before these requests were put on record");
                    return;
                }
                Err(_) => {
                    tokio::select! {
                        () = tokio::time::sleep(PAUSE_AFTER_FAILURE) => {}
                        () = stopping(self.phase.clone()) => self.end(),
                    }
                }
            }
        }
    }
}

/// Waits until the workers are to stop. A service that was dropped has stopped.
async fn stopping(mut phase: watch::Receiver<Phase>) {
    let _ = phase.wait_for(|phase| *phase == Phase::Stopping).await;
}

/// Puts a request on record, or refuses it if there is no room.
pub(crate) async fn audited(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let Some(trail) = app.trail.as_ref().filter(|_| is_audited(request.method(), request.uri().path()))
    else {
        return next.run(request).await;
    };
    // A burst waits until some of it is on record; whoever waits longer than that waits for a disk.
    let place = tokio::time::timeout(ROOM_WAIT, trail.queue.clone().reserve_owned()).await;
    let Ok(Ok(place)) = place else {
        let why = "The audit trail cannot be written now. Nothing was done; send it again in a moment.";
        return Failure::Unready(why).into_response();
    };
    let call = Arc::new(call(&app, &request));
    let is_audit = call.arrival.named.0.as_deref() == Some("AuditEvent");
    if is_audit && tokio::time::timeout(app.limits.time, trail.settle()).await.is_err() {
        return Failure::Overtime.into_response();
    }
    request.extensions_mut().insert(Arc::clone(&call));
    let response = CALL.scope(Arc::clone(&call), next.run(request)).await;
    // Of a request that was denied, whoever denied it may say who sent it.
    if let Some(caller) = response.extensions().get::<Caller>() {
        call.asked_by(requester(caller));
    }
    let outcome = response.extensions().get::<Told>().map(|told| (*told.0).clone());
    let seen = Seen { call, at: trail.clock.now(), status: response.status().as_u16(), outcome };
    place.send(Waiting::Answered(Box::new(seen)));
    response
}

/// Inside of whatever finds out who calls: takes over what it found.
pub(crate) async fn known(request: Request, next: Next) -> Response {
    if let (Some(call), Some(caller)) = (current(), request.extensions().get::<Caller>()) {
        call.asked_by(requester(caller));
    }
    next.run(request).await
}

fn requester(caller: &Caller) -> Requester {
    let Caller { client, issuer, token_id } = caller.clone();
    Requester { client, issuer, token_id }
}

/// The segments of an address below the base.
fn segments(path: &str) -> Option<Vec<&str>> {
    let rest = path.strip_prefix("/fhir")?;
    (rest.is_empty() || rest.starts_with('/'))
        .then(|| rest.split('/').filter(|part| !part.is_empty()).collect())
}

fn is_audited(method: &Method, path: &str) -> bool {
    let reads = matches!(*method, Method::GET | Method::HEAD);
    match segments(path).as_deref() {
        Some(["metadata"]) => !reads,
        Some([kind] | [kind, _]) if publish::TYPES.contains(kind) && !TYPES.contains(kind) => !reads,
        Some(_) => true,
        None => !matches!(path, "/livez" | "/readyz" | "/metrics" | "/openapi.json" | "/cds-services"),
    }
}

/// R4's code of what is asked for; none if it can only be seen from the body, or is nothing that R4 knows.
pub(crate) fn interaction(method: &Method, path: &str) -> Option<&'static str> {
    let Some(segments) = segments(path) else {
        return path.starts_with("/cds-services/").then_some("operation");
    };
    if segments.iter().any(|segment| segment.starts_with('$')) {
        return Some("operation");
    }
    match (method.as_str(), segments.as_slice()) {
        ("GET" | "HEAD", []) | ("POST", ["_search"]) => Some("search-system"),
        ("GET" | "HEAD", ["_history"]) => Some("history-system"),
        ("GET" | "HEAD", [_, "_history"]) => Some("history-type"),
        ("GET" | "HEAD", [_, _, "_history"]) => Some("history-instance"),
        ("GET" | "HEAD", [_, _, "_history", _]) => Some("vread"),
        ("GET" | "HEAD", [_, _]) => Some("read"),
        ("GET" | "HEAD", [_] | [_, _, _]) | ("POST", [_, "_search"]) => Some("search-type"),
        ("POST", [_]) => Some("create"),
        ("PUT", [_] | [_, _]) => Some("update"),
        ("PATCH", [_] | [_, _]) => Some("patch"),
        ("DELETE", [_] | [_, _]) => Some("delete"),
        _ => None,
    }
}

/// A request as it arrives.
fn call(app: &App, request: &Request) -> Call {
    static COUNT: AtomicU64 = AtomicU64::new(1);
    let (method, uri) = (request.method(), request.uri());
    let id = request.extensions().get::<RequestId>();
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>();
    let interaction = interaction(method, uri.path());
    let call = Call::of(Arrival {
        serial: format!(
            "{}-{}-{}",
            app.request_prefix,
            std::process::id(),
            COUNT.fetch_add(1, Ordering::Relaxed)
        ),
        request_id: id.map(|RequestId(id)| id.clone()).unwrap_or_default(),
        network: peer.map(|ConnectInfo(peer)| origin(peer.ip(), request.headers(), &app.proxies).to_string()),
        named: named(uri.path()),
    });
    if let Some(interaction) = interaction {
        call.is(interaction);
    }
    match uri.query() {
        Some(query) => note_query(&call, uri.path(), query),
        None if interaction.is_some_and(|code| code.starts_with("search")) => {
            note_query(&call, uri.path(), "");
        }
        None => {}
    }
    call
}

/// Type, id and version that an address names.
fn named(path: &str) -> (Option<String>, Option<String>, Option<String>) {
    let segments = segments(path).unwrap_or_default();
    let is_known = |kind: &&&str| TYPES.contains(*kind) || publish::TYPES.contains(*kind);
    let Some(kind) = segments.first().filter(is_known) else { return (None, None, None) };
    let id = segments.get(1).filter(|id| is_id(id));
    let version = match segments.as_slice() {
        [_, _, "_history", version] if is_id(version) => Some((*version).to_owned()),
        _ => None,
    };
    (Some((*kind).to_owned()), id.map(|id| (*id).to_owned()), version)
}

/// Notes what is searched for, and the patients that it names.
fn note_query(call: &Call, path: &str, query: &str) {
    let below = path.strip_prefix("/fhir/").unwrap_or(path.trim_start_matches('/'));
    call.asks(&if query.is_empty() { below.to_owned() } else { format!("{below}?{query}") });
    for (name, value) in form_urlencoded::parse(query.as_bytes()) {
        let plain = name.split([':', '.']).next().unwrap_or_default();
        let names_patients = matches!(plain, "patient" | "subject")
            || (plain == "_id" && call.arrival.named.0.as_deref() == Some("Patient"));
        for one in value.split(',').filter(|_| names_patients) {
            match one.rsplit_once('/') {
                Some((before, id)) if before.ends_with("Patient") => call.is_about(id),
                Some(_) => {}
                None => call.is_about(one),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // FHIR R4 http.html, the addresses of interactions; valueset-type-restful-interaction.
    #[test]
    fn interactions_are_those_of_r4() {
        let table = [
            ("GET", "/fhir/Task/1", Some("read")),
            ("HEAD", "/fhir/Task/1/_history/2", Some("vread")),
            ("PUT", "/fhir/Task/1", Some("update")),
            ("PUT", "/fhir/Task", Some("update")),
            ("PATCH", "/fhir/Task/1", Some("patch")),
            ("DELETE", "/fhir/Task/1", Some("delete")),
            ("POST", "/fhir/Task", Some("create")),
            ("GET", "/fhir/Task", Some("search-type")),
            ("POST", "/fhir/Task/_search", Some("search-type")),
            ("GET", "/fhir/Patient/1/Task", Some("search-type")),
            ("GET", "/fhir", Some("search-system")),
            ("POST", "/fhir/_search", Some("search-system")),
            ("GET", "/fhir/Task/1/_history", Some("history-instance")),
            ("GET", "/fhir/Task/_history", Some("history-type")),
            ("GET", "/fhir/_history", Some("history-system")),
            ("POST", "/fhir/Task/$validate", Some("operation")),
            ("POST", "/fhir", None),
            ("BREW", "/fhir/Task", None),
            ("GET", "/fhirs", None),
        ];
        for (method, path, code) in table {
            let known = Method::from_bytes(method.as_bytes()).expect("a method");
            assert_eq!(interaction(&known, path), code, "{method} {path}");
        }
    }

    #[test]
    fn what_says_nothing_about_anybody_is_left_out() {
        for path in
            ["/livez", "/metrics", "/openapi.json", "/cds-services", "/fhir/metadata", "/fhir/ValueSet"]
        {
            assert!(!is_audited(&Method::GET, path), "{path}");
        }
        for path in ["/fhir", "/fhir/Patient", "/cds-services/x", "/nowhere", "/fhir/AuditEvent/1"] {
            assert!(is_audited(&Method::GET, path), "{path}");
        }
        assert!(is_audited(&Method::POST, "/fhir/metadata"));
    }

    #[test]
    fn only_what_is_well_formed_is_named() {
        assert_eq!(named("/fhir/Task/a_b"), (Some("Task".into()), None, None));
        assert_eq!(named("/fhir/Somebody/1"), (None, None, None));
        assert_eq!(
            named("/fhir/Task/1/_history/2"),
            (Some("Task".into()), Some("1".into()), Some("2".into()))
        );
    }
}
