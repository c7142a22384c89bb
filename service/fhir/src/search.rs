//! What a query asks: R4 search parameters read into clauses, and whether a resource meets them.

use crate::index::{self, IndexRow, IndexValue, Param, ParamKind};
use crate::issue::{Code, Issue};
use crate::{date, is_id, reference};
use std::fmt;

/// How many resources a page holds when the query does not say.
pub const COUNT_DEFAULT: usize = 50;
/// How many resources a page holds at most.
pub const COUNT_MAX: usize = 500;
/// How many values a search may ask for in all; a store puts each of them into one statement.
pub const VALUES_MAX: usize = 200;

/// How a date is compared (R4 search, prefixes; `ap` is not supported).
#[allow(missing_docs, reason = "each variant is the R4 prefix of the same name, described at `holds`")]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Prefix {
    Eq,
    Ne,
    Lt,
    Le,
    Gt,
    Ge,
    Sa,
    Eb,
}

impl Prefix {
    /// Whether the interval `[row_start, row_end]` of a resource meets the asked interval `[start, end]`, all in
    /// milliseconds, ends included. R4 search, prefixes: `eq` the asked interval holds the resource's whole; `gt`/`lt`
    /// the resource's reaches beyond; `ge`/`le` either; `sa`/`eb` it lies wholly beyond.
    pub fn holds(self, start: i64, end: i64, row_start: i64, row_end: i64) -> bool {
        let within = start <= row_start && row_end <= end;
        match self {
            Self::Eq => within,
            Self::Ne => !within,
            Self::Lt => row_start < start,
            Self::Le => row_start < start || within,
            Self::Gt => row_end > end,
            Self::Ge => row_end > end || within,
            Self::Sa => row_start > end,
            Self::Eb => row_end < start,
        }
    }
}

/// The system part of a token.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TokenSystem {
    /// `code`: whatever the system.
    Any,
    /// `|code`: no system.
    None,
    /// `system|code` or `system|`.
    Is(String),
}

/// One value asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Match {
    /// A code or identifier; also a URI or a canonical URL, then of any system.
    Token {
        /// Its system.
        system: TokenSystem,
        /// Its code; nothing for any code of the system.
        code: Option<String>,
    },
    /// A resource referred to.
    Reference {
        /// Its type; nothing for any type.
        kind: Option<String>,
        /// Its id.
        id: String,
    },
    /// A date or instant.
    Date {
        /// How it is compared.
        prefix: Prefix,
        /// The first millisecond since the epoch that it may mean.
        start_ms: i64,
        /// The last.
        end_ms: i64,
    },
    /// The beginning of a text, in lower case.
    Text(String),
    /// A resource's own id.
    Id(String),
}

impl Match {
    /// Whether one row's value meets it. An [`Match::Id`] is met by no row.
    pub fn meets(&self, value: &IndexValue) -> bool {
        match (self, value) {
            (Self::Token { system, code }, IndexValue::Token { system: row_system, code: row_code }) => {
                let system_meets = match system {
                    TokenSystem::Any => true,
                    TokenSystem::None => row_system.is_none(),
                    TokenSystem::Is(system) => row_system.as_ref() == Some(system),
                };
                system_meets && code.as_ref().is_none_or(|code| code == row_code)
            }
            (Self::Reference { kind, id }, IndexValue::Reference { kind: row_kind, id: row_id }) => {
                id == row_id && kind.as_ref().is_none_or(|kind| kind == row_kind)
            }
            (
                Self::Date { prefix, start_ms, end_ms },
                IndexValue::Date { start_ms: row_start, end_ms: row_end },
            ) => prefix.holds(*start_ms, *end_ms, *row_start, *row_end),
            (Self::Text(start), IndexValue::Text(text)) => text.starts_with(start.as_str()),
            _ => false,
        }
    }
}

/// One parameter of a query: any of its values will do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Clause {
    /// The parameter's name.
    pub param: String,
    /// Whether the resource must meet none of the values instead (`:not`, tokens only).
    pub negated: bool,
    /// The values.
    pub any: Vec<Match>,
}

/// The order of the results.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sort {
    /// `_lastUpdated`, `_id` or a date parameter.
    pub param: String,
    /// Greatest first.
    pub descending: bool,
}

/// The last resource of a page: the next page begins after it.
///
/// Its text form is opaque to clients: they follow the `next` link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cursor {
    /// The value of the sort parameter, in milliseconds since the epoch; 0 when sorted by id.
    pub value_ms: i64,
    /// The id, which decides between equal values.
    pub id: String,
}

impl fmt::Display for Cursor {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}~{}", self.value_ms, self.id)
    }
}

impl Cursor {
    /// Reads the text form.
    pub fn parse(text: &str) -> Option<Self> {
        let (value_ms, id) = text.split_once('~')?;
        is_id(id).then_some(())?;
        Some(Self { value_ms: value_ms.parse().ok()?, id: id.to_owned() })
    }
}

/// A search of one type. All clauses must be met.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Query {
    /// The type.
    pub kind: String,
    /// What must be met.
    pub clauses: Vec<Clause>,
    /// The order; nothing for the store's own.
    pub sort: Option<Sort>,
    /// How many resources a page holds, 1 to [`COUNT_MAX`].
    pub count: usize,
    /// Where the page begins.
    pub after: Option<Cursor>,
}

impl Query {
    /// Whether a resource with this type, id and rows meets all clauses.
    pub fn matches(&self, kind: &str, id: &str, rows: &[IndexRow]) -> bool {
        self.kind == kind
            && self.clauses.iter().all(|clause| {
                let met = clause.any.iter().any(|asked| match asked {
                    Match::Id(asked) => asked == id,
                    _ => rows.iter().any(|row| row.param == clause.param && asked.meets(&row.value)),
                });
                met != clause.negated
            })
    }
}

/// Reads the decoded parameters of a search of `kind`. `base` is the URL of this service, for absolute references.
///
/// Knows the parameters of [`index::params`] and `_sort`, `_count` and `_after`. Parameters that shape the answer, such
/// as `_format`, `_summary` or `_include`, are the caller's to take out before.
///
/// # Errors
/// All problems at once: an unknown type, parameter, modifier or prefix, and values of the wrong form.
pub fn parse(kind: &str, pairs: &[(String, String)], base: &str) -> Result<Query, Vec<Issue>> {
    if !crate::TYPES.contains(&kind) {
        return Err(vec![unknown_type()]);
    }
    let mut query =
        Query { kind: kind.to_owned(), clauses: Vec::new(), sort: None, count: COUNT_DEFAULT, after: None };
    let mut issues = Vec::new();
    for (name, value) in pairs {
        let read = match name.as_str() {
            "_sort" => sort(kind, value).map(|sort| query.sort = Some(sort)),
            "_count" => count(value).map(|count| query.count = count),
            "_after" => Cursor::parse(value)
                .map(|cursor| query.after = Some(cursor))
                .ok_or_else(|| refuse("_after", Code::Value, "Follow the link `next` as it was given.")),
            _ => clause(kind, name, value, base).map(|clause| query.clauses.push(clause)),
        };
        issues.extend(read.err());
    }
    if query.clauses.iter().map(|clause| clause.any.len()).sum::<usize>() > VALUES_MAX {
        let text = format!("A search asks for at most {VALUES_MAX} values; split it.");
        issues.push(Issue::error(Code::TooCostly, "", text));
    }
    if issues.is_empty() { Ok(query) } else { Err(issues) }
}

/// Reads a search as text, such as the criteria of a Subscription: `Task?status=requested&owner=Practitioner/1`.
pub fn criteria(text: &str, base: &str) -> Result<Query, Vec<Issue>> {
    let (kind, rest) = text.split_once('?').unwrap_or((text, ""));
    let pairs: Vec<(String, String)> = form_urlencoded::parse(rest.as_bytes()).into_owned().collect();
    parse(kind, &pairs, base)
}

fn unknown_type() -> Issue {
    Issue::error(
        Code::NotSupported,
        "",
        format!("This type is not stored here. Ask for one of: {}.", crate::TYPES.join(", ")),
    )
}

/// An issue about one parameter. R4 has no FHIRPath for a query, so the name stands in the sentence.
fn refuse(name: &str, code: Code, text: &str) -> Issue {
    let shown: String = name.chars().filter(|c| !c.is_control()).take(64).collect();
    Issue::error(code, format!("http.{shown}"), format!("Search parameter `{shown}`: {text}"))
}

fn sort(kind: &str, value: &str) -> Result<Sort, Issue> {
    let (param, descending) = value.strip_prefix('-').map_or((value, false), |param| (param, true));
    let known =
        param == "_id" || index::param(kind, param).is_some_and(|param| param.kind == ParamKind::Date);
    if known {
        return Ok(Sort { param: param.to_owned(), descending });
    }
    let dates: Vec<&str> = index::params(kind)
        .iter()
        .filter(|param| param.kind == ParamKind::Date)
        .map(|param| param.name)
        .collect();
    Err(refuse(
        "_sort",
        Code::NotSupported,
        &format!("sort by one of: _id, {}; a leading - reverses.", dates.join(", ")),
    ))
}

fn count(value: &str) -> Result<usize, Issue> {
    match value.parse::<usize>() {
        Ok(count) if count > 0 => Ok(count.min(COUNT_MAX)),
        _ => Err(refuse("_count", Code::Value, &format!("send a whole number from 1 to {COUNT_MAX}."))),
    }
}

fn clause(kind: &str, name: &str, value: &str, base: &str) -> Result<Clause, Issue> {
    let (plain, modifier) =
        name.split_once(':').map_or((name, None), |(plain, modifier)| (plain, Some(modifier)));
    let Some(param) = index::param(kind, plain) else {
        let names: Vec<&str> = index::params(kind).iter().map(|param| param.name).collect();
        return Err(refuse(
            name,
            Code::NotSupported,
            &format!("not known for {kind}. Use one of: {}, _sort, _count.", names.join(", ")),
        ));
    };
    let (negated, type_asked) = match (modifier, param.kind) {
        (None, _) => (false, None),
        (Some("not"), ParamKind::Token) if plain != "_id" => (true, None),
        (Some(modifier), ParamKind::Reference)
            if modifier.bytes().next().is_some_and(|b| b.is_ascii_uppercase()) =>
        {
            (false, Some(modifier))
        }
        _ => {
            let text =
                "this modifier is not supported here. Use :not on codes, or a resource type on references.";
            return Err(refuse(name, Code::NotSupported, text));
        }
    };
    let any = split_unescaped(value, ',')
        .into_iter()
        .map(|part| one(param, part, type_asked, base).map_err(|text| refuse(name, Code::Value, text)))
        .collect::<Result<Vec<_>, _>>()?;
    Ok(Clause { param: plain.to_owned(), negated, any })
}

fn one(param: &Param, part: &str, type_asked: Option<&str>, base: &str) -> Result<Match, &'static str> {
    if part.is_empty() {
        return Err("the value is empty. Send a value, or leave the parameter out.");
    }
    let any = |code: String| Match::Token { system: TokenSystem::Any, code: Some(code) };
    match param.kind {
        ParamKind::Token if param.name == "_id" => {
            let id = unescape(part);
            if is_id(&id) { Ok(Match::Id(id)) } else { Err("an id is 1 to 64 letters, digits, - and .") }
        }
        ParamKind::Token => token(part),
        ParamKind::Uri | ParamKind::Canonical => Ok(any(unescape(part))),
        ParamKind::Text => Ok(Match::Text(unescape(part).to_lowercase())),
        ParamKind::Date => date_match(part),
        ParamKind::Reference => {
            let text = unescape(part);
            if is_id(&text) {
                return Ok(Match::Reference { kind: type_asked.map(str::to_owned), id: text });
            }
            match reference::parse(&text, base) {
                Some(target) if type_asked.is_none_or(|kind| kind == target.kind) => {
                    Ok(Match::Reference { kind: Some(target.kind), id: target.id })
                }
                _ => Err("send an id, Type/id, or the full URL of a resource of this service."),
            }
        }
    }
}

fn token(part: &str) -> Result<Match, &'static str> {
    let parts = split_unescaped(part, '|');
    let texts: Vec<String> = parts.iter().map(|part| unescape(part)).collect();
    match texts.as_slice() {
        [code] => Ok(Match::Token { system: TokenSystem::Any, code: Some(code.clone()) }),
        [system, code] if !(system.is_empty() && code.is_empty()) => Ok(Match::Token {
            system: if system.is_empty() { TokenSystem::None } else { TokenSystem::Is(system.clone()) },
            code: (!code.is_empty()).then(|| code.clone()),
        }),
        _ => Err("send code, system|code, system| or |code."),
    }
}

fn date_match(part: &str) -> Result<Match, &'static str> {
    const PREFIXES: &[(&str, Prefix)] = &[
        ("eq", Prefix::Eq),
        ("ne", Prefix::Ne),
        ("lt", Prefix::Lt),
        ("le", Prefix::Le),
        ("gt", Prefix::Gt),
        ("ge", Prefix::Ge),
        ("sa", Prefix::Sa),
        ("eb", Prefix::Eb),
    ];
    let (prefix, rest) = PREFIXES
        .iter()
        .find_map(|(text, prefix)| Some((*prefix, part.strip_prefix(text)?)))
        .unwrap_or((Prefix::Eq, part));
    let (start_ms, end_ms) = date::instant_ms(&unescape(rest)).map_err(|_| {
        "send YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ssZ, with eq, ne, lt, le, gt, ge, sa or eb before it. \
         A + in a zone is written %2B."
    })?;
    Ok(Match::Date { prefix, start_ms, end_ms })
}

/// Splits at `separator` where no backslash stands before it (R4 search, escaping).
fn split_unescaped(text: &str, separator: char) -> Vec<&str> {
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

fn unescape(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        plain.push(if c == '\\' { chars.next().unwrap_or('\\') } else { c });
    }
    plain
}

#[cfg(test)]
mod tests;
