//! Transaction, create, read and update.

use super::{App, READ_ONLY, answer};
use crate::error::Failure;
use crate::extract::{Instance, NoQuery, Prefer, Resource, Shaped, Type, header};
use axum::extract::State;
use axum::http::header::{IF_MATCH, IF_NONE_MATCH};
use axum::http::{HeaderMap, HeaderName};
use axum::response::Response;
use endplate_followup::search::shaped;

const IF_NONE_EXIST: HeaderName = HeaderName::from_static("if-none-exist");

/// `POST /fhir`: a transaction.
pub(crate) async fn transact(
    State(app): State<App>,
    _: NoQuery,
    prefer: Prefer,
    Resource(bundle): Resource,
) -> Result<Response, Failure> {
    let done = app.write(|endplate| async move { endplate.transaction(bundle).await }).await?;
    Ok(answer::transaction(&done, prefer))
}

/// `POST /fhir/{type}`: a create, conditional with `If-None-Exist`.
pub(crate) async fn create(
    State(app): State<App>,
    Type(kind): Type,
    _: NoQuery,
    prefer: Prefer,
    headers: HeaderMap,
    Resource(resource): Resource,
) -> Result<Response, Failure> {
    refuse_read_only(&kind)?;
    let if_none_exist = header(&headers, &IF_NONE_EXIST)?;
    let written = app
        .write(|endplate| async move { endplate.create(&kind, resource, if_none_exist.as_deref()).await })
        .await?;
    Ok(answer::written(&app, written, prefer, true))
}

/// `GET /fhir/{type}/{id}`: the current version.
pub(crate) async fn read(
    State(app): State<App>,
    Instance { kind, id }: Instance,
    Shaped(shape): Shaped,
) -> Result<Response, Failure> {
    let mut stored = app.read(app.endplate.read(&kind, &id)).await?;
    stored.body = shaped(stored.body, &shape);
    Ok(answer::stored(stored))
}

/// `PUT /fhir/{type}/{id}`: an update, version-aware with `If-Match`; creates what is not there.
pub(crate) async fn update(
    State(app): State<App>,
    Instance { kind, id }: Instance,
    _: NoQuery,
    prefer: Prefer,
    headers: HeaderMap,
    Resource(resource): Resource,
) -> Result<Response, Failure> {
    refuse_read_only(&kind)?;
    // A condition that is not heeded must not look heeded.
    if headers.contains_key(IF_NONE_MATCH) {
        return Err(Failure::bad_request(
            "If-None-Match is not offered for updates. Send If-Match with the version, or neither.",
        ));
    }
    let if_match = header(&headers, &IF_MATCH)?;
    let written = app
        .write(|endplate| async move { endplate.update(&kind, &id, resource, if_match.as_deref()).await })
        .await?;
    let created = written.created;
    Ok(answer::written(&app, written, prefer, created))
}

fn refuse_read_only(kind: &str) -> Result<(), Failure> {
    if READ_ONLY.contains(&kind) { Err(Failure::MethodNotAllowed { allow: "GET,HEAD" }) } else { Ok(()) }
}
