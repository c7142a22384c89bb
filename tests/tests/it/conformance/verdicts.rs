//! The published validator test cases (fixtures/testcases/SOURCES.md): our verdict beside the published one. Where they
//! differ, `verdicts.md` says why; a new difference and an explanation that explains nothing fail the test.

use endplate_fhir::issue::Issue;
use endplate_fhir::{Json, json, validate};
use std::collections::BTreeMap;
use std::path::PathBuf;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../fixtures/testcases")
}

/// What we find wrong with a file: the errors, by place.
fn errors(file: &str) -> Vec<String> {
    let text = std::fs::read(folder().join(file)).unwrap();
    let issues = match json::parse(&text) {
        Ok(resource) => validate::resource(&resource),
        Err(issue) => vec![issue],
    };
    let errors = issues.into_iter().filter(Issue::is_error);
    errors.map(|issue| format!("{} {}: {}", issue.key.unwrap_or("-"), issue.expression, issue.text)).collect()
}

/// Reasons by name of the case.
fn explained() -> BTreeMap<&'static str, &'static str> {
    let rows = include_str!("verdicts.md").lines().filter_map(|line| {
        let mut cells = line.strip_prefix('|')?.split('|').map(str::trim);
        let (name, reason) = (cells.next()?, cells.next()?);
        (reason.len() > 20).then_some((name, reason))
    });
    rows.collect()
}

#[test]
fn verdicts_are_the_published_ones_or_explained() {
    let index: Json = serde_json::from_slice(&std::fs::read(folder().join("index.json")).unwrap()).unwrap();
    let cases = index.as_array().unwrap();
    let mut explained = explained();
    let (mut agreed, mut wrong) = (0, Vec::new());
    for case in cases {
        let part = |name: &str| case[name].as_str().unwrap();
        let published = case["valid"].as_bool().unwrap();
        let errors = errors(part("file"));
        let word = |valid: bool| if valid { "valid" } else { "invalid" };
        println!("{:50} published {:8} ours {}", part("name"), word(published), word(errors.is_empty()));
        if errors.is_empty() == published {
            agreed += 1;
        } else if explained.remove(part("name")).is_none() {
            wrong.push(format!(
                "{} {}\n  ours {errors:#?}\n  published {}",
                part("name"),
                part("file"),
                case["errors"]
            ));
        }
    }
    println!("{agreed} of {} verdicts are the published ones", cases.len());
    assert!(wrong.is_empty(), "not explained: {}\n{}", wrong.len(), wrong.join("\n"));
    assert!(explained.is_empty(), "explained, but there is no difference: {explained:?}");
}
