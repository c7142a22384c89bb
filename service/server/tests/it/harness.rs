//! A service on port 0, a client that checks every answer, and a store that misbehaves on request.

use async_trait::async_trait;
use endplate_followup::ports::{
    Attempt, Bookmark, Call, Changeset, Compartment, Counterpart, Counterparts, DeadLetter, Event, Link,
    Linked, Maker, Message, Note, Outcome, Page, Past, PastPage, Receiver, Replay, Room, Store, StoreError,
    Tally, Traffic, Transport, Unread, Version, Waiting,
};
use endplate_server::boot::{self, Parts, Server};
use endplate_server::clock::FixedClock;
use endplate_server::config::{Config, StoreUrl};
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use reqwest::header::HeaderMap;
use reqwest::{Client, Method, RequestBuilder};
use serde_json::Value as Json;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::sync::Semaphore;

/// When the clock of tests stands.
pub const NOW: &str = "2026-01-05T09:00:00Z";

/// The defaults on a free port and a store that forgets.
pub fn config() -> Config {
    let mut config = Config::of_defaults().expect("the defaults");
    config.listen = "127.0.0.1:0".parse().expect("an address");
    config.store = StoreUrl::Memory;
    // These tests hold the store still; what is put on record has its own.
    config.audit_enabled = false;
    config
}

pub fn clock() -> Arc<FixedClock> {
    Arc::new(FixedClock::at(NOW.parse().expect("an instant"), &TimeZone::UTC))
}

/// A service on the store that its configuration names, without workers.
pub async fn start(config: &Config) -> Server {
    start_on(config, boot::open_store(&config.store).await.expect("a store")).await
}

/// A service on a given store, without workers.
pub async fn start_on(config: &Config, store: Arc<dyn Store>) -> Server {
    let parts = Parts { store, clock: clock(), transport: Arc::new(Nowhere), workers: false };
    boot::start(config, parts).await.expect("started")
}

/// Takes every message.
pub struct Nowhere;

#[async_trait]
impl Transport for Nowhere {
    async fn send(&self, _: &Message) -> Outcome {
        Outcome::Accepted
    }
}

/// An answer.
pub struct Reply {
    pub headers: HeaderMap,
    pub text: String,
}

impl Reply {
    pub fn json(&self) -> Json {
        serde_json::from_str(&self.text).unwrap_or_else(|_| panic!("no JSON: {}", self.text))
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).map(|value| value.to_str().expect("ASCII"))
    }

    /// `details.text` of the first issue.
    pub fn problem(&self) -> String {
        self.json()["issue"][0]["details"]["text"].as_str().expect("a text").to_owned()
    }
}

/// A request to a service.
pub fn request(server: &Server, method: &str, path: &str) -> RequestBuilder {
    // Installed before by another test: then that one serves.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let method = Method::from_bytes(method.as_bytes()).expect("a method");
    let client = Client::builder().no_proxy().build().expect("a client");
    client.request(method, format!("http://{}{path}", server.local_addr()))
}

/// A request with a FHIR body.
pub fn send(server: &Server, method: &str, path: &str, body: &Json) -> RequestBuilder {
    request(server, method, path).header("content-type", "application/fhir+json").body(body.to_string())
}

/// Sends a request, wants this status, and checks what holds for every answer.
pub async fn expect(request: RequestBuilder, status: u16) -> Reply {
    let response = request.send().await.expect("an answer");
    let (found, headers) = (response.status(), response.headers().clone());
    let reply = Reply { headers, text: response.text().await.expect("a body") };
    assert_eq!(found.as_u16(), status, "{}", reply.text);
    assert!(reply.header("x-request-id").is_some_and(|id| !id.is_empty()));
    assert_eq!(reply.header("x-content-type-options"), Some("nosniff"));
    if !found.is_success() {
        assert_eq!(reply.header("content-type"), Some("application/fhir+json;charset=utf-8"));
        let outcome = reply.json();
        assert_eq!(outcome["resourceType"], "OperationOutcome");
        assert_eq!(endplate_fhir::validate::resource(&outcome), []);
        assert!(reply.problem().ends_with('.'), "no sentence: {}", reply.text);
    }
    reply
}

/// How a [`Double`] misbehaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    None,
    Unreachable,
    Panicking,
    /// It takes a question and never answers.
    Silent,
    /// It panics when it is asked what is due.
    Sweeping,
}

/// An empty store whose commits wait for a permit of `gate`.
pub struct Double {
    pub fault: Fault,
    pub gate: Semaphore,
    /// One permit for each resource that was asked for and is never given.
    pub asked: Semaphore,
    /// One permit for each commit that has begun.
    pub begun: Semaphore,
    /// One permit for each commit that has ended.
    pub ended: Semaphore,
    /// One permit for each sweep that has begun.
    pub swept: Semaphore,
    pub commits: AtomicUsize,
}

impl Double {
    pub fn new(fault: Fault) -> Arc<Self> {
        let closed = || Semaphore::new(0);
        let commits = AtomicUsize::new(0);
        Arc::new(Self {
            fault,
            asked: closed(),
            gate: closed(),
            begun: closed(),
            ended: closed(),
            swept: closed(),
            commits,
        })
    }

    fn misbehave(&self) -> Result<(), StoreError> {
        match self.fault {
            Fault::None | Fault::Silent | Fault::Sweeping => Ok(()),
            Fault::Unreachable => {
                Err(StoreError::Failed { context: "a test", source: "secret table of /var/lib".into() })
            }
            Fault::Panicking => panic!("secret value of a patient"),
        }
    }
}

/// Waits for one permit and uses it up.
pub async fn wait(semaphore: &Semaphore) {
    semaphore.acquire().await.expect("open").forget();
}

#[async_trait]
impl Store for Double {
    async fn latest(&self, _: &str, _: &str) -> Result<Option<Version>, StoreError> {
        if self.fault == Fault::Silent {
            self.asked.add_permits(1);
            std::future::pending::<()>().await;
        }
        self.misbehave().map(|()| None)
    }
    async fn version(&self, _: &str, _: &str, _: u64) -> Result<Option<Version>, StoreError> {
        self.misbehave().map(|()| None)
    }
    async fn history(&self, _: &Past) -> Result<PastPage, StoreError> {
        self.misbehave().map(|()| PastPage::default())
    }
    async fn referrers(&self, _: &str, _: &str, _: usize) -> Result<Vec<(String, String)>, StoreError> {
        self.misbehave().map(|()| Vec::new())
    }
    async fn compartment(&self, _: &str) -> Result<Compartment, StoreError> {
        self.misbehave().map(|()| Compartment::default())
    }
    async fn generation(&self, _: &str) -> Result<u64, StoreError> {
        self.misbehave().map(|()| 0)
    }
    async fn search(&self, _: &endplate_fhir::search::Query) -> Result<Page, StoreError> {
        self.misbehave().map(|()| Page::default())
    }
    async fn counts(&self, _: &endplate_fhir::search::Query, _: &str) -> Result<Vec<(i64, u64)>, StoreError> {
        self.misbehave().map(|()| Vec::new())
    }
    async fn referred(&self, _: &str, _: &[String], _: &str) -> Result<Vec<String>, StoreError> {
        self.misbehave().map(|()| Vec::new())
    }
    async fn commit(&self, _: Changeset) -> Result<(), StoreError> {
        self.begun.add_permits(1);
        wait(&self.gate).await;
        self.commits.fetch_add(1, Ordering::SeqCst);
        self.ended.add_permits(1);
        Ok(())
    }
    async fn chain_head(&self) -> Result<Option<Link>, StoreError> {
        self.misbehave().map(|()| None)
    }
    async fn chain(&self, _: u64, _: usize) -> Result<Vec<Linked>, StoreError> {
        self.misbehave().map(|()| Vec::new())
    }
    async fn unchained(
        &self,
        _: Option<&str>,
        _: usize,
    ) -> Result<(Vec<String>, Option<String>), StoreError> {
        self.misbehave().map(|()| (Vec::new(), None))
    }
    async fn due(&self, _: Date, _: Option<&str>, _: usize) -> Result<Vec<String>, StoreError> {
        self.swept.add_permits(1);
        assert!(self.fault != Fault::Sweeping, "secret value of a patient");
        self.misbehave().map(|()| Vec::new())
    }
    async fn waiting(&self, _: Timestamp, _: &[String], _: Room) -> Result<Waiting, StoreError> {
        self.misbehave().map(|()| Waiting::default())
    }
    async fn settle(&self, _: &str, _: Vec<Attempt>) -> Result<(), StoreError> {
        self.misbehave()
    }
    async fn events(&self, _: &str, _: u64, _: usize) -> Result<Vec<Event>, StoreError> {
        self.misbehave().map(|()| Vec::new())
    }
    async fn traffic(&self, _: &str) -> Result<Traffic, StoreError> {
        self.misbehave().map(|()| Traffic::default())
    }
    async fn called(&self, _: Timestamp, _: usize) -> Result<Vec<Call>, StoreError> {
        self.misbehave().map(|()| Vec::new())
    }
    async fn maker(&self, _: &str) -> Result<Option<Maker>, StoreError> {
        self.misbehave().map(|()| None)
    }
    async fn use_once(&self, _: &str, _: Timestamp, _: Timestamp) -> Result<bool, StoreError> {
        self.misbehave().map(|()| true)
    }
    async fn park(&self, _: &str, _: Timestamp, _: &str) -> Result<u64, StoreError> {
        self.misbehave().map(|()| 0)
    }
    async fn replay(&self, _: &Replay, _: Timestamp) -> Result<u64, StoreError> {
        self.misbehave().map(|()| 0)
    }
    async fn receivers(&self, _: Option<&str>, _: usize) -> Result<Vec<Receiver>, StoreError> {
        self.misbehave().map(|()| Vec::new())
    }
    async fn tally(&self, _: Timestamp, _: Date) -> Result<Tally, StoreError> {
        self.misbehave().map(|()| Tally::default())
    }
    async fn check(&self) -> Result<(), StoreError> {
        if self.fault == Fault::Silent {
            std::future::pending::<()>().await;
        }
        self.misbehave()
    }
}

/// Beside no record server.
#[async_trait]
impl Counterparts for Double {
    async fn counterpart(&self, _: &str, _: &str, _: &str) -> Result<Option<Counterpart>, StoreError> {
        Ok(None)
    }

    async fn counterpart_of(&self, _: &str, _: &str, _: &str) -> Result<Option<Counterpart>, StoreError> {
        Ok(None)
    }

    async fn bookmarks(&self, _: &str) -> Result<Vec<Bookmark>, StoreError> {
        Ok(Vec::new())
    }

    async fn unread(&self, _: &str, _: usize) -> Result<Vec<Unread>, StoreError> {
        Ok(Vec::new())
    }

    async fn dead_letters(&self, _: &str, _: usize) -> Result<Vec<DeadLetter>, StoreError> {
        Ok(Vec::new())
    }

    async fn note(&self, _: Vec<Note>) -> Result<(), StoreError> {
        Ok(())
    }
}
