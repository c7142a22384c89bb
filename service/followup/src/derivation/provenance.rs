//! What one write derived, of what, by which protocol: the Provenance of each plan.

use super::{Context, labelled};
use crate::dossier::Dossier;
use crate::element::{self, items, text};
use crate::intake::{Injury, Intake};
use crate::object::json;
use crate::{document, identity, notice, plan};
use endplate_fhir::Json;

/// The Provenance of each plan of which something changed; `resources` are the changed ones with their new versions.
pub fn provenances(
    intake: &Intake,
    dossier: &Dossier,
    resources: &[(Json, u64)],
    context: &Context<'_>,
) -> Vec<Json> {
    let record = |injury: &Injury| {
        let about = |resource: &Json| {
            text(resource, &["id"]) == Some(&injury.plan)
                || items(resource, "identifier")
                    .any(|one| text(one, &["value"]).is_some_and(|value| value.starts_with(&injury.plan)))
        };
        let targets: Vec<String> = resources
            .iter()
            .filter(|(resource, _)| about(resource))
            .map(|(resource, version)| format!("{}/_history/{version}", element::reference_of(resource)))
            .collect();
        (!targets.is_empty()).then(|| provenance(injury, dossier, &targets, &context.of(dossier, injury)))
    };
    intake.injuries.iter().filter_map(record).collect()
}

/// What one write derived for one plan: computed from which records, by which service and protocol.
fn provenance(injury: &Injury, dossier: &Dossier, targets: &[String], context: &Context<'_>) -> Json {
    let recorded = notice::instant(context.now);
    let mut parts = vec![injury.key.as_str(), recorded.as_str()];
    parts.extend(targets.iter().map(String::as_str));
    let findings = injury.episode.repairs.iter().flat_map(|followed| &followed.findings);
    let sources = injury
        .procedures
        .iter()
        .map(|procedure| procedure.reference.as_str())
        .chain(findings.map(|finding| finding.id.as_str()))
        .chain(injury.withdrawn.iter().map(String::as_str));
    let entities: Vec<Json> = sources
        .map(|source| json!({ "role": "source", "what": document::reference(&dossier.versioned(source)) }))
        .collect();
    let record = document::derived(
        "Provenance",
        &identity::id("Provenance", &parts),
        json!({
            "target": targets.iter().map(|target| document::reference(target)).collect::<Vec<_>>(),
            "recorded": recorded,
            "policy": [plan::definition(context.protocol)],
            "activity": { "text": format!("derived by protocol version {}", context.protocol.version) },
            "agent": [{
                "type": { "coding": [{
                    "system": "http://terminology.hl7.org/CodeSystem/provenance-participant-type", "code": "assembler"
                }] },
                "who": document::author(),
            }],
            "entity": if entities.is_empty() { Json::Null } else { Json::Array(entities) },
        }),
    );
    labelled(record, &[injury])
}
