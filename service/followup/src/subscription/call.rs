//! What the clock and the receiver make of a Subscription: handshake, heartbeat, end, and giving up.
//!
//! Source: Subscriptions R5 Backport 1.1.0, channels (rest-hook) and errors.

use super::Subscription;
use crate::Endplate;
use crate::notification::Purpose;
use crate::outbox;
use crate::ports::{Call, Changeset, Outcome, Settlement, Stored, Transport};
use crate::refusal::Refusal;
use endplate_fhir::json as reader;
use futures_util::future::join_all;
use jiff::{SignedDuration, Timestamp};

/// How long a receiver may take nothing before its Subscription is in error: ten days. Counted from when the event was raised or the
/// Subscription was last written, whichever was later.
pub const GIVE_UP_AFTER: SignedDuration = SignedDuration::from_hours(240);

/// RFC 9110 section 15.5.11, 410: what was there is gone, and likely for good.
fn is_gone(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Refused { status: 410, .. })
}

/// Why a message was not taken; nothing if it was.
fn failure(outcome: &Outcome, now: Timestamp) -> Option<String> {
    match outbox::next(1, outcome, now) {
        Settlement::Retry { reason, .. } => Some(reason),
        _ => None,
    }
}

/// The state that a Subscription is to get.
pub(crate) struct Turn {
    stored: Stored,
    status: &'static str,
    error: Option<String>,
}

impl Turn {
    fn off(stored: Stored, reason: &str) -> Self {
        Self { stored, status: "off", error: Some(format!("Turned off: {reason}.")) }
    }
}

impl Endplate {
    /// Does what is due for Subscriptions although nothing has happened. Their receivers do not wait for each other; their states are
    /// written one after the other, since all move one counter.
    pub(crate) async fn answer_calls(
        &self,
        calls: &[Call],
        transport: &dyn Transport,
    ) -> Result<(), Refusal> {
        for turn in join_all(calls.iter().map(|call| self.answer_call(call, transport))).await {
            if let Some(Turn { stored, status, error }) = turn? {
                self.turn(&stored, status, error).await?;
            }
        }
        Ok(())
    }

    async fn answer_call(&self, call: &Call, transport: &dyn Transport) -> Result<Option<Turn>, Refusal> {
        let now = self.clock.now();
        let stored = self.store.read("Subscription", &call.subscription).await?;
        let read =
            |stored: &Stored| Subscription::read(&reader::stored(&stored.body), &self.settings.base).ok();
        let read = stored.and_then(|stored| read(&stored).map(|subscription| (stored, subscription)));
        let Some((stored, subscription)) = read else {
            return self.call_at(&call.subscription, None).await;
        };
        match subscription.status.as_str() {
            "off" => self.call_at(&stored.id, None).await,
            _ if subscription.is_over(now) => Ok(Some(Turn { stored, status: "off", error: None })),
            "requested" if subscription.topic.is_some() => self.shake(stored, &subscription, transport).await,
            "active" if subscription.heartbeat_s.is_some() => {
                self.beat(stored, &subscription, transport).await
            }
            _ => self.call_at(&stored.id, subscription.call_after(now)).await,
        }
    }

    /// Sends the handshake: the Subscription is active if it is taken, else in error.
    async fn shake(
        &self,
        stored: Stored,
        subscription: &Subscription,
        transport: &dyn Transport,
    ) -> Result<Option<Turn>, Refusal> {
        let raised = self.store.traffic(&stored.id).await?.raised;
        let outcome = transport.send(&self.sign(subscription, Purpose::Handshake, raised)).await;
        Ok(Some(match failure(&outcome, self.clock.now()) {
            None => Turn { stored, status: "active", error: None },
            Some(reason) if is_gone(&outcome) => Turn::off(stored, &reason),
            Some(reason) => {
                let text =
                    format!("The handshake was not taken: {reason}. Send the status requested to try again.");
                Turn { stored, status: "error", error: Some(text) }
            }
        }))
    }

    /// Sends a heartbeat, unless the receiver has been told something within the period, or still has to be.
    async fn beat(
        &self,
        stored: Stored,
        subscription: &Subscription,
        transport: &dyn Transport,
    ) -> Result<Option<Turn>, Refusal> {
        let now = self.clock.now();
        let traffic = self.store.traffic(&stored.id).await?;
        let spoke = traffic.delivered_at.and_then(|at| subscription.call_after(at)).filter(|at| *at > now);
        let later = if traffic.waiting.is_some() { subscription.call_after(now) } else { spoke };
        if later.is_some() {
            return self.call_at(&stored.id, later).await;
        }
        let outcome = transport.send(&self.sign(subscription, Purpose::Heartbeat, traffic.raised)).await;
        if let Some(reason) = failure(&outcome, now) {
            tracing::warn!(subscription = stored.id, reason, "a heartbeat was not taken");
            if is_gone(&outcome) {
                return Ok(Some(Turn::off(stored, &reason)));
            }
        }
        self.call_at(&stored.id, subscription.call_after(now)).await
    }

    /// What a message that was not taken makes of its Subscription: off if the receiver is gone for good, in error if it has taken
    /// nothing for too long, else nothing. False if it is off.
    pub(crate) async fn judge(
        &self,
        outcome: &Outcome,
        stored: &Stored,
        raised_at: Timestamp,
        reason: &str,
    ) -> Result<bool, Refusal> {
        if is_gone(outcome) {
            self.turn(stored, "off", Some(format!("Turned off: {reason}."))).await?;
            return Ok(false);
        }
        if self.clock.now().duration_since(raised_at.max(stored.at)) >= GIVE_UP_AFTER {
            let text = format!(
                "No notification was taken for {} hours; the last time: {reason}. Events are kept and counted. Send the \
                 status requested to have them delivered.",
                GIVE_UP_AFTER.as_hours()
            );
            self.turn(stored, "error", Some(text)).await?;
        }
        Ok(true)
    }

    async fn call_at(&self, subscription: &str, at: Option<Timestamp>) -> Result<Option<Turn>, Refusal> {
        let calls = vec![Call { subscription: subscription.to_owned(), at }];
        self.store.commit(Changeset { calls, ..Changeset::default() }).await?;
        Ok(None)
    }
}
