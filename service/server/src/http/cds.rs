//! CDS Hooks 2.0: discovery, services, feedback. What the cards say is in [`endplate_followup::card`].
//!
//! These addresses are not FHIR's: an error is a problem document (RFC 9457).

use super::App;
use crate::access::gate::Served;
use crate::audit;
use crate::error::Failure;
use crate::extract;
use crate::media;
use axum::Router;
use axum::extract::{Path, Request};
use axum::http::header::CONTENT_TYPE;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};
use endplate_fhir::Json;
use endplate_followup::card::{self, Service};
use std::time::Duration;

/// Where all of it is.
pub(crate) const ROOT: &str = "/cds-services";

/// Longest time for the cards to be made. Nobody waits longer for a chart to open.
const PATIENCE: Duration = Duration::from_secs(2);

/// The routes.
pub(crate) fn routes() -> Router<App> {
    Router::new()
        .route("/cds-services", only("GET,HEAD", get(discovery)))
        .route("/cds-services/{id}", only("POST", post(call)))
        .route("/cds-services/{id}/feedback", only("POST", post(feedback)))
}

/// Answers any other method at the same address.
pub(super) fn only(allow: &'static str, routes: MethodRouter<App>) -> MethodRouter<App> {
    routes.fallback(async move |uri: Uri| Failure::MethodNotAllowed { allow }.problem(uri.path()))
}

async fn discovery() -> Response {
    json(&card::discovery())
}

async fn call(Served(app): Served, Path(id): Path<String>, request: Request) -> Response {
    let path = request.uri().path().to_owned();
    let done = async {
        let service = Service::named(&id)?;
        let body = body(request, &app).await?;
        if let (Some(call), Some(patient)) = (audit::current(), body["context"]["patientId"].as_str()) {
            call.is_about(patient);
        }
        let cards = app.read(app.endplate.cards(service, &body));
        let late = Failure::Unready("The cards were not ready in time. Show the chart without them.");
        tokio::time::timeout(PATIENCE, cards).await.unwrap_or(Err(late))
    };
    match done.await {
        Ok(cards) => json(&cards),
        Err(failure) => Failure::problem(failure, &path),
    }
}

async fn feedback(Served(app): Served, Path(id): Path<String>, request: Request) -> Response {
    let path = request.uri().path().to_owned();
    let done = async {
        let service = Service::named(&id)?;
        let body = body(request, &app).await?;
        app.write(move |endplate| async move { endplate.feedback(service, &body).await }).await
    };
    match done.await {
        Ok(()) => StatusCode::OK.into_response(),
        Err(failure) => Failure::problem(failure, &path),
    }
}

/// A JSON object. It is no FHIR JSON: null has a meaning in `prefetch`.
async fn body(request: Request, app: &App) -> Result<Json, Failure> {
    media::check_body(request.headers()).map_err(Failure::UnsupportedMedia)?;
    let bytes = extract::collect(request, app).await?;
    match serde_json::from_slice::<Json>(&bytes) {
        Ok(value) if value.is_object() => Ok(value),
        _ => Err(Failure::bad_request("Send one JSON object.")),
    }
}

fn json(value: &Json) -> Response {
    ([(CONTENT_TYPE, "application/json")], value.to_string()).into_response()
}
