//! D44. Extensions: FHIR R4 extensibility.html.

use crate::clinic::{EP, interosseous_graft, with};
use crate::published::unresolved;
use crate::served::Served;
use endplate_fhir::Json;
use endplate_server::publish;
use serde_json::json;
use std::collections::BTreeSet;

/// Every extension in a resource, at any depth.
fn each_extension(value: &Json, act: &mut dyn FnMut(&Json)) {
    match value {
        Json::Array(all) => all.iter().for_each(|one| each_extension(one, act)),
        Json::Object(all) => {
            for (name, one) in all {
                if matches!(name.as_str(), "extension" | "modifierExtension") {
                    one.as_array().into_iter().flatten().for_each(&mut *act);
                }
                each_extension(one, act);
            }
        }
        _ => {}
    }
}

/// What is wrong with the extensions of a resource: FHIR R4 extensibility.html and invariant ext-1.
fn wrong_extensions(resource: &Json) -> Vec<String> {
    // FHIR R4 extension registry, DiagnosticReport and Flag.
    let standard = ["diagnosticReport-risk", "flag-detail", "flag-priority"]
        .map(|name| format!("http://hl7.org/fhir/StructureDefinition/{name}"));
    let mut wrong = Vec::new();
    let mut judge = |one: &Json, is_part: bool| {
        let url = one["url"].as_str().unwrap_or_default().to_owned();
        let has_value = one.as_object().is_some_and(|all| all.keys().any(|name| name.starts_with("value")));
        let known = url.starts_with(&format!("{EP}/StructureDefinition/")) || standard.contains(&url);
        if has_value == one["extension"].is_array() {
            wrong.push(format!("{url} has both a value and parts, or neither"));
        }
        if !is_part && !known {
            wrong.push(format!("{url} is nobody's"));
        }
    };
    each_extension(resource, &mut |one| {
        // A part of an extension has a plain name for its url.
        judge(one, one["url"].as_str().is_some_and(|url| !url.contains(':')));
    });
    wrong
}

// FHIR R4 extensibility.html: url absolute and resolvable; a value or parts (ext-1); what is not known is kept; no
// extension of ours is named under hl7.org.
#[tokio::test]
async fn d44_extensions_are_published_whole_and_unknown_ones_are_kept() {
    let served = Served::open("2026-03-09").await;
    let [patient, injury, repair] = interosseous_graft();
    for resource in [&patient, &injury, &repair] {
        served.put(resource).await.done();
    }
    served.turn_to("2027-01-04").await;
    let mut written = Vec::new();
    for kind in endplate_fhir::TYPES {
        written.extend(served.all(&format!("{kind}?_tag={EP}/CodeSystem/origin|derived")).await);
    }
    let mut urls = BTreeSet::new();
    for resource in &written {
        assert_eq!(wrong_extensions(resource), Vec::<String>::new(), "{resource}");
        each_extension(resource, &mut |one| {
            urls.insert(one["url"].as_str().unwrap_or_default().to_owned());
        });
    }
    assert!(urls.len() >= 8, "{urls:?}");
    assert_eq!(unresolved(&written), BTreeSet::new());
    let odd = json!({ "extension": [{ "url": "http://hl7.org/fhir/StructureDefinition/nerve" }] });
    assert_eq!(wrong_extensions(&odd).len(), 2, "the check can fail");
    for one in publish::all() {
        assert!(one.url.starts_with(EP), "{}", one.url);
    }

    // Ours are kept beside others; others are kept as they are, on the resource and on a primitive.
    let other = json!([{ "url": "https://records.example/fhir/ward", "valueString": "7 B" },
        { "url": "https://records.example/fhir/route", "extension": [{ "url": "by", "valueInteger": 3 }] }]);
    let mut marked = with(&patient, "extension", other.clone());
    marked["_birthDate"] =
        json!({ "extension": [{ "url": "https://records.example/fhir/source", "valueCode": "told" }] });
    served.put(&marked).await.done();
    let read = served.get("/fhir/Patient/p1").await.json();
    assert_eq!((&read["extension"], &read["_birthDate"]), (&other, &marked["_birthDate"]));
}
