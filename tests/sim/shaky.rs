//! A store that can break off: a real one behind a double that ends the process, or fails, at a named point, and that keeps a
//! journal of what was committed.
//!
//! A call is over when it returns: the world stands still while the threads of the real store work, so that a seed gives the
//! same world each time.

use crate::dice::Dice;
use crate::flaw::Flaw;
use async_trait::async_trait;
use endplate_fhir::search::Query;
use endplate_followup::ports::{
    Attempt, Bookmark, Call, Changeset, Compartment, Counterpart, Counterparts, DeadLetter, Event, Link,
    Linked, Maker, Note, Page, Past, PastPage, Put, Receiver, Replay, Room, Store, StoreError, Tally,
    Traffic, Unread, Version, Waiting,
};
use jiff::Timestamp;
use jiff::civil::Date;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll, Wake, Waker};
use std::thread::{self, Thread};
use tokio::runtime::Handle;
use tokio::sync::Notify;

/// Where it breaks off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Point {
    /// In the midst of deciding: a compartment is read.
    Deciding,
    BeforeCommit,
    /// It is durable, and nobody has been told.
    AfterCommit,
    /// Something was delivered, and is not settled.
    BeforeSettling,
    AfterSettling,
}

/// A trap that is set.
#[derive(Clone, Copy, Debug)]
pub struct Trap {
    pub point: Point,
    /// How often the point is passed before.
    pub after: u32,
    /// Whether the process ends; else the call fails and the process goes on.
    pub ends: bool,
}

/// What was committed, in order.
pub type Journal = Arc<Mutex<Vec<Put>>>;

/// The double.
pub struct Shaky {
    inner: Arc<dyn Store>,
    home: Handle,
    trap: Mutex<Option<Trap>>,
    ended: Notify,
    journal: Journal,
    flaw: Flaw,
    turns: Mutex<Dice>,
}

impl Shaky {
    /// `home` is where the real store was opened; `turns` decide where somebody else who waits goes first.
    pub fn new(inner: Arc<dyn Store>, home: Handle, journal: Journal, flaw: Flaw, turns: Dice) -> Self {
        let (trap, turns) = (Mutex::new(None), Mutex::new(turns));
        Self { inner, home, trap, ended: Notify::new(), journal, flaw, turns }
    }

    pub fn set(&self, trap: Trap) {
        *self.trap.lock().unwrap() = Some(trap);
    }

    /// Takes away the trap; the trap if it was not sprung.
    pub fn disarm(&self) -> Option<Trap> {
        self.trap.lock().unwrap().take()
    }

    /// Waits for the end of the process.
    pub async fn ended(&self) {
        self.ended.notified().await;
    }

    /// Waits for the real store without letting anything else happen.
    fn now<T>(&self, work: impl Future<Output = T>) -> T {
        let _home = self.home.enter();
        standing_still(work)
    }

    /// Lets others go on, or does not.
    async fn give_way(&self) {
        const PER_MILLE: u64 = 300;
        let gives_way = self.turns.lock().unwrap().happens(PER_MILLE);
        if gives_way {
            tokio::task::yield_now().await;
        }
    }

    async fn pass(&self, point: Point) -> Result<(), StoreError> {
        let ends = {
            let mut trap = self.trap.lock().unwrap();
            match &mut *trap {
                Some(set) if set.point == point && set.after > 0 => {
                    set.after -= 1;
                    return Ok(());
                }
                Some(set) if set.point == point => {
                    let ends = set.ends;
                    *trap = None;
                    ends
                }
                _ => return Ok(()),
            }
        };
        if ends {
            self.ended.notify_one();
            // Whoever waits for this is dropped, as it would be with its process.
            std::future::pending::<()>().await;
        }
        Err(StoreError::Failed { context: "breaking off", source: format!("simulated at {point:?}").into() })
    }
}

struct Parked(Thread);

impl Wake for Parked {
    fn wake(self: Arc<Self>) {
        self.0.unpark();
    }
}

/// Waits for something on this thread. Nothing in it may wait for its turn on the runtime of the world, which stands still too.
pub fn standing_still<T>(work: impl Future<Output = T>) -> T {
    let mut work = std::pin::pin!(tokio::task::unconstrained(work));
    let waker = Waker::from(Arc::new(Parked(thread::current())));
    loop {
        if let Poll::Ready(done) = work.as_mut().poll(&mut Context::from_waker(&waker)) {
            return done;
        }
        thread::park();
    }
}

#[async_trait]
impl Store for Shaky {
    async fn latest(&self, kind: &str, id: &str) -> Result<Option<Version>, StoreError> {
        self.now(self.inner.latest(kind, id))
    }

    async fn version(&self, kind: &str, id: &str, version: u64) -> Result<Option<Version>, StoreError> {
        Ok(self.flaw.told(self.now(self.inner.version(kind, id, version))?))
    }

    async fn ahead(&self, events: &[Event]) -> Result<(), StoreError> {
        self.now(self.inner.ahead(events))
    }

    async fn history(&self, past: &Past) -> Result<PastPage, StoreError> {
        self.now(self.inner.history(past))
    }

    async fn referrers(
        &self,
        kind: &str,
        id: &str,
        limit: usize,
    ) -> Result<Vec<(String, String)>, StoreError> {
        self.now(self.inner.referrers(kind, id, limit))
    }

    async fn compartment(&self, patient: &str) -> Result<Compartment, StoreError> {
        self.give_way().await;
        self.pass(Point::Deciding).await?;
        Ok(self.flaw.read(self.now(self.inner.compartment(patient))?))
    }

    async fn generation(&self, scope: &str) -> Result<u64, StoreError> {
        self.now(self.inner.generation(scope))
    }

    async fn search(&self, query: &Query) -> Result<Page, StoreError> {
        self.now(self.inner.search(query))
    }

    async fn counts(&self, query: &Query, param: &str) -> Result<Vec<(i64, u64)>, StoreError> {
        self.now(self.inner.counts(query, param))
    }

    async fn referred(&self, kind: &str, params: &[String], id: &str) -> Result<Vec<String>, StoreError> {
        self.now(self.inner.referred(kind, params, id))
    }

    async fn commit(&self, change: Changeset) -> Result<(), StoreError> {
        self.give_way().await;
        self.pass(Point::BeforeCommit).await?;
        let change = self.flaw.derived(change);
        let puts = change.puts.clone();
        if let Some(change) = self.flaw.kept(change) {
            self.now(self.inner.commit(change))?;
        }
        self.journal.lock().unwrap().extend(puts);
        self.pass(Point::AfterCommit).await
    }

    async fn chain_head(&self) -> Result<Option<Link>, StoreError> {
        self.now(self.inner.chain_head())
    }

    async fn chain(&self, after: u64, limit: usize) -> Result<Vec<Linked>, StoreError> {
        self.now(self.inner.chain(after, limit))
    }

    async fn unchained(
        &self,
        after: Option<&str>,
        among: usize,
    ) -> Result<(Vec<String>, Option<String>), StoreError> {
        self.now(self.inner.unchained(after, among))
    }

    async fn due(&self, on: Date, after: Option<&str>, limit: usize) -> Result<Vec<String>, StoreError> {
        match self.flaw.due(on) {
            Some(on) => self.now(self.inner.due(on, after, limit)),
            None => Ok(Vec::new()),
        }
    }

    async fn waiting(&self, now: Timestamp, busy: &[String], room: Room) -> Result<Waiting, StoreError> {
        Ok(self.flaw.queued(self.now(self.inner.waiting(now, busy, room))?))
    }

    async fn settle(&self, receiver: &str, attempts: Vec<Attempt>) -> Result<(), StoreError> {
        self.pass(Point::BeforeSettling).await?;
        self.now(self.inner.settle(receiver, attempts))?;
        self.pass(Point::AfterSettling).await
    }

    async fn park(&self, receiver: &str, before: Timestamp, reason: &str) -> Result<u64, StoreError> {
        self.now(self.inner.park(receiver, before, reason))
    }

    async fn replay(&self, which: &Replay, now: Timestamp) -> Result<u64, StoreError> {
        self.now(self.inner.replay(which, now))
    }

    async fn receivers(&self, after: Option<&str>, limit: usize) -> Result<Vec<Receiver>, StoreError> {
        self.now(self.inner.receivers(after, limit))
    }

    async fn events(&self, receiver: &str, from: u64, limit: usize) -> Result<Vec<Event>, StoreError> {
        self.now(self.inner.events(receiver, from, limit))
    }

    async fn traffic(&self, receiver: &str) -> Result<Traffic, StoreError> {
        self.now(self.inner.traffic(receiver))
    }

    async fn called(&self, now: Timestamp, limit: usize) -> Result<Vec<Call>, StoreError> {
        self.now(self.inner.called(now, limit))
    }

    async fn maker(&self, subscription: &str) -> Result<Option<Maker>, StoreError> {
        self.now(self.inner.maker(subscription))
    }

    async fn use_once(&self, key: &str, until: Timestamp, now: Timestamp) -> Result<bool, StoreError> {
        self.now(self.inner.use_once(key, until, now))
    }

    async fn tally(&self, now: Timestamp, today: Date) -> Result<Tally, StoreError> {
        self.now(self.inner.tally(now, today))
    }

    async fn check(&self) -> Result<(), StoreError> {
        self.now(self.inner.check())
    }
}

/// Beside no record server.
#[async_trait]
impl Counterparts for Shaky {
    async fn counterpart(
        &self,
        record: &str,
        kind: &str,
        id: &str,
    ) -> Result<Option<Counterpart>, StoreError> {
        self.now(self.inner.counterpart(record, kind, id))
    }

    async fn counterpart_of(
        &self,
        record: &str,
        kind: &str,
        their_id: &str,
    ) -> Result<Option<Counterpart>, StoreError> {
        self.now(self.inner.counterpart_of(record, kind, their_id))
    }

    async fn bookmarks(&self, record: &str) -> Result<Vec<Bookmark>, StoreError> {
        self.now(self.inner.bookmarks(record))
    }

    async fn unread(&self, record: &str, limit: usize) -> Result<Vec<Unread>, StoreError> {
        self.now(self.inner.unread(record, limit))
    }

    async fn dead_letters(&self, receiver: &str, limit: usize) -> Result<Vec<DeadLetter>, StoreError> {
        self.now(self.inner.dead_letters(receiver, limit))
    }

    async fn note(&self, notes: Vec<Note>) -> Result<(), StoreError> {
        self.now(self.inner.note(notes))
    }
}
