//! What HL7's examples can be found by, beside what an independent FHIRPath library makes of the published expressions.
//!
//! `tests/reference/index.py` evaluates each SearchParameter.expression of R4 with `fhirpathpy` from PyPI and says which rows follow
//! by the rules of search.html. Ours must be the same, and over HTTP each example must be found by each parameter that
//! yields something.

use crate::clinic::TurnedClock;
use crate::python;
use crate::served::{Unused, config};
use endplate_fhir::Json;
use endplate_fhir::index::{self, IndexValue, Number, Param};
use endplate_followup::ports::{Changeset, Deed, Put, Stored};
use endplate_server::boot::{self, Parts};
use jiff::Timestamp;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

const BASE: &str = "http://records.example/fhir";

/// Parameters that are not offered, and why.
const NOT_OFFERED: &[(&str, &str)] = &[("phonetic", "there is no one algorithm that a client could rely on")];

/// Where our rows differ from the library's: file, parameter, why. Nothing else may differ.
const DIFFERENCES: &[(&str, &str, &str)] = &[];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// One line of the script: what one parameter yields for one example.
struct Line {
    file: String,
    param: String,
    rows: BTreeSet<String>,
    ask: Option<String>,
}

fn independent() -> Vec<Line> {
    let file = |name: &str| folder().join(name).to_string_lossy().into_owned();
    let output = python::script(
        "index.py",
        &[&file("profiles/r4/search-parameters.json"), &file("fixtures/official")],
    );
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let read = |line: &str| {
        let line: Json = serde_json::from_str(line).unwrap();
        let text = |name: &str| line[name].as_str().unwrap().to_owned();
        let rows = line["rows"].as_array().unwrap().iter().map(plain).collect();
        Line { file: text("file"), param: text("param"), rows, ask: line["ask"].as_str().map(str::to_owned) }
    };
    String::from_utf8(output.stdout).unwrap().lines().map(read).collect()
}

/// Rows as text, so that 1.0 and 1 are one number and a text is itself.
fn plain(row: &Json) -> String {
    let one = |value: &Json| match value {
        Json::String(text) => text.clone(),
        Json::Number(number) => number.to_string().parse::<f64>().unwrap().to_string(),
        other => other.to_string(),
    };
    row.as_array().map_or_else(|| one(row), |parts| parts.iter().map(one).collect::<Vec<_>>().join("~"))
}

/// One of our rows in the same form; nothing for what only a modifier asks.
fn ours(param: &Param, value: &IndexValue) -> Option<String> {
    let end = |ms: &i64, open: i64| if *ms == open { Json::Null } else { json!(ms) };
    let bound = |number: &Number, open: f64| if number.0 == open { Json::Null } else { json!(number.0) };
    Some(match value {
        IndexValue::Token { system, code } if param.kind.code() == "token" => {
            format!("{}|{code}", system.as_deref().unwrap_or_default())
        }
        IndexValue::Token { code, .. } => code.clone(),
        IndexValue::Reference { kind, id } if kind.is_empty() => id.clone(),
        IndexValue::Reference { kind, id } => format!("{kind}/{id}"),
        IndexValue::Text(text) => text.clone(),
        IndexValue::Date { start_ms, end_ms } => {
            plain(&json!([end(start_ms, i64::MIN), end(end_ms, i64::MAX)]))
        }
        IndexValue::Quantity { low, high, system, code, unit } => {
            plain(&json!([bound(low, f64::MIN), bound(high, f64::MAX), system, code, unit]))
        }
        IndexValue::Typed { .. } | IndexValue::Identified { .. } => return None,
    })
}

/// What a parameter's rows are, whether they are its own or are held in others'.
fn rows_of(resource: &Json, param: &Param) -> BTreeSet<String> {
    let holds = |name: &str| {
        if param.held_in.is_empty() { name == param.name } else { param.held_in.contains(&name) }
    };
    let fits = |value: &IndexValue| match value {
        IndexValue::Reference { kind, .. } if !param.held_in.is_empty() => {
            param.target.is_none_or(|target| target == kind)
        }
        IndexValue::Token { system, .. } => param.system.is_none_or(|only| system.as_deref() == Some(only)),
        _ => true,
    };
    let rows = index::rows(resource, BASE).into_iter().filter(|row| holds(row.param) && fits(&row.value));
    rows.filter_map(|row| ours(param, &row.value)).collect()
}

fn examples() -> BTreeMap<String, Json> {
    let files =
        std::fs::read_dir(folder().join("fixtures/official")).unwrap().map(|file| file.unwrap().path());
    files
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .map(|path| {
            let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
            (name, serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap())
        })
        .collect()
}

#[test]
fn our_rows_are_those_that_an_independent_fhirpath_library_finds() {
    let mut theirs: BTreeMap<(String, String), BTreeSet<String>> =
        independent().into_iter().map(|line| ((line.file, line.param), line.rows)).collect();
    assert!(theirs.len() > 700, "{} parameters yielded something", theirs.len());
    theirs.retain(|(_, param), _| !NOT_OFFERED.iter().any(|(name, _)| name == param));
    let mut differences = Vec::new();
    for (file, resource) in examples() {
        let kind = resource["resourceType"].as_str().unwrap();
        let offered = index::params(kind).iter().filter(|param| !param.ours);
        for param in offered.filter(|param| !matches!(param.name, "_id" | "_lastUpdated")) {
            let ours = rows_of(&resource, param);
            let theirs = theirs.remove(&(file.clone(), param.name.to_owned())).unwrap_or_default();
            let is_known = DIFFERENCES.iter().any(|known| (known.0, known.1) == (&file, param.name));
            if (ours != theirs) != is_known {
                differences.push(format!("{file} {}: ours {ours:?}, theirs {theirs:?}", param.name));
            }
        }
    }
    differences.extend(
        theirs.into_iter().map(|((file, param), rows)| format!("{file} {param}: not offered, {rows:?}")),
    );
    assert!(differences.is_empty(), "{}", differences.join("\n"));
}

#[tokio::test]
async fn every_example_is_found_by_every_parameter_that_yields_something() {
    let config = config();
    let store = crate::stores::fresh().await;
    // Straight into the store: the examples refer to much that is not here.
    let examples = examples();
    let puts = examples.values().map(|resource| {
        let text = |name: &str| resource[name].as_str().unwrap().to_owned();
        let (kind, id, body) = (text("resourceType"), text("id"), resource.to_string());
        let stored = Stored { kind, id, version: 1, at: Timestamp::UNIX_EPOCH, body };
        Put { deed: Deed::Created, stored, patient: None, rows: index::rows(resource, BASE) }
    });
    store.commit(Changeset { puts: puts.collect(), ..Changeset::default() }).await.unwrap();
    let parts =
        Parts { store, clock: TurnedClock::at("2026-03-02"), transport: Arc::new(Unused), workers: false };
    let server = boot::start(&config, parts).await.unwrap();
    _ = rustls::crypto::ring::default_provider().install_default();
    let client = reqwest::Client::builder().no_proxy().tls_certs_only([]).build().unwrap();
    let mut asked = 0;
    for line in independent() {
        let (Some(value), false) = (line.ask, NOT_OFFERED.iter().any(|(name, _)| *name == line.param)) else {
            continue;
        };
        if DIFFERENCES.iter().any(|known| (known.0, known.1) == (line.file.as_str(), line.param.as_str())) {
            continue;
        }
        let resource = &examples[&line.file];
        let (kind, id) = (resource["resourceType"].as_str().unwrap(), resource["id"].as_str().unwrap());
        let query: String = form_urlencoded::Serializer::new(String::new())
            .extend_pairs([(line.param.as_str(), value.as_str()), ("_count", "500"), ("_elements", "id")])
            .finish();
        let url = format!("http://{}/fhir/{kind}?{query}", server.local_addr());
        let reply = client.get(&url).header("prefer", "handling=strict").send().await.unwrap();
        let (status, text) = (reply.status(), reply.text().await.unwrap());
        assert_eq!(status, 200, "{} {}: {text}", line.file, line.param);
        let bundle: Json = serde_json::from_str(&text).unwrap();
        let found =
            bundle["entry"].as_array().into_iter().flatten().any(|entry| entry["resource"]["id"] == id);
        assert!(found, "{} is not found by {}={value}", line.file, line.param);
        asked += 1;
    }
    assert!(asked > 600, "{asked} searches");
}
