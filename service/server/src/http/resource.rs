//! Create, read, update, patch, delete, and Bundles of them.

use super::{App, READ_ONLY, answer};
use crate::access::gate::Served;
use crate::audit;
use crate::error::Failure;
use crate::extract::{
    Criteria, Instance, NoQuery, PatchBody, Prefer, Query, Resource, Shaped, Type, Versioned, header,
};
use axum::http::header::{IF_MATCH, IF_MODIFIED_SINCE, IF_NONE_MATCH};
use axum::http::{HeaderMap, HeaderName};
use axum::response::Response;
use endplate_fhir::Json;
use endplate_fhir::bundle::{Address, Entry, Method};
use endplate_followup::Returned;
use endplate_followup::read::is_known;
use endplate_followup::search::shaped;
use jiff::fmt::rfc2822;

const IF_NONE_EXIST: HeaderName = HeaderName::from_static("if-none-exist");

/// `POST /fhir`: a transaction or a batch.
pub(crate) async fn transact(
    Served(app): Served,
    _: NoQuery,
    prefer: Prefer,
    Resource(bundle): Resource,
) -> Result<Response, Failure> {
    let returned = match prefer {
        Prefer::Unsaid | Prefer::Minimal => Returned::Little,
        Prefer::Representation => Returned::Resource,
        Prefer::Outcome => Returned::Outcome,
    };
    let done = app.write(move |endplate| async move { endplate.bundle(bundle, returned).await }).await?;
    Ok(answer::bundle(&done, prefer))
}

/// `POST /fhir/{type}`: a create, conditional with `If-None-Exist`.
pub(crate) async fn create(
    Served(app): Served,
    Type(kind): Type,
    _: NoQuery,
    prefer: Prefer,
    headers: HeaderMap,
    Resource(resource): Resource,
) -> Result<Response, Failure> {
    refuse_read_only(&kind)?;
    let if_none_exist = header(&headers, &IF_NONE_EXIST)?;
    let entry = Entry { if_none_exist, ..Entry::alone(Method::Post, &kind, Address::New, resource) };
    let written = app.write(|endplate| async move { endplate.write(entry).await }).await?;
    Ok(answer::written(&app, written, prefer, true))
}

/// `GET /fhir/{type}/{id}`: the current version, unless the client has it.
pub(crate) async fn read(
    Served(app): Served,
    Instance { kind, id }: Instance,
    Shaped(shape): Shaped,
    headers: HeaderMap,
) -> Result<Response, Failure> {
    let mut stored = app.read(app.endplate.read(&kind, &id)).await?;
    audit::shows(&app, &stored);
    let if_none_match = header(&headers, &IF_NONE_MATCH)?;
    // RFC 9110 section 13.1.3: a date that cannot be read is passed over.
    let since = header(&headers, &IF_MODIFIED_SINCE)?;
    let since = since.and_then(|text| rfc2822::parse(&text).ok()).map(|zoned| zoned.timestamp());
    if is_known(&stored, if_none_match.as_deref(), since) {
        return Ok(answer::unchanged(&stored));
    }
    stored.body = shaped(stored.body, &shape);
    Ok(answer::stored(stored))
}

/// `GET /fhir/{type}/{id}/_history/{version}`: one version.
pub(crate) async fn read_version(
    Served(app): Served,
    Versioned { kind, id, version }: Versioned,
    _: NoQuery,
) -> Result<Response, Failure> {
    let stored = app.read(app.endplate.read_version(&kind, &id, &version)).await?;
    audit::shows(&app, &stored);
    Ok(answer::stored(stored))
}

/// `GET /fhir/_history`: what was, of everything.
pub(crate) async fn history(Served(app): Served, Query(pairs): Query) -> Result<Response, Failure> {
    Ok(answer::document(app.read(app.endplate.history(None, None, &pairs)).await?.to_string()))
}

/// `GET /fhir/{type}/_history`: what was, of a type.
pub(crate) async fn history_of_type(
    Served(app): Served,
    Type(kind): Type,
    Query(pairs): Query,
) -> Result<Response, Failure> {
    Ok(answer::document(app.read(app.endplate.history(Some(&kind), None, &pairs)).await?.to_string()))
}

/// `GET /fhir/{type}/{id}/_history`: what was, of a resource.
pub(crate) async fn history_of_instance(
    Served(app): Served,
    Instance { kind, id }: Instance,
    Query(pairs): Query,
) -> Result<Response, Failure> {
    Ok(answer::document(app.read(app.endplate.history(Some(&kind), Some(&id), &pairs)).await?.to_string()))
}

/// `PUT /fhir/{type}/{id}`: an update, version-aware with `If-Match`; creates what is not there.
pub(crate) async fn update(
    Served(app): Served,
    Instance { kind, id }: Instance,
    _: NoQuery,
    prefer: Prefer,
    headers: HeaderMap,
    Resource(resource): Resource,
) -> Result<Response, Failure> {
    change(app, prefer, &headers, Entry::alone(Method::Put, &kind, Address::Id(id), resource)).await
}

/// `PUT /fhir/{type}?criteria`: an update of the one resource that matches; creates it if none does.
pub(crate) async fn update_matching(
    Served(app): Served,
    Type(kind): Type,
    Criteria(criteria): Criteria,
    prefer: Prefer,
    headers: HeaderMap,
    Resource(resource): Resource,
) -> Result<Response, Failure> {
    change(app, prefer, &headers, Entry::alone(Method::Put, &kind, Address::Criteria(criteria), resource))
        .await
}

/// `PATCH /fhir/{type}/{id}`.
pub(crate) async fn patch(
    Served(app): Served,
    Instance { kind, id }: Instance,
    _: NoQuery,
    prefer: Prefer,
    headers: HeaderMap,
    PatchBody(patch): PatchBody,
) -> Result<Response, Failure> {
    change(app, prefer, &headers, Entry::alone(Method::Patch, &kind, Address::Id(id), patch)).await
}

/// `PATCH /fhir/{type}?criteria`: of the one resource that matches.
pub(crate) async fn patch_matching(
    Served(app): Served,
    Type(kind): Type,
    Criteria(criteria): Criteria,
    prefer: Prefer,
    headers: HeaderMap,
    PatchBody(patch): PatchBody,
) -> Result<Response, Failure> {
    change(app, prefer, &headers, Entry::alone(Method::Patch, &kind, Address::Criteria(criteria), patch))
        .await
}

/// `DELETE /fhir/{type}/{id}`.
pub(crate) async fn delete(
    Served(app): Served,
    Instance { kind, id }: Instance,
    _: NoQuery,
    prefer: Prefer,
    headers: HeaderMap,
) -> Result<Response, Failure> {
    if kind == "Provenance" {
        return Err(Failure::MethodNotAllowed { allow: "GET,HEAD,PUT,PATCH" });
    }
    change(app, prefer, &headers, Entry::alone(Method::Delete, &kind, Address::Id(id), Json::Null)).await
}

/// `DELETE /fhir/{type}?criteria`: of the one resource that matches, if one does.
pub(crate) async fn delete_matching(
    Served(app): Served,
    Type(kind): Type,
    Criteria(criteria): Criteria,
    prefer: Prefer,
    headers: HeaderMap,
) -> Result<Response, Failure> {
    if kind == "Provenance" {
        return Err(Failure::MethodNotAllowed { allow: "GET,HEAD,POST,PUT,PATCH" });
    }
    change(
        app,
        prefer,
        &headers,
        Entry::alone(Method::Delete, &kind, Address::Criteria(criteria), Json::Null),
    )
    .await
}

/// Carries out what changes a resource, with the conditions of its headers.
async fn change(app: App, prefer: Prefer, headers: &HeaderMap, entry: Entry) -> Result<Response, Failure> {
    refuse_read_only(&entry.kind)?;
    let if_match = header(headers, &IF_MATCH)?;
    let if_none_match = header(headers, &IF_NONE_MATCH)?;
    // A condition that is not heeded must not look heeded.
    if if_none_match.as_ref().is_some_and(|tags| tags.trim() != "*") {
        return Err(Failure::bad_request(
            "If-None-Match is taken as * only when something is written. Send If-Match with the version, or neither.",
        ));
    }
    let entry = Entry { if_match, if_none_match, ..entry };
    let written = app.write(|endplate| async move { endplate.write(entry).await }).await?;
    let created = written.created;
    Ok(answer::written(&app, written, prefer, created))
}

fn refuse_read_only(kind: &str) -> Result<(), Failure> {
    if READ_ONLY.contains(&kind) { Err(Failure::MethodNotAllowed { allow: "GET,HEAD" }) } else { Ok(()) }
}
