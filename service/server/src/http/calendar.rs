//! Reviews as iCalendar feeds, for calendars that subscribe to an address. What they say is in [`endplate_followup::calendar`].
//!
//! These addresses are not FHIR's: an error is a problem document (RFC 9457).

use super::cds::only;
use super::{App, answer};
use crate::access::gate::Served;
use crate::error::Failure;
use crate::extract::{self, pairs};
use crate::publish::fnv1a;
use axum::Router;
use axum::extract::Path;
use axum::http::header::CONTENT_TYPE;
use axum::http::{HeaderMap, Uri};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

/// Where all of it is.
pub(crate) const ROOT: &str = "/calendar";

/// RFC 5545 section 8.1.
pub(crate) const CALENDAR: &str = "text/calendar; charset=utf-8";

/// The routes.
pub(crate) fn routes() -> Router<App> {
    Router::new()
        .route("/calendar/clinic/reviews.ics", only("GET,HEAD", get(of_clinic)))
        .route("/calendar/patient/{id}/reviews.ics", only("GET,HEAD", get(of_patient)))
}

/// `GET`: the clinic's reviews from one day to another.
async fn of_clinic(Served(app): Served, uri: Uri, headers: HeaderMap) -> Response {
    let done = async {
        let [from, to] = asked(&uri, ["from", "to"])?;
        app.read(app.endplate.clinic_calendar(from.as_deref(), to.as_deref())).await
    };
    calendar(done.await, &uri, &headers)
}

/// `GET`: the reviews of one patient.
async fn of_patient(
    Served(app): Served,
    id: Result<Path<String>, axum::extract::rejection::PathRejection>,
    uri: Uri,
    headers: HeaderMap,
) -> Response {
    let done = async {
        let Ok(Path(id)) = id else { return Err(Failure::UnknownRoute) };
        let id = extract::well_formed(id)?;
        let [] = asked(&uri, [])?;
        app.read(app.endplate.patient_calendar(&id)).await
    };
    calendar(done.await, &uri, &headers)
}

/// The parameters of these names, each at most once, and no other.
fn asked<const N: usize>(uri: &Uri, names: [&str; N]) -> Result<[Option<String>; N], Failure> {
    let mut found = [const { None }; N];
    for (name, value) in pairs(uri) {
        let Some(slot) = names.iter().position(|known| *known == name).and_then(|at| found.get_mut(at))
        else {
            let known = if names.is_empty() { "none".to_owned() } else { names.join(" and ") };
            return Err(Failure::bad_request(format!(
                "Leave other parameters out: this calendar takes {known}."
            )));
        };
        if slot.replace(value).is_some() {
            return Err(Failure::bad_request("Send each parameter once."));
        }
    }
    Ok(found)
}

fn calendar(done: Result<String, Failure>, uri: &Uri, headers: &HeaderMap) -> Response {
    match done {
        Ok(text) => answer::tagged(fnv1a(text.as_bytes()), headers, || {
            ([(CONTENT_TYPE, CALENDAR)], text).into_response()
        }),
        Err(failure) => failure.problem(uri.path()),
    }
}
