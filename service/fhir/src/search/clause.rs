//! One parameter of a query: its name with modifier, chain or `_has`, and its values.

use super::request::refuse;
use super::value::{self, How, split_unescaped};
use super::{CHAIN_MAX, Clause, Match, Part};
use crate::index::{self, Param, ParamKind, compartment};
use crate::issue::{Code, Issue};

/// Why a parameter is not a clause.
pub(super) enum Refused {
    /// Its name is not known for the type: it may be passed over.
    Unknown(Issue),
    /// It must not be passed over.
    Wrong(Issue),
}

/// Reads one parameter of a search of `kind`; `name` as it was sent. `depth` references have been followed to get here.
pub(super) fn clause(
    kind: &str,
    name: &str,
    value: &str,
    base: &str,
    depth: usize,
) -> Result<Clause, Refused> {
    let wrong = |text: &str| Refused::Wrong(refuse(name, Code::NotSupported, text));
    if depth > CHAIN_MAX {
        return Err(wrong(&format!("at most {CHAIN_MAX} references are followed; make the chain shorter.")));
    }
    if let Some(rest) = name.strip_prefix("_has:") {
        return referrer(kind, name, rest, value, base, depth);
    }
    if let Some((head, rest)) = name.split_once('.') {
        return chain(kind, name, (head, rest), value, base, depth);
    }
    let (plain, modifier) =
        name.split_once(':').map_or((name, None), |(plain, modifier)| (plain, Some(modifier)));
    let Some(param) = index::param(kind, plain) else {
        return Err(Refused::Unknown(unknown(kind, name)));
    };
    if modifier == Some("missing") && plain != "_id" {
        return missing(param, value)
            .ok_or_else(|| Refused::Wrong(refuse(name, Code::Value, "send true or false with :missing.")));
    }
    let Some((negated, how)) = how(param, modifier) else { return Err(wrong(modifiers(param.kind))) };
    let only = param.target.or_else(|| match index::targets(kind, plain) {
        Some([one]) => Some(*one),
        _ => None,
    });
    let hints = (index::implicit_system(kind, plain), only);
    let any = split_unescaped(value, ',')
        .into_iter()
        .map(|part| value::one(param, part, how, hints, base))
        .collect::<Result<Vec<_>, _>>()
        .map_err(|text| Refused::Wrong(refuse(name, Code::Value, text)))?;
    Ok(Clause { params: rows_of(param), negated, any })
}

/// The parameters in whose rows the values of one stand.
pub(super) fn rows_of(param: &Param) -> Vec<String> {
    match param.held_in {
        [] => vec![param.name.to_owned()],
        others => others.iter().map(|&name| name.to_owned()).collect(),
    }
}

fn how<'a>(param: &Param, modifier: Option<&'a str>) -> Option<(bool, How<'a>)> {
    use ParamKind::{Canonical, Reference, Text, Token, Uri};
    let Some(modifier) = modifier else { return Some((false, How::Plain)) };
    let how = match (modifier, param.kind) {
        ("not", Token) if param.name != "_id" => return Some((true, How::Plain)),
        ("exact", Text) => How::Text(Part::Whole),
        ("contains", Text) => How::Text(Part::Anywhere),
        ("below", Uri | Canonical) => How::Below,
        ("above", Uri | Canonical) => How::Above,
        ("of-type", Token) if param.name == "identifier" => How::OfType,
        ("identifier", Reference) => How::Identifier,
        (kind, Reference)
            if kind.starts_with(|c: char| c.is_ascii_uppercase())
                && kind.bytes().all(|b| b.is_ascii_alphabetic()) =>
        {
            How::Kind(kind)
        }
        _ => return None,
    };
    Some((false, how))
}

fn modifiers(kind: ParamKind) -> &'static str {
    match kind {
        ParamKind::Token => "this modifier is not offered. Use :not or :missing, or :of-type on identifiers.",
        ParamKind::Text => "this modifier is not offered. Use :exact, :contains or :missing.",
        ParamKind::Reference => "this modifier is not offered. Use a resource type, :identifier or :missing.",
        ParamKind::Uri | ParamKind::Canonical => {
            "this modifier is not offered. Use :below, :above or :missing."
        }
        ParamKind::Date | ParamKind::Number | ParamKind::Quantity => {
            "this modifier is not offered. Use :missing."
        }
    }
}

fn missing(param: &Param, value: &str) -> Option<Clause> {
    let negated = match value {
        "true" => true,
        "false" => false,
        _ => return None,
    };
    let kind = (!param.held_in.is_empty()).then_some(param.target).flatten().map(str::to_owned);
    let system = param.system.map(str::to_owned);
    Some(Clause { params: rows_of(param), negated, any: vec![Match::Present { kind, system }] })
}

/// `patient.identifier`, `subject:Patient.name`: R4 search, chaining.
fn chain(
    kind: &str,
    name: &str,
    (head, rest): (&str, &str),
    value: &str,
    base: &str,
    depth: usize,
) -> Result<Clause, Refused> {
    let (plain, asked) = head.split_once(':').map_or((head, None), |(plain, asked)| (plain, Some(asked)));
    let Some(param) = index::param(kind, plain).filter(|param| param.kind == ParamKind::Reference) else {
        return Err(Refused::Unknown(unknown(kind, name)));
    };
    let wrong = |text: &str| Refused::Wrong(refuse(name, Code::NotSupported, text));
    let may: &[&str] = match index::targets(kind, plain) {
        _ if param.target.is_some() => param.target.as_slice(),
        Some(targets) => targets,
        None => crate::TYPES,
    };
    let next = rest.split(['.', ':']).next().unwrap_or_default();
    let knows = |kind: &&&str| rest.starts_with("_has:") || index::param(kind, next).is_some();
    let candidates: Vec<&str> = match asked {
        Some(asked) => may.iter().filter(|kind| **kind == asked).copied().collect(),
        None => may.iter().filter(knows).copied().collect(),
    };
    match candidates.as_slice() {
        [] if asked.is_some() => Err(wrong("the reference does not lead to this type here.")),
        [] => Err(Refused::Unknown(unknown(kind, name))),
        [target] => {
            let clause = clause(target, rest, value, base, depth + 1)?;
            let any = vec![Match::Chain { kind: (*target).to_owned(), clause: Box::new(clause) }];
            Ok(Clause { params: rows_of(param), negated: false, any })
        }
        several => {
            let text = format!(
                "the reference may lead to several types; say which, as in {plain}:{}.{next}.",
                several.first().unwrap_or(&"Patient")
            );
            Err(wrong(&text))
        }
    }
}

/// `_has:Observation:patient:code`: R4 search, reverse chaining. `rest` is what follows `_has:`.
fn referrer(
    kind: &str,
    name: &str,
    rest: &str,
    value: &str,
    base: &str,
    depth: usize,
) -> Result<Clause, Refused> {
    let wrong = |text: &str| Refused::Wrong(refuse(name, Code::NotSupported, text));
    let mut parts = rest.splitn(3, ':');
    let (Some(from), Some(by), Some(inner)) = (parts.next(), parts.next(), parts.next()) else {
        return Err(wrong("write _has:Type:reference:parameter, for example _has:Observation:patient:code."));
    };
    let Some(param) = index::param(from, by).filter(|param| param.kind == ParamKind::Reference) else {
        return Err(wrong("no such type has such a reference; see the CapabilityStatement."));
    };
    let leads_here = match (param.target, index::targets(from, by)) {
        (Some(target), _) => target == kind,
        (None, Some(targets)) => targets.contains(&kind),
        (None, None) => true,
    };
    if !leads_here {
        return Err(wrong("this reference does not lead to the type that is searched."));
    }
    let clause = match clause(from, inner, value, base, depth + 1) {
        Err(Refused::Unknown(issue)) => return Err(Refused::Wrong(issue)),
        read => read?,
    };
    let any =
        vec![Match::Referrer { kind: from.to_owned(), params: rows_of(param), clause: Box::new(clause) }];
    Ok(Clause { params: Vec::new(), negated: false, any })
}

/// That a resource of `kind` is in the compartment of a patient; nothing for a type that is in none.
pub fn in_compartment_of(patient: &str, kind: &str) -> Option<Clause> {
    let params = compartment::of_patient(kind)?;
    let rows = params.iter().filter_map(|name| index::param(kind, name)).flat_map(rows_of);
    let any = vec![Match::Reference { kind: Some("Patient".to_owned()), id: patient.to_owned() }];
    Some(Clause { params: rows.collect(), negated: false, any })
}

/// That a type has no such parameter.
pub(super) fn unknown(kind: &str, name: &str) -> Issue {
    let names: Vec<&str> = index::params(kind).iter().map(|param| param.name).collect();
    let text = format!("not known for {kind}. Use one of: {}, _sort, _count.", names.join(", "));
    refuse(name, Code::NotSupported, &text)
}
