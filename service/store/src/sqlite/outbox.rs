//! The outbox: events numbered within their subscription, attempts appended.

use super::write::unsaid;
use super::{failed, instant, number};
use crate::sql::row::{event, settled};
use endplate_followup::ports::{Event, Notice, Settlement, StoreError};
use jiff::Timestamp;
use sqlx::sqlite::{SqliteConnection, SqlitePool};

/// Adds events in this order, each with the next number of its subscription.
pub(super) async fn raise(
    connection: &mut SqliteConnection,
    notices: &[Notice],
    at: Timestamp,
) -> Result<(), StoreError> {
    if notices.is_empty() {
        return Ok(());
    }
    let rows: Vec<_> = notices
        .iter()
        .map(|notice| (&notice.subscription, &notice.kind, &notice.id, number(notice.version)))
        .collect();
    sqlx::query(
        "insert into event (subscription, number, kind, id, version, raised_at_ms, next_at_ms) \
         select j.value ->> 0, \
             coalesce((select max(e.number) from event e where e.subscription = j.value ->> 0), 0) \
             + row_number() over (partition by j.value ->> 0 order by j.key), \
             j.value ->> 1, j.value ->> 2, j.value ->> 3, ?2, ?2 from json_each(?1) j",
    )
    .bind(serde_json::to_string(&rows).map_err(unsaid("writing the outbox"))?)
    .bind(at.as_millisecond())
    .execute(connection)
    .await
    .map_err(failed("writing the outbox"))?;
    Ok(())
}

/// For each subscription its first unsettled event, if it is time. Steps from subscription to subscription along the index of
/// waiting events, so that a long queue of one costs the others nothing.
pub(super) async fn waiting(
    readers: &SqlitePool,
    now: Timestamp,
    limit: usize,
) -> Result<Vec<Event>, StoreError> {
    let rows = sqlx::query(
        "with recursive s (subscription) as ( \
             select min(subscription) from event where settled = 0 \
             union all \
             select (select min(subscription) from event where settled = 0 and subscription > s.subscription) \
             from s where s.subscription is not null) \
         select e.subscription, e.number, e.kind, e.id, e.version, e.attempts, e.raised_at_ms from s \
         join event e on e.subscription = s.subscription and e.number = \
             (select min(number) from event where settled = 0 and subscription = s.subscription) \
         where e.next_at_ms <= ? order by e.next_at_ms, e.subscription limit ?",
    )
    .bind(now.as_millisecond())
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed("reading the outbox"))?;
    rows.iter().map(event).collect::<Result<_, _>>().map_err(failed("reading the outbox"))
}

/// The earliest time at which the first unsettled event of some subscription may be sent.
pub(super) async fn next_waiting_at(readers: &SqlitePool) -> Result<Option<Timestamp>, StoreError> {
    let next: Option<i64> = sqlx::query_scalar(
        "with recursive s (subscription) as ( \
             select min(subscription) from event where settled = 0 \
             union all \
             select (select min(subscription) from event where settled = 0 and subscription > s.subscription) \
             from s where s.subscription is not null) \
         select min(e.next_at_ms) from s \
         join event e on e.subscription = s.subscription and e.number = \
             (select min(number) from event where settled = 0 and subscription = s.subscription)",
    )
    .fetch_one(readers)
    .await
    .map_err(failed("reading the outbox"))?;
    Ok(next.map(instant))
}

/// Records an attempt and what follows from it. An event that is settled already stays as it is.
pub(super) async fn settle(
    connection: &mut SqliteConnection,
    event: &Event,
    at: Timestamp,
    settlement: &Settlement,
) -> Result<(), StoreError> {
    const CONTEXT: &str = "settling an event";
    let (outcome, reason, settled, next_at) = settled(settlement, at);
    let done = sqlx::query(
        "update event set attempts = attempts + 1, settled = ?3, next_at_ms = ?4 \
         where subscription = ?1 and number = ?2 and settled = 0",
    )
    .bind(&event.notice.subscription)
    .bind(number(event.number))
    .bind(settled)
    .bind(next_at.as_millisecond())
    .execute(&mut *connection)
    .await
    .map_err(failed(CONTEXT))?;
    if done.rows_affected() == 0 {
        return Ok(());
    }
    sqlx::query(
        "insert into attempt (subscription, number, attempt, at_ms, outcome, reason) \
         select subscription, number, attempts, ?3, ?4, ?5 from event where subscription = ?1 and number = ?2",
    )
    .bind(&event.notice.subscription)
    .bind(number(event.number))
    .bind(at.as_millisecond())
    .bind(outcome)
    .bind(reason)
    .execute(connection)
    .await
    .map_err(failed(CONTEXT))?;
    Ok(())
}
