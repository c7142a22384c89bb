//! The one place that builds concrete things: the store, the sender, the use cases, the running service.

use crate::access::Access;
use crate::audit::Trail;
use crate::config::{Config, RecordConfig, StoreUrl};
use crate::connection::serve_http;
use crate::guard::Guard;
use crate::http::{App, Limits, Phase, Site, WRITES_MAX, metadata, probe};
use crate::keys::unique;
use crate::metrics::{Measured, Metrics, Scrape};
use crate::probe::Health;
use crate::record::Outgoing;
use crate::router::router;
use crate::tls::{Certificates, TlsListener};
use crate::webhook::{self, Webhook, WebhookError};
use crate::worker::{Crew, Post};
use axum::serve::ListenerExt;
use endplate_followup::grant::Grant;
use endplate_followup::ports::{Clock, Store, Transport};
use endplate_followup::{Endplate, Settings};
use endplate_store::OpenError;
use jiff::{SignedDuration, Timestamp};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Notify, Semaphore, watch};
use tokio::task::{JoinHandle, JoinSet};
use tracing::{info, warn};

/// What the environment did not give.
#[derive(Debug, thiserror::Error)]
pub enum BootError {
    /// The port is taken, or the address is not this machine's.
    #[error("cannot listen on {listen} ({reason}): free the port or give another one with --listen")]
    Listen {
        /// The address as configured.
        listen: SocketAddr,
        /// What the system said.
        reason: std::io::ErrorKind,
    },
    /// The same of the address for metrics.
    #[error(
        "cannot listen on {listen} ({reason}) for metrics: free the port or give another one with metrics.listen"
    )]
    Metrics {
        /// The address as configured.
        listen: SocketAddr,
        /// What the system said.
        reason: std::io::ErrorKind,
    },
    /// The store cannot be opened.
    #[error(transparent)]
    Store(#[from] OpenError),
    /// The store can be read and not written: its disk or its files are read-only.
    #[error(
        "the store{} cannot be written: make its disk and its files writable for whoever runs this, or name another one with --store",
        .path.as_ref().map_or(String::new(), |path| format!(" {}", path.display()))
    )]
    ReadOnly {
        /// Its file, if it is one.
        path: Option<PathBuf>,
    },
    /// What the store keeps cannot be read, or the configured protocol does not fit it.
    #[error("the protocol cannot be used with this store: {0}")]
    Protocol(String),
    /// A key or a certificate cannot be used. The text names the setting.
    #[error("{0}")]
    Access(String),
    /// No notification could be sent.
    #[error(transparent)]
    Webhook(#[from] WebhookError),
}

/// Opens a store, and makes it if it is not there.
///
/// # Errors
/// It cannot be opened.
pub async fn open_store(url: &StoreUrl) -> Result<Arc<dyn Store>, BootError> {
    Ok(endplate_store::open(&url.address()).await?)
}

/// Whether a store can be written, which opening it does not tell: whoever serves on it must be able to put on record who reads.
/// A disk that is full is no hindrance: space may come while the service runs.
///
/// # Errors
/// It cannot.
pub async fn check_writable(config: &Config, store: &dyn Store) -> Result<(), BootError> {
    let path = if let StoreUrl::Sqlite(path) = &config.store { Some(path.clone()) } else { None };
    // What waits for nobody, set aside: a statement that writes, and changes nothing.
    store.park("", Timestamp::UNIX_EPOCH, "").await.map(|_| ()).map_err(|_| BootError::ReadOnly { path })
}

/// The use cases of a service at `base`.
pub fn endplate(config: &Config, base: &str, store: Arc<dyn Store>, clock: Arc<dyn Clock>) -> Endplate {
    let settings = Settings {
        base: base.to_owned(),
        protocol: config.protocol.clone(),
        clinic_lead: config.clinic_lead.clone(),
        scheduler: config.clinic_scheduler.clone(),
        reviews_per_day_max: config.clinic_reviews_per_day_max,
    };
    let give_up_after = config.webhook_give_up_after.try_into().unwrap_or(SignedDuration::MAX);
    let records = config.records.iter().map(|one| one.record.clone());
    Endplate::new(store, clock, settings)
        .as_instance(instance())
        .sweeping(config.sweep_together)
        .telling(give_up_after, Arc::new(Guard::new(config)))
        .beside(records.collect())
}

/// A name that no other instance has: neither process numbers nor addresses differ between containers.
fn instance() -> String {
    unique().unwrap_or_else(|| format!("process {}", std::process::id()))
}

/// The base URL of a service that is reached at `address`.
pub fn base_url(config: &Config, address: SocketAddr) -> String {
    let scheme = if config.tls.is_some() { "https" } else { "http" };
    config.base_url.clone().unwrap_or_else(|| format!("{scheme}://{address}/fhir"))
}

/// What a service runs on. A value: tests and rehearsals exchange its parts.
pub struct Parts {
    /// The durable side.
    pub store: Arc<dyn Store>,
    /// The only "now".
    pub clock: Arc<dyn Clock>,
    /// The way out for notifications.
    pub transport: Arc<dyn Transport>,
    /// Whether it delivers and sweeps on its own. Without, whoever holds the [`Server`] does.
    pub workers: bool,
}

impl Parts {
    /// The parts that `config` names, with `clock`.
    ///
    /// # Errors
    /// The store cannot be opened or holds another protocol of the configured version, or TLS cannot be set up.
    pub async fn of(config: &Config, clock: Arc<dyn Clock>) -> Result<Self, BootError> {
        let webhook = Webhook::new(config, Arc::clone(&clock))?;
        let transport = Arc::new(Outgoing::new(webhook, config, &clock)?);
        let store = match &config.store_replica {
            None => open_store(&config.store).await?,
            Some(replica) => {
                let (database, lag_max) = (config.store.address(), config.store_replica_lag_max);
                endplate_store::open_beside(&database, &replica.address(), lag_max).await?
            }
        };
        let parts = Self { store, clock, transport, workers: true };
        let endplate = endplate(config, "", Arc::clone(&parts.store), Arc::clone(&parts.clock));
        endplate.check_protocol().await.map_err(|refusal| BootError::Protocol(refusal.to_text()))?;
        Ok(parts)
    }
}

/// For the service itself, which knows who is registered, and for handlers: these have no rights before a caller has shown some.
fn by_rights(endplate: Endplate, access: Option<&Access>) -> (Endplate, Endplate) {
    let Some(access) = access else { return (endplate.clone(), endplate) };
    let closed = endplate.closed_to(access.registered());
    let without_rights = closed.on_behalf_of(Arc::new(Grant::nothing()));
    (closed, without_rights)
}

/// The audit trail, and who puts on record what is sent there.
async fn trail(
    endplate: &Endplate,
    clock: &Arc<dyn Clock>,
    phases: &watch::Receiver<Phase>,
    crew: &mut Crew,
) -> Trail {
    // Reading goes on where nothing can be written; then whoever derives something stores it.
    if let Err(refusal) = endplate.introduce().await {
        warn!(%refusal, "the service's own Device could not be stored");
    }
    let (trail, recording) = Trail::start(endplate.clone(), Arc::clone(clock), phases.clone());
    crew.take_on("audit", recording);
    trail
}

/// The address for numbers and probes alone, if one is configured.
async fn listen_aside(config: &Config) -> Result<Option<(TcpListener, SocketAddr)>, BootError> {
    let Some(listen) = config.metrics_listen else { return Ok(None) };
    let refused = |error: std::io::Error| BootError::Metrics { listen, reason: error.kind() };
    let listener = TcpListener::bind(listen).await.map_err(refused)?;
    let address = listener.local_addr().map_err(refused)?;
    Ok(Some((listener, address)))
}

/// A running service.
pub struct Server {
    address: SocketAddr,
    metrics_address: Option<SocketAddr>,
    endplate: Endplate,
    phase: watch::Sender<Phase>,
    http: JoinHandle<()>,
    workers: JoinSet<()>,
    writes: Arc<Semaphore>,
    outbox: Arc<Notify>,
    drain_delay: Duration,
    drain_timeout: Duration,
    certificates: Option<Certificates>,
}

/// Starts a service. When this returns, it takes requests.
///
/// # Errors
/// The address cannot be listened on, or a key or certificate cannot be used.
pub async fn start(config: &Config, parts: Parts) -> Result<Server, BootError> {
    let refused = |error: std::io::Error| BootError::Listen { listen: config.listen, reason: error.kind() };
    let listener = TcpListener::bind(config.listen).await.map_err(refused)?;
    let aside = listen_aside(config).await?;
    let address = listener.local_addr().map_err(refused)?;
    let base = base_url(config, address);
    let guard = Guard::of_settings(config);
    let access =
        Access::of(&config.access, &guard, &base, Arc::clone(&parts.clock), Arc::clone(&parts.store));
    let access = access.map_err(BootError::Access)?.map(Arc::new);
    let certificates = config.tls.as_ref().map(Certificates::read).transpose().map_err(BootError::Access)?;
    let metrics = Arc::new(Metrics::default());
    let endplate = endplate(config, &base, parts.store, Arc::clone(&parts.clock)).metered(metrics.clone());
    let (endplate, without_rights) = by_rights(endplate, access.as_deref());
    let statement = metadata::statement(&base, config.body_limit_bytes);
    let statement = if access.is_some() { metadata::secured(statement) } else { statement };
    let (phase, phases) = watch::channel(Phase::Running);
    let (writes, outbox) = (Arc::new(Semaphore::new(WRITES_MAX as usize)), Arc::new(Notify::new()));

    let health = Arc::new(Health::new(phases.clone()));
    let definitions = health.load();
    let mut crew = Crew::default();
    let mut recorded = None;
    if config.audit_enabled {
        recorded = Some(trail(&endplate, &parts.clock, &phases, &mut crew).await);
    }
    let requests = Arc::new(Semaphore::new(config.requests_max));
    let scrape = Arc::new(Scrape {
        metrics: Arc::clone(&metrics),
        endplate: endplate.clone(),
        clock: Arc::clone(&parts.clock),
        zone: config.time_zone.clone(),
        health: Arc::clone(&health),
        requests: Arc::clone(&requests),
        requests_max: config.requests_max,
        trail: recorded.clone(),
        started_at: parts.clock.now(),
        records: RecordConfig::read(&config.records),
        last: tokio::sync::Mutex::default(),
    });
    let site = Site {
        webhook_keys: webhook::key_set(webhook::signer(config)?.as_ref()).to_string().into(),
        access,
        is_tls: certificates.is_some(),
        metadata: statement.to_string().into(),
        base: base.as_str().into(),
        client_keys: RecordConfig::public_keys(&config.records).to_string().into(),
        limits: Limits { body_bytes: config.body_limit_bytes, time: config.request_timeout },
        search_strict: config.search_strict,
        outbox: Arc::clone(&outbox),
        writes: Arc::clone(&writes),
        requests,
        trail: recorded,
        scrape: Arc::clone(&scrape),
        metrics_elsewhere: config.metrics_listen.is_some() || config.access.is_closed(),
        cors_origins: config.cors_origins.iter().filter_map(|origin| origin.parse().ok()).collect(),
        proxies: config.proxies.clone().into(),
        request_prefix: format!("{:x}", parts.clock.now().as_nanosecond()).into(),
    };
    let app = App { endplate: without_rights, site: Arc::new(site) };
    let (router, head_time) = (router(app), config.request_timeout);
    let metrics_address = aside.as_ref().map(|(_, address)| *address);
    if let Some((listener, _)) = aside {
        // It goes on to the end: whoever watches sees the service drain.
        let served = serve_http(listener, probe::aside(scrape), head_time, phases.clone(), Phase::Stopping);
        crew.take_on("metrics", served);
    }
    let http = if let Some(certificates) = certificates.clone() {
        let listener = TlsListener::new(listener, certificates).map_err(refused)?;
        tokio::spawn(serve_http(listener, router, head_time, phases.clone(), Phase::Draining))
    } else {
        let listener = listener.tap_io(|stream| _ = stream.set_nodelay(true));
        tokio::spawn(serve_http(listener, router, head_time, phases.clone(), Phase::Draining))
    };

    if parts.workers {
        let post = Post {
            endplate: endplate.clone(),
            clock: parts.clock,
            outbox: Arc::clone(&outbox),
            phase: phases,
            metrics: Arc::clone(&metrics),
        };
        let transport: Arc<dyn Transport> = Arc::new(Measured { transport: parts.transport, metrics });
        crew.begin(&post, &transport, config);
    }
    health.started(crew.names);
    // They are read beside all this; whoever was quicker has heard that the service is not ready.
    let _ = definitions.await;
    info!(%address, base, version = env!("CARGO_PKG_VERSION"), "listening");
    Ok(Server {
        address,
        metrics_address,
        endplate,
        phase,
        http,
        workers: crew.tasks,
        writes,
        outbox,
        drain_delay: config.drain_delay,
        drain_timeout: config.drain_timeout,
        certificates,
    })
}

impl Server {
    /// Where it listens; the port is the one in use.
    pub fn local_addr(&self) -> SocketAddr {
        self.address
    }

    /// Where it gives its numbers, if that is an address of its own.
    pub fn metrics_addr(&self) -> Option<SocketAddr> {
        self.metrics_address
    }

    /// Its use cases, for whoever delivers and sweeps without the workers.
    pub fn endplate(&self) -> &Endplate {
        &self.endplate
    }

    /// Reads the certificates again, for connections made from now on. Without TLS there is nothing to do.
    ///
    /// # Errors
    /// They cannot be used; those read before stay. The text names the setting.
    pub fn renew_certificates(&self) -> Result<(), String> {
        self.certificates.as_ref().map_or(Ok(()), Certificates::renew)
    }

    /// Has the delivery worker look at the outbox now, as after a change of the clock.
    pub fn wake(&self) {
        self.outbox.notify_one();
    }

    /// Stops: says that it is not ready and goes on for as long as is configured, so that whoever sends requests here learns of
    /// it; then takes no more connections, finishes requests, writes and the delivery in progress, then ends. What is not
    /// finished in time is cut off; the store holds what was committed, and the outbox what was not delivered. True if all
    /// was finished.
    pub async fn shutdown(mut self) -> bool {
        self.phase.send_replace(Phase::Leaving);
        tokio::time::sleep(self.drain_delay).await;
        self.phase.send_replace(Phase::Draining);
        let finished = async {
            _ = (&mut self.http).await;
            // Whoever holds all permits knows that no write is in progress; none begins after that.
            _ = self.writes.acquire_many(WRITES_MAX).await;
            self.writes.close();
            self.phase.send_replace(Phase::Stopping);
            while self.workers.join_next().await.is_some() {}
            // Others need not wait until they end by themselves.
            self.endplate.give_up_claims().await;
        };
        let in_time = tokio::time::timeout(self.drain_timeout, finished).await.is_ok();
        if !in_time {
            warn!("stopped before all requests and deliveries were finished");
            self.phase.send_replace(Phase::Stopping);
            self.http.abort();
            self.workers.abort_all();
        }
        in_time
    }
}
