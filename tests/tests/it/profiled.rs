//! Whether a resource keeps to a published profile: a small reader of differentials, for what our profiles use of FHIR R4
//! profiling.html (cardinality, types, patterns, fixed URLs, required bindings to our value sets, slices by url).

use crate::clinic::EP;
use crate::published::published;
use endplate_fhir::Json;
use std::collections::BTreeSet;

/// The profiles of what comes out, by type.
const OUT: &[(&str, &str)] = &[
    ("CarePlan", "follow-up-plan"),
    ("DetectedIssue", "follow-up-alert"),
    ("DiagnosticReport", "recovery-chart"),
    ("RiskAssessment", "recovery-assessment"),
    ("ServiceRequest", "review-request"),
    ("Task", "review-task"),
];

/// The profile that a resource should keep to, if there is one.
fn profile_of(resource: &Json) -> Option<String> {
    let kind = resource["resourceType"].as_str()?;
    let ours = |system: &str| {
        let codings = resource["code"]["coding"].as_array()?;
        let of = |one: &&Json| one["system"] == format!("{EP}/CodeSystem/{system}");
        codings.iter().find(of)?["code"].as_str().map(str::to_owned)
    };
    match kind {
        "Procedure" => ours("repair-technique").map(|_| "nerve-repair".to_owned()),
        "Observation" => ours("exam-finding"),
        _ => OUT.iter().find(|(of, _)| *of == kind).map(|(_, profile)| (*profile).to_owned()),
    }
}

/// How these resources break the profiles that they should keep to, and how many there were to keep to one.
pub fn breaches(resources: &[Json]) -> (Vec<String>, usize) {
    let (mut all, mut judged) = (Vec::new(), 0);
    for resource in resources {
        if let Some(profile) = profile_of(resource) {
            judged += 1;
            judge(resource, &profile, &mut all);
        }
    }
    (all, judged)
}

/// One element of a differential.
struct Rule<'a> {
    id: &'a str,
    said: &'a Json,
}

fn judge(value: &Json, profile: &str, breaches: &mut Vec<String>) {
    let definition = published("StructureDefinition", profile);
    let rules: Vec<Rule<'_>> = definition["differential"]["element"]
        .as_array()
        .unwrap()
        .iter()
        .map(|said| Rule { id: said["id"].as_str().unwrap(), said })
        .collect();
    for rule in &rules {
        let Some((parent, segment)) = rule.id.rsplit_once('.') else { continue };
        for holder in nodes(value, parent, &rules) {
            let found = children(holder, segment, rule.id, &rules);
            let wrong = |why: &str| format!("{profile}: {}: {why}", rule.id);
            if (found.len() as u64) < rule.said["min"].as_u64().unwrap_or(0) {
                breaches.push(wrong("is missing"));
            }
            if rule.said["max"]
                .as_str()
                .and_then(|max| max.parse().ok())
                .is_some_and(|max: usize| found.len() > max)
            {
                breaches.push(wrong("is there too often"));
            }
            for (name, one) in found {
                if !allows(rule.said, segment, &name, one) {
                    breaches.push(wrong("has another type, code or text"));
                }
                if let Some(url) = rule.said["type"][0]["profile"][0].as_str() {
                    judge(one, url.rsplit('/').next().unwrap(), breaches);
                }
            }
        }
    }
}

/// The values at an id such as `Procedure.extension:target`.
fn nodes<'a>(value: &'a Json, id: &str, rules: &[Rule<'_>]) -> Vec<&'a Json> {
    let Some((parent, segment)) = id.rsplit_once('.') else { return vec![value] };
    let holders = nodes(value, parent, rules);
    holders.into_iter().flat_map(|one| children(one, segment, id, rules)).map(|(_, one)| one).collect()
}

/// The values of one segment, each with the name of its member.
fn children<'a>(holder: &'a Json, segment: &str, id: &str, rules: &[Rule<'_>]) -> Vec<(String, &'a Json)> {
    let (name, slice) = segment.split_once(':').map_or((segment, None), |(name, slice)| (name, Some(slice)));
    let members = holder.as_object().into_iter().flatten();
    let is_it = |member: &str| match name.strip_suffix("[x]") {
        Some(base) => {
            member.strip_prefix(base).is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_uppercase()))
        }
        None => member == name,
    };
    let all = members.filter(|(member, _)| is_it(member)).flat_map(|(member, value)| {
        let many: Vec<&Json> = value.as_array().map_or_else(|| vec![value], |all| all.iter().collect());
        many.into_iter().map(move |one| (member.clone(), one))
    });
    let Some(slice) = slice else { return all.collect() };
    // A slice is told by its url: that of its profile, or the one fixed for it.
    let said = |id: &str| rules.iter().find(|rule| rule.id == id).map(|rule| rule.said);
    let fixed = said(&format!("{id}.url")).and_then(|url| url["fixedUri"].as_str());
    let url = fixed.or_else(|| said(id)?["type"][0]["profile"][0].as_str()).unwrap_or(slice).to_owned();
    all.filter(|(_, one)| one["url"] == url).collect()
}

fn allows(said: &Json, segment: &str, name: &str, value: &Json) -> bool {
    let types = said["type"].as_array().filter(|_| segment.ends_with("[x]"));
    let is_type = |kinds: &Vec<Json>| {
        kinds.iter().filter_map(|kind| kind["code"].as_str()).any(|kind| {
            let (first, rest) = kind.split_at(1);
            name == format!("{}{}{rest}", segment.trim_end_matches("[x]"), first.to_uppercase())
        })
    };
    let fixed = |member: &str| said.get(member).is_none_or(|wanted| wanted == value);
    let held = |wanted: &Json, given: &Json| {
        wanted.as_object().is_some_and(|all| all.iter().all(|(name, one)| given[name] == *one))
    };
    let concept = said.pointer("/patternCodeableConcept/coding/0").is_none_or(|wanted| {
        value["coding"].as_array().into_iter().flatten().any(|coding| held(wanted, coding))
    });
    let quantity = said.get("patternQuantity").is_none_or(|wanted| held(wanted, value));
    types.is_none_or(is_type)
        && fixed("fixedUri")
        && fixed("patternCode")
        && concept
        && quantity
        && is_bound(said, value)
}

/// Whether a value has a code of its value set, where the binding is required and the set is ours.
fn is_bound(said: &Json, value: &Json) -> bool {
    let Some(set) =
        said["binding"]["valueSet"].as_str().filter(|_| said["binding"]["strength"] == "required")
    else {
        return true;
    };
    let codes = expanded(set.rsplit('/').next().unwrap());
    let among = |coding: &Json| {
        let text = |name: &str| coding[name].as_str().unwrap_or_default().to_owned();
        codes.contains(&(text("system"), text("code")))
    };
    match value {
        Json::String(code) => codes.iter().any(|(_, known)| known == code),
        // Motor grades may be numbers.
        Json::Number(_) => true,
        _ => among(value) || value["coding"].as_array().is_some_and(|all| all.iter().any(among)),
    }
}

/// The codes of a value set of ours, with their systems.
fn expanded(set: &str) -> BTreeSet<(String, String)> {
    let set = published("ValueSet", set);
    let mut codes = BTreeSet::new();
    for include in set["compose"]["include"].as_array().unwrap() {
        let system = include["system"].as_str().unwrap();
        let whole =
            |system: &str| published("CodeSystem", system.rsplit('/').next().unwrap())["concept"].clone();
        let concepts = include.get("concept").cloned().unwrap_or_else(|| whole(system));
        for concept in concepts.as_array().unwrap() {
            codes.insert((system.to_owned(), concept["code"].as_str().unwrap().to_owned()));
        }
    }
    codes
}

#[test]
fn a_breach_of_each_kind_is_found() {
    use crate::clinic::{code, gap, interosseous_graft, motor, target, with};
    use serde_json::json;
    let [_, _, repair] = interosseous_graft();
    let finding = motor("o", "p1", "r1", "deltoid", "2026-06-08", 2);
    assert_eq!(breaches(&[repair.clone(), finding.clone()]), (Vec::new(), 2));
    let left = json!({ "url": format!("{EP}/StructureDefinition/laterality"), "valueCode": "both" });
    let typed = json!({ "url": format!("{EP}/StructureDefinition/gap-length"), "valueString": "30 mm" });
    let mut part = target("deltoid", 80.0);
    part["extension"].as_array_mut().unwrap().remove(0);
    let mut unit = gap(30.0);
    unit["valueQuantity"]["code"] = json!("km");
    for (changed, place) in [
        (with(&repair, "extension", json!([left])), "laterality: Extension.value[x]"),
        (with(&repair, "extension", json!([typed])), "gap-length: Extension.value[x]"),
        (with(&repair, "extension", json!([unit])), "gap-length: Extension.value[x]"),
        (with(&repair, "extension", json!([part])), "target: Extension.extension:structure"),
        (with(&repair, "extension", json!([gap(30.0), gap(31.0)])), "Procedure.extension:gap-length"),
        (with(&repair, "bodySite", json!([])), "Procedure.bodySite"),
        (with(&finding, "bodySite", json!([])), "Observation.bodySite"),
    ] {
        let (found, _) = breaches(&[changed]);
        assert!(found.iter().any(|one| one.contains(place)), "{place}: {found:?}");
    }
    let mut sensory = finding;
    sensory["code"] = code("exam-finding", "sensory-grade");
    assert!(!breaches(&[sensory]).0.is_empty(), "a sensory grade is no number");
}

#[test]
fn the_records_of_the_demonstration_keep_to_the_profiles() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/clinic");
    let mut resources = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|ending| ending == "json") {
            let bundle: Json = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
            let entries = bundle["entry"].as_array().unwrap();
            resources.extend(entries.iter().map(|entry| entry["resource"].clone()));
        }
    }
    let (breaches, judged) = breaches(&resources);
    assert!(breaches.is_empty() && judged >= 12, "{judged}: {breaches:#?}");
}
