//! Who must be told, and what to do after each attempt.
//!
//! Delivery is at least once and in order for each subscription: only its first unsettled event is ever sent. What follows
//! from an attempt is a pure function of the number of attempts, the outcome and the time.

use crate::Endplate;
use crate::notification::Next;
use crate::ports::{Event, Outcome, Settlement, Transport};
use crate::refusal::Refusal;
use futures_util::future::join_all;
use jiff::{SignedDuration, Timestamp};

/// Waiting times after the first, second, … failed attempt, in seconds; the last one from then on, until it is given up:
/// [`GIVE_UP_AFTER`](crate::subscription::GIVE_UP_AFTER).
pub const RETRY_AFTER_S: [i64; 6] = [5, 30, 120, 600, 3600, 14_400];

/// The longest time a receiver may ask for, in seconds: a day.
const RETRY_AFTER_MAX_S: i64 = 86_400;

/// How long an event waits whose Subscription is not active. It goes at once when the Subscription becomes so.
const HELD: SignedDuration = SignedDuration::from_hours(1);

/// How many subscriptions are served at once.
const AT_ONCE: usize = 32;

/// What one round of delivery did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DeliveryReport {
    /// Taken by the receiver.
    pub delivered: usize,
    /// To be tried again later.
    pub deferred: usize,
    /// Given up because the subscription is gone or off.
    pub dropped: usize,
}

/// What follows from an attempt.
///
/// `attempts` counts this one. A receiver may ask for more time than the schedule gives, up to a day, never for less.
pub fn next(attempts: u32, outcome: &Outcome, now: Timestamp) -> Settlement {
    let (reason, asked_s) = match outcome {
        Outcome::Accepted => return Settlement::Delivered,
        Outcome::Refused { status, retry_after_s } => {
            (format!("the receiver answered {status}"), *retry_after_s)
        }
        Outcome::Unreachable { reason } => (reason.clone(), None),
    };
    let step = usize::try_from(attempts.max(1) - 1).unwrap_or(usize::MAX).min(RETRY_AFTER_S.len() - 1);
    let asked = asked_s.and_then(|s| i64::try_from(s).ok()).unwrap_or(0).min(RETRY_AFTER_MAX_S);
    let wait = SignedDuration::from_secs(RETRY_AFTER_S[step].max(asked));
    Settlement::Retry { next_at: now.checked_add(wait).unwrap_or(Timestamp::MAX), reason }
}

impl Endplate {
    /// Sends everything that is due now, each subscription in its own order, until nothing is due.
    ///
    /// Subscriptions do not wait for each other within a round.
    pub async fn deliver(&self, transport: &dyn Transport) -> Result<DeliveryReport, Refusal> {
        let mut report = DeliveryReport::default();
        loop {
            let now = self.clock.now();
            let calls = self.store.called(now, AT_ONCE).await?;
            self.answer_calls(&calls, transport).await?;
            let events = self.store.waiting(now, AT_ONCE).await?;
            if events.is_empty() && calls.is_empty() {
                return Ok(report);
            }
            for settlement in join_all(events.iter().map(|event| self.attempt(event, transport))).await {
                match settlement? {
                    Settlement::Delivered => report.delivered += 1,
                    Settlement::Retry { .. } | Settlement::Held { .. } => report.deferred += 1,
                    Settlement::Dropped { .. } => report.dropped += 1,
                }
            }
        }
    }

    /// When [`Endplate::deliver`] will next have something to do.
    pub async fn next_delivery_at(&self) -> Result<Option<Timestamp>, Refusal> {
        Ok(self.store.next_waiting_at().await?)
    }

    async fn attempt(&self, event: &Event, transport: &dyn Transport) -> Result<Settlement, Refusal> {
        let parcel = match self.notification(event).await? {
            Next::Send(parcel) => parcel,
            Next::Hold => {
                let next_at = self.clock.now().checked_add(HELD).unwrap_or(Timestamp::MAX);
                return self.settled(std::slice::from_ref(event), Settlement::Held { next_at }).await;
            }
            Next::Drop(reason) => {
                let reason = reason.to_owned();
                return self.settled(std::slice::from_ref(event), Settlement::Dropped { reason }).await;
            }
        };
        let outcome = transport.send(&parcel.message).await;
        let mut settlement = next(event.attempts + 1, &outcome, self.clock.now());
        if let Settlement::Retry { reason, .. } = &settlement {
            tracing::warn!(
                subscription = event.notice.subscription,
                event.number = event.number,
                attempt.count = event.attempts + 1,
                reason,
                "a notification was not taken"
            );
            // The state first: were the process to end here, the event would be looked at again and find it.
            let goes_on = self.judge(&outcome, &parcel.stored, event.raised_at, reason).await?;
            if !goes_on {
                settlement = Settlement::Dropped { reason: reason.clone() };
            }
        }
        self.settled(&parcel.events, settlement).await
    }

    /// Settles the events of one message alike, in their order.
    async fn settled(&self, events: &[Event], settlement: Settlement) -> Result<Settlement, Refusal> {
        let now = self.clock.now();
        let all = events.iter().map(|event| self.store.settle(event, now, settlement.clone()));
        for done in join_all(all).await {
            done?;
        }
        Ok(settlement)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Timestamp = Timestamp::UNIX_EPOCH;

    fn wait_s(attempts: u32, outcome: &Outcome) -> i64 {
        match next(attempts, outcome, NOW) {
            Settlement::Retry { next_at, .. } => next_at.as_second(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn waits_grow_and_never_end() {
        let refused = Outcome::Refused { status: 500, retry_after_s: None };
        let waits: Vec<i64> = (1..9).map(|attempt| wait_s(attempt, &refused)).collect();
        assert_eq!(waits, [5, 30, 120, 600, 3600, 14_400, 14_400, 14_400]);
        assert_eq!(wait_s(u32::MAX, &refused), 14_400);
        assert_eq!(next(3, &Outcome::Accepted, NOW), Settlement::Delivered);
    }

    /// RFC 9110, section 10.2.3: Retry-After says how long to wait before a follow-up request.
    #[test]
    fn a_receiver_may_ask_for_more_time_but_not_for_less_nor_for_ever() {
        let asked = |s| Outcome::Refused { status: 429, retry_after_s: Some(s) };
        assert_eq!(wait_s(1, &asked(60)), 60);
        assert_eq!(wait_s(4, &asked(60)), 600);
        assert_eq!(wait_s(1, &asked(u64::MAX)), 5);
        assert_eq!(wait_s(1, &asked(1_000_000)), 86_400);
    }
}
