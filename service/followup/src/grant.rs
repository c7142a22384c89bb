//! What a client may do: SMART App Launch 2.2.0 scopes, applied to every way in and out.
//!
//! An [`Endplate`] that was given a grant ([`Endplate::on_behalf_of`]) does nothing beyond it. Whoever has no right to an
//! interaction with a type is refused (403), whether or not the resource is there. What lies outside the search parameters
//! of a scope is as if it were not there (404, in no search, no total and no history). What the service derives is not
//! bounded by the rights of whoever caused it.

pub mod scope;

use crate::Endplate;
use crate::ports::{Maker, Stored};
use crate::refusal::{Reason, Refusal};
use endplate_fhir::index::{self, IndexRow};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::search::{Clause, Match, Query};
use scope::Scope;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

/// Types of which all that is derived is made. Whoever asks for a reckoning reads them.
pub const RECORDS: [&str; 4] = ["Condition", "Observation", "Patient", "Procedure"];

/// One letter of a scope (SMART App Launch 2.2.0, scopes for requesting FHIR resources).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Right {
    /// `c`: create.
    Create,
    /// `r`: read, version read, history of an instance.
    Read,
    /// `u`: update, which also creates, and patch.
    Update,
    /// `d`: delete.
    Delete,
    /// `s`: search, history of a type and of the system.
    Search,
}

impl Right {
    /// All, in the order in which a scope has them.
    pub const ALL: [Self; 5] = [Self::Create, Self::Read, Self::Update, Self::Delete, Self::Search];

    /// Its letter.
    pub fn letter(self) -> char {
        match self {
            Self::Create => 'c',
            Self::Read => 'r',
            Self::Update => 'u',
            Self::Delete => 'd',
            Self::Search => 's',
        }
    }
}

/// How far a right to a type goes.
#[derive(Clone, Debug, PartialEq)]
pub enum Reach<'a> {
    /// There is none.
    Nothing,
    /// To all resources of the type.
    Everything,
    /// To those that meet all clauses of one of these.
    Within(Vec<&'a [Clause]>),
}

/// What one client may do.
#[derive(Clone, Debug, PartialEq)]
pub struct Grant {
    /// The client's id.
    client: String,
    /// Under what name the most that it may do is registered: its id, or the issuer that speaks for it.
    registration: String,
    scopes: Vec<Scope>,
}

impl Grant {
    /// What `client` may do, registered under `registration`.
    pub fn new(client: &str, registration: &str, scopes: Vec<Scope>) -> Self {
        Self { client: client.to_owned(), registration: registration.to_owned(), scopes }
    }

    /// Nothing at all, for nobody.
    pub fn nothing() -> Self {
        Self::new("", "", Vec::new())
    }

    /// The same client with those of these scopes that this grant covers.
    #[must_use]
    pub fn narrowed(&self, client: &str, scopes: Vec<Scope>) -> Self {
        let scopes = scopes.into_iter().filter(|scope| self.covers(scope)).collect();
        Self::new(client, &self.registration, scopes)
    }

    /// The client's id.
    pub fn client(&self) -> &str {
        &self.client
    }

    /// Whether everything that a scope allows is allowed by this grant.
    pub fn covers(&self, scope: &Scope) -> bool {
        let allows = |right: &Right| self.scopes.iter().any(|own| own.has(*right) && own.holds(scope));
        scope.rights().iter().all(allows)
    }

    /// How far a right goes.
    pub fn reach(&self, right: Right, kind: &str) -> Reach<'_> {
        let mut within = Vec::new();
        for scope in self.scopes.iter().filter(|scope| scope.has(right) && scope.is_of(kind)) {
            match scope.within() {
                [] => return Reach::Everything,
                clauses => within.push(clauses),
            }
        }
        if within.is_empty() { Reach::Nothing } else { Reach::Within(within) }
    }

    /// Whether a right to a resource with this id and rows is there.
    pub fn allows(&self, right: Right, kind: &str, id: &str, rows: &dyn Fn() -> Vec<IndexRow>) -> bool {
        match self.reach(right, kind) {
            Reach::Nothing => false,
            Reach::Everything => true,
            Reach::Within(bounds) => {
                let rows = rows();
                bounds.iter().any(|clauses| clauses.iter().all(|clause| clause.matches(id, &rows)))
            }
        }
    }

    /// Keeps a search within this grant.
    ///
    /// # Errors
    /// No right to search the type, or a chain that leads only through types that may not be searched as a whole.
    fn bound(&self, query: &mut Query) -> Result<(), Refusal> {
        query.clauses.iter_mut().try_for_each(|clause| self.follow(clause))?;
        match self.reach(Right::Search, &query.kind) {
            Reach::Nothing => Err(forbidden(Right::Search, &query.kind)),
            Reach::Everything => Ok(()),
            Reach::Within(bounds) => {
                match bounds.as_slice() {
                    [clauses] => query.clauses.extend_from_slice(clauses),
                    all => {
                        let any = all.iter().map(|clauses| Match::All(clauses.to_vec())).collect();
                        query.clauses.push(Clause { params: Vec::new(), negated: false, any });
                    }
                }
                Ok(())
            }
        }
    }

    /// Takes out of a chain the types through which it may not lead.
    fn follow(&self, clause: &mut Clause) -> Result<(), Refusal> {
        let mut refused = None;
        clause.any.retain_mut(|asked| {
            let (Match::Chain { kind, clause } | Match::Referrer { kind, clause, .. }) = asked else {
                return true;
            };
            let done = match self.reach(Right::Search, kind) {
                Reach::Everything => self.follow(clause),
                _ => Err(forbidden(Right::Search, kind)),
            };
            let is_open = done.is_ok();
            refused = refused.take().or(done.err());
            is_open
        });
        match refused {
            Some(refusal) if clause.any.is_empty() => Err(refusal),
            _ => Ok(()),
        }
    }
}

impl fmt::Display for Grant {
    /// The scopes, as a token has them.
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let texts: Vec<String> = self.scopes.iter().map(Scope::to_string).collect();
        formatter.write_str(&texts.join(" "))
    }
}

/// Who is registered, and the most that each may do, by the name under which it is registered.
pub type Registered = BTreeMap<String, Grant>;

/// A right that is not there.
pub(crate) fn forbidden(right: Right, kind: &str) -> Refusal {
    let letter = right.letter();
    let text = format!("This needs the scope system/{kind}.{letter}, which the token does not have for it.");
    Refusal::new(Reason::Forbidden, Issue::error(Code::Forbidden, "", text))
}

impl Endplate {
    /// The same use cases for one client: nothing beyond its grant.
    #[must_use]
    pub fn on_behalf_of(&self, grant: Arc<Grant>) -> Self {
        Self { grant: Some(grant), ..self.clone() }
    }

    /// The same use cases where access is closed: what a Subscription may get is what its maker, registered here, may read.
    #[must_use]
    pub fn closed_to(&self, registered: Arc<Registered>) -> Self {
        Self { registered: Some(registered), ..self.clone() }
    }

    /// The same use cases for the service itself.
    #[must_use]
    pub fn on_its_own(&self) -> Self {
        Self { grant: None, ..self.clone() }
    }

    /// Refuses whoever has no right to a type at all.
    pub(crate) fn permit(&self, right: Right, kind: &str) -> Result<(), Refusal> {
        match &self.grant {
            Some(grant) if grant.reach(right, kind) == Reach::Nothing => Err(forbidden(right, kind)),
            _ => Ok(()),
        }
    }

    /// Refuses whoever may not do this to all resources of these types, from which an answer is reckoned.
    pub(crate) fn permit_all(&self, right: Right, kinds: &[&str]) -> Result<(), Refusal> {
        let Some(grant) = &self.grant else { return Ok(()) };
        let missing = kinds.iter().find(|kind| grant.reach(right, kind) != Reach::Everything);
        missing.map_or(Ok(()), |kind| Err(forbidden(right, kind)))
    }

    /// Whether a right reaches all resources of a type.
    pub(crate) fn reaches_all(&self, right: Right, kind: &str) -> bool {
        self.grant.as_ref().is_none_or(|grant| grant.reach(right, kind) == Reach::Everything)
    }

    /// Whether a right reaches a version; a deletion only where all of the type is within reach.
    pub(crate) fn may(&self, right: Right, version: &Stored) -> bool {
        let base = &self.settings.base;
        self.grant.as_ref().is_none_or(|grant| reaches(grant, right, version, base))
    }

    /// Keeps a search within the grant.
    pub(crate) fn bound(&self, query: &mut Query) -> Result<(), Refusal> {
        self.grant.as_ref().map_or(Ok(()), |grant| grant.bound(query))
    }

    /// Who writes a Subscription, to be kept beside it.
    pub(crate) fn maker(&self, subscription: &str) -> Maker {
        let of = |text: fn(&Grant) -> String| self.grant.as_deref().map(text).unwrap_or_default();
        Maker {
            subscription: subscription.to_owned(),
            client: of(|grant| grant.client.clone()),
            registration: of(|grant| grant.registration.clone()),
            scope: of(Grant::to_string),
        }
    }

    /// Whether the subscriber of a Subscription may be told of a version now: whoever last wrote the Subscription may read it,
    /// by the token that it was written with and by what is registered today. To be asked at every sending.
    ///
    /// # Errors
    /// The store cannot be read.
    pub async fn may_be_told(&self, subscription: &str, version: &Stored) -> Result<bool, Refusal> {
        let Some(registered) = &self.registered else { return Ok(true) };
        let Some(maker) = self.store.maker(subscription).await? else { return Ok(false) };
        let base = &self.settings.base;
        let Some(most) = registered.get(&maker.registration) else { return Ok(false) };
        // A scope that can no longer be read gives nothing.
        let scopes = maker.scope.split(' ').filter_map(|text| Scope::parse(text, base).ok()).collect();
        let own = Grant::new(&maker.client, &maker.registration, scopes);
        Ok([most, &own].into_iter().all(|grant| reaches(grant, Right::Read, version, base)))
    }
}

fn reaches(grant: &Grant, right: Right, version: &Stored, base: &str) -> bool {
    if version.body.is_empty() {
        return grant.reach(right, &version.kind) == Reach::Everything;
    }
    let rows = || index::rows(&endplate_fhir::json::stored(&version.body), base);
    grant.allows(right, &version.kind, &version.id, &rows)
}
