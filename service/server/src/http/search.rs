//! Search, by GET and by POST.

use super::{App, answer};
use crate::error::Failure;
use crate::extract::{Form, Query, Type};
use axum::extract::State;
use axum::response::Response;

/// `GET /fhir/{type}`: a search.
pub(crate) async fn search(
    State(app): State<App>,
    Type(kind): Type,
    Query(pairs): Query,
) -> Result<Response, Failure> {
    let found = app.read(app.endplate.search(&kind, &pairs)).await?;
    Ok(answer::document(found.to_string()))
}

/// `POST /fhir/{type}/_search`: a search whose parameters are in no URL, and so in nobody's log.
pub(crate) async fn search_by_post(
    State(app): State<App>,
    Type(kind): Type,
    Form(pairs): Form,
) -> Result<Response, Failure> {
    let found = app.read(app.endplate.search(&kind, &pairs)).await?;
    Ok(answer::document(found.to_string()))
}
