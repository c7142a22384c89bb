//! The invented clinic behind HTTP: a service on a free port, a client, a clock that the test turns, and a receiver of
//! what the service sends.

use crate::clinic::TurnedClock;
use async_trait::async_trait;
use axum::Router;
use axum::extract::State;
use endplate_fhir::Json;
use endplate_followup::DeliveryReport;
use endplate_followup::ports::{Message, Outcome, Store, Transport};
use endplate_server::boot::{self, Parts, Server};
use endplate_server::config::{Config, StoreUrl};
use endplate_server::webhook::Webhook;
use jiff::tz::TimeZone;
use reqwest::header::HeaderMap;
use reqwest::{Client, Method, RequestBuilder};
use std::num::NonZeroUsize;
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;

pub const FHIR_JSON: &str = "application/fhir+json";

/// The defaults, on a free port, with a store that forgets and days as UTC has them.
pub fn config() -> Config {
    let mut config = Config::of_defaults().unwrap();
    config.listen = "127.0.0.1:0".parse().unwrap();
    config.store = StoreUrl::Memory;
    config.time_zone = TimeZone::UTC;
    // The service's Device and what is on record would be among what tests count; the trail has tests of its own.
    config.audit_enabled = false;
    // Histories are told in the order of the commits, which is left to chance where several patients are looked at side by side.
    config.sweep_together = NonZeroUsize::MIN;
    config
}

/// The same with an audit trail.
pub fn audited() -> Config {
    Config { audit_enabled: true, ..config() }
}

/// An answer.
pub struct Reply {
    pub status: u16,
    pub headers: HeaderMap,
    pub text: String,
}

impl Reply {
    /// A header, or the empty text.
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    /// The text without what tells one request from another: the trace that a refusal names.
    pub fn untraced(&self) -> String {
        let mut parts = self.text.split("\"trace ");
        let first = parts.next().unwrap_or_default().to_owned();
        parts.fold(first, |text, part| format!("{text}\"{}", &part[32..]))
    }

    pub fn json(&self) -> Json {
        serde_json::from_str(&self.text).unwrap_or_else(|_| panic!("no JSON: {}", self.text))
    }

    /// The answer's text if the request was done, else a panic that shows the refusal.
    pub fn done(self) -> String {
        assert!(matches!(self.status, 200 | 201), "{}: {}", self.status, self.text);
        self.text
    }
}

/// A service without workers: the test sweeps and delivers when it wants to.
pub struct Served {
    pub server: Server,
    pub clock: Arc<TurnedClock>,
    client: Client,
}

/// Takes every message: a service without workers sends none by itself.
pub struct Unused;

#[async_trait]
impl Transport for Unused {
    async fn send(&self, _: &Message) -> Outcome {
        Outcome::Accepted
    }
}

impl Served {
    /// Opens on a day.
    pub async fn open(date: &str) -> Self {
        Self::open_as(&config(), date).await
    }

    /// Opens on a day as configured.
    pub async fn open_as(config: &Config, date: &str) -> Self {
        let store = match config.store {
            StoreUrl::Memory => crate::stores::fresh().await,
            // What is to be opened again afterwards is where the configuration says.
            _ => boot::open_store(&config.store).await.unwrap(),
        };
        Self::on(date, store, config).await
    }

    /// Opens on a day, on a store that may outlive it and with a configuration.
    pub async fn on(date: &str, store: Arc<dyn Store>, config: &Config) -> Self {
        let clock = TurnedClock::at(date);
        let parts = Parts { store, clock: clock.clone(), transport: Arc::new(Unused), workers: false };
        Self::of(boot::start(config, parts).await.unwrap(), clock)
    }

    /// A client of a service that was started otherwise.
    pub fn of(server: Server, clock: Arc<TurnedClock>) -> Self {
        // Installed before by another test: then that one serves.
        _ = rustls::crypto::ring::default_provider().install_default();
        // Everything is plain HTTP on this machine: reading its certificates would take most of the time.
        let client = Client::builder().no_proxy().tls_certs_only([]).build().unwrap();
        Self { server, clock, client }
    }

    /// A request to an address such as `/fhir/Task`.
    pub fn request(&self, method: &str, path: &str) -> RequestBuilder {
        let method = Method::from_bytes(method.as_bytes()).unwrap();
        self.client.request(method, format!("http://{}{path}", self.server.local_addr()))
    }

    pub async fn send(&self, request: RequestBuilder) -> Reply {
        let response = request.send().await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        Reply { status, headers, text: response.text().await.unwrap() }
    }

    pub async fn get(&self, path: &str) -> Reply {
        self.send(self.request("GET", path)).await
    }

    pub async fn post(&self, path: &str, body: &Json) -> Reply {
        self.send(self.request("POST", path).header("content-type", FHIR_JSON).body(body.to_string())).await
    }

    /// Sends a resource to the address that its type and id make.
    pub async fn put(&self, resource: &Json) -> Reply {
        let part = |name: &str| resource[name].as_str().unwrap();
        let path = format!("/fhir/{}/{}", part("resourceType"), part("id"));
        self.send(self.request("PUT", &path).header("content-type", FHIR_JSON).body(resource.to_string()))
            .await
    }

    /// All resources that a search finds, page by page; `query` is such as `Task?patient=p1`.
    pub async fn all(&self, query: &str) -> Vec<Json> {
        let mut found = Vec::new();
        let mut next = Some(format!("http://{}/fhir/{query}", self.server.local_addr()));
        while let Some(address) = next {
            let page = self.send(self.client.get(address)).await;
            assert_eq!(page.status, 200, "{}", page.text);
            let page = page.json();
            let entries = page["entry"].as_array().into_iter().flatten();
            found.extend(entries.map(|entry| entry["resource"].clone()));
            let links = page["link"].as_array().into_iter().flatten();
            next = links
                .filter(|link| link["relation"] == "next")
                .find_map(|link| link["url"].as_str().map(str::to_owned));
        }
        found
    }

    /// Turns the clock, looks at what that makes due, and delivers.
    pub async fn turn_to(&self, date: &str) {
        self.clock.turn_to(date);
        self.server.endplate().sweep(&|_| {}).await.unwrap();
        self.deliver().await;
    }

    /// Delivers what is due.
    pub async fn deliver(&self) -> DeliveryReport {
        let config = config();
        let webhook = Webhook::new(&config, self.clock.clone()).unwrap();
        self.server.endplate().deliver(&webhook).await.unwrap()
    }
}

/// A server that keeps every body sent to it.
pub struct Receiver {
    pub endpoint: String,
    bodies: Arc<Mutex<Vec<String>>>,
    _serving: JoinHandle<()>,
}

impl Receiver {
    pub async fn open() -> Self {
        let bodies = Arc::new(Mutex::new(Vec::new()));
        let keep = async |State(bodies): State<Arc<Mutex<Vec<String>>>>, body: String| {
            bodies.lock().unwrap().push(body);
        };
        let router = Router::new().fallback(keep).with_state(bodies.clone());
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let endpoint = format!("http://{}/inbox", listener.local_addr().unwrap());
        let serving = tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        Self { endpoint, bodies, _serving: serving }
    }

    /// The resources received so far, in order.
    pub fn received(&self) -> Vec<Json> {
        self.bodies.lock().unwrap().iter().map(|body| serde_json::from_str(body).unwrap()).collect()
    }
}
