//! The command line: exit codes, and one line that says what to do.

use crate::harness::{config, start};
use serde_json::{Value as Json, json};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use tempfile::TempDir;

fn endplate(folder: &Path, arguments: &[&str]) -> Output {
    command(folder, arguments).output().expect("run")
}

fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_endplate"));
    command.args(arguments).current_dir(folder).env_clear().stdin(Stdio::null());
    command
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("a folder")
}

fn written(folder: &TempDir, name: &str, text: &str) -> String {
    let path = folder.path().join(name);
    std::fs::write(&path, text).expect("written");
    path.to_str().expect("a path").to_owned()
}

/// Wants an exit code and one line on standard error that holds `hint`.
fn refused(output: &Output, code: i32, hint: &str) {
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{text}");
    assert_eq!(text.lines().count(), 1, "{text}");
    assert!(text.starts_with("endplate: ") && text.contains(hint), "{text}");
}

fn repair() -> Json {
    let ep = "https://endplate.example/fhir";
    json!({ "resourceType": "Bundle", "type": "collection", "entry": [
        { "resource": { "resourceType": "Patient", "id": "p", "birthDate": "1990-05-01" } },
        { "resource": { "resourceType": "Procedure", "id": "r", "status": "completed",
            "subject": { "reference": "Patient/p" }, "performedDateTime": "2026-01-05",
            "code": { "coding": [{ "system": format!("{ep}/CodeSystem/repair-technique"), "code": "direct-coaptation" }] },
            "bodySite": [{ "coding": [{ "system": format!("{ep}/CodeSystem/nerve"), "code": "median" }] }],
            "extension": [{ "url": format!("{ep}/StructureDefinition/target"), "extension": [
                { "url": "structure", "valueCodeableConcept": { "text": "abductor pollicis brevis" } },
                { "url": "path-length", "valueQuantity":
                    { "value": 90, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm" } } ] }] } } ] })
}

#[test]
fn usage_is_one_line_and_2() {
    let folder = folder();
    refused(&endplate(folder.path(), &["serve", "--port", "80"]), 2, "--port");
    refused(&endplate(folder.path(), &["plan"]), 2, "<FILE>");
    refused(&endplate(folder.path(), &["serve", "--listen", "0.0.0.0:0"]), 2, "--unprotected");
    refused(&endplate(folder.path(), &["serve", "--store", "postgres://db/endplate"]), 2, "cannot use yet");
    refused(&endplate(folder.path(), &["serve", "--config", "nowhere.toml"]), 2, "nowhere.toml");
    let file = written(&folder, "site.toml", "lisen = \"127.0.0.1:80\"\n");
    refused(
        &endplate(folder.path(), &["serve", "--config", &file]),
        2,
        "unknown key lisen; known are base_url,",
    );
    let repair = written(&folder, "repair.json", &repair().to_string());
    refused(&endplate(folder.path(), &["plan", &repair, "--as-of", "soon"]), 2, "--as-of");
}

#[test]
fn help_and_version_are_no_fault() {
    let folder = folder();
    for argument in ["--help", "--version"] {
        let output = endplate(folder.path(), &[argument]);
        assert!(output.status.success() && !output.stdout.is_empty() && output.stderr.is_empty());
    }
}

#[tokio::test]
async fn an_environment_at_fault_is_3() {
    let folder = folder();
    let server = start(&config()).await;
    let taken = server.local_addr().to_string();
    let serve = ["serve", "--listen", taken.as_str(), "--store", "sqlite::memory:"];
    refused(
        &command(folder.path(), &serve).env("ENDPLATE_LOG", "error").output().expect("run"),
        3,
        "cannot listen",
    );
    let sweep = ["sweep", "--store", "sqlite:/nowhere/at/all/endplate.db"];
    refused(&command(folder.path(), &sweep).env("ENDPLATE_LOG", "off").output().expect("run"), 3, "--store");
}

#[test]
fn config_tells_each_value_and_its_origin() {
    let folder = folder();
    let file = written(&folder, "site.toml", "log = \"warn\"\n");
    let output = command(folder.path(), &["config", "--listen", "127.0.0.1:9"])
        .env("ENDPLATE_CONFIG", &file)
        .env("ENDPLATE_TIME_ZONE", "Pacific/Auckland")
        .output()
        .expect("run");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    let line = |key: &str| text.lines().find(|line| line.starts_with(key)).expect(key).to_owned();
    assert!(line("listen").ends_with("# option --listen"));
    assert!(line("time_zone = \"Pacific/Auckland\"").ends_with("# variable ENDPLATE_TIME_ZONE"));
    assert!(line("log =").ends_with(&format!("# {file}")));
    assert!(line("store").ends_with("# default"));
}

#[test]
fn check_tells_every_finding_with_its_place() {
    let folder = folder();
    let good = written(&folder, "repair.json", &repair().to_string());
    let output = endplate(folder.path(), &["check", &good]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));

    let mut bundle = repair();
    bundle["entry"][1]["resource"].as_object_mut().expect("an object").remove("subject");
    let bad = written(&folder, "bad.json", &bundle.to_string());
    let broken = written(&folder, "broken.json", "{\n\"resourceType\": }");
    let output = endplate(folder.path(), &["check", &good, &bad, &broken]);
    assert_eq!(output.status.code(), Some(1));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    assert!(text.contains(&format!("{bad}:Bundle.entry[1].resource.subject: error: ")), "{text}");
    assert!(text.contains(&format!("{broken}:line 2, column ")), "{text}");
    assert!(!text.contains(&good));
}

#[test]
fn check_tells_what_the_service_would_refuse() {
    let folder = folder();
    let mut bundle = repair();
    bundle["entry"][1]["resource"].as_object_mut().expect("an object").remove("extension");
    let file = written(&folder, "repair.json", &bundle.to_string());
    let output = endplate(folder.path(), &["check", &file]);
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    assert_eq!(output.status.code(), Some(1), "{text}");
    assert!(text.starts_with(&format!("{file}:Bundle.entry[1].resource")), "{text}");
}

#[test]
fn plan_prints_a_valid_bundle_and_the_same_one_again() {
    let folder = folder();
    let file = written(&folder, "repair.json", &repair().to_string());
    let output = endplate(folder.path(), &["plan", &file, "--as-of", "2026-02-01"]);
    assert!(
        output.status.success() && output.stderr.is_empty(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let bundle: Json = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!((&bundle["resourceType"], &bundle["type"]), (&json!("Bundle"), &json!("collection")));
    assert_eq!(endplate_fhir::validate::resource(&bundle), []);
    assert!(
        bundle["entry"]
            .as_array()
            .expect("entries")
            .iter()
            .any(|one| one["resource"]["resourceType"] == "CarePlan")
    );
    let again = endplate(folder.path(), &["plan", &file, "--as-of", "2026-02-01"]);
    assert_eq!(output.stdout, again.stdout);
    assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 1, "nothing was stored");
    refused(&endplate(folder.path(), &["plan", "nowhere.json"]), 1, "nowhere.json");
}

#[test]
fn sweep_looks_at_what_is_due() {
    let folder = folder();
    let output =
        endplate(folder.path(), &["sweep", "--as-of", "2026-02-01T08:00:00Z", "--store", "sqlite:new.db"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(String::from_utf8_lossy(&output.stdout).starts_with("patients 0, changed 0"));
}

#[test]
fn serve_ends_in_good_order_when_it_is_told_to() {
    let folder = folder();
    let mut child =
        command(folder.path(), &["serve", "--listen", "127.0.0.1:0", "--store", "sqlite::memory:"])
            .stderr(Stdio::piped())
            .spawn()
            .expect("started");
    let mut lines = BufReader::new(child.stderr.take().expect("piped")).lines();
    let listening = lines.by_ref().map(|line| line.expect("a line")).find(|line| line.contains("listening"));
    assert!(listening.is_some_and(|line| line.contains("127.0.0.1:")));
    let told = Command::new("kill").args(["-TERM", &child.id().to_string()]).status().expect("told");
    assert!(told.success() && child.wait().expect("ended").success());
}
