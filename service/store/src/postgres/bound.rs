//! An end to waiting. The server ends a statement that takes too long; but a server that vanished without a word, as when its machine
//! fails, answers nothing, and what was asked of it would be waited for until the system gives the connection up, if ever. What is
//! waited for holds more than itself: an instance would keep its claims and serve nobody.

use super::PostgresStore;
use async_trait::async_trait;
use endplate_fhir::search::Query;
use endplate_followup::ports::{
    Attempt, Bookmark, Call, Changeset, Compartment, Counterpart, Counterparts, DeadLetter, Event, Link,
    Linked, Maker, Note, Page, Past, PastPage, Receiver, Replay, Room, Store, StoreError, Stored, Tally,
    Traffic, Unread, Version, Waiting,
};
use jiff::Timestamp;
use jiff::civil::Date;
use std::time::Duration;

/// Longer than a connection is waited for and the server lets a statement take.
pub(crate) const LONGEST: Duration = Duration::from_secs(45);

/// A store whose every call ends. What became of a write that was given up is not known, as after any lost connection.
#[derive(Debug)]
pub struct Bounded {
    inner: PostgresStore,
    longest: Duration,
}

impl Bounded {
    /// A call that takes longer than `longest` is given up, and its connection with it.
    pub fn of(inner: PostgresStore, longest: Duration) -> Self {
        Self { inner, longest }
    }

    async fn within<T>(&self, asked: impl Future<Output = Result<T, StoreError>>) -> Result<T, StoreError> {
        let Ok(answer) = tokio::time::timeout(self.longest, asked).await else {
            let source = "the database did not answer".into();
            return Err(StoreError::Failed { context: "waiting for the database", source });
        };
        answer
    }
}

macro_rules! within {
    ($port:ident: $($call:ident($($name:ident: $kind:ty),*) -> $answer:ty;)+) => {
        #[async_trait]
        impl $port for Bounded {
            $(async fn $call(&self, $($name: $kind),*) -> Result<$answer, StoreError> {
                self.within(self.inner.$call($($name),*)).await
            })+
        }
    };
}

// Also those that the port has an answer for by itself.
within! { Store:
    read(kind: &str, id: &str) -> Option<Stored>;
    latest(kind: &str, id: &str) -> Option<Version>;
    version(kind: &str, id: &str, version: u64) -> Option<Version>;
    ahead(events: &[Event]) -> ();
    history(past: &Past) -> PastPage;
    referrers(kind: &str, id: &str, limit: usize) -> Vec<(String, String)>;
    compartment(patient: &str) -> Compartment;
    generation(scope: &str) -> u64;
    search(query: &Query) -> Page;
    search_lately(query: &Query) -> Page;
    counts(query: &Query, param: &str) -> Vec<(i64, u64)>;
    referred(kind: &str, params: &[String], id: &str) -> Vec<String>;
    commit(change: Changeset) -> ();
    chain_head() -> Option<Link>;
    chain(after: u64, limit: usize) -> Vec<Linked>;
    unchained(after: Option<&str>, among: usize) -> (Vec<String>, Option<String>);
    due(on: Date, after: Option<&str>, limit: usize) -> Vec<String>;
    waiting(now: Timestamp, busy: &[String], room: Room) -> Waiting;
    settle(receiver: &str, attempts: Vec<Attempt>) -> ();
    park(receiver: &str, before: Timestamp, reason: &str) -> u64;
    replay(which: &Replay, now: Timestamp) -> u64;
    receivers(after: Option<&str>, limit: usize) -> Vec<Receiver>;
    events(receiver: &str, from: u64, limit: usize) -> Vec<Event>;
    traffic(receiver: &str) -> Traffic;
    called(now: Timestamp, limit: usize) -> Vec<Call>;
    maker(subscription: &str) -> Option<Maker>;
    use_once(key: &str, until: Timestamp, now: Timestamp) -> bool;
    claim(works: &[String], holder: &str, seconds: u32) -> Vec<String>;
    release(works: &[String], holder: &str) -> ();
    tally(now: Timestamp, today: Date) -> Tally;
    check() -> ();
}

within! { Counterparts:
    counterpart(record: &str, kind: &str, id: &str) -> Option<Counterpart>;
    counterpart_of(record: &str, kind: &str, their_id: &str) -> Option<Counterpart>;
    bookmarks(record: &str) -> Vec<Bookmark>;
    unread(record: &str, limit: usize) -> Vec<Unread>;
    dead_letters(receiver: &str, limit: usize) -> Vec<DeadLetter>;
    note(notes: Vec<Note>) -> ();
}
