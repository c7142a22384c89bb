//! What subscribers are told, as messages.
//!
//! A Subscription by search gets the resource itself (R4 subscription.html). One by topic gets a history Bundle whose first entry is the
//! status of the Subscription as Parameters (Subscriptions R5 Backport 1.1.0, profiles backport-subscription-notification-r4 and
//! backport-subscription-status-r4). What an event says rests on versions and on the event alone, so that whoever is told twice is
//! told the same.

use crate::Endplate;
use crate::identity;
use crate::ports::{Deed, Event, Message, Stored, Version};
use crate::refusal::Refusal;
use crate::subscription::{BACKPORT, Content, FHIR_JSON, Subscription, shown};
use crate::write::instant_ms;
use endplate_fhir::{Json, json as reader};
use jiff::Timestamp;
use serde_json::json;

/// Why a notification is sent or shown: R4B subscription-notification-type.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// To see whether the endpoint listens.
    Handshake,
    /// To say that the service is there.
    Heartbeat,
    /// Something happened.
    Event,
    /// Somebody asked for the status.
    QueryStatus,
    /// Somebody asked for events.
    QueryEvent,
}

impl Purpose {
    /// Its code.
    pub fn code(self) -> &'static str {
        match self {
            Self::Handshake => "handshake",
            Self::Heartbeat => "heartbeat",
            Self::Event => "event-notification",
            Self::QueryStatus => "query-status",
            Self::QueryEvent => "query-event",
        }
    }
}

/// An event with the version that raised it; none where the subscriber may not be told more than its number.
pub struct Told {
    /// The event.
    pub event: Event,
    /// The version.
    pub version: Option<Version>,
}

/// Why an event is told to nobody.
pub(crate) const GONE: &str = "the subscription is gone or off";

/// What follows for the first waiting event of a subscription.
pub(crate) enum Next {
    /// This is to be sent; it tells of these events, the first one among them.
    Send(Box<Parcel>),
    /// This version of the subscription is not active; it may become so.
    Hold(u64),
    /// It is not told any more, for this reason.
    Drop(&'static str),
}

/// A message with the events that it tells of, and the Subscription that it is for.
pub(crate) struct Parcel {
    pub message: Message,
    pub events: Vec<Event>,
    pub stored: Stored,
}

impl Endplate {
    /// What is to be sent for the first waiting event of a subscription.
    pub(crate) async fn notification(&self, event: &Event) -> Result<Next, Refusal> {
        const OVER: Next = Next::Drop(GONE);
        let Some(stored) = self.store.read("Subscription", &event.notice.receiver).await? else {
            return Ok(OVER);
        };
        let base = &self.settings.base;
        let Ok(subscription) = Subscription::read(&reader::stored(&stored.body), base) else {
            return Ok(OVER);
        };
        match subscription.status.as_str() {
            _ if subscription.is_over(self.clock.now()) => return Ok(OVER),
            "active" => {}
            "requested" | "error" => return Ok(Next::Hold(stored.version)),
            _ => return Ok(OVER),
        }
        let events = self.together(event, &subscription).await?;
        let told = self.with_versions(&subscription, events.clone()).await?;
        let message = if subscription.topic.is_some() {
            by_topic(&subscription, &told, base)
        } else {
            by_search(&subscription, event, told)
        };
        let none = Next::Drop("the subscriber may not be told of it");
        Ok(message.map_or(none, |message| Next::Send(Box::new(Parcel { message, events, stored }))))
    }

    /// The events that are told together with the first waiting one, up to one that is settled. What was tried together is tried
    /// together again: later events have fewer attempts.
    async fn together(&self, event: &Event, subscription: &Subscription) -> Result<Vec<Event>, Refusal> {
        if subscription.topic.is_none() || subscription.count_max == 1 {
            return Ok(vec![event.clone()]);
        }
        let mut all = self.store.events(&subscription.id, event.number, subscription.count_max).await?;
        let goes_along = |one: &Event| one.is_waiting && one.attempts == event.attempts;
        let end = all.iter().position(|one| !goes_along(one)).unwrap_or(all.len());
        all.truncate(end);
        Ok(all)
    }

    /// Events with the versions that raised them.
    pub(crate) async fn with_versions(
        &self,
        subscription: &Subscription,
        events: Vec<Event>,
    ) -> Result<Vec<Told>, Refusal> {
        let mut all = Vec::new();
        for event in events {
            let of = &event.notice;
            let version = self.store.version(&of.kind, &of.id, of.version).await?;
            let version = match version {
                Some(version) if self.may_be_told(&subscription.id, &version.stored).await? => Some(version),
                _ => None,
            };
            all.push(Told { event, version });
        }
        Ok(all)
    }

    /// A handshake or a heartbeat.
    pub(crate) fn sign(&self, subscription: &Subscription, purpose: Purpose, raised: u64) -> Message {
        let base = &self.settings.base;
        let now = self.clock.now();
        let status = status(subscription, purpose, raised, &[], subscription.content, base);
        let name = [&subscription.id, purpose.code(), &instant_ms(now)];
        let body = bundle(&name, now, &subscription.id, status, Vec::new(), base);
        Message { body: Some(body.to_string()), ..message(subscription, String::new()) }
    }
}

/// What is the same in every message to a subscriber by topic.
fn message(subscription: &Subscription, event: String) -> Message {
    Message {
        endpoint: subscription.endpoint.clone(),
        headers: subscription.headers.clone(),
        event,
        about: format!("Subscription/{}", subscription.id),
        body: None,
        content_type: Some(subscription.payload.clone().unwrap_or_else(|| FHIR_JSON.to_owned())),
        timeout_s: subscription.timeout_s,
        trace: None,
    }
}

fn by_search(subscription: &Subscription, event: &Event, told: Vec<Told>) -> Option<Message> {
    let version = told.into_iter().next()?.version?;
    let body = subscription.payload.as_ref().map(|_| shown(version.stored).body);
    Some(Message {
        endpoint: subscription.endpoint.clone(),
        headers: subscription.headers.clone(),
        event: format!("{}/{}", subscription.id, event.number),
        about: format!("{}/{}", event.notice.kind, event.notice.id),
        body,
        content_type: None,
        timeout_s: None,
        trace: None,
    })
}

fn by_topic(subscription: &Subscription, told: &[Told], base: &str) -> Option<Message> {
    let (first, last) = (&told.first()?.event, &told.last()?.event);
    let name = if first.number == last.number {
        format!("{}/{}", subscription.id, first.number)
    } else {
        format!("{}/{}-{}", subscription.id, first.number, last.number)
    };
    let body = events(subscription, Purpose::Event, last.number, told, subscription.content, base);
    Some(Message { body: Some(body.to_string()), ..message(subscription, name) })
}

/// The Bundle that tells of events. Its instant is that of the last of them.
pub(crate) fn events(
    subscription: &Subscription,
    purpose: Purpose,
    raised: u64,
    told: &[Told],
    content: Content,
    base: &str,
) -> Json {
    let status = status(subscription, purpose, raised, told, content, base);
    let number = |one: Option<&Told>| one.map_or(0, |told| told.event.number).to_string();
    let name = [&subscription.id, purpose.code(), &number(told.first()), &number(told.last())];
    let at = told.last().map_or(Timestamp::UNIX_EPOCH, |told| told.event.raised_at);
    let full = told.iter().filter(|_| content == Content::FullResource);
    let entries = full.filter_map(|told| Some(entry(told.version.as_ref()?, base))).collect();
    bundle(&name, at, &subscription.id, status, entries, base)
}

fn entry(version: &Version, base: &str) -> Json {
    let stored = shown(version.stored.clone());
    let name = format!("{}/{}", stored.kind, stored.id);
    let (method, url, code) = match version.deed {
        Deed::Created => ("POST", stored.kind.clone(), "201"),
        Deed::Updated | Deed::Deleted => ("PUT", name.clone(), "200"),
    };
    json!({
        "fullUrl": format!("{base}/{name}"),
        "resource": reader::stored(&stored.body),
        "request": { "method": method, "url": url },
        "response": { "status": code, "etag": format!("W/\"{}\"", stored.version), "lastModified": instant_ms(stored.at) },
    })
}

/// `name` identifies the Bundle for ever.
fn bundle(
    name: &[&str],
    at: Timestamp,
    subscription: &str,
    mut status: Json,
    entries: Vec<Json>,
    base: &str,
) -> Json {
    let id = identity::id("Parameters", name);
    if let Some(members) = status.as_object_mut() {
        members.insert("id".to_owned(), json!(id));
    }
    let first = json!({
        "fullUrl": format!("urn:uuid:{id}"),
        "resource": status,
        "request": { "method": "GET", "url": format!("{base}/Subscription/{subscription}/$status") },
        "response": { "status": "200" },
    });
    let entries: Vec<Json> = std::iter::once(first).chain(entries).collect();
    json!({
        "resourceType": "Bundle",
        "id": identity::id("Bundle", name),
        "meta": { "profile": [format!("{BACKPORT}/StructureDefinition/backport-subscription-notification-r4")] },
        "type": "history",
        "timestamp": instant_ms(at),
        "entry": entries,
    })
}

/// The status of a Subscription when `raised` events have been raised for it, with what is told of some. `empty` names no topic and
/// no resource.
pub(crate) fn status(
    subscription: &Subscription,
    purpose: Purpose,
    raised: u64,
    told: &[Told],
    content: Content,
    base: &str,
) -> Json {
    let mut all = vec![json!({
        "name": "subscription",
        "valueReference": { "reference": format!("{base}/Subscription/{}", subscription.id) },
    })];
    if let Some(topic) = subscription.topic.filter(|_| content != Content::Empty) {
        all.push(json!({ "name": "topic", "valueCanonical": topic.url() }));
    }
    all.push(json!({ "name": "status", "valueCode": subscription.status }));
    all.push(json!({ "name": "type", "valueCode": purpose.code() }));
    all.push(json!({ "name": "events-since-subscription-start", "valueString": raised.to_string() }));
    for Told { event, version } in told {
        let mut parts = vec![
            json!({ "name": "event-number", "valueString": event.number.to_string() }),
            json!({ "name": "timestamp", "valueInstant": instant_ms(event.raised_at) }),
        ];
        if version.is_some() && content != Content::Empty {
            let focus = format!("{base}/{}/{}", event.notice.kind, event.notice.id);
            parts.push(json!({ "name": "focus", "valueReference": { "reference": focus } }));
        }
        all.push(json!({ "name": "notification-event", "part": parts }));
    }
    if let Some(error) = subscription.error.as_ref().filter(|_| subscription.status == "error") {
        all.push(json!({ "name": "error", "valueCodeableConcept": { "text": error } }));
    }
    json!({
        "resourceType": "Parameters",
        "meta": { "profile": [format!("{BACKPORT}/StructureDefinition/backport-subscription-status-r4")] },
        "parameter": all,
    })
}
