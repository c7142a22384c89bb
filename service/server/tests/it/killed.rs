//! The process killed again and again in the midst of its work (SIGKILL: nothing is flushed, nothing is said), on one store, with
//! clients that write and receivers that are told all the while. What was acknowledged is there, what belongs together is there
//! together, and every receiver was told of everything.

use crate::harness;
use crate::program::{CANARY, Program, serve};
use axum::Router;
use axum::extract::State;
use axum::http::HeaderMap;
use endplate_followup::ports::{Past, Store};
use endplate_server::boot;
use endplate_server::config::{Config, StoreUrl};
use endplate_server::webhook::Webhook;
use reqwest::Client;
use serde_json::{Value as Json, json};
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;
use tokio::sync::watch;

const KILLS: u64 = 200;
const CLIENTS: usize = 4;
const SEED: u64 = 20_261_125;
/// Types whose every version a receiver of their own is told of.
const TOLD: [&str; 3] = ["Task", "CarePlan", "Organization"];

/// What happens is counted, so that a kill may fall between any two things that happen.
#[derive(Clone)]
struct World {
    /// Requests sent, requests answered, notifications received.
    happened: Arc<watch::Sender<u64>>,
    /// Which life of the process answers now; even: none.
    life: Arc<watch::Sender<u64>>,
    /// Records that were acknowledged.
    records: Arc<Mutex<BTreeSet<u64>>>,
    next_record: Arc<AtomicU64>,
    /// Event and body, as they came.
    heard: Arc<Mutex<Vec<(String, String)>>>,
}

impl World {
    fn happens(&self) {
        self.happened.send_modify(|count| *count += 1);
    }
}

/// The same record for another patient.
fn record(number: u64) -> String {
    include_str!("../../../../fixtures/clinic/01-alder.json")
        .replace("Alder", CANARY)
        .replace("P-001", &format!("P-{number:06}"))
        .replace("I-001", &format!("I-{number:06}"))
        .replace("O-001", &format!("O-{number:06}"))
}

/// Writes for as long as there is a service: a record that was not acknowledged is sent again until it is. Gives the last name
/// that was acknowledged and the last that was sent.
async fn client(who: usize, base: String, client: Client, world: World) -> (u64, u64) {
    let mut life = world.life.subscribe();
    let (mut acknowledged, mut sent) = (0, 0);
    let mut number = world.next_record.fetch_add(1, Ordering::SeqCst);
    for turn in 0_u64.. {
        // The end: nobody opens another life.
        if life.wait_for(|life| life % 2 == 1).await.is_err() || *life.borrow() == u64::MAX {
            break;
        }
        let is_record = turn % 2 == 0;
        let (method, path, body) = if is_record {
            ("POST", String::new(), record(number))
        } else {
            sent += 1;
            let name =
                json!({ "resourceType": "Organization", "id": format!("u{who}"), "name": format!("{sent}") });
            ("PUT", format!("/Organization/u{who}"), name.to_string())
        };
        let request = client
            .request(method.parse().expect("a method"), format!("{base}/fhir{path}"))
            .header("content-type", "application/fhir+json")
            .body(body);
        world.happens();
        let Ok(response) = request.send().await else {
            tokio::task::yield_now().await;
            continue;
        };
        let status = response.status().as_u16();
        assert!(matches!(status, 200 | 201 | 503), "{status}");
        world.happens();
        if status == 503 {
            continue;
        }
        if is_record {
            world.records.lock().expect("no panic").insert(number);
            number = world.next_record.fetch_add(1, Ordering::SeqCst);
        } else {
            acknowledged = sent;
        }
    }
    (acknowledged, sent)
}

async fn receiver(world: World) -> SocketAddr {
    async fn take(State(world): State<World>, headers: HeaderMap, body: String) {
        let event = headers["endplate-event"].to_str().expect("ASCII").to_owned();
        world.heard.lock().expect("no panic").push((event, body));
        world.happens();
    }
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("an address");
    let router = Router::new().fallback(take).with_state(world);
    tokio::spawn(async move { axum::serve(listener, router).await });
    address
}

/// Another life, at the same address.
fn begin(folder: &Path, address: SocketAddr) -> Program {
    Program::start(serve(folder).env("ENDPLATE_LISTEN", address.to_string()))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn i06_a_service_killed_two_hundred_times_keeps_its_word() {
    println!("seed {SEED}");
    let mut dice = SEED;
    let mut roll = |sides: u64| {
        dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (dice >> 33) % sides
    };
    let folder = tempfile::tempdir().expect("a folder");
    let world = World {
        happened: Arc::new(watch::Sender::new(0)),
        life: Arc::new(watch::Sender::new(0)),
        records: Arc::default(),
        next_record: Arc::new(AtomicU64::new(1)),
        heard: Arc::default(),
    };
    let hook = receiver(world.clone()).await;
    let free = TcpListener::bind("127.0.0.1:0").await.and_then(|one| one.local_addr()).expect("a free port");
    let base = format!("http://{free}");
    let _ = rustls::crypto::ring::default_provider().install_default();
    let http = Client::builder().no_proxy().tls_certs_only([]).build().expect("a client");

    let mut process = Some(begin(folder.path(), free));
    for kind in TOLD {
        let subscription = json!({
            "resourceType": "Subscription", "id": kind, "status": "requested", "reason": "tests", "criteria": kind,
            "channel": { "type": "rest-hook", "endpoint": format!("http://{hook}/"), "payload": "application/fhir+json" },
        });
        let put = http.put(format!("{base}/fhir/Subscription/{kind}")).body(subscription.to_string());
        let reply = put.header("content-type", "application/fhir+json").send().await.expect("an answer");
        assert_eq!(reply.status().as_u16(), 201);
    }
    let clients: Vec<_> = (0..CLIENTS)
        .map(|who| tokio::spawn(client(who, base.clone(), http.clone(), world.clone())))
        .collect();
    let mut happened = world.happened.subscribe();
    for _ in 0..KILLS {
        let process = process.take().unwrap_or_else(|| begin(folder.path(), free));
        world.life.send_modify(|life| *life += 1);
        // Mostly early; now and then after a longer stretch of work.
        let until = *happened.borrow() + 1 + if roll(8) == 0 { roll(120) } else { roll(24) };
        happened.wait_for(|count| *count >= until).await.expect("the world");
        process.kill();
        world.life.send_modify(|life| *life += 1);
    }
    world.life.send_replace(u64::MAX);
    let mut names = BTreeMap::new();
    for (who, client) in clients.into_iter().enumerate() {
        names.insert(format!("u{who}"), client.await.expect("no panic"));
    }
    let mut config = harness::config();
    config.store = StoreUrl::Sqlite(folder.path().join("store.db"));
    check(&config, &world, &names).await;
}

/// All resources of a type.
async fn all(store: &dyn Store, kind: &str) -> Vec<Json> {
    let mut found = Vec::new();
    let mut past = Past { kind: Some(kind.to_owned()), count: 500, ..Past::default() };
    let mut seen = BTreeSet::new();
    loop {
        let page = store.history(&past).await.expect("a history");
        // Newest first.
        for version in page.versions {
            if seen.insert(version.stored.id.clone()) {
                found.push(serde_json::from_str(&version.stored.body).expect("JSON"));
            }
        }
        match page.next {
            Some(next) => past.after = Some(next),
            None => return found,
        }
    }
}

async fn check(config: &Config, world: &World, names: &BTreeMap<String, (u64, u64)>) {
    let store = boot::open_store(&config.store).await.expect("the store opens");
    let clock = harness::clock();
    let endplate = boot::endplate(config, "http://127.0.0.1/fhir", Arc::clone(&store), clock.clone());
    let sent = endplate.deliver(&Webhook::new(config, clock).expect("a sender")).await.expect("delivered");
    assert_eq!((sent.deferred, sent.parked, sent.dropped), (0, 0, 0));
    let store = store.as_ref();

    // What was acknowledged is there.
    let number = |patient: &Json| patient["identifier"][0]["value"].as_str().expect("a number").to_owned();
    let patients: Vec<String> = all(store, "Patient").await.iter().map(number).collect();
    let once: BTreeSet<String> = patients.iter().cloned().collect();
    assert_eq!(once.len(), patients.len(), "nobody is there twice");
    let records = world.records.lock().expect("no panic").clone();
    for number in &records {
        assert!(once.contains(&format!("P-{number:06}")), "record {number} was acknowledged");
    }
    for unit in all(store, "Organization").await {
        let Some((acknowledged, sent)) = names.get(unit["id"].as_str().expect("an id")) else { continue };
        let stored: u64 = unit["name"].as_str().expect("a name").parse().expect("a number");
        assert!((*acknowledged..=*sent).contains(&stored), "{acknowledged} to {sent}: {stored}");
    }
    // No repair without its plan and no plan without its repair.
    let reference = |resource: &Json| {
        format!(
            "{}/{}",
            resource["resourceType"].as_str().expect("a type"),
            resource["id"].as_str().expect("an id")
        )
    };
    let repairs: BTreeSet<String> = all(store, "Procedure").await.iter().map(reference).collect();
    let forecasts: BTreeSet<String> = all(store, "RiskAssessment")
        .await
        .iter()
        .map(|one| one["basis"][0]["reference"].as_str().expect("a basis").to_owned())
        .collect();
    assert_eq!(repairs, forecasts);
    let of_patient = |one: &Json| one["subject"]["reference"].as_str().expect("a subject").to_owned();
    let planned: BTreeSet<String> = all(store, "CarePlan").await.iter().map(of_patient).collect();
    assert_eq!((planned.len(), repairs.len()), (patients.len(), patients.len()));

    // Everybody was told of every version, in order, under numbers without gaps; what came twice came the same.
    let heard = world.heard.lock().expect("no panic").clone();
    let mut repeats = 0;
    for kind in TOLD {
        let mut first: BTreeMap<u64, &String> = BTreeMap::new();
        let events =
            heard.iter().filter_map(|(event, body)| Some((event.strip_prefix(&format!("{kind}/"))?, body)));
        for (number, body) in events {
            let number: u64 = number.parse().expect("a number");
            if let Some(before) = first.get(&number) {
                assert_eq!(*before, body, "{kind}/{number}");
                repeats += 1;
            } else {
                let next = first.len() as u64 + 1;
                assert_eq!(number, next, "{kind}: nothing is left out and nothing overtakes");
                first.insert(number, body);
            }
        }
        let past = Past { kind: Some(kind.to_owned()), count: 1, ..Past::default() };
        let versions = store.history(&past).await.expect("a history").total.expect("so few are counted");
        assert_eq!(first.len() as u64, versions, "{kind}");
        let different: BTreeSet<&String> = first.values().copied().collect();
        assert_eq!(different.len() as u64, versions, "{kind}: each version once");
    }
    println!("{} records, {} notifications, {repeats} of them repeats", patients.len(), heard.len());
    assert!(records.len() > CLIENTS && heard.len() > TOLD.len());
}
