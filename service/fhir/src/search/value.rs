//! One value of a search parameter, by the kind of the parameter.

use super::{Asked, Match, Part, Prefix, TokenSystem, Unit};
use crate::index::{Param, ParamKind};
use crate::{date, is_id, reference};
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

const PREFIXES: &[(&str, Prefix)] = &[
    ("eq", Prefix::Eq),
    ("ne", Prefix::Ne),
    ("lt", Prefix::Lt),
    ("le", Prefix::Le),
    ("gt", Prefix::Gt),
    ("ge", Prefix::Ge),
    ("sa", Prefix::Sa),
    ("eb", Prefix::Eb),
    ("ap", Prefix::Ap),
];

/// Parameters whose values have no system, so that a pipe can only be a mistake (R4 search, token: boolean, ContactPoint).
const WITHOUT_SYSTEM: &[&str] = &["active", "deceased", "telecom", "phone", "email", "contact"];

/// A text without case and accents (R4 search, string): decomposed, combining marks dropped, in lower case.
///
/// ```
/// assert_eq!(endplate_fhir::search::fold("Müller"), "muller");
/// ```
pub fn fold(text: &str) -> String {
    if text.is_ascii() {
        return text.to_ascii_lowercase();
    }
    text.nfd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase).collect()
}

/// How a value is to be read.
#[derive(Clone, Copy)]
pub(super) enum How<'a> {
    /// As the parameter's kind has it.
    Plain,
    /// `:exact` or `:contains`, of a text.
    Text(Part),
    /// `:identifier`, of a reference.
    Identifier,
    /// `:of-type`, of an identifier.
    OfType,
    /// `:below`, of a URI.
    Below,
    /// `:above`, of a URI.
    Above,
    /// A type, of a reference.
    Kind(&'a str),
}

/// Reads one value. `system` is the implicit system of plain codes, `only` the one type that the parameter leads to.
pub(super) fn one(
    param: &Param,
    part: &str,
    how: How<'_>,
    (system, only): (Option<&str>, Option<&str>),
    base: &str,
) -> Result<Match, &'static str> {
    if part.is_empty() {
        return Err("one of its values is empty. Send a value on each side of the comma.");
    }
    match (param.kind, how) {
        (_, How::Identifier) => {
            let (system, code) = token(part)?;
            Ok(Match::Identified { system, code })
        }
        (_, How::OfType) => of_type(part),
        (_, How::Below) => Ok(Match::Below(unescape(part))),
        (_, How::Above) => Ok(Match::Above(unescape(part))),
        (_, How::Text(whole @ Part::Whole)) => Ok(Match::Text { part: whole, text: unescape(part) }),
        (_, How::Text(how)) => Ok(Match::Text { part: how, text: fold(&unescape(part)) }),
        (ParamKind::Token, _) if param.name == "_id" => {
            let id = unescape(part);
            if is_id(&id) { Ok(Match::Id(id)) } else { Err("an id is 1 to 64 letters, digits, - and .") }
        }
        (ParamKind::Token, _) => coded(param, part, system),
        (ParamKind::Uri, _) if param.name != "_profile" && split_unescaped(part, '|').len() > 1 => {
            Err("send the URI alone; it has no system before a pipe.")
        }
        (ParamKind::Uri | ParamKind::Canonical, _) => {
            Ok(Match::Token { system: TokenSystem::Any, code: Some(unescape(part)) })
        }
        (ParamKind::Text, _) => Ok(Match::Text { part: Part::Start, text: fold(&unescape(part)) }),
        (ParamKind::Date, _) => date_match(part),
        (ParamKind::Number, _) => number(part),
        (ParamKind::Quantity, _) => quantity(part),
        (ParamKind::Reference, _) => {
            let kind = if let How::Kind(kind) = how { Some(kind) } else { None };
            reference_match(&unescape(part), kind, only, base)
        }
    }
}

fn coded(param: &Param, part: &str, implicit: Option<&str>) -> Result<Match, &'static str> {
    if WITHOUT_SYSTEM.contains(&param.name) && split_unescaped(part, '|').len() > 1 {
        return Err("send the value alone; it has no system before a pipe.");
    }
    let (system, code) = token(part)?;
    let system = match (param.system, system) {
        (Some(only), _) => TokenSystem::Is(only.to_owned()),
        // The rows of plain codes have no system; theirs is known.
        (None, TokenSystem::Is(asked)) if implicit == Some(&asked) => TokenSystem::None,
        (None, system) => system,
    };
    Ok(Match::Token { system, code })
}

fn token(part: &str) -> Result<(TokenSystem, Option<String>), &'static str> {
    let parts = split_unescaped(part, '|');
    let texts: Vec<String> = parts.iter().map(|part| unescape(part)).collect();
    match texts.as_slice() {
        [code] => Ok((TokenSystem::Any, Some(code.clone()))),
        [system, code] if !(system.is_empty() && code.is_empty()) => Ok((
            if system.is_empty() { TokenSystem::None } else { TokenSystem::Is(system.clone()) },
            (!code.is_empty()).then(|| code.clone()),
        )),
        _ => Err("send code, system|code, system| or |code."),
    }
}

fn of_type(part: &str) -> Result<Match, &'static str> {
    let texts: Vec<String> = split_unescaped(part, '|').into_iter().map(unescape).collect();
    match texts.as_slice() {
        [system, code, value] if texts.iter().all(|text| !text.is_empty()) => {
            Ok(Match::Typed { system: system.clone(), code: code.clone(), value: value.clone() })
        }
        _ => Err("with :of-type send system|code|value, the first two of the identifier's type."),
    }
}

fn reference_match(
    text: &str,
    asked: Option<&str>,
    only: Option<&str>,
    base: &str,
) -> Result<Match, &'static str> {
    if is_id(text) {
        return Ok(Match::Reference { kind: asked.or(only).map(str::to_owned), id: text.to_owned() });
    }
    match reference::parse(text, base) {
        Some(target) if asked.is_none_or(|kind| kind == target.kind) => {
            Ok(Match::Reference { kind: Some(target.kind), id: target.id })
        }
        // A URL of another server, or a URN: references to it are found as they stand.
        None if asked.is_none() && text.contains(':') => {
            Ok(Match::Reference { kind: Some(String::new()), id: text.to_owned() })
        }
        _ => Err("send an id, Type/id, or a full URL."),
    }
}

fn prefixed(part: &str) -> (Prefix, &str) {
    PREFIXES
        .iter()
        .find_map(|(text, prefix)| Some((*prefix, part.strip_prefix(text)?)))
        .unwrap_or((Prefix::Eq, part))
}

fn date_match(part: &str) -> Result<Match, &'static str> {
    let (prefix, rest) = prefixed(part);
    let (start_ms, end_ms) = date::instant_ms(&unescape(rest)).map_err(|_| {
        "send YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ssZ, with eq, ne, lt, le, gt, ge, sa, eb or ap before \
         it. A + in a zone is written %2B."
    })?;
    Ok(Match::Date { prefix, start_ms, end_ms })
}

fn number(part: &str) -> Result<Match, &'static str> {
    let (prefix, rest) = prefixed(part);
    let asked = asked(&unescape(rest), prefix)
        .ok_or("send a number such as 0.8 or 1e2, with eq, ne, lt, le, gt, ge, sa, eb or ap before it.")?;
    Ok(Match::Quantity { prefix, asked, unit: Unit::Any })
}

fn quantity(part: &str) -> Result<Match, &'static str> {
    const FORMS: &str = "send number, number|system|code or number||unit, with eq, ne, lt, le, gt, ge, sa, eb or ap \
                         before it.";
    let (prefix, rest) = prefixed(part);
    let texts: Vec<String> = split_unescaped(rest, '|').into_iter().map(unescape).collect();
    let (number, unit) = match texts.as_slice() {
        [number] => (number, Unit::Any),
        [number, system, code] if !code.is_empty() => (
            number,
            if system.is_empty() {
                Unit::Named(code.clone())
            } else {
                Unit::Coded { system: system.clone(), code: code.clone() }
            },
        ),
        _ => return Err(FORMS),
    };
    let asked = asked(number, prefix).ok_or(FORMS)?;
    Ok(Match::Quantity { prefix, asked, unit })
}

/// Reads a number with the range that its written precision means: half a unit of the last digit to either side. R4's page
/// gives `100` as [99.5, 100.5), `100.00` as [99.995, 100.005) and `1e2` as [95, 105): a whole number before an exponent
/// counts as written with one decimal.
fn asked(text: &str, prefix: Prefix) -> Option<Asked> {
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok().filter(|e| e.abs() <= 300)?),
        None => (text, 0),
    };
    let digits = mantissa.strip_prefix('-').unwrap_or(mantissa);
    let (whole, decimals) = digits.split_once('.').unwrap_or((digits, ""));
    let all_digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    let is_number = !whole.is_empty() && all_digits(whole) && all_digits(decimals) && text.len() <= 64;
    if !is_number || (digits.contains('.') && decimals.is_empty()) {
        return None;
    }
    let value: f64 = text.parse().ok().filter(|value: &f64| value.is_finite())?;
    if prefix == Prefix::Ap {
        let tenth = value.abs() / 10.0;
        return Some(Asked { value, low: value - tenth, high: value + tenth });
    }
    let written = i32::try_from(decimals.len()).ok()?;
    let places = if written == 0 && text.contains(['e', 'E']) { 1 } else { written };
    // Read from text, so that 5.395 is the number nearest to 5.395 and not the sum of two others.
    let half: f64 = format!("5e{}", exponent - places - 1).parse().ok()?;
    let rounded = |bound: f64| {
        let digits = usize::try_from((places + 1 - exponent).max(0)).unwrap_or(0).min(300);
        format!("{bound:.digits$}").parse().unwrap_or(bound)
    };
    Some(Asked { value, low: rounded(value - half), high: rounded(value + half) })
}

/// Splits at `separator` where no backslash stands before it (R4 search, escaping).
pub(super) fn split_unescaped(text: &str, separator: char) -> Vec<&str> {
    let mut parts = Vec::new();
    let mut rest = text;
    let mut escaped = false;
    let mut begin = 0;
    for (at, c) in text.char_indices() {
        if !escaped && c == separator {
            parts.push(text.get(begin..at).unwrap_or_default());
            begin = at + c.len_utf8();
            rest = text.get(begin..).unwrap_or_default();
        }
        escaped = !escaped && c == '\\';
    }
    parts.push(rest);
    parts
}

pub(super) fn unescape(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        plain.push(if c == '\\' { chars.next().unwrap_or('\\') } else { c });
    }
    plain
}
