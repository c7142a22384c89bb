//! The grammar of scopes (SMART App Launch 2.2.0, scopes and launch context): `system/Observation.rs?category=…`.

use super::Right;
use endplate_fhir::TYPES;
use endplate_fhir::search::{self, Clause};
use std::fmt;

/// Types that `*` does not stand for: who looked at what is for auditors alone.
const NAMED_ONLY: [&str; 1] = ["AuditEvent"];

/// Parameters of a search that say nothing about a resource itself, or what only its version has.
const NOT_BOUNDS: [&str; 6] = ["_count", "_after", "_sort", "_total", "_lastUpdated", "_id"];

/// One scope, understood.
#[derive(Clone, Debug, PartialEq)]
pub struct Scope {
    text: String,
    /// None: `*`.
    kind: Option<String>,
    rights: Vec<Right>,
    /// The pairs of the query, sorted.
    bounds: Vec<(String, String)>,
    within: Vec<Clause>,
}

impl Scope {
    /// Reads one scope. `base` is the URL of this service, for references in its query.
    ///
    /// # Errors
    /// It is not of the grammar, or cannot be kept here; the text says what to ask for.
    pub fn parse(text: &str, base: &str) -> Result<Self, String> {
        let (context, rest) = text.split_once('/').ok_or(FORM)?;
        match context {
            "system" => {}
            "patient" | "user" => {
                return Err("there is no patient and no user in a backend service; ask for system/…".into());
            }
            _ => return Err(FORM.into()),
        }
        let (access, query) =
            rest.split_once('?').map_or((rest, None), |(access, query)| (access, Some(query)));
        let (kind, letters) = access.split_once('.').ok_or(FORM)?;
        let kind = match kind {
            "*" => None,
            _ if TYPES.contains(&kind) => Some(kind.to_owned()),
            _ => {
                return Err(
                    "this type is not stored here; the CapabilityStatement lists those that are".into()
                );
            }
        };
        let rights = rights(letters)?;
        let (bounds, within) = match (query, &kind) {
            (None, _) => (Vec::new(), Vec::new()),
            (Some(_), None) => return Err("search parameters go with one type, not with *".into()),
            (Some(query), Some(kind)) => bounds(kind, query, base)?,
        };
        Ok(Self { text: text.to_owned(), kind, rights, bounds, within })
    }

    /// Its letters.
    pub fn rights(&self) -> &[Right] {
        &self.rights
    }

    /// What a resource must meet; nothing: all are within it.
    pub fn within(&self) -> &[Clause] {
        &self.within
    }

    pub(super) fn has(&self, right: Right) -> bool {
        self.rights.contains(&right)
    }

    pub(super) fn is_of(&self, kind: &str) -> bool {
        match &self.kind {
            Some(own) => own == kind,
            None => !NAMED_ONLY.contains(&kind),
        }
    }

    /// Whether the resources of another scope are among those of this one. Its rights are not looked at.
    pub(super) fn holds(&self, other: &Self) -> bool {
        let kinds = match &other.kind {
            Some(kind) => self.is_of(kind),
            None => self.kind.is_none(),
        };
        kinds && self.bounds.iter().all(|pair| other.bounds.contains(pair))
    }
}

impl fmt::Display for Scope {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.text)
    }
}

const FORM: &str =
    "a scope is written as system/Type.cruds, for example system/Observation.rs; letters in this order";

/// The letters, at least one and in order; or a word of the first version of the grammar.
fn rights(letters: &str) -> Result<Vec<Right>, String> {
    use Right::{Create, Delete, Read, Search, Update};
    match letters {
        "read" => return Ok(vec![Read, Search]),
        "write" => return Ok(vec![Create, Update, Delete]),
        "*" => return Ok(Right::ALL.to_vec()),
        _ => {}
    }
    let found: Vec<Right> = Right::ALL.into_iter().filter(|right| letters.contains(right.letter())).collect();
    let spelt: String = found.iter().map(|right| right.letter()).collect();
    if spelt.is_empty() || spelt != letters { Err(FORM.into()) } else { Ok(found) }
}

type Bounds = (Vec<(String, String)>, Vec<Clause>);

/// Reads the query of a scope. What cannot be kept at every reading and writing is refused, never passed over.
fn bounds(kind: &str, query: &str, base: &str) -> Result<Bounds, String> {
    let mut pairs: Vec<(String, String)> = form_urlencoded::parse(query.as_bytes()).into_owned().collect();
    let plain = |name: &str| name.split([':', '.']).next().unwrap_or_default().to_owned();
    if pairs.is_empty()
        || pairs.iter().any(|(name, value)| value.is_empty() || NOT_BOUNDS.contains(&&*plain(name)))
    {
        return Err(format!("its query names no property of a {kind}; give search parameters with values"));
    }
    let read = search::parse(kind, &pairs, base)
        .map_err(|issues| issues.into_iter().map(|issue| issue.text).collect::<Vec<_>>().join(" "))?;
    if !read.is_of_rows() {
        return Err(
            "its query leads to other resources or depends on the day; leave out chains, _has and ap".into(),
        );
    }
    pairs.sort();
    Ok((pairs, read.clauses))
}

#[cfg(test)]
mod tests {
    use super::super::Grant;
    use super::*;

    const BASE: &str = "http://127.0.0.1/fhir";

    fn scope(text: &str) -> Scope {
        Scope::parse(text, BASE).expect(text)
    }

    /// SMART App Launch 2.2.0, scopes with search parameters: a server does not grant what it cannot keep.
    #[test]
    fn a_query_that_cannot_be_kept_is_refused() {
        for query in [
            "nonsense=1",
            "category=",
            "subject.name=A",
            "_has:Observation:patient:code=x",
            "date=ap2026",
            "_count=5",
            "_lastUpdated=ge2026",
            "_include=Observation:subject",
            "_elements=id",
            "category=exam&nonsense=1",
        ] {
            assert!(Scope::parse(&format!("system/Observation.rs?{query}"), BASE).is_err(), "{query}");
        }
    }

    #[test]
    fn a_grant_covers_what_is_narrower() {
        let of = |texts: &[&str]| Grant::new("c", "c", texts.iter().map(|text| scope(text)).collect());
        let record = of(&["system/*.rs", "system/Observation.c", "system/Task.cruds?status=requested"]);
        for text in [
            "system/Patient.r",
            "system/*.s",
            "system/Observation.crs",
            "system/Observation.rs?status=final",
            "system/Task.u?status=requested",
            "system/Task.u?owner=Practitioner/1&status=requested",
        ] {
            assert!(record.covers(&scope(text)), "{text}");
        }
        for text in [
            "system/Patient.c",
            "system/*.cruds",
            "system/Observation.u",
            "system/AuditEvent.r",
            "system/Task.u",
            "system/Task.u?status=completed",
        ] {
            assert!(!record.covers(&scope(text)), "{text}");
        }
        assert!(of(&["system/AuditEvent.rs"]).covers(&scope("system/AuditEvent.r")));
    }
}
