//! The start of the service as its operators meet it: from the call of `endplate serve` on an empty store in memory until
//! `/readyz` answers, and how much memory it then holds; beside the floor, an axum service of two lines in this process's own
//! program, started the same way.
//!
//! `cargo bench -p endplate-tests --bench start` builds the release binary and starts it a few times. Memory is the resident
//! set (VmRSS of /proc/PID/status), so this runs on Linux only.

use axum::Router;
use axum::routing::get;
use endplate_fhir::TYPES;
use reqwest::Client;
use serde_json::{Value as Json, json};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

const STARTS: usize = 9;

/// What is aimed at.
const MEMORY_MB: f64 = 80.0;

/// Tells this program to be the floor, at this address.
const FLOOR: &str = "START_FLOOR";

fn target() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("..")
}

fn binary() -> PathBuf {
    let built = Command::new(env!("CARGO"))
        .args(["build", "--quiet", "--release", "--package", "endplate-server", "--target-dir"])
        .arg(target())
        .status();
    assert!(built.is_ok_and(|status| status.success()), "the release binary builds");
    target().join("release/endplate")
}

/// A running process, ended when it is let go.
struct Running {
    process: Child,
    base: String,
    ready_ms: f64,
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Running {
    /// Starts `command` with an address that is free, and asks without a pause until it is ready.
    async fn of(client: &Client, command: impl FnOnce(&str) -> Command) -> Self {
        let free = TcpListener::bind("127.0.0.1:0").and_then(|one| one.local_addr()).expect("a free port");
        let mut command = command(&free.to_string());
        let start = Instant::now();
        let process = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        let mut running =
            Self { process: process.expect("started"), base: format!("http://{free}"), ready_ms: 0.0 };
        loop {
            let reply = client.get(format!("{}/readyz", running.base)).send().await;
            if reply.is_ok_and(|reply| reply.status().is_success()) {
                break;
            }
            assert!(running.process.try_wait().expect("a process").is_none(), "it runs until it is ready");
            tokio::task::yield_now().await;
        }
        running.ready_ms = start.elapsed().as_secs_f64() * 1e3;
        running
    }

    fn memory_mb(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.process.id())).expect("Linux");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("VmRSS");
        line.trim().trim_end_matches(" kB").parse::<f64>().expect("a number") / 1024.0
    }

    async fn post(&self, client: &Client, path: &str, body: &Json) -> u16 {
        let request = client.post(format!("{}/fhir{path}", self.base));
        let request = request.header("content-type", "application/fhir+json").body(body.to_string());
        request.send().await.expect("an answer").status().as_u16()
    }
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

fn median(mut of: Vec<f64>) -> f64 {
    of.sort_by(f64::total_cmp);
    of.get(of.len() / 2).copied().unwrap_or_default()
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
        assert_eq!(service.post(&client, "", &transaction).await, 200, "the clinic is accepted");
    }
    tell("after the invented clinic");
    // Something is wrong with a resource of each type, so that the JSON Schema of each is compiled to explain it.
    for kind in TYPES {
        let wrong = json!({ "resourceType": kind, "unheardOf": "x" });
        let status = service.post(&client, &format!("/{kind}"), &wrong).await;
        assert!((400..500).contains(&status), "{kind}: {status}");
    }
    tell("after every schema compiled");
}
