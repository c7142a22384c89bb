//! `RiskAssessment/{id}/$chart`: the recovery chart, as FHIR or as the picture alone.

use super::answer;
use super::operation::{Given, Id};
use crate::access::gate::Served;
use crate::error::Failure;
use crate::{extract, media};
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::http::{HeaderMap, Uri};
use axum::response::{IntoResponse, Response};
use endplate_followup::chart::{PDF, SVG};

const FORMS: [&str; 2] = [SVG, PDF];

/// `GET` or `POST`: a DiagnosticReport, or with `format` or by what the client likes best an SVG or a PDF.
pub(crate) async fn chart(
    Served(app): Served,
    Id(id): Id,
    uri: Uri,
    headers: HeaderMap,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    let form = match inputs.text("format")?.as_deref() {
        Some("svg") => Some(0),
        Some("pdf") => Some(1),
        Some(_) => {
            return Err(Failure::bad_request(
                "The parameter format is svg or pdf; leave it out for a DiagnosticReport.",
            ));
        }
        None => {
            let format = extract::pairs(&uri).find(|(name, _)| name == "_format").map(|(_, value)| value);
            media::liked(&headers, format.as_deref(), &FORMS).map_err(|()| Failure::NotAcceptable)?
        }
    };
    let chart = app.read(app.endplate.chart(&id, &inputs)).await?;
    Ok(match form {
        // A picture may be opened by itself: it brings nothing along and may fetch nothing.
        Some(0) => {
            let headers = [(CONTENT_TYPE, SVG), (CONTENT_SECURITY_POLICY, "default-src 'none'; sandbox")];
            (headers, chart.svg).into_response()
        }
        Some(_) => ([(CONTENT_TYPE, PDF)], chart.pdf).into_response(),
        None => answer::document(chart.report.to_string()),
    })
}
