//! The CapabilityStatement: what the router and the search table offer, and no more.

use super::{App, READ_ONLY, answer, published};
use crate::{offer, openapi, publish};
use axum::Json as PlainJson;
use axum::extract::State;
use axum::response::Response;
use endplate_fhir::Json;
use endplate_fhir::index;
use endplate_fhir::search::{COUNT_DEFAULT, COUNT_MAX};
use endplate_followup::code::EP;
use serde_json::json;

/// When what is offered last changed. Part of the statement; the clock has no say in it.
const OFFERED_SINCE: &str = "2026-01-05";

/// `GET /fhir/metadata`. The query is passed over: R4 leaves `mode` to the server.
pub(crate) async fn metadata(State(app): State<App>) -> Response {
    answer::document(app.metadata.to_string())
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
        "instantiates": [format!("{EP}/CapabilityStatement/endplate")],
        "software": { "name": "Endplate", "version": env!("CARGO_PKG_VERSION") },
        "implementation": { "description": "Endplate: follow-up of peripheral nerve repairs", "url": base },
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "rest": [{
            "mode": "server",
            "documentation": format!(
                "Bodies of up to {body_bytes} bytes. A search takes _count (default {COUNT_DEFAULT}, at most \
                 {COUNT_MAX}) and _sort; a parameter that is not listed is refused. Pages follow the link next. An \
                 update with the same content makes no new version. Resources are never deleted: a status ends them."
            ),
            "resource": resources,
            "interaction": coded(&offer::interactions(None))
        }]
    })
}

fn resource(kind: &str) -> Json {
    let writable = !READ_ONLY.contains(&kind);
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
        "interaction": coded(&offer::interactions(Some(kind))),
        "versioning": "versioned",
        "readHistory": false,
        "updateCreate": writable,
        "conditionalCreate": writable,
        "conditionalRead": "not-supported",
        "conditionalUpdate": false,
        "conditionalDelete": "not-supported",
        "searchParam": params
    });
    let profiles = publish::profiles(kind);
    if !profiles.is_empty() {
        said["supportedProfile"] = json!(profiles);
    }
    said
}

/// A type that is published and not stored.
fn published_resource(kind: &str) -> Json {
    let params = published::PARAMS.iter();
    json!({
        "type": kind,
        "documentation": "Published definitions; read-only.",
        "interaction": coded(&offer::interactions(Some(kind))),
        "versioning": "no-version",
        "conditionalRead": "not-match",
        "searchParam": params.map(|(name, code)| json!({ "name": name, "type": code })).collect::<Vec<_>>()
    })
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
