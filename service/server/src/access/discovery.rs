//! What a client needs to know to get in (SMART App Launch 2.2.0, discovery).

use super::jws::Algorithm;
use crate::error::Failure;
use crate::http::App;
use axum::Json as PlainJson;
use axum::extract::State;
use endplate_fhir::Json;
use serde_json::json;

/// `GET /.well-known/smart-configuration`: what is implemented, and no more. `code_challenge_methods_supported` must be there
/// by the standard; there is no authorization endpoint at which it could be used.
pub(crate) async fn configuration(State(app): State<App>) -> Result<PlainJson<Json>, Failure> {
    let Some(access) = &app.access else { return Err(super::is_open()) };
    Ok(PlainJson(json!({
        "issuer": access.root,
        "jwks_uri": format!("{}/auth/jwks", access.root),
        "token_endpoint": access.token_url(),
        "grant_types_supported": ["client_credentials"],
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": Algorithm::OF_CLIENTS.map(Algorithm::name),
        "scopes_supported": ["system/*.cruds", "system/AuditEvent.rs"],
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["client-confidential-asymmetric", "permission-v1", "permission-v2"],
    })))
}

/// `GET /auth/jwks`: the key that our tokens are signed with.
pub(crate) async fn jwks(State(app): State<App>) -> Result<PlainJson<Json>, Failure> {
    let Some(access) = &app.access else { return Err(super::is_open()) };
    Ok(PlainJson(access.signer.published()))
}

/// What the CapabilityStatement says of it (R4 CapabilityStatement.rest.security).
pub(crate) fn security() -> Json {
    json!({
        "service": [{
            "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/restful-security-service",
                "code": "SMART-on-FHIR",
                "display": "SMART-on-FHIR"
            }]
        }],
        "description": "SMART App Launch 2.2.0, Backend Services: client_credentials with private_key_jwt (RS384, ES384), \
            scopes system/Type.cruds, also with search parameters. The addresses are at .well-known/smart-configuration. \
            What a scope does not reach by its type is refused with 403; what lies outside its search parameters is as if \
            it were not there."
    })
}
