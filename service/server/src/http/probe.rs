//! Small answers for whoever runs the service or hears from it.

use super::{App, Phase};
use crate::error::Failure;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::IntoResponse;

/// `GET /livez`: the process answers. It asks nothing of the store.
pub(crate) async fn live() -> &'static str {
    "alive\n"
}

/// `GET /readyz`: requests can be served now.
pub(crate) async fn ready(State(app): State<App>) -> Result<&'static str, Failure> {
    if *app.phase.borrow() != Phase::Running {
        return Err(Failure::Unready("The service is stopping."));
    }
    match app.read(app.endplate.ready()).await {
        Ok(()) => Ok("ready\n"),
        Err(_) => Err(Failure::Unready("The store cannot be used now.")),
    }
}

/// `GET /auth/webhook-jwks`: the public half of the key that signs notifications (RFC 7517, section 8.5.2 for the type).
pub(crate) async fn webhook_keys(State(app): State<App>) -> impl IntoResponse {
    ([(CONTENT_TYPE, "application/jwk-set+json")], app.webhook_keys.to_string())
}
