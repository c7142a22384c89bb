//! Search, by GET and by POST: of one type, of all, and within what belongs to a patient.

use super::answer;
use crate::access::gate::Served;
use crate::error::Failure;
use crate::extract::{Form, Handling, Query, Type};
use axum::extract::Path;
use axum::response::Response;

/// `GET /fhir/{type}`: a search.
pub(crate) async fn search(
    Served(app): Served,
    Type(kind): Type,
    handling: Handling,
    Query(pairs): Query,
) -> Result<Response, Failure> {
    let found = app.read(app.endplate.search(&kind, &pairs, handling.is_strict(&app))).await?;
    Ok(answer::found(found, handling))
}

/// `POST /fhir/{type}/_search`: a search whose parameters are in no URL, and so in nobody's log.
pub(crate) async fn search_by_post(
    Served(app): Served,
    Type(kind): Type,
    handling: Handling,
    Form(pairs): Form,
) -> Result<Response, Failure> {
    let found = app.read(app.endplate.search(&kind, &pairs, handling.is_strict(&app))).await?;
    Ok(answer::found(found, handling))
}

/// `GET /fhir`: a search across types.
pub(crate) async fn across(
    Served(app): Served,
    handling: Handling,
    Query(pairs): Query,
) -> Result<Response, Failure> {
    let found = app.read(app.endplate.search_all(&pairs, handling.is_strict(&app))).await?;
    Ok(answer::found(found, handling))
}

/// `POST /fhir/_search`: the same.
pub(crate) async fn across_by_post(
    Served(app): Served,
    handling: Handling,
    Form(pairs): Form,
) -> Result<Response, Failure> {
    let found = app.read(app.endplate.search_all(&pairs, handling.is_strict(&app))).await?;
    Ok(answer::found(found, handling))
}

/// `GET /fhir/Patient/{id}/{type}` and `GET /fhir/Patient/{id}/*`: a search within a patient's compartment, the only one that
/// is offered.
pub(crate) async fn of_patient(
    Served(app): Served,
    Path((owner, id, kind)): Path<(String, String, String)>,
    handling: Handling,
    Query(pairs): Query,
) -> Result<Response, Failure> {
    if let Some(what) = crate::extract::not_offered(&kind) {
        return Err(what);
    }
    if owner != "Patient" || !endplate_fhir::is_id(&id) {
        return Err(Failure::UnknownRoute);
    }
    let strict = handling.is_strict(&app);
    let found = app.read(app.endplate.search_of_patient(&id, &kind, &pairs, strict)).await?;
    Ok(answer::found(found, handling))
}
