//! What many writes rest on and few change, as it was last read: the ConceptMaps, the Subscriptions.
//!
//! Each has a counter in the store that moves whenever one of them is written. A write rests on the counter without moving it, so
//! that what was remembered and is out of date cannot be committed, and a normal write reads nothing.

use crate::Endplate;
use crate::ports::{Changeset, Deed, Store, StoreError};
use crate::refusal::Refusal;
use crate::{subscription, terminology};
use futures_util::future::BoxFuture;
use std::sync::{Arc, PoisonError, RwLock};
use tracing::{Instrument, info_span};

/// How often something is read again because it was written meanwhile.
const ATTEMPTS_MAX: u32 = 50;

/// Something as it was last read.
#[derive(Debug)]
pub(crate) struct Remembered<T>(RwLock<Known<T>>);

#[derive(Debug)]
struct Known<T> {
    /// The counter it was read at, and it.
    value: Option<(u64, Arc<T>)>,
    /// What was read at an earlier counter is out of date.
    floor: u64,
    /// A commit that rested on it was refused: it may have moved.
    doubted: bool,
}

impl<T> Default for Remembered<T> {
    fn default() -> Self {
        Self(RwLock::new(Known { value: None, floor: 0, doubted: false }))
    }
}

impl<T> Remembered<T> {
    /// It, with the counter it was read at: as it was last read, unless a commit has been refused since. Whoever rests on it lets
    /// the commit find out whether it still holds. `read` is asked only if need be.
    pub(crate) async fn get<'a>(
        &self,
        store: &dyn Store,
        scope: &str,
        read: impl Fn() -> BoxFuture<'a, Result<T, Refusal>> + Send + Sync,
    ) -> Result<(u64, Arc<T>), Refusal> {
        let (value, doubted) = self.known();
        match value {
            Some(value) if !doubted => return Ok(value),
            Some((generation, value)) if store.generation(scope).await? == generation => {
                self.learn(generation, &value);
                return Ok((generation, value));
            }
            _ => {}
        }
        for _ in 0..ATTEMPTS_MAX {
            let generation = store.generation(scope).await?;
            let value = Arc::new(read().await?);
            if store.generation(scope).await? == generation {
                self.learn(generation, &value);
                return Ok((generation, value));
            }
        }
        Err(StoreError::Moved.into())
    }

    fn known(&self) -> (Option<(u64, Arc<T>)>, bool) {
        let known = self.0.read().unwrap_or_else(PoisonError::into_inner);
        (known.value.clone(), known.doubted)
    }

    fn change(&self, act: impl FnOnce(&mut Known<T>)) {
        act(&mut self.0.write().unwrap_or_else(PoisonError::into_inner));
    }

    fn learn(&self, generation: u64, value: &Arc<T>) {
        self.change(|known| {
            if generation >= known.floor {
                let value = Some((generation, Arc::clone(value)));
                *known = Known { value, floor: generation, doubted: false };
            }
        });
    }

    /// The counter was moved from `generation` by a commit of ours; `next` makes what holds now of what held before it.
    fn moved(&self, generation: u64, next: impl FnOnce(&T) -> Option<T>) {
        self.change(|known| {
            let after = generation.saturating_add(1);
            let before = known.value.take().filter(|(at, _)| *at == generation);
            if after >= known.floor {
                known.floor = after;
                known.value =
                    before.and_then(|(_, value)| next(&value)).map(|value| (after, Arc::new(value)));
            }
        });
    }

    fn doubt(&self) {
        self.change(|known| known.doubted = true);
    }
}

impl Endplate {
    /// Commits, and keeps what is remembered true.
    pub(crate) async fn settle(&self, mut change: Changeset) -> Result<(), StoreError> {
        let moves =
            |key: &str| change.scopes.iter().find(|scope| scope.key == key).map(|scope| scope.generation);
        let maps = moves(terminology::SCOPE);
        let subscriptions = moves(subscription::SCOPE).map(|generation| {
            let written = change.puts.iter().filter(|put| put.stored.kind == "Subscription");
            let written = written.map(|put| (put.stored.clone(), put.deed != Deed::Deleted));
            (generation, written.collect::<Vec<_>>())
        });
        let at = change.at;
        change.trace.clone_from(&self.trace);
        let done = self.commit_measured(change).await;
        match &done {
            Ok(()) => {
                if let Some((generation, written)) = subscriptions {
                    let base = &self.settings.base;
                    self.listening.moved(generation, |before| Some(before.with(&written, base)));
                }
                if let Some(generation) = maps {
                    self.terms.moved(generation, |_| None);
                    self.look_again_at_recent(at).await;
                }
            }
            Err(StoreError::Moved) => {
                self.terms.doubt();
                self.listening.doubt();
            }
            Err(_) => {}
        }
        done
    }

    /// Commits, and lets the meter know how long it took.
    pub(crate) async fn commit_measured(&self, change: Changeset) -> Result<(), StoreError> {
        let started = self.clock.since_start();
        let done = self.store.commit(change).instrument(info_span!("commit")).await;
        if let Some(meter) = &self.meter {
            meter.committed(done.as_ref().copied(), self.clock.since_start().saturating_sub(started));
        }
        done
    }
}
