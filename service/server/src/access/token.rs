//! `POST /auth/token` (SMART App Launch 2.2.0, Backend Services; RFC 6749 sections 4.4 and 5).

use super::{Access, Denied};
use crate::error::Failure;
use crate::extract;
use crate::http::App;
use axum::extract::{Request, State};
use axum::http::header::{CONTENT_TYPE, PRAGMA, RETRY_AFTER};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use endplate_fhir::Json;
use endplate_followup::grant::Grant;
use endplate_followup::grant::scope::Scope;
use serde_json::json;

const ASSERTION_TYPE: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
/// How many scopes one token may have.
const SCOPES_MAX: usize = 100;

/// Why no token is given (RFC 6749 section 5.2).
enum Refused {
    Invalid(&'static str, String),
    Denied(Denied),
}

/// Gives a client that proves who it is a token for some time.
pub(crate) async fn token(State(app): State<App>, request: Request) -> Result<Response, Failure> {
    let Some(access) = &app.access else { return Err(super::is_open()) };
    let form = request.headers().get(CONTENT_TYPE).and_then(|value| value.to_str().ok());
    let is_form = form.is_some_and(|form| form.starts_with("application/x-www-form-urlencoded"));
    if !is_form {
        let text = "send the parameters as application/x-www-form-urlencoded".to_owned();
        return Ok(refusal(Refused::Invalid("invalid_request", text)));
    }
    let bytes = extract::collect(request, &app).await?;
    let pairs: Vec<(String, String)> = form_urlencoded::parse(&bytes).into_owned().collect();
    Ok(match given(access, &pairs).await {
        Ok(body) => answer(StatusCode::OK, &body),
        Err(refused) => refusal(refused),
    })
}

async fn given(access: &Access, pairs: &[(String, String)]) -> Result<Json, Refused> {
    let one = |name: &str| {
        let mut sent = pairs.iter().filter(|(other, value)| other == name && !value.is_empty());
        match (sent.next(), sent.next()) {
            (Some((_, value)), None) => Ok(value.as_str()),
            _ => Err(Refused::Invalid("invalid_request", format!("send {name} once"))),
        }
    };
    if one("grant_type")? != "client_credentials" {
        let text = "the only grant_type is client_credentials".to_owned();
        return Err(Refused::Invalid("unsupported_grant_type", text));
    }
    if one("client_assertion_type")? != ASSERTION_TYPE {
        let text = format!("the only client_assertion_type is {ASSERTION_TYPE}");
        return Err(Refused::Invalid("invalid_request", text));
    }
    let (assertion, asked) = (one("client_assertion")?, one("scope")?);
    let (client, most) = access.authenticate(assertion).await.map_err(Refused::Denied)?;
    // RFC 7521 section 4.2: where client_id is sent too, it is the same.
    if pairs.iter().any(|(name, value)| name == "client_id" && *value != client) {
        let text = "client_id is another than that of the assertion".to_owned();
        return Err(Refused::Invalid("invalid_client", text));
    }
    let scopes = scopes(asked, most, &access.base)?;
    let now_s = access.clock.now().as_second();
    let id = access.signer.name().map_err(|_| Refused::Denied(Denied::Unavailable))?;
    let claims = json!({
        "iss": access.root, "sub": client, "client_id": client, "aud": access.base,
        "iat": now_s, "exp": now_s + access.lifetime.as_secs(), "jti": id, "scope": scopes,
    });
    let token = access.signer.token(&claims).map_err(|_| Refused::Denied(Denied::Unavailable))?;
    Ok(json!({
        "access_token": token, "token_type": "bearer", "expires_in": access.lifetime.as_secs(), "scope": scopes,
    }))
}

/// The scopes that are given: all that are asked for, or none.
fn scopes(asked: &str, most: &Grant, base: &str) -> Result<String, Refused> {
    let mut given: Vec<&str> = Vec::new();
    for text in asked.split(' ').filter(|text| !text.is_empty()) {
        // What is named goes back to whoever sent it, shortened and in plain letters.
        let shown: String =
            text.chars().filter(|c| c.is_ascii_graphic() && !"\"\\".contains(*c)).take(80).collect();
        let wrong = |why: &str| Refused::Invalid("invalid_scope", format!("{shown}: {why}"));
        let scope = Scope::parse(text, base).map_err(|why| wrong(&why))?;
        if !most.covers(&scope) {
            return Err(wrong("this client is not registered for it"));
        }
        if !given.contains(&text) {
            given.push(text);
        }
    }
    if given.is_empty() || given.len() > SCOPES_MAX {
        return Err(Refused::Invalid("invalid_scope", format!("ask for 1 to {SCOPES_MAX} scopes")));
    }
    Ok(given.join(" "))
}

fn refusal(refused: Refused) -> Response {
    let (status, error, text) = match refused {
        Refused::Invalid(error, text) => (StatusCode::BAD_REQUEST, error, text),
        Refused::Denied(Denied::Invalid(text)) => {
            (StatusCode::BAD_REQUEST, "invalid_client", format!("client_assertion: {text}"))
        }
        Refused::Denied(Denied::Nothing) => {
            (StatusCode::BAD_REQUEST, "invalid_client", "send client_assertion".to_owned())
        }
        Refused::Denied(Denied::TooOften(after_s)) => {
            let text = format!("too many requests; again after {after_s} s");
            let body = json!({ "error": "invalid_request", "error_description": text });
            let mut response = answer(StatusCode::TOO_MANY_REQUESTS, &body);
            response.headers_mut().insert(RETRY_AFTER, HeaderValue::from(after_s));
            return response;
        }
        Refused::Denied(Denied::Unavailable) => {
            return Failure::Unready("No token can be given now. Ask again later.").into_response();
        }
    };
    answer(status, &json!({ "error": error, "error_description": text }))
}

/// `Cache-Control: no-store` is on every answer of the service.
fn answer(status: StatusCode, body: &Json) -> Response {
    let headers = [(CONTENT_TYPE, "application/json"), (PRAGMA, "no-cache")];
    (status, headers, body.to_string()).into_response()
}
