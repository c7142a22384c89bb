//! `/fhir/metadata?mode=terminology`: what is offered of terminology.

use super::metadata::OFFERED_SINCE;
use endplate_fhir::Json;
use endplate_followup::code;
use serde_json::json;

/// The code systems that records are read by; ConceptMaps lead to them.
const CODE_SYSTEMS: [&str; 8] = [
    "exam-finding",
    "landmark",
    "laterality",
    "motor-grade",
    "nerve",
    "reinnervation-target",
    "repair-technique",
    "sensory-grade",
];

/// The TerminologyCapabilities of a service at `base`: translation by stored ConceptMaps into its own code systems.
pub(crate) fn statement(base: &str) -> Json {
    let systems: Vec<Json> = CODE_SYSTEMS.iter().map(|name| json!({ "uri": code::system(name) })).collect();
    json!({
        "resourceType": "TerminologyCapabilities",
        "url": format!("{base}/metadata?mode=terminology"),
        "version": env!("CARGO_PKG_VERSION"),
        "name": "EndplateTerminology",
        "title": "Endplate: local codes through ConceptMaps",
        "status": "active",
        "date": OFFERED_SINCE,
        "description": format!(
            "Codes of Procedures and Observations are understood if they are of these systems or if an active ConceptMap that \
             is stored here translates them. Acted on are the equivalences {}: the target says no more than was recorded. A \
             code without a map, or with two answers, is stored as it was sent, told to the sender, and counted by \
             ConceptMap/$unmapped.",
            endplate_followup::terminology::ACTED_ON.join(", ")
        ),
        "kind": "instance",
        "software": { "name": "Endplate", "version": env!("CARGO_PKG_VERSION") },
        "implementation": { "description": "Endplate: follow-up of peripheral nerve repairs", "url": base },
        "codeSystem": systems,
        "translation": { "needsMap": true }
    })
}
