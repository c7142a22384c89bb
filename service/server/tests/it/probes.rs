//! Probes tell the truth: what is wrong is named, at the address that is asked and at the one that is for probes alone; a service that is
//! being stopped says so before it stops. (The meaning of the three probes: Kubernetes documentation, "Configure Liveness,
//! Readiness and Startup Probes", from memory.)

use crate::harness::{Double, Fault, Nowhere, Reply, clock, config, expect, request, start_on};
use endplate_server::boot::{self, BootError, Parts, Server};
use endplate_server::config::Config;
use reqwest::Client;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::thread;
use std::time::Duration;

/// Severity and text of each issue.
fn named(reply: &Reply) -> Vec<(String, String)> {
    let outcome = reply.json();
    let text = |issue: &serde_json::Value, path: &str| {
        issue.pointer(path).and_then(|text| text.as_str()).expect("a text").to_owned()
    };
    let issues = outcome["issue"].as_array().expect("issues");
    issues.iter().map(|issue| (text(issue, "/severity"), text(issue, "/details/text"))).collect()
}

async fn with_workers(config: &Config, store: Arc<Double>) -> Server {
    let parts = Parts { store, clock: clock(), transport: Arc::new(Nowhere), workers: true };
    boot::start(config, parts).await.expect("started")
}

#[tokio::test]
async fn i03_a_service_that_is_ready_names_all_that_holds() {
    let server = with_workers(&config(), Double::new(Fault::None)).await;
    let told = expect(request(&server, "GET", "/readyz"), 200).await.text;
    assert_eq!(told, "ready\nphase: ok\ndefinitions: ok\nstore: ok\nclaims: ok\ndelivery: ok\nsweep: ok\n");
    assert_eq!(expect(request(&server, "GET", "/livez"), 200).await.text, "alive\n");
    assert!(server.shutdown().await);
}

#[tokio::test]
async fn i03_a_store_that_is_gone_or_silent_is_named_and_says_nothing_of_the_life_of_the_process() {
    for (fault, said) in [
        (Fault::Unreachable, "store: The store cannot be used now, or lacks migrations of this build."),
        (Fault::Silent, "store: The store does not answer in time."),
    ] {
        let server = start_on(&config(), Double::new(fault)).await;
        let reply = expect(request(&server, "GET", "/readyz"), 503).await;
        let issues = named(&reply);
        assert!(issues.contains(&("error".to_owned(), said.to_owned())), "{}", reply.text);
        assert!(issues.contains(&("information".to_owned(), "phase: ok.".to_owned())), "{}", reply.text);
        assert!(!reply.text.contains("secret") && reply.header("retry-after").is_some(), "{}", reply.text);
        expect(request(&server, "GET", "/livez"), 200).await;
        // What is not known is not told.
        let numbers = request(&server, "GET", "/metrics").send().await.expect("an answer");
        let numbers = numbers.text().await.expect("a body");
        assert!(numbers.contains("\nendplate_check_passed{check=\"store\"} 0"), "{numbers}");
        assert!(numbers.contains("\nendplate_ready 0"), "{numbers}");
        assert_eq!(numbers.contains("endplate_outbox_events"), fault == Fault::Silent, "{numbers}");
    }
}

#[tokio::test]
async fn i02_a_worker_that_died_ends_the_life_of_the_process_and_is_named() {
    let server = with_workers(&config(), Double::new(Fault::Sweeping)).await;
    loop {
        let response = request(&server, "GET", "/livez").send().await.expect("an answer");
        if response.status() == 503 {
            break;
        }
        assert_eq!(response.status(), 200);
    }
    let reply = expect(request(&server, "GET", "/readyz"), 503).await;
    let issues = named(&reply);
    let dead =
        ("error".to_owned(), "sweep: This worker has died; the service must be started again.".to_owned());
    assert!(issues.contains(&dead), "{}", reply.text);
    assert!(issues.contains(&("information".to_owned(), "delivery: ok.".to_owned())), "{}", reply.text);
    assert!(!reply.text.contains("secret"), "{}", reply.text);
}

#[tokio::test]
async fn numbers_and_probes_have_an_address_of_their_own_if_wanted() {
    let mut config = config();
    config.metrics_listen = Some("127.0.0.1:0".parse().expect("an address"));
    let server = with_workers(&config, Double::new(Fault::None)).await;
    assert!(expect(request(&server, "GET", "/metrics"), 404).await.problem().contains("metrics.listen"));
    let aside = server.metrics_addr().expect("an address");
    let client = Client::builder().no_proxy().build().expect("a client");
    let ask = async |method: reqwest::Method, path: &str| {
        let response =
            client.request(method, format!("http://{aside}{path}")).send().await.expect("an answer");
        let kind = response.headers()["content-type"].to_str().expect("ASCII").to_owned();
        (response.status().as_u16(), kind, response.text().await.expect("a body"))
    };
    let get = async |path: &str| ask(reqwest::Method::GET, path).await;
    let (status, kind, numbers) = get("/metrics").await;
    assert_eq!((status, kind.as_str()), (200, "text/plain; version=0.0.4; charset=utf-8"));
    assert!(numbers.contains("\nendplate_check_passed{check=\"metrics\"} 1"), "{numbers}");
    assert_eq!(get("/livez").await.0, 200);
    assert!(get("/readyz").await.2.starts_with("ready\n"));
    for path in ["/fhir/metadata", "/fhir/Task", "/auth/token", "/openapi.json", "/"] {
        assert_eq!(get(path).await.0, 404, "{path}");
    }
    assert_eq!(ask(reqwest::Method::POST, "/metrics").await.0, 405);
    // The address that is taken is named with the setting.
    config.metrics_listen = Some(aside);
    let parts = Parts {
        store: Double::new(Fault::None),
        clock: clock(),
        transport: Arc::new(Nowhere),
        workers: false,
    };
    let error = boot::start(&config, parts).await.err().expect("refused");
    assert!(
        matches!(&error, BootError::Metrics { .. }) && error.to_string().contains("metrics.listen"),
        "{error}"
    );
    assert!(server.shutdown().await);
}

/// The real binary, which says that it leaves some seconds before it does.
struct Service {
    child: Child,
    address: String,
    aside: String,
}

impl Service {
    fn start(folder: &std::path::Path) -> Self {
        let free = || {
            TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address").to_string()
        };
        let (address, aside) = (free(), free());
        let child = Command::new(env!("CARGO_BIN_EXE_endplate"))
            .args(["serve", "--listen", &address, "--store", "sqlite:store.db"])
            .env_clear()
            .env("ENDPLATE_DRAIN_DELAY_S", "3")
            .env("ENDPLATE_METRICS_LISTEN", &aside)
            .env("ENDPLATE_LOG", "off")
            .current_dir(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("spawned");
        let service = Self { child, address, aside };
        while !service.asks("/readyz").is_some_and(|answer| answer.contains(" 200 ")) {
            thread::yield_now();
        }
        service
    }

    /// The answer to a GET; none if nobody listens.
    fn asks(&self, path: &str) -> Option<String> {
        ask(&self.address, &format!("GET {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n"))
    }

    fn puts(&self, id: &str) -> Option<String> {
        ask(&self.address, &put(id))
    }
}

fn ask(address: &str, request: &str) -> Option<String> {
    let mut stream = TcpStream::connect(address).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(30))).expect("a time limit");
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    Some(answer)
}

fn put(id: &str) -> String {
    let body = format!(r#"{{"resourceType":"Organization","id":"{id}","name":"Hand unit"}}"#);
    format!(
        "PUT /fhir/Organization/{id} HTTP/1.1\r\nhost: x\r\ncontent-type: application/fhir+json\r\nconnection: close\r\n\
         content-length: {}\r\n\r\n{body}",
        body.len()
    )
}

#[test]
fn i05_a_service_that_is_stopped_says_so_first_then_closes_and_finishes_what_it_has() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut service = Service::start(folder.path());
    // A request that is under way all the while: its body comes last.
    let slow = put("slow");
    let (head, body) = slow.split_once("\r\n\r\n").expect("a head");
    let mut stream = TcpStream::connect(&service.address).expect("connected");
    stream.set_read_timeout(Some(Duration::from_secs(30))).expect("a time limit");
    stream.write_all(format!("{head}\r\n\r\n").as_bytes()).expect("sent");

    let id = service.child.id().to_string();
    assert!(Command::new("kill").args(["-TERM", &id]).status().expect("kill").success());
    // First it says so, and serves whoever has not heard it yet.
    let said = loop {
        let answer = service.asks("/readyz").expect("it still listens");
        if answer.contains(" 503 ") {
            break answer;
        }
    };
    assert!(said.contains("phase: The service is stopping."), "{said}");
    assert!(service.puts("late").expect("it still listens").contains(" 201 "));
    assert!(service.asks("/livez").expect("it still listens").contains(" 200 "));
    // Then nobody new gets in; whoever watches still learns what goes on.
    while TcpStream::connect(&service.address).is_ok() {
        thread::yield_now();
    }
    let watched = ask(&service.aside, "GET /readyz HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n");
    assert!(watched.expect("watched").contains("phase: The service is stopping."));
    // What was begun is finished, and is there.
    stream.write_all(body.as_bytes()).expect("sent");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("an answer");
    assert!(answer.starts_with("HTTP/1.1 201 "), "{answer}");
    assert!(service.child.wait().expect("ended").success());
    let mut again = Service::start(folder.path());
    for id in ["slow", "late"] {
        let answer = again.asks(&format!("/fhir/Organization/{id}")).expect("answered");
        assert!(answer.starts_with("HTTP/1.1 200 "), "{answer}");
    }
    let id = again.child.id().to_string();
    assert!(Command::new("kill").args(["-KILL", &id]).status().expect("kill").success());
    again.child.wait().expect("ended");
}
