//! Many receivers served at once, each one thing at a time.
//!
//! Whoever is slow keeps a place for as long as an attempt may take; nobody waits for it but its own next event. Receivers that
//! failed last have places of their own, so that any number of them leaves the others theirs. What waits is in the store: the
//! pool holds a few events of each receiver that is being served and the body of one message each.
//!
//! A receiver that takes everything is told up to 128 events before what it took is made durable together, or as many as it
//! takes in a tenth of a second. If the process dies in between, these are sent again, in the same order and under the same
//! numbers.

use super::{DeliveryReport, Standing, next};
use crate::Endplate;
use crate::ports::{Attempt, Call, Event, Outcome, Queue, Room, Settlement, StoreError, Waiting};
use crate::record::RECEIVER;
use crate::refusal::Refusal;
use crate::trace::Trace;
use async_trait::async_trait;
use futures_util::future::{Either, join, select};
use futures_util::stream::{FuturesUnordered, StreamExt};
use jiff::{SignedDuration, Timestamp};
use std::collections::btree_map::Entry::Vacant;
use std::collections::{BTreeMap, BTreeSet};
use std::pin::pin;
use tracing::{Instrument, info_span};

/// Receivers served at once.
pub(super) const AT_ONCE: usize = 256;
/// Of these, receivers whose last attempt failed.
const FAILING_AT_ONCE: usize = 64;
/// Events of one receiver that are sent before they are settled together.
const RUN_EVENTS: usize = 128;
/// Events of one receiver whose versions are read together.
const READ_EVENTS: usize = 32;
/// The longest time between an answer and its settlement, the attempt that is under way not counted.
const RUN_TIME: SignedDuration = SignedDuration::from_millis(100);

/// After how long a receiver that another instance serves is looked at again, unless something happens before.
const ELSEWHERE: SignedDuration = SignedDuration::from_secs(5);

/// Asks the store for nothing but the time.
pub(super) const NO_ROOM: Room = Room { well: 0, failing: 0, events: 0 };

/// What a carrier did with an event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Carried {
    /// It was sent once; this came back.
    Tried(Outcome),
    /// It will not be taken as it is, for this reason, which the receiver gave and which may name a patient.
    Refused(String),
    /// Nobody wants it any more, or whoever does may not have it; and why.
    Unwanted(&'static str),
    /// This version of its Subscription is not active: it waits until that is written again.
    Held(u64),
}

/// Carries events to their receivers.
#[async_trait]
pub trait Carrier: Send + Sync {
    /// Carries one event once, and says which events went in one message with it, itself the first. A refusal is a fault of
    /// this service: the event stays where it is.
    async fn carry(&self, event: &Event) -> Result<(Carried, Vec<Event>), Refusal>;
    /// Names the event that comes next if this one goes, while this one is under way: it may be made ready.
    async fn ahead(&self, _: &Event) {}
    /// Lets go of what was made ready for a receiver: the event before did not go, and that may have changed everything.
    fn forget(&self, _: &str) {}
    /// Does what is due for a receiver although nothing has happened: a handshake, a heartbeat, the end.
    async fn call(&self, _: &Call) -> Result<(), Refusal> {
        Ok(())
    }
}

/// What is to be done for one receiver.
enum Errand {
    Tell(Queue),
    Call(Call),
}

/// Says when a pool looks at the store again.
#[async_trait]
pub trait Bell: Send + Sync {
    /// Waits until something may have become due: at `next_at`, if that is known, or earlier. False: begin nothing more.
    /// `is_idle` says that nothing is under way.
    async fn rung(&self, next_at: Option<Timestamp>, is_idle: bool) -> bool;
    /// Whether nothing more is to be begun.
    fn is_over(&self) -> bool;
}

/// Whatever is due when the pool is idle was all.
pub(super) struct Once;

#[async_trait]
impl Bell for Once {
    async fn rung(&self, _: Option<Timestamp>, is_idle: bool) -> bool {
        if !is_idle {
            std::future::pending::<()>().await;
        }
        false
    }
    fn is_over(&self) -> bool {
        false
    }
}

/// What may be done now.
struct Looked {
    queues: Vec<Queue>,
    calls: Vec<Call>,
    next_at: Option<Timestamp>,
    /// Receivers that another instance serves.
    elsewhere: Vec<String>,
    /// Receivers that were claimed and for whom nothing is left to do.
    idle: Vec<String>,
}

/// The claim of serving a receiver.
fn claim(receiver: &str) -> String {
    format!("deliver/{receiver}")
}

/// What became of a run.
struct Done {
    receiver: String,
    report: DeliveryReport,
    failed: Option<Refusal>,
}

impl Endplate {
    /// Serves receivers until the bell says that it is over and the last attempt has ended. With a failure of the store it
    /// ends too; what was sent and could not be settled will be sent again.
    pub async fn work(&self, carrier: &dyn Carrier, bell: &dyn Bell) -> Result<DeliveryReport, Refusal> {
        let mut report = DeliveryReport::default();
        let mut busy: BTreeMap<String, bool> = BTreeMap::new();
        let (mut runs, mut ended) = (FuturesUnordered::new(), Vec::new());
        let (mut is_open, mut failed) = (true, None);
        let mut over: Vec<String> = Vec::new();
        let mut elsewhere: BTreeMap<String, Timestamp> = BTreeMap::new();
        loop {
            // Before the next look: whoever is refused a claim relies on its holder to look once more after giving it up.
            if !over.is_empty() {
                let claims: Vec<String> = over.drain(..).map(|receiver| claim(&receiver)).collect();
                meanwhile(&mut runs, &mut ended, self.claims.give_up(self.store.as_ref(), &claims)).await;
            }
            let mut next_at = None;
            if is_open {
                let now = self.clock.now();
                elsewhere.retain(|_, until| *until > now && until.duration_since(now) <= ELSEWHERE);
                let failing = busy.values().filter(|is_failing| **is_failing).count();
                let room = Room {
                    well: AT_ONCE.saturating_sub(busy.len() + FAILING_AT_ONCE - failing),
                    failing: FAILING_AT_ONCE.saturating_sub(failing),
                    events: RUN_EVENTS,
                };
                let served: Vec<String> = busy.keys().chain(elsewhere.keys()).cloned().collect();
                let looked = self.look(&served, room);
                match meanwhile(&mut runs, &mut ended, looked).await {
                    Ok(looked) => {
                        for receiver in looked.elsewhere {
                            elsewhere.insert(receiver, now.checked_add(ELSEWHERE).unwrap_or(Timestamp::MAX));
                        }
                        next_at = looked.next_at.into_iter().chain(elsewhere.values().copied()).min();
                        over.extend(looked.idle);
                        for queue in looked.queues {
                            busy.insert(queue.receiver.clone(), queue.failures > 0);
                            runs.push(self.run(Errand::Tell(queue), carrier, bell));
                        }
                        for call in looked.calls {
                            // Whoever is told of something now is called after that, if still need be.
                            if let Vacant(place) = busy.entry(call.subscription.clone()) {
                                place.insert(false);
                                runs.push(self.run(Errand::Call(call), carrier, bell));
                            }
                        }
                    }
                    Err(error) => (is_open, failed) = (false, failed.or(Some(error.into()))),
                }
            }
            if runs.is_empty() && ended.is_empty() {
                if !is_open {
                    return failed.map_or(Ok(report), Err);
                }
                is_open = bell.rung(next_at, true).await;
                continue;
            }
            if ended.is_empty() && is_open {
                match select(runs.next(), pin!(bell.rung(next_at, false))).await {
                    Either::Left((done, _)) => ended.extend(done),
                    Either::Right((goes_on, _)) => is_open = goes_on,
                }
            } else if ended.is_empty() {
                ended.extend(runs.next().await);
            }
            for done in ended.drain(..) {
                busy.remove(&done.receiver);
                report.add(done.report);
                over.push(done.receiver);
                if let Some(error) = done.failed {
                    (is_open, failed) = (false, failed.or(Some(error)));
                }
            }
        }
    }

    /// What is due now for receivers that are not busy, and claimed. It is read again once they are claimed: until then another
    /// instance may have sent what was read first, and more after it.
    async fn look(&self, busy: &[String], room: Room) -> Result<Looked, StoreError> {
        let now = self.clock.now();
        // Until then, who waits is all that matters.
        let (queues, calls, next_at) =
            self.due(now, busy, Room { events: room.events.min(1), ..room }).await?;
        let queued = queues.into_iter().map(|queue| queue.receiver);
        let wanted: BTreeSet<String> =
            queued.chain(calls.into_iter().map(|call| call.subscription)).collect();
        let works: Vec<String> = wanted.iter().map(|receiver| claim(receiver)).collect();
        let held = self.claims.take(self.store.as_ref(), &works, now).await?;
        let (mine, elsewhere): (Vec<String>, Vec<String>) =
            wanted.into_iter().partition(|receiver| held.contains(&claim(receiver)));
        if mine.is_empty() {
            return Ok(Looked {
                queues: Vec::new(),
                calls: Vec::new(),
                next_at,
                elsewhere,
                idle: Vec::new(),
            });
        }
        let passed: Vec<String> = busy.iter().chain(&elsewhere).cloned().collect();
        let again = self.due(now, &passed, room).await;
        if again.is_err() {
            let claims: Vec<String> = mine.iter().map(|receiver| claim(receiver)).collect();
            self.claims.give_up(self.store.as_ref(), &claims).await;
        }
        let (mut queues, mut calls, mut next_at) = again?;
        let found = queues.len() + calls.len();
        queues.retain(|queue| mine.contains(&queue.receiver));
        calls.retain(|call| mine.contains(&call.subscription));
        if queues.len() + calls.len() < found {
            // For somebody else something has become due; that receiver is claimed when it is looked at next.
            next_at = Some(now);
        }
        let is_idle = |receiver: &String| {
            queues.iter().all(|queue| queue.receiver != *receiver)
                && calls.iter().all(|call| call.subscription != *receiver)
        };
        let idle = mine.into_iter().filter(is_idle).collect();
        Ok(Looked { queues, calls, next_at, elsewhere, idle })
    }

    /// What is due now for receivers that are not busy, be they claimed or not.
    async fn due(
        &self,
        now: Timestamp,
        busy: &[String],
        room: Room,
    ) -> Result<(Vec<Queue>, Vec<Call>, Option<Timestamp>), StoreError> {
        let Waiting { queues, next_at } = self.store.waiting(now, busy, room).await?;
        let places = AT_ONCE.saturating_sub(busy.len() + queues.len());
        let mut calls = self.store.called(now, places + busy.len()).await?;
        calls.retain(|call| !busy.contains(&call.subscription));
        calls.truncate(places);
        Ok((queues, calls, next_at))
    }

    /// Sends the events of one receiver in order, up to the first that does not go; or calls it.
    async fn run(&self, errand: Errand, carrier: &dyn Carrier, bell: &dyn Bell) -> Done {
        let mut report = DeliveryReport::default();
        let (receiver, result) = match errand {
            Errand::Tell(queue) => {
                let span = info_span!("outbox", receiver = queue.receiver);
                let sent = self.send(&queue, carrier, bell, &mut report).instrument(span).await;
                (queue.receiver, sent)
            }
            Errand::Call(call) => {
                let called = carrier.call(&call).await;
                (call.subscription, called)
            }
        };
        let done = Done { receiver, report, failed: result.err() };
        let report = done.report;
        if let Some(meter) = &self.meter {
            meter.delivered(&report);
        }
        if report != DeliveryReport::default() {
            tracing::debug!(
                receiver = done.receiver,
                delivered.count = report.delivered,
                deferred.count = report.deferred,
                parked.count = report.parked,
                dropped.count = report.dropped,
                "notifications sent"
            );
        }
        done
    }

    async fn send(
        &self,
        queue: &Queue,
        carrier: &dyn Carrier,
        bell: &dyn Bell,
        report: &mut DeliveryReport,
    ) -> Result<(), Refusal> {
        // A Subscription that takes nothing for too long is in error, and keeps what waits for it.
        let is_record = queue.receiver.starts_with(RECEIVER);
        let give_up_after = if is_record { self.give_up_after } else { SignedDuration::MAX };
        let mut standing = Standing { failures: queue.failures, give_up_after };
        let claim = claim(&queue.receiver);
        let mut unsettled: Vec<Attempt> = Vec::new();
        let (mut failed, mut given_up) = (None, None);
        let (mut last, mut read) = (0, 0);
        for (at, event) in queue.events.iter().enumerate() {
            if event.number <= last {
                // It went with one before it.
                continue;
            }
            if !self.claims.holds(&claim, self.clock.now()) {
                // Another instance may be sending these by now.
                break;
            }
            if at >= read {
                read = at + READ_EVENTS;
                let soon = queue.events.get(at..read.min(queue.events.len())).unwrap_or_default();
                if soon.len() > 1
                    && let Err(error) = self.store.ahead(soon).await
                {
                    failed = Some(error.into());
                    break;
                }
            }
            let carried = match queue.events.get(at + 1) {
                Some(following) => join(carrier.carry(event), carrier.ahead(following)).await.0,
                None => carrier.carry(event).await,
            };
            let now = self.clock.now();
            let (carried, events) = match carried {
                Ok(carried) => carried,
                Err(refusal) => {
                    failed = Some(refusal);
                    break;
                }
            };
            last = events.last().map_or(event.number, |last| last.number);
            if carried != Carried::Tried(Outcome::Accepted) {
                carrier.forget(&queue.receiver);
            }
            let settlement = match carried {
                Carried::Tried(outcome) => next(event, standing, &outcome, now),
                // It answers, so the next event may go on at once.
                Carried::Refused(reason) => Settlement::Parked { next_at: now, reason, is_old: false },
                Carried::Unwanted(reason) => Settlement::Dropped { reason: reason.to_owned() },
                Carried::Held(version) => Settlement::Held { version },
            };
            let goes_on = match &settlement {
                Settlement::Delivered => {
                    standing.failures = 0;
                    true
                }
                Settlement::Dropped { .. } => true,
                Settlement::Retry { .. } | Settlement::Held { .. } => false,
                Settlement::Parked { next_at, reason, is_old } => {
                    standing.failures = standing.failures.saturating_add(1);
                    given_up = is_old.then(|| (now, reason.clone()));
                    *next_at <= now
                }
            };
            told(event, &settlement);
            report.count(&settlement, events.len());
            unsettled.extend(events.iter().enumerate().map(|(at, one)| Attempt {
                number: one.number,
                at: now,
                settlement: settlement.clone(),
                goes_along: at > 0,
            }));
            if !goes_on || bell.is_over() {
                break;
            }
            if unsettled.first().is_some_and(|first| now.duration_since(first.at) >= RUN_TIME) {
                self.store.settle(&queue.receiver, std::mem::take(&mut unsettled)).await?;
            }
        }
        self.store.settle(&queue.receiver, unsettled).await?;
        if let Some((at, reason)) = given_up {
            // Whoever could not be told one event in all that time is not asked about each of the others that are as old.
            let before = at.checked_sub(self.give_up_after).unwrap_or(Timestamp::MIN);
            let parked = self.store.park(&queue.receiver, before, &reason).await?;
            report.parked += usize::try_from(parked).unwrap_or(usize::MAX);
        }
        failed.map_or(Ok(()), Err)
    }
}

/// Waits for `one` while the runs go on: one that nobody polls may hold what `one` waits for, such as a connection of the store.
async fn meanwhile<R: Future<Output = Done>, T>(
    runs: &mut FuturesUnordered<R>,
    ended: &mut Vec<Done>,
    one: impl Future<Output = T>,
) -> T {
    let mut one = pin!(one);
    while !runs.is_empty() {
        match select(one.as_mut(), runs.next()).await {
            Either::Left((value, _)) => return value,
            Either::Right((done, _)) => ended.extend(done),
        }
    }
    one.await
}

impl DeliveryReport {
    fn count(&mut self, settlement: &Settlement, events: usize) {
        *match settlement {
            Settlement::Delivered => &mut self.delivered,
            Settlement::Retry { .. } | Settlement::Held { .. } => &mut self.deferred,
            Settlement::Parked { .. } => &mut self.parked,
            Settlement::Dropped { .. } => &mut self.dropped,
        } += events;
    }

    fn add(&mut self, other: Self) {
        self.delivered += other.delivered;
        self.deferred += other.deferred;
        self.parked += other.parked;
        self.dropped += other.dropped;
    }
}

/// Logs what did not go.
fn told(event: &Event, settlement: &Settlement) {
    let (receiver, number, attempts) = (&event.notice.receiver, event.number, event.attempts + 1);
    let trace = event.trace.as_deref().map(Trace::id);
    match settlement {
        Settlement::Retry { reason, .. } => {
            tracing::warn!(
                receiver,
                event.number = number,
                attempt.count = attempts,
                trace.id = trace,
                reason,
                "a notification was not taken"
            );
        }
        Settlement::Parked { reason, .. } => {
            // What a record server says may name a patient: endplate record shows it.
            let reason = if receiver.starts_with(RECEIVER) { "as the record server says" } else { reason };
            tracing::error!(
                receiver,
                event.number = number,
                attempt.count = attempts,
                trace.id = trace,
                reason,
                "a notification is a dead letter"
            );
        }
        Settlement::Delivered | Settlement::Dropped { .. } | Settlement::Held { .. } => {}
    }
}
