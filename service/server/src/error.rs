//! Everything but success: the only place that knows which status an answer has.
//!
//! Whatever the cause, the body is an OperationOutcome. A fault of the service itself never shows its cause.

use crate::{media, trace};
use axum::http::header::{ALLOW, CONTENT_TYPE, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::{HeaderName, HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use endplate_fhir::Json;
use endplate_fhir::issue::{self, Code, Issue};
use endplate_followup::{Reason, Refusal};
use std::sync::Arc;

/// RFC 5789 section 3.1: the patches that are taken.
const ACCEPT_PATCH: HeaderName = HeaderName::from_static("accept-patch");

/// How callers are known (RFC 6750 section 3).
const BEARER: &str = "Bearer realm=\"endplate\"";

/// When a client may try again after 503.
const RETRY_AFTER_S: u16 = 5;

/// What a refusal says, for the audit trail.
#[derive(Clone, Debug)]
pub(crate) struct Told(pub Arc<Json>);

/// Why a request was not done.
#[derive(Debug)]
pub enum Failure {
    /// The use case refused it.
    Refused(Refusal),
    /// 400: the request line or a header cannot be used.
    BadRequest(Issue),
    /// 401: whoever calls has not shown a token that is valid. Why, if one was shown; ASCII without quotes.
    Unauthenticated(Option<String>),
    /// 404: a type that is not stored.
    UnknownType,
    /// 404: no such address.
    UnknownRoute,
    /// 404: an address that FHIR knows and this service does not offer. What it would be, e.g. `Operations are`.
    NotOffered(&'static str),
    /// 404: what is asked for is given elsewhere. Where.
    NotHere(&'static str),
    /// 405: the address is there, the method is not.
    MethodNotAllowed {
        /// The methods that are, as in the header `Allow`.
        allow: &'static str,
    },
    /// 406: the client takes nothing that the service can give.
    NotAcceptable,
    /// 408: the body did not arrive in time.
    SlowBody,
    /// 413: the body is larger than the limit, in bytes.
    TooLarge(usize),
    /// 414: the address is longer than this, in bytes.
    LongAddress(usize),
    /// 431: the headers together are larger than this, in bytes.
    LargeHeaders(usize),
    /// 415: the body is not FHIR JSON. What to change.
    UnsupportedMedia(&'static str),
    /// 415: the body is no patch that is taken. What to change.
    UnsupportedPatch(&'static str),
    /// 429: the client asks too often.
    Throttled {
        /// When it may ask again, in seconds.
        retry_after_s: u64,
    },
    /// 501: a method that nobody knows.
    UnknownMethod,
    /// 503: the answer was not ready in time.
    Overtime,
    /// 503: the service is stopping or cannot use its store.
    Unready(&'static str),
    /// 503: what /readyz found.
    NotReady(Vec<Issue>),
    /// 500: a fault of the service.
    Broken,
}

impl Failure {
    /// A header or the address cannot be used; `text` says what to change.
    pub fn bad_request(text: impl Into<String>) -> Self {
        Self::BadRequest(Issue::error(Code::Invalid, "", text))
    }

    /// The status.
    pub fn status(&self) -> StatusCode {
        match self {
            Self::Refused(refusal) => {
                StatusCode::from_u16(refusal.reason.status().0).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
            }
            Self::BadRequest(_) => StatusCode::BAD_REQUEST,
            Self::Unauthenticated(_) => StatusCode::UNAUTHORIZED,
            Self::Throttled { .. } => StatusCode::TOO_MANY_REQUESTS,
            Self::UnknownType | Self::UnknownRoute | Self::NotOffered(_) | Self::NotHere(_) => {
                StatusCode::NOT_FOUND
            }
            Self::MethodNotAllowed { .. } => StatusCode::METHOD_NOT_ALLOWED,
            Self::NotAcceptable => StatusCode::NOT_ACCEPTABLE,
            Self::SlowBody => StatusCode::REQUEST_TIMEOUT,
            Self::TooLarge(_) => StatusCode::PAYLOAD_TOO_LARGE,
            Self::LongAddress(_) => StatusCode::URI_TOO_LONG,
            Self::LargeHeaders(_) => StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
            Self::UnsupportedMedia(_) | Self::UnsupportedPatch(_) => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            Self::UnknownMethod => StatusCode::NOT_IMPLEMENTED,
            Self::Overtime | Self::Unready(_) | Self::NotReady(_) => StatusCode::SERVICE_UNAVAILABLE,
            Self::Broken => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }

    /// The answer at an address that is not FHIR's: a problem document (RFC 9457, section 3.1). `instance` is the address.
    pub(crate) fn problem(self, instance: &str) -> Response {
        let status = self.status();
        let title = status.canonical_reason().unwrap_or("Error");
        let headers = self.headers();
        let details: Vec<String> = self.issues().into_iter().map(Failure::detail).collect();
        let body = serde_json::json!({
            "type": "about:blank", "title": title, "status": status.as_u16(), "detail": details.join(" "),
            "instance": instance,
        });
        answer(status, headers, "application/problem+json", body.to_string())
    }

    /// What an issue says, and of which member.
    fn detail(issue: Issue) -> String {
        if issue.expression.is_empty() { issue.text } else { format!("{}: {}", issue.expression, issue.text) }
    }

    /// The headers that tell a client how to do better.
    fn headers(&self) -> Vec<(HeaderName, HeaderValue)> {
        let text = |text: &str| HeaderValue::from_str(text).ok();
        let one = match self {
            Self::MethodNotAllowed { allow } => Some((ALLOW, HeaderValue::from_static(allow))),
            Self::UnsupportedPatch(_) => Some((ACCEPT_PATCH, HeaderValue::from_static(media::PATCHES))),
            Self::Throttled { retry_after_s } => Some((RETRY_AFTER, HeaderValue::from(*retry_after_s))),
            Self::Unauthenticated(None) => text(BEARER).map(|value| (WWW_AUTHENTICATE, value)),
            Self::Unauthenticated(Some(why)) => {
                text(&format!("{BEARER}, error=\"invalid_token\", error_description=\"{why}\""))
                    .or_else(|| text(&format!("{BEARER}, error=\"invalid_token\"")))
                    .map(|value| (WWW_AUTHENTICATE, value))
            }
            Self::Refused(refusal) if refusal.reason == Reason::Forbidden => {
                text(&format!("{BEARER}, error=\"insufficient_scope\""))
                    .map(|value| (WWW_AUTHENTICATE, value))
            }
            failure if failure.status() == StatusCode::SERVICE_UNAVAILABLE => {
                Some((RETRY_AFTER, HeaderValue::from(RETRY_AFTER_S)))
            }
            _ => None,
        };
        one.into_iter().collect()
    }

    fn issues(self) -> Vec<Issue> {
        let (code, text) = match self {
            Self::Refused(refusal) => return refusal.issues,
            Self::BadRequest(issue) => return vec![issue],
            Self::NotReady(issues) => return issues,
            Self::NotHere(where_) => (Code::NotFound, format!("{where_}.")),
            Self::Unauthenticated(None) => (
                Code::Login,
                "Access is closed here. Send Authorization: Bearer with an access token; \
                 /.well-known/smart-configuration says where to get one."
                    .to_owned(),
            ),
            Self::Unauthenticated(Some(why)) => {
                (Code::Login, format!("The token is not accepted: {why}. Nothing was done."))
            }
            Self::Throttled { retry_after_s } => {
                (Code::Throttled, format!("Too many requests; nothing was done. Send it again after {retry_after_s} s."))
            }
            Self::UnknownType => {
                let known = endplate_fhir::TYPES.join(", ");
                (Code::NotSupported, format!("This type is not stored here. Known are {known}."))
            }
            Self::UnknownRoute => {
                (Code::NotFound, "There is nothing at this address. GET /fhir/metadata says what is.".to_owned())
            }
            Self::NotOffered(what) => {
                (Code::NotSupported, format!("{what} not offered. GET /fhir/metadata says what is."))
            }
            Self::MethodNotAllowed { allow } => (
                Code::NotSupported,
                format!("This method is not offered at this address; send one of {allow}."),
            ),
            Self::NotAcceptable => (
                Code::NotSupported,
                "Answers are FHIR R4 JSON only. Send Accept: application/fhir+json, or none.".to_owned(),
            ),
            Self::SlowBody => {
                (Code::Transient, "The body did not arrive in time. Nothing was stored; send it again.".to_owned())
            }
            Self::TooLarge(limit) => (
                Code::TooLong,
                format!("The body is larger than {limit} bytes. Nothing was stored; send it in smaller parts."),
            ),
            Self::LongAddress(limit) => (
                Code::TooLong,
                format!("The address is longer than {limit} bytes. Search by POST to _search, or for less at once."),
            ),
            Self::LargeHeaders(limit) => {
                (Code::TooLong, format!("The headers are larger than {limit} bytes together. Send fewer or shorter ones."))
            }
            Self::UnsupportedMedia(change) | Self::UnsupportedPatch(change) => (Code::NotSupported, change.to_owned()),
            Self::UnknownMethod => (
                Code::NotSupported,
                "This method is not known here; send GET, HEAD, POST, PUT, PATCH or DELETE.".to_owned(),
            ),
            Self::Overtime => (
                Code::Transient,
                "The answer was not ready in time. A write that was begun is finished all the same: send it again with \
                 If-None-Exist or If-Match, so that it happens once."
                    .to_owned(),
            ),
            Self::Unready(why) => (Code::Transient, why.to_owned()),
            Self::Broken => (
                Code::Exception,
                "The service failed. Give the X-Request-Id of this answer to whoever runs it; the log names the cause."
                    .to_owned(),
            ),
        };
        vec![Issue::error(code, "", text)]
    }
}

impl From<Refusal> for Failure {
    fn from(refusal: Refusal) -> Self {
        if refusal.reason == Reason::Fault {
            tracing::error!(%refusal, "the service is at fault");
            return Self::Broken;
        }
        Self::Refused(refusal)
    }
}

impl IntoResponse for Failure {
    fn into_response(self) -> Response {
        let (status, headers) = (self.status(), self.headers());
        let mut issues = self.issues();
        if let Some(trace) = trace::current() {
            // Where a place or an example stands, it is worth more.
            for issue in issues.iter_mut().filter(|issue| issue.diagnostics.is_none()) {
                issue.diagnostics = Some(format!("trace {}", trace.id()));
            }
        }
        let outcome = issue::outcome(&issues);
        let mut response = answer(status, headers, media::FHIR_JSON, outcome.to_string());
        response.extensions_mut().insert(Told(Arc::new(outcome)));
        response
    }
}

fn answer(
    status: StatusCode,
    headers: Vec<(HeaderName, HeaderValue)>,
    media: &'static str,
    body: String,
) -> Response {
    let mut response = (status, [(CONTENT_TYPE, media)], body).into_response();
    response.headers_mut().extend(headers);
    response
}

/// What a caught panic is answered with. Its message may hold anything, so it goes nowhere.
#[allow(clippy::needless_pass_by_value, reason = "the signature that the layer wants")]
pub(crate) fn panicked(_message: Box<dyn std::any::Any + Send>) -> Response {
    Failure::Broken.into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(reason: Reason) -> Failure {
        Failure::Refused(Refusal { reason, issues: vec![Issue::error(Code::Invalid, "", "Change it.")] })
    }

    // FHIR R4 http.html, status codes of create, update and read.
    #[test]
    fn each_reason_has_its_status() {
        let table = [
            (Reason::Malformed, 400),
            (Reason::Unprocessable, 422),
            (Reason::UnknownType, 404),
            (Reason::NotFound, 404),
            (Reason::NotAllowed, 405),
            (Reason::Forbidden, 403),
            (Reason::Gone, 410),
            (Reason::PreconditionFailed, 412),
            (Reason::Conflict, 409),
            (Reason::TooLarge, 413),
            (Reason::Unavailable, 503),
            (Reason::Fault, 500),
        ];
        for (reason, status) in table {
            assert_eq!(refusal(reason).status(), status);
        }
    }

    #[test]
    fn a_fault_shows_no_cause() {
        let fault = Refusal {
            reason: Reason::Fault,
            issues: vec![Issue::error(Code::Exception, "", "table resource")],
        };
        let shown = issue::outcome(&Failure::from(fault).issues()).to_string();
        assert!(shown.contains("X-Request-Id") && !shown.contains("table"));
    }

    #[test]
    fn whoever_may_try_again_is_told_when() {
        assert!(refusal(Reason::Unavailable).into_response().headers().contains_key(RETRY_AFTER));
        assert!(Failure::Overtime.into_response().headers().contains_key(RETRY_AFTER));
        assert!(!Failure::Broken.into_response().headers().contains_key(RETRY_AFTER));
    }

    #[test]
    fn every_failure_is_a_valid_outcome() {
        let failures = [
            Failure::bad_request("Change it."),
            Failure::Unauthenticated(None),
            Failure::Unauthenticated(Some("it has no exp".to_owned())),
            Failure::Throttled { retry_after_s: 3 },
            Failure::UnknownType,
            Failure::UnknownRoute,
            Failure::NotOffered("Operations are"),
            Failure::MethodNotAllowed { allow: "GET,HEAD" },
            Failure::NotAcceptable,
            Failure::SlowBody,
            Failure::TooLarge(1),
            Failure::LongAddress(1),
            Failure::LargeHeaders(1),
            Failure::UnsupportedMedia("Send JSON."),
            Failure::UnsupportedPatch("Send a patch."),
            Failure::UnknownMethod,
            Failure::Overtime,
            Failure::Unready("Stopping."),
            Failure::NotReady(vec![Issue::error(Code::Transient, "", "store: It is not there.")]),
            Failure::NotHere("It is elsewhere"),
            Failure::Broken,
        ];
        for failure in failures {
            assert!(failure.status().is_client_error() || failure.status().is_server_error());
            assert_eq!(endplate_fhir::validate::resource(&issue::outcome(&failure.issues())), []);
        }
    }
}
