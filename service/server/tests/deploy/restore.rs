//! The drill: a store that is written to is copied, lost, and restored from the copy. (The conformance checklist, I13.)
//!
//! What the copy must hold: every version, under its number and time, byte for byte; the audit trail, with the head that was kept
//! elsewhere; the outbox, so that subscribers hear what they had not heard under the names that it had, and never under the name of
//! something else.

use crate::docker::run;
use crate::program::{Program, serve};
use crate::service::{Caller, RECORDS};
use axum::Router;
use axum::extract::State;
use axum::http::HeaderMap;
use endplate_tests::postgres::Server;
use serde_json::json;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::sync::watch;

const PROGRAM: &str = env!("CARGO_BIN_EXE_endplate");

/// A kind of store: what one is called, and how it is lost.
struct Kind {
    store: String,
    lose: Box<dyn Fn()>,
}

/// A service on a store, and a client of it.
fn start(folder: &Path, store: &str) -> (Program, Caller) {
    let mut command = serve(folder);
    // A subscriber that does not answer is waited for.
    command.env("ENDPLATE_STORE", store).env("ENDPLATE_WEBHOOK_TIMEOUT_S", "120");
    let program = Program::start(&mut command);
    let caller = Caller::of(&format!("http://{}", program.address));
    (program, caller)
}

/// Runs a command of the operator, with the program that is tested on the path.
fn operator(command: &mut Command) -> Result<String, String> {
    let path = std::env::var("PATH").expect("a path");
    let path = format!("{}:{path}", Path::new(PROGRAM).parent().expect("a folder").display());
    run(command.env("PATH", path))
}

/// A subscriber that answers while it is open, and keeps whoever calls waiting while it is not.
#[derive(Clone)]
struct Subscriber {
    heard: Arc<watch::Sender<Vec<(String, String)>>>,
    is_open: Arc<watch::Sender<bool>>,
    endpoint: String,
}

impl Subscriber {
    async fn start() -> Self {
        async fn take(State(me): State<Subscriber>, headers: HeaderMap, body: String) {
            me.is_open.subscribe().wait_for(|is_open| *is_open).await.expect("it is there");
            let event = headers["endplate-event"].to_str().expect("ASCII").to_owned();
            me.heard.send_modify(|heard| heard.push((event, body)));
        }
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let endpoint = format!("http://{}/", listener.local_addr().expect("an address"));
        let (heard, is_open) = (Arc::new(watch::Sender::new(Vec::new())), Arc::new(watch::Sender::new(true)));
        let me = Self { heard, is_open, endpoint };
        let router = Router::new().fallback(take).with_state(me.clone());
        tokio::spawn(async move { axum::serve(listener, router).await });
        me
    }

    /// All that was heard, once this number of an event of `s` is among it.
    async fn until(&self, number: u64) -> Vec<(String, String)> {
        let mut heard = self.heard.subscribe();
        let event = format!("s/{number}");
        heard.wait_for(|heard| heard.iter().any(|one| one.0 == event)).await.expect("it is there").clone()
    }
}

fn organization(number: u32) -> String {
    json!({ "resourceType": "Organization", "id": "unit", "name": format!("unit {number}") }).to_string()
}

async fn drill(kind: &Kind) {
    let folder = tempfile::tempdir().expect("a folder");
    let copy = folder.path().join("copy").to_str().expect("a path").to_owned();
    let subscriber = Subscriber::start().await;
    let (service, caller) = start(folder.path(), &kind.store);
    let subscription = json!({
        "resourceType": "Subscription", "id": "s", "status": "requested", "reason": "drill", "criteria": "Task",
        "channel": { "type": "rest-hook", "endpoint": subscriber.endpoint, "payload": "application/fhir+json" },
    });
    caller.send("PUT", "/fhir/Subscription/s", &subscription.to_string()).await;
    caller.send("POST", "/fhir", RECORDS[0]).await;
    let told = caller.events("s").await;
    subscriber.until(told).await;
    // From now on nothing is taken: what follows waits in the outbox when the copy is made.
    subscriber.is_open.send_replace(false);
    caller.send("POST", "/fhir", RECORDS[1]).await;
    let waiting = caller.events("s").await;
    assert!(told > 0 && waiting > told);
    let head =
        operator(Command::new(PROGRAM).args(["audit", "head", "--store", &kind.store])).expect("a head");
    let head = head.rsplit(' ').next().expect("a hash");
    let before = caller.versions().await;

    // The copy is made in the midst of writes.
    let (writer, mut written) = watch::channel(0_u32);
    let busy = caller.clone();
    let writing = tokio::spawn(async move {
        let mut number = 1;
        while writer.send(number).is_ok() {
            busy.send("PUT", "/fhir/Organization/unit", &organization(number)).await;
            number += 1;
        }
    });
    written.wait_for(|number| *number > 2).await.expect("it writes");
    let mut command = Command::new(crate::docker::folder().join("backup/backup"));
    command.args([&kind.store, &copy]);
    let made = tokio::task::spawn_blocking(move || operator(&mut command)).await.expect("no panic");
    made.expect("a copy");
    let after_copy = *written.borrow_and_update() + 2;
    written.wait_for(|number| *number > after_copy).await.expect("it writes");
    drop(written);
    writing.await.expect("no panic");

    // What comes after the copy will be lost, though subscribers have heard of it.
    caller.send("POST", "/fhir", RECORDS[2]).await;
    let lost = caller.events("s").await;
    assert!(lost > waiting);
    subscriber.is_open.send_replace(true);
    let heard_before = subscriber.until(lost).await.len();
    let all = caller.versions().await;
    service.kill();
    (kind.lose)();

    let restore = crate::docker::folder().join("backup/restore");
    let said = operator(Command::new(restore).args([&copy, &kind.store])).expect("restored");
    assert!(said.contains("the audit trail holds"), "{said}");
    let verify = ["audit", "verify", "--head", head, "--store", &kind.store];
    operator(Command::new(PROGRAM).args(verify)).expect("the head that was kept is in the trail");
    let (service, caller) = start(folder.path(), &kind.store);
    let after = caller.versions().await;
    for (name, body) in &before {
        assert_eq!(after.get(name), Some(body), "{name} was acknowledged before the copy was made");
    }
    let is_new =
        |(name, body): &(&String, &String)| all.get(*name) != Some(*body) && !name.starts_with("AuditEvent/");
    assert_eq!(after.iter().filter(is_new).count(), 0, "nothing is there that was not there before");
    let unit = |number: u32| after.contains_key(&format!("Organization/unit/{number}"));
    assert!(unit(1) && !unit(after_copy), "the copy is of a moment at which it was made");

    // What waited comes under its name. What was lost is sent again by its client, and comes under a name that nothing had.
    caller.send("POST", "/fhir", RECORDS[2]).await;
    let now = caller.events("s").await;
    let heard = subscriber.until(now).await;
    let mut names: BTreeMap<&str, &str> = BTreeMap::new();
    for (event, body) in &heard {
        assert_eq!(names.entry(event).or_insert(body), body, "{event} names one thing for ever");
    }
    let again: Vec<&str> = heard[heard_before..].iter().map(|(event, _)| event.as_str()).collect();
    let expected: Vec<String> =
        (told + 1..=waiting).chain(now - (lost - waiting) + 1..=now).map(|n| format!("s/{n}")).collect();
    assert_eq!(again, expected, "in order, and nothing that was delivered before");
    assert!(now > lost + 1000, "numbers that were given after the copy are left out");
    service.stop();
    println!("{} versions, {} events, {} of them after the restore", after.len(), names.len(), again.len());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn i13_an_sqlite_file_that_was_lost_is_restored_from_a_copy_made_in_the_midst_of_writes() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("endplate.db");
    let lose = {
        let path = path.to_str().expect("a path").to_owned();
        move || {
            for tail in ["", "-wal", "-shm"] {
                _ = std::fs::remove_file(format!("{path}{tail}"));
            }
        }
    };
    drill(&Kind { store: format!("sqlite:{}", path.display()), lose: Box::new(lose) }).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn i13_a_database_that_was_lost_is_restored_from_a_copy_made_in_the_midst_of_writes() {
    let server = Server::start();
    let store = server.database("drill").await;
    let all = server.address("postgres");
    let lose = move || {
        let statements = ["--command=drop database drill with (force)", "--command=create database drill"];
        let mut psql = Command::new("psql");
        run(psql.arg("--quiet").args(statements).arg(&all)).expect("lost");
    };
    drill(&Kind { store, lose: Box::new(lose) }).await;
}
