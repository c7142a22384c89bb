//! What whoever watches the service is given: /metrics as an independent library reads it (`tests/reference/observed.py`, which names the
//! conventions), the dashboard and the rules that rest on it, and numbers held against what searches find.

use crate::clinic::{TurnedClock, interosseous_graft, with};
use crate::hook::Hook;
use crate::hospital::{self, Fault, Hospital};
use crate::python;
use crate::served::{FHIR_JSON, Served, audited, config};
use endplate_fhir::Json;
use endplate_server::boot::{self, Parts};
use endplate_server::clock::SystemClock;
use jiff::tz::TimeZone;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

/// What a Prometheus server sends when it prefers OpenMetrics.
const OPEN: &str = "application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5";
/// Stands in what is sent and in no number.
const CANARY: &str = "Canarywren";

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/observability")
}

/// Samples of the text format, after the library has found nothing wrong with either format.
fn judged(name: &str, text: &str, open: &str) -> Vec<(String, Json, f64)> {
    let at = Path::new(env!("CARGO_TARGET_TMPDIR")).join("observed");
    std::fs::create_dir_all(&at).unwrap();
    let (plain, opened) = (at.join(format!("{name}.txt")), at.join(format!("{name}.om")));
    std::fs::write(&plain, text).unwrap();
    std::fs::write(&opened, open).unwrap();
    let arguments =
        [plain.to_str().unwrap(), opened.to_str().unwrap(), folder().to_str().unwrap()].map(str::to_owned);
    let output = python::script("observed.py", &arguments.each_ref().map(String::as_str));
    assert!(output.status.success(), "{}\n{text}", String::from_utf8_lossy(&output.stderr));
    let samples: Vec<(String, Json, Json)> = serde_json::from_slice(&output.stdout).unwrap();
    samples
        .into_iter()
        .map(|(name, labels, value)| (name, labels, value.as_f64().unwrap_or(f64::NAN)))
        .collect()
}

/// The sum of the samples with this name and these labels among theirs.
fn sum(samples: &[(String, Json, f64)], name: &str, labels: &[(&str, &str)]) -> f64 {
    let meant = |sample: &&(String, Json, f64)| {
        sample.0 == name && labels.iter().all(|(label, value)| sample.1[label] == *value)
    };
    let found: Vec<f64> = samples.iter().filter(meant).map(|sample| sample.2).collect();
    assert!(!found.is_empty(), "there is no {name} with {labels:?}");
    found.iter().sum()
}

/// A sample without labels, or with those that stand in the name, in the text format.
fn value(text: &str, name: &str) -> Option<f64> {
    text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' ')?.parse().ok())
}

async fn numbers(served: &Served, accept: &str) -> String {
    let reply = served.send(served.request("GET", "/metrics").header("accept", accept)).await;
    let format = if accept == OPEN {
        "application/openmetrics-text; version=1.0.0"
    } else {
        "text/plain; version=0.0.4"
    };
    assert!(reply.header("content-type").starts_with(format), "{}", reply.header("content-type"));
    reply.done()
}

/// The service as it runs, with its workers: all that the dashboard and the rules name is there, and says what was done.
#[tokio::test(flavor = "multi_thread")]
async fn i08_i09_the_numbers_of_a_running_service_are_what_dashboard_and_rules_rest_on() {
    let hospital = Hospital::open().await;
    let mut config = audited();
    config.records = vec![hospital.record(&[], &["Patient"])];
    let clock = Arc::new(SystemClock::new(TimeZone::UTC));
    let server = boot::start(&config, Parts::of(&config, clock).await.unwrap()).await.unwrap();
    let served = Served::of(server, TurnedClock::at("2026-03-03"));
    let hook = Hook::open().await;
    let subscription = json!({ "resourceType": "Subscription", "id": "plans", "status": "requested", "reason": CANARY,
        "criteria": "CarePlan?status=active", "channel": { "type": "rest-hook", "endpoint": hook.endpoint } });
    served.put(&subscription).await.done();
    let [person, injury, graft] = interosseous_graft();
    let person = with(&person, "name", json!([{ "family": CANARY }]));
    for resource in [person, injury, graft] {
        served.put(&resource).await.done();
    }
    let refused = served.put(&json!({ "resourceType": "Patient", "id": "p2", "gender": CANARY })).await;
    assert_eq!(refused.status, 422);
    for path in [
        format!("/fhir/Patient/{CANARY}"),
        format!("/{CANARY}"),
        format!("/fhir/{CANARY}"),
        format!("/fhir/Patient?name={CANARY}"),
    ] {
        served.get(&path).await;
    }
    let odd =
        served.request("GET", "/fhir/Task").header("x-request-id", CANARY).header("traceparent", CANARY);
    served.send(odd).await;
    // Until the first sweep is done and the plan was told.
    let text = loop {
        let text = numbers(&served, "text/plain").await;
        let told = value(&text, "endplate_deliveries_total{result=\"delivered\"}").unwrap();
        if told >= 1.0 && text.contains("endplate_sweep_last_success_timestamp_seconds ") {
            break text;
        }
    };
    let open = numbers(&served, OPEN).await;
    for text in [&text, &open] {
        assert!(!text.to_lowercase().contains("canarywren") && !text.contains("p1"), "{text}");
    }
    let samples = judged("running", &text, &open);
    let requests = |labels: &[(&str, &str)]| sum(&samples, "endplate_http_requests_total", labels);
    assert!((requests(&[("interaction", "update"), ("status", "201")]) - 4.0).abs() < 0.1);
    assert!((requests(&[("type", "Patient"), ("status", "422")]) - 1.0).abs() < 0.1);
    assert!((requests(&[("interaction", "none"), ("type", "")]) - 1.0).abs() < 0.1);
    assert!((requests(&[("interaction", "read"), ("status", "404")]) - 1.0).abs() < 0.1);
    let updates = [("interaction", "update")];
    let timed = sum(&samples, "endplate_http_request_duration_seconds_count", &updates);
    assert!((timed - requests(&updates)).abs() < 0.1);
    let commits = sum(&samples, "endplate_store_commit_duration_seconds_count", &[("result", "done")]);
    assert!(
        commits >= 4.0
            && sum(&samples, "endplate_store_commit_duration_seconds_sum", &[("result", "done")]) > 0.0
    );
    let attempts = [("to", "subscriber"), ("outcome", "accepted")];
    assert!(sum(&samples, "endplate_delivery_attempt_duration_seconds_count", &attempts) >= 1.0);
    for name in ["endplate_ready", "endplate_build_info", "endplate_protocol_info"] {
        assert!((sum(&samples, name, &[]) - 1.0).abs() < 0.1, "{name}");
    }
    assert!(
        samples
            .iter()
            .any(|sample| sample.0 == "endplate_build_info"
                && sample.1["version"] == env!("CARGO_PKG_VERSION"))
    );
    assert!(served.server.shutdown().await);
}

/// A record server of which one type answers no more, and one record cannot be taken in: nobody else says that repairs no longer come.
#[tokio::test]
async fn i09_it_is_told_how_record_servers_were_read() {
    let hospital = Hospital::open().await;
    hospital.with(|ward| {
        ward.put(json!({ "resourceType": "Patient", "id": "p1", "birthDate": "1990-05-01" }));
        ward.put(json!({ "resourceType": "Patient", "id": "p2", "birthDate": "yesterday" }));
    });
    let mut config = config();
    config.records = vec![hospital.record(&[], &["Patient", "Observation"])];
    let served = Served::open_as(&config, "2026-03-03").await;
    let outgoing = hospital::outgoing(&config.records, &served.clock);
    let told = async |name: &str| {
        value(&numbers(&served, "text/plain").await, &format!("endplate_record_{name}{{record=\"main\"}}"))
    };
    // Nothing was ever read: it counts from the start.
    served.clock.turn_on_s(600);
    assert_eq!(told("read_age_seconds").await, Some(600.0));
    served.server.endplate().poll("main", &outgoing).await.unwrap();
    served.clock.turn_on_s(60);
    assert_eq!(told("read_age_seconds").await, Some(60.0));
    assert_eq!((told("types_broken_off").await, told("put_aside").await), (Some(0.0), Some(1.0)));
    // Patients are read, which is one page, and then nothing more.
    hospital.faults([Fault::None, Fault::Status(503), Fault::Status(503), Fault::Status(503)]);
    served.server.endplate().poll("main", &outgoing).await.unwrap();
    served.clock.turn_on_s(60);
    assert_eq!((told("types_broken_off").await, told("put_aside").await), (Some(1.0), Some(1.0)));
}

/// What the store is asked for is what searches find, day after day.
#[tokio::test]
async fn i09_counts_are_those_of_searches() {
    let served = Served::open("2026-03-03").await;
    let [person, injury, graft] = interosseous_graft();
    for resource in [person, injury, graft] {
        served.put(&resource).await.done();
    }
    for (id, status) in [("s1", "requested"), ("s2", "requested"), ("s3", "off")] {
        let subscription = json!({ "resourceType": "Subscription", "id": id, "status": status, "reason": "x",
            "criteria": "Task?status=requested", "channel": { "type": "rest-hook", "endpoint": "http://127.0.0.1:9/" } });
        served.put(&subscription).await.done();
    }
    let mut seen = Vec::new();
    for day in ["2026-03-04", "2026-04-20", "2026-09-01", "2027-03-01", "2027-10-01"] {
        served.clock.turn_to(day);
        let text = numbers(&served, "text/plain").await;
        let overdue = served.all("Task?status=requested,received,accepted,ready,in-progress,on-hold").await;
        let is_over = |task: &&Json| task["restriction"]["period"]["end"].as_str().unwrap() < day;
        let overdue = overdue.iter().filter(is_over).count();
        assert_eq!(value(&text, "endplate_tasks_overdue"), Some(overdue as f64), "{day}");
        seen.push(overdue);
        for status in ["requested", "active", "error", "off"] {
            let found = served.all(&format!("Subscription?status={status}")).await.len();
            let name = format!("endplate_subscriptions{{status=\"{status}\"}}");
            assert_eq!(value(&text, &name), Some(found as f64), "{status}");
        }
        // Nobody has looked at what the days before brought: the lag is the time since it was due.
        let due = value(&text, "endplate_sweep_due_patients").unwrap();
        let lag = value(&text, "endplate_sweep_lag_seconds").unwrap();
        assert!(due <= 1.0 && (due > 0.0 || lag == 0.0), "{day}: {due} due for {lag} s");
        served.server.endplate().sweep(&|_| {}).await.unwrap();
        // Counts are given again for some seconds.
        assert_eq!(value(&numbers(&served, "text/plain").await, "endplate_sweep_due_patients"), Some(due));
        served.clock.turn_on_s(60);
        let later = numbers(&served, "text/plain").await;
        let left =
            ["endplate_sweep_due_patients", "endplate_sweep_lag_seconds"].map(|name| value(&later, name));
        assert_eq!(left, [Some(0.0), Some(0.0)], "{day}: a sweep leaves nothing due");
    }
    assert!(seen.iter().any(|count| *count > 0), "nothing was ever overdue: {seen:?}");
}

/// The tool that comes with a Prometheus server: of this machine, or of the image that the tests of what is deployed use.
fn promtool() -> Option<Vec<String>> {
    let mount = format!("--volume={}:/rules:ro", folder().canonicalize().unwrap().display());
    let image = [
        "docker",
        "run",
        "--rm",
        "--pull=never",
        "--network=none",
        &mount,
        "--workdir=/rules",
        "endplate-prometheus:debian",
    ];
    [&[][..], &image].into_iter().find_map(|before| {
        let words: Vec<String> = before.iter().chain(&["promtool"]).map(|word| (*word).to_owned()).collect();
        let asked = Command::new(&words[0]).args(&words[1..]).arg("--version").output();
        asked.is_ok_and(|said| said.status.success()).then_some(words)
    })
}

/// The rules fire when they should and not else.
#[test]
fn the_rules_hold_what_they_promise() {
    let Some(words) = promtool() else {
        println!(
            "promtool is not here (Debian: apt-get install prometheus): the rules were only read, by observed.py"
        );
        return;
    };
    let promtool = |arguments: &[&str]| {
        Command::new(&words[0]).args(&words[1..]).args(arguments).current_dir(folder()).output()
    };
    for arguments in [
        &["check", "rules", "rules.yaml"],
        &["check", "config", "scrape.yaml"],
        &["test", "rules", "rules.test.yaml"],
    ] {
        let output = promtool(arguments).unwrap();
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    }
    // Debian builds it without Kubernetes' discovery; nothing else may be unknown to it.
    let output = promtool(&["check", "config", "kubernetes.yaml"]).unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    let lines: Vec<&str> = said.lines().filter(|line| !line.trim().is_empty()).collect();
    let is_without = lines.len() == 2 && lines[1].contains("field kubernetes_sd_configs not found");
    assert!(output.status.success() || is_without, "{said}");
    // Every rule is tried: none is there that nothing makes fire.
    let read = |name: &str| std::fs::read_to_string(folder().join(name)).unwrap();
    let (rules, tests) = (read("rules.yaml"), read("rules.test.yaml"));
    for name in rules.lines().filter_map(|line| line.trim().strip_prefix("- alert: ")) {
        assert!(tests.contains(&format!("alertname=\"{name}\"")), "{name} is not tried");
    }
}

/// Where access is closed nobody learns anything at the address of the service, with or without a token.
#[tokio::test]
async fn numbers_are_not_given_where_access_is_closed() {
    let keys = crate::access::Keys::new();
    let served = keys.open().await;
    let token = keys.token("system/*.cruds");
    for request in [served.request("GET", "/metrics"), served.request("GET", "/metrics").bearer_auth(token)] {
        let reply = served.send(request.header("accept", FHIR_JSON)).await;
        assert_eq!(reply.status, 404);
        assert!(reply.text.contains("metrics.listen") && !reply.text.contains("endplate_"), "{}", reply.text);
    }
    assert_eq!(served.get("/readyz").await.status, 200);
    let open = Served::open_as(&config(), "2026-03-03").await;
    assert_eq!(open.get("/metrics").await.status, 200);
}
