//! The one way to find: pages of resources that meet a query, with what comes with them.

mod include;

use crate::Endplate;
use crate::grant::{Right, forbidden};
use crate::ports::Stored;
use crate::refusal::{Reason, Refusal};
use crate::subscription::shown;
use endplate_fhir::TYPES;
use endplate_fhir::bundle::Mode;
use endplate_fhir::index::compartment;
use endplate_fhir::issue::{self, Code, Issue};
use endplate_fhir::search::{self, Match, Query, Request, Total};
use endplate_fhir::searchset::{self, Hit};
use endplate_fhir::subset::Shape;

/// Separates type and place where a page of several types ends.
const OF_TYPE: char = '!';

type Pairs = [(String, String)];

/// Where a search is made: decides its address and what it may find.
#[derive(Clone, Copy)]
enum Scope<'a> {
    /// `/Task`.
    Kind,
    /// `/`.
    All,
    /// `/Patient/{id}/…`.
    Patient(&'a str),
}

impl Endplate {
    /// A page of resources of one type that meet all parameters: a searchset as JSON text, with `self` and, unless it is the
    /// last page, `next`. Unknown parameters are passed over with a warning, or refused if `strict`.
    pub async fn search(&self, kind: &str, pairs: &Pairs, strict: bool) -> Result<String, Refusal> {
        if !TYPES.contains(&kind) {
            return Err(Refusal::unknown_type());
        }
        self.one_kind(kind, pairs, strict, Scope::Kind).await
    }

    /// The same within the compartment of a patient; `kind` is a type, or `*` for all of the compartment.
    pub async fn search_of_patient(
        &self,
        patient: &str,
        kind: &str,
        pairs: &Pairs,
        strict: bool,
    ) -> Result<String, Refusal> {
        if kind != "*" && TYPES.contains(&kind) {
            self.permit(Right::Search, kind)?;
        }
        self.read("Patient", patient).await?;
        let scope = Scope::Patient(patient);
        if kind == "*" {
            return self.several_kinds(&compartment::types().collect::<Vec<_>>(), pairs, strict, scope).await;
        }
        if compartment::of_patient(kind).is_none() {
            let text = "This type is not in the compartment of a Patient; search it at its own address.";
            return Err(Refusal::new(Reason::NotFound, Issue::error(Code::NotSupported, "", text)));
        }
        self.one_kind(kind, pairs, strict, scope).await
    }

    /// The same across the types that `_type` names, or all.
    pub async fn search_all(&self, pairs: &Pairs, strict: bool) -> Result<String, Refusal> {
        self.several_kinds(TYPES, pairs, strict, Scope::All).await
    }

    async fn one_kind(
        &self,
        kind: &str,
        pairs: &Pairs,
        strict: bool,
        scope: Scope<'_>,
    ) -> Result<String, Refusal> {
        let request = self.request(kind, pairs, strict, scope).await?;
        let page = self.store.search_lately(&request.query).await?;
        let total = page.total.filter(|_| request.query.total != Total::None);
        let (included, warnings) = self.included(&request.includes, &page.resources).await?;
        let path = match scope {
            Scope::Patient(id) => format!("Patient/{id}/{kind}"),
            _ => kind.to_owned(),
        };
        let links = self.links(&path, &request.used, page.next.map(|next| next.to_string()));
        let mut hits = self.hits(page.resources, Mode::Match, &request.shape);
        hits.extend(self.hits(included, Mode::Include, &request.shape));
        hits.extend(outcome(&[request.ignored, warnings].concat()));
        Ok(searchset::text(total, &links, &hits))
    }

    /// Type after type, each in the order of its ids.
    async fn several_kinds(
        &self,
        known: &[&str],
        pairs: &Pairs,
        strict: bool,
        scope: Scope<'_>,
    ) -> Result<String, Refusal> {
        let named = pairs.iter().any(|(name, value)| name == "_type" && !value.is_empty());
        let mut kinds = kinds(known, pairs)?;
        let denied = |kind: &&str| self.permit(Right::Search, kind).err();
        if let Some(refusal) = kinds.iter().find_map(denied).filter(|_| named) {
            return Err(refusal);
        }
        kinds.retain(|kind| denied(kind).is_none());
        if kinds.is_empty() {
            return Err(forbidden(Right::Search, "*"));
        }
        let (begin, place) = begin(pairs)?;
        if begin.is_some_and(|begin| !kinds.contains(&begin)) {
            return Err(wrong_place());
        }
        let own: Vec<(String, String)> =
            pairs.iter().filter(|(name, _)| name != "_type" && name != "_after").cloned().collect();
        only_of_every_type(&own)?;
        let (mut total, mut wanted, mut next) = (Some(0), None, None);
        let (mut hits, mut used, mut ignored) = (Vec::new(), Vec::new(), Vec::new());
        for kind in kinds {
            let request = self.request(kind, &own, strict, scope).await?;
            let wanted = wanted.get_or_insert(request.query.count);
            let all = self.store.search_lately(&Query { count: 0, ..request.query.clone() }).await?.total;
            let sum = total.zip(all).map(|(total, all)| total + all);
            total = sum.filter(|_| request.query.total != Total::None);
            (used, ignored) = (request.used, request.ignored);
            if all == Some(0) || next.is_some() || begin.is_some_and(|begin| kind < begin) {
                continue;
            }
            if *wanted == 0 {
                next = (!hits.is_empty()).then(|| format!("{kind}{OF_TYPE}"));
                continue;
            }
            let after = if begin == Some(kind) { place.clone() } else { None };
            let query = Query { count: *wanted, after, total: Total::None, ..request.query };
            let page = self.store.search_lately(&query).await?;
            *wanted -= page.resources.len().min(*wanted);
            next = page.next.map(|next| format!("{kind}{OF_TYPE}{next}"));
            hits.extend(self.hits(page.resources, Mode::Match, &request.shape));
        }
        hits.extend(outcome(&ignored));
        used.extend(pairs.iter().filter(|(name, _)| name == "_type" || name == "_after").cloned());
        let path = match scope {
            Scope::Patient(id) => format!("Patient/{id}/*"),
            _ => String::new(),
        };
        Ok(searchset::text(total, &self.links(&path, &used, next), &hits))
    }

    /// Reads the parameters, and asks the store what they leave open.
    async fn request(
        &self,
        kind: &str,
        pairs: &Pairs,
        strict: bool,
        scope: Scope<'_>,
    ) -> Result<Request, Refusal> {
        let mut request = search::request(kind, pairs, &self.settings.base, strict)
            .map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        request.query.settle(self.clock.now().as_millisecond());
        self.bound(&mut request.query)?;
        for include in &request.includes {
            self.permit_include(include)?;
        }
        for clause in &request.query.clauses {
            for asked in &clause.any {
                let Match::Reference { kind: None, id } = asked else { continue };
                if self.store.referred(kind, &clause.params, id).await?.len() > 1 {
                    let text =
                        "The id alone is that of resources of several types; send Type/id in the reference.";
                    return Err(malformed(Code::MultipleMatches, text));
                }
            }
        }
        if let Scope::Patient(id) = scope {
            request.query.clauses.extend(search::in_compartment_of(id, kind));
        }
        Ok(request)
    }

    fn links(&self, path: &str, used: &Pairs, next: Option<String>) -> Vec<(&'static str, String)> {
        let base = &self.settings.base;
        let address = |pairs: &mut dyn Iterator<Item = &(String, String)>| {
            let query: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
            let path = if path.is_empty() { base.clone() } else { format!("{base}/{path}") };
            if query.is_empty() { path } else { format!("{path}?{query}") }
        };
        let mut first = used.iter().filter(|(name, _)| name != "_after");
        let mut links = vec![("self", address(&mut used.iter()))];
        if next.is_some() || used.iter().any(|(name, _)| name == "_after") {
            links.push(("first", address(&mut first.clone())));
        }
        if let Some(next) = next {
            let next = ("_after".to_owned(), next);
            links.push(("next", address(&mut first.by_ref().chain([&next]))));
        }
        links
    }

    fn hits(&self, found: Vec<Stored>, mode: Mode, shape: &Shape) -> Vec<Hit> {
        let base = &self.settings.base;
        let hit = |stored: Stored| Hit {
            full_url: Some(format!("{base}/{}/{}", stored.kind, stored.id)),
            body: shaped(stored.body, shape),
            mode,
        };
        found.into_iter().map(shown).map(hit).collect()
    }
}

/// A stored body in the shape that was asked for; whole, it is not even read.
pub fn shaped(body: String, shape: &Shape) -> String {
    if *shape == Shape::Whole {
        return body;
    }
    shape.apply(endplate_fhir::json::stored(&body)).to_string()
}

fn outcome(issues: &[Issue]) -> Option<Hit> {
    let body = issue::outcome(issues).to_string();
    (!issues.is_empty()).then_some(Hit { full_url: None, body, mode: Mode::Outcome })
}

fn malformed(code: Code, text: impl Into<String>) -> Refusal {
    Refusal::new(Reason::Malformed, Issue::error(code, "", text))
}

/// The types that `_type` names, or all that are known here.
fn kinds<'a>(known: &[&'a str], pairs: &Pairs) -> Result<Vec<&'a str>, Refusal> {
    let Some((_, named)) = pairs.iter().find(|(name, value)| name == "_type" && !value.is_empty()) else {
        // What was done to records is no part of them: whoever wants it names it.
        return Ok(known.iter().copied().filter(|kind| *kind != "AuditEvent").collect());
    };
    let mut kinds = Vec::new();
    for name in named.split(',') {
        let kind = known.iter().find(|kind| **kind == name).ok_or_else(|| {
            let text =
                format!("Search parameter `_type`: send some of {}, with commas between.", known.join(", "));
            malformed(Code::NotSupported, text)
        })?;
        kinds.push(*kind);
    }
    kinds.sort_unstable();
    kinds.dedup();
    Ok(kinds)
}

/// The type with which the page begins, and the place in it.
fn begin(pairs: &Pairs) -> Result<(Option<&str>, Option<search::Cursor>), Refusal> {
    let Some((_, after)) = pairs.iter().find(|(name, _)| name == "_after") else { return Ok((None, None)) };
    let (kind, place) = after.split_once(OF_TYPE).ok_or_else(wrong_place)?;
    let place =
        if place.is_empty() { None } else { Some(search::Cursor::parse(place).ok_or_else(wrong_place)?) };
    if place.as_ref().is_some_and(|place| !place.values.is_empty()) {
        return Err(wrong_place());
    }
    Ok((Some(kind), place))
}

fn wrong_place() -> Refusal {
    malformed(Code::Value, "Search parameter `_after`: Follow the link `next` as it was given.")
}

/// Several types can be asked only what every type can, and come in no order of their own.
fn only_of_every_type(pairs: &Pairs) -> Result<(), Refusal> {
    let fits = |name: &str| {
        let plain = name.split(':').next().unwrap_or_default();
        plain.starts_with('_') && !matches!(plain, "_sort" | "_include" | "_revinclude" | "_has")
    };
    if pairs.iter().all(|(name, value)| fits(name) || value.is_empty()) {
        return Ok(());
    }
    let text = "A search of several types takes _id, _lastUpdated, _tag, _profile, _security, _source, _type, _count, \
                _summary and _elements; search one type for more.";
    Err(malformed(Code::NotSupported, text))
}
