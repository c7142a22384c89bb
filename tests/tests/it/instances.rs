//! Several instances on one PostgreSQL database: one of them at a time serves a receiver, and sweeps.

use crate::clinic::{TurnedClock, settings, subscription, text};
use async_trait::async_trait;
use endplate_followup::Endplate;
use endplate_followup::ports::{Attempt, Clock, Message, Outcome, Settlement, Store, Transport};
use endplate_server::boot::{self, Parts};
use endplate_store::open;
use endplate_tests::postgres;
use serde_json::json;
use sqlx::Connection;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use tokio::sync::{Semaphore, watch};

const DESK: &str = "https://desk.example/hook";

/// Accepts everything, and notes who was told what, in order.
#[derive(Default)]
struct Receivers {
    open: Mutex<BTreeMap<String, usize>>,
    told: watch::Sender<BTreeMap<String, Vec<String>>>,
    overlaps: Mutex<usize>,
}

#[async_trait]
impl Transport for Receivers {
    async fn send(&self, message: &Message) -> Outcome {
        {
            let mut open = self.open.lock().unwrap();
            let at_once = open.entry(message.endpoint.clone()).or_default();
            *at_once += 1;
            *self.overlaps.lock().unwrap() += usize::from(*at_once > 1);
        }
        // Whoever else would send to the same receiver has every opportunity to.
        for _ in 0..20 {
            tokio::task::yield_now().await;
        }
        *self.open.lock().unwrap().get_mut(&message.endpoint).unwrap() -= 1;
        self.told.send_modify(|told| {
            told.entry(message.endpoint.clone()).or_default().push(message.event.clone());
        });
        Outcome::Accepted
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn of_two_instances_one_serves_a_receiver_at_a_time_and_nothing_comes_twice() {
    const EVENTS: usize = 120;
    _ = rustls::crypto::ring::default_provider().install_default();
    let address = postgres::database().await;
    let transport = Arc::new(Receivers::default());
    let mut servers = Vec::new();
    for n in 0..2 {
        let store = open(&address).await.unwrap();
        // Claims go by the clock of the database: these two differ by an hour.
        let clock = TurnedClock::at("2026-03-03");
        clock.turn_on_s(3_600 * n);
        let parts = Parts { store, clock, transport: transport.clone(), workers: true };
        servers.push(boot::start(&crate::served::config(), parts).await.unwrap());
    }
    let client = reqwest::Client::builder().no_proxy().tls_certs_only([]).build().unwrap();
    let put = async |server: usize, resource: endplate_fhir::Json| {
        let (kind, id) = (text(&resource, "/resourceType"), text(&resource, "/id"));
        let address = format!("http://{}/fhir/{kind}/{id}", servers[server].local_addr());
        let request = client.put(address).header("content-type", "application/fhir+json");
        assert_eq!(request.body(resource.to_string()).send().await.unwrap().status(), 201);
    };
    let receivers = ["a", "b", "c"].map(|name| (name, format!("https://{name}.example/hook")));
    for (name, endpoint) in &receivers {
        put(0, subscription(name, "Organization", endpoint, true)).await;
    }
    for n in 1..=EVENTS {
        put(n % 2, json!({ "resourceType": "Organization", "id": format!("o{n}"), "name": format!("o{n}") }))
            .await;
    }
    let mut told = transport.told.subscribe();
    told.wait_for(|told| told.values().map(Vec::len).sum::<usize>() >= EVENTS * receivers.len())
        .await
        .unwrap();
    for server in servers {
        assert!(server.shutdown().await);
    }
    for (name, endpoint) in &receivers {
        let expected: Vec<_> = (1..=EVENTS).map(|n| format!("{name}/{n}")).collect();
        assert_eq!(transport.told.borrow()[endpoint], expected);
    }
    assert_eq!(*transport.overlaps.lock().unwrap(), 0);
}

/// Says nothing until it is let go.
struct Slow {
    gate: Semaphore,
    begun: watch::Sender<Vec<String>>,
}

#[async_trait]
impl Transport for Slow {
    async fn send(&self, message: &Message) -> Outcome {
        self.begun.send_modify(|begun| begun.push(message.event.clone()));
        self.gate.acquire().await.unwrap().forget();
        Outcome::Accepted
    }
}

fn instance(store: &Arc<dyn Store>, clock: &Arc<TurnedClock>, name: &str) -> Endplate {
    Endplate::new(store.clone(), clock.clone(), settings()).as_instance(name.to_owned())
}

/// As if the time of every claim had passed.
async fn end_claims(address: &str) {
    let mut connection = sqlx::PgConnection::connect(address).await.unwrap();
    let ended = sqlx::query("update lease set until_ms = 0").execute(&mut connection).await.unwrap();
    assert!(ended.rows_affected() > 0, "something was claimed");
}

/// Returns once somebody waits for a lock of the database.
async fn somebody_waits(address: &str) {
    let mut observer = sqlx::PgConnection::connect(address).await.unwrap();
    let waiters = "select count(*) from pg_stat_activity where wait_event_type = 'Lock' \
                   and datname = current_database()";
    while sqlx::query_scalar::<_, i64>(waiters).fetch_one(&mut observer).await.unwrap() == 0 {}
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_instance_that_was_paused_finds_its_receiver_taken_over_and_sends_nothing_more() {
    let address = postgres::database().await;
    let store = open(&address).await.unwrap();
    let (clock, other_clock) = (TurnedClock::at("2026-03-03"), TurnedClock::at("2026-03-03"));
    let (paused, other) = (instance(&store, &clock, "paused"), instance(&store, &other_clock, "other"));
    paused
        .update("Subscription", "desk", subscription("desk", "Organization", DESK, true), None)
        .await
        .unwrap();
    for n in 1..=5 {
        let resource =
            json!({ "resourceType": "Organization", "id": format!("o{n}"), "name": format!("o{n}") });
        paused.update("Organization", &format!("o{n}"), resource, None).await.unwrap();
    }
    let slow = Arc::new(Slow { gate: Semaphore::new(0), begun: watch::Sender::default() });
    let delivering = tokio::spawn({
        let (paused, slow) = (paused.clone(), slow.clone());
        async move { paused.deliver(slow.as_ref()).await }
    });
    slow.begun.subscribe().wait_for(|begun| begun.len() == 1).await.unwrap();
    // While the first one serves it, the other does not.
    let receivers = Receivers::default();
    assert_eq!(other.deliver(&receivers).await.unwrap().delivered, 0);
    assert!(receivers.told.borrow().is_empty());
    // The first one is paused for ten minutes, and its claim is over.
    end_claims(&address).await;
    assert_eq!(other.deliver(&receivers).await.unwrap().delivered, 5);
    let all: Vec<_> = (1..=5).map(|n| format!("desk/{n}")).collect();
    assert_eq!(receivers.told.borrow()[DESK], all);
    clock.turn_on_s(600);
    // The other one is done and has given the work up: it is free, and still not this one's.
    paused.keep_claims().await.unwrap();
    slow.gate.add_permits(9);
    delivering.await.unwrap().unwrap();
    assert_eq!(*slow.begun.borrow(), ["desk/1"], "what was begun before the pause is all that it sent");
    let standing = other.receivers(None, 9).await.unwrap();
    assert_eq!((standing[0].waiting, standing[0].failures, standing[0].dead), (0, 0, 0));
}

/// What was read of the queue before the claim was granted may have been sent meanwhile, and more after it.
#[tokio::test]
async fn what_another_instance_sent_before_the_claim_was_granted_is_not_sent_again() {
    let address = postgres::database().await;
    let store = open(&address).await.unwrap();
    let clock = TurnedClock::at("2026-03-03");
    let late = instance(&store, &clock, "late");
    late.update("Subscription", "desk", subscription("desk", "Organization", DESK, true), None)
        .await
        .unwrap();
    let write = async |n: u64| {
        let id = format!("o{n}");
        let resource = json!({ "resourceType": "Organization", "id": id, "name": id });
        late.update("Organization", &id, resource, None).await.unwrap();
    };
    for n in 1..=3 {
        write(n).await;
    }
    let sent = |number| {
        let settlement = Settlement::Delivered;
        Attempt { number, at: clock.now(), settlement, goes_along: false }
    };
    // The database takes its time with the claim.
    let mut holder = sqlx::PgConnection::connect(&address).await.unwrap();
    sqlx::raw_sql("begin; lock table lease").execute(&mut holder).await.unwrap();
    let receivers = Receivers::default();
    let (delivered, ()) = tokio::join!(late.deliver(&receivers), async {
        somebody_waits(&address).await;
        store.settle("desk", (1..=3).map(sent).collect()).await.unwrap();
        write(4).await;
        sqlx::raw_sql("rollback").execute(&mut holder).await.unwrap();
    });
    assert_eq!(delivered.unwrap().delivered, 1);
    assert_eq!(receivers.told.borrow()[DESK], ["desk/4"]);
    // Nor is a claim kept for which nothing was left to do.
    sqlx::raw_sql("begin; lock table lease").execute(&mut holder).await.unwrap();
    write(5).await;
    let (delivered, ()) = tokio::join!(late.deliver(&receivers), async {
        somebody_waits(&address).await;
        store.settle("desk", vec![sent(5)]).await.unwrap();
        sqlx::raw_sql("rollback").execute(&mut holder).await.unwrap();
    });
    assert_eq!(delivered.unwrap().delivered, 0);
    assert!(instance(&store, &clock, "other").claim("deliver/desk").await.unwrap(), "it was given up");
}

#[tokio::test]
async fn what_is_given_up_while_claims_are_kept_is_not_kept() {
    let address = postgres::database().await;
    let store = open(&address).await.unwrap();
    let clock = TurnedClock::at("2026-03-03");
    let (one, other) = (instance(&store, &clock, "one"), instance(&store, &clock, "other"));
    assert!(one.claim("sweep").await.unwrap());
    // The database takes its time with what keeps them.
    let mut holder = sqlx::PgConnection::connect(&address).await.unwrap();
    sqlx::raw_sql("begin; select 1 from lease for update").execute(&mut holder).await.unwrap();
    let (kept, ()) = tokio::join!(one.keep_claims(), async {
        somebody_waits(&address).await;
        tokio::join!(one.give_up_claims(), async {
            sqlx::raw_sql("rollback").execute(&mut holder).await.unwrap();
        });
    });
    kept.unwrap();
    one.keep_claims().await.unwrap();
    assert!(other.claim("sweep").await.unwrap(), "it was given up");
}

#[tokio::test]
async fn i07_one_instance_sweeps_and_the_next_one_when_that_has_ended_or_died() {
    let address = postgres::database().await;
    let store = open(&address).await.unwrap();
    let clock = TurnedClock::at("2026-03-03");
    let (one, other) = (instance(&store, &clock, "one"), instance(&store, &clock, "other"));
    assert!(one.claim("sweep").await.unwrap());
    assert_eq!(other.sweep_alone().await.unwrap(), None);
    assert!(one.sweep_alone().await.unwrap().is_some(), "it has the claim");
    assert!(other.sweep_alone().await.unwrap().is_some(), "which it gave up at its end");
    assert!(one.claim("sweep").await.unwrap());
    one.keep_claims().await.unwrap();
    assert_eq!(other.sweep_alone().await.unwrap(), None);
    end_claims(&address).await;
    assert!(other.claim("sweep").await.unwrap(), "the first one died");
    assert_eq!(one.sweep_alone().await.unwrap(), None);
    // Whoever stops in order leaves nothing for others to wait for.
    other.give_up_claims().await;
    assert!(one.sweep_alone().await.unwrap().is_some());
}
