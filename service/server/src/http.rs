//! The handlers, and what they share.

mod answer;
pub(crate) mod calendar;
pub(crate) mod cds;
pub(crate) mod chart;
pub(crate) mod keys;
pub(crate) mod metadata;
pub(crate) mod operation;
pub(crate) mod probe;
pub(crate) mod published;
pub(crate) mod resource;
pub(crate) mod search;
mod terminology;

use crate::access::Access;
use crate::audit::{self, Trail};
use crate::error::Failure;
use crate::metrics::Scrape;
use crate::trace;
use axum::http::HeaderValue;
use endplate_followup::{Endplate, Refusal};
use ipnet::IpNet;
use std::future::Future;
use std::ops::Deref;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Notify, Semaphore};
use tracing::Instrument;

/// How many writes are decided at once; the others wait their turn.
pub(crate) const WRITES_MAX: u32 = 64;

/// Types that the service writes and others only read.
pub const READ_ONLY: &[&str] = &["AuditEvent"];

/// How far the service has come on its way to the end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Phase {
    /// It takes requests.
    Running,
    /// It still takes requests, and says that nobody should send more.
    Leaving,
    /// It finishes what it has.
    Draining,
    /// Requests are done; the workers stop too.
    Stopping,
}

/// Bounds of one request.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    /// Largest body.
    pub body_bytes: usize,
    /// Longest time for the body to arrive, and again for the answer to be made.
    pub time: Duration,
}

/// What every handler has at hand. Each request clones it several times on its way through the layers.
#[derive(Clone)]
pub struct App {
    /// The use cases; where access is closed, without any rights: a handler takes [`crate::access::gate::Served`].
    pub(crate) endplate: Endplate,
    pub(crate) site: Arc<Site>,
}

impl Deref for App {
    type Target = Site;

    fn deref(&self) -> &Site {
        &self.site
    }
}

/// What is the same for every request.
pub struct Site {
    /// Who may call; none: access is open.
    pub(crate) access: Option<Arc<Access>>,
    /// Whether connections are by TLS.
    pub(crate) is_tls: bool,
    /// The service's own URL, `http://127.0.0.1:8080/fhir`.
    pub(crate) base: Arc<str>,
    /// The CapabilityStatement, ready to send.
    pub(crate) metadata: Arc<str>,
    /// The public keys by which this service proves itself to record servers, ready to send.
    pub(crate) client_keys: Arc<str>,
    /// The public half of the key that signs notifications, ready to send.
    pub(crate) webhook_keys: Arc<str>,
    pub(crate) limits: Limits,
    /// Whether a search with an unknown parameter is refused where the client does not say.
    pub(crate) search_strict: bool,
    /// Wakes the delivery worker.
    pub(crate) outbox: Arc<Notify>,
    /// Bounds the writes in progress; whoever holds all of its permits knows that none is.
    pub(crate) writes: Arc<Semaphore>,
    /// Bounds the requests in progress.
    pub(crate) requests: Arc<Semaphore>,
    /// The way to the audit trail; none if there is to be none.
    pub(crate) trail: Option<Trail>,
    /// The numbers, and how the parts of the service are.
    pub(crate) scrape: Arc<Scrape>,
    /// Whether numbers are given at another address, or at none.
    pub(crate) metrics_elsewhere: bool,
    /// Origins of browsers that may call.
    pub(crate) cors_origins: Arc<[HeaderValue]>,
    /// Whose word for who calls is taken.
    pub(crate) proxies: Arc<[IpNet]>,
    /// Begins every request id that is made here; another one after each start.
    pub(crate) request_prefix: Arc<str>,
}

impl App {
    /// Runs a use case that stores something. It is finished even if the client hangs up or the time is over.
    pub(crate) async fn write<T, F, W>(&self, act: W) -> Result<T, Failure>
    where
        T: Send + 'static,
        F: Future<Output = Result<T, Refusal>> + Send + 'static,
        W: FnOnce(Endplate) -> F,
    {
        let decided = async {
            let Ok(permit) = Arc::clone(&self.writes).acquire_owned().await else {
                return Err(Failure::Unready("The service is stopping. Send it again in a moment."));
            };
            let mut endplate = self.endplate.clone();
            if let Some(call) = audit::current() {
                endplate = endplate.called_by(call);
            }
            if let Some(trace) = trace::current() {
                endplate = endplate.within(trace.carried());
            }
            let use_case = act(endplate);
            let outbox = Arc::clone(&self.outbox);
            let task = async move {
                let result = use_case.await;
                if result.is_ok() {
                    outbox.notify_one();
                }
                drop(permit);
                result
            };
            match tokio::spawn(task.in_current_span()).await {
                Ok(result) => result.map_err(Failure::from),
                // It panicked: the hook has logged where.
                Err(_) => Err(Failure::Broken),
            }
        };
        self.in_time(decided).await
    }

    /// Runs a use case that only reads.
    pub(crate) async fn read<T>(&self, act: impl Future<Output = Result<T, Refusal>>) -> Result<T, Failure> {
        self.in_time(async { act.await.map_err(Failure::from) }).await
    }

    async fn in_time<T>(&self, act: impl Future<Output = Result<T, Failure>>) -> Result<T, Failure> {
        tokio::time::timeout(self.limits.time, act).await.unwrap_or(Err(Failure::Overtime))
    }
}
