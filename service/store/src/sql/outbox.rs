//! The outbox as both databases have it: rows read, and what follows from attempts.

use super::number;
use super::row::{Columns, instant};
use endplate_followup::ports::{Attempt, Event, Notice, Queue, Receiver, Settlement};
use endplate_followup::trace::Trace;
use std::sync::Arc;

/// An event as a JSON array: number, kind, id, version, attempts, raised, queued, traceparent, tracestate, state.
pub(crate) type EventRow = (u64, String, String, u64, u32, i64, i64, Option<String>, Option<String>, i64);

/// A receiver with its events, as a JSON array: key, failures, events.
pub(crate) type QueueRow = (String, u32, Vec<EventRow>);

pub(crate) fn event(receiver: &str, row: EventRow) -> Event {
    let (number, kind, id, version, attempts, raised, queued, parent, trace_state, settled) = row;
    Event {
        notice: Notice { receiver: receiver.to_owned(), kind, id, version },
        number,
        attempts,
        raised_at: instant(raised),
        queued_at: instant(queued),
        trace: parent.map(|parent| Arc::new(Trace { parent, state: trace_state })),
        is_waiting: settled == 0,
    }
}

/// Queues from a JSON array of [`QueueRow`]s; those without events are left out.
pub(crate) fn queues(json: &str) -> Result<Vec<Queue>, serde_json::Error> {
    let rows: Vec<QueueRow> = serde_json::from_str(json)?;
    let queue = |(receiver, failures, events): QueueRow| {
        let events = events.into_iter().map(|row| event(&receiver, row)).collect();
        Queue { receiver, failures, events }
    };
    Ok(rows.into_iter().filter(|(_, _, events)| !events.is_empty()).map(queue).collect())
}

/// Events of one receiver from a JSON array of [`EventRow`]s.
pub(crate) fn events(receiver: &str, json: &str) -> Result<Vec<Event>, serde_json::Error> {
    let rows: Vec<EventRow> = serde_json::from_str(json)?;
    Ok(rows.into_iter().map(|row| event(receiver, row)).collect())
}

/// How a receiver stands, from the columns key, waiting, oldest, failures, failing since, next, last, outcome, reason, dead.
pub(crate) fn receiver(row: &impl Columns) -> Result<Receiver, sqlx::Error> {
    let failures = u32::try_from(row.integer(3)?).unwrap_or(u32::MAX);
    let (last_at, reason) = (instant(row.integer(6)?), row.maybe_text(8)?);
    Ok(Receiver {
        key: row.text(0)?,
        waiting: row.integer(1)?.unsigned_abs(),
        oldest_at: row.maybe_integer(2)?.map(instant),
        failures,
        failing_since: row.maybe_integer(4)?.map(instant),
        next_at: if failures > 0 { Some(instant(row.integer(5)?)) } else { None },
        last: row.maybe_text(7)?.map(|outcome| (last_at, outcome, reason)),
        dead: row.integer(9)?.unsigned_abs(),
    })
}

/// An attempt as rows have it: number, instant, outcome, reason, the state of the event.
pub(crate) type AttemptRow<'a> = (i64, i64, &'static str, Option<&'a str>, i64);

pub(crate) fn attempt_row(attempt: &Attempt) -> AttemptRow<'_> {
    let (outcome, reason, settled) = match &attempt.settlement {
        Settlement::Delivered => ("delivered", None, 1),
        Settlement::Retry { reason, .. } => ("deferred", Some(reason), 0),
        Settlement::Dropped { reason } => ("dropped", Some(reason), 2),
        Settlement::Parked { reason, .. } => ("parked", Some(reason), 3),
        Settlement::Held { .. } => ("held", None, 0),
    };
    (number(attempt.number), attempt.at.as_millisecond(), outcome, reason.map(String::as_str), settled)
}

/// The attempts that were made, and the version of the Subscription for which the receiver is held. Nothing follows one that is
/// held, so it is the last.
pub(crate) fn made(attempts: &[Attempt]) -> (&[Attempt], Option<u64>) {
    match attempts.split_last() {
        Some((Attempt { settlement: Settlement::Held { version }, .. }, before)) => (before, Some(*version)),
        _ => (attempts, None),
    }
}

/// What attempts say of their receiver: nothing if nobody was asked.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Said {
    /// Attempts that failed since the last one that did not.
    pub failures: i64,
    /// Whether one did not fail, so that failures before these do not count.
    pub is_reset: bool,
    /// The earliest instant of the next attempt.
    pub next_at_ms: Option<i64>,
    /// When the first of `failures` failed.
    pub failing_since_ms: Option<i64>,
}

pub(crate) fn said(attempts: &[Attempt]) -> Said {
    let mut said = Said::default();
    for attempt in attempts {
        match &attempt.settlement {
            Settlement::Delivered => {
                said = Said { failures: 0, is_reset: true, next_at_ms: Some(0), failing_since_ms: None };
            }
            Settlement::Retry { .. } | Settlement::Parked { .. } if attempt.goes_along => {}
            Settlement::Retry { next_at, .. } | Settlement::Parked { next_at, .. } => {
                said.failures += 1;
                said.next_at_ms = Some(next_at.as_millisecond());
                said.failing_since_ms = said.failing_since_ms.or(Some(attempt.at.as_millisecond()));
            }
            Settlement::Dropped { .. } | Settlement::Held { .. } => {}
        }
    }
    said
}
