//! How long the validation of a Bundle of 20 kB takes, beside reading it as JSON, and beside `fhirclient` from PyPI building
//! its R4 models of the same bytes (tests/reference/models.py); and how long everything takes to be compiled.
//!
//! `cargo bench -p endplate-fhir --bench validate`. Each figure is the median of many runs on one core. The Python of the
//! tests is used, so the tests must have run once; else `python3`, which must then have fhirclient.

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

/// Median of `fhirclient` in µs.
fn models_us(text: &str) -> Option<f64> {
    let tests = Path::new(env!("CARGO_TARGET_TMPDIR")).join("python/bin/python");
    let python = if tests.exists() { tests } else { "python3".into() };
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join("bundle.json");
    std::fs::write(&file, text).ok()?;
    let script = main_folder().join("tests/reference/models.py");
    let output = Command::new(python).arg(script).arg(file).output().ok()?;
    let answer: Json = serde_json::from_slice(&output.stdout).ok()?;
    answer["us"].as_f64()
}

fn main() {
    let start = Instant::now();
    validate::prepare();
    let compile_ms = start.elapsed().as_secs_f64() * 1e3;

    let text = bundle();
    let parsed = json::parse(text.as_bytes()).expect("JSON");
    assert_eq!(validate::resource(&parsed), [], "the Bundle is valid");
    let parse_us = median_us(|| drop(black_box(json::parse(black_box(text.as_bytes())))));
    let validate_us = median_us(|| drop(black_box(validate::resource(black_box(&parsed)))));

    println!("compiling every type         {compile_ms:8.1} ms   aim below {COMPILE_MS} ms");
    println!("reading {} bytes of JSON  {parse_us:8.1} µs", text.len());
    println!(
        "validating them              {validate_us:8.1} µs   {:.1} times reading",
        validate_us / parse_us
    );
    match models_us(&text) {
        Some(us) => {
            let ours = parse_us + validate_us;
            println!(
                "models by fhirclient         {us:8.1} µs   {:.0} times reading and validating; aim {FASTER}",
                us / ours
            );
        }
        None => println!("models by fhirclient: no Python with fhirclient; run the tests once, they make it"),
    }
}
