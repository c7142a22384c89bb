//! The outbox. Events are numbered where they are written (`write.rs`); whatever else changes the events of a receiver locks the
//! row of the receiver first, as that does.

use super::{failed, plain, pool::Pool, unsaid};
use crate::sql::outbox::{Said, attempt_row, made, said};
use crate::sql::row::instant;
use crate::sql::{self, number};
use endplate_followup::ports::{Attempt, Call, Event, Receiver, Replay, Room, StoreError, Traffic, Waiting};
use jiff::Timestamp;
use sqlx::postgres::PgConnection;

/// What may be sent at `now` to receivers that are not busy. Both kinds of receivers are read along an index of their own that
/// holds only those for whom something waits: neither a long queue nor many receivers that fail cost the others anything.
pub(super) async fn waiting(
    readers: &Pool,
    now: Timestamp,
    busy: &[String],
    room: Room,
) -> Result<Waiting, StoreError> {
    const CONTEXT: &str = "reading the outbox";
    let (queues, next_at): (String, Option<i64>) = sqlx::query_as(
        "with well as materialized (select key, failures, first, last_at_ms as at_ms from receiver \
             where first is not null and not held and failures = 0 and key <> all($2::text[]) \
             order by last_at_ms, key limit $3), \
         failing as materialized (select key, failures, first, next_at_ms as at_ms from receiver \
             where first is not null and not held and failures > 0 and next_at_ms <= $1 \
             and key <> all($2::text[]) order by next_at_ms, key limit $4), \
         chosen as (select * from well union all select * from failing) \
         select coalesce((select json_agg(json_build_array(c.key, c.failures, (select coalesce(json_agg(json_build_array( \
                 e.number, e.kind, e.id, e.version, e.attempts, e.raised_at_ms, e.queued_at_ms, e.traceparent, e.tracestate, e.settled) \
                 order by e.number), '[]'::json) \
                 from (select * from event where receiver = c.key and settled = 0 order by number limit $5) e \
                 where c.failures = 0 or e.number = c.first)) order by c.at_ms, c.key) from chosen c), '[]'::json)::text, \
             least( \
                 (select last_at_ms from receiver where first is not null and not held and failures = 0 \
                     and key <> all($2::text[]) and key not in (select key from well) order by last_at_ms limit 1), \
                 (select next_at_ms from receiver where first is not null and not held and failures > 0 \
                     and key <> all($2::text[]) and key not in (select key from failing) order by next_at_ms limit 1), \
                 (select min(at_ms) from subscription_call where subscription <> all($2::text[])))",
    )
    .bind(now.as_millisecond())
    .bind(busy)
    .bind(number(room.well as u64))
    .bind(number(room.failing as u64))
    .bind(number(room.events as u64))
    .fetch_one(readers)
    .await
    .map_err(failed(CONTEXT))?;
    let queues = sql::outbox::queues(&queues).map_err(unsaid(CONTEXT))?;
    Ok(Waiting { queues, next_at: next_at.map(instant) })
}

/// Events of a receiver from a number on.
pub(super) async fn events(
    readers: &Pool,
    receiver: &str,
    from: u64,
    limit: usize,
) -> Result<Vec<Event>, StoreError> {
    const CONTEXT: &str = "reading events";
    let rows: String = sqlx::query_scalar(
        "select coalesce(json_agg(json_build_array(number, kind, id, version, attempts, raised_at_ms, queued_at_ms, traceparent, tracestate, settled) \
             order by number), '[]'::json)::text \
         from (select * from event where receiver = $1 and number >= $2 order by number limit $3) e",
    )
    .bind(plain(receiver))
    .bind(number(from))
    .bind(number(limit as u64))
    .fetch_one(readers)
    .await
    .map_err(failed(CONTEXT))?;
    sql::outbox::events(receiver, &rows).map_err(unsaid(CONTEXT))
}

/// What was raised for a receiver.
pub(super) async fn traffic(readers: &Pool, receiver: &str) -> Result<Traffic, StoreError> {
    let row: Option<(i64, Option<i64>, Option<i64>)> = sqlx::query_as(
        "select last_number, first, case when last_outcome = 'delivered' then last_at_ms end from receiver where key = $1",
    )
    .bind(plain(receiver))
    .fetch_optional(readers)
    .await
    .map_err(failed("reading what was raised"))?;
    let (raised, waiting, delivered_at) = row.unwrap_or_default();
    Ok(Traffic {
        raised: raised.unsigned_abs(),
        waiting: waiting.map(i64::unsigned_abs),
        delivered_at: delivered_at.map(instant),
    })
}

/// The calls that are due.
pub(super) async fn called(readers: &Pool, now: Timestamp, limit: usize) -> Result<Vec<Call>, StoreError> {
    let rows: Vec<(String, i64)> = sqlx::query_as(
        "select subscription, at_ms from subscription_call where at_ms <= $1 order by at_ms, subscription limit $2",
    )
    .bind(now.as_millisecond())
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed("reading calls"))?;
    let call = |(subscription, at_ms)| Call { subscription, at: Some(instant(at_ms)) };
    Ok(rows.into_iter().map(call).collect())
}

/// Locks a receiver, so that nobody else raises, settles or asks again meanwhile.
async fn lock(
    connection: &mut PgConnection,
    receiver: &str,
    context: &'static str,
) -> Result<(), StoreError> {
    let locked = sqlx::query("select 1 from receiver where key = $1 for update");
    locked.bind(plain(receiver)).execute(connection).await.map(|_| ()).map_err(failed(context))
}

/// Records attempts and what follows from them. An event that is settled already stays as it is.
pub(super) async fn settle(writers: &Pool, receiver: &str, attempts: &[Attempt]) -> Result<(), StoreError> {
    const CONTEXT: &str = "settling events";
    let (attempts, held) = made(attempts);
    let mut transaction = writers.begin("begin").await.map_err(failed(CONTEXT))?;
    lock(&mut transaction, receiver, CONTEXT).await?;
    if let Some(last) = attempts.last() {
        record(&mut transaction, receiver, attempts, last).await.map_err(failed(CONTEXT))?;
    }
    if let Some(version) = held {
        // The row is locked, so that whoever writes the Subscription at this moment releases after this, or is seen here.
        let hold = sqlx::query(
            "update receiver set held = true where key = $1 \
             and $2 = (select version from resource where kind = 'Subscription' and id = $1)",
        );
        let hold = hold.bind(plain(receiver)).bind(number(version));
        hold.execute(&mut *transaction).await.map_err(failed(CONTEXT))?;
    }
    transaction.commit().await.map_err(failed(CONTEXT))
}

async fn record(
    connection: &mut PgConnection,
    receiver: &str,
    attempts: &[Attempt],
    last: &Attempt,
) -> Result<(), sqlx::Error> {
    let rows = || attempts.iter().map(attempt_row);
    let done = sqlx::query(
        "with a as (select * from unnest($2::bigint[], $3::bigint[], $4::text[], $5::text[], $6::bigint[]) \
             u (number, at_ms, outcome, reason, settled)), \
         done as (update event e set attempts = e.attempts + 1, settled = a.settled from a \
             where e.receiver = $1 and e.number = a.number and e.settled = 0 \
             returning e.receiver, e.number, e.attempts, a.at_ms, a.outcome, a.reason) \
         insert into attempt (receiver, number, attempt, at_ms, outcome, reason) select * from done",
    )
    .bind(plain(receiver))
    .bind(rows().map(|row| row.0).collect::<Vec<_>>())
    .bind(rows().map(|row| row.1).collect::<Vec<_>>())
    .bind(rows().map(|row| row.2).collect::<Vec<_>>())
    .bind(rows().map(|row| row.3.map(plain)).collect::<Vec<_>>())
    .bind(rows().map(|row| row.4).collect::<Vec<_>>())
    .execute(&mut *connection)
    .await?;
    if done.rows_affected() == 0 {
        return Ok(());
    }
    let Said { failures, is_reset, next_at_ms, failing_since_ms } = said(attempts);
    let (_, at_ms, outcome, reason, _) = attempt_row(last);
    sqlx::query(
        "update receiver set first = (select min(number) from event where receiver = $1 and settled = 0), \
             failing_since_ms = case when $2 or failures = 0 then $5 else failing_since_ms end, \
             failures = case when $2 then $3 else failures + $3 end, next_at_ms = coalesce($4, next_at_ms), \
             last_at_ms = $6, last_outcome = $7, last_reason = $8 \
         where key = $1",
    )
    .bind(plain(receiver))
    .bind(is_reset)
    .bind(failures)
    .bind(next_at_ms)
    .bind(failing_since_ms)
    .bind(at_ms)
    .bind(outcome)
    .bind(reason.map(plain))
    .execute(connection)
    .await
    .map(|_| ())
}

/// Makes dead letters of what waits since before `before`.
pub(super) async fn park(
    writers: &Pool,
    receiver: &str,
    before: Timestamp,
    reason: &str,
) -> Result<u64, StoreError> {
    const CONTEXT: &str = "parking events";
    let mut transaction = writers.begin("begin").await.map_err(failed(CONTEXT))?;
    lock(&mut transaction, receiver, CONTEXT).await?;
    let parked =
        sqlx::query("update event set settled = 3 where receiver = $1 and settled = 0 and queued_at_ms < $2")
            .bind(plain(receiver))
            .bind(before.as_millisecond())
            .execute(&mut *transaction)
            .await
            .map_err(failed(CONTEXT))?
            .rows_affected();
    if parked > 0 {
        sqlx::query(
            "update receiver set first = (select min(number) from event where receiver = $1 and settled = 0), \
             last_outcome = 'parked', last_reason = $2 where key = $1",
        )
        .bind(plain(receiver))
        .bind(plain(reason))
        .execute(&mut *transaction)
        .await
        .map_err(failed(CONTEXT))?;
    }
    transaction.commit().await.map_err(failed(CONTEXT))?;
    Ok(parked)
}

/// Puts settled events into the queue again: those of receivers that are locked, and of no other one that comes meanwhile.
pub(super) async fn replay(writers: &Pool, which: &Replay, now: Timestamp) -> Result<u64, StoreError> {
    const CONTEXT: &str = "asking for events again";
    let receiver = which.receiver.as_deref().map(plain);
    let mut transaction = writers.begin("begin").await.map_err(failed(CONTEXT))?;
    let locked = "select key from receiver where $1::text is null or key = $1 order by key for update";
    let receivers: Vec<String> = sqlx::query_scalar(locked)
        .bind(receiver)
        .fetch_all(&mut *transaction)
        .await
        .map_err(failed(CONTEXT))?;
    // Two texts: dead letters are few, and have an index that a statement for either does not use.
    let again = if which.dead {
        "update event set settled = 0, queued_at_ms = $3 where settled = 3 and receiver = any($1::text[]) \
         and ($2::bigint is null or raised_at_ms >= $2)"
    } else {
        "update event set settled = 0, queued_at_ms = $3 where settled > 0 and receiver = any($1::text[]) \
         and ($2::bigint is null or raised_at_ms >= $2)"
    };
    let again = sqlx::query(again)
        .bind(&receivers)
        .bind(which.since.map(Timestamp::as_millisecond))
        .bind(now.as_millisecond())
        .execute(&mut *transaction)
        .await
        .map_err(failed(CONTEXT))?
        .rows_affected();
    if again > 0 {
        sqlx::query(
            "update receiver set first = (select min(number) from event where receiver = key and settled = 0), \
             next_at_ms = least(next_at_ms, $2) where key = any($1::text[])",
        )
        .bind(&receivers)
        .bind(now.as_millisecond())
        .execute(&mut *transaction)
        .await
        .map_err(failed(CONTEXT))?;
    }
    transaction.commit().await.map_err(failed(CONTEXT))?;
    Ok(again)
}

/// How receivers stand, in order of their keys.
pub(super) async fn receivers(
    readers: &Pool,
    after: Option<&str>,
    limit: usize,
) -> Result<Vec<Receiver>, StoreError> {
    const CONTEXT: &str = "reading the receivers";
    let rows = sqlx::query(
        "select key, (select count(*) from event where receiver = key and settled = 0), \
         (select raised_at_ms from event where receiver = key and number = first), failures, failing_since_ms, \
         next_at_ms, last_at_ms, last_outcome, last_reason, \
         (select count(*) from event where receiver = key and settled = 3) \
         from receiver where key > $1 order by key limit $2",
    )
    .bind(plain(after.unwrap_or_default()))
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed(CONTEXT))?;
    rows.iter().map(sql::outbox::receiver).collect::<Result<_, _>>().map_err(failed(CONTEXT))
}
