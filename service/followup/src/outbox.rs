//! Who must be told, and what to do after each attempt.
//!
//! Delivery is at least once and in order for each subscription: only its first unsettled event is ever sent. What follows
//! from an attempt is a pure function of the number of attempts, the outcome and the time.

use crate::Endplate;
use crate::element::{items, text};
use crate::ports::{Event, Message, Outcome, Settlement, Transport};
use crate::record::RECEIVER;
use crate::refusal::Refusal;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::search::{self, Query};
use endplate_fhir::{Json, TYPES};
use futures_util::future::join_all;
use jiff::{SignedDuration, Timestamp};
use serde_json::json;

/// Waiting times after the first, second, … failed attempt, in seconds; the last one from then on, for as long as it takes.
pub const RETRY_AFTER_S: [i64; 6] = [5, 30, 120, 600, 3600, 14_400];

/// The longest time a receiver may ask for, in seconds: a day.
const RETRY_AFTER_MAX_S: i64 = 86_400;

/// How many subscriptions are served at once.
const AT_ONCE: usize = 32;

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
            let events = self.store.waiting(self.clock.now(), AT_ONCE).await?;
            if events.is_empty() {
                return Ok(report);
            }
            for settlement in join_all(events.iter().map(|event| self.attempt(event, transport))).await {
                match settlement? {
                    Settlement::Delivered => report.delivered += 1,
                    Settlement::Retry { .. } => report.deferred += 1,
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
        let settlement = match event.notice.subscription.strip_prefix(RECEIVER) {
            Some(record) => self.forward(record, event, transport).await?,
            None => match self.message(event).await? {
                Some(message) => next(event.attempts + 1, &transport.send(&message).await, self.clock.now()),
                None => Settlement::Dropped { reason: "the subscription is gone or off".to_owned() },
            },
        };
        if let Settlement::Retry { reason, .. } = &settlement {
            tracing::warn!(
                subscription = event.notice.subscription,
                event.number = event.number,
                attempt.count = event.attempts + 1,
                reason,
                "a notification was not taken"
            );
        }
        self.store.settle(event, self.clock.now(), settlement.clone()).await?;
        Ok(settlement)
    }

    /// The message of an event; none if nobody wants it any more.
    async fn message(&self, event: &Event) -> Result<Option<Message>, Refusal> {
        let notice = &event.notice;
        let Some(stored) = self.store.read("Subscription", &notice.subscription).await? else {
            return Ok(None);
        };
        let subscription: Json = endplate_fhir::json::stored(&stored.body);
        if text(&subscription, &["status"]) != Some("active") {
            return Ok(None);
        }
        let Some(endpoint) = text(&subscription, &["channel", "endpoint"]) else { return Ok(None) };
        let version = self.store.version(&notice.kind, &notice.id, notice.version).await?;
        let payload = text(&subscription, &["channel", "payload"]).is_some();
        Ok(Some(Message {
            endpoint: endpoint.to_owned(),
            headers: items(&subscription["channel"], "header")
                .filter_map(Json::as_str)
                .map(str::to_owned)
                .collect(),
            event: format!("{}/{}", notice.subscription, event.number),
            about: format!("{}/{}", notice.kind, notice.id),
            body: version.filter(|_| payload).map(|version| version.stored.body),
        }))
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
