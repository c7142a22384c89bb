//! What leads a search to its resources. What few have is the shortest way; how many have a value is counted where nobody can tell.

use super::number;
use super::row::Columns;
use endplate_fhir::search::{Clause, Match, Part, Prefix, Query, TOTAL_MAX, Total};

/// How few resources a clause can be expected to name.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Rank {
    /// All that share some code.
    Code,
    /// What lies within some bounds, or refers to somebody to whom many may refer.
    Value,
    /// What one patient has, or one identifier.
    One,
}

/// Whether few refer to a resource of this type. Many do to whoever takes part in what many patients have, and to what is not stored here.
fn is_of_few(kind: &str) -> bool {
    !matches!(
        kind,
        "" | "Device"
            | "Group"
            | "HealthcareService"
            | "Library"
            | "Location"
            | "Organization"
            | "PlanDefinition"
            | "Practitioner"
            | "PractitionerRole"
    )
}

/// None of a clause that cannot lead.
fn rank(clause: &Clause) -> Option<Rank> {
    let names = |name: &[&str]| clause.params.iter().any(|param| name.contains(&param.as_str()));
    let one_if = |is_one: bool| Some(if is_one { Rank::One } else { Rank::Value });
    let of = |asked: &Match| match asked {
        Match::Typed { .. } => Some(Rank::One),
        Match::Reference { kind, .. } => {
            one_if(kind.as_deref().map_or_else(|| names(&["patient", "subject"]), is_of_few))
        }
        Match::Identified { code, .. } => one_if(code.is_some() && names(&["patient", "subject"])),
        Match::Token { code, .. } if names(&["identifier", "telecom", "url"]) => one_if(code.is_some()),
        Match::Token { .. } => Some(Rank::Code),
        Match::Date { .. } if names(&["_lastUpdated"]) => None,
        Match::Date { .. }
        | Match::Text { .. }
        | Match::Quantity { .. }
        | Match::Below(_)
        | Match::Above(_) => Some(Rank::Value),
        Match::Chain { clause: inner, .. } | Match::Referrer { clause: inner, .. } => {
            one_if(rank(inner) == Some(Rank::One) || names_ids(std::slice::from_ref(inner)))
        }
        Match::All(clauses) => clauses.iter().filter_map(rank).max(),
        Match::Id(_) | Match::Present { .. } => None,
    };
    if clause.negated {
        return None;
    }
    // The widest of several values.
    clause.any.iter().map(of).min().flatten()
}

/// Whether rows of a clause can be counted as far as [`TOTAL_MAX`] without a look at many others: where an index leads to them.
fn is_countable(clause: &Clause) -> bool {
    clause.any.iter().all(|asked| match asked {
        Match::Token { code, .. } | Match::Identified { code, .. } => code.is_some(),
        Match::Typed { .. } | Match::Reference { .. } | Match::Below(_) => true,
        Match::Text { part, .. } => *part != Part::Anywhere,
        // An index is by where a range begins.
        Match::Date { prefix, .. } => {
            matches!(prefix, Prefix::Eq | Prefix::Lt | Prefix::Le | Prefix::Sa)
        }
        Match::Quantity { prefix, .. } => matches!(prefix, Prefix::Lt | Prefix::Le | Prefix::Sa),
        Match::All(clauses) => leader(clauses).is_some_and(is_countable),
        _ => false,
    })
}

/// Of several clauses that all must be met, the one that can be expected to name the fewest.
pub(super) fn leader(clauses: &[Clause]) -> Option<&Clause> {
    // The first of equals.
    clauses.iter().rev().filter(|clause| rank(clause).is_some()).max_by_key(|clause| rank(clause))
}

/// Whether a clause follows references. What it comes to is decided once, whether it leads or not.
fn is_chain(clause: &Clause) -> bool {
    let follows = |asked: &Match| matches!(asked, Match::Chain { .. } | Match::Referrer { .. });
    !clause.negated && !clause.any.is_empty() && clause.any.iter().all(follows)
}

/// Whether a clause names resources by their ids: there is nothing to look for.
fn names_ids(clauses: &[Clause]) -> bool {
    let is_id =
        |clause: &Clause| !clause.negated && clause.any.iter().any(|asked| matches!(asked, Match::Id(_)));
    clauses.iter().any(is_id)
}

/// Whether a clause names instants of the last update, of which each type has an index.
fn names_updates(clauses: &[Clause]) -> bool {
    let is_updated =
        |clause: &Clause| !clause.negated && clause.params.iter().any(|param| param == "_lastUpdated");
    clauses.iter().any(is_updated)
}

/// Which clauses of a search lead, by their places. It is one, and those that follow references: of two that lead PostgreSQL may hold each
/// row of the one against each of the other, since it takes both to be few.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Leads {
    these: Vec<bool>,
    /// Whether all that is asked for is one clause, which was counted and finds very many.
    is_common: bool,
    /// Whether none leads: the first [`Leads::WALK_MAX`] resources of the type are checked, in the order asked for.
    is_walk: bool,
}

impl Leads {
    /// How many resources a walk comes to: a moment's work, in which one of some hundreds is found often enough to fill a usual page.
    pub(super) const WALK_MAX: usize = 2 * TOTAL_MAX;

    /// What can be expected to name the fewest. None where ids are named; nor by a code alone beside an instant of the last update,
    /// which has an index of its own.
    pub(crate) fn expected(clauses: &[Clause]) -> Self {
        let leader = leader(clauses).filter(|leader| {
            !names_ids(clauses) && (rank(leader) > Some(Rank::Code) || !names_updates(clauses))
        });
        let leads =
            |clause: &Clause| leader.is_some_and(|leader| std::ptr::eq(leader, clause) || is_chain(clause));
        Self { these: clauses.iter().map(leads).collect(), is_common: false, is_walk: false }
    }

    /// What leads where nothing is counted.
    pub(crate) fn unasked(query: &Query) -> Self {
        let expected = Self::expected(&query.clauses);
        if is_sure(&query.clauses) || !expected.any() || !can_walk(query) {
            return expected;
        }
        Self { these: vec![false; query.clauses.len()], is_common: false, is_walk: true }
    }

    /// As the answer to [`probe`](super::clause::probe) has it: the one that finds the fewest, if these are no more than are counted for a
    /// total. Else a walk comes first wherever the order is one that can be walked.
    pub(crate) fn found(query: &Query, row: &impl Columns) -> Result<Self, sqlx::Error> {
        let mut these = vec![false; query.clauses.len()];
        let probed = query.clauses.iter().zip(&mut these).filter(|(clause, _)| is_probed(clause));
        let found = probed.enumerate().map(|(column, (_, leads))| Ok((row.integer(column)?, leads)));
        let fewest =
            found.collect::<Result<Vec<_>, sqlx::Error>>()?.into_iter().min_by_key(|(rows, _)| *rows);
        if let Some((_, leads)) = fewest.filter(|(rows, _)| *rows <= number(TOTAL_MAX as u64)) {
            *leads = true;
            return Ok(Self { these, is_common: false, is_walk: false });
        }
        // What several clauses have in common may be few.
        let is_common = these.len() == 1;
        if can_walk(query) {
            return Ok(Self { these, is_common, is_walk: true });
        }
        Ok(Self { is_common, ..Self::expected(&query.clauses) })
    }

    /// What leads where a walk did not fill its page.
    pub(crate) fn after_walk(&self, clauses: &[Clause]) -> Option<Self> {
        self.is_walk.then(|| Self::expected(clauses))
    }

    /// Whether a count of what matches would come to more than are counted for a total, as far as an index of the values tells.
    pub(super) fn is_common(&self) -> bool {
        self.is_common
    }

    /// Whether a page is of what a walk comes to.
    pub(super) fn is_walk(&self) -> bool {
        self.is_walk
    }

    pub(super) fn any(&self) -> bool {
        self.these.contains(&true)
    }

    pub(super) fn of<'a>(&self, clauses: &'a [Clause], leading: bool) -> impl Iterator<Item = &'a Clause> {
        clauses.iter().zip(&self.these).filter(move |(_, leads)| **leads == leading).map(|(clause, _)| clause)
    }
}

/// Whether to count the rows of a clause may decide whether it leads.
pub(super) fn is_probed(clause: &Clause) -> bool {
    rank(clause).is_some() && is_countable(clause)
}

/// Whether one is sure to find few, or must lead.
fn is_sure(clauses: &[Clause]) -> bool {
    names_ids(clauses) || clauses.iter().any(|clause| rank(clause) == Some(Rank::One) || is_chain(clause))
}

/// Whether nothing is gained by counting before it is decided what leads.
pub(super) fn is_settled(clauses: &[Clause]) -> bool {
    is_sure(clauses) || !clauses.iter().any(is_probed)
}

/// Whether the page of a query is one along an index of its type.
fn can_walk(query: &Query) -> bool {
    let by_index = match &query.sort[..] {
        [] => true,
        [sort] => matches!(sort.param.as_str(), "_id" | "_lastUpdated"),
        _ => false,
    };
    by_index && !names_updates(&query.clauses) && query.count > 0 && query.total != Total::Whole
}
