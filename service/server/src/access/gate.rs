//! The gate: who calls is found out before a handler is reached, and with what rights.

use super::Denied;
use crate::error::Failure;
use crate::http::{App, calendar, cds};
use crate::{caller::Caller, publish};
use axum::extract::{FromRequestParts, MatchedPath, Request, State};
use axum::http::header::AUTHORIZATION;
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use endplate_followup::grant::Grant;
use std::convert::Infallible;
use std::sync::Arc;

/// How a caller came in.
#[derive(Clone, Debug)]
enum Passage {
    /// Access is open.
    Open,
    /// As a CDS Hooks client: to the CDS services, which only read, and keep what became of cards.
    Hook,
    /// With the rights of a token.
    Granted(Arc<Grant>),
}

/// What an address asks of a caller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Asks {
    Nothing,
    Hook,
    Token,
}

/// Addresses that hold no records: what is offered, how to get in, whether the service lives.
pub(crate) const PUBLIC: [&str; 12] = [
    "/.well-known/smart-configuration",
    "/auth/client-jwks",
    "/auth/jwks",
    "/auth/token",
    "/auth/webhook-jwks",
    "/cds-services",
    "/fhir/.well-known/smart-configuration",
    "/fhir/metadata",
    "/livez",
    // Given here only while access is open.
    "/metrics",
    "/openapi.json",
    "/readyz",
];

fn asks(route: Option<&str>, method: &Method) -> Asks {
    // What has no route asks for a token too: nobody learns from outside which addresses there are.
    let Some(route) = route else { return Asks::Token };
    if PUBLIC.contains(&route) {
        return Asks::Nothing;
    }
    if route.starts_with(cds::ROOT) {
        return Asks::Hook;
    }
    let reads = matches!(*method, Method::GET | Method::HEAD);
    let kind = route.strip_prefix("/fhir/").map(|rest| rest.strip_suffix("/{id}").unwrap_or(rest));
    let is_example = |kind: &str| kind.strip_prefix("ConceptMap/") == Some(publish::EXAMPLE_MAP);
    let is_published = kind.is_some_and(|kind| publish::TYPES.contains(&kind) || is_example(kind));
    if reads && is_published { Asks::Nothing } else { Asks::Token }
}

/// Lets nobody through whose rights are not known.
pub(crate) async fn gate(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let Some(access) = &app.access else {
        let extensions = request.extensions_mut();
        extensions.insert(Caller::default());
        extensions.insert(Passage::Open);
        return next.run(request).await;
    };
    let route = request.extensions().get::<MatchedPath>().map(MatchedPath::as_str);
    let asks = asks(route, request.method());
    let admitted = match asks {
        Asks::Nothing => None,
        Asks::Token => Some(match bearer(request.headers()) {
            Ok(token) => access.admit(token).await.map(|one| (one.caller, Passage::Granted(one.grant))),
            Err(denied) => Err(denied),
        }),
        Asks::Hook => Some(match bearer(request.headers()) {
            Ok(token) => {
                let url = format!("{}{}", access.root, request.uri().path());
                access.admit_hook(token, &url).await.map(|caller| (caller, Passage::Hook))
            }
            Err(denied) => Err(denied),
        }),
    };
    match admitted {
        None => {}
        Some(Ok((caller, passage))) => {
            request.extensions_mut().insert(caller);
            request.extensions_mut().insert(passage);
        }
        Some(Err(denied)) => {
            let failure = failure(denied);
            let path = request.uri().path();
            let is_problem = path.starts_with(cds::ROOT) || path.starts_with(calendar::ROOT);
            return if is_problem { failure.problem(path) } else { failure.into_response() };
        }
    }
    next.run(request).await
}

/// The token of `Authorization: Bearer …` (RFC 6750 section 2.1), the only place where one is looked for.
fn bearer(headers: &HeaderMap) -> Result<&str, Denied> {
    let mut sent = headers.get_all(AUTHORIZATION).iter();
    let (value, more) = (sent.next().ok_or(Denied::Nothing)?, sent.next());
    let token = value.to_str().ok().and_then(|text| text.split_once(' '));
    match token {
        Some((scheme, token)) if more.is_none() && scheme.eq_ignore_ascii_case("bearer") => Ok(token.trim()),
        _ => Err(Denied::invalid("send one header Authorization: Bearer and the token")),
    }
}

pub(super) fn failure(denied: Denied) -> Failure {
    match denied {
        Denied::Nothing => Failure::Unauthenticated(None),
        Denied::Invalid(text) => Failure::Unauthenticated(Some(text)),
        Denied::TooOften(retry_after_s) => Failure::Throttled { retry_after_s },
        Denied::Unavailable => Failure::Unready("The store cannot be used now. Send it again later."),
    }
}

/// What a handler works with: everything, with the rights of whoever calls. Without a passage there are none.
pub(crate) struct Served(pub(crate) App);

impl FromRequestParts<App> for Served {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Infallible> {
        let mut app = app.clone();
        match parts.extensions.get::<Passage>() {
            None => {}
            Some(Passage::Open | Passage::Hook) => app.endplate = app.endplate.on_its_own(),
            Some(Passage::Granted(grant)) => app.endplate = app.endplate.on_behalf_of(Arc::clone(grant)),
        }
        Ok(Self(app))
    }
}
