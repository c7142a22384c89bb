//! SMART Backend Services as a client: the assertions are judged by a library that knows nothing of the service.

use crate::clinic::{Clinic, patient};
use crate::hospital::{Fault, Hospital, beside};
use crate::python;
use crate::served::{Served, config};
use endplate_followup::poll::PollReport;
use endplate_followup::ports::Transport;
use endplate_server::config::{RecordAuth, RecordConfig, SmartConfig};
use endplate_server::keys::Key;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

const CLIENT: &str = "endplate-at-main";

/// A private key in a file, made by OpenSSL.
fn key(folder: &Path, name: &str, options: &[&str]) -> PathBuf {
    let path = folder.join(name);
    let made = Command::new("openssl").arg("genpkey").args(options).arg("-out").arg(&path).output().unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    path
}

fn rsa(folder: &Path) -> PathBuf {
    key(folder, "rsa.pem", &["-algorithm", "RSA", "-pkeyopt", "rsa_keygen_bits:2048"])
}

fn ec(folder: &Path) -> PathBuf {
    key(folder, "ec.pem", &["-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-384"])
}

/// The hospital, open to clients with these keys.
fn closed(hospital: &Hospital, keys: Vec<Key>) -> RecordConfig {
    hospital.with(|ward| {
        ward.token = Some("not given yet".to_owned());
        ward.algorithms = vec!["RS384".to_owned(), "ES384".to_owned()];
    });
    let scope = "system/Patient.rs".to_owned();
    let smart = Arc::new(SmartConfig { client_id: CLIENT.to_owned(), keys, scope });
    RecordConfig { auth: RecordAuth::Smart(smart), ..hospital.record(&[], &["Patient"]) }
}

async fn hospital() -> Hospital {
    let hospital = Hospital::open().await;
    hospital.with(|ward| (1..=5).for_each(|n| ward.put(patient(&format!("p{n}"), "1990-05-01"))));
    hospital
}

async fn poll(clinic: &Clinic, transport: &dyn Transport) -> PollReport {
    clinic.endplate.poll("main", transport).await.unwrap()
}

/// What the judge says of every assertion that the token endpoint was sent, by the keys that the service publishes.
async fn judged(hospital: &Hospital, record: &RecordConfig, folder: &Path) -> Vec<String> {
    let mut config = config();
    config.records = vec![record.clone()];
    let served = Served::open_as(&config, "2026-03-03").await;
    let jwks = served.get("/auth/client-jwks").await;
    assert_eq!((jwks.status, jwks.header("content-type")), (200, "application/json"));
    assert!(!jwks.header("cache-control").is_empty());
    let (set, file) = (folder.join("jwks.json"), folder.join("assertions"));
    std::fs::write(&set, jwks.text).unwrap();
    let grants = hospital.with(|ward| ward.grants.clone());
    for grant in &grants {
        assert_eq!(grant["grant_type"], "client_credentials");
        assert_eq!(grant["client_assertion_type"], "urn:ietf:params:oauth:client-assertion-type:jwt-bearer");
        assert_eq!(grant["scope"], "system/Patient.rs");
    }
    let assertions: Vec<&str> = grants.iter().map(|grant| grant["client_assertion"].as_str()).collect();
    std::fs::write(&file, assertions.join("\n")).unwrap();
    let token_url = hospital.base.replace("/fhir", "/login/token");
    let now = "2026-03-03T12:00:00Z".parse::<jiff::Timestamp>().unwrap().as_second().to_string();
    let (set, file) = (set.display().to_string(), file.display().to_string());
    let judge = move || python::script("assertion.py", &[&set, &token_url, CLIENT, &now, &file]);
    let output = tokio::task::spawn_blocking(judge).await.unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).lines().map(str::to_owned).collect()
}

// SMART App Launch 2.2.0, client-confidential-asymmetric.html and backend-services.html; RFC 7518, section 3.1.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn f02_both_algorithms_open_a_hospital_and_the_newest_key_signs() {
    let folder = tempfile::tempdir().unwrap();
    let (rsa, ec) = (rsa(folder.path()), ec(folder.path()));
    let read = |path: &Path, kid: &str| Key::of_file(path, Some(kid)).unwrap();
    for (keys, said) in [
        (vec![read(&ec, "old"), read(&rsa, "new")], "new RS384"),
        (vec![read(&rsa, "old"), read(&ec, "new")], "new ES384"),
    ] {
        let hospital = hospital().await;
        let record = closed(&hospital, keys);
        let (clinic, outgoing) = beside("2026-03-03", std::slice::from_ref(&record)).await;
        assert_eq!(poll(&clinic, &outgoing).await, PollReport { taken: 5, ..PollReport::default() });
        assert_eq!(judged(&hospital, &record, folder.path()).await, [said]);
    }
}

/// A key as a JWK signs as the same key as PEM does, and is named by its thumbprint where nothing names it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_key_may_be_a_jwk() {
    let folder = tempfile::tempdir().unwrap();
    for pem in [rsa(folder.path()), ec(folder.path())] {
        let jwk = folder.path().join("key.jwk");
        let program = "import sys, json, jwt\n\
                       from cryptography.hazmat.primitives.serialization import load_pem_private_key as load\n\
                       key = load(open(sys.argv[1], 'rb').read(), None)\n\
                       kind = jwt.algorithms.RSAAlgorithm if hasattr(key, 'private_numbers') and hasattr(key.private_numbers(), 'p') \
                       else jwt.algorithms.ECAlgorithm\n\
                       print(kind.to_jwk(key))";
        let made = python::program("python").arg("-c").arg(program).arg(&pem).output().unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        std::fs::write(&jwk, made.stdout).unwrap();
        let (one, other) = (Key::of_file(&pem, None).unwrap(), Key::of_file(&jwk, None).unwrap());
        assert_eq!((one.id(), one.public()), (other.id(), other.public()));
        assert_eq!(one.id().len(), 43, "SHA-256 in base64url");
        let hospital = hospital().await;
        let record = closed(&hospital, vec![other]);
        let (clinic, outgoing) = beside("2026-03-03", std::slice::from_ref(&record)).await;
        assert_eq!(poll(&clinic, &outgoing).await.taken, 5);
        assert_eq!(judged(&hospital, &record, folder.path()).await.len(), 1);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_serves_until_shortly_before_its_end_and_one_that_is_refused_is_replaced_once() {
    let folder = tempfile::tempdir().unwrap();
    let hospital = hospital().await;
    let record = closed(&hospital, vec![Key::of_file(&ec(folder.path()), None).unwrap()]);
    let (clinic, outgoing) = beside("2026-03-03", std::slice::from_ref(&record)).await;
    let grants = || hospital.with(|ward| ward.grants.len());
    poll(&clinic, &outgoing).await;
    clinic.clock.turn_on_s(270);
    poll(&clinic, &outgoing).await;
    assert_eq!(grants(), 1, "two pages twice, one token");
    clinic.clock.turn_on_s(20);
    poll(&clinic, &outgoing).await;
    assert_eq!(grants(), 2, "ten seconds before its end");
    hospital.with(|ward| ward.token = Some("taken back".to_owned()));
    assert_eq!(poll(&clinic, &outgoing).await.problems, Vec::<String>::new());
    assert_eq!(grants(), 3, "one more");
    // A server that takes no token at all is asked with one more, and then not again.
    hospital.with(|ward| ward.seen.clear());
    hospital.faults([Fault::Status(401), Fault::Status(401)]);
    let report = poll(&clinic, &outgoing).await;
    assert!(
        report.problems[0].starts_with("Patient: the record server answered 401"),
        "{:?}",
        report.problems
    );
    assert_eq!((grants(), hospital.with(|ward| ward.seen.len())), (4, 2));
}

// Checklist F18: a token is never sent to a foreign host.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_goes_nowhere_else() {
    let folder = tempfile::tempdir().unwrap();
    let (hospital, elsewhere) = (hospital().await, Hospital::open().await);
    let record = closed(&hospital, vec![Key::of_file(&ec(folder.path()), None).unwrap()]);
    hospital.with(|ward| ward.next_link = Some(format!("{}/Patient?from=3", elsewhere.base)));
    let (clinic, outgoing) = beside("2026-03-03", std::slice::from_ref(&record)).await;
    let report = poll(&clinic, &outgoing).await;
    assert_eq!((report.taken, report.problems.len()), (3, 1));
    assert_eq!(elsewhere.with(|ward| ward.seen.len()), 0);
    let sent =
        hospital.with(|ward| ward.seen.iter().map(|seen| seen.authorization.clone()).collect::<Vec<_>>());
    assert_eq!(sent, [Some("Bearer t1".to_owned())]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn f02_a_key_that_the_server_does_not_take_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let hospital = hospital().await;
    let record = closed(&hospital, vec![Key::of_file(&ec(folder.path()), None).unwrap()]);
    hospital.with(|ward| ward.algorithms = vec!["RS384".to_owned()]);
    let (clinic, outgoing) = beside("2026-03-03", std::slice::from_ref(&record)).await;
    let report = poll(&clinic, &outgoing).await;
    assert_eq!(report.problems, ["Patient: the newest key signs ES384, and the record server takes RS384"]);
}
