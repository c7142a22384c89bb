//! The outbox: what waits, and what became of it. Events are numbered where they are written.

use super::{failed, plain};
use crate::sql::number;
use crate::sql::row::{event, instant, settled};
use endplate_followup::ports::{Event, Settlement, StoreError};
use jiff::Timestamp;
use sqlx::postgres::PgPool;

/// For each subscription its first unsettled event, if it is time. Steps from subscription to subscription along the index of
/// waiting events, so that a long queue of one costs the others nothing.
pub(super) async fn waiting(
    readers: &PgPool,
    now: Timestamp,
    limit: usize,
) -> Result<Vec<Event>, StoreError> {
    let rows = sqlx::query(
        "with recursive s (subscription) as ( \
             (select min(subscription) from event where settled = 0) \
             union all \
             select (select min(e.subscription) from event e where e.settled = 0 and e.subscription > s.subscription) \
             from s where s.subscription is not null) \
         select e.subscription, e.number, e.kind, e.id, e.version, e.attempts, e.raised_at_ms from s \
         join event e on e.subscription = s.subscription and e.number = \
             (select min(number) from event where settled = 0 and subscription = s.subscription) \
         where e.next_at_ms <= $1 order by e.next_at_ms, e.subscription limit $2",
    )
    .bind(now.as_millisecond())
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed("reading the outbox"))?;
    rows.iter().map(event).collect::<Result<_, _>>().map_err(failed("reading the outbox"))
}

/// The earliest time at which the first unsettled event of some subscription may be sent.
pub(super) async fn next_waiting_at(readers: &PgPool) -> Result<Option<Timestamp>, StoreError> {
    let next: Option<i64> = sqlx::query_scalar(
        "with recursive s (subscription) as ( \
             (select min(subscription) from event where settled = 0) \
             union all \
             select (select min(e.subscription) from event e where e.settled = 0 and e.subscription > s.subscription) \
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
    writers: &PgPool,
    event: &Event,
    at: Timestamp,
    settlement: &Settlement,
) -> Result<(), StoreError> {
    let (outcome, reason, settled, next_at) = settled(settlement, at);
    sqlx::query(
        "with done as (update event set attempts = attempts + 1, settled = $3, next_at_ms = $4 \
             where subscription = $1 and number = $2 and settled = 0 returning subscription, number, attempts) \
         insert into attempt (subscription, number, attempt, at_ms, outcome, reason) \
         select subscription, number, attempts, $5, $6, $7 from done",
    )
    .bind(&event.notice.subscription)
    .bind(number(event.number))
    .bind(settled)
    .bind(next_at.as_millisecond())
    .bind(at.as_millisecond())
    .bind(outcome)
    .bind(reason.map(|reason| plain(reason)))
    .execute(writers)
    .await
    .map(|_| ())
    .map_err(failed("settling an event"))
}
