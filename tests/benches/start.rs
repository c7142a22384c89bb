//! The start of the service as its operators meet it: from the call of `endplate serve` on an empty store in memory until
//! `/readyz` answers, and how much memory it then holds; beside the floor, an axum service of two lines in this process's own
//! program, started the same way.
//!
//! `cargo bench -p endplate-tests --bench start` builds the release binary and starts it a few times. Memory is the resident
//! set (VmRSS of /proc/PID/status), so this runs on Linux only.

mod program;

use axum::Router;
use axum::routing::get;
use endplate_fhir::TYPES;
use endplate_tests::median;
use program::{Running, binary};
use reqwest::Client;
use serde_json::{Value as Json, json};
use std::path::Path;
use std::process::Command;

const STARTS: usize = 9;

/// What is aimed at.
const MEMORY_MB: f64 = 80.0;

/// Tells this program to be the floor, at this address.
const FLOOR: &str = "START_FLOOR";

async fn post(service: &Running, client: &Client, path: &str, body: &Json) -> u16 {
    let request = client.post(format!("{}/fhir{path}", service.base));
    let request = request.header("content-type", "application/fhir+json").body(body.to_string());
    request.send().await.expect("an answer").status().as_u16()
}

fn ours(binary: &Path, address: &str) -> Command {
    let mut command = Command::new(binary);
    command.env_clear().args(["serve", "--store", "sqlite::memory:", "--listen", address]);
    command
}

fn floor(address: &str) -> Command {
    let mut command = Command::new(std::env::current_exe().expect("this program"));
    command.env(FLOOR, address);
    command
}

/// The transactions of the invented clinic.
fn clinic() -> Vec<Json> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/clinic");
    let mut files: Vec<_> =
        std::fs::read_dir(folder).expect("the clinic").map(|entry| entry.expect("a file").path()).collect();
    // What came later has a longer name.
    files.sort_by_key(|path| path.file_stem().map(ToOwned::to_owned));
    let json = files.iter().filter(|path| path.extension().is_some_and(|extension| extension == "json"));
    json.map(|file| serde_json::from_slice(&std::fs::read(file).expect("a file")).expect("JSON")).collect()
}

#[tokio::main]
async fn main() {
    if let Ok(address) = std::env::var(FLOOR) {
        let listener = tokio::net::TcpListener::bind(address).await.expect("a port");
        return axum::serve(listener, Router::new().route("/readyz", get(async || "ready")))
            .await
            .expect("served");
    }
    _ = rustls::crypto::ring::default_provider().install_default();
    let client = Client::builder().no_proxy().tls_certs_only([]).build().expect("a client");
    let binary = binary();

    let (mut us, mut them) = (Vec::new(), Vec::new());
    for _ in 0..STARTS {
        us.push(Running::of(&client, |address| ours(&binary, address)).await.ready_ms);
        them.push(Running::of(&client, floor).await.ready_ms);
    }
    let (us, them) = (median(us), median(them));
    println!(
        "until /readyz answers       {us:7.1} ms   floor, axum alone {them:.1} ms, {:.1} times",
        us / them
    );

    let bare = Running::of(&client, floor).await.memory_mb();
    let service = Running::of(&client, |address| ours(&binary, address)).await;
    let tell = |when: &str| {
        let held = service.memory_mb();
        println!(
            "{when:27} {held:7.1} MB   floor {bare:.1} MB, {:.1} times; aim below {MEMORY_MB} MB",
            held / bare
        );
    };
    tell("memory after start");
    for transaction in clinic() {
        assert_eq!(post(&service, &client, "", &transaction).await, 200, "the clinic is accepted");
    }
    tell("after the invented clinic");
    // Something is wrong with a resource of each type, so that the JSON Schema of each is compiled to explain it.
    for kind in TYPES {
        let wrong = json!({ "resourceType": kind, "unheardOf": "x" });
        let status = post(&service, &client, &format!("/{kind}"), &wrong).await;
        assert!((400..500).contains(&status), "{kind}: {status}");
    }
    tell("after every schema compiled");
}
