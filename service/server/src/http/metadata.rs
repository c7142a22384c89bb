//! The CapabilityStatement: what the router and the search table offer, and no more.

use super::{App, READ_ONLY, answer, published, terminology};
use crate::access::discovery;
use crate::extract::Query;
use crate::{offer, openapi, publish};
use axum::Json as PlainJson;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use endplate_fhir::Json;
use endplate_fhir::index::{self, ParamKind};
use endplate_fhir::search::{CHAIN_MAX, COUNT_DEFAULT, COUNT_MAX};
use endplate_followup::code::EP;
use endplate_followup::operation::OFFERED;
use endplate_followup::subscription::{self, BACKPORT, TOPICS};
use endplate_followup::write::ENTRIES_MAX;
use serde_json::json;

/// When what is offered last changed. Part of the statement; the clock has no say in it.
pub(super) const OFFERED_SINCE: &str = "2026-01-05";

/// `GET /fhir/metadata`. Of the query only `mode=terminology` is heeded: R4 leaves `mode` to the server.
pub(crate) async fn metadata(State(app): State<App>, Query(pairs): Query, headers: HeaderMap) -> Response {
    let of_terms = pairs.iter().any(|(name, value)| name == "mode" && value == "terminology");
    let terms = if of_terms { terminology::statement(&app.base).to_string() } else { String::new() };
    let body = if of_terms { &terms } else { &*app.metadata };
    answer::tagged(publish::fnv1a(body.as_bytes()), &headers, || answer::document(body.to_owned()))
}

/// `GET /openapi.json`.
pub(crate) async fn openapi(State(app): State<App>) -> PlainJson<Json> {
    PlainJson(openapi::document(&app.base))
}

/// The statement of a service at `base` that takes bodies of up to `body_bytes`.
pub fn statement(base: &str, body_bytes: usize) -> Json {
    let resources = endplate_fhir::TYPES.iter().map(|kind| resource(kind));
    let resources: Vec<Json> =
        resources.chain(publish::TYPES.iter().map(|kind| published_resource(kind))).collect();
    json!({
        "resourceType": "CapabilityStatement",
        "url": format!("{base}/metadata"),
        "version": env!("CARGO_PKG_VERSION"),
        "name": "Endplate",
        "title": "Endplate: follow-up of peripheral nerve repairs",
        "status": "active",
        "date": OFFERED_SINCE,
        "kind": "instance",
        "instantiates": [
            format!("{EP}/CapabilityStatement/endplate"),
            format!("{BACKPORT}/CapabilityStatement/backport-subscription-server-r4"),
        ],
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
            "interaction": coded(&offer::interactions(None))
        }]
    })
}

/// The same where access is closed: how to get in.
pub(crate) fn secured(mut statement: Json) -> Json {
    statement["rest"][0]["security"] = discovery::security();
    statement
}

fn resource(kind: &str) -> Json {
    let writable = !READ_ONLY.contains(&kind);
    let interactions = offer::interactions(Some(kind));
    let deletable = interactions.contains(&"delete");
    let params: Vec<Json> = index::params(kind)
        .iter()
        .map(|param| {
            let mut said = json!({ "name": param.name, "type": param.kind.code() });
            if param.ours {
                said["definition"] = json!(publish::search_parameter_url(kind, param.name));
                said["documentation"] = json!("This service's own.");
            }
            said
        })
        .collect();
    let mut said = json!({
        "type": kind,
        "interaction": coded(&interactions),
        "versioning": "versioned",
        "readHistory": true,
        "updateCreate": writable,
        "conditionalCreate": writable,
        "conditionalRead": "full-support",
        "conditionalUpdate": writable,
        "conditionalDelete": if deletable { "single" } else { "not-supported" },
        "referencePolicy": ["literal", "local", "enforced"],
        "searchRevInclude": referrers(kind),
        "searchParam": params,
        "operation": operations(kind)
    });
    if let Some(text) = endplate_followup::write::workflow::documentation(kind) {
        said["documentation"] = json!(text);
    }
    let mut profiles = publish::profiles(kind);
    if kind == "Subscription" {
        said["documentation"] = json!(subscription::documentation());
        let topic = format!("{BACKPORT}/StructureDefinition/capabilitystatement-subscriptiontopic-canonical");
        let topics = TOPICS.iter().map(|one| json!({ "url": topic, "valueCanonical": one.url() }));
        said["extension"] = topics.collect();
        profiles.push(format!("{BACKPORT}/StructureDefinition/backport-subscription"));
    }
    let includes: Vec<String> = references(kind).map(|name| format!("{kind}:{name}")).collect();
    for (name, list) in [("supportedProfile", profiles), ("searchInclude", includes)] {
        if !list.is_empty() {
            said[name] = json!(list);
        }
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

/// The operations of a type, and of every type where it is a stored one.
fn operations(kind: &str) -> Vec<Json> {
    let is_stored = endplate_fhir::TYPES.contains(&kind);
    let writable = !READ_ONLY.contains(&kind);
    let offered = OFFERED
        .iter()
        .filter(|one| one.kind.map_or(is_stored, |of| of == kind) && (writable || !one.affects_state));
    offered
        .map(|one| json!({ "name": one.name, "definition": one.definition, "documentation": one.documentation }))
        .collect()
}

/// A type that is published and not stored.
fn published_resource(kind: &str) -> Json {
    let params = published::PARAMS.iter();
    let mut said = json!({
        "type": kind,
        "documentation": "Published definitions; read-only.",
        "interaction": coded(&offer::interactions(Some(kind))),
        "versioning": "no-version",
        "conditionalRead": "not-match",
        "searchParam": params.map(|(name, code)| json!({ "name": name, "type": code })).collect::<Vec<_>>()
    });
    let operations = operations(kind);
    if !operations.is_empty() {
        said["operation"] = json!(operations);
    }
    said
}

fn coded(codes: &[&str]) -> Vec<Json> {
    codes.iter().map(|code| json!({ "code": code })).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // FHIR R4 CapabilityStatement with its invariants cpb-1 to cpb-16, as far as `validate` knows them.
    #[test]
    fn the_statement_is_valid_r4() {
        let statement = statement("http://127.0.0.1:8080/fhir", 5 << 20);
        assert_eq!(endplate_fhir::validate::resource(&statement), []);
        assert_eq!(endplate_fhir::validate::resource(&secured(statement)), []);
    }

    // cpb-9 and cpb-12: types and parameter names are unique.
    #[test]
    fn types_and_names_are_unique() {
        let statement = statement("http://127.0.0.1:8080/fhir", 5 << 20);
        let resources = statement.pointer("/rest/0/resource").and_then(Json::as_array).expect("resources");
        assert_eq!(resources.len(), endplate_fhir::TYPES.len() + publish::TYPES.len());
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
