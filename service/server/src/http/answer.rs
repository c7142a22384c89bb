//! Answers that are a success.

use super::App;
use crate::extract::{Handling, Prefer};
use crate::media;
use axum::http::header::{CONTENT_TYPE, ETAG, IF_NONE_MATCH, LAST_MODIFIED, LOCATION};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use endplate_fhir::Json;
use endplate_fhir::issue::{self, Issue};
use endplate_followup::Written;
use endplate_followup::ports::Stored;
use jiff::Timestamp;
use jiff::fmt::rfc2822::DateTimePrinter;

const PREFERENCE_APPLIED: HeaderName = HeaderName::from_static("preference-applied");

/// A FHIR document that has no version of its own.
pub(super) fn document(body: String) -> Response {
    ([(CONTENT_TYPE, media::FHIR_JSON)], body).into_response()
}

/// What a search found, as JSON text.
pub(super) fn found(bundle: String, handling: Handling) -> Response {
    let mut response = document(bundle);
    let applied = handling.applied().map(HeaderValue::from_static);
    response.headers_mut().extend(applied.map(|applied| (PREFERENCE_APPLIED, applied)));
    response
}

/// An answer whose tag is made of its content; nothing but the tag for who has it already.
pub(super) fn tagged(hash: u64, headers: &HeaderMap, full: impl FnOnce() -> Response) -> Response {
    let etag = format!("W/\"{hash:016x}\"");
    let known = headers.get_all(IF_NONE_MATCH).iter().filter_map(|value| value.to_str().ok());
    // RFC 9110 section 13.1.2: tags are compared weakly.
    let strong = etag.trim_start_matches("W/");
    let mut tags = known.flat_map(|value| value.split(',')).map(str::trim);
    let mut response = if tags.any(|tag| tag == "*" || tag.trim_start_matches("W/") == strong) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        full()
    };
    response.headers_mut().extend(HeaderValue::from_str(&etag).ok().map(|value| (ETAG, value)));
    response
}

/// A stored resource, as it is.
pub(super) fn stored(stored: Stored) -> Response {
    let mut response = document(stored.body);
    versioned(response.headers_mut(), stored.version, stored.at);
    response
}

/// What became of a write. `with_location`: the address of the version is told, as after every create.
pub(super) fn written(app: &App, written: Written, prefer: Prefer, with_location: bool) -> Response {
    let status = if written.created { StatusCode::CREATED } else { StatusCode::OK };
    let Written { kind, id, version, at, body, remarks, deleted, .. } = written;
    if deleted {
        return ended(version, &remarks, prefer);
    }
    let mut response = match prefer {
        Prefer::Minimal => status.into_response(),
        // The client may write and not read.
        Prefer::Unsaid | Prefer::Representation if body.is_empty() => status.into_response(),
        Prefer::Unsaid | Prefer::Representation => (status, document(body)).into_response(),
        Prefer::Outcome => (status, document(issue::outcome(&remarks).to_string())).into_response(),
    };
    let headers = response.headers_mut();
    versioned(headers, version, at);
    if with_location {
        let location = format!("{}/{kind}/{id}/_history/{version}", app.base);
        headers.extend(HeaderValue::from_str(&location).ok().map(|value| (LOCATION, value)));
    }
    apply(headers, prefer);
    response
}

/// A deletion: nothing, unless remarks are wanted.
fn ended(version: u64, remarks: &[Issue], prefer: Prefer) -> Response {
    let mut response = match prefer {
        Prefer::Outcome => document(issue::outcome(remarks).to_string()),
        _ => StatusCode::NO_CONTENT.into_response(),
    };
    let headers = response.headers_mut();
    if version > 0 {
        headers.extend(HeaderValue::from_str(&format!("W/\"{version}\"")).ok().map(|value| (ETAG, value)));
    }
    if prefer == Prefer::Outcome {
        apply(headers, prefer);
    }
    response
}

/// A version that the reader already has.
pub(super) fn unchanged(stored: &Stored) -> Response {
    let mut response = StatusCode::NOT_MODIFIED.into_response();
    versioned(response.headers_mut(), stored.version, stored.at);
    response
}

/// The answer to a transaction or batch: one response for each entry.
pub(super) fn bundle(bundle: &Json, prefer: Prefer) -> Response {
    let mut response = document(bundle.to_string());
    apply(response.headers_mut(), prefer);
    response
}

fn versioned(headers: &mut HeaderMap, version: u64, at: Timestamp) {
    headers.extend(HeaderValue::from_str(&format!("W/\"{version}\"")).ok().map(|value| (ETAG, value)));
    let modified = DateTimePrinter::new().timestamp_to_rfc9110_string(&at).ok();
    headers.extend(
        modified.and_then(|text| HeaderValue::from_str(&text).ok()).map(|value| (LAST_MODIFIED, value)),
    );
}

fn apply(headers: &mut HeaderMap, prefer: Prefer) {
    headers.extend(prefer.applied().map(|applied| (PREFERENCE_APPLIED, HeaderValue::from_static(applied))));
}
