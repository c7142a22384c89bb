//! What a resource can be found by: one table of (type, parameter, kind, paths), and the rows it yields.
//!
//! Names are those of R4's search parameters; the few that are this service's own are marked [`Param::ours`].

use crate::reference::{self, Target};
use crate::{Json, date};
use std::collections::HashMap;
use std::sync::LazyLock;

mod table;

/// One thing that a resource can be found by.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct IndexRow {
    /// The search parameter.
    pub param: &'static str,
    /// The value to be matched.
    pub value: IndexValue,
}

/// The value of an [`IndexRow`].
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum IndexValue {
    /// A code, an identifier, a boolean, a URI or a canonical URL.
    Token {
        /// System of a Coding or Identifier; nothing for plain codes, telecoms, booleans and URLs.
        system: Option<String>,
        /// The code or value; empty if only a system was given.
        code: String,
    },
    /// A reference to a resource of this service.
    Reference {
        /// Its type.
        kind: String,
        /// Its id.
        id: String,
    },
    /// The interval that a date, an instant or a period may mean; an open end is [`i64::MIN`] or [`i64::MAX`].
    Date {
        /// First millisecond since the epoch.
        start_ms: i64,
        /// Last millisecond since the epoch.
        end_ms: i64,
    },
    /// A text in lower case, to be matched by its beginning.
    Text(String),
}

/// How a parameter is matched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ParamKind {
    /// By code or identifier, with its system or without.
    Token,
    /// By the resource referred to.
    Reference,
    /// By interval.
    Date,
    /// By the beginning, without regard to case.
    Text,
    /// By the whole URI.
    Uri,
    /// By canonical URL, with its version or without. A reference in R4's terms.
    Canonical,
}

impl ParamKind {
    /// The code of R4's SearchParameter.type.
    pub fn code(self) -> &'static str {
        match self {
            Self::Token => "token",
            Self::Reference | Self::Canonical => "reference",
            Self::Date => "date",
            Self::Text => "string",
            Self::Uri => "uri",
        }
    }
}

/// A search parameter of one type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Param {
    /// Its name in a query.
    pub name: &'static str,
    /// How it is matched.
    pub kind: ParamKind,
    /// Where its values stand: member names from the resource's root, through any arrays.
    pub paths: &'static [&'static str],
    /// The only type of resource it may lead to, if there is one.
    pub target: Option<&'static str>,
    /// Whether it is this service's own and not one of R4's.
    pub ours: bool,
}

/// The parameters of a type, those of all types first; none for a type that is not accepted. For the
/// CapabilityStatement, and for messages that list what can be asked.
pub fn params(kind: &str) -> &'static [Param] {
    static PARAMS: LazyLock<HashMap<&'static str, Vec<Param>>> = LazyLock::new(|| {
        table::BY_TYPE.iter().map(|(kind, own)| (*kind, [table::COMMON, own].concat())).collect()
    });
    PARAMS.get(kind).map_or(&[], Vec::as_slice)
}

/// The parameter `name` of a type.
pub fn param(kind: &str, name: &str) -> Option<&'static Param> {
    params(kind).iter().find(|param| param.name == name)
}

/// Every parameter that leads to another resource, as `Type.parameter`.
pub fn reference_params() -> Vec<String> {
    let of = |(kind, params): &(&str, &[Param])| {
        let params = params.iter().filter(|param| param.kind == ParamKind::Reference);
        params.map(|param| format!("{kind}.{}", param.name)).collect::<Vec<_>>()
    };
    table::BY_TYPE.iter().flat_map(of).collect()
}

/// All that a resource can be found by, each row once. `base` is the URL of this service, for absolute references.
/// `_id` yields no row: the id is the key. A value that is no date or no reference of this service yields none.
pub fn rows(value: &Json, base: &str) -> Vec<IndexRow> {
    let kind = value.get("resourceType").and_then(Json::as_str).unwrap_or_default();
    let mut rows = Vec::new();
    for param in params(kind) {
        let mut values = Vec::new();
        each_value(value, param, base, &mut |found| {
            if !values.contains(&found) {
                values.push(found);
            }
        });
        rows.extend(values.into_iter().map(|value| IndexRow { param: param.name, value }));
    }
    rows
}

/// The first resource that a reference parameter leads to.
pub(crate) fn first_target(value: &Json, kind: &str, name: &str, base: &str) -> Option<Target> {
    let mut first = None;
    each_value(value, param(kind, name)?, base, &mut |found| {
        if let IndexValue::Reference { kind, id } = found
            && first.is_none()
        {
            first = Some(Target { kind, id });
        }
    });
    first
}

fn each_value(resource: &Json, param: &Param, base: &str, yield_one: &mut dyn FnMut(IndexValue)) {
    for path in param.paths {
        let mut visit = |node: &Json| match param.kind {
            ParamKind::Token => tokens(node, *path == "telecom", yield_one),
            ParamKind::Reference => references(node, param.target, base, yield_one),
            ParamKind::Date => dates(node, yield_one),
            ParamKind::Text => texts(node, yield_one),
            ParamKind::Uri => {
                if let Some(uri) = node.as_str() {
                    yield_one(plain(uri));
                }
            }
            ParamKind::Canonical => canonicals(node, yield_one),
        };
        descend(resource, path, &mut visit);
    }
}

/// Every node at `path`, through any arrays on the way and at its end.
fn descend(node: &Json, path: &str, visit: &mut dyn FnMut(&Json)) {
    if let Json::Array(items) = node {
        for item in items {
            descend(item, path, visit);
        }
    } else if path.is_empty() {
        visit(node);
    } else {
        let (name, rest) = path.split_once('.').unwrap_or((path, ""));
        if let Some(member) = node.get(name) {
            descend(member, rest, visit);
        }
    }
}

fn plain(code: &str) -> IndexValue {
    IndexValue::Token { system: None, code: code.to_owned() }
}

fn text_of<'a>(node: &'a Json, name: &str) -> Option<&'a str> {
    node.get(name).and_then(Json::as_str)
}

/// R4 search, token: the codings of a CodeableConcept, a Coding, an Identifier, a ContactPoint's value, a plain code,
/// string or boolean.
fn tokens(node: &Json, is_telecom: bool, yield_one: &mut dyn FnMut(IndexValue)) {
    match node {
        Json::String(code) => yield_one(plain(code)),
        Json::Bool(truth) => yield_one(plain(if *truth { "true" } else { "false" })),
        Json::Object(members) => {
            if let Some(Json::Array(codings)) = members.get("coding") {
                for coding in codings {
                    tokens(coding, false, yield_one);
                }
                return;
            }
            let code = text_of(node, "code").or_else(|| text_of(node, "value"));
            let system = if is_telecom { None } else { text_of(node, "system") };
            if code.is_some() || system.is_some() {
                yield_one(IndexValue::Token {
                    system: system.map(str::to_owned),
                    code: code.unwrap_or_default().to_owned(),
                });
            }
        }
        _ => {}
    }
}

fn references(node: &Json, only: Option<&str>, base: &str, yield_one: &mut dyn FnMut(IndexValue)) {
    let Some(target) = text_of(node, "reference").and_then(|text| reference::parse(text, base)) else {
        return;
    };
    if only.is_none_or(|only| only == target.kind) {
        yield_one(IndexValue::Reference { kind: target.kind, id: target.id });
    }
}

fn canonicals(node: &Json, yield_one: &mut dyn FnMut(IndexValue)) {
    let Some(url) = node.as_str() else { return };
    yield_one(plain(url));
    if let Some((unversioned, _)) = url.split_once('|') {
        yield_one(plain(unversioned));
    }
}

/// R4 search, date: a date or instant is its interval, a Period runs from the start of its start to the end of its end,
/// a Timing from its earliest to its latest event or over its bounds.
fn dates(node: &Json, yield_one: &mut dyn FnMut(IndexValue)) {
    if let Some(text) = node.as_str() {
        if let Ok((start_ms, end_ms)) = date::instant_ms(text) {
            yield_one(IndexValue::Date { start_ms, end_ms });
        }
        return;
    }
    if let Some(Json::Array(events)) = node.get("event") {
        let spans = events.iter().filter_map(|event| date::instant_ms(event.as_str()?).ok());
        let around = spans.reduce(|(start, end), (start_ms, end_ms)| (start.min(start_ms), end.max(end_ms)));
        if let Some((start_ms, end_ms)) = around {
            yield_one(IndexValue::Date { start_ms, end_ms });
        }
        return;
    }
    let period = node.pointer("/repeat/boundsPeriod").unwrap_or(node);
    let start = text_of(period, "start").map(date::instant_ms);
    let end = text_of(period, "end").map(date::instant_ms);
    if start.is_none() && end.is_none() {
        return;
    }
    let start_ms = start.map_or(Ok(i64::MIN), |span| span.map(|(start_ms, _)| start_ms));
    let end_ms = end.map_or(Ok(i64::MAX), |span| span.map(|(_, end_ms)| end_ms));
    if let (Ok(start_ms), Ok(end_ms)) = (start_ms, end_ms) {
        yield_one(IndexValue::Date { start_ms, end_ms });
    }
}

/// R4 search, string: a text itself, and any part of a HumanName or Address.
fn texts(node: &Json, yield_one: &mut dyn FnMut(IndexValue)) {
    const PARTS: &[&str] = &[
        "text",
        "family",
        "given",
        "prefix",
        "suffix",
        "line",
        "city",
        "district",
        "state",
        "postalCode",
        "country",
    ];
    match node {
        Json::String(text) => yield_one(IndexValue::Text(text.to_lowercase())),
        Json::Object(_) => {
            for part in PARTS {
                descend(node, part, &mut |text| {
                    if text.is_string() {
                        texts(text, yield_one);
                    }
                });
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn values(resource: &Json, name: &str) -> Vec<IndexValue> {
        rows(resource, "https://records.example/fhir")
            .into_iter()
            .filter(|row| row.param == name)
            .map(|row| row.value)
            .collect()
    }

    #[test]
    fn every_accepted_type_has_parameters_with_unique_names() {
        for kind in crate::TYPES {
            let params = params(kind);
            assert!(params.len() > table::COMMON.len(), "{kind}");
            let mut names: Vec<_> = params.iter().map(|param| param.name).collect();
            names.sort_unstable();
            names.dedup();
            assert_eq!(names.len(), params.len(), "{kind}");
        }
        assert_eq!(table::BY_TYPE.len(), crate::TYPES.len());
    }

    // R4 search, date: the boundaries of a Period; an open end counts as unbounded.
    #[test]
    fn periods_and_timings() {
        let task = |period: Json| json!({ "resourceType": "Task", "restriction": { "period": period } });
        assert_eq!(
            values(&task(json!({ "start": "1970-01-01", "end": "1970-01-02" })), "due"),
            [IndexValue::Date { start_ms: 0, end_ms: 2 * 86_400_000 - 1 }]
        );
        assert_eq!(
            values(&task(json!({ "start": "1970-01-02" })), "due"),
            [IndexValue::Date { start_ms: 86_400_000, end_ms: i64::MAX }]
        );
        assert_eq!(
            values(&task(json!({ "end": "1970-01-01" })), "due"),
            [IndexValue::Date { start_ms: i64::MIN, end_ms: 86_399_999 }]
        );
        assert_eq!(values(&task(json!({ "start": "soon" })), "due"), []);
        let request = json!({ "resourceType": "ServiceRequest",
            "occurrenceTiming": { "event": ["1970-01-03", "1970-01-01"] } });
        assert_eq!(
            values(&request, "occurrence"),
            [IndexValue::Date { start_ms: 0, end_ms: 3 * 86_400_000 - 1 }]
        );
    }

    #[test]
    fn canonicals_with_and_without_version() {
        let plan = json!({ "resourceType": "CarePlan", "instantiatesCanonical": ["https://x.example/P|1"] });
        assert_eq!(
            values(&plan, "instantiates-canonical"),
            [plain("https://x.example/P|1"), plain("https://x.example/P")]
        );
    }

    // The alert of contract section 4, as R4 has it.
    #[test]
    fn an_alert_is_found_by_what_it_is_about() {
        let alert = json!({ "resourceType": "DetectedIssue", "status": "final", "severity": "high",
            "code": { "coding": [{ "system": "https://x.example/k", "code": "late" }, { "code": "l" }] },
            "patient": { "reference": "Patient/1" },
            "identifiedPeriod": { "start": "1970-01-01T00:00:01Z" },
            "implicated": [{ "reference": "CarePlan/a" }, { "reference": "Task/b/_history/3" }, { "display": "c" }] });
        let reference = |kind: &str, id: &str| IndexValue::Reference { kind: kind.into(), id: id.into() };
        assert_eq!(values(&alert, "severity"), [plain("high")]);
        assert_eq!(values(&alert, "patient"), [reference("Patient", "1")]);
        assert_eq!(values(&alert, "implicated"), [reference("CarePlan", "a"), reference("Task", "b")]);
        assert_eq!(values(&alert, "identified"), [IndexValue::Date { start_ms: 1000, end_ms: i64::MAX }]);
        let late = IndexValue::Token { system: Some("https://x.example/k".into()), code: "late".into() };
        assert_eq!(values(&alert, "code"), [late, plain("l")]);
    }

    #[test]
    fn a_telecom_is_found_by_its_value_alone() {
        let patient =
            json!({ "resourceType": "Patient", "telecom": [{ "system": "phone", "value": "555" }] });
        assert_eq!(values(&patient, "telecom"), [plain("555")]);
    }
}
