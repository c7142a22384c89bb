//! Who must be told, and what to do after each attempt.
//!
//! Delivery is at least once and in order for each receiver: an event is sent when the one before it was taken, dropped or
//! parked. What follows from an attempt is a pure function ([`next`]) of the event, what the receiver did before, the outcome
//! and the time. A receiver is a text key: the id of a Subscription. [`pool`] serves many at once.

pub mod pool;

use crate::Endplate;
use crate::element::{items, text};
use crate::identity;
use crate::ports::{Event, Message, Outcome, Receiver, Replay, Settlement, Transport};
use crate::record::RECEIVER;
use crate::refusal::Refusal;
use async_trait::async_trait;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::search::{self, Query};
use endplate_fhir::{Json, TYPES};
use jiff::{SignedDuration, Timestamp};
use pool::{Carried, Carrier};
use serde_json::json;
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

/// Somebody who wants to be told.
#[derive(Clone, Debug)]
pub struct Listener {
    /// Id of the Subscription.
    pub subscription: String,
    /// What of.
    pub query: Query,
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

/// What is wrong with a Subscription that this service would have to serve.
pub fn check_subscription(subscription: &Json) -> Vec<Issue> {
    let mut issues = Vec::new();
    let mut wrong =
        |expression: &str, text: &str| issues.push(Issue::error(Code::NotSupported, expression, text));
    if text(subscription, &["channel", "type"]) != Some("rest-hook") {
        wrong(
            "Subscription.channel.type",
            "Only rest-hook channels are served; send channel.type rest-hook.",
        );
    }
    let endpoint = text(subscription, &["channel", "endpoint"]).unwrap_or_default();
    if !(endpoint.starts_with("https://") || endpoint.starts_with("http://")) {
        wrong(
            "Subscription.channel.endpoint",
            "A rest-hook needs an http or https address; send it in channel.endpoint.",
        );
    }
    if !matches!(text(subscription, &["channel", "payload"]), None | Some("application/fhir+json")) {
        wrong(
            "Subscription.channel.payload",
            "Only application/fhir+json is sent; send that, or leave payload out for a bare signal.",
        );
    }
    if items(&subscription["channel"], "header").filter_map(Json::as_str).any(|header| !header.contains(':'))
    {
        wrong("Subscription.channel.header", "A header is written as Name: value.");
    }
    match search::criteria(text(subscription, &["criteria"]).unwrap_or_default(), "") {
        Err(found) => issues.extend(found.into_iter().map(|issue| Issue {
            expression: "Subscription.criteria".to_owned(),
            text: format!(
                "{} Criteria are written as a search, for example Task?status=requested.",
                issue.text
            ),
            ..issue
        })),
        Ok(query) if !TYPES.contains(&query.kind.as_str()) => {
            issues.extend(Refusal::unknown_type().issues);
        }
        Ok(query) if query.kind == "AuditEvent" => {
            let text = "Nobody is told of AuditEvents; search them, with _lastUpdated for what is new.";
            issues.push(Issue::error(Code::NotSupported, "Subscription.criteria", text));
        }
        Ok(query) if !query.is_of_rows() => {
            let text = "Criteria are about a resource itself and at any time; leave out chains, _has and the prefix ap.";
            issues.push(Issue::error(Code::NotSupported, "Subscription.criteria", text));
        }
        Ok(_) => {}
    }
    issues
}

/// A requested Subscription that can be served is active at once.
pub fn activate(kind: &str, resource: &mut Json) {
    if kind == "Subscription"
        && text(resource, &["status"]) != Some("off")
        && let Some(members) = resource.as_object_mut()
    {
        members.insert("status".to_owned(), json!("active"));
    }
}

/// Everybody who wants to be told of something.
pub(crate) async fn listeners(endplate: &Endplate) -> Result<Vec<Listener>, Refusal> {
    let base = &endplate.settings.base;
    let Ok(mut query) = search::criteria("Subscription?status=active&_count=500", base) else {
        return Ok(Vec::new());
    };
    let mut all = Vec::new();
    loop {
        let page = endplate.store.search(&query).await?;
        for stored in page.resources {
            let subscription: Json = endplate_fhir::json::stored(&stored.body);
            if let Some(Ok(query)) =
                text(&subscription, &["criteria"]).map(|criteria| search::criteria(criteria, base))
            {
                all.push(Listener { subscription: stored.id, query });
            }
        }
        match page.next {
            Some(next) => query.after = Some(next),
            None => return Ok(all),
        }
    }
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
    /// By receiver the message that was made ready for it, and the event's number: no more than are served at once.
    ready: Mutex<HashMap<String, (u64, Message)>>,
}

impl Notifications<'_> {
    fn ready(&self) -> MutexGuard<'_, HashMap<String, (u64, Message)>> {
        self.ready.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[async_trait]
impl Carrier for Notifications<'_> {
    async fn carry(&self, event: &Event) -> Result<Carried, Refusal> {
        if let Some(record) = event.notice.receiver.strip_prefix(RECEIVER) {
            return self.endplate.forward(record, event, self.transport).await;
        }
        let ready = self.ready().remove(&event.notice.receiver);
        let message = match ready {
            Some((number, message)) if number == event.number => Some(message),
            _ => self.endplate.message(event).await?,
        };
        Ok(match message {
            Some(message) => Carried::Tried(self.transport.send(&message).await),
            None => Carried::Unwanted,
        })
    }

    async fn ahead(&self, event: &Event) {
        if event.notice.receiver.starts_with(RECEIVER) {
            return;
        }
        // Whatever stands in the way is met again when its turn has come.
        if let Ok(Some(message)) = self.endplate.message(event).await {
            let mut ready = self.ready();
            if ready.len() >= pool::AT_ONCE {
                ready.clear();
            }
            ready.insert(event.notice.receiver.clone(), (event.number, message));
        }
    }
}

impl Endplate {
    /// Who carries events to Subscriptions and to record servers over `transport`.
    pub fn notifications<'a>(&'a self, transport: &'a dyn Transport) -> impl Carrier + 'a {
        Notifications { endplate: self, transport, ready: Mutex::default() }
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

    /// The message of an event; none if nobody wants it any more, or whoever does may not have it.
    async fn message(&self, event: &Event) -> Result<Option<Message>, Refusal> {
        let notice = &event.notice;
        let Some(stored) = self.store.read("Subscription", &notice.receiver).await? else {
            return Ok(None);
        };
        let subscription: Json = endplate_fhir::json::stored(&stored.body);
        if text(&subscription, &["status"]) != Some("active") {
            return Ok(None);
        }
        let Some(endpoint) = text(&subscription, &["channel", "endpoint"]) else { return Ok(None) };
        let version = self.store.version(&notice.kind, &notice.id, notice.version).await?;
        if let Some(version) = &version
            && !self.may_be_told(&notice.receiver, &version.stored).await?
        {
            tracing::info!(
                subscription = notice.receiver,
                event.number,
                "its maker may not read what it would be told"
            );
            return Ok(None);
        }
        let payload = text(&subscription, &["channel", "payload"]).is_some();
        Ok(Some(Message {
            endpoint: endpoint.to_owned(),
            headers: items(&subscription["channel"], "header")
                .filter_map(Json::as_str)
                .map(str::to_owned)
                .collect(),
            event: format!("{}/{}", notice.receiver, event.number),
            about: format!("{}/{}", notice.kind, notice.id),
            body: version.filter(|_| payload).map(|version| version.stored.body),
        }))
    }
}

#[cfg(test)]
mod tests;
