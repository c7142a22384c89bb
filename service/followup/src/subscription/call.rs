//! What the clock and the receiver make of a Subscription: handshake, heartbeat, end, and giving up.
//!
//! Source: Subscriptions R5 Backport 1.1.0, channels (rest-hook) and errors.

use super::Subscription;
use crate::Endplate;
use crate::notification::Purpose;
use crate::ports::{Call, Changeset, Outcome, Stored, Transport};
use crate::refusal::Refusal;
use endplate_fhir::json as reader;
use jiff::Timestamp;

/// RFC 9110 section 15.5.11, 410: what was there is gone, and likely for good.
fn is_gone(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Refused { status: 410, .. })
}

/// Why a message was not taken; nothing if it was.
fn failure(outcome: &Outcome) -> Option<String> {
    match outcome {
        Outcome::Accepted => None,
        Outcome::Refused { status, .. } => Some(format!("the receiver answered {status}")),
        Outcome::Unreachable { reason } => Some(reason.clone()),
    }
}

/// The state that a Subscription is to get.
pub(crate) struct Turn {
    /// As it was when that was found out.
    pub stored: Stored,
    /// The new status.
    pub status: &'static str,
    /// What went wrong, for people.
    pub error: Option<String>,
}

impl Turn {
    fn off(stored: Stored, reason: &str) -> Self {
        Self { stored, status: "off", error: Some(format!("Turned off: {reason}.")) }
    }

    pub fn is_off(&self) -> bool {
        self.status == "off"
    }
}

impl Endplate {
    /// Does what is due for a Subscription although nothing has happened; says which state that gives it.
    pub(crate) async fn answer_call(
        &self,
        call: &Call,
        transport: &dyn Transport,
    ) -> Result<Option<Turn>, Refusal> {
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
        Ok(Some(match failure(&outcome) {
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
        if let Some(reason) = failure(&outcome) {
            tracing::warn!(subscription = stored.id, reason, "a heartbeat was not taken");
            if is_gone(&outcome) {
                return Ok(Some(Turn::off(stored, &reason)));
            }
        }
        self.call_at(&stored.id, subscription.call_after(now)).await
    }

    /// What an answer makes of the Subscription that was told: off if the receiver is gone for good, in error if it has taken
    /// nothing for too long. `since` is when the event was raised or something was last taken, whichever was later; it is counted
    /// from then or from when the Subscription was last written.
    pub(crate) fn judged(&self, outcome: &Outcome, stored: Stored, since: Timestamp) -> Option<Turn> {
        let reason = failure(outcome)?;
        if is_gone(outcome) {
            return Some(Turn::off(stored, &reason));
        }
        let is_over = self.clock.now().duration_since(since.max(stored.at)) >= self.give_up_after;
        is_over.then(|| {
            let text = format!(
                "No notification was taken for {} hours; the last time: {reason}. Events are kept and counted. Send the \
                 status requested to have them delivered.",
                self.give_up_after.as_hours()
            );
            Turn { stored, status: "error", error: Some(text) }
        })
    }

    async fn call_at(&self, subscription: &str, at: Option<Timestamp>) -> Result<Option<Turn>, Refusal> {
        let calls = vec![Call { subscription: subscription.to_owned(), at }];
        self.store.commit(Changeset { calls, ..Changeset::default() }).await?;
        Ok(None)
    }
}
