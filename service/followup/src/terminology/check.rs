//! What a ConceptMap says that will not be acted on: told to whoever stores it, so that nobody waits for it.

use super::{ACTED_ON, is_ours};
use crate::code;
use crate::element::{items, text};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_recovery::anatomy::{Landmark, Nerve, Structure};
use endplate_recovery::milestone::SensoryGrade;
use endplate_recovery::repair::Technique;

/// How many targets are remarked on at most.
const REMARKS_MAX: usize = 50;

/// The codes of findings.
const FINDINGS: [&str; 6] = [
    "motor-grade",
    "nascent-potentials",
    "pain-score",
    "sensory-grade",
    "sudomotor-function",
    "tinel-distance",
];

/// Whether one of our systems that records are read by has a code; true of our other systems.
pub(super) fn is_known(system: &str, wanted: &str) -> bool {
    match system.strip_prefix(&code::system("")) {
        Some("repair-technique") => Technique::from_code(wanted).is_some(),
        Some("nerve") => Nerve::from_code(wanted).is_some(),
        Some("landmark") => Landmark::from_code(wanted).is_some(),
        Some("reinnervation-target") => Structure::from_code(wanted).is_some(),
        Some("exam-finding") => FINDINGS.contains(&wanted),
        Some("motor-grade") => matches!(wanted, "M0" | "M1" | "M2" | "M3" | "M4" | "M5"),
        Some("sensory-grade") => SensoryGrade::ALL.iter().any(|grade| grade.code() == wanted),
        Some("laterality") => matches!(wanted, "left" | "right"),
        _ => true,
    }
}

/// Remarks on a ConceptMap that leads into our systems; none on another.
pub(crate) fn remarks(map: &Json) -> Vec<Issue> {
    let mut all = Vec::new();
    let mut leads_here = false;
    for (g, group) in items(map, "group").enumerate() {
        let Some(system) = text(group, &["target"]).filter(|target| is_ours(target)) else { continue };
        leads_here = true;
        for (e, element) in items(group, "element").enumerate() {
            for (t, target) in items(element, "target").enumerate() {
                let at = format!("ConceptMap.group[{g}].element[{e}].target[{t}]");
                all.extend(remark(system, target, &at));
            }
        }
    }
    all.truncate(REMARKS_MAX);
    if leads_here && text(map, &["status"]) != Some("active") {
        let text = "Stored, but no record is read by it: a map is in force while its status is active.";
        all.insert(0, Issue::information("ConceptMap.status", text));
    }
    all
}

fn remark(system: &str, target: &Json, at: &str) -> Option<Issue> {
    if text(target, &["code"]).is_some_and(|code| !is_known(system, code)) {
        let text = "Not acted on: the target system has no such code; correct it.";
        return Some(Issue::warning(Code::CodeInvalid, format!("{at}.code"), text));
    }
    let equivalence = text(target, &["equivalence"]).unwrap_or_default();
    if !ACTED_ON.contains(&equivalence) {
        let text = format!("Not acted on: only {} say no more than was recorded.", ACTED_ON.join(", "));
        return Some(Issue::information(format!("{at}.equivalence"), text));
    }
    let depends = items(target, "dependsOn").next().is_some();
    depends.then(|| {
        let text =
            "Not acted on: what it depends on cannot be seen in the record; send a map without dependsOn.";
        Issue::information(format!("{at}.dependsOn"), text)
    })
}
