//! Every route, in one list, and what surrounds each request.

use crate::clock::Stopwatch;
use crate::error::{self, Failure};
use crate::extract;
use crate::http::{App, cds, metadata, operation, probe, resource, search};
use crate::media;
use axum::Router;
use axum::extract::{MatchedPath, Request, State};
use axum::http::header::{CACHE_CONTROL, X_CONTENT_TYPE_OPTIONS};
use axum::http::{HeaderName, HeaderValue, Method, Uri};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};
use std::sync::atomic::{AtomicU64, Ordering};
use tower_http::catch_panic::CatchPanicLayer;
use tracing::{Instrument, debug, info, info_span};

const X_REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// The whole service.
pub fn router(app: App) -> Router {
    Router::new()
        .route("/fhir", only("POST", post(resource::transact)))
        .route("/fhir/", only("POST", post(resource::transact)))
        .route("/fhir/metadata", only("GET,HEAD", get(metadata::metadata)))
        .route("/fhir/{kind}", only("GET,HEAD,POST", get(search::search).post(resource::create)))
        .route("/fhir/{kind}/_search", only("POST", post(search::search_by_post)))
        .route("/fhir/{kind}/{id}", only("GET,HEAD,PUT", get(resource::read).put(resource::update)))
        .route("/livez", only("GET,HEAD", get(probe::live)))
        .route("/readyz", only("GET,HEAD", get(probe::ready)))
        .merge(operation::routes())
        .merge(cds::routes())
        .fallback(elsewhere)
        .layer(middleware::from_fn(negotiate))
        .layer(CatchPanicLayer::custom(error::panicked))
        .layer(middleware::from_fn_with_state(app.clone(), observe))
        .with_state(app)
}

/// Answers any other method at the same address.
fn only(allow: &'static str, routes: MethodRouter<App>) -> MethodRouter<App> {
    routes.fallback(async move |uri: Uri| unoffered(&uri).unwrap_or(Failure::MethodNotAllowed { allow }))
}

/// Answers any other address.
async fn elsewhere(uri: Uri) -> Response {
    if uri.path().starts_with(cds::ROOT) {
        return Failure::UnknownRoute.problem(uri.path());
    }
    unoffered(&uri).unwrap_or(Failure::UnknownRoute).into_response()
}

fn unoffered(uri: &Uri) -> Option<Failure> {
    uri.path().strip_prefix("/fhir/")?.split('/').find_map(extract::not_offered)
}

/// Refuses a client that takes no FHIR JSON before anything is done for it.
async fn negotiate(request: Request, next: Next) -> Response {
    let is_fhir = request.uri().path().split('/').nth(1) == Some("fhir");
    let format = extract::pairs(request.uri()).find(|(name, _)| name == "_format").map(|(_, value)| value);
    if is_fhir && !media::is_accepted(request.headers(), format.as_deref()) {
        return Failure::NotAcceptable.into_response();
    }
    next.run(request).await
}

/// Gives each request an id, logs what became of it, and sets what every answer carries. Neither a body nor a query
/// nor a path with ids is logged.
async fn observe(State(app): State<App>, request: Request, next: Next) -> Response {
    let stopwatch = Stopwatch::start();
    let id = request_id(&app, &request);
    let method = known_method(request.method());
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    let span = info_span!("request", request.id = id);
    let mut response = next.run(request).instrument(span.clone()).await;
    let duration_ms = u64::try_from(stopwatch.elapsed().as_millis()).unwrap_or(u64::MAX);
    let status = response.status();
    span.in_scope(|| match route.as_str() {
        // Probes ask every few seconds; only their failures are news.
        "/livez" | "/readyz" if status.is_success() => {
            debug!(method, route, status = status.as_u16(), duration_ms, "answered");
        }
        _ => info!(method, route, status = status.as_u16(), duration_ms, "answered"),
    });
    let headers = response.headers_mut();
    headers.extend(HeaderValue::from_str(&id).ok().map(|value| (X_REQUEST_ID, value)));
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

/// The client's id if it is a plain one, else one of our own.
fn request_id(app: &App, request: &Request) -> String {
    static COUNT: AtomicU64 = AtomicU64::new(1);
    let sent = request.headers().get(X_REQUEST_ID).and_then(|value| value.to_str().ok());
    match sent.filter(|id| endplate_fhir::is_id(id)) {
        Some(id) => id.to_owned(),
        None => format!("{}-{}", app.request_prefix, COUNT.fetch_add(1, Ordering::Relaxed)),
    }
}

/// A client may invent methods; only known ones go to the log.
fn known_method(method: &Method) -> &'static str {
    const KNOWN: [&str; 7] = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"];
    KNOWN.into_iter().find(|known| method == *known).unwrap_or("other")
}
