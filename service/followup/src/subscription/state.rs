//! The states of a Subscription: what a client may ask for, what the service makes of it, when it is looked at without an event.
//!
//! R4 subscription.html: clients send `requested` or `off`. Subscriptions R5 Backport 1.1.0, channels: a rest-hook is `requested` until
//! its handshake is taken, then `active`, else `error`; errors: the service never leaves `error` by itself, and a client that asks
//! for a new start sends `requested` or `active`.

use super::{Subscription, is_canonical, secret};
use crate::element::text;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use jiff::{SignedDuration, Timestamp};
use serde_json::json;

/// Makes a Subscription of what a client sent: the values of its headers that are not shown are put back, and its status becomes what
/// follows from what is asked. One by search is active at once; one by topic stays active if nothing else is told, elsewhere or in
/// another way.
pub(crate) fn receive(sent: &mut Json, before: Option<&Json>) {
    secret::restore(sent, before);
    let status = |resource: &Json| text(resource, &["status"]).unwrap_or_default().to_owned();
    if !matches!(status(sent).as_str(), "requested" | "active") {
        return;
    }
    let topical = is_canonical(text(sent, &["criteria"]).unwrap_or_default());
    let goes_on = before.is_some_and(|before| status(before) == "active" && secret::same_watch(before, sent));
    let becomes = if topical && !goes_on { "requested" } else { "active" };
    if let Some(members) = sent.as_object_mut() {
        members.insert("status".to_owned(), json!(becomes));
        // It tells of an attempt that is over.
        members.remove("error");
    }
}

/// What a client may not make of a Subscription.
pub(crate) fn change(received: &Json, before: Option<&Json>) -> Vec<Issue> {
    if text(received, &["resourceType"]) != Some("Subscription") {
        return Vec::new();
    }
    let mut issues: Vec<Issue> = secret::unknown(received).collect();
    let is_error = |resource: &Json| text(resource, &["status"]) == Some("error");
    if is_error(received) && !before.is_some_and(is_error) {
        let text =
            "The service alone says that a Subscription is in error; send the status requested or off.";
        issues.push(Issue::error(Code::BusinessRule, "Subscription.status", text));
    }
    issues
}

/// When a Subscription as it was just written is to be looked at although nothing happens: its handshake, its first heartbeat, its
/// end; none: never.
pub(crate) fn next_call(resource: &Json, now: Timestamp) -> Option<Timestamp> {
    Subscription::read(resource, "").ok()?.call_after(now)
}

impl Subscription {
    /// When it is to be looked at next if the last message left at `last`.
    pub(crate) fn call_after(&self, last: Timestamp) -> Option<Timestamp> {
        let own = match self.status.as_str() {
            "off" => return None,
            "requested" if self.topic.is_some() => Some(last),
            "active" => self.heartbeat_s.map(|period_s| after(last, period_s)),
            _ => None,
        };
        own.into_iter().chain(self.end).min()
    }
}

fn after(at: Timestamp, seconds: u64) -> Timestamp {
    let wait = SignedDuration::from_secs(i64::try_from(seconds).unwrap_or(i64::MAX));
    at.checked_add(wait).unwrap_or(Timestamp::MAX)
}
