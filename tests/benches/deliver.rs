//! Notifications from the store to receivers on this machine, with every attempt settled durably.
//!
//! `cargo bench -p endplate-tests --bench deliver`. First 10,000 notifications for one receiver, beside the floor: a bare loop of
//! the same HTTP client that sends the same bodies to the same receiver. Order within a receiver means one at a time, so the
//! floor sends one at a time too. Then 1,000 receivers with ten notifications each, of which 100 are dead (half refuse the
//! connection, half take it and say nothing): how long until the 900 others have everything, beside the 900 alone.

use axum::Router;
use axum::http::StatusCode;
use endplate_followup::Endplate;
use endplate_followup::ports::{Changeset, Deed, Notice, Put, Store, Stored};
use endplate_server::boot;
use endplate_server::clock::SystemClock;
use endplate_server::config::{Config, StoreUrl};
use endplate_server::webhook::Webhook;
use endplate_tests::median;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use reqwest::Client;
use serde_json::json;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;
use tokio::net::TcpListener;
use tokio::sync::watch;

const NOTIFICATIONS: usize = 10_000;
const ROUNDS: usize = 3;
const RECEIVERS: usize = 1_000;
const DEAD: usize = 100;
const EACH: usize = 10;
const BODY_BYTES: usize = 2_000;
/// Resources committed together.
const TOGETHER: usize = 500;

fn body(id: &str) -> String {
    json!({ "resourceType": "Task", "id": id, "description": "x".repeat(BODY_BYTES) }).to_string()
}

fn put(kind: &str, id: &str, body: String) -> Put {
    let stored = Stored { kind: kind.into(), id: id.into(), version: 1, at: Timestamp::UNIX_EPOCH, body };
    Put { stored, deed: Deed::Created, patient: None, rows: Vec::new() }
}

fn config(file: &Path) -> Config {
    let mut config = Config::of_defaults().expect("the defaults");
    config.store = StoreUrl::Sqlite(file.to_owned());
    config
}

/// A receiver that counts what it takes.
async fn receiver() -> (SocketAddr, Arc<watch::Sender<usize>>) {
    let count = Arc::new(watch::Sender::new(0));
    let counted = Arc::clone(&count);
    let take = async move |_: axum::body::Bytes| {
        counted.send_modify(|count| *count += 1);
        StatusCode::NO_CONTENT
    };
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("an address");
    let served = axum::serve(listener, Router::new().fallback(take));
    tokio::spawn(async move { served.await });
    (address, count)
}

async fn subscribe(store: &dyn Store, id: &str, endpoint: &str) {
    let subscription = json!({
        "resourceType": "Subscription", "id": id, "status": "active", "criteria": "Task",
        "channel": { "type": "rest-hook", "endpoint": endpoint, "payload": "application/fhir+json" },
    });
    let puts = vec![put("Subscription", id, subscription.to_string())];
    let change = Changeset { at: Some(Timestamp::now()), puts, ..Changeset::default() };
    store.commit(change).await.expect("a Subscription");
}

/// Commits so many Tasks, each told to the receiver that its number names.
async fn raise(store: &dyn Store, count: usize, receiver: impl Fn(usize) -> String) {
    let all: Vec<usize> = (0..count).collect();
    for numbers in all.chunks(TOGETHER) {
        let id = |number: &usize| format!("t{number}");
        let notice = |number: &usize| Notice {
            receiver: receiver(*number),
            kind: "Task".into(),
            id: id(number),
            version: 1,
        };
        let change = Changeset {
            at: Some(Timestamp::now()),
            puts: numbers.iter().map(|number| put("Task", &id(number), body(&id(number)))).collect(),
            notices: numbers.iter().map(notice).collect(),
            ..Changeset::default()
        };
        store.commit(change).await.expect("Tasks");
    }
}

fn service(config: &Config, store: &Arc<dyn Store>) -> (Endplate, Webhook) {
    let clock = Arc::new(SystemClock::new(TimeZone::UTC));
    let endplate = boot::endplate(config, "http://127.0.0.1/fhir", Arc::clone(store), clock.clone());
    (endplate, Webhook::new(config, clock).expect("a sender"))
}

/// Notifications a second to one receiver.
async fn ours(file: &Path, address: SocketAddr) -> f64 {
    let config = config(file);
    let store = boot::open_store(&config.store).await.expect("a store");
    subscribe(store.as_ref(), "desk", &format!("http://{address}/hook")).await;
    raise(store.as_ref(), NOTIFICATIONS, |_| "desk".to_owned()).await;
    let (endplate, webhook) = service(&config, &store);
    let start = Instant::now();
    let report = endplate.deliver(&webhook).await.expect("delivered");
    let seconds = start.elapsed().as_secs_f64();
    assert_eq!(report.delivered, NOTIFICATIONS);
    NOTIFICATIONS as f64 / seconds
}

/// Requests a second of a bare loop.
async fn floor(address: SocketAddr) -> f64 {
    let client = Client::builder().no_proxy().build().expect("a client");
    let bodies: Vec<(String, String)> =
        (0..NOTIFICATIONS).map(|number| format!("t{number}")).map(|id| (body(&id), id)).collect();
    let start = Instant::now();
    for (body, id) in bodies {
        let request = client.put(format!("http://{address}/hook/Task/{id}"));
        let request = request.header("content-type", "application/fhir+json").body(body);
        assert!(request.send().await.expect("an answer").status().is_success());
    }
    NOTIFICATIONS as f64 / start.elapsed().as_secs_f64()
}

/// Seconds until those that live have everything.
async fn among(file: &Path, dead: usize) -> f64 {
    let config = config(file);
    let store = boot::open_store(&config.store).await.expect("a store");
    let (address, count) = receiver().await;
    // Nobody takes what is connected here.
    let silent = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let closed = TcpListener::bind("127.0.0.1:0").await.and_then(|one| one.local_addr()).expect("a port");
    let live = RECEIVERS - DEAD;
    for number in 0..live + dead {
        let address = match number {
            _ if number < live => address,
            _ if number % 2 == 0 => silent.local_addr().expect("an address"),
            _ => closed,
        };
        subscribe(store.as_ref(), &format!("r{number}"), &format!("http://{address}/{number}")).await;
    }
    raise(store.as_ref(), (live + dead) * EACH, |number| format!("r{}", number % (live + dead))).await;
    let (endplate, webhook) = service(&config, &store);
    let start = Instant::now();
    let delivering = tokio::spawn(async move { endplate.deliver(&webhook).await.map(drop) });
    count.subscribe().wait_for(|count| *count == live * EACH).await.expect("a receiver");
    let seconds = start.elapsed().as_secs_f64();
    delivering.abort();
    seconds
}

#[tokio::main]
async fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: String| folder.path().join(name);
    let (address, _count) = receiver().await;
    let _ = rustls::crypto::ring::default_provider().install_default();
    let (mut speeds, mut floors, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let (ours, floor) = (ours(&file(format!("one-{round}.db")), address).await, floor(address).await);
        speeds.push(ours);
        floors.push(floor);
        ratios.push(ours / floor);
    }
    println!(
        "{NOTIFICATIONS} notifications to one receiver, one at a time, settled durably: {:.0} a second",
        median(speeds)
    );
    println!("floor, a bare loop of the same client, one at a time: {:.0} a second", median(floors));
    println!("ratio {:.2} (0.60 or more is aimed at)", median(ratios));
    let (mut alone, mut among_dead, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let without = among(&file(format!("alone-{round}.db")), 0).await;
        let with = among(&file(format!("dead-{round}.db")), DEAD).await;
        alone.push(without);
        among_dead.push(with);
        ratios.push(with / without);
    }
    println!(
        "{} live receivers, {EACH} each: {:.2} s; with {DEAD} dead ones beside them {:.2} s; ratio {:.2} (1.20 or less is aimed at)",
        RECEIVERS - DEAD,
        median(alone),
        median(among_dead),
        median(ratios)
    );
}
