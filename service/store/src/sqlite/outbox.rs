//! The outbox: events numbered within their receiver, attempts appended, and how each receiver stands.

use super::write::unsaid;
use super::{failed, instant, number};
use crate::sql::{
    self,
    outbox::{Said, attempt_row, made, said},
};
use endplate_followup::ports::{
    Attempt, Call, Changeset, Event, Receiver, Replay, Room, StoreError, Traffic, Waiting,
};
use jiff::Timestamp;
use sqlx::sqlite::{SqliteConnection, SqlitePool};

/// Adds events in this order, each with the next number of its receiver.
pub(super) async fn raise(
    connection: &mut SqliteConnection,
    Changeset { notices, at, trace, .. }: &Changeset,
) -> Result<(), StoreError> {
    if notices.is_empty() {
        return Ok(());
    }
    let rows: Vec<_> = notices
        .iter()
        .map(|notice| (&notice.receiver, &notice.kind, &notice.id, number(notice.version)))
        .collect();
    // Numbers first, then the receivers move on to the last one.
    sqlx::query(
        "insert into receiver (key) select distinct value ->> 0 from json_each(?1) where true on conflict (key) do nothing; \
         insert into event (receiver, number, kind, id, version, raised_at_ms, queued_at_ms, traceparent, tracestate) \
         select j.value ->> 0, r.last_number + row_number() over (partition by j.value ->> 0 order by j.key), \
             j.value ->> 1, j.value ->> 2, j.value ->> 3, ?2, ?2, ?3, ?4 \
         from json_each(?1) j cross join receiver r on r.key = j.value ->> 0; \
         update receiver set first = coalesce(first, last_number + 1), \
             last_number = (select max(number) from event where receiver = key) \
         where key in (select value ->> 0 from json_each(?1))",
    )
    .bind(serde_json::to_string(&rows).map_err(unsaid("writing the outbox"))?)
    .bind(at.unwrap_or(Timestamp::UNIX_EPOCH).as_millisecond())
    .bind(trace.as_ref().map(|trace| trace.parent.as_str()))
    .bind(trace.as_ref().and_then(|trace| trace.state.as_deref()))
    .execute(connection)
    .await
    .map_err(failed("writing the outbox"))?;
    Ok(())
}

/// Sets when Subscriptions are looked at, and releases what waits for some.
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
    for receiver in &change.releases {
        let done =
            sqlx::query("update receiver set held = 0, next_at_ms = min(next_at_ms, ?2) where key = ?1");
        let at_ms = change.at.unwrap_or(Timestamp::UNIX_EPOCH).as_millisecond();
        done.bind(receiver).bind(at_ms).execute(&mut *connection).await.map_err(failed(CONTEXT))?;
    }
    Ok(())
}

/// What may be sent at `now` to receivers that are not busy. Both kinds of receivers are read along an index of their own that
/// holds only those for whom something waits: neither a long queue nor many receivers that fail cost the others anything.
pub(super) async fn waiting(
    readers: &SqlitePool,
    now: Timestamp,
    busy: &[String],
    room: Room,
) -> Result<Waiting, StoreError> {
    const CONTEXT: &str = "reading the outbox";
    // One row, since each row costs a change of threads.
    let (queues, next_at): (String, Option<i64>) = sqlx::query_as(
        "with well as materialized (select key, failures, first, last_at_ms as at_ms from receiver \
             where first is not null and held = 0 and failures = 0 and key not in (select value from json_each(?2)) \
             order by last_at_ms limit ?3 + 0), \
         failing as materialized (select key, failures, first, next_at_ms as at_ms from receiver \
             where first is not null and held = 0 and failures > 0 and next_at_ms <= ?1 \
             and key not in (select value from json_each(?2)) order by next_at_ms limit ?4 + 0), \
         chosen as (select * from well union all select * from failing) \
         select (select json_group_array(json_array(c.key, c.failures, json((select json_group_array(json_array( \
                 e.number, e.kind, e.id, e.version, e.attempts, e.raised_at_ms, e.queued_at_ms, e.traceparent, e.tracestate, e.settled) order by e.number) \
                 from event e where e.receiver = c.key and e.number in (select number from event indexed by event_waiting \
                     where receiver = c.key and settled = 0 order by number limit ?5 + 0) \
                 and (c.failures = 0 or e.number = c.first)))) order by c.at_ms, c.key) from chosen c), \
             (select min(at_ms) from ( \
                 select min(last_at_ms) as at_ms from (select last_at_ms from receiver \
                     where first is not null and held = 0 and failures = 0 and key not in (select value from json_each(?2)) \
                     and key not in (select key from well) order by last_at_ms limit 1) \
                 union all \
                 select next_at_ms from (select next_at_ms from receiver \
                     where first is not null and held = 0 and failures > 0 and key not in (select value from json_each(?2)) \
                     and key not in (select key from failing) order by next_at_ms limit 1) \
                 union all \
                 select min(at_ms) from subscription_call \
                     where subscription not in (select value from json_each(?2))))",
    )
    .bind(now.as_millisecond())
    .bind(serde_json::to_string(busy).map_err(unsaid(CONTEXT))?)
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
    readers: &SqlitePool,
    receiver: &str,
    from: u64,
    limit: usize,
) -> Result<Vec<Event>, StoreError> {
    const CONTEXT: &str = "reading events";
    let rows: String = sqlx::query_scalar(
        "select json_group_array(json_array(number, kind, id, version, attempts, raised_at_ms, queued_at_ms, traceparent, tracestate, settled) \
             order by number) \
         from (select * from event where receiver = ? and number >= ? order by number limit ? + 0)",
    )
    .bind(receiver)
    .bind(number(from))
    .bind(number(limit as u64))
    .fetch_one(readers)
    .await
    .map_err(failed(CONTEXT))?;
    sql::outbox::events(receiver, &rows).map_err(unsaid(CONTEXT))
}

/// What was raised for a receiver.
pub(super) async fn traffic(readers: &SqlitePool, receiver: &str) -> Result<Traffic, StoreError> {
    let row: Option<(i64, Option<i64>, Option<i64>)> = sqlx::query_as(
        "select last_number, first, case when last_outcome = 'delivered' then last_at_ms end from receiver where key = ?",
    )
    .bind(receiver)
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
pub(super) async fn called(
    readers: &SqlitePool,
    now: Timestamp,
    limit: usize,
) -> Result<Vec<Call>, StoreError> {
    let rows: Vec<(String, i64)> = sqlx::query_as(
        "select subscription, at_ms from subscription_call where at_ms <= ? order by at_ms, subscription limit ? + 0",
    )
    .bind(now.as_millisecond())
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed("reading calls"))?;
    let call = |(subscription, at_ms)| Call { subscription, at: Some(instant(at_ms)) };
    Ok(rows.into_iter().map(call).collect())
}

/// Records attempts and what follows from them. An event that is settled already stays as it is.
pub(super) async fn settle(
    connection: &mut SqliteConnection,
    receiver: &str,
    attempts: &[Attempt],
) -> Result<(), StoreError> {
    const CONTEXT: &str = "settling events";
    let (attempts, held) = made(attempts);
    if let Some(version) = held {
        let hold = sqlx::query(
            "update receiver set held = 1 where key = ?1 \
             and ?2 = (select version from resource where kind = 'Subscription' and id = ?1)",
        );
        let hold = hold.bind(receiver).bind(number(version));
        hold.execute(&mut *connection).await.map_err(failed(CONTEXT))?;
    }
    let Some(last) = attempts.last() else { return Ok(()) };
    let rows: Vec<_> = attempts.iter().map(attempt_row).collect();
    let rows = serde_json::to_string(&rows).map_err(unsaid(CONTEXT))?;
    let done = sqlx::query(
        "insert into attempt (receiver, number, attempt, at_ms, outcome, reason) \
         select e.receiver, e.number, e.attempts + 1, j.value ->> 1, j.value ->> 2, j.value ->> 3 \
         from json_each(?2) j cross join event e on e.receiver = ?1 and e.number = j.value ->> 0 and e.settled = 0",
    )
    .bind(receiver)
    .bind(&rows)
    .execute(&mut *connection)
    .await
    .map_err(failed(CONTEXT))?;
    if done.rows_affected() == 0 {
        return Ok(());
    }
    let Said { failures, is_reset, next_at_ms, failing_since_ms } = said(attempts);
    let (_, _, outcome, reason, _) = attempt_row(last);
    // Nearly always one of them: what was delivered together.
    for state in 0..=3 {
        let of_state = attempts.iter().filter(|attempt| attempt_row(attempt).4 == state);
        let numbers: Vec<i64> = of_state.map(|attempt| number(attempt.number)).collect();
        if numbers.is_empty() {
            continue;
        }
        sqlx::query(
            "update event set attempts = attempts + 1, settled = ?3 \
             where receiver = ?1 and number in (select value from json_each(?2)) and settled = 0",
        )
        .bind(receiver)
        .bind(serde_json::to_string(&numbers).map_err(unsaid(CONTEXT))?)
        .bind(state)
        .execute(&mut *connection)
        .await
        .map_err(failed(CONTEXT))?;
    }
    sqlx::query(
        "update receiver set first = (select min(number) from event indexed by event_waiting where receiver = ?1 and settled = 0), \
             failing_since_ms = case when ?2 or failures = 0 then ?5 else failing_since_ms end, \
             failures = case when ?2 then ?3 else failures + ?3 end, next_at_ms = coalesce(?4, next_at_ms), \
             last_at_ms = ?6, last_outcome = ?7, last_reason = ?8 \
         where key = ?1",
    )
    .bind(receiver)
    .bind(is_reset)
    .bind(failures)
    .bind(next_at_ms)
    .bind(failing_since_ms)
    .bind(last.at.as_millisecond())
    .bind(outcome)
    .bind(reason)
    .execute(connection)
    .await
    .map_err(failed(CONTEXT))?;
    Ok(())
}

/// Makes dead letters of what waits since before `before`.
pub(super) async fn park(
    connection: &mut SqliteConnection,
    receiver: &str,
    before: Timestamp,
    reason: &str,
) -> Result<u64, StoreError> {
    const CONTEXT: &str = "parking events";
    let parked =
        sqlx::query("update event set settled = 3 where receiver = ?1 and settled = 0 and queued_at_ms < ?2")
            .bind(receiver)
            .bind(before.as_millisecond())
            .execute(&mut *connection)
            .await
            .map_err(failed(CONTEXT))?
            .rows_affected();
    if parked > 0 {
        sqlx::query(
            "update receiver set first = (select min(number) from event indexed by event_waiting where receiver = ?1 and settled = 0), \
             last_outcome = 'parked', last_reason = ?2 where key = ?1",
        )
        .bind(receiver)
        .bind(reason)
        .execute(connection)
        .await
        .map_err(failed(CONTEXT))?;
    }
    Ok(parked)
}

/// Puts settled events into the queue again.
pub(super) async fn replay(
    connection: &mut SqliteConnection,
    which: &Replay,
    now: Timestamp,
) -> Result<u64, StoreError> {
    const CONTEXT: &str = "asking for events again";
    let again = sqlx::query(
        "update event set settled = 0, queued_at_ms = ?4 where settled > 0 and (?1 is null or receiver = ?1) \
         and (?2 is null or raised_at_ms >= ?2) and (settled = 3 or not ?3)",
    )
    .bind(&which.receiver)
    .bind(which.since.map(Timestamp::as_millisecond))
    .bind(which.dead)
    .bind(now.as_millisecond())
    .execute(&mut *connection)
    .await
    .map_err(failed(CONTEXT))?
    .rows_affected();
    if again > 0 {
        sqlx::query(
            "update receiver set first = (select min(number) from event indexed by event_waiting where receiver = key and settled = 0), \
             next_at_ms = min(next_at_ms, ?2) where ?1 is null or key = ?1",
        )
        .bind(&which.receiver)
        .bind(now.as_millisecond())
        .execute(connection)
        .await
        .map_err(failed(CONTEXT))?;
    }
    Ok(again)
}

/// How receivers stand, in order of their keys.
pub(super) async fn receivers(
    readers: &SqlitePool,
    after: Option<&str>,
    limit: usize,
) -> Result<Vec<Receiver>, StoreError> {
    const CONTEXT: &str = "reading the receivers";
    let rows = sqlx::query(
        "select key, (select count(*) from event indexed by event_waiting where receiver = key and settled = 0), \
         (select raised_at_ms from event where receiver = key and number = first), failures, failing_since_ms, \
         next_at_ms, last_at_ms, last_outcome, last_reason, \
         (select count(*) from event indexed by event_dead where receiver = key and settled = 3) \
         from receiver where key > ?1 order by key limit ?2 + 0",
    )
    .bind(after.unwrap_or_default())
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed(CONTEXT))?;
    rows.iter().map(sql::outbox::receiver).collect::<Result<_, _>>().map_err(failed(CONTEXT))
}
