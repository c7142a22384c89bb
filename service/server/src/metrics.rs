//! What the service counts and measures, for whoever watches it: names by the Prometheus convention, base units, in the Prometheus
//! text format 0.0.4 or as OpenMetrics 1.0.
//!
//! Labels are codes of R4 and of this service, and so few; no id, no name, no address is among them. What the store holds is counted
//! when it is asked for, at most every [`FRESH_FOR`], and left out when the store does not answer: an old number would be a lie.

use crate::clock::Stopwatch;
use crate::probe::{Check, Health};
use async_trait::async_trait;
use axum::extract::Request;
use axum::http::{HeaderMap, Method, header::ACCEPT};
use endplate_followup::ports::{
    Answer, Ask, Clock, Message, Meter, Outcome, ReadTally, StoreError, Tally, Transport,
};
use endplate_followup::{DeliveryReport, Endplate};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use prometheus_client::encoding::{EncodeLabelSet, prometheus_text, text};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::{ConstGauge, Gauge};
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Metric, Registry};
use std::fmt::Debug;
use std::hash::Hash;
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::Semaphore;

/// How long counts of the store are given again.
pub(crate) const FRESH_FOR: SignedDuration = SignedDuration::from_secs(5);
/// How long the store may take to count.
const TALLY_TIME: Duration = Duration::from_secs(5);

/// What an answer in one of the formats is called, and the format.
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Upper bounds in seconds: of a disk's commit up to the longest time a request may take.
const BOUNDS: [f64; 13] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0, 30.0];
/// The same of a sweep: up to an hour.
const SWEEP_BOUNDS: [f64; 10] = [0.01, 0.1, 0.5, 1.0, 5.0, 15.0, 60.0, 300.0, 900.0, 3600.0];

/// R4, `subscription-status`.
const SUBSCRIPTION_STATUSES: [&str; 4] = ["requested", "active", "error", "off"];

type Labels<const N: usize> = [(&'static str, &'static str); N];
type Asked = (Labels<2>, [(&'static str, u32); 1]);

/// A histogram for each set of labels.
type Times<const N: usize> = Family<Labels<N>, Histogram, fn() -> Histogram>;

fn times<const N: usize>() -> Times<N> {
    Family::new_with_constructor(|| Histogram::new(BOUNDS))
}

/// What is counted while the service runs.
#[derive(Debug)]
pub(crate) struct Metrics {
    requests: Family<Asked, Counter>,
    request_times: Times<1>,
    commits: Times<1>,
    deliveries: Family<Labels<1>, Counter>,
    attempts: Times<2>,
    sweeps: Family<Labels<1>, Histogram, fn() -> Histogram>,
    swept_at: Mutex<Option<Timestamp>>,
}

impl Default for Metrics {
    fn default() -> Self {
        let metrics = Self {
            requests: Family::default(),
            request_times: times(),
            commits: times(),
            deliveries: Family::default(),
            attempts: times(),
            sweeps: Family::new_with_constructor(|| Histogram::new(SWEEP_BOUNDS)),
            swept_at: Mutex::default(),
        };
        // What has not happened yet is 0, not absent: a rate can then be told from the first time on.
        for result in ["delivered", "deferred", "parked", "dropped"] {
            let _ = metrics.deliveries.get_or_create(&[("result", result)]);
        }
        for result in ["done", "moved", "failed"] {
            let _ = metrics.commits.get_or_create(&[("result", result)]);
        }
        for result in ["done", "failed"] {
            let _ = metrics.sweeps.get_or_create(&[("result", result)]);
        }
        metrics
    }
}

impl Metrics {
    /// A request was answered. `interaction` and `kind` are codes of R4, or the empty text.
    pub(crate) fn answered(&self, asked: (&'static str, &'static str), status: u16, took: Duration) {
        let (interaction, kind) = asked;
        let labels = [("interaction", interaction), ("type", kind)];
        self.requests.get_or_create(&(labels, [("status", u32::from(status))])).inc();
        self.request_times.get_or_create(&[("interaction", interaction)]).observe(took.as_secs_f64());
    }

    /// A sweep ended, at `now`.
    pub(crate) fn swept(&self, is_done: bool, took: Stopwatch, now: Timestamp) {
        let result = if is_done { "done" } else { "failed" };
        self.sweeps.get_or_create(&[("result", result)]).observe(took.elapsed().as_secs_f64());
        if is_done {
            *self.swept_at.lock().unwrap_or_else(PoisonError::into_inner) = Some(now);
        }
    }

    fn register(&self, registry: &mut Registry) {
        let mut add = |name: &str, help: &str, metric: Box<dyn Registered>| metric.join(registry, name, help);
        add(
            "endplate_http_requests",
            "Requests answered, by R4's code of the interaction, the type and the status",
            Box::new(self.requests.clone()),
        );
        add(
            "endplate_http_request_duration_seconds",
            "Time from the head of a request to the answer",
            Box::new(self.request_times.clone()),
        );
        add(
            "endplate_store_commit_duration_seconds",
            "Time until a write was durable, or refused since the facts had moved, or failed",
            Box::new(self.commits.clone()),
        );
        add(
            "endplate_deliveries",
            "Events by what became of an attempt to deliver them",
            Box::new(self.deliveries.clone()),
        );
        add(
            "endplate_delivery_attempt_duration_seconds",
            "Time until a receiver or a record server answered, or did not",
            Box::new(self.attempts.clone()),
        );
        add(
            "endplate_sweep_duration_seconds",
            "Time of a sweep over due dates",
            Box::new(self.sweeps.clone()),
        );
    }
}

/// A metric that can be registered without its type being named.
trait Registered {
    fn join(self: Box<Self>, registry: &mut Registry, name: &str, help: &str);
}

impl<M: Metric> Registered for M {
    fn join(self: Box<Self>, registry: &mut Registry, name: &str, help: &str) {
        registry.register(name, help, *self);
    }
}

impl Meter for Metrics {
    fn committed(&self, done: Result<(), &StoreError>, took: Duration) {
        let result = match done {
            Ok(()) => "done",
            Err(StoreError::Moved) => "moved",
            Err(StoreError::Failed { .. }) => "failed",
        };
        self.commits.get_or_create(&[("result", result)]).observe(took.as_secs_f64());
    }

    fn delivered(&self, report: &DeliveryReport) {
        let DeliveryReport { delivered, deferred, parked, dropped } = *report;
        let counts =
            [("delivered", delivered), ("deferred", deferred), ("parked", parked), ("dropped", dropped)];
        for (result, count) in counts.into_iter().filter(|(_, count)| *count > 0) {
            self.deliveries.get_or_create(&[("result", result)]).inc_by(count as u64);
        }
    }
}

/// A transport that is measured.
pub(crate) struct Measured {
    pub transport: Arc<dyn Transport>,
    pub metrics: Arc<Metrics>,
}

impl Measured {
    fn note(&self, to: &'static str, outcome: &'static str, took: Stopwatch) {
        let labels = [("to", to), ("outcome", outcome)];
        self.metrics.attempts.get_or_create(&labels).observe(took.elapsed().as_secs_f64());
    }
}

#[async_trait]
impl Transport for Measured {
    async fn send(&self, message: &Message) -> Outcome {
        let stopwatch = Stopwatch::start();
        let outcome = self.transport.send(message).await;
        let told = match &outcome {
            Outcome::Accepted => "accepted",
            Outcome::Refused { .. } => "refused",
            Outcome::Unreachable { .. } => "unreachable",
        };
        self.note("subscriber", told, stopwatch);
        outcome
    }

    async fn ask(&self, request: &Ask) -> Result<Answer, String> {
        let stopwatch = Stopwatch::start();
        let answer = self.transport.ask(request).await;
        let told = match &answer {
            Ok(answer) if answer.status < 400 => "accepted",
            Ok(_) => "refused",
            Err(_) => "unreachable",
        };
        self.note("record", told, stopwatch);
        answer
    }
}

/// What a request asks for, as labels: R4's code of the interaction, or a word for what is none, and the type.
pub(crate) fn asked(request: &Request, route: &str) -> (&'static str, &'static str) {
    let (method, path) = (request.method(), request.uri().path());
    let word = match route {
        "/livez" | "/readyz" | "/metrics" => "probe",
        "/fhir/metadata" => "capabilities",
        "/auth/token" => "token",
        // Transaction or batch: only the body tells.
        "/fhir" if method == Method::POST => "bundle",
        "none" => "none",
        _ => crate::audit::interaction(method, path).unwrap_or("other"),
    };
    let segment = path.strip_prefix("/fhir/").and_then(|rest| rest.split('/').next());
    let kind = segment.and_then(|segment| endplate_fhir::TYPES.iter().find(|kind| **kind == segment));
    (word, kind.copied().unwrap_or_default())
}

/// Where the numbers come from when they are asked for.
pub(crate) struct Scrape {
    pub metrics: Arc<Metrics>,
    /// The service itself: it counts everything.
    pub endplate: Endplate,
    pub clock: Arc<dyn Clock>,
    pub zone: TimeZone,
    pub health: Arc<Health>,
    pub requests: Arc<Semaphore>,
    pub requests_max: usize,
    pub trail: Option<crate::audit::Trail>,
    pub started_at: Timestamp,
    /// The names of the record servers that are read, and what types.
    pub records: Vec<(String, Vec<String>)>,
    /// What the store last said, and when. Held while it is asked, so that it is asked once.
    pub last: tokio::sync::Mutex<Option<(Timestamp, Tally)>>,
}

impl Scrape {
    /// All numbers, in the format that is liked best, and the name of the format.
    pub(crate) async fn told(&self, headers: &HeaderMap) -> (&'static str, String) {
        let (tally, checks) = (self.tally().await, self.health.checks(&self.endplate).await);
        let mut registry = Registry::default();
        self.metrics.register(&mut registry);
        self.now(&mut registry, &checks);
        if let Some(tally) = tally {
            self.standing(&mut registry, &tally);
        }
        let mut text = String::new();
        let is_open = likes_open_metrics(headers);
        // Writing to memory does not fail.
        let _ = if is_open {
            text::encode(&mut text, &registry)
        } else {
            prometheus_text::encode(&mut text, &registry)
        };
        (if is_open { OPEN_METRICS } else { prometheus_text::CONTENT_TYPE }, text)
    }

    /// What stands in the store; none if it does not answer.
    async fn tally(&self) -> Option<Tally> {
        let counted = async {
            let mut last = self.last.lock().await;
            let now = self.clock.now();
            // A clock that was set back makes nothing fresh.
            let is_fresh = |at: Timestamp| now >= at && now.duration_since(at) < FRESH_FOR;
            if let Some((_, tally)) = last.as_ref().filter(|(at, _)| is_fresh(*at)) {
                return Some(tally.clone());
            }
            let tally = self.endplate.tally().await.ok()?;
            *last = Some((now, tally.clone()));
            Some(tally)
        };
        tokio::time::timeout(TALLY_TIME, counted).await.ok().flatten()
    }

    /// What this process knows of itself.
    fn now(&self, registry: &mut Registry, checks: &[Check]) {
        let version = env!("CARGO_PKG_VERSION");
        registry.register("endplate_build", "The build that runs", Info::new([("version", version)]));
        let protocol = self.endplate.settings().protocol.version.clone();
        let help = "The follow-up protocol that new plans are made by";
        registry.register("endplate_protocol", help, Info::new([("version", protocol)]));
        let is_ready = checks.iter().all(|check| check.problem.is_none());
        one(
            registry,
            "endplate_ready",
            "Whether /readyz says that requests can be served",
            u8::from(is_ready),
        );
        let passed =
            checks.iter().map(|check| ([("check", check.name.clone())], u8::from(check.problem.is_none())));
        some(registry, "endplate_check_passed", "Whether a check of /readyz holds", passed);
        let in_progress = self.requests_max.saturating_sub(self.requests.available_permits());
        let help = "Requests in progress; at most requests_max, then 503";
        one(registry, "endplate_http_requests_in_progress", help, in_progress as f64);
        if let Some(trail) = &self.trail {
            let help = "Requests that wait to be put on record; at most 4096, then 503";
            one(registry, "endplate_audit_queue_requests", help, trail.waiting());
            let help = "Whether the audit trail could not be written last";
            one(registry, "endplate_audit_stuck", help, u8::from(trail.is_stuck()));
        }
        let swept_at = *self.metrics.swept_at.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(at) = swept_at {
            let help = "When the last sweep of this process was done";
            one(
                registry,
                "endplate_sweep_last_success_timestamp_seconds",
                help,
                at.as_millisecond() as f64 / 1e3,
            );
        }
        let started = self.started_at.as_millisecond() as f64 / 1e3;
        one(registry, "process_start_time_seconds", "When this process began to serve", started);
        if let Some(bytes) = resident_bytes() {
            one(registry, "process_resident_memory_bytes", "Memory in use", bytes as f64);
        }
    }

    /// What stands in the store.
    fn standing(&self, registry: &mut Registry, tally: &Tally) {
        let states = [("waiting", tally.waiting), ("held", tally.held), ("dead", tally.dead)];
        let states = states.map(|(state, count)| ([("state", state)], count as f64));
        let help = "Events in the outbox: waiting to be sent, held since their Subscription is not active, dead letters";
        some(registry, "endplate_outbox_events", help, states);
        let now = self.clock.now();
        let age = |since: Option<Timestamp>| {
            since.map_or(0.0, |since| now.duration_since(since).as_secs_f64().max(0.0))
        };
        let help =
            "How long the event at the head of the longest waiting queue waits; held ones do not count";
        one(registry, "endplate_outbox_oldest_age_seconds", help, age(tally.waiting_since));
        let help = "Receivers for whom something waits and whose last attempt failed";
        one(registry, "endplate_outbox_receivers_failing", help, tally.failing as f64);
        let statuses = SUBSCRIPTION_STATUSES.map(|status| {
            ([("status", status)], tally.subscriptions.get(status).copied().unwrap_or(0) as f64)
        });
        some(registry, "endplate_subscriptions", "Subscriptions by R4's status", statuses);
        let help = "Open Tasks whose window is over";
        one(registry, "endplate_tasks_overdue", help, tally.overdue_tasks as f64);
        one(
            registry,
            "endplate_sweep_due_patients",
            "Patients whom the next sweep looks at",
            tally.due as f64,
        );
        let due_since = tally.due_since.and_then(|day| day.to_zoned_datetime(self.zone.clone()).ok());
        let help = "How long the earliest due date that no sweep has done with is due";
        one(registry, "endplate_sweep_lag_seconds", help, age(due_since.map(|due| due.timestamp())));
        if let Some(is_well) = tally.is_replica_well {
            let help = "Whether the replica answers and follows; 0: searches are asked of the database";
            one(registry, "endplate_replica_well", help, u8::from(is_well));
        }
        if !self.records.is_empty() {
            self.read(registry, tally, age);
        }
    }
}

impl Scrape {
    /// How record servers were read, of the types that are read now.
    fn read(&self, registry: &mut Registry, tally: &Tally, age: impl Fn(Option<Timestamp>) -> f64) {
        let of_each = |value: &dyn Fn(&[ReadTally]) -> f64| -> Vec<_> {
            let of = |(name, kinds): &(String, Vec<String>)| {
                let read = |kind| tally.read.get(&format!("{name}/{kind}")).copied().unwrap_or_default();
                ([("record", name.clone())], value(&kinds.iter().map(read).collect::<Vec<_>>()))
            };
            self.records.iter().map(of).collect()
        };
        let help = "How long ago the least recently read type of a record server was read";
        let ages = of_each(&|types| {
            types.iter().map(|read| age(Some(read.at.unwrap_or(self.started_at)))).fold(0.0, f64::max)
        });
        some(registry, "endplate_record_read_age_seconds", help, ages);
        let help = "Types of which the last reading from a record server broke off";
        let broken_off = of_each(&|types| types.iter().filter(|read| read.is_broken_off).count() as f64);
        some(registry, "endplate_record_types_broken_off", help, broken_off);
        let help = "Records of a record server that were read and not taken in";
        let put_aside = of_each(&|types| types.iter().map(|read| read.put_aside).sum::<u64>() as f64);
        some(registry, "endplate_record_put_aside", help, put_aside);
    }
}

/// A gauge without labels.
fn one(registry: &mut Registry, name: &str, help: &str, value: impl Into<f64>) {
    registry.register(name, help, ConstGauge::new(value.into()));
}

/// A gauge for each set of labels.
fn some<L>(
    registry: &mut Registry,
    name: &str,
    help: &str,
    values: impl IntoIterator<Item = (L, impl Into<f64>)>,
) where
    L: EncodeLabelSet + Clone + Hash + Eq + Debug + Send + Sync + 'static,
{
    let family = Family::<L, Gauge<f64, AtomicU64>>::default();
    for (labels, value) in values {
        family.get_or_create(&labels).set(value.into());
    }
    registry.register(name, help, family);
}

/// RFC 9110, section 12.5.1: whether OpenMetrics is liked at least as well as text.
fn likes_open_metrics(headers: &HeaderMap) -> bool {
    let (mut open, mut plain) = (0.0, 0.0);
    for range in headers
        .get_all(ACCEPT)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|text| text.split(','))
    {
        let mut parts = range.split(';').map(str::trim);
        let media = parts.next().unwrap_or_default().to_ascii_lowercase();
        let (mut weight, mut fits) = (1.0_f64, true);
        for (name, value) in parts.filter_map(|part| part.split_once('=')) {
            match name.trim().to_ascii_lowercase().as_str() {
                "q" => weight = value.trim().parse().unwrap_or(0.0),
                "version" if media.ends_with("openmetrics-text") => fits = value.trim_matches('"') == "1.0.0",
                _ => {}
            }
        }
        match media.as_str() {
            "application/openmetrics-text" if fits => open = f64::max(open, weight),
            "text/plain" => plain = f64::max(plain, weight),
            _ => {}
        }
    }
    open > 0.0 && open >= plain
}

/// `proc_pid_status(5)`, VmRSS; none where there is no such file.
fn resident_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()?.checked_mul(1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 9110, section 12.5.1. The first is what a Prometheus server sends (from its documentation, content negotiation).
    #[test]
    fn the_format_is_the_one_that_is_liked_best() {
        let likes = |accept: &str| {
            likes_open_metrics(&[(ACCEPT, accept.parse().expect("a value"))].into_iter().collect())
        };
        assert!(likes(
            "application/openmetrics-text;version=1.0.0;escaping=allow-utf-8;q=0.6,application/openmetrics-text;version=0.0.1;q=0.5,\
             text/plain;version=0.0.4;q=0.4,*/*;q=0.2"
        ));
        assert!(likes("application/openmetrics-text; version=\"1.0.0\""));
        for plain in [
            "*/*",
            "text/plain",
            "text/plain, application/openmetrics-text;version=1.0.0;q=0.5",
            "application/openmetrics-text;version=2.0.0",
            "application/openmetrics-text;q=0",
        ] {
            assert!(!likes(plain), "{plain}");
        }
        assert!(!likes_open_metrics(&HeaderMap::new()));
    }

    #[test]
    fn labels_are_codes_whatever_is_sent() {
        let labels = |method: &str, path: &str, route: &str| {
            let request = Request::builder().method(method).uri(path).body(axum::body::Body::empty());
            asked(&request.expect("a request"), route)
        };
        assert_eq!(labels("GET", "/fhir/Task/1", "/fhir/{kind}/{id}"), ("read", "Task"));
        assert_eq!(labels("POST", "/fhir", "/fhir"), ("bundle", ""));
        assert_eq!(labels("GET", "/fhir", "/fhir"), ("search-system", ""));
        assert_eq!(labels("POST", "/fhir/Smith/$validate", "/fhir/{kind}/$validate"), ("operation", ""));
        assert_eq!(labels("GET", "/fhir/Smith", "/fhir/{kind}"), ("search-type", ""));
        assert_eq!(labels("GET", "/smith", "none"), ("none", ""));
        assert_eq!(labels("SMITH", "/fhir/Task", "/fhir/{kind}"), ("other", "Task"));
        assert_eq!(labels("GET", "/readyz", "/readyz"), ("probe", ""));
    }
}
