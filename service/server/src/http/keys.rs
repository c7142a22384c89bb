//! The public keys of this service as a client.

use super::App;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};

/// `GET /auth/client-jwks`: the JWK Set (RFC 7517) by which record servers verify the assertions of this service. It is public;
/// like every answer it is not to be kept, so that a key that is added is known at once.
pub(crate) async fn client_keys(State(app): State<App>) -> Response {
    ([(CONTENT_TYPE, "application/json")], app.client_keys.to_string()).into_response()
}
