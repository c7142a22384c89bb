//! The official R4 examples: each is read and written without loss, is valid, and is found by what it says.
//!
//! Source: package hl7.fhir.r4.examples 4.0.1 (fixtures/official/SOURCES.md) and, for the parameters, R4's
//! search parameter registry (profiles/r4/SOURCES.md).

use endplate_fhir::index::{self, IndexRow, IndexValue};
use endplate_fhir::issue::Issue;
use endplate_fhir::{Json, TYPES, date, json, reference, validate};
use std::collections::BTreeSet;
use std::path::PathBuf;

const BASE: &str = "https://records.example/fhir";

fn main_folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn examples() -> Vec<(String, Vec<u8>)> {
    let folder = main_folder().join("fixtures/official");
    let mut files: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .map(|path| (path.file_stem().unwrap().to_str().unwrap().to_owned(), std::fs::read(&path).unwrap()))
        .collect();
    files.sort();
    files
}

fn example(name: &str) -> Json {
    let path = main_folder().join("fixtures/official").join(name).with_extension("json");
    json::parse(&std::fs::read(path).unwrap()).unwrap()
}

/// The text without white space between tokens: what a writer that changes nothing must write.
fn compact(text: &str) -> String {
    let mut within = false;
    let mut escaped = false;
    text.chars()
        .filter(|c| {
            let keep = within || !c.is_whitespace();
            if *c == '"' && !escaped {
                within = !within;
            }
            escaped = within && *c == '\\' && !escaped;
            keep
        })
        .collect()
}

#[test]
fn there_are_examples_of_nearly_every_type() {
    let kinds: BTreeSet<String> =
        examples().iter().map(|(name, _)| name.split('-').next().unwrap().to_owned()).collect();
    let without: Vec<_> = TYPES.iter().filter(|kind| !kinds.contains(**kind)).collect();
    // The package has no ConceptMap here.
    assert_eq!(without, [&"ConceptMap"]);
}

#[test]
fn reading_and_writing_changes_nothing() {
    for (name, text) in examples() {
        let value = json::parse(&text).unwrap_or_else(|issue| panic!("{name}: {issue:?}"));
        assert_eq!(
            serde_json::to_string(&value).unwrap(),
            compact(std::str::from_utf8(&text).unwrap()),
            "{name}"
        );
    }
}

/// Examples that R4's own definitions refuse: file, place and reason.
const REFUSED: &[(&str, &str, &str)] = &[(
    "Observation-clinical-gender",
    "Observation.performer[0].reference",
    "the example refers to an Encounter; Observation.performer allows Practitioner, PractitionerRole, Organization, CareTeam, Patient and RelatedPerson",
)];

#[test]
fn every_example_is_valid() {
    let told: Vec<_> = examples()
        .into_iter()
        .flat_map(|(name, text)| {
            let issues = validate::resource(&json::parse(&text).unwrap()).into_iter();
            issues.filter(Issue::is_error).map(move |issue| (name.clone(), issue.expression))
        })
        .collect();
    let refused: Vec<_> =
        REFUSED.iter().map(|(name, at, _)| ((*name).to_owned(), (*at).to_owned())).collect();
    assert_eq!(told, refused);
}

fn values(resource: &Json, name: &str) -> Vec<IndexValue> {
    let is_for_modifiers = |value: &IndexValue| match value {
        IndexValue::Reference { kind, .. } => kind.is_empty(),
        value => matches!(value, IndexValue::Typed { .. } | IndexValue::Identified { .. }),
    };
    let rows = index::rows(resource, BASE).into_iter().filter(|row| row.param == name);
    rows.map(|row| row.value).filter(|value| !is_for_modifiers(value)).collect()
}

fn token(system: Option<&str>, code: &str) -> IndexValue {
    IndexValue::Token { system: system.map(str::to_owned), code: code.to_owned() }
}

fn to(kind: &str, id: &str) -> IndexValue {
    IndexValue::Reference { kind: kind.to_owned(), id: id.to_owned() }
}

fn text(text: &str) -> IndexValue {
    IndexValue::Text(text.to_owned())
}

/// From the first millisecond of `first` to the last of `last`; empty for an open end.
fn days(first: &str, last: &str) -> IndexValue {
    let start_ms = if first.is_empty() { i64::MIN } else { date::instant_ms(first).unwrap().0 };
    let end_ms = if last.is_empty() { i64::MAX } else { date::instant_ms(last).unwrap().1 };
    IndexValue::Date { start_ms, end_ms }
}

/// What a person who reads the example would look for, by file and parameter.
#[test]
fn examples_are_found_by_what_they_say() {
    let snomed = Some("http://snomed.info/sct");
    let act = Some("http://terminology.hl7.org/CodeSystem/v3-ActCode");
    let expected: Vec<(&str, &str, Vec<IndexValue>)> = vec![
        ("Task-example5", "status", vec![token(None, "in-progress")]),
        (
            "Task-example5",
            "identifier",
            vec![token(Some("http:/goodhealth.org/identifiers"), "20170201-001")],
        ),
        ("Task-example5", "business-status", vec![]),
        ("Task-example5", "focus", vec![to("ServiceRequest", "lipid")]),
        ("Task-example5", "subject", vec![to("Patient", "example")]),
        ("Task-example5", "owner", vec![to("Organization", "1832473e-2fe0-452d-abe9-3cdb9879522f")]),
        ("Task-example5", "based-on", vec![]),
        ("Task-example5", "due", vec![days("", "2016-11-02T09:45:05+10:00")]),
        ("Task-example5", "period", vec![days("2016-10-31T08:25:05+10:00", "")]),
        ("Task-example5", "modified", vec![days("2016-10-31T16:45:05+10:00", "2016-10-31T16:45:05+10:00")]),
        (
            "Appointment-2docs",
            "actor",
            vec![to("Patient", "example"), to("Practitioner", "example"), to("Practitioner", "f202")],
        ),
        ("Appointment-2docs", "date", vec![days("2013-12-09T09:00:00Z", "2013-12-09T09:00:00Z")]),
        ("Appointment-2docs", "service-type", vec![token(None, "52")]),
        ("Appointment-2docs", "part-status", vec![token(None, "accepted")]),
        ("Patient-pat2", "name", vec![text("Donald"), text("Duck"), text("D")]),
        ("Patient-pat2", "family", vec![text("Donald")]),
        ("Patient-pat2", "given", vec![text("Duck"), text("D")]),
        ("Patient-pat2", "identifier", vec![token(Some("urn:oid:0.1.2.3.4.5.6.7"), "123456")]),
        ("Patient-pat2", "active", vec![token(None, "true")]),
        ("Patient-pat2", "gender", vec![token(None, "other")]),
        ("Patient-pat2", "link", vec![to("Patient", "pat1")]),
        ("Patient-pat2", "organization", vec![to("Organization", "1")]),
        ("Patient-pat2", "birthdate", vec![]),
        ("Observation-f002", "code", vec![token(Some("http://loinc.org"), "11555-0")]),
        ("Observation-f002", "date", vec![days("2013-04-02T10:30:10+01:00", "2013-04-05T10:30:10+01:00")]),
        ("Observation-f002", "performer", vec![to("Practitioner", "f005")]),
        ("Encounter-f201", "class", vec![token(act, "AMB")]),
        ("Encounter-f201", "type", vec![token(snomed, "11429006")]),
        ("Encounter-f201", "identifier", vec![token(None, "Encounter_Roel_20130404")]),
        ("Encounter-f201", "participant", vec![to("Practitioner", "f201")]),
        ("Communication-fm-solicited", "recipient", vec![]),
        (
            "Communication-fm-solicited",
            "sent",
            vec![days("2016-06-12T18:01:10-08:00", "2016-06-12T18:01:10-08:00")],
        ),
        ("ServiceRequest-physiotherapy", "based-on", vec![to("CarePlan", "gpvisit")]),
        ("ServiceRequest-physiotherapy", "intent", vec![token(None, "order")]),
        ("ServiceRequest-physiotherapy", "occurrence", vec![]),
        ("RiskAssessment-riskexample", "date", vec![days("2017-10-10", "2017-10-10")]),
        ("RiskAssessment-riskexample", "condition", vec![to("Condition", "example")]),
        ("Provenance-signature", "target", vec![to("DocumentReference", "example")]),
        ("Provenance-signature", "agent", vec![]),
    ];
    for (name, param, wanted) in expected {
        assert_eq!(values(&example(name), param), wanted, "{name} {param}");
    }
}

#[test]
fn rows_are_unique_and_of_known_parameters() {
    for (name, text) in examples() {
        let value = json::parse(&text).unwrap();
        let kind = value["resourceType"].as_str().unwrap();
        let rows = index::rows(&value, BASE);
        let unique: BTreeSet<&IndexRow> = rows.iter().collect();
        assert_eq!(unique.len(), rows.len(), "{name}");
        assert!(rows.iter().all(|row| index::param(kind, row.param).is_some()), "{name}");
    }
}

#[test]
fn the_compartment_of_an_example() {
    let of = |name: &str| reference::patient_of(&example(name), BASE);
    assert_eq!(of("Task-example5").as_deref(), Some("example"));
    assert_eq!(of("Observation-f002").as_deref(), Some("f001"));
    assert_eq!(of("Communication-fm-solicited").as_deref(), Some("1"));
    assert_eq!(of("Patient-pat2").as_deref(), Some("pat2"));
    assert_eq!(of("Location-hl7"), None);
}

/// Every parameter that does not say it is ours is R4's, with R4's type; none that says so is.
#[test]
fn parameters_are_those_of_the_registry() {
    let text = std::fs::read(main_folder().join("profiles/r4/search-parameters.json")).unwrap();
    let registry: Json = serde_json::from_slice(&text).unwrap();
    let kind_of = |base: &str, name: &str| {
        let entries = registry.as_array().unwrap();
        let found = entries
            .iter()
            .find(|entry| (entry["base"] == base || entry["base"] == "Resource") && entry["code"] == name);
        found.map(|entry| entry["type"].as_str().unwrap().to_owned())
    };
    for kind in TYPES {
        for param in index::params(kind) {
            let official = kind_of(kind, param.name);
            if param.ours {
                assert_eq!(official, None, "{kind} {}", param.name);
            } else {
                assert_eq!(official.as_deref(), Some(param.kind.code()), "{kind} {}", param.name);
            }
        }
    }
    // And all of R4's are there, but for those that are not offered.
    for entry in registry.as_array().unwrap() {
        let (base, name) = (entry["base"].as_str().unwrap(), entry["code"].as_str().unwrap());
        let base = if base == "Resource" { "Task" } else { base };
        let is_left_out = matches!(entry["type"].as_str(), Some("composite" | "special"))
            || matches!(name, "phonetic" | "_content" | "_query" | "_text");
        assert_eq!(index::param(base, name).is_none(), is_left_out, "{base} {name}");
    }
}

/// A search for what a row says finds the resource that the row is of.
#[test]
fn every_row_is_found_by_a_search_for_it() {
    use endplate_fhir::search;
    for (file, text) in examples() {
        let value = json::parse(&text).unwrap();
        let kind = value["resourceType"].as_str().unwrap();
        let rows = index::rows(&value, BASE);
        for row in &rows {
            let escape = |text: &str| {
                text.replace('\\', r"\\").replace(',', r"\,").replace('|', r"\|").replace('$', r"\$")
            };
            let (name, asked) = match &row.value {
                IndexValue::Token { code, .. } if matches!(row.param, "telecom" | "contact") => {
                    ("", escape(code))
                }
                IndexValue::Token { system: Some(system), code } => {
                    ("", format!("{}|{}", escape(system), escape(code)))
                }
                IndexValue::Token { system: None, code } => ("", escape(code)),
                IndexValue::Typed { system, code, value } => {
                    (":of-type", format!("{}|{}|{}", escape(system), escape(code), escape(value)))
                }
                IndexValue::Identified { code, .. } => (":identifier", escape(code)),
                IndexValue::Reference { kind, .. } if kind.is_empty() => (":missing", "false".to_owned()),
                IndexValue::Reference { kind, id } => ("", format!("{kind}/{id}")),
                IndexValue::Text(text) => ("", escape(text)),
                IndexValue::Date { .. } => ("", "ge0001-01-01".to_owned()),
                IndexValue::Quantity { low, .. } => ("", format!("ge{}", low.0)),
            };
            let query = search::parse(kind, &[(format!("{}{name}", row.param), asked)], BASE)
                .unwrap_or_else(|issues| panic!("{file} {}: {issues:?}", row.param));
            assert!(query.matches(kind, "x", &rows), "{file} {row:?}");
        }
    }
}

/// Every node of one example of each type, replaced by something that does not belong there: nothing panics, and where
/// something is wrong the issue has a place.
#[test]
fn nothing_panics_on_misplaced_values() {
    let odd = [
        Json::Null,
        5.into(),
        "x".into(),
        Json::Array(vec![]),
        serde_json::json!({}),
        serde_json::json!([["x"]]),
    ];
    let mut seen = BTreeSet::new();
    for (name, text) in examples() {
        let whole = json::parse(&text).unwrap();
        if !seen.insert(whole["resourceType"].to_string()) {
            continue;
        }
        let mut pointers = Vec::new();
        each_pointer(&whole, String::new(), &mut pointers);
        pointers.retain(|pointer| !pointer.is_empty());
        for (turn, pointer) in pointers.iter().enumerate() {
            let mut broken = whole.clone();
            *broken.pointer_mut(pointer).unwrap() = odd[turn % odd.len()].clone();
            for issue in validate::resource(&broken) {
                assert!(!issue.expression.is_empty(), "{name} {pointer}: {issue:?}");
            }
            index::rows(&broken, BASE);
            reference::patient_of(&broken, BASE);
            reference::each(&broken, &mut |_, _| {});
            assert!(endplate_fhir::bundle::transaction(&broken, "").is_err());
        }
    }
}

fn each_pointer(value: &Json, at: String, pointers: &mut Vec<String>) {
    match value {
        Json::Array(items) => {
            for (position, item) in items.iter().enumerate() {
                each_pointer(item, format!("{at}/{position}"), pointers);
            }
        }
        Json::Object(members) => {
            for (name, member) in members {
                each_pointer(member, format!("{at}/{name}"), pointers);
            }
        }
        _ => {}
    }
    pointers.push(at);
}
