//! Media types: what the service speaks, and whether it and a client understand each other.

use axum::http::HeaderMap;
use axum::http::header::{ACCEPT, CONTENT_ENCODING, CONTENT_TYPE};

/// The type of every FHIR answer.
pub const FHIR_JSON: &str = "application/fhir+json;charset=utf-8";
/// The type of every FHIR notification.
pub const FHIR_JSON_BARE: &str = "application/fhir+json";

/// The types of patches that are taken.
pub const PATCHES: &str = "application/json-patch+json, application/fhir+json";

/// One type with its parameters, names in lower case.
struct Media<'a> {
    essence: String,
    params: Vec<(String, &'a str)>,
}

impl<'a> Media<'a> {
    fn parse(text: &'a str) -> Self {
        let mut parts = text.split(';').map(str::trim);
        let essence = parts.next().unwrap_or_default().to_ascii_lowercase();
        let params = parts
            .filter_map(|part| part.split_once('='))
            .map(|(name, value)| (name.trim().to_ascii_lowercase(), value.trim().trim_matches('"')))
            .collect();
        Self { essence, params }
    }

    fn param(&self, wanted: &str) -> Option<&'a str> {
        self.params.iter().find(|(name, _)| name == wanted).map(|(_, value)| *value)
    }

    fn is_json(&self) -> bool {
        matches!(self.essence.as_str(), "application/fhir+json" | "application/json")
    }

    /// R4 http.html, FHIR version parameter: `4.0` names this release; absent means whatever the server speaks.
    fn is_r4(&self) -> bool {
        self.param("fhirversion").is_none_or(|version| version == "4.0" || version.starts_with("4.0."))
    }

    fn is_utf8(&self) -> bool {
        self.param("charset").is_none_or(|charset| charset.eq_ignore_ascii_case("utf-8"))
    }

    fn is_wanted(&self) -> bool {
        self.param("q").and_then(|q| q.parse::<f32>().ok()).is_none_or(|q| q > 0.0)
    }
}

/// Whether a client takes FHIR R4 JSON. `format` is the query parameter `_format`, which R4 puts before the header.
pub fn is_accepted(headers: &HeaderMap, format: Option<&str>) -> bool {
    // R4 http.html#parameters: _format goes before the header.
    if let Some(format) = format {
        // A plus sign in a query is a space; R4 asks to forgive that in media types.
        let media = format.replace(' ', "+");
        let media = Media::parse(&media);
        return media.essence == "json" || (media.is_json() && media.is_r4());
    }
    let mut ranges = headers.get_all(ACCEPT).iter().peekable();
    ranges.peek().is_none()
        || takes_json(
            &ranges
                .filter_map(|value| value.to_str().ok())
                .flat_map(|value| value.split(','))
                .map(Media::parse)
                .collect::<Vec<_>>(),
        )
}

/// RFC 9110 section 12.5.1: of the ranges that fit a type, the most specific one decides, and `q=0` takes the type out.
fn takes_json(ranges: &[Media<'_>]) -> bool {
    ["application/fhir+json", "application/json"].into_iter().any(|essence| {
        let rank = |range: &&Media<'_>| match range.essence.as_str() {
            one if one == essence => 3,
            "application/*" => 2,
            "*/*" => 1,
            _ => 0,
        };
        let fitting = ranges.iter().filter(|range| rank(range) > 0 && range.is_r4());
        fitting.max_by_key(rank).is_some_and(Media::is_wanted)
    })
}

/// What a client likes best of `forms`, which are media types beside FHIR JSON: an index, or none for FHIR JSON, which is also
/// what a client gets that takes anything.
///
/// # Errors
/// It takes none of them.
pub fn liked(headers: &HeaderMap, format: Option<&str>, forms: &[&str]) -> Result<Option<usize>, ()> {
    let form = |media: &Media<'_>| forms.iter().position(|form| *form == media.essence);
    if let Some(format) = format {
        let media = format.replace(' ', "+");
        return match form(&Media::parse(&media)) {
            Some(form) => Ok(Some(form)),
            None if is_accepted(headers, Some(format)) => Ok(None),
            None => Err(()),
        };
    }
    let ranges = headers.get_all(ACCEPT).iter().filter_map(|value| value.to_str().ok());
    let mut best: Option<(f32, Option<usize>)> = is_accepted(headers, None).then_some((0.0, None));
    for range in ranges.flat_map(|value| value.split(',')) {
        let media = Media::parse(range);
        let weight = media.param("q").and_then(|q| q.parse::<f32>().ok()).unwrap_or(1.0);
        let wanted = if media.is_json() && media.is_r4() { Some(None) } else { form(&media).map(Some) };
        if let Some(wanted) = wanted.filter(|_| weight > best.map_or(0.0, |(weight, _)| weight)) {
            best = Some((weight, wanted));
        }
    }
    best.map(|(_, wanted)| wanted).ok_or(())
}

/// Whether a body is FHIR R4 JSON as it says.
///
/// # Errors
/// It is not; what to change.
pub fn check_body(headers: &HeaderMap) -> Result<(), &'static str> {
    if headers.get(CONTENT_ENCODING).is_some_and(|value| !value.as_bytes().eq_ignore_ascii_case(b"identity"))
    {
        return Err("Send the body without Content-Encoding.");
    }
    let text = headers.get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let media = Media::parse(text);
    if !media.is_json() {
        return Err("Send Content-Type: application/fhir+json or application/json.");
    }
    if !media.is_r4() {
        return Err("This service speaks FHIR R4: send fhirVersion=4.0, or none.");
    }
    if !media.is_utf8() {
        return Err("Send the body in UTF-8.");
    }
    Ok(())
}

/// Whether a body is a patch as it says; true for a JSON Patch, false for a FHIRPath Patch.
///
/// # Errors
/// It is neither; what to change.
pub fn check_patch(headers: &HeaderMap) -> Result<bool, &'static str> {
    let media = plain_media(headers)?;
    if media.essence == "application/json-patch+json" && media.is_utf8() {
        return Ok(true);
    }
    if media.is_json() && media.is_r4() && media.is_utf8() {
        return Ok(false);
    }
    Err(
        "Send a JSON Patch as application/json-patch+json, or a FHIRPath Patch as application/fhir+json, in UTF-8.",
    )
}

/// Whether Accept and Content-Type name different releases of FHIR (R4 http.html#version-parameter).
pub fn releases_differ(headers: &HeaderMap) -> bool {
    let named = |name| {
        let text = headers.get(name).and_then(|value| value.to_str().ok())?;
        Media::parse(text.split(',').next()?).param("fhirversion").map(str::to_owned)
    };
    matches!((named(ACCEPT), named(CONTENT_TYPE)), (Some(accept), Some(sent)) if !same_release(&accept, &sent))
}

fn same_release(left: &str, right: &str) -> bool {
    let release = |text: &str| text.splitn(3, '.').take(2).map(str::to_owned).collect::<Vec<_>>();
    release(left) == release(right)
}

/// Whether a body is the form of a search as it says.
///
/// # Errors
/// It is not; what to change.
pub fn check_form(headers: &HeaderMap) -> Result<(), &'static str> {
    if plain_media(headers)?.essence == "application/x-www-form-urlencoded" {
        Ok(())
    } else {
        Err("Send Content-Type: application/x-www-form-urlencoded.")
    }
}

fn plain_media(headers: &HeaderMap) -> Result<Media<'_>, &'static str> {
    if headers.get(CONTENT_ENCODING).is_some_and(|value| !value.as_bytes().eq_ignore_ascii_case(b"identity"))
    {
        return Err("Send the body without Content-Encoding.");
    }
    Ok(Media::parse(headers.get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    fn accepts(accept: &'static str) -> bool {
        is_accepted(&HeaderMap::from_iter([(ACCEPT, HeaderValue::from_static(accept))]), None)
    }

    fn body(content_type: &'static str) -> bool {
        check_body(&HeaderMap::from_iter([(CONTENT_TYPE, HeaderValue::from_static(content_type))])).is_ok()
    }

    // FHIR R4 http.html#mime-type and #version-parameter.
    #[test]
    fn json_of_this_release_is_accepted() {
        for accept in [
            "application/fhir+json",
            "application/json",
            "*/*",
            "text/html, application/*;q=0.5",
            "application/fhir+json; fhirVersion=4.0",
            "application/fhir+xml, application/FHIR+JSON;q=0.2",
        ] {
            assert!(accepts(accept), "{accept}");
        }
        for accept in [
            "application/fhir+xml",
            "text/html",
            "application/json;q=0",
            "application/fhir+json;fhirVersion=5.0",
        ] {
            assert!(!accepts(accept), "{accept}");
        }
        assert!(is_accepted(&HeaderMap::new(), None));
    }

    // RFC 9110 section 12.5.1: the type with the greatest weight.
    #[test]
    fn the_form_that_is_liked_best_is_given() {
        let forms = ["image/svg+xml", "application/pdf"];
        for (accept, expected) in [
            ("image/svg+xml", Ok(Some(0))),
            ("application/pdf;q=0.9, image/svg+xml;q=0.1", Ok(Some(1))),
            ("application/fhir+json, image/svg+xml;q=0.5", Ok(None)),
            ("text/html, */*;q=0.1", Ok(None)),
            ("text/html", Err(())),
            ("image/svg+xml;q=0", Err(())),
        ] {
            let headers = HeaderMap::from_iter([(ACCEPT, HeaderValue::from_static(accept))]);
            assert_eq!(liked(&headers, None, &forms), expected, "{accept}");
        }
        assert_eq!(liked(&HeaderMap::new(), None, &forms), Ok(None));
        assert_eq!(liked(&HeaderMap::new(), Some("image/svg xml"), &forms), Ok(Some(0)));
        assert_eq!(liked(&HeaderMap::new(), Some("xml"), &forms), Err(()));
    }

    #[test]
    fn format_goes_before_the_header() {
        let xml = HeaderMap::from_iter([(ACCEPT, HeaderValue::from_static("application/fhir+xml"))]);
        assert!(is_accepted(&xml, Some("json")) && is_accepted(&xml, Some("application/fhir json")));
        assert!(!is_accepted(&HeaderMap::new(), Some("xml")));
    }

    #[test]
    fn bodies_are_json_in_utf8() {
        for content_type in [
            "application/fhir+json",
            "application/json; charset=UTF-8",
            "application/fhir+json;fhirVersion=4.0",
        ] {
            assert!(body(content_type), "{content_type}");
        }
        for content_type in [
            "",
            "text/plain",
            "application/fhir+xml",
            "application/json;charset=latin1",
            "application/fhir+json;fhirVersion=5.0",
        ] {
            assert!(!body(content_type), "{content_type}");
        }
        assert!(check_body(&HeaderMap::new()).is_err());
    }
}
