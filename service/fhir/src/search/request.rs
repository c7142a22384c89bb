//! A whole search as a client asks for it: what must be met, in which order, what comes with it, and in which shape.

use super::clause::{Refused, clause, rows_of};
use super::{COUNT_MAX, Clause, Cursor, Match, Query, SORT_MAX, Sort, Total, VALUES_MAX};
use crate::index::{self, ParamKind};
use crate::issue::{Code, Issue, Severity};
use crate::subset::Shape;

/// How many `_include` and `_revinclude` a search may have.
const INCLUDES_MAX: usize = 20;

/// Resources that come with those that match.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Include {
    /// The type that has the reference.
    pub kind: String,
    /// The parameters in whose rows the reference stands.
    pub params: Vec<String>,
    /// The only type that the reference may lead to, if there is one.
    pub target: Option<String>,
    /// Whether those that refer come with those referred to (`_revinclude`), and not the other way round.
    pub reverse: bool,
    /// Whether it is also applied to what was included.
    pub iterates: bool,
}

/// A search as it was asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    /// What is searched.
    pub query: Query,
    /// What comes with it.
    pub includes: Vec<Include>,
    /// How much of each resource.
    pub shape: Shape,
    /// The parameters that were heeded, for the link `self`.
    pub used: Vec<(String, String)>,
    /// What was passed over, as warnings.
    pub ignored: Vec<Issue>,
}

impl Request {
    /// Whether anything was asked that only the answer to a request can have.
    pub(super) fn shapes_answer(&self) -> bool {
        !self.includes.is_empty() || self.shape != Shape::Whole || self.query.count == 0
    }
}

/// Reads the decoded parameters of a search of `kind`. `base` is the URL of this service, for absolute references.
///
/// A parameter that is not known is passed over with a warning, unless `strict`; an empty value is passed over without
/// (R4 search, errors). `_format` and `_pretty` are the caller's to take out before.
///
/// # Errors
/// All problems at once: an unknown type, a modifier or a form of value that is not offered, and with `strict` also unknown
/// parameters.
pub fn request(
    kind: &str,
    pairs: &[(String, String)],
    base: &str,
    strict: bool,
) -> Result<Request, Vec<Issue>> {
    if !crate::TYPES.contains(&kind) {
        return Err(vec![unknown_type()]);
    }
    let mut read = Reading {
        kind,
        base,
        request: Request {
            query: Query::of(kind),
            includes: Vec::new(),
            shape: Shape::Whole,
            used: Vec::new(),
            ignored: Vec::new(),
        },
    };
    let mut issues = Vec::new();
    for (name, value) in pairs {
        match read.pair(name, value) {
            Ok(()) => {}
            Err(Refused::Unknown(issue)) if !strict => {
                read.request.ignored.push(Issue { severity: Severity::Warning, ..issue });
            }
            Err(Refused::Unknown(issue) | Refused::Wrong(issue)) => issues.push(issue),
        }
    }
    let mut request = read.request;
    if strict {
        issues.extend(request.ignored.drain(..).map(|issue| Issue { severity: Severity::Error, ..issue }));
    }
    issues.extend(whole(&request));
    if request.query.count == 0 && request.query.total != Total::None {
        request.query.total = Total::Whole;
    }
    if issues.is_empty() { Ok(request) } else { Err(issues) }
}

/// How many values a clause asks for, also those at the end of a chain.
fn values(clause: &Clause) -> usize {
    let of = |asked: &Match| match asked {
        Match::Chain { clause, .. } | Match::Referrer { clause, .. } => values(clause),
        Match::All(clauses) => clauses.iter().map(values).sum(),
        _ => 1,
    };
    clause.any.iter().map(of).sum()
}

/// What must hold of all parameters together.
fn whole(request: &Request) -> Vec<Issue> {
    let mut issues = Vec::new();
    let query = &request.query;
    if query.clauses.iter().map(values).sum::<usize>() > VALUES_MAX {
        let text = format!("A search asks for at most {VALUES_MAX} values; split it.");
        issues.push(Issue::error(Code::TooCostly, "", text));
    }
    if request.includes.len() > INCLUDES_MAX {
        let text = format!("A search has at most {INCLUDES_MAX} of _include and _revinclude; split it.");
        issues.push(Issue::error(Code::TooCostly, "", text));
    }
    if request.shape == Shape::Text && !request.includes.is_empty() {
        let text = "R4 allows no includes there; leave out _include and _revinclude.";
        issues.push(refuse("_summary=text", Code::Invalid, text));
    }
    if query.after.as_ref().is_some_and(|after| after.values.len() != query.sort.len()) {
        issues.push(wrong_cursor());
    }
    issues
}

struct Reading<'a> {
    kind: &'a str,
    base: &'a str,
    request: Request,
}

impl Reading<'_> {
    fn pair(&mut self, name: &str, value: &str) -> Result<(), Refused> {
        if value.is_empty() {
            return Ok(());
        }
        let request = &mut self.request;
        let mut used = value.to_owned();
        match name {
            "_sort" => {
                let (sort, heeded, passed_over) = sort(self.kind, value)?;
                request.query.sort = sort;
                request.ignored.extend(passed_over);
                used = heeded;
            }
            "_count" => request.query.count = count(value)?,
            "_after" => {
                request.query.after = Some(Cursor::parse(value).ok_or_else(|| wrong(wrong_cursor()))?);
            }
            "_total" => match value {
                "none" => request.query.total = Total::None,
                "estimate" => request.query.total = Total::Near,
                "accurate" => request.query.total = Total::Whole,
                _ => return Err(wrong_value(name, "send none, estimate or accurate.")),
            },
            "_summary" => match (value, Shape::summary(value)) {
                ("count", _) => request.query.count = 0,
                (_, Some(shape)) => request.shape = shape,
                _ => return Err(wrong_value(name, "send true, text, data, count or false.")),
            },
            "_elements" => {
                let names =
                    value.split(',').map(|name| name.trim().to_owned()).filter(|name| !name.is_empty());
                request.shape = Shape::Elements(names.collect());
            }
            "_query" => {
                let text = "there are no named queries here; search by the parameters of the type.";
                return Err(wrong(refuse(name, Code::NotSupported, text)));
            }
            _ => {
                if let Some((reverse, iterates)) = is_include(name)? {
                    request.includes.push(include(self.kind, name, value, reverse, iterates)?);
                } else {
                    request.query.clauses.push(clause(self.kind, name, value, self.base, 0)?);
                }
            }
        }
        if !used.is_empty() {
            self.request.used.push((name.to_owned(), used));
        }
        Ok(())
    }
}

/// Whether a name is `_include` or `_revinclude`: then which, and whether it iterates.
fn is_include(name: &str) -> Result<Option<(bool, bool)>, Refused> {
    let (plain, modifier) =
        name.split_once(':').map_or((name, None), |(plain, modifier)| (plain, Some(modifier)));
    let reverse = match plain {
        "_include" => false,
        "_revinclude" => true,
        _ => return Ok(None),
    };
    match modifier {
        None => Ok(Some((reverse, false))),
        Some("iterate") => Ok(Some((reverse, true))),
        Some(_) => Err(wrong(refuse(name, Code::NotSupported, "only :iterate is offered here."))),
    }
}

/// `Task:patient`, `Task:owner:Practitioner`, `Task:*`.
fn include(kind: &str, name: &str, value: &str, reverse: bool, iterates: bool) -> Result<Include, Refused> {
    let mut parts = value.split(':');
    let (source, by, target) = (parts.next().unwrap_or_default(), parts.next(), parts.next());
    let unknown = |text: &str| Refused::Unknown(refuse(name, Code::NotSupported, text));
    let (Some(by), None) = (by, parts.next()) else {
        return Err(wrong_value(
            name,
            "send Type:reference or Type:reference:Target, one for each parameter.",
        ));
    };
    if !reverse && !iterates && source != kind {
        return Err(unknown("it begins with the type that is searched; others only with :iterate."));
    }
    let references = || index::params(source).iter().filter(|param| param.kind == ParamKind::Reference);
    let (params, only) = if by == "*" {
        let own = references().filter(|param| param.held_in.is_empty());
        (own.flat_map(rows_of).collect::<Vec<_>>(), None)
    } else {
        match references().find(|param| param.name == by) {
            Some(param) => (rows_of(param), param.target),
            None => return Err(unknown("there is no such reference; see the CapabilityStatement.")),
        }
    };
    if params.is_empty() {
        return Err(unknown("there is no such type here; see the CapabilityStatement."));
    }
    let target = target.or(only).map(str::to_owned);
    Ok(Include { kind: source.to_owned(), params, target, reverse, iterates })
}

/// Reads the keys: those that can be heeded, as text again, and a remark for each that cannot.
fn sort(kind: &str, value: &str) -> Result<(Vec<Sort>, String, Vec<Issue>), Refused> {
    let (mut keys, mut heeded, mut passed_over) = (Vec::new(), Vec::new(), Vec::new());
    for text in value.split(',') {
        let (name, descending) = text.strip_prefix('-').map_or((text, false), |name| (name, true));
        let sortable = index::param(kind, name)
            .is_some_and(|param| param.held_in.is_empty() && param.kind != ParamKind::Reference);
        if sortable {
            keys.push(Sort { param: name.to_owned(), descending });
            heeded.push(text);
        } else {
            let text = "sort by _id, _lastUpdated, or a parameter of this type that is no reference; a leading - \
                        reverses.";
            passed_over.push(Issue::warning(
                Code::NotSupported,
                "",
                format!("Search parameter `_sort`: {text}"),
            ));
        }
    }
    if keys.len() > SORT_MAX {
        return Err(wrong_value("_sort", &format!("sort by at most {SORT_MAX} parameters.")));
    }
    Ok((keys, heeded.join(","), passed_over))
}

fn count(value: &str) -> Result<usize, Refused> {
    let count = value.parse::<usize>().map(|count| count.min(COUNT_MAX));
    count.map_err(|_| wrong_value("_count", &format!("send a whole number from 0 to {COUNT_MAX}.")))
}

fn wrong_cursor() -> Issue {
    refuse("_after", Code::Value, "Follow the link `next` as it was given.")
}

fn wrong(issue: Issue) -> Refused {
    Refused::Wrong(issue)
}

fn wrong_value(name: &str, text: &str) -> Refused {
    wrong(refuse(name, Code::Value, text))
}

fn unknown_type() -> Issue {
    Issue::error(
        Code::NotSupported,
        "",
        format!("This type is not stored here. Ask for one of: {}.", crate::TYPES.join(", ")),
    )
}

/// That a search stands where its answer has no shape.
pub(super) fn no_shape() -> Issue {
    let text = "A search that is a condition says what must be met alone; leave out _include, _revinclude, _summary, \
                _elements and a _count of 0.";
    Issue::error(Code::NotSupported, "", text)
}

/// An issue about one parameter. R4 has no FHIRPath for a query, so the name stands in the sentence.
pub(super) fn refuse(name: &str, code: Code, text: &str) -> Issue {
    let shown: String = name.chars().filter(|c| !c.is_control()).take(64).collect();
    Issue::error(code, format!("http.{shown}"), format!("Search parameter `{shown}`: {text}"))
}
