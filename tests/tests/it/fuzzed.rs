//! A schema-driven fuzzer reads the OpenAPI document and looks for answers that it does not name.
//!
//! `schemathesis` and `openapi-spec-validator` come from PyPI; the versions are in `tests/reference/requirements.txt`.

use crate::python;
use crate::served::Served;

/// Cases that the fuzzer makes for each route beyond the fixed ones: few, so that the run stays short.
const CASES: &str = "3";

// OpenAPI 3.1.0; the fuzzer's checks are that no answer is a fault of the server, and that status, content type and body
// are those that the document names for the route. Its cases are the same every time.
#[tokio::test]
async fn a_fuzzer_finds_no_answer_that_the_openapi_document_does_not_name() {
    let served = Served::open("2026-03-09").await;
    let address = format!("http://{}/openapi.json", served.server.local_addr());
    let document = served.get("/openapi.json").await.text;
    let run = move || {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("openapi.json"), document).unwrap();
        let mut judge = python::program("python");
        judge.args(["-m", "openapi_spec_validator", "openapi.json"]).current_dir(&folder);
        let judged = judge.output().unwrap();
        assert!(judged.status.success(), "{}", String::from_utf8_lossy(&judged.stdout));
        let mut fuzzer = python::program("schemathesis");
        fuzzer.args(["run", &address, "--no-color", "--generation-deterministic", "--max-examples", CASES]);
        fuzzer.args(["--phases", "examples,coverage,fuzzing", "--max-failures", "10", "--checks"]);
        fuzzer.arg(
            "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance",
        );
        fuzzer.current_dir(&folder).output().unwrap()
    };
    let done = tokio::task::spawn_blocking(run).await.unwrap();
    let told = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{told}");
    let line = told.lines().find(|line| line.contains(" generated, ")).unwrap_or_default();
    println!("{}", line.trim());
    let generated = line.split_whitespace().next().and_then(|count| count.parse().ok());
    assert!(generated.is_some_and(|count: u32| count >= 2000), "{told}");
}
