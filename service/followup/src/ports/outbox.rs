//! The outbox as the store keeps it: events that wait, what became of attempts, and how receivers stand.

use super::Notice;
use crate::trace::Trace;
use jiff::Timestamp;
use std::sync::Arc;

/// A notice with its number, waiting to be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// What to send and to whom.
    pub notice: Notice,
    /// Number within the receiver, from 1. `(receiver, number)` identifies the event for ever.
    pub number: u64,
    /// Attempts made so far.
    pub attempts: u32,
    /// When it was committed.
    pub raised_at: Timestamp,
    /// Since when it waits: when it was committed or, if later, when somebody asked for it again.
    pub queued_at: Timestamp,
    /// The request that caused it, if it is known.
    pub trace: Option<Arc<Trace>>,
    /// Whether it is to be sent, be it later; else it is settled.
    pub is_waiting: bool,
}

/// The first unsettled events of one receiver, in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Queue {
    /// Who is to be told.
    pub receiver: String,
    /// Attempts that failed since the last one that did not.
    pub failures: u32,
    /// At least one; of a receiver that fails exactly one.
    pub events: Vec<Event>,
}

/// How much [`Store::waiting`](super::Store::waiting) may give.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Receivers whose last attempt did not fail.
    pub well: usize,
    /// Receivers whose last attempt failed.
    pub failing: usize,
    /// Events of each.
    pub events: usize,
}

/// What waits to be sent.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Waiting {
    /// What may be sent now; those who have waited longest come first.
    pub queues: Vec<Queue>,
    /// The earliest instant at which there will be more, be it past; none: nothing else waits.
    pub next_at: Option<Timestamp>,
}

/// What became of one attempt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Settlement {
    /// The receiver took it.
    Delivered,
    /// Try again, not before `next_at`.
    Retry {
        /// The earliest instant of the next attempt.
        next_at: Timestamp,
        /// Why this attempt failed, for people.
        reason: String,
    },
    /// A dead letter: kept, not tried again unless somebody asks, and no longer in the way of the next event.
    Parked {
        /// The earliest instant at which the next event may be sent.
        next_at: Timestamp,
        /// Why, for people.
        reason: String,
        /// Whether it had waited too long; then others of its receiver may have too.
        is_old: bool,
    },
    /// Not sent, since its Subscription is not active: nothing of this receiver is sent before a changeset releases it. It was no
    /// attempt. If the Subscription has another version by now, it was released meanwhile, and nothing is held.
    Held {
        /// The version of the Subscription that is not active.
        version: u64,
    },
    /// Give it up: the subscription is gone or off.
    Dropped {
        /// Why, for people.
        reason: String,
    },
}

/// One attempt and what follows from it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Attempt {
    /// Number of the event within its receiver.
    pub number: u64,
    /// When it ended.
    pub at: Timestamp,
    /// What follows.
    pub settlement: Settlement,
    /// Whether the event went in one message with the one before: then it says nothing new of its receiver.
    pub goes_along: bool,
}

/// How a receiver stands, for whoever looks after it. No payload, no address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Receiver {
    /// Its key.
    pub key: String,
    /// Events that wait, the dead letters not among them.
    pub waiting: u64,
    /// When the first of them was committed.
    pub oldest_at: Option<Timestamp>,
    /// Attempts that failed since the last one that did not.
    pub failures: u32,
    /// When the first of these failed.
    pub failing_since: Option<Timestamp>,
    /// The earliest instant of the next attempt, if it fails.
    pub next_at: Option<Timestamp>,
    /// The last attempt: when, and what became of it: `delivered`, `deferred`, `parked` or `dropped`, with the reason.
    pub last: Option<(Timestamp, String, Option<String>)>,
    /// Dead letters.
    pub dead: u64,
}

/// Which settled events are to be sent again, under their numbers.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Replay {
    /// Of this receiver only.
    pub receiver: Option<String>,
    /// Committed at this instant or later.
    pub since: Option<Timestamp>,
    /// Dead letters only.
    pub dead: bool,
}

/// What was raised for a subscription, and how far it has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Traffic {
    /// How many events were raised: the number of the last one.
    pub raised: u64,
    /// The number of the first event that is not settled; none: none waits.
    pub waiting: Option<u64>,
    /// When the last one was delivered, if that was the last attempt.
    pub delivered_at: Option<Timestamp>,
}
