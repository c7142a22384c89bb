//! What handlers are given: parts of a request, read and checked, each refusing what it cannot use.

use crate::audit;
use crate::error::Failure;
use crate::http::App;
use crate::media;
use axum::extract::{FromRequest, FromRequestParts, Path, Request};
use axum::http::header::CONTENT_LENGTH;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, Uri};
use endplate_fhir::Json;
use endplate_fhir::subset::Shape;
use endplate_followup::{Reason, Refusal};
use http_body_util::{BodyExt, LengthLimitError, Limited};
use std::convert::Infallible;

/// A type that is stored, from `/fhir/{kind}`.
pub struct Type(pub String);

impl<S: Send + Sync> FromRequestParts<S> for Type {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Failure> {
        let Ok(Path(kind)) = Path::<String>::from_request_parts(parts, state).await else {
            return Err(Failure::UnknownRoute);
        };
        known(kind).map(Self)
    }
}

/// A version of a resource, from `/fhir/{kind}/{id}/_history/{version}`.
pub struct Versioned {
    /// Its type, one that is stored.
    pub kind: String,
    /// Its id, well-formed.
    pub id: String,
    /// The version's id as it was sent.
    pub version: String,
}

impl<S: Send + Sync> FromRequestParts<S> for Versioned {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Failure> {
        let path = Path::<(String, String, String)>::from_request_parts(parts, state).await;
        let Ok(Path((kind, id, version))) = path else { return Err(Failure::UnknownRoute) };
        Ok(Self { kind: known(kind)?, id: well_formed(id)?, version })
    }
}

/// A resource, from `/fhir/{kind}/{id}`.
pub struct Instance {
    /// Its type, one that is stored.
    pub kind: String,
    /// Its id, well-formed.
    pub id: String,
}

impl<S: Send + Sync> FromRequestParts<S> for Instance {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Failure> {
        let Ok(Path((kind, id))) = Path::<(String, String)>::from_request_parts(parts, state).await else {
            return Err(Failure::UnknownRoute);
        };
        let kind = known(kind)?;
        if let Some(what) = not_offered(&id) {
            return Err(what);
        }
        Ok(Self { kind, id: well_formed(id)? })
    }
}

/// An id as FHIR has it.
///
/// # Errors
/// It is none.
pub(crate) fn well_formed(id: String) -> Result<String, Failure> {
    if endplate_fhir::is_id(&id) {
        Ok(id)
    } else {
        Err(Failure::bad_request("An id is 1 to 64 letters, digits, hyphens and dots."))
    }
}

fn known(kind: String) -> Result<String, Failure> {
    if kind == "_search" {
        return Err(Failure::MethodNotAllowed { allow: "POST" });
    }
    if let Some(what) = not_offered(&kind) {
        return Err(what);
    }
    if endplate_fhir::TYPES.contains(&kind.as_str()) { Ok(kind) } else { Err(Failure::UnknownType) }
}

/// Whether a segment of an address is something that FHIR knows and this service does not offer.
pub fn not_offered(segment: &str) -> Option<Failure> {
    match segment {
        _ if segment.starts_with('$') => Some(Failure::NotOffered("This operation is")),
        _ => None,
    }
}

/// The query without `_format` and `_pretty`, which are about the answer's form and were looked at before.
pub struct Query(pub Vec<(String, String)>);

impl<S: Sync> FromRequestParts<S> for Query {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        Ok(Self(pairs(&parts.uri).filter(is_about_content).collect()))
    }
}

fn is_about_content((name, _): &(String, String)) -> bool {
    !matches!(name.as_str(), "_format" | "_pretty")
}

/// All pairs of a query, decoded.
pub fn pairs(uri: &Uri) -> impl Iterator<Item = (String, String)> {
    form_urlencoded::parse(uri.query().unwrap_or_default().as_bytes()).into_owned()
}

/// The pairs of a search by POST: those of the query, then those of the form.
pub struct Form(pub Vec<(String, String)>);

impl FromRequest<App> for Form {
    type Rejection = Failure;

    async fn from_request(request: Request, app: &App) -> Result<Self, Failure> {
        media::check_form(request.headers()).map_err(Failure::UnsupportedMedia)?;
        let mut all: Vec<(String, String)> = pairs(request.uri()).collect();
        let uri = request.uri().clone();
        let bytes = collect(request, app).await?;
        audit::searches(&uri, &bytes);
        all.extend(form_urlencoded::parse(&bytes).into_owned());
        all.retain(is_about_content);
        Ok(Self(all))
    }
}

/// The criteria of a conditional update, patch or deletion: the query of `/fhir/{kind}?…`, as it stands behind the `?`.
pub struct Criteria(pub String);

impl<S: Sync> FromRequestParts<S> for Criteria {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Failure> {
        let Ok(Query(pairs)) = Query::from_request_parts(parts, state).await;
        if pairs.is_empty() {
            let text = "Send this to Type/id, or with search criteria that match one resource, such as \
                        Type?identifier=system|value.";
            return Err(Failure::bad_request(text));
        }
        Ok(Self(form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish()))
    }
}

/// Refuses a query where none is looked at: what is not heeded must not look heeded.
pub struct NoQuery;

impl<S: Sync> FromRequestParts<S> for NoQuery {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Failure> {
        let Ok(Query(pairs)) = Query::from_request_parts(parts, state).await;
        if pairs.is_empty() {
            Ok(Self)
        } else {
            Err(Failure::bad_request(
                "Only the parameters _format and _pretty are offered here; leave the others out.",
            ))
        }
    }
}

/// How much of a resource a read wants: `_summary` or `_elements`, and no other parameter.
pub struct Shaped(pub Shape);

impl<S: Sync> FromRequestParts<S> for Shaped {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Failure> {
        let Ok(Query(pairs)) = Query::from_request_parts(parts, state).await;
        let mut shape = Shape::Whole;
        for (name, value) in &pairs {
            shape = match name.as_str() {
                "_summary" => Shape::summary(value).ok_or_else(|| {
                    Failure::bad_request("Send _summary as true, text, data or false on a read.")
                })?,
                "_elements" => Shape::Elements(value.split(',').map(|name| name.trim().to_owned()).collect()),
                _ => {
                    return Err(Failure::bad_request(
                        "Only the parameters _summary, _elements, _format and _pretty are offered on a read; leave the \
                         others out.",
                    ));
                }
            };
        }
        Ok(Self(shape))
    }
}

/// What an answer to a write should carry (R4 http.html#ops).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Prefer {
    /// Nothing was said: the resource.
    Unsaid,
    /// `return=minimal`: headers only.
    Minimal,
    /// `return=representation`: the resource.
    Representation,
    /// `return=OperationOutcome`: remarks about the write.
    Outcome,
}

impl Prefer {
    fn of(headers: &HeaderMap) -> Self {
        let said = headers.get_all("prefer").iter().filter_map(|value| value.to_str().ok());
        let mut preferences = said.flat_map(|value| value.split([',', ';'])).map(str::trim);
        // The first one counts (RFC 7240, section 2); one that is not known is passed over.
        preferences
            .find_map(|preference| match preference.replace('"', "").as_str() {
                "return=minimal" => Some(Self::Minimal),
                "return=representation" => Some(Self::Representation),
                "return=OperationOutcome" => Some(Self::Outcome),
                _ => None,
            })
            .unwrap_or(Self::Unsaid)
    }

    /// What the header `Preference-Applied` says.
    pub fn applied(self) -> Option<&'static str> {
        match self {
            Self::Unsaid => None,
            Self::Minimal => Some("return=minimal"),
            Self::Representation => Some("return=representation"),
            Self::Outcome => Some("return=OperationOutcome"),
        }
    }
}

impl<S: Sync> FromRequestParts<S> for Prefer {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        Ok(Self::of(&parts.headers))
    }
}

/// What to do with search parameters that are not known (R4 search, errors).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Handling {
    /// Nothing was said: as configured.
    Unsaid,
    /// `handling=strict`: refuse them.
    Strict,
    /// `handling=lenient`: pass over them with a warning.
    Lenient,
}

impl Handling {
    /// Whether unknown parameters are refused.
    pub(crate) fn is_strict(self, app: &App) -> bool {
        match self {
            Self::Unsaid => app.search_strict,
            Self::Strict => true,
            Self::Lenient => false,
        }
    }

    /// What the header `Preference-Applied` says.
    pub fn applied(self) -> Option<&'static str> {
        match self {
            Self::Unsaid => None,
            Self::Strict => Some("handling=strict"),
            Self::Lenient => Some("handling=lenient"),
        }
    }
}

impl<S: Sync> FromRequestParts<S> for Handling {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        let said = parts.headers.get_all("prefer").iter().filter_map(|value| value.to_str().ok());
        let mut preferences = said.flat_map(|value| value.split([',', ';'])).map(str::trim);
        let found = preferences.find_map(|preference| match preference {
            "handling=strict" => Some(Self::Strict),
            "handling=lenient" => Some(Self::Lenient),
            _ => None,
        });
        Ok(found.unwrap_or(Self::Unsaid))
    }
}

/// The text of a header, if it was sent.
///
/// # Errors
/// It is not ASCII, or was sent more than once.
pub fn header(headers: &HeaderMap, name: &HeaderName) -> Result<Option<String>, Failure> {
    let mut values = headers.get_all(name).iter();
    match (values.next(), values.next()) {
        (None, _) => Ok(None),
        (Some(value), None) if value.to_str().is_ok() => Ok(value.to_str().ok().map(str::to_owned)),
        _ => Err(Failure::bad_request(format!("Send the header {name} once, in ASCII."))),
    }
}

/// A body that is one FHIR resource, read strictly.
pub struct Resource(pub Json);

impl FromRequest<App> for Resource {
    type Rejection = Failure;

    async fn from_request(request: Request, app: &App) -> Result<Self, Failure> {
        media::check_body(request.headers()).map_err(Failure::UnsupportedMedia)?;
        let bytes = collect(request, app).await?;
        let value = endplate_fhir::json::parse(&bytes)
            .map_err(|issue| Failure::Refused(Refusal { reason: Reason::Malformed, issues: vec![issue] }))?;
        Ok(Self(value))
    }
}

/// A body that is a patch: JSON Patch by its own media type, or FHIRPath Patch as a FHIR resource.
pub struct PatchBody(pub Json);

impl FromRequest<App> for PatchBody {
    type Rejection = Failure;

    async fn from_request(request: Request, app: &App) -> Result<Self, Failure> {
        let is_pointer = media::check_patch(request.headers()).map_err(Failure::UnsupportedPatch)?;
        let bytes = collect(request, app).await?;
        let read = if is_pointer {
            endplate_fhir::json::parse_array(&bytes)
        } else {
            endplate_fhir::json::parse(&bytes)
        };
        let malformed = |issue| Failure::Refused(Refusal { reason: Reason::Malformed, issues: vec![issue] });
        read.map(Self).map_err(malformed)
    }
}

/// Reads a body to its end, within the limits of size and time.
pub async fn collect(request: Request, app: &App) -> Result<Vec<u8>, Failure> {
    let limit = app.limits.body_bytes;
    let announced =
        request.headers().get(CONTENT_LENGTH).and_then(|value| value.to_str().ok()?.parse::<usize>().ok());
    if announced.is_some_and(|length| length > limit) {
        return Err(Failure::TooLarge(limit));
    }
    match tokio::time::timeout(app.limits.time, Limited::new(request.into_body(), limit).collect()).await {
        Err(_) => Err(Failure::SlowBody),
        Ok(Ok(collected)) => Ok(collected.to_bytes().into()),
        Ok(Err(error)) if error.is::<LengthLimitError>() => Err(Failure::TooLarge(limit)),
        Ok(Err(_)) => Err(Failure::bad_request("The body broke off. Send it again.")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    fn prefer(text: &'static str) -> Prefer {
        Prefer::of(&HeaderMap::from_iter([(
            HeaderName::from_static("prefer"),
            HeaderValue::from_static(text),
        )]))
    }

    // RFC 7240 sections 2 and 4.2; FHIR R4 http.html#ops for OperationOutcome.
    #[test]
    fn preferences_are_read_in_any_company() {
        assert_eq!(prefer("return=minimal"), Prefer::Minimal);
        assert_eq!(prefer("respond-async, return=representation; x=y"), Prefer::Representation);
        assert_eq!(prefer("return=OperationOutcome"), Prefer::Outcome);
        assert_eq!(prefer("return=everything"), Prefer::Unsaid);
        assert_eq!(Prefer::of(&HeaderMap::new()), Prefer::Unsaid);
    }

    #[test]
    fn pairs_are_decoded() {
        let uri: Uri = "/fhir/Task?patient=a%2Fb&status=x+y".parse().expect("a URI");
        let pairs: Vec<_> = pairs(&uri).collect();
        assert_eq!(pairs, [("patient".into(), "a/b".into()), ("status".into(), "x y".into())]);
    }

    #[test]
    fn a_header_sent_twice_is_refused() {
        let name = HeaderName::from_static("if-match");
        let mut headers = HeaderMap::new();
        headers.append(&name, HeaderValue::from_static("W/\"1\""));
        assert!(matches!(header(&headers, &name), Ok(Some(text)) if text == "W/\"1\""));
        headers.append(&name, HeaderValue::from_static("W/\"2\""));
        assert!(header(&headers, &name).is_err());
    }
}
