//! The pod of `deploy/kubernetes`, without a cluster: its settings, its arguments, its probes and its rights, given to a container.
//! Whether Kubernetes takes the manifests is asked by `tests/tests/it/deployed.rs`.

use crate::docker::{Container, Image, docker, folder, is_there, run};
use crate::service::Caller;
use std::fs;
use std::process::Command;

/// The text of the settings that the ConfigMap holds: a block that is indented by four.
fn settings(manifest: &str) -> String {
    let block = manifest.split_once("  endplate.toml: |\n").expect("settings").1;
    let lines = block.lines().take_while(|line| line.is_empty() || line.starts_with("    "));
    lines.map(|line| line.strip_prefix("    ").unwrap_or_default().to_owned() + "\n").collect()
}

/// The value of a variable of the container.
fn variable(manifest: &str, name: &str) -> String {
    let line = manifest.lines().find(|line| line.contains(&format!("{{ name: {name}, value: "))).expect(name);
    let value = line.split_once("value: ").expect("a value").1.split_once(" }").expect("an end").0;
    value.trim_matches('"').to_owned()
}

#[tokio::test]
async fn i04_the_pod_answers_its_probes_and_lets_nobody_in_unknown() {
    if !is_there("the pod's settings and rights, given to a container") {
        return;
    }
    let manifest = fs::read_to_string(folder().join("kubernetes/endplate.yaml")).expect("a manifest");
    let files = tempfile::tempdir().expect("a folder");
    let at = |name: &str| files.path().join(name).to_str().expect("a path").to_owned();
    for part in ["config", "secret"] {
        fs::create_dir(at(part)).expect("made");
    }
    fs::write(at("config/endplate.toml"), settings(&manifest)).expect("written");
    fs::write(at("secret/postgres-password"), "of no use here\n").expect("written");
    let keys = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=endplate.example \
                -keyout tls.key -out tls.crt && openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-384 \
                -out access-signing-key.pem";
    run(Command::new("sh").args(["-c", keys]).current_dir(at("secret"))).expect("openssl makes keys");
    // The group of the pod may read them, as fsGroup and defaultMode have it.
    let owned = "chgrp -R 65532 . && chmod 0440 secret/*";
    run(Command::new("sh").args(["-c", owned]).current_dir(files.path())).expect("root gives files away");
    run(Command::new("chmod").args(["755", &at("")])).expect("opened");

    let image = Image::build();
    let variables = ["ENDPLATE_CONFIG", "ENDPLATE_LISTEN"]
        .map(|name| format!("--env={name}={}", variable(&manifest, name)));
    assert!(variable(&manifest, "ENDPLATE_STORE").starts_with("postgres://"));
    let mounts = ["config", "secret"].map(|part| format!("--volume={}:/etc/endplate/{part}:ro", at(part)));
    let mut pod = Container::start(&[
        "--read-only",
        "--cap-drop=ALL",
        "--security-opt=no-new-privileges",
        "--user=65532:65532",
        "--memory=512m",
        "--tmpfs=/tmp:size=16m",
        "--publish=127.0.0.1::8443",
        "--publish=127.0.0.1::8081",
        &variables[0],
        &variables[1],
        // There is no database beside it here.
        "--env=ENDPLATE_STORE=sqlite::memory:",
        &mounts[0],
        &mounts[1],
        &image.0,
        "serve",
    ]);
    pod.says("listening");
    let caller = Caller::of(&format!("https://{}", pod.at(8443)));
    assert_eq!(caller.send("GET", "/livez", "").await, "alive\n");
    assert!(caller.send("GET", "/readyz", "").await.starts_with("ready"));
    assert!(docker(&["exec", &pod.name, "endplate", "ready"]).starts_with("ready"), "over TLS too");
    let (status, _) = caller.try_send("GET", "/fhir/Patient", "").await.expect("an answer");
    assert_eq!(status, 401);
    let aside = Caller::of(&format!("http://{}", pod.at(8081)));
    assert!(aside.send("GET", "/metrics", "").await.contains("endplate_"));
    pod.signal("TERM");
    assert_eq!(pod.end(), "0");
}
