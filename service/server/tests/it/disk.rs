//! A disk that is full, and one that cannot be written: writes are refused, reads go on, and nothing that was acknowledged is lost.
//!
//! The real binary runs with a limit on the size of its files (POSIX setrlimit, RLIMIT_FSIZE), which is lifted while it runs: to the
//! store a write beyond it fails as on a full disk. RFC 9110 section 15.6.4: 503 with Retry-After.

use serde_json::{Value as Json, json};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;

struct Service {
    child: Child,
    address: String,
}

impl Service {
    /// Starts with files of at most so many blocks of 1024 bytes; none: without a limit.
    fn start(folder: &Path, blocks: Option<u32>) -> Self {
        let port = TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address").port();
        let address = format!("127.0.0.1:{port}");
        // The signal that goes with the limit is ignored, so that the write fails instead.
        let limit = blocks.map_or(String::new(), |blocks| format!("trap '' XFSZ; ulimit -S -f {blocks}; "));
        let child = Command::new("bash")
            .args(["-c", &format!("{limit}exec \"$@\""), "bash", env!("CARGO_BIN_EXE_endplate")])
            .args(["serve", "--listen", &address, "--store", "sqlite:store.db"])
            .env("ENDPLATE_LOG", "off")
            .current_dir(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("spawned");
        let service = Self { child, address };
        while TcpStream::connect(&service.address).is_err() {
            thread::yield_now();
        }
        service
    }

    fn lift_the_limit(&self) {
        let id = self.child.id().to_string();
        let done =
            Command::new("prlimit").args(["--pid", &id, "--fsize=unlimited"]).status().expect("prlimit");
        assert!(done.success());
    }

    /// Status, head and body of an answer.
    fn send(&self, method: &str, path: &str, body: Option<&Json>) -> (u16, String, Json) {
        let body = body.map_or(String::new(), Json::to_string);
        let mut stream = TcpStream::connect(&self.address).expect("connected");
        let head = format!(
            "{method} {path} HTTP/1.1\r\nhost: x\r\ncontent-type: application/fhir+json\r\ncontent-length: {}\r\nconnection: close\r\n\r\n",
            body.len()
        );
        stream.write_all(head.as_bytes()).expect("sent");
        stream.write_all(body.as_bytes()).expect("sent");
        let mut answer = String::new();
        stream.read_to_string(&mut answer).expect("an answer");
        let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
        let status = head.get(9..12).and_then(|status| status.parse().ok()).expect("a status");
        (status, head.to_lowercase(), serde_json::from_str(body).unwrap_or_default())
    }

    fn stop(mut self) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &id]).status().expect("kill").success());
        assert!(self.child.wait().expect("ended").success());
    }
}

fn patient(number: usize) -> Json {
    let name = format!("{number} {}", "x".repeat(20_000));
    json!({ "resourceType": "Patient", "id": format!("p{number}"), "name": [{ "text": name }] })
}

fn put(service: &Service, number: usize) -> (u16, String, Json) {
    service.send("PUT", &format!("/fhir/Patient/p{number}"), Some(&patient(number)))
}

fn endplate(folder: &Path, arguments: &[&str]) -> (Option<i32>, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_endplate"));
    let output = command
        .args(arguments)
        .args(["--store", "sqlite:store.db"])
        .current_dir(folder)
        .output()
        .expect("run");
    (output.status.code(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
}

#[test]
fn a_full_disk_refuses_writes_and_loses_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let service = Service::start(folder.path(), Some(4_000));
    let mut taken = Vec::new();
    let refused = (1..2_000).find_map(|number| {
        let reply = put(&service, number);
        if reply.0 == 201 {
            taken.push(number);
            return None;
        }
        Some(reply)
    });
    let (status, head, outcome) = refused.expect("no limit was met");
    assert_eq!((status, outcome["resourceType"].as_str()), (503, Some("OperationOutcome")), "{outcome}");
    assert!(
        head.contains("retry-after: ") && outcome.to_string().contains("Nothing was stored"),
        "{head} {outcome}"
    );
    assert!(taken.len() > 5);
    let holds = |service: &Service, number: usize| {
        let (status, _, body) = service.send("GET", &format!("/fhir/Patient/p{number}"), None);
        status == 200 && body["name"] == patient(number)["name"]
    };
    // Still readable, still refused, still alive.
    let last = taken[taken.len() - 1];
    assert!(holds(&service, 1) && holds(&service, last) && !holds(&service, last + 1));
    assert_eq!(put(&service, last + 1).0, 503);
    assert_eq!(service.send("GET", "/livez", None).0, 200);
    service.lift_the_limit();
    for number in last + 1..last + 4 {
        assert_eq!(put(&service, number).0, 201, "{number}");
        taken.push(number);
    }
    service.stop();

    let service = Service::start(folder.path(), None);
    assert!(taken.iter().all(|number| holds(&service, *number)));
    service.stop();
    // Every write, and every read of that time, is on record, in a chain that holds.
    let (code, told) = endplate(folder.path(), &["audit", "verify"]);
    assert_eq!(code, Some(0), "{told}");
    let number: usize =
        told.split("number ").nth(1).and_then(|rest| rest.split(',').next()?.parse().ok()).expect("a number");
    assert!(number >= taken.len() * 2 + 4, "{told}");
}

#[test]
fn the_trail_is_checked_at_the_shell() {
    let folder = tempfile::tempdir().expect("a folder");
    let service = Service::start(folder.path(), None);
    assert_eq!(put(&service, 1).0, 201);
    service.stop();
    let (code, told) = endplate(folder.path(), &["audit", "head"]);
    let hash = told.trim().rsplit(' ').next().unwrap_or_default().to_owned();
    assert_eq!((code, hash.len()), (Some(0), 64), "{told}");
    let (code, told) = endplate(folder.path(), &["audit", "verify", "--head", &hash]);
    assert!(code == Some(0) && told.contains("holds") && told.contains(&hash), "{told}");
    let (code, told) = endplate(folder.path(), &["audit", "verify", "--head", &"0".repeat(64)]);
    assert!(code == Some(1) && told.contains("is not in the chain"), "{told}");
    assert_eq!(endplate(folder.path(), &["audit", "verify", "--head", "short"]).0, Some(2));
}
