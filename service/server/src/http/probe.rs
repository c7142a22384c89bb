//! Small answers for whoever runs the service or hears from it.

use super::App;
use crate::error::Failure;
use crate::metrics::Scrape;
use crate::probe::{Check, Health};
use axum::Router;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, X_CONTENT_TYPE_OPTIONS};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use endplate_fhir::issue::{Code, Issue};
use std::sync::Arc;

/// `GET /livez`: the process can make progress. It asks nothing of the store.
pub(crate) async fn live(State(app): State<App>) -> Result<&'static str, Failure> {
    alive(&app.scrape.health)
}

fn alive(health: &Health) -> Result<&'static str, Failure> {
    if health.is_alive() {
        Ok("alive\n")
    } else {
        Err(Failure::Unready("A worker has died; /readyz names it. The service must be started again."))
    }
}

/// `GET /readyz`: requests can be served now. Each part is named, whether it holds or not.
pub(crate) async fn ready(State(app): State<App>) -> Result<String, Failure> {
    readiness(&app.scrape).await
}

async fn readiness(scrape: &Scrape) -> Result<String, Failure> {
    let checks = scrape.health.checks(&scrape.endplate).await;
    if checks.iter().all(|check| check.problem.is_none()) {
        let lines = checks.iter().map(|Check { name, .. }| format!("{name}: ok\n"));
        return Ok(std::iter::once("ready\n".to_owned()).chain(lines).collect());
    }
    let mut issues: Vec<Issue> = checks
        .into_iter()
        .map(|Check { name, problem }| match problem {
            Some(problem) => Issue::error(Code::Transient, "", format!("{name}: {problem}")),
            None => Issue::information("", format!("{name}: ok.")),
        })
        .collect();
    issues.sort_by_key(|issue| !issue.is_error());
    Err(Failure::NotReady(issues))
}

/// `GET /metrics`: numbers for whoever watches. Where access is closed they are given at an address of their own alone.
pub(crate) async fn metrics(State(app): State<App>, headers: HeaderMap) -> Result<Response, Failure> {
    if app.metrics_elsewhere {
        let text = "Metrics are not given at this address: the setting metrics.listen says where, and has to be given where access is closed";
        return Err(Failure::NotHere(text));
    }
    Ok(numbers(&app.scrape, &headers).await)
}

async fn numbers(scrape: &Scrape, headers: &HeaderMap) -> Response {
    let (format, text) = scrape.told(headers).await;
    ([(CONTENT_TYPE, format)], text).into_response()
}

/// What is answered at `metrics.listen`: numbers and probes, and nothing else.
pub(crate) fn aside(scrape: Arc<Scrape>) -> Router {
    type Scraped = State<Arc<Scrape>>;
    const COMMON: [(axum::http::HeaderName, &str); 2] =
        [(X_CONTENT_TYPE_OPTIONS, "nosniff"), (CACHE_CONTROL, "no-store")];
    Router::new()
        .route(
            "/metrics",
            get(async |State(scrape): Scraped, headers: HeaderMap| {
                (COMMON, numbers(&scrape, &headers).await)
            }),
        )
        .route("/livez", get(async |State(scrape): Scraped| (COMMON, alive(&scrape.health))))
        .route("/readyz", get(async |State(scrape): Scraped| (COMMON, readiness(&scrape).await)))
        .fallback(async || (COMMON, Failure::UnknownRoute))
        .method_not_allowed_fallback(async || (COMMON, Failure::MethodNotAllowed { allow: "GET,HEAD" }))
        .with_state(scrape)
}

/// `GET /auth/webhook-jwks`: the public half of the key that signs notifications (RFC 7517, section 8.5.2 for the type).
pub(crate) async fn webhook_keys(State(app): State<App>) -> impl IntoResponse {
    ([(CONTENT_TYPE, "application/json")], app.webhook_keys.to_string())
}
