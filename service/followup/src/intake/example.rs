//! An example of what to send, and a code for machines, for everything that can be wrong with a repair or a finding.

use crate::code;
use endplate_fhir::issue::Issue;
use endplate_fhir::quantity::UCUM;
use serde_json::{Value, json};

/// By the end of the element's name in the FHIRPath: the last row that occurs in it counts.
fn examples() -> [(&'static str, &'static str, Value); 11] {
    let mm = |value: u32| json!({ "value": value, "unit": "mm", "system": UCUM, "code": "mm" });
    let concept =
        |system: &str, of: &str| json!({ "coding": [{ "system": code::system(system), "code": of }] });
    let structure = json!({ "url": "structure", "valueCodeableConcept": concept("reinnervation-target", "extensor-digitorum") });
    let length = |value| json!({ "url": "path-length", "valueQuantity": mm(value) });
    let target =
        |name: &str, value| json!({ "url": code::structure(name), "extension": [structure, length(value)] });
    let landmark =
        json!({ "url": "landmark", "valueCodeableConcept": concept("landmark", "lateral-epicondyle") });
    [
        ("Procedure.performed", "repair-date", json!({ "performedDateTime": "2026-03-14" })),
        ("Procedure.bodySite", "repair-nerve", json!({ "bodySite": [concept("nerve", "radial")] })),
        ("laterality", "repair-side", json!({ "url": code::structure("laterality"), "valueCode": "left" })),
        (
            "gap-length",
            "repair-gap",
            json!({ "url": code::structure("gap-length"), "valueQuantity": mm(30) }),
        ),
        ("StructureDefinition/target", "repair-target", target("target", 80)),
        (
            "repair-level",
            "repair-level",
            json!({ "url": code::structure("repair-level"), "extension": [
                landmark, { "url": "distance", "valueQuantity": mm(20) }
            ] }),
        ),
        ("donor-path-length", "repair-donor-path", target("donor-path-length", 60)),
        ("Observation.effective", "finding-date", json!({ "effectiveDateTime": "2026-06-20" })),
        (
            "Observation.bodySite",
            "finding-place",
            json!({ "bodySite": concept("reinnervation-target", "extensor-digitorum") }),
        ),
        ("Observation.code", "finding-kind", json!({ "code": concept("exam-finding", "motor-grade") })),
        ("Observation.value", "finding-value", Value::Null),
    ]
}

/// What a finding's value looks like, by the kind of the finding.
fn value_of(kind: &str) -> Option<Value> {
    Some(match kind {
        "tinel-distance" => {
            json!({ "valueQuantity": { "value": 45, "unit": "mm", "system": UCUM, "code": "mm" } })
        }
        "motor-grade" => json!({ "valueInteger": 2 }),
        "sensory-grade" => json!({ "valueCodeableConcept": { "coding": [
            { "system": code::system("sensory-grade"), "code": "S2" }
        ] } }),
        "sudomotor-function" | "nascent-potentials" => json!({ "valueBoolean": true }),
        "pain-score" => json!({ "valueInteger": 3 }),
        _ => return None,
    })
}

/// The issue with a code and an example. `finding`: the kind of the finding, if it is one.
pub(super) fn beside(issue: Issue, finding: Option<&str>) -> Issue {
    let found = examples().into_iter().rev().find(|(part, ..)| issue.expression.contains(part));
    let Some((_, key, example)) = found else { return issue };
    let example = finding.filter(|_| key == "finding-value").map_or(Some(example), value_of);
    let issue = issue.keyed(key);
    match example.filter(|example| !example.is_null()) {
        Some(example) => issue.example(format!("For example: {example}")),
        None => issue,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use endplate_fhir::issue::{Code, KEYS};

    #[test]
    fn every_key_is_known() {
        for (_, key, _) in examples() {
            assert!(KEYS.iter().any(|(known, _)| *known == key), "{key}");
        }
    }

    // The codes of the examples are codes that this service takes.
    #[test]
    fn examples_are_right() {
        use endplate_recovery::anatomy::{Landmark, Nerve, Structure};
        assert!(Nerve::from_code("radial").is_some());
        assert!(Structure::from_code("extensor-digitorum").is_some());
        assert!(Landmark::from_code("lateral-epicondyle").is_some());
        let issue = Issue::error(
            Code::Required,
            "Procedure.extension('https://x/StructureDefinition/gap-length')",
            "Send it.",
        );
        let issue = beside(issue, None);
        assert_eq!(issue.key, Some("repair-gap"));
        assert!(issue.diagnostics.is_some_and(|example| example.contains("valueQuantity")));
        let issue = beside(Issue::error(Code::Value, "Observation.value", "Send it."), Some("motor-grade"));
        assert_eq!(issue.diagnostics.as_deref(), Some("For example: {\"valueInteger\":2}"));
    }
}
