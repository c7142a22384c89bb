//! SMART Backend Services (SMART App Launch 2.2.0) as a client: a token for an assertion signed by a key of ours.
//!
//! Discovery comes first, each time a token is needed: where the token endpoint is, and whether it takes our algorithm. A token
//! is kept in memory until shortly before it ends.

use crate::config::SmartConfig;
use crate::keys;
use crate::record::Caller;
use endplate_followup::ports::Clock;
use jiff::{SignedDuration, Timestamp};
use reqwest::header::{ACCEPT, CONTENT_TYPE, HeaderValue};
use reqwest::{Method, Response, Url};
use serde_json::{Value as Json, json};
use std::sync::Arc;
use tokio::sync::Mutex;

/// How long an assertion may be used: SMART allows five minutes, and clocks differ.
const ASSERTION_S: i64 = 240;
/// So long before its end a token is no longer used.
const LEEWAY: SignedDuration = SignedDuration::from_secs(20);
/// What a token endpoint may say went wrong (RFC 6749, section 5.2).
const ERRORS: [&str; 6] = [
    "invalid_request",
    "invalid_client",
    "invalid_grant",
    "unauthorized_client",
    "unsupported_grant_type",
    "invalid_scope",
];
/// The names of algorithms of signatures (RFC 7518, section 3.1; RFC 8037).
const ALGORITHMS: [&str; 14] = [
    "HS256", "HS384", "HS512", "RS256", "RS384", "RS512", "ES256", "ES384", "ES512", "PS256", "PS384",
    "PS512", "none", "EdDSA",
];
/// A token of which nothing is said lives so long, in seconds (SMART: at most five minutes are recommended).
const TOKEN_S: i64 = 300;

/// An access token. It is shown to nobody.
#[derive(Clone, PartialEq, Eq)]
pub(super) struct Token {
    header: HeaderValue,
    ends_at: Timestamp,
}

impl Token {
    /// The value of `Authorization`; never part of a log.
    pub(super) fn header(&self) -> HeaderValue {
        self.header.clone()
    }
}

/// The way to tokens of one record server.
pub(super) struct Smart {
    settings: Arc<SmartConfig>,
    base: Url,
    caller: Caller,
    clock: Arc<dyn Clock>,
    /// Held while a new token is fetched, so that those who wait for it do not fetch another.
    token: Mutex<Option<Token>>,
}

impl std::fmt::Debug for Smart {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "Smart({})", self.settings.client_id)
    }
}

impl Smart {
    pub(super) fn new(settings: Arc<SmartConfig>, base: Url, caller: Caller, clock: Arc<dyn Clock>) -> Self {
        Self { settings, base, caller, clock, token: Mutex::new(None) }
    }

    /// A token that is good now, and is not `refused`.
    pub(super) async fn token(&self, refused: Option<&Token>) -> Result<Token, String> {
        let mut kept = self.token.lock().await;
        let now = self.clock.now();
        let good = |token: &&Token| Some(*token) != refused && now < token.ends_at;
        if let Some(token) = kept.as_ref().filter(good) {
            return Ok(token.clone());
        }
        *kept = None;
        let token = self.fetch(now).await?;
        *kept = Some(token.clone());
        Ok(token)
    }

    async fn fetch(&self, now: Timestamp) -> Result<Token, String> {
        let endpoint = self.discover().await?;
        // The newest key signs; the others are published until nobody holds an old JWKS any more.
        let key = self.settings.keys.last().ok_or("no key is configured")?;
        let unsigned = || "the assertion cannot be signed: this machine gives no random numbers".to_owned();
        let claims = json!({
            "iss": self.settings.client_id, "sub": self.settings.client_id, "aud": endpoint.as_str(),
            "jti": keys::unique().ok_or_else(unsigned)?, "iat": now.as_second(), "exp": now.as_second() + ASSERTION_S,
        });
        let assertion = key.signed(&claims).ok_or_else(unsigned)?;
        let form: String = form_urlencoded::Serializer::new(String::new())
            .append_pair("grant_type", "client_credentials")
            .append_pair("scope", &self.settings.scope)
            .append_pair("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:jwt-bearer")
            .append_pair("client_assertion", &assertion)
            .finish();
        let request =
            self.caller.request(Method::POST, endpoint).header(ACCEPT, "application/json").body(form);
        let request = request.header(CONTENT_TYPE, "application/x-www-form-urlencoded");
        let failed = |reason: String| format!("the token endpoint: {reason}");
        granted(&said("the token endpoint", self.caller.send(request).await.map_err(failed)?).await?, now)
    }

    /// Where the token endpoint is.
    async fn discover(&self) -> Result<Url, String> {
        let url = format!("{}/.well-known/smart-configuration", self.base.as_str().trim_end_matches('/'));
        let url = url.parse().map_err(|_| "the base of the record server is no URL".to_owned())?;
        let request = self.caller.request(Method::GET, url).header(ACCEPT, "application/json");
        let failed = |reason: String| format!("the SMART configuration: {reason}");
        let found = said("the SMART configuration", self.caller.send(request).await.map_err(failed)?).await?;
        let algorithm = self.settings.keys.last().map_or("", |key| key.algorithm());
        token_endpoint(&found, algorithm, &self.base)
    }
}

/// The JSON of an answer with status 200. An error holds the status and OAuth's code for it, and nothing else of the answer.
async fn said(whose: &str, response: Response) -> Result<Json, String> {
    let status = response.status();
    let body: Option<Json> = serde_json::from_slice(&super::bounded(response).await?).ok();
    if status.is_success() {
        return body.ok_or_else(|| format!("{whose} is no JSON"));
    }
    // Another word may be anything, and reasons are logged.
    let code = body.as_ref().and_then(|body| body["error"].as_str()).filter(|code| ERRORS.contains(code));
    Err(format!("{whose} answered {} {}", status.as_u16(), code.unwrap_or_default()).trim_end().to_owned())
}

/// What discovery says of the token endpoint.
fn token_endpoint(found: &Json, algorithm: &str, base: &Url) -> Result<Url, String> {
    let endpoint = found["token_endpoint"].as_str().and_then(|text| text.parse::<Url>().ok());
    let endpoint = endpoint.ok_or("the SMART configuration names no token_endpoint")?;
    // An assertion that is overheard is good for anybody until it ends.
    if endpoint.scheme() != "https" && (base.scheme() == "https" || endpoint.origin() != base.origin()) {
        return Err("the SMART configuration names a token_endpoint without TLS".to_owned());
    }
    if let Some(known) = found["token_endpoint_auth_signing_alg_values_supported"].as_array()
        && !known.iter().any(|known| known == algorithm)
    {
        let known = known.iter().filter_map(Json::as_str).filter(|name| ALGORITHMS.contains(name));
        let known = known.collect::<Vec<_>>().join(", ");
        let known = if known.is_empty() { "none that has a name here" } else { &known };
        return Err(format!("the newest key signs {algorithm}, and the record server takes {known}"));
    }
    Ok(endpoint)
}

/// RFC 6749, section 5.1.
fn granted(answer: &Json, now: Timestamp) -> Result<Token, String> {
    let token = answer["access_token"].as_str().ok_or("the token endpoint gave no access_token")?;
    if !answer["token_type"].as_str().is_some_and(|kind| kind.eq_ignore_ascii_case("bearer")) {
        return Err("the token endpoint gave a token that is no bearer token".to_owned());
    }
    let unusable = |_| "the token endpoint gave a token that cannot be sent".to_owned();
    let mut header = HeaderValue::from_str(&format!("Bearer {token}")).map_err(unusable)?;
    header.set_sensitive(true);
    let lives_s = answer["expires_in"].as_i64().unwrap_or(TOKEN_S).clamp(0, 86_400);
    let lives = SignedDuration::from_secs(lives_s);
    let ends_at = now.checked_add(lives - LEEWAY.min(lives / 2)).unwrap_or(now);
    Ok(Token { header, ends_at })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn url(text: &str) -> Url {
        text.parse().expect("a URL")
    }

    // SMART App Launch 2.2.0, conformance: token_endpoint, token_endpoint_auth_signing_alg_values_supported.
    #[test]
    fn discovery_says_where_and_by_which_algorithm() {
        let base = url("https://record.example/fhir");
        let found = |endpoint: &str, algorithms: &[&str]| {
            let found = json!({ "token_endpoint": endpoint, "token_endpoint_auth_signing_alg_values_supported": algorithms });
            token_endpoint(&found, "ES384", &base)
        };
        assert_eq!(
            found("https://login.example/token", &["RS384", "ES384"]),
            Ok(url("https://login.example/token"))
        );
        let wrong = found("https://login.example/token", &["RS384"]).expect_err("another algorithm");
        assert_eq!(wrong, "the newest key signs ES384, and the record server takes RS384");
        assert!(found("http://record.example/token", &["ES384"]).is_err(), "without TLS");
        assert!(token_endpoint(&json!({}), "ES384", &base).is_err());
        let silent = json!({ "token_endpoint": "http://127.0.0.1:9/token" });
        assert!(
            token_endpoint(&silent, "ES384", &url("http://127.0.0.1:9/fhir")).is_ok(),
            "no TLS on either"
        );
        assert!(token_endpoint(&silent, "ES384", &url("http://127.0.0.1:8/fhir")).is_err(), "another host");
    }

    // RFC 6749, section 5.1.
    #[test]
    fn a_token_is_used_until_shortly_before_its_end() {
        let now = Timestamp::UNIX_EPOCH;
        let ends_s = |answer: Json| granted(&answer, now).map(|token| token.ends_at.as_second());
        let token =
            |expires: Json| json!({ "access_token": "t", "token_type": "Bearer", "expires_in": expires });
        assert_eq!(ends_s(token(json!(300))), Ok(280));
        assert_eq!(ends_s(token(json!(10))), Ok(5));
        assert_eq!(ends_s(token(Json::Null)), Ok(280));
        assert_eq!(ends_s(token(json!(-5))), Ok(0));
        assert!(ends_s(json!({ "access_token": "t", "token_type": "mac" })).is_err());
        assert!(ends_s(json!({ "token_type": "bearer" })).is_err());
        let broken =
            ends_s(json!({ "access_token": "s3\ncret", "token_type": "bearer" })).expect_err("no header");
        assert!(!broken.contains("s3"));
    }
}
