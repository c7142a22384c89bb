//! What the use cases need from outside: a clock, a store, a transport, and which addresses may be called.
//!
//! Each is a trait small enough to be implemented twice. Nothing here knows SQL, sockets or the system clock.
//!
//! # Consistency
//! A write is decided on a snapshot and committed only if the snapshot still holds. What the decision rested on is
//! named by *scopes*, text keys with a counter: `Patient/123` for everything about one patient, `Patient?identifier=s|v`
//! for "no other resource has this identifier". [`Changeset::scopes`] carries the counters that were read; the store
//! commits only if none has moved and then moves each by one. A refused commit is decided again on fresh facts.
//! [`Changeset::reads`] carries counters that a decision rested on but does not change, such as `ConceptMap`: they must
//! not have moved either, and stay where they are, so that writes which share them do not get in each other's way.
//!
//! # Several instances
//! What only one of several instances may do at a time, such as a sweep or the delivery to one receiver, is *claimed* for some
//! seconds ([`Store::claim`]) and claimed again while it goes on. Nothing is locked meanwhile. An instance that dies loses its
//! claims when their time is over, by the store's clock: the instances' own clocks are not asked.

mod outbox;
mod record;
mod watch;

pub use outbox::{Attempt, Event, Queue, Receiver, Replay, Room, Settlement, Traffic, Waiting};
pub use record::{Bookmark, Counterpart, Counterparts, DeadLetter, Note, Unread};
pub use watch::{Meter, ReadTally, Tally};

use crate::trace::Trace;
use async_trait::async_trait;
use endplate_fhir::index::IndexRow;
use endplate_fhir::search::Query;
use jiff::Timestamp;
use jiff::civil::Date;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

/// Tells the time. The only source of "now" for the use cases.
pub trait Clock: Send + Sync {
    /// The present instant.
    fn now(&self) -> Timestamp;
    /// The present civil date where the clinic is.
    fn today(&self) -> Date;
    /// Time since some moment, for measuring how long something takes: no change of the wall clock moves it. A clock that stands
    /// measures nothing.
    fn since_start(&self) -> Duration {
        Duration::ZERO
    }
}

/// One version of a resource as it was committed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stored {
    /// Resource type, e.g. `Procedure`.
    pub kind: String,
    /// Logical id.
    pub id: String,
    /// 1 for the first version, then one more each time.
    pub version: u64,
    /// When it was committed.
    pub at: Timestamp,
    /// The resource as JSON text, with `meta.versionId` and `meta.lastUpdated`.
    pub body: String,
}

/// What a version did to its resource.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Deed {
    /// Made it, or made it again after a deletion.
    Created,
    /// Changed it.
    Updated,
    /// Ended it: the version has no body.
    Deleted,
}

/// One version as a history has it. Of a deletion, `stored.body` is empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Version {
    /// The version.
    pub stored: Stored,
    /// What it did.
    pub deed: Deed,
}

/// Where the next page of a history begins: after this version. Its text form is opaque to clients.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Its instant in milliseconds since the epoch.
    pub at_ms: i64,
    /// Its number in the order in which the store took versions.
    pub number: i64,
}

impl std::fmt::Display for Place {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "{}~{}", self.at_ms, self.number)
    }
}

impl Place {
    /// Reads the text form.
    pub fn parse(text: &str) -> Option<Self> {
        let (at_ms, number) = text.split_once('~')?;
        Some(Self { at_ms: at_ms.parse().ok()?, number: number.parse().ok()? })
    }
}

/// Which versions a history holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Past {
    /// Of this type only.
    pub kind: Option<String>,
    /// Of the resource with this id only; given with `kind`.
    pub id: Option<String>,
    /// Committed at this instant or later; milliseconds since the epoch.
    pub since_ms: Option<i64>,
    /// Current at some time between these two instants, ends included; milliseconds since the epoch.
    pub during_ms: Option<(i64, i64)>,
    /// How many versions a page holds, at least 1.
    pub count: usize,
    /// Where the page begins.
    pub after: Option<Place>,
}

/// One page of a history, newest first.
#[derive(Clone, Debug, Default)]
pub struct PastPage {
    /// At most `Past::count` versions.
    pub versions: Vec<Version>,
    /// Where the next page starts; none: this was the last.
    pub next: Option<Place>,
    /// How many versions there are in all; nothing where that are more than [`PastPage::TOTAL_MAX`].
    pub total: Option<u64>,
}

impl PastPage {
    /// Up to how many versions are counted. To count all that were ever written would take longer than their page is worth.
    pub const TOTAL_MAX: usize = endplate_fhir::search::TOTAL_MAX;
}

/// Everything stored about one patient, as one consistent snapshot.
#[derive(Clone, Debug, Default)]
pub struct Compartment {
    /// Counter of the patient's scope when the snapshot was taken; 0 if nothing was ever written.
    pub generation: u64,
    /// Current versions, ordered by type and id.
    pub resources: Vec<Stored>,
}

impl Compartment {
    /// Puts the resources in order.
    pub fn of(generation: u64, mut resources: Vec<Stored>) -> Self {
        resources.sort_unstable_by(|a, b| (&a.kind, &a.id).cmp(&(&b.kind, &b.id)));
        Self { generation, resources }
    }
}

/// A new version of a resource. The store refuses it unless the newest version is `version - 1` (0: none). After a deletion the
/// resource is in no search and no compartment, until a later version makes it again.
#[derive(Clone, Debug)]
pub struct Put {
    /// The version to be written. Of a deletion, the body is empty.
    pub stored: Stored,
    /// What it does.
    pub deed: Deed,
    /// The patient whose compartment holds it, if any.
    pub patient: Option<String>,
    /// What it can be found by. Replaces the rows of the version before.
    pub rows: Vec<IndexRow>,
}

/// A counter that a decision rested on.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Scope {
    /// Its key, e.g. `Patient/123`.
    pub key: String,
    /// Its counter when it was read.
    pub generation: u64,
}

/// A resource version that a receiver must be told of. The store numbers it within its receiver, from 1, without gaps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// Who: the id of a Subscription.
    pub receiver: String,
    /// Type of the resource.
    pub kind: String,
    /// Id of the resource.
    pub id: String,
    /// Version of the resource.
    pub version: u64,
}

/// When a patient's episodes must be looked at again without any new resource.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Agenda {
    /// The patient's id.
    pub patient: String,
    /// The first date on which the clock alone can change something; none: never.
    pub due_on: Option<Date>,
}

/// Who last wrote a Subscription, and so for whom it is told. Kept beside it: the resource says nothing of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Maker {
    /// Id of the Subscription.
    pub subscription: String,
    /// The client's id; empty: it was written while access was open.
    pub client: String,
    /// Under what name the client is registered.
    pub registration: String,
    /// The scopes that it had.
    pub scope: String,
}

/// When a Subscription must be looked at although nothing has happened: its handshake, its heartbeat, its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Call {
    /// Id of the Subscription.
    pub subscription: String,
    /// The instant; none: never.
    pub at: Option<Timestamp>,
}

/// Counters that nearly every write rests on: a store must let whoever moves one through, without holding all others up for long.
pub const COMMON_SCOPES: [&str; 2] = [crate::subscription::SCOPE, crate::terminology::SCOPE];

/// Types that tell what happened. Such a resource may name what is no longer there; the versions still are.
pub const RECORDS: [&str; 2] = ["AuditEvent", "Provenance"];

/// All that one write changes. Committed whole or not at all.
#[derive(Clone, Debug, Default)]
pub struct Changeset {
    /// Commit instant.
    pub at: Option<Timestamp>,
    /// Counters that must not have moved. Each is moved by one.
    pub scopes: Vec<Scope>,
    /// Counters that must not have moved and are left where they are.
    pub reads: Vec<Scope>,
    /// New versions. If anything refers to what is deleted here when this is committed, but what is put here too and [`RECORDS`], the
    /// facts have moved.
    pub puts: Vec<Put>,
    /// Type and id of what is referred to by what is put. If one of these is not there when this is committed, the facts have moved.
    pub targets: Vec<(String, String)>,
    /// Outbox rows, in the order in which they must arrive.
    pub notices: Vec<Notice>,
    /// Changes of the agenda.
    pub agenda: Vec<Agenda>,
    /// Who wrote the Subscriptions among `puts`.
    pub makers: Vec<Maker>,
    /// When Subscriptions are looked at.
    pub calls: Vec<Call>,
    /// Subscriptions to which what waits may be sent now, though it was held or failed.
    pub releases: Vec<String>,
    /// AuditEvents of what this write does: new resources, of no compartment, told to no subscriber. Each becomes the next link
    /// of the chain ([`crate::audit::chain`]).
    pub audit: Vec<Put>,
    /// The request that asks for it: what it causes is told as part of its trace.
    pub trace: Option<Arc<Trace>>,
}

impl Changeset {
    /// The ends of resources among what is put.
    pub fn deletions(&self) -> impl Iterator<Item = &Put> {
        self.puts.iter().filter(|put| put.deed == Deed::Deleted)
    }
}

/// A place in the chain of AuditEvents.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    /// Its number, from 1, without gaps.
    pub number: u64,
    /// Its hash, 64 hexadecimal digits.
    pub hash: String,
}

/// A link with what it stands for, as the store has it now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Linked {
    /// Its place.
    pub link: Link,
    /// Id of the AuditEvent; none if there is no such resource.
    pub id: Option<String>,
    /// Its first version as it stands; none if there is none.
    pub body: Option<String>,
    /// Whether it is an AuditEvent of one version that is not deleted.
    pub is_single: bool,
}

/// One page of search results.
#[derive(Clone, Debug, Default)]
pub struct Page {
    /// At most `Query::count` resources, in the query's order.
    pub resources: Vec<Stored>,
    /// Where the next page starts; none: this was the last.
    pub next: Option<endplate_fhir::search::Cursor>,
    /// How many match in all, as far as [`Query::total`] wants them counted.
    pub total: Option<u64>,
}

/// Why the store could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// A scope or a version has moved since it was read. Decide again on fresh facts.
    #[error("the facts changed while the write was decided")]
    Moved,
    /// The store cannot be reached, is full, or is damaged. Nothing was written.
    #[error("the store failed: {context}")]
    Failed {
        /// What was being done.
        context: &'static str,
        /// The cause, for the log only.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

/// The durable side. Every function sees one consistent snapshot; `commit` and `settle` are durable when they return.
#[async_trait]
pub trait Store: Counterparts + Send + Sync {
    /// The current version of a resource; none if there is none or it was deleted.
    async fn read(&self, kind: &str, id: &str) -> Result<Option<Stored>, StoreError> {
        let latest = self.latest(kind, id).await?;
        Ok(latest.filter(|version| version.deed != Deed::Deleted).map(|version| version.stored))
    }
    /// The newest version of a resource, be it a deletion.
    async fn latest(&self, kind: &str, id: &str) -> Result<Option<Version>, StoreError>;
    /// A given version of a resource, be it a deletion.
    async fn version(&self, kind: &str, id: &str, version: u64) -> Result<Option<Version>, StoreError>;
    /// Says that the versions these events tell of will be asked for soon, in this order, so that they can be read together.
    /// Whether that is done changes nothing but the time it takes.
    async fn ahead(&self, _events: &[Event]) -> Result<(), StoreError> {
        Ok(())
    }
    /// One page of versions, newest first; deletions are among them.
    async fn history(&self, past: &Past) -> Result<PastPage, StoreError>;
    /// Type and id of current resources that are indexed as referring to this one, in order, at most `limit`; [`RECORDS`] are none of them.
    async fn referrers(
        &self,
        kind: &str,
        id: &str,
        limit: usize,
    ) -> Result<Vec<(String, String)>, StoreError>;
    /// Everything about one patient.
    async fn compartment(&self, patient: &str) -> Result<Compartment, StoreError>;
    /// The counter of a scope; 0 if it was never moved.
    async fn generation(&self, scope: &str) -> Result<u64, StoreError>;
    /// One page of current resources.
    async fn search(&self, query: &Query) -> Result<Page, StoreError>;
    /// The same for an answer on which no decision rests: it may be some moments behind, and is asked of a replica if there is one.
    async fn search_lately(&self, query: &Query) -> Result<Page, StoreError> {
        self.search(query).await
    }
    /// How many values of a date parameter begin at which instant, milliseconds since the epoch, among the resources that meet
    /// the query; in order. The query's order and page do not count. Read from index rows alone.
    async fn counts(&self, query: &Query, param: &str) -> Result<Vec<(i64, u64)>, StoreError>;
    /// The types of the resources with this id to which these reference parameters of a type lead, sorted: more than one where
    /// an id alone does not say who is meant.
    async fn referred(&self, kind: &str, params: &[String], id: &str) -> Result<Vec<String>, StoreError>;
    /// Commits a changeset whole, or refuses it with [`StoreError::Moved`].
    async fn commit(&self, change: Changeset) -> Result<(), StoreError>;
    /// The last link of the chain of AuditEvents; none if it is empty.
    async fn chain_head(&self) -> Result<Option<Link>, StoreError>;
    /// The links after this number, in order, at most `limit`.
    async fn chain(&self, after: u64, limit: usize) -> Result<Vec<Linked>, StoreError>;
    /// Of the next AuditEvents in order of id, after `after`: the ids of those that no link stands for, and the last one that was
    /// looked at; none at the end. It looks at `among` of them, or at more and gives at most as many ids.
    async fn unchained(
        &self,
        after: Option<&str>,
        among: usize,
    ) -> Result<(Vec<String>, Option<String>), StoreError>;
    /// Patients whose agenda date is `on` or earlier, in order of id, after `after`, at most `limit`.
    async fn due(&self, on: Date, after: Option<&str>, limit: usize) -> Result<Vec<String>, StoreError>;
    /// What may be sent at `now` to receivers that are neither `busy` nor held, as far as there is `room`.
    async fn waiting(&self, now: Timestamp, busy: &[String], room: Room) -> Result<Waiting, StoreError>;
    /// Records attempts at events of one receiver, in this order, and what follows from them. An event that is settled
    /// already stays as it is.
    async fn settle(&self, receiver: &str, attempts: Vec<Attempt>) -> Result<(), StoreError>;
    /// Makes dead letters of all events of a receiver that wait since before `before`; says how many.
    async fn park(&self, receiver: &str, before: Timestamp, reason: &str) -> Result<u64, StoreError>;
    /// Puts settled events into the queue again and lets their receivers be tried at once; says how many.
    async fn replay(&self, which: &Replay, now: Timestamp) -> Result<u64, StoreError>;
    /// How receivers stand, in order of their keys, after `after`, at most `limit`.
    async fn receivers(&self, after: Option<&str>, limit: usize) -> Result<Vec<Receiver>, StoreError>;
    /// Events of a receiver from this number on, settled or not, in order, at most `limit`.
    async fn events(&self, receiver: &str, from: u64, limit: usize) -> Result<Vec<Event>, StoreError>;
    /// What was raised for a receiver.
    async fn traffic(&self, receiver: &str) -> Result<Traffic, StoreError>;
    /// The calls that are due at `now`, earliest first, at most `limit`; each has its instant.
    async fn called(&self, now: Timestamp, limit: usize) -> Result<Vec<Call>, StoreError>;
    /// Who last wrote a Subscription.
    async fn maker(&self, subscription: &str) -> Result<Option<Maker>, StoreError>;
    /// Notes that something that may be used once was used, durably; false if it was used before. It is remembered until
    /// `until`; what was to be remembered until before `now` is forgotten.
    async fn use_once(&self, key: &str, until: Timestamp, now: Timestamp) -> Result<bool, StoreError>;
    /// Claims pieces of work for `holder` until `seconds` from now by the store's clock, those that nobody else has claimed for
    /// longer than until now. Gives those that are the holder's, in order; to claim one again is to keep it. A store that has
    /// but one holder, whoever that is, grants it all.
    async fn claim(&self, works: &[String], holder: &str, seconds: u32) -> Result<Vec<String>, StoreError> {
        let _ = (holder, seconds);
        Ok(works.iter().cloned().collect::<BTreeSet<_>>().into_iter().collect())
    }
    /// Gives up what `holder` still has of these claims.
    async fn release(&self, works: &[String], holder: &str) -> Result<(), StoreError> {
        let _ = (works, holder);
        Ok(())
    }
    /// Counts what stands, for whoever watches the service, as of `now` where the clinic has `today`.
    async fn tally(&self, now: Timestamp, today: Date) -> Result<Tally, StoreError>;
    /// Says whether the store can be used now and holds what this build needs, for readiness probes. It asks the store itself.
    async fn check(&self) -> Result<(), StoreError>;
}

/// A message ready to leave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Where the subscriber listens, as the Subscription says.
    pub endpoint: String,
    /// Headers that the Subscription asks for, `Name: value`.
    pub headers: Vec<String>,
    /// Identifies the event for ever, so that a receiver can drop repeats: `{receiver}/{number}`, of several events
    /// `{receiver}/{first}-{last}`; empty where it is no event.
    pub event: String,
    /// Resource type and id, `Task/123`; of a notification by topic, the Subscription.
    pub about: String,
    /// The resource, where the Subscription asks for a payload, or the notification.
    pub body: Option<String>,
    /// The format of a notification by topic, which is posted to the endpoint. Without it a body is put at the address of the
    /// resource.
    pub content_type: Option<String>,
    /// The longest time for the attempt that the Subscription asks for, in seconds.
    pub timeout_s: Option<u64>,
    /// The trace of the request that caused it, if that is known.
    pub trace: Option<Arc<Trace>>,
}

/// What came back from a receiver.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// A status in the two hundreds.
    Accepted,
    /// Another status.
    Refused {
        /// The status code.
        status: u16,
        /// `Retry-After` in seconds, where given.
        retry_after_s: Option<u64>,
    },
    /// No answer: refused connection, time out, reset.
    Unreachable {
        /// What happened, for people, without payload.
        reason: String,
    },
}

/// One request to a hospital record server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ask {
    /// Name of the record server.
    pub record: String,
    /// Below its base, such as `Task?identifier=s%7Cv`; or absolute, as a link of a page is, and then of the same server.
    pub url: String,
    /// None: it is read. Else what is written there.
    pub write: Option<Writing>,
    /// The trace of the request that caused it, if one did and it is known.
    pub trace: Option<Arc<Trace>>,
}

/// What is written to a record server, as an update.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Writing {
    /// The resource as JSON text.
    pub body: String,
    /// The version that must be current there, without quotes.
    pub if_match: Option<String>,
}

/// What a record server answered.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Answer {
    /// The status code.
    pub status: u16,
    /// How long it asks to wait, in seconds.
    pub retry_after_s: Option<u64>,
    /// `Location`, or `Content-Location`.
    pub location: Option<String>,
    /// The version that `ETag` names, without quotes.
    pub version: Option<String>,
    /// The body, if it is FHIR JSON.
    pub body: Option<endplate_fhir::Json>,
}

/// Sends one message and says what came back. Never retries by itself: the outbox decides.
#[async_trait]
pub trait Transport: Send + Sync {
    /// Sends `message` once.
    async fn send(&self, message: &Message) -> Outcome;
    /// Puts one request to a record server, as one that it lets in. The error is why no answer came, for people, without
    /// payload, address or secret. Without record servers there is nobody to ask.
    async fn ask(&self, request: &Ask) -> Result<Answer, String> {
        let _ = request;
        Err("no record server is configured".to_owned())
    }
}

/// Which addresses may be called, as far as the text of an address tells. What a name leads to is looked at when it is called.
pub trait Endpoints: Send + Sync {
    /// What to change about the address, for people and without repeating it.
    fn refused(&self, endpoint: &str) -> Option<String>;
}
