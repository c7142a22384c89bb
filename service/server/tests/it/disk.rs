//! A disk that is full, and one that cannot be written: writes are refused, reads go on, and nothing that was acknowledged is lost.
//!
//! Full: the real binary runs with a limit on the size of its files (POSIX setrlimit, RLIMIT_FSIZE), which is lifted while it
//! runs: to the store a write beyond it fails as on a full disk. Read-only: see [`Disk`]. RFC 9110 section 15.6.4: 503 with
//! Retry-After.

use crate::program::{CANARY, Program, serve, serve_by, status};
use serde_json::{Value as Json, json};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use tempfile::TempDir;

/// Runs a program that ignores the signal which goes with a limit on the size of files, so that the write fails instead.
const UNSIGNALLED: [&str; 4] = ["bash", "-c", "trap '' XFSZ; exec \"$@\"", "bash"];

/// Sets the limit of a service that runs, in bytes.
fn limit(service: &Program, bytes: &str) {
    let limit = format!("--fsize={bytes}:unlimited");
    assert!(
        Command::new("prlimit").args(["--pid", &service.id(), &limit]).status().expect("prlimit").success()
    );
}

/// Status, head and body of an answer.
fn send(service: &Program, method: &str, path: &str, body: Option<&Json>) -> (u16, String, Json) {
    let body = body.map_or(String::new(), Json::to_string);
    let answer =
        service.send(&format!("{method} {path} HTTP/1.1\r\ncontent-type: application/fhir+json"), &body);
    let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
    (status(head), head.to_lowercase(), serde_json::from_str(body).unwrap_or_default())
}

fn patient(number: usize) -> Json {
    let name = format!("{number} {CANARY} {}", "x".repeat(20_000));
    json!({ "resourceType": "Patient", "id": format!("p{number}"), "name": [{ "text": name }] })
}

fn put(service: &Program, number: usize) -> (u16, String, Json) {
    send(service, "PUT", &format!("/fhir/Patient/p{number}"), Some(&patient(number)))
}

fn holds(service: &Program, number: usize) -> bool {
    let (status, _, body) = send(service, "GET", &format!("/fhir/Patient/p{number}"), None);
    status == 200 && body["name"] == patient(number)["name"]
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

/// Refused, with what to do, as an OperationOutcome.
#[track_caller]
fn is_refused((status, head, outcome): &(u16, String, Json)) {
    assert_eq!((*status, outcome["resourceType"].as_str()), (503, Some("OperationOutcome")), "{outcome}");
    assert!(
        head.contains("retry-after: ") && outcome.to_string().contains("Nothing is acknowledged"),
        "{head} {outcome}"
    );
}

/// It does not start, and the first line that it says is which store cannot be written.
#[track_caller]
fn cannot_be_written(command: &mut Command, store: &str) {
    let mut child =
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("run");
    let mut said = String::new();
    BufReader::new(child.stderr.take().expect("piped")).read_line(&mut said).expect("a line");
    let is_refused = said.starts_with("endplate: ");
    if !is_refused {
        child.kill().expect("killed");
    }
    let code = child.wait().expect("ended").code();
    assert_eq!((is_refused, code), (true, Some(3)), "{said}");
    assert!(said.contains("cannot be written") && said.contains(store), "{said}");
}

/// A disk of a test's own that turns read-only while a service writes to it.
///
/// Where this machine lets the test mount one, it is an ext4 file system in a file, which turns read-only as after a failure of
/// its device (ext4(5), option `abort`), whoever has files open; it can be written again when it was unmounted, checked and
/// mounted. It is mounted in a namespace of its own (mount_namespaces(7)) that ends with the test, even one that is killed.
/// Where nothing can be mounted, it is a folder in which nothing can be written for as long as files are limited to 0 bytes.
struct Disk {
    folder: TempDir,
    /// Holds the namespace until its input ends.
    keeper: Option<Child>,
}

impl Disk {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let script = "truncate -s 64M image && mkfs.ext4 -q image && mkdir disk && mount -o loop image disk && echo mounted && exec cat";
        let keeper = Command::new("unshare")
            .args(["--mount", "sh", "-c", script])
            .current_dir(folder.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn();
        let mut keeper = keeper.expect("unshare of util-linux");
        let mut said = String::new();
        let told = keeper.stdout.take().expect("piped");
        BufReader::new(told).read_line(&mut said).expect("a line or the end");
        let is_mounted = said == "mounted\n";
        println!("a disk that is {}", if is_mounted { "mounted" } else { "limited" });
        Self { folder, keeper: is_mounted.then_some(keeper) }
    }

    fn store(&self) -> String {
        let part = if self.keeper.is_some() { "disk/store.db" } else { "store.db" };
        self.folder.path().join(part).to_str().expect("UTF-8").to_owned()
    }

    /// What runs a program where the disk is.
    fn runner(&self) -> Vec<String> {
        let id = self.keeper.as_ref().map_or(String::new(), |keeper| keeper.id().to_string());
        let words: &[&str] = match self.keeper {
            Some(_) => &["nsenter", "--target", &id, "--mount", "--"],
            None => &UNSIGNALLED,
        };
        words.iter().map(|word| (*word).to_owned()).collect()
    }

    fn serve(&self) -> Command {
        let runner = self.runner();
        let mut command =
            serve_by(&runner.iter().map(String::as_str).collect::<Vec<_>>(), self.folder.path());
        command.env("ENDPLATE_STORE", format!("sqlite:{}", self.store()));
        command
    }

    /// What a program says that is run where the disk is.
    fn run(&self, program: &[&str]) -> String {
        let mut words = self.runner();
        words.extend(program.iter().map(|word| (*word).to_owned()));
        let output = Command::new(&words[0]).args(&words[1..]).output().expect("run");
        let said = String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
        assert!(output.status.success(), "{program:?}: {said}");
        said
    }

    fn turns_read_only(&self, service: &Program) {
        match &self.keeper {
            Some(_) => _ = self.run(&["mount", "-o", "remount,abort", &self.mounted()]),
            None => limit(service, "0"),
        }
    }

    fn mounted(&self) -> String {
        self.folder.path().join("disk").to_str().expect("UTF-8").to_owned()
    }

    /// Has it written again, and gives a service on it: the same one where that is possible.
    fn is_mended(&self, service: Program) -> Program {
        if self.keeper.is_none() {
            limit(&service, "unlimited");
            return service;
        }
        service.stop();
        cannot_be_written(&mut self.serve(), &self.store());
        let script = "umount \"$1\" && { e2fsck -p \"$2\"; [ $? -le 1 ]; } && mount -o loop \"$2\" \"$1\"";
        let image = self.folder.path().join("image").to_str().expect("UTF-8").to_owned();
        self.run(&["sh", "-c", script, "sh", &self.mounted(), &image]);
        Program::start(&mut self.serve())
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        if let Some(mut keeper) = self.keeper.take() {
            drop(keeper.stdin.take());
            let _ = keeper.wait();
        }
    }
}

#[test]
fn a_full_disk_refuses_writes_and_loses_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let service = Program::start(&mut serve_by(&UNSIGNALLED, folder.path()));
    limit(&service, "4096000");
    let mut taken = Vec::new();
    let refused = (1..2_000).find_map(|number| {
        let reply = put(&service, number);
        if reply.0 == 201 {
            taken.push(number);
            return None;
        }
        Some(reply)
    });
    is_refused(&refused.expect("no limit was met"));
    assert!(taken.len() > 5);
    // Still readable, still refused, still alive.
    let last = taken[taken.len() - 1];
    assert!(holds(&service, 1) && holds(&service, last) && !holds(&service, last + 1));
    assert_eq!(put(&service, last + 1).0, 503);
    assert_eq!(send(&service, "GET", "/livez", None).0, 200);
    limit(&service, "unlimited");
    for number in last + 1..last + 4 {
        assert_eq!(put(&service, number).0, 201, "{number}");
        taken.push(number);
    }
    service.stop();

    let service = Program::start(&mut serve(folder.path()));
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
fn a_disk_that_turns_read_only_refuses_writes_and_loses_nothing() {
    let disk = Disk::new();
    let service = Program::start(&mut disk.serve());
    for number in 1..6 {
        assert_eq!(put(&service, number).0, 201, "{number}");
    }
    disk.turns_read_only(&service);
    for _ in 0..3 {
        is_refused(&put(&service, 6));
    }
    assert!((1..6).all(|number| holds(&service, number)) && !holds(&service, 6));
    let (status, _, found) = send(&service, "GET", "/fhir/Patient?_count=50", None);
    assert_eq!((status, &found["total"]), (200, &json!(5)));
    assert_eq!(send(&service, "GET", "/livez", None).0, 200);
    // Whoever runs the service reads in the log what was being done and what stood in its way.
    service.said("the store failed", 1);

    let service = disk.is_mended(service);
    for number in 6..9 {
        assert_eq!(put(&service, number).0, 201, "{number}");
    }
    service.stop();
    let service = Program::start(&mut disk.serve());
    assert!((1..9).all(|number| holds(&service, number)));
    service.stop();
    // Whole, as the SQLite of Python's standard library sees it, and so is the trail.
    let check = "import sqlite3, sys; print(sqlite3.connect(sys.argv[1]).execute('pragma integrity_check').fetchone()[0])";
    assert_eq!(disk.run(&["python3", "-c", check, &disk.store()]), "ok\n");
    let store = format!("sqlite:{}", disk.store());
    let told = disk.run(&[env!("CARGO_BIN_EXE_endplate"), "audit", "verify", "--store", &store]);
    assert!(told.contains("holds"), "{told}");
}

/// A file that may be read and not written, by its mode (POSIX chmod); also for root, who is given up the right to pass over it
/// (capabilities(7), CAP_DAC_OVERRIDE).
#[test]
fn a_store_that_may_not_be_written_is_said_at_the_start() {
    let folder = tempfile::tempdir().expect("a folder");
    let service = Program::start(&mut serve(folder.path()));
    assert_eq!(put(&service, 1).0, 201);
    service.stop();
    let modes = |mode: &str| {
        let names =
            std::fs::read_dir(folder.path()).expect("a folder").map(|name| name.expect("a name").path());
        let status = Command::new("chmod").arg(mode).args(names).status().expect("chmod");
        assert!(status.success());
    };
    modes("a-w");
    let user = Command::new("id").arg("-u").output().expect("id").stdout;
    let as_others: &[&str] = match user.as_slice() {
        b"0\n" => &["setpriv", "--bounding-set=-dac_override", "--inh-caps=-dac_override", "--"],
        _ => &[],
    };
    cannot_be_written(&mut serve_by(as_others, folder.path()), "store.db");
    modes("u+w");
    let service = Program::start(&mut serve(folder.path()));
    assert!(holds(&service, 1) && put(&service, 2).0 == 201);
    service.stop();
}

#[test]
fn the_trail_is_checked_at_the_shell() {
    let folder = tempfile::tempdir().expect("a folder");
    let service = Program::start(&mut serve(folder.path()));
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
