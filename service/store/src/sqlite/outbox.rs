//! The outbox: events numbered within their subscription, attempts appended.

use super::write::unsaid;
use super::{failed, instant, number};
use endplate_followup::ports::{Call, Changeset, Event, Notice, Settlement, StoreError, Traffic};
use jiff::Timestamp;
use sqlx::Row;
use sqlx::sqlite::{SqliteConnection, SqlitePool, SqliteRow};

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

/// Sets when Subscriptions are looked at, and lets the first waiting event of some go.
pub(super) async fn arrange(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    const CONTEXT: &str = "arranging deliveries";
    for Call { subscription, at } in &change.calls {
        let sql = match at {
            Some(_) => {
                "insert into subscription_call (subscription, at_ms) values (?1, ?2) \
                 on conflict (subscription) do update set at_ms = ?2"
            }
            None => "delete from subscription_call where subscription = ?1 and ?2 is null",
        };
        let at_ms = at.map(Timestamp::as_millisecond);
        let done = sqlx::query(sql).bind(subscription).bind(at_ms).execute(&mut *connection).await;
        done.map_err(failed(CONTEXT))?;
    }
    for subscription in &change.releases {
        let done = sqlx::query(
            "update event set next_at_ms = min(next_at_ms, ?2) where subscription = ?1 and number = \
             (select min(number) from event where settled = 0 and subscription = ?1)",
        );
        let at_ms = change.at.unwrap_or(Timestamp::UNIX_EPOCH).as_millisecond();
        done.bind(subscription).bind(at_ms).execute(&mut *connection).await.map_err(failed(CONTEXT))?;
    }
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

fn event(row: &SqliteRow) -> Result<Event, sqlx::Error> {
    Ok(Event {
        notice: Notice {
            subscription: row.try_get(0)?,
            kind: row.try_get(2)?,
            id: row.try_get(3)?,
            version: row.try_get::<i64, _>(4)?.unsigned_abs(),
        },
        number: row.try_get::<i64, _>(1)?.unsigned_abs(),
        attempts: u32::try_from(row.try_get::<i64, _>(5)?).unwrap_or(u32::MAX),
        raised_at: instant(row.try_get(6)?),
    })
}

/// Events of a subscription from a number on.
pub(super) async fn events(
    readers: &SqlitePool,
    subscription: &str,
    from: u64,
    limit: usize,
) -> Result<Vec<Event>, StoreError> {
    let rows = sqlx::query(
        "select subscription, number, kind, id, version, attempts, raised_at_ms from event \
         where subscription = ? and number >= ? order by number limit ?",
    )
    .bind(subscription)
    .bind(number(from))
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed("reading events"))?;
    rows.iter().map(event).collect::<Result<_, _>>().map_err(failed("reading events"))
}

/// What was raised for a subscription. Only the last settled event is looked at, so that it costs the same whatever its past.
pub(super) async fn traffic(readers: &SqlitePool, subscription: &str) -> Result<Traffic, StoreError> {
    let (raised, waiting, delivered_at): (i64, Option<i64>, Option<i64>) = sqlx::query_as(
        "with t (raised, waiting) as (select \
             coalesce((select max(number) from event where subscription = ?1), 0), \
             (select min(number) from event where settled = 0 and subscription = ?1)) \
         select raised, waiting, (select max(a.at_ms) from attempt a where a.subscription = ?1 \
             and a.number = coalesce(waiting, raised + 1) - 1 and a.outcome = 'delivered') from t",
    )
    .bind(subscription)
    .fetch_one(readers)
    .await
    .map_err(failed("reading what was raised"))?;
    Ok(Traffic {
        raised: raised.unsigned_abs(),
        waiting: waiting.map(i64::unsigned_abs),
        delivered_at: delivered_at.map(instant),
    })
}

/// The calls that are due.
pub(super) async fn called(
    readers: &SqlitePool,
    now: Timestamp,
    limit: usize,
) -> Result<Vec<Call>, StoreError> {
    let rows: Vec<(String, i64)> = sqlx::query_as(
        "select subscription, at_ms from subscription_call where at_ms <= ? order by at_ms, subscription limit ?",
    )
    .bind(now.as_millisecond())
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed("reading calls"))?;
    Ok(rows
        .into_iter()
        .map(|(subscription, at_ms)| Call { subscription, at: Some(instant(at_ms)) })
        .collect())
}

/// The earliest time at which the first unsettled event of some subscription may be sent, or some subscription is called.
pub(super) async fn next_waiting_at(readers: &SqlitePool) -> Result<Option<Timestamp>, StoreError> {
    let next: Option<i64> = sqlx::query_scalar(
        "with recursive s (subscription) as ( \
             select min(subscription) from event where settled = 0 \
             union all \
             select (select min(subscription) from event where settled = 0 and subscription > s.subscription) \
             from s where s.subscription is not null) \
         select min(at_ms) from (select min(e.next_at_ms) as at_ms from s \
         join event e on e.subscription = s.subscription and e.number = \
             (select min(number) from event where settled = 0 and subscription = s.subscription) \
         union all select min(at_ms) from subscription_call)",
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
    let (outcome, reason, settled, next_at) = match settlement {
        Settlement::Delivered => ("delivered", None, 1, at),
        Settlement::Retry { next_at, reason } => ("deferred", Some(reason), 0, *next_at),
        Settlement::Held { next_at } => return hold(connection, event, *next_at).await,
        Settlement::Dropped { reason } => ("dropped", Some(reason), 2, at),
    };
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

/// Lets an event wait without an attempt.
async fn hold(
    connection: &mut SqliteConnection,
    event: &Event,
    next_at: Timestamp,
) -> Result<(), StoreError> {
    sqlx::query("update event set next_at_ms = ?3 where subscription = ?1 and number = ?2 and settled = 0")
        .bind(&event.notice.subscription)
        .bind(number(event.number))
        .bind(next_at.as_millisecond())
        .execute(connection)
        .await
        .map(|_| ())
        .map_err(failed("holding an event"))
}
