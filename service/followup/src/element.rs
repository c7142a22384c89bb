//! Small readers of FHIR elements that several rooms need.

use crate::code;
use endplate_fhir::Json;
use endplate_fhir::date::{self, DateSpan};
use endplate_recovery::unit::{Date, DateRange};

/// The text at a path of member names.
pub fn text<'a>(value: &'a Json, path: &[&str]) -> Option<&'a str> {
    path.iter().try_fold(value, |value, name| value.get(name))?.as_str()
}

/// The items of an array member; nothing if there is no such array.
pub fn items<'a>(value: &'a Json, name: &str) -> impl Iterator<Item = &'a Json> + use<'a> {
    value.get(name).and_then(Json::as_array).into_iter().flatten()
}

/// The code of a CodeableConcept, Coding or code in one of our code systems.
pub fn coded<'a>(concept: &'a Json, system: &str) -> Option<&'a str> {
    let system = code::system(system);
    if let Some(code) = concept.as_str() {
        return Some(code);
    }
    let of = |coding: &'a Json| {
        (text(coding, &["system"]) == Some(&system)).then(|| text(coding, &["code"])).flatten()
    };
    items(concept, "coding").find_map(of).or_else(|| of(concept))
}

/// What a CodeableConcept says to people.
pub fn worded(concept: &Json) -> Option<&str> {
    text(concept, &["text"])
        .or_else(|| items(concept, "coding").find_map(|coding| text(coding, &["display"])))
        .or_else(|| text(concept, &["display"]))
        .or_else(|| concept.as_str())
}

/// Our extensions of one name on an element.
pub fn extensions<'a>(value: &'a Json, name: &str) -> impl Iterator<Item = &'a Json> + use<'a> {
    let url = code::structure(name);
    items(value, "extension").filter(move |extension| text(extension, &["url"]) == Some(&url))
}

/// The sub-extensions of one name; their url is the plain name.
pub fn parts<'a>(extension: &'a Json, name: &str) -> impl Iterator<Item = &'a Json> + use<'a> {
    let name = name.to_owned();
    items(extension, "extension").filter(move |part| text(part, &["url"]) == Some(&name))
}

/// The value of an extension, whatever its type.
pub fn value(extension: &Json) -> Option<&Json> {
    extension.as_object()?.iter().find(|(name, _)| name.starts_with("value")).map(|(_, value)| value)
}

/// A civil date of the calendar library as a day of the model.
pub fn day(date: jiff::civil::Date) -> Date {
    Date::from_civil(date)
}

/// A FHIR date of any precision as the days it may mean; `None` if it is no date (which validation reports).
pub fn range(text: &str) -> Option<DateRange> {
    let DateSpan { earliest, latest, .. } = date::span(text).ok()?;
    Some(DateRange { earliest: day(earliest), latest: day(latest) })
}

/// The days that `[x]` may mean, from `{name}DateTime`, `{name}Date`, `{name}Instant` or `{name}Period`.
pub fn timing(value: &Json, name: &str) -> Option<DateRange> {
    for suffix in ["DateTime", "Date", "Instant"] {
        if let Some(text) = value.get(format!("{name}{suffix}")).and_then(Json::as_str) {
            return range(text);
        }
    }
    period(value.get(format!("{name}Period"))?)
}

/// The days of a Period: from the earliest its start may be to the latest its end may be.
pub fn period(period: &Json) -> Option<DateRange> {
    let start = text(period, &["start"]).and_then(range);
    let end = text(period, &["end"]).and_then(range);
    match (start, end) {
        (Some(start), Some(end)) => Some(DateRange { earliest: start.earliest, latest: end.latest }),
        (Some(one), None) | (None, Some(one)) => Some(one),
        (None, None) => None,
    }
}

/// What identifies a resource for ever: its first business identifier, else its id.
pub fn name_of(resource: &Json) -> String {
    let identifier = items(resource, "identifier").find_map(|identifier| {
        let value = text(identifier, &["value"])?;
        Some(format!("{}|{value}", text(identifier, &["system"]).unwrap_or_default()))
    });
    identifier.unwrap_or_else(|| text(resource, &["id"]).unwrap_or_default().to_owned())
}

/// `Type/id` of a resource.
pub fn reference_of(resource: &Json) -> String {
    format!(
        "{}/{}",
        text(resource, &["resourceType"]).unwrap_or_default(),
        text(resource, &["id"]).unwrap_or_default()
    )
}
