//! Every route, in one list, and what surrounds each request.

use crate::access::{discovery, gate, token};
use crate::audit::{self, RequestId};
use crate::clock::Stopwatch;
use crate::error::{self, Failure};
use crate::extract;
use crate::http::{App, calendar, cds, chart, keys, metadata, operation, probe, published, resource, search};
use crate::{media, metrics, trace};
use axum::Router;
use axum::extract::{MatchedPath, Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_LENGTH, STRICT_TRANSPORT_SECURITY, VARY, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderName, HeaderValue, Method, Uri};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};
use std::sync::atomic::{AtomicU64, Ordering};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::cors::{AllowOrigin, CorsLayer};
use tracing::field::Empty;
use tracing::{Instrument, debug, error_span, info};

const X_REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
const X_CORRELATION_ID: HeaderName = HeaderName::from_static("x-correlation-id");

/// The whole service.
pub fn router(app: App) -> Router {
    let history = || get(resource::history_of_instance);
    let inner = Router::new()
        .route("/fhir", only("GET,HEAD,POST", get(search::across).post(resource::transact)))
        .route("/fhir/_search", only("POST", post(search::across_by_post)))
        .route("/fhir/metadata", only("GET,HEAD", get(metadata::metadata)))
        .route("/fhir/_history", only("GET,HEAD", get(resource::history)))
        .route("/fhir/{kind}", only(OF_TYPE, of_type()))
        .route("/fhir/{kind}/_search", only("POST", post(search::search_by_post)))
        .route("/fhir/{kind}/_history", only("GET,HEAD", get(resource::history_of_type)))
        .route("/fhir/{kind}/{id}", only(OF_INSTANCE, of_instance()))
        .route("/fhir/{kind}/{id}/_history", only("GET,HEAD", history()))
        .route("/fhir/{kind}/{id}/_history/{version}", only("GET,HEAD", get(resource::read_version)))
        .route("/fhir/{kind}/{id}/{member}", only("GET,HEAD", get(search::of_patient)))
        .merge(published::routes())
        .route("/.well-known/smart-configuration", only("GET,HEAD", get(discovery::configuration)))
        .route("/fhir/.well-known/smart-configuration", only("GET,HEAD", get(discovery::configuration)))
        .route("/auth/jwks", only("GET,HEAD", get(discovery::jwks)))
        .route("/auth/token", only("POST", post(token::token)))
        .route("/openapi.json", only("GET,HEAD", get(metadata::openapi)))
        .route("/auth/client-jwks", only("GET,HEAD", get(keys::client_keys)))
        .route("/auth/webhook-jwks", only("GET,HEAD", get(probe::webhook_keys)))
        .route("/livez", only("GET,HEAD", get(probe::live)))
        .route("/metrics", only("GET,HEAD", get(probe::metrics)))
        .route("/readyz", only("GET,HEAD", get(probe::ready)))
        .route(
            "/fhir/RiskAssessment/{id}/$chart",
            only("GET,HEAD,POST", get(chart::chart).post(chart::chart)),
        )
        .merge(operation::routes())
        .merge(cds::routes())
        .merge(calendar::routes())
        .fallback(elsewhere)
        .layer(middleware::from_fn(negotiate))
        // Whoever finds out who calls comes between this and `audited`.
        .layer(middleware::from_fn(audit::known))
        .layer(middleware::from_fn_with_state(app.clone(), gate::gate))
        .layer(CatchPanicLayer::custom(error::panicked));
    // Without origins there is no layer, and a preflight is answered as any method that is not offered.
    let inner = if app.cors_origins.is_empty() { inner } else { inner.layer(cors(&app.cors_origins)) };
    let inner = inner
        .layer(middleware::from_fn_with_state(app.clone(), audit::audited))
        .layer(middleware::from_fn_with_state(app.clone(), bound))
        .layer(middleware::from_fn_with_state(app.clone(), observe))
        .with_state(app);
    // Before routing, so that a slash at the end names nothing else (R4 http.html#root).
    Router::new().fallback_service(inner).layer(middleware::map_request(without_last_slash))
}

const OF_TYPE: &str = "GET,HEAD,POST,PUT,PATCH,DELETE";

fn of_type() -> MethodRouter<App> {
    get(search::search)
        .post(resource::create)
        .put(resource::update_matching)
        .patch(resource::patch_matching)
        .delete(resource::delete_matching)
}

const OF_INSTANCE: &str = "GET,HEAD,PUT,PATCH,DELETE";

fn of_instance() -> MethodRouter<App> {
    get(resource::read).put(resource::update).patch(resource::patch).delete(resource::delete)
}

/// What browsers of the configured origins may do and see. Credentials are never asked for.
fn cors(origins: &[HeaderValue]) -> CorsLayer {
    const METHODS: [Method; 6] =
        [Method::GET, Method::HEAD, Method::POST, Method::PUT, Method::PATCH, Method::DELETE];
    let named =
        |names: &[&'static str]| names.iter().map(|name| HeaderName::from_static(name)).collect::<Vec<_>>();
    CorsLayer::new()
        .allow_origin(AllowOrigin::list(origins.iter().cloned()))
        .allow_methods(METHODS)
        .allow_headers(named(&[
            "accept",
            "authorization",
            "content-type",
            "if-match",
            "if-modified-since",
            "if-none-exist",
            "if-none-match",
            "prefer",
            "traceparent",
            "tracestate",
            "x-request-id",
        ]))
        .expose_headers(named(&[
            "content-location",
            "etag",
            "last-modified",
            "location",
            "preference-applied",
            "retry-after",
            "x-correlation-id",
            "x-request-id",
        ]))
}

async fn without_last_slash(mut request: Request) -> Request {
    let uri = request.uri();
    let path = uri.path().trim_end_matches('/');
    if !path.is_empty() && path.len() < uri.path().len() {
        let query = uri.query().map_or(String::new(), |query| format!("?{query}"));
        if let Ok(shorter) = format!("{path}{query}").parse() {
            *request.uri_mut() = shorter;
        }
    }
    request
}

/// Answers any other method at the same address.
pub(crate) fn only(allow: &'static str, routes: MethodRouter<App>) -> MethodRouter<App> {
    routes.fallback(async move |uri: Uri| unoffered(&uri).unwrap_or(Failure::MethodNotAllowed { allow }))
}

/// Answers any other address.
async fn elsewhere(uri: Uri) -> Response {
    if [cds::ROOT, calendar::ROOT].iter().any(|root| uri.path().starts_with(root)) {
        return Failure::UnknownRoute.problem(uri.path());
    }
    unoffered(&uri).unwrap_or(Failure::UnknownRoute).into_response()
}

fn unoffered(uri: &Uri) -> Option<Failure> {
    uri.path().strip_prefix("/fhir/")?.split('/').find_map(extract::not_offered)
}

/// Refuses a client that takes no FHIR JSON before anything is done for it, and gives JSON the form it asks for.
async fn negotiate(request: Request, next: Next) -> Response {
    // Methods that HTTP defines are known, and then not allowed.
    let method = request.method();
    let is_defined =
        known_method(method) != "other" || matches!(method.as_str(), "TRACE" | "CONNECT" | "QUERY");
    if !is_defined {
        return Failure::UnknownMethod.into_response();
    }
    let mut parts = request.uri().path().split('/').skip(1);
    // What SMART App Launch puts below FHIR is JSON, whatever is liked.
    let is_fhir = parts.next() == Some("fhir") && parts.next() != Some(".well-known");
    // A chart is a picture too; its handler looks at what is liked.
    let is_chart = request.uri().path().ends_with("/$chart");
    let (format, is_pretty) = (query_value(&request, "_format"), query_value(&request, "_pretty"));
    if is_fhir && media::releases_differ(request.headers()) {
        let text = "Accept and Content-Type name different releases of FHIR; send fhirVersion=4.0 in both, or in neither.";
        return Failure::bad_request(text).into_response();
    }
    if is_fhir && !is_chart && !media::is_accepted(request.headers(), format.as_deref()) {
        return Failure::NotAcceptable.into_response();
    }
    let response = next.run(request).await;
    if is_fhir && is_pretty.as_deref() == Some("true") { spread(response).await } else { response }
}

fn query_value(request: &Request, wanted: &str) -> Option<String> {
    // Most requests have none.
    request.uri().query()?;
    extract::pairs(request.uri()).find(|(name, _)| name == wanted).map(|(_, value)| value)
}

/// The same JSON with line ends and indents.
async fn spread(response: Response) -> Response {
    let (mut parts, body) = response.into_parts();
    // Our own bodies are in memory already: there is no limit to keep.
    let Ok(bytes) = axum::body::to_bytes(body, usize::MAX).await else {
        return Failure::Broken.into_response();
    };
    let spread = endplate_fhir::json::parse(&bytes).ok();
    match spread.and_then(|json| serde_json::to_string_pretty(&json).ok()) {
        Some(text) => {
            parts.headers.remove(CONTENT_LENGTH);
            Response::from_parts(parts, text.into())
        }
        None => Response::from_parts(parts, bytes.into()),
    }
}

/// Bytes of an address. RFC 9110 section 4.1 wants at least 8,000 to be taken.
const ADDRESS_MAX: usize = 16 << 10;
/// Bytes of all headers together.
const HEADERS_MAX: usize = 32 << 10;

/// Refuses what is too large to look at, and what comes on top of as many requests as are served at once.
async fn bound(State(app): State<App>, request: Request, next: Next) -> Response {
    let address = request.uri().path_and_query().map_or(0, |whole| whole.as_str().len());
    if address > ADDRESS_MAX {
        return Failure::LongAddress(ADDRESS_MAX).into_response();
    }
    let headers: usize =
        request.headers().iter().map(|(name, value)| name.as_str().len() + value.len()).sum();
    if headers > HEADERS_MAX {
        return Failure::LargeHeaders(HEADERS_MAX).into_response();
    }
    // Whoever runs the service must learn that it lives also when it is busy.
    if matches!(request.uri().path(), "/livez" | "/readyz" | "/metrics") {
        return next.run(request).await;
    }
    let Ok(_place) = app.requests.try_acquire() else {
        let why =
            "As many requests as can be served are in progress. Nothing was done; send it again in a moment.";
        return Failure::Unready(why).into_response();
    };
    next.run(request).await
}

/// Gives each request an id, logs what became of it, and sets what every answer carries. Neither a body nor a query
/// nor a path with ids is logged.
async fn observe(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let stopwatch = Stopwatch::start();
    let id = request_id(&app, &request);
    let correlation = correlation_id(&request, &id);
    let method = known_method(request.method());
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    let asked = metrics::asked(&request, &route);
    // Of the gravest level, so that whatever is logged below it has the ids, however quiet the log is.
    let span = error_span!("request", request.id = id, trace.id = Empty);
    let trace = trace::arrived(&span, request.headers());
    request.extensions_mut().insert(RequestId(id.clone()));
    let mut response = trace::within(trace, next.run(request)).instrument(span.clone()).await;
    let took = stopwatch.elapsed();
    let duration_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
    let status = response.status();
    app.scrape.metrics.answered(asked, status.as_u16(), took);
    trace::answered(&span, method, &route, status.as_u16());
    span.in_scope(|| match route.as_str() {
        // Probes ask every few seconds; only their failures are news.
        "/livez" | "/readyz" | "/metrics" if status.is_success() => {
            debug!(method, route, status = status.as_u16(), duration_ms, "answered");
        }
        _ => info!(method, route, status = status.as_u16(), duration_ms, "answered"),
    });
    let headers = response.headers_mut();
    headers.extend(HeaderValue::from_str(&id).ok().map(|value| (X_REQUEST_ID, value)));
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    if app.is_tls {
        // RFC 6797 section 7.1: only where the connection is safe already.
        headers.insert(STRICT_TRANSPORT_SECURITY, HeaderValue::from_static("max-age=31536000"));
    }
    headers.append(VARY, HeaderValue::from_static("accept, authorization, prefer"));
    headers.extend(correlation.map(|value| (X_CORRELATION_ID, value)));
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

/// R4 http.html#custom: where the client's id is not taken over, it comes back beside ours.
fn correlation_id(request: &Request, id: &str) -> Option<HeaderValue> {
    let sent = request.headers().get(X_CORRELATION_ID).or(request.headers().get(X_REQUEST_ID))?;
    let text = sent.to_str().ok().filter(|text| text.len() <= 256 && *text != id)?;
    HeaderValue::from_str(text).ok()
}

/// A client may invent methods; only known ones go to the log.
fn known_method(method: &Method) -> &'static str {
    const KNOWN: [&str; 7] = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"];
    KNOWN.into_iter().find(|known| method == *known).unwrap_or("other")
}
