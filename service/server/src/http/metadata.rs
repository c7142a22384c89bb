//! The CapabilityStatement: what the router and the search table offer, and no more.

use super::{App, READ_ONLY, answer, terminology};
use crate::extract::Query;
use axum::extract::State;
use axum::response::Response;
use endplate_fhir::Json;
use endplate_fhir::index::{self, ParamKind};
use endplate_fhir::search::{CHAIN_MAX, COUNT_DEFAULT, COUNT_MAX};
use endplate_followup::operation::OFFERED;
use endplate_followup::write::ENTRIES_MAX;
use serde_json::json;

/// When what is offered last changed. Part of the statement; the clock has no say in it.
pub(super) const OFFERED_SINCE: &str = "2026-01-05";

/// `GET /fhir/metadata`. Of the query only `mode=terminology` is heeded: R4 leaves `mode` to the server.
pub(crate) async fn metadata(State(app): State<App>, Query(pairs): Query) -> Response {
    if pairs.iter().any(|(name, value)| name == "mode" && value == "terminology") {
        return answer::document(terminology::statement(&app.base).to_string());
    }
    answer::document(app.metadata.to_string())
}

/// The statement of a service at `base` that takes bodies of up to `body_bytes`.
pub fn statement(base: &str, body_bytes: usize) -> Json {
    let resources: Vec<Json> = endplate_fhir::TYPES.iter().map(|kind| resource(kind)).collect();
    json!({
        "resourceType": "CapabilityStatement",
        "url": format!("{base}/metadata"),
        "version": env!("CARGO_PKG_VERSION"),
        "name": "Endplate",
        "title": "Endplate: follow-up of peripheral nerve repairs",
        "status": "active",
        "date": OFFERED_SINCE,
        "kind": "instance",
        "software": { "name": "Endplate", "version": env!("CARGO_PKG_VERSION") },
        "implementation": { "description": "Endplate: follow-up of peripheral nerve repairs", "url": base },
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "patchFormat": ["application/json-patch+json", "application/fhir+json"],
        "rest": [{
            "mode": "server",
            "documentation": format!(
                "Bodies of up to {body_bytes} bytes, Bundles of up to {ENTRIES_MAX} entries; a larger one is answered with 413. A \
                 search takes _count (default {COUNT_DEFAULT}, at most \
                 {COUNT_MAX}, 0 for the total alone), _sort, _total, _summary, _elements, _include, _revinclude, chains and \
                 _has over at most {CHAIN_MAX} references; modifiers are :not, :missing, :exact, :contains, :identifier, \
                 a type, :of-type, :above and :below on URIs. A parameter that is not listed is passed over with a \
                 warning, or refused with Prefer: handling=strict. Composite parameters, near and phonetic are not \
                 offered; quantities are not converted between units; tokens are case-sensitive; gt of a day means after \
                 that day ends; a date or time without a zone is UTC. Task in the compartment of a Patient is an \
                 extension of this service. Pages follow the link next, which does not expire. An \
                 update with the same content makes no new version, and If-Match is heeded but not required. What is \
                 derived, and what another resource refers to, is not deleted (409): a status ends it. A reference to a \
                 resource that is not here is refused (422). The preference respond-async is passed over."
            ),
            "resource": resources,
            "interaction": [
                { "code": "transaction" }, { "code": "batch" }, { "code": "history-system" }, { "code": "search-system" }
            ]
        }]
    })
}

fn resource(kind: &str) -> Json {
    let writable = !READ_ONLY.contains(&kind);
    let deletable = writable && kind != "Provenance";
    let mut codes = vec!["read", "vread", "history-instance", "history-type", "search-type"];
    if writable {
        codes.extend(["create", "update", "patch"]);
    }
    if deletable {
        codes.push("delete");
    }
    let interactions: Vec<Json> = codes.iter().map(|code| json!({ "code": code })).collect();
    let params: Vec<Json> = index::params(kind)
        .iter()
        .map(|param| {
            let mut said = json!({ "name": param.name, "type": param.kind.code() });
            if param.ours {
                said["documentation"] = json!("This service's own.");
            }
            said
        })
        .collect();
    let operations: Vec<Json> = OFFERED
        .iter()
        .filter(|operation| {
            operation.kind.is_none_or(|of| of == kind) && (writable || !operation.affects_state)
        })
        .map(|operation| {
            json!({
                "name": operation.name,
                "definition": operation.definition,
                "documentation": operation.documentation,
            })
        })
        .collect();
    let mut said = json!({
        "type": kind,
        "interaction": interactions,
        "versioning": "versioned",
        "readHistory": true,
        "updateCreate": writable,
        "conditionalCreate": writable,
        "conditionalRead": "full-support",
        "conditionalUpdate": writable,
        "conditionalDelete": if deletable { "single" } else { "not-supported" },
        "referencePolicy": ["literal", "local", "enforced"],
        "searchInclude": references(kind).map(|name| format!("{kind}:{name}")).collect::<Vec<_>>(),
        "searchRevInclude": referrers(kind),
        "searchParam": params,
        "operation": operations
    });
    if let Some(text) = endplate_followup::write::workflow::documentation(kind) {
        said["documentation"] = json!(text);
    }
    said
}

/// The reference parameters of a type.
fn references(kind: &str) -> impl Iterator<Item = &'static str> {
    index::params(kind).iter().filter(|param| param.kind == ParamKind::Reference).map(|param| param.name)
}

/// The references of all types that may lead to this one.
fn referrers(kind: &str) -> Vec<String> {
    let leads =
        |from: &str, name: &str| index::targets(from, name).is_none_or(|targets| targets.contains(&kind));
    let all = endplate_fhir::TYPES.iter().flat_map(|from| references(from).map(move |name| (*from, name)));
    all.filter(|(from, name)| leads(from, name)).map(|(from, name)| format!("{from}:{name}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // FHIR R4 CapabilityStatement with its invariants cpb-1 to cpb-16, as far as `validate` knows them.
    #[test]
    fn the_statement_is_valid_r4() {
        let statement = statement("http://127.0.0.1:8080/fhir", 5 << 20);
        assert_eq!(endplate_fhir::validate::resource(&statement), []);
    }

    // cpb-9 and cpb-12: types and parameter names are unique.
    #[test]
    fn types_and_names_are_unique() {
        let statement = statement("http://127.0.0.1:8080/fhir", 5 << 20);
        let resources = statement.pointer("/rest/0/resource").and_then(Json::as_array).expect("resources");
        assert_eq!(resources.len(), endplate_fhir::TYPES.len());
        for resource in resources {
            let params = resource["searchParam"].as_array().expect("parameters");
            let mut names: Vec<&str> = params.iter().filter_map(|param| param["name"].as_str()).collect();
            let all = names.len();
            names.sort_unstable();
            names.dedup();
            assert_eq!((names.len(), all > 0), (all, true), "{}", resource["type"]);
        }
    }
}
