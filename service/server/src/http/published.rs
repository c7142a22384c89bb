//! Published definitions: read and search, from memory. Nobody writes them.

use super::{App, answer};
use crate::error::Failure;
use crate::extract::{self, NoQuery, Query};
use crate::publish::{self, EXAMPLE_MAP, Published};
use crate::router::only;
use axum::Router;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::get;
use endplate_fhir::bundle::{self, Found, Mode};
use endplate_fhir::issue::{Code, Issue};
use endplate_followup::{Reason, Refusal};

/// What published resources are found by: name and type.
pub(crate) const PARAMS: &[(&str, &str)] =
    &[("_id", "token"), ("name", "string"), ("status", "token"), ("url", "uri"), ("version", "token")];

/// The routes of what is published.
pub(crate) fn routes() -> Router<App> {
    let mut router = Router::new();
    for kind in publish::TYPES.iter().copied() {
        let all = get(async move |State(app): State<App>, Query(pairs): Query| search(kind, &app, &pairs));
        let one = get(async move |Path(id): Path<String>, _: NoQuery, headers: HeaderMap| {
            read(kind, &id, &headers)
        });
        router = router
            .route(&format!("/fhir/{kind}"), only("GET,HEAD", all))
            .route(&format!("/fhir/{kind}/{{id}}"), only("GET,HEAD", one));
    }
    // ConceptMaps are stored; the example is not one of them.
    let example = get(async |_: NoQuery, headers: HeaderMap| read("ConceptMap", EXAMPLE_MAP, &headers));
    router.route(&format!("/fhir/ConceptMap/{EXAMPLE_MAP}"), only("GET,HEAD", example))
}

/// `GET /fhir/{type}/{id}`.
fn read(kind: &str, id: &str, headers: &HeaderMap) -> Result<Response, Failure> {
    if let Some(what) = extract::not_offered(id) {
        return Err(what);
    }
    if id == "_history" {
        return Err(Failure::NotOffered("The history of published definitions is"));
    }
    let Some(one) = publish::find(kind, id) else {
        let text = "No published definition has this id. GET the address without the id for all of them.";
        return Err(Refusal::new(Reason::NotFound, Issue::error(Code::NotFound, "", text)).into());
    };
    Ok(answer::tagged(one.hash, headers, || answer::document(one.body.to_string())))
}

/// `GET /fhir/{type}`: a search. All that is found is on one page: there are some dozens at most.
fn search(kind: &str, app: &App, pairs: &[(String, String)]) -> Result<Response, Failure> {
    for (name, _) in pairs {
        if !PARAMS.iter().any(|(known, _)| known == name) {
            let known: Vec<&str> = PARAMS.iter().map(|(name, _)| *name).collect();
            return Err(Failure::bad_request(format!(
                "Published definitions are found by {}; leave other parameters out.",
                known.join(", ")
            )));
        }
    }
    let meets =
        |one: &&Published| one.kind == kind && pairs.iter().all(|(name, value)| matches(one, name, value));
    let found: Vec<Found> = publish::all()
        .iter()
        .filter(meets)
        .map(|one| Found {
            full_url: Some(format!("{}/{kind}/{}", app.base, one.id)),
            resource: one.resource(),
            mode: Mode::Match,
        })
        .collect();
    let query: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
    let mark = if query.is_empty() { "" } else { "?" };
    let links = [("self", format!("{}/{kind}{mark}{query}", app.base))];
    Ok(answer::document(bundle::searchset(Some(found.len() as u64), &links, found).to_string()))
}

/// Whether a resource has one of the values, which commas separate (R4 search.html#combining).
fn matches(one: &Published, name: &str, values: &str) -> bool {
    values.split(',').any(|value| match name {
        "_id" => one.id == value,
        // R4 search.html#string: the beginning, without regard to case.
        "name" => one.name.to_lowercase().starts_with(&value.to_lowercase()),
        "status" => one.status == value,
        "url" => one.url == value,
        "version" => one.version == value,
        _ => false,
    })
}
