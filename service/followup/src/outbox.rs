//! Who must be told, and what to do after each attempt.
//!
//! Delivery is at least once and in order for each receiver: an event is sent when the one before it was taken, dropped or
//! parked. What follows from an attempt is a pure function ([`next`]) of the event, what the receiver did before, the outcome
//! and the time. A receiver is a text key: the id of a Subscription, or `record/NAME` for a hospital record server. [`pool`] serves
//! many at once.

pub mod pool;

use crate::Endplate;
use crate::element::text;
use crate::identity;
use crate::notification::{GONE, Next, Parcel};
use crate::ports::{Call, Event, Outcome, Receiver, Replay, Settlement, Transport};
use crate::record::RECEIVER;
use crate::refusal::Refusal;
use crate::subscription::Turn;
use async_trait::async_trait;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use jiff::{SignedDuration, Timestamp};
use pool::{Carried, Carrier};
use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Waiting times after the first, second, … failed attempt in a row, in seconds; the last one from then on. Up to a fifth is
/// added, so that receivers that failed together are not tried together.
pub const RETRY_AFTER_S: [i64; 6] = [5, 30, 120, 600, 3600, 14_400];

/// The longest time a receiver may ask for, in seconds: a day.
const RETRY_AFTER_MAX_S: i64 = 86_400;

/// After so many failures in a row the breaker of a receiver is open: whatever it answers, it is asked one thing at a time,
/// with the waiting times between, until it takes something.
pub const BREAKER_FAILURES: u32 = 5;

/// Statuses that say that this message will never be taken, however often it is sent: it is malformed, too large, of the
/// wrong kind or wrong in content (RFC 9110, sections 15.5.1, 15.5.14, 15.5.16 and 15.5.21). Every other status may be about
/// the receiver and can end.
const FINAL: [u16; 4] = [400, 413, 415, 422];

/// How long an event is tried, in hours, where nothing else is configured: a receiver may be down for a week and be told all.
pub const GIVE_UP_AFTER_H: i64 = 14 * 24;

/// How a receiver stood before an attempt, and for how long it is worth trying.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Standing {
    /// Attempts that failed since the last one that did not.
    pub failures: u32,
    /// An event that has waited longer than this is parked when it fails.
    pub give_up_after: SignedDuration,
}

/// What one round of delivery did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DeliveryReport {
    /// Taken by the receiver.
    pub delivered: usize,
    /// To be tried again later.
    pub deferred: usize,
    /// Made dead letters.
    pub parked: usize,
    /// Given up because the subscription is gone or off.
    pub dropped: usize,
}

/// What follows from an attempt.
///
/// A receiver may ask for more time than the schedule gives, up to a day, never for less. What will never be taken is parked
/// and the next event may go on at once, until the breaker is open. What has waited too long is parked too.
pub fn next(event: &Event, standing: Standing, outcome: &Outcome, now: Timestamp) -> Settlement {
    let (reason, asked_s, is_final) = match outcome {
        Outcome::Accepted => return Settlement::Delivered,
        Outcome::Refused { status, retry_after_s } => {
            (format!("the receiver answered {status}"), *retry_after_s, FINAL.contains(status))
        }
        Outcome::Unreachable { reason } => (reason.clone(), None, false),
    };
    let failures = standing.failures.saturating_add(1);
    let wait = wait(event, failures, asked_s);
    let next_at = now.checked_add(wait).unwrap_or(Timestamp::MAX);
    if is_final {
        let is_open = failures >= BREAKER_FAILURES || asked_s.is_some();
        return Settlement::Parked { next_at: if is_open { next_at } else { now }, reason, is_old: false };
    }
    if now.duration_since(event.queued_at) > standing.give_up_after {
        let hours = standing.give_up_after.as_hours();
        let reason = format!("given up after {hours} hours: {reason}");
        return Settlement::Parked { next_at, reason, is_old: true };
    }
    Settlement::Retry { next_at, reason }
}

/// How long to wait after so many failures in a row. What is added to the schedule is drawn from the names of event and
/// attempt: the same on every machine, and another one for every receiver.
fn wait(event: &Event, failures: u32, asked_s: Option<u64>) -> SignedDuration {
    let step = usize::try_from(failures.max(1) - 1).unwrap_or(usize::MAX).min(RETRY_AFTER_S.len() - 1);
    let scheduled_ms = RETRY_AFTER_S[step] * 1_000;
    let name = [event.number.to_string(), event.attempts.to_string()];
    let drawn = identity::id("attempt", &[&event.notice.receiver, &name[0], &name[1]]);
    let drawn = i64::from_str_radix(drawn.get(..8).unwrap_or_default(), 16).unwrap_or(0);
    let added_ms = (scheduled_ms / 5) * drawn / i64::from(u32::MAX);
    let asked_s = asked_s.and_then(|s| i64::try_from(s).ok()).unwrap_or(0).min(RETRY_AFTER_MAX_S);
    SignedDuration::from_millis(scheduled_ms + added_ms).max(SignedDuration::from_secs(asked_s))
}

/// Whether a receiver is spared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Breaker {
    /// It is told whatever waits.
    Closed,
    /// It failed too often: nothing is sent for now.
    Open,
    /// The waiting time is over: one event is sent to see whether it is well again.
    HalfOpen,
}

/// How the breaker of a receiver stands.
pub fn breaker(receiver: &Receiver, now: Timestamp) -> Breaker {
    match receiver.next_at {
        _ if receiver.failures < BREAKER_FAILURES => Breaker::Closed,
        Some(next_at) if next_at > now => Breaker::Open,
        _ => Breaker::HalfOpen,
    }
}

/// Sends events to Subscriptions and to record servers.
struct Notifications<'a> {
    endplate: &'a Endplate,
    transport: &'a dyn Transport,
    /// By receiver what was made ready for it, and the event's number: no more than are served at once.
    ready: Mutex<HashMap<String, (u64, Next)>>,
    /// By Subscription, when it last took something: what it took a moment ago is not settled yet.
    taken: Mutex<HashMap<String, Timestamp>>,
    /// States of Subscriptions are written one after the other: all move one counter.
    turning: futures_util::lock::Mutex<()>,
}

impl Notifications<'_> {
    fn ready(&self) -> MutexGuard<'_, HashMap<String, (u64, Next)>> {
        self.ready.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Sends what tells of some events, and sees what the answer makes of the Subscription.
    async fn send(&self, parcel: Parcel) -> Result<(Carried, Vec<Event>), Refusal> {
        let Parcel { mut message, events, stored } = parcel;
        message.trace = events.first().and_then(|event| event.trace.clone());
        let outcome = self.transport.send(&message).await;
        let raised_at = events.first().map_or(Timestamp::MIN, |event| event.raised_at);
        let since = raised_at.max(self.taken_at(&stored.id, &outcome).await?);
        let carried = match self.endplate.judged(&outcome, stored, since) {
            // The state first: were the process to end here, the event would be looked at again and find it.
            Some(turn) => match self.turn(&turn).await? {
                // Somebody has written the Subscription meanwhile: this was an attempt like any other.
                None => Carried::Tried(outcome),
                Some(_) if turn.is_off() => Carried::Unwanted(GONE),
                Some(version) => Carried::Held(version),
            },
            None => Carried::Tried(outcome),
        };
        Ok((carried, events))
    }

    /// When a Subscription last took something, as far as that is known; now, if it is by this outcome.
    async fn taken_at(&self, subscription: &str, outcome: &Outcome) -> Result<Timestamp, Refusal> {
        let taken = || self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if *outcome == Outcome::Accepted {
            let now = self.endplate.clock.now();
            taken().insert(subscription.to_owned(), now);
            return Ok(now);
        }
        let lately = taken().get(subscription).copied();
        let settled = self.endplate.store.traffic(subscription).await?.delivered_at;
        Ok(lately.max(settled).unwrap_or(Timestamp::MIN))
    }

    async fn turn(&self, turn: &Turn) -> Result<Option<u64>, Refusal> {
        let _alone = self.turning.lock().await;
        self.endplate.turn(turn).await
    }
}

#[async_trait]
impl Carrier for Notifications<'_> {
    async fn carry(&self, event: &Event) -> Result<(Carried, Vec<Event>), Refusal> {
        if let Some(record) = event.notice.receiver.strip_prefix(RECEIVER) {
            let carried = self.endplate.forward(record, event, self.transport).await?;
            return Ok((carried, vec![event.clone()]));
        }
        let ready = self.ready().remove(&event.notice.receiver);
        let next = match ready {
            Some((number, next)) if number == event.number => next,
            _ => self.endplate.notification(event).await?,
        };
        match next {
            Next::Send(parcel) => self.send(*parcel).await,
            Next::Hold(version) => Ok((Carried::Held(version), vec![event.clone()])),
            Next::Drop(reason) => Ok((Carried::Unwanted(reason), vec![event.clone()])),
        }
    }

    async fn ahead(&self, event: &Event) {
        if event.notice.receiver.starts_with(RECEIVER) {
            return;
        }
        // Whatever stands in the way is met again when its turn has come.
        if let Ok(next) = self.endplate.notification(event).await {
            let mut ready = self.ready();
            if ready.len() >= pool::AT_ONCE {
                ready.clear();
            }
            ready.insert(event.notice.receiver.clone(), (event.number, next));
        }
    }

    fn forget(&self, receiver: &str) {
        self.ready().remove(receiver);
    }

    async fn call(&self, call: &Call) -> Result<(), Refusal> {
        if let Some(turn) = self.endplate.answer_call(call, self.transport).await? {
            self.turn(&turn).await?;
        }
        Ok(())
    }
}

impl Endplate {
    /// Who carries events to Subscriptions and to record servers over `transport`.
    pub fn notifications<'a>(&'a self, transport: &'a dyn Transport) -> impl Carrier + 'a {
        Notifications {
            endplate: self,
            transport,
            ready: Mutex::default(),
            taken: Mutex::default(),
            turning: futures_util::lock::Mutex::default(),
        }
    }

    /// Sends everything that is due now, each receiver in its own order, until nothing is due.
    pub async fn deliver(&self, transport: &dyn Transport) -> Result<DeliveryReport, Refusal> {
        self.work(&self.notifications(transport), &pool::Once).await
    }

    /// How receivers stand, in order of their keys, after `after`, at most `limit`.
    pub async fn receivers(&self, after: Option<&str>, limit: usize) -> Result<Vec<Receiver>, Refusal> {
        Ok(self.store.receivers(after, limit).await?)
    }

    /// Puts settled events into the queue again, under their numbers; their receivers are tried at once. Says how many.
    pub async fn replay(&self, which: &Replay) -> Result<u64, Refusal> {
        Ok(self.store.replay(which, self.clock.now()).await?)
    }

    /// What is wrong with the address that a Subscription names.
    pub(crate) fn check_endpoint(&self, subscription: &Json) -> Option<Issue> {
        let endpoint = text(subscription, &["channel", "endpoint"])?;
        let wrong = self.endpoints.as_ref()?.refused(endpoint)?;
        let text = format!("This address is not called: {wrong}.");
        Some(Issue::error(Code::BusinessRule, "Subscription.channel.endpoint", text))
    }

    /// When [`Endplate::deliver`] will next have something to do; an instant that is past says: now.
    pub async fn next_delivery_at(&self) -> Result<Option<Timestamp>, Refusal> {
        Ok(self.store.waiting(self.clock.now(), &[], pool::NO_ROOM).await?.next_at)
    }
}

#[cfg(test)]
mod tests;
