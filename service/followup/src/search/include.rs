//! What comes with the resources that match: `_include` and `_revinclude`.

use crate::Endplate;
use crate::grant::Right;
use crate::ports::Stored;
use crate::refusal::Refusal;
use endplate_fhir::index::{self, IndexRow, IndexValue};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::search::{COUNT_MAX, Clause, Include, Match, Query, Total};
use endplate_fhir::{Json, TYPES};
use std::collections::{BTreeMap, BTreeSet};

/// How many resources come with a page at most.
const INCLUDED_MAX: usize = 1_000;
/// How often `:iterate` is applied to what was included.
const ROUNDS_MAX: usize = 5;

type Name = (String, String);

impl Endplate {
    /// What comes with `matches`, each once and none of the matches themselves, and a warning where that is not all.
    pub(super) async fn included(
        &self,
        includes: &[Include],
        matches: &[Stored],
    ) -> Result<(Vec<Stored>, Vec<Issue>), Refusal> {
        let mut seen: BTreeSet<Name> = matches.iter().map(name).collect();
        let mut included: Vec<Stored> = Vec::new();
        if includes.is_empty() {
            return Ok((included, Vec::new()));
        }
        let mut from = 0;
        for round in 0..=ROUNDS_MAX {
            let sources: Vec<Stored> = match round {
                0 => matches.to_vec(),
                _ => included.get(from..).unwrap_or_default().to_vec(),
            };
            from = included.len();
            let asked: Vec<&Include> = rounds_includes(includes, round);
            if sources.is_empty() || asked.is_empty() {
                return Ok((included, Vec::new()));
            }
            for include in asked {
                let queries = if include.reverse {
                    referrers(include, &sources)
                } else {
                    referred(include, &sources, &self.settings.base, &seen)
                };
                for query in queries {
                    let room = INCLUDED_MAX.saturating_sub(included.len());
                    let right = if include.reverse { Right::Search } else { Right::Read };
                    let found = self.all_of(query, right, room + 1).await?;
                    let news: Vec<Stored> = found.into_iter().filter(|one| seen.insert(name(one))).collect();
                    let is_too_much = news.len() > room;
                    included.extend(news.into_iter().take(room));
                    if is_too_much {
                        return Ok((included, vec![not_all()]));
                    }
                }
            }
        }
        let is_done = included.len() == from;
        Ok((included, if is_done { Vec::new() } else { vec![not_all()] }))
    }

    /// Refuses what is asked for by the name of a type to which there is no right. Where a reference may lead to several
    /// types, those without one are left out of the answer.
    pub(super) fn permit_include(&self, include: &Include) -> Result<(), Refusal> {
        match &include.target {
            _ if include.reverse => self.permit(Right::Search, &include.kind),
            Some(target) => self.permit(Right::Read, target),
            None => Ok(()),
        }
    }

    /// All that a query finds and may be seen, up to about `limit`.
    async fn all_of(&self, mut query: Query, right: Right, limit: usize) -> Result<Vec<Stored>, Refusal> {
        if self.permit(right, &query.kind).is_err() {
            return Ok(Vec::new());
        }
        let mut found = Vec::new();
        loop {
            let page = self.store.search_lately(&query).await?;
            found.extend(page.resources.into_iter().filter(|one| self.may(right, one)));
            match page.next {
                Some(next) if found.len() < limit => query.after = Some(next),
                _ => return Ok(found),
            }
        }
    }
}

/// What is asked of the matches, or again of what was included.
fn rounds_includes(includes: &[Include], round: usize) -> Vec<&Include> {
    includes.iter().filter(|include| round == 0 || include.iterates).collect()
}

fn name(stored: &Stored) -> Name {
    (stored.kind.clone(), stored.id.clone())
}

fn not_all() -> Issue {
    let text = format!(
        "More belongs to this page than is included: at most {INCLUDED_MAX} resources over {ROUNDS_MAX} references; ask \
         for smaller pages with _count."
    );
    Issue::warning(Code::TooCostly, "", text)
}

fn query(kind: &str, params: Vec<String>, any: Vec<Match>) -> Query {
    let clauses = vec![Clause { params, negated: false, any }];
    Query { clauses, count: COUNT_MAX, total: Total::None, ..Query::of(kind) }
}

/// What the sources refer to, by type.
fn referred(include: &Include, sources: &[Stored], base: &str, seen: &BTreeSet<Name>) -> Vec<Query> {
    let mut wanted: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for source in sources.iter().filter(|source| source.kind == include.kind) {
        let resource: Json = endplate_fhir::json::stored(&source.body);
        for IndexRow { param, value } in index::rows(&resource, base) {
            if let IndexValue::Reference { kind, id } = value
                && include.params.iter().any(|one| one == param)
                && include.target.as_ref().is_none_or(|target| *target == kind)
                && TYPES.contains(&kind.as_str())
                && !seen.contains(&(kind.clone(), id.clone()))
            {
                wanted.entry(kind).or_default().insert(id);
            }
        }
    }
    let by_id = |(kind, ids): (String, BTreeSet<String>)| {
        query(&kind, vec!["_id".to_owned()], ids.into_iter().map(Match::Id).collect())
    };
    wanted.into_iter().map(by_id).collect()
}

/// Who refers to the sources.
fn referrers(include: &Include, sources: &[Stored]) -> Vec<Query> {
    let fitting =
        sources.iter().filter(|source| include.target.as_ref().is_none_or(|kind| *kind == source.kind));
    let any: Vec<Match> = fitting
        .map(|source| Match::Reference { kind: Some(source.kind.clone()), id: source.id.clone() })
        .collect();
    if any.is_empty() { Vec::new() } else { vec![query(&include.kind, include.params.clone(), any)] }
}
