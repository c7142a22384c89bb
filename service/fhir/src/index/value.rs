//! From an element to the rows it yields, by the kind of the parameter.

use super::{IndexValue, Number, Param, ParamKind};
use crate::{Json, date, reference};

/// Every value that a parameter finds in a resource, in the order of its paths.
pub(super) fn each(resource: &Json, param: &Param, base: &str, yield_one: &mut dyn FnMut(IndexValue)) {
    if param.name == "deceased" {
        return yield_one(plain(if is_deceased(resource) { "true" } else { "false" }));
    }
    for path in param.paths {
        let mut visit = |node: &Json| match param.kind {
            ParamKind::Token => tokens(node, yield_one),
            ParamKind::Reference => references(node, param.target, base, yield_one),
            ParamKind::Date => dates(node, yield_one),
            ParamKind::Text => texts(node, yield_one),
            ParamKind::Uri if param.name != "_profile" => {
                if let Some(uri) = node.as_str() {
                    yield_one(plain(uri));
                }
            }
            ParamKind::Uri | ParamKind::Canonical => canonicals(node, yield_one),
            ParamKind::Number | ParamKind::Quantity => quantities(node, yield_one),
        };
        descend(resource, path, &mut visit);
    }
}

/// R4: `Patient.deceased.exists() and Patient.deceased != false`.
fn is_deceased(patient: &Json) -> bool {
    patient.get("deceasedDateTime").is_some()
        || patient.get("deceasedBoolean").and_then(Json::as_bool).unwrap_or(false)
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
fn tokens(node: &Json, yield_one: &mut dyn FnMut(IndexValue)) {
    match node {
        Json::String(code) => yield_one(plain(code)),
        Json::Bool(truth) => yield_one(plain(if *truth { "true" } else { "false" })),
        Json::Object(members) => {
            if let Some(Json::Array(codings)) = members.get("coding") {
                for coding in codings {
                    tokens(coding, yield_one);
                }
                return;
            }
            let code = text_of(node, "code").or_else(|| text_of(node, "value"));
            let system = text_of(node, "system");
            if code.is_some() || system.is_some() {
                yield_one(IndexValue::Token {
                    system: system.map(str::to_owned),
                    code: code.unwrap_or_default().to_owned(),
                });
            }
            let Some(value) = text_of(node, "value") else { return };
            for coding in node.pointer("/type/coding").and_then(Json::as_array).into_iter().flatten() {
                if let (Some(system), Some(code)) = (text_of(coding, "system"), text_of(coding, "code")) {
                    let (system, code, value) = (system.to_owned(), code.to_owned(), value.to_owned());
                    yield_one(IndexValue::Typed { system, code, value });
                }
            }
        }
        _ => {}
    }
}

fn references(node: &Json, only: Option<&str>, base: &str, yield_one: &mut dyn FnMut(IndexValue)) {
    let text = text_of(node, "reference");
    let target = text.and_then(|text| reference::parse(text, base));
    match (target, only) {
        (Some(target), Some(only)) if target.kind != only => return,
        (Some(target), _) => yield_one(IndexValue::Reference { kind: target.kind, id: target.id }),
        (None, Some(_)) if text.is_some() => return,
        (None, _) if node.is_object() => {
            let id = text.unwrap_or_default().to_owned();
            yield_one(IndexValue::Reference { kind: String::new(), id });
        }
        (None, _) => {}
    }
    let Some(identifier) = node.get("identifier") else { return };
    let (system, value) = (text_of(identifier, "system"), text_of(identifier, "value"));
    if system.is_some() || value.is_some() {
        yield_one(IndexValue::Identified {
            system: system.map(str::to_owned),
            code: value.unwrap_or_default().to_owned(),
        });
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
        Json::String(text) => yield_one(IndexValue::Text(text.clone())),
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

/// A number, a Quantity, or a Range; what is only "less than" reaches to the end of the scale.
fn quantities(node: &Json, yield_one: &mut dyn FnMut(IndexValue)) {
    let number = |node: &Json| node.to_string().parse::<f64>().ok().filter(|value| value.is_finite());
    let unit = |name: &str| {
        [Some(node), node.get("low"), node.get("high")]
            .into_iter()
            .flatten()
            .find_map(|node| text_of(node, name))
            .unwrap_or_default()
            .to_owned()
    };
    let value = if node.is_number() { number(node) } else { node.get("value").and_then(number) };
    let bound = |name: &str| node.get(name).and_then(|node| node.get("value")).and_then(number);
    let (low, high) = match (value, text_of(node, "comparator")) {
        (Some(value), Some("<" | "<=")) => (f64::MIN, value),
        (Some(value), Some(">" | ">=")) => (value, f64::MAX),
        (Some(value), _) => (value, value),
        (None, _) => match (bound("low"), bound("high")) {
            (None, None) => return,
            (low, high) => (low.unwrap_or(f64::MIN), high.unwrap_or(f64::MAX)),
        },
    };
    let (system, code, unit) = (unit("system"), unit("code"), unit("unit"));
    yield_one(IndexValue::Quantity { low: Number(low), high: Number(high), system, code, unit });
}
