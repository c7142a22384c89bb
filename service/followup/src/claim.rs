//! What only one of several instances on a store may do at a time, and whether this one may do it now.
//!
//! A claim lasts for seconds by the store's clock and is taken again while it is needed, so that nothing is locked and whoever
//! dies loses what it had. An instance that was paused finds its own claims over before it does anything more with them: it
//! goes by its own clock then, counted from before it asked, and by less time than the store gave it. A claim that is over is not
//! kept: another instance may have had it meanwhile, and what this one still means to do may be done.

use crate::ports::{Clock, Store, StoreError};
use crate::{Endplate, Refusal};
use jiff::{SignedDuration, Timestamp};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// How long a claim lasts unless it is kept, in seconds: that long nobody does the work of an instance that died.
pub const CLAIM_S: u32 = 15;
/// How often claims are kept, in seconds.
pub const KEPT_EVERY_S: u32 = 5;
/// What of a claim is not used: answers take time, and two clocks do not run alike.
const MARGIN_S: u32 = 3;

/// What one instance has claimed.
#[derive(Debug)]
pub(crate) struct Claims {
    holder: String,
    /// Until when each piece of work may be done, by the clock of this instance.
    until: Mutex<BTreeMap<String, Timestamp>>,
    /// What is claimed, kept and given up is so one after the other: what was given up meanwhile must not be kept.
    turn: futures_util::lock::Mutex<()>,
}

impl Claims {
    pub(crate) fn of(holder: String) -> Self {
        Self { holder, until: Mutex::default(), turn: futures_util::lock::Mutex::new(()) }
    }

    fn until(&self) -> MutexGuard<'_, BTreeMap<String, Timestamp>> {
        self.until.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Claims work, or claims it again. Gives what this instance has of it now.
    pub(crate) async fn take(
        &self,
        store: &dyn Store,
        works: &[String],
        now: Timestamp,
    ) -> Result<BTreeSet<String>, StoreError> {
        let _turn = self.turn.lock().await;
        self.hold(store, works, now).await
    }

    /// Claims again whatever is claimed and not over.
    async fn keep(&self, store: &dyn Store, clock: &dyn Clock) -> Result<(), StoreError> {
        let _turn = self.turn.lock().await;
        let now = clock.now();
        self.until().retain(|_, until| is_usable(*until, now));
        self.hold(store, &self.all(), now).await.map(drop)
    }

    async fn hold(
        &self,
        store: &dyn Store,
        works: &[String],
        now: Timestamp,
    ) -> Result<BTreeSet<String>, StoreError> {
        if works.is_empty() {
            return Ok(BTreeSet::new());
        }
        let held: BTreeSet<String> = store.claim(works, &self.holder, CLAIM_S).await?.into_iter().collect();
        let end = now.checked_add(used()).unwrap_or(Timestamp::MAX);
        let mut until = self.until();
        for work in works {
            if held.contains(work) {
                until.insert(work.clone(), end);
            } else {
                until.remove(work);
            }
        }
        Ok(held)
    }

    /// Whether a piece of work that was claimed is still this instance's. A clock that was set makes it doubtful: then it is not.
    pub(crate) fn holds(&self, work: &str, now: Timestamp) -> bool {
        let until = self.until().get(work).copied();
        until.is_some_and(|until| is_usable(until, now))
    }

    /// Gives up what this instance has of this work.
    pub(crate) async fn give_up(&self, store: &dyn Store, works: &[String]) {
        let _turn = self.turn.lock().await;
        let held: Vec<String> = {
            let mut until = self.until();
            works.iter().filter(|work| until.remove(*work).is_some()).cloned().collect()
        };
        if !held.is_empty()
            && let Err(error) = store.release(&held, &self.holder).await
        {
            // It ends by itself.
            tracing::debug!(%error, "a claim was not given up");
        }
    }

    fn all(&self) -> Vec<String> {
        self.until().keys().cloned().collect()
    }
}

/// Whether a claim is used that ends then.
fn is_usable(until: Timestamp, now: Timestamp) -> bool {
    let left = until.duration_since(now);
    left > SignedDuration::ZERO && left <= used()
}

/// How long a claim is used.
fn used() -> SignedDuration {
    SignedDuration::from_secs(i64::from(CLAIM_S - MARGIN_S))
}

impl Endplate {
    /// The same as one of several instances on a store. No two that run have the same name.
    #[must_use]
    pub fn as_instance(self, name: String) -> Self {
        self.furnished(|house| house.claims = std::sync::Arc::new(Claims::of(name)))
    }

    /// Claims a piece of work, or claims it again: whether this instance may do it for the next seconds.
    ///
    /// # Errors
    /// The store failed.
    pub async fn claim(&self, work: &str) -> Result<bool, Refusal> {
        let now = self.clock.now();
        Ok(!self.claims.take(self.store.as_ref(), &[work.to_owned()], now).await?.is_empty())
    }

    /// Claims again whatever this instance has claimed and not given up, to be called every [`KEPT_EVERY_S`] seconds.
    ///
    /// # Errors
    /// The store failed; claims that are not kept end by themselves.
    pub async fn keep_claims(&self) -> Result<(), Refusal> {
        Ok(self.claims.keep(self.store.as_ref(), self.clock.as_ref()).await?)
    }

    /// Gives up a piece of work that this instance has claimed.
    pub async fn give_up_claim(&self, work: &str) {
        self.claims.give_up(self.store.as_ref(), &[work.to_owned()]).await;
    }

    /// Gives up whatever this instance has claimed.
    pub async fn give_up_claims(&self) {
        self.claims.give_up(self.store.as_ref(), &self.claims.all()).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_claim_is_used_for_less_time_than_it_lasts_and_not_after_the_clock_was_set() {
        let at = |s: i64| Timestamp::from_second(1_000 + s).expect("an instant");
        let claims = Claims::of("one".to_owned());
        claims.until().insert("sweep".to_owned(), at(12));
        assert!(claims.holds("sweep", at(0)));
        assert!(claims.holds("sweep", at(11)));
        assert!(!claims.holds("sweep", at(12)));
        assert!(!claims.holds("sweep", at(-1)));
        assert!(!claims.holds("poll", at(0)));
        const { assert!(KEPT_EVERY_S * 2 < CLAIM_S - MARGIN_S, "kept twice before it is over") };
    }
}
