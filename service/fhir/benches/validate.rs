//! How long the validation of a Bundle of 20 kB takes, beside reading it as JSON (by our strict reader, and by serde_json
//! alone), and beside two libraries from PyPI that build their R4 models of the same bytes (tests/reference/models.py):
//! `fhirclient`, and `fhir.resources` 6.4.0, the last of R4; and how long the table of R4 and the JSON Schemas take at start.
//!
//! `cargo bench -p endplate-fhir --bench validate`. Each figure is the median of many runs on one core. The Python of the
//! tests is used for fhirclient, so the tests must have run once; fhir.resources needs a pydantic that is older than what the
//! tests use, so it has an environment of its own:
//! `python3 -m venv target/tmp/pydantic1 && target/tmp/pydantic1/bin/pip install fhir.resources==6.4.0 'pydantic<2'`.

use endplate_fhir::{Json, json, validate};
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

const RUNS: usize = 1_000;
const BYTES: usize = 20_000;

/// What is aimed at: milliseconds to compile, times faster than the models.
const COMPILE_MS: f64 = 300.0;
const FASTER: f64 = 100.0;

fn median_us(mut run: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..RUNS)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64() * 1e6
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[RUNS / 2]
}

fn main_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Entries of the invented clinic, patient after patient, until there are 20 kB.
fn bundle() -> String {
    let mut files: Vec<_> = std::fs::read_dir(main_folder().join("fixtures/clinic"))
        .expect("the clinic")
        .map(|entry| entry.expect("a file").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .collect();
    files.sort();
    let mut bundle = serde_json::json!({ "resourceType": "Bundle", "type": "transaction", "entry": [] });
    for (n, file) in files.into_iter().enumerate() {
        // Each file is a transaction of its own; together their addresses must differ.
        let text =
            std::fs::read_to_string(file).expect("a file").replace("urn:uuid:0", &format!("urn:uuid:{n:x}"));
        let clinic = json::parse(text.as_bytes()).expect("JSON");
        for entry in clinic["entry"].as_array().expect("entries") {
            if bundle.to_string().len() >= BYTES {
                return bundle.to_string();
            }
            bundle["entry"].as_array_mut().expect("entries").push(entry.clone());
        }
    }
    bundle.to_string()
}

/// Microseconds that a library of an environment in target/tmp takes: with reading the JSON, and without.
fn models_us(environment: &str, text: &str) -> Option<(f64, f64)> {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let file = folder.join("bundle.json");
    std::fs::write(&file, text).ok()?;
    let script = main_folder().join("tests/reference/models.py");
    let python = folder.join(environment).join("bin/python");
    let output = Command::new(python).arg(script).arg(file).output().ok()?;
    let answer: Json = serde_json::from_slice(&output.stdout).ok()?;
    Some((answer["us"].as_f64()?, answer["models_us"].as_f64()?))
}

fn elapsed_ms(run: impl FnOnce()) -> f64 {
    let start = Instant::now();
    run();
    start.elapsed().as_secs_f64() * 1e3
}

fn main() {
    let table_ms = elapsed_ms(validate::prepare);
    let compile_ms = elapsed_ms(validate::compile);

    let text = bundle();
    let parsed = json::parse(text.as_bytes()).expect("JSON");
    assert_eq!(validate::resource(&parsed), [], "the Bundle is valid");
    let bare_us = median_us(|| {
        drop(black_box(serde_json::from_slice::<Json>(black_box(text.as_bytes()))));
    });
    let parse_us = median_us(|| drop(black_box(json::parse(black_box(text.as_bytes())))));
    let validate_us = median_us(|| drop(black_box(validate::resource(black_box(&parsed)))));

    println!("reading the table of R4      {table_ms:8.1} ms   aim below {COMPILE_MS} ms, at start");
    println!("compiling every JSON Schema  {compile_ms:8.1} ms   each when first needed to explain");
    println!("bare parsing, {} bytes    {bare_us:8.1} µs   serde_json alone", text.len());
    println!("reading strictly             {parse_us:8.1} µs   {:.2} times bare parsing", parse_us / bare_us);
    println!(
        "validating what was read     {validate_us:8.1} µs   {:.2} times bare parsing",
        validate_us / bare_us
    );
    for (name, environment) in [("fhirclient", "python"), ("fhir.resources 6.4.0", "pydantic1")] {
        match models_us(environment, &text) {
            Some((whole, models)) => println!(
                "{name:20}         {models:8.1} µs   {:.0} times validating; aim {FASTER}; with reading {whole:.1} µs, {:.0} times both",
                models / validate_us,
                whole / (parse_us + validate_us)
            ),
            None => println!("{name}: not in target/tmp/{environment}; see the head of this file"),
        }
    }
}
