//! What stands in the store, counted, as one snapshot. Each part is read along an index that holds little more than what it counts,
//! but for what is overdue: there every review is looked at whose window opened within a year.
//! The statement is plain SQL, the same on both.

use super::row::instant;
use endplate_followup::ports::Tally;
use jiff::civil::Date;
use jiff::{SignedDuration, Span, Timestamp};

/// $1 is now and $2 the earliest opening of a window that counts, in milliseconds; $3 is today, in days.
pub(crate) const SQL: &str = "\
    select case when r.held then 'held' else 'waiting' end, '', cast(sum(w.events) as bigint), \
        min(case when r.held then null else e.queued_at_ms end) \
        from (select receiver, count(*) as events from event where settled = 0 group by receiver) w \
        join receiver r on r.key = w.receiver left join event e on e.receiver = r.key and e.number = r.first \
        group by 1 \
    union all \
    select 'dead', '', count(*), null from event where settled = 3 \
    union all \
    select 'failing', '', count(*), null from receiver where first is not null and not held and failures > 0 \
    union all \
    select 'subscription', code, count(*), null from token_row where param = 'Subscription.status' group by code \
    union all \
    select 'overdue', '', count(*), null from date_row d \
        where d.param = 'Task.due' and d.start_ms >= $2 and d.start_ms < $1 and d.end_ms < $1 and exists ( \
            select 1 from token_row t where t.resource = d.resource and t.param = 'Task.status' \
            and t.code in ('requested', 'received', 'accepted', 'ready', 'in-progress', 'on-hold')) \
    union all \
    select 'due', '', count(*), min(due_day) from agenda where due_day <= $3";

/// The earliest opening of a window that counts, in milliseconds.
pub(crate) fn oldest_ms(now: Timestamp) -> i64 {
    let oldest = SignedDuration::from_hours(24 * Tally::OVERDUE_DAYS);
    now.checked_sub(oldest).unwrap_or(Timestamp::MIN).as_millisecond()
}

/// What is counted, of which kind, how many, and since when.
pub(crate) type Row = (String, String, i64, Option<i64>);

/// What stands, from the rows of the statement.
pub(crate) fn tally(rows: Vec<Row>) -> Tally {
    let mut tally = Tally::default();
    for (what, label, count, since) in rows {
        let count = count.unsigned_abs();
        match what.as_str() {
            "waiting" => (tally.waiting, tally.waiting_since) = (count, since.map(instant)),
            "held" => tally.held = count,
            "dead" => tally.dead = count,
            "failing" => tally.failing = count,
            "subscription" => _ = tally.subscriptions.insert(label, count),
            "overdue" => tally.overdue_tasks = count,
            _ => (tally.due, tally.due_since) = (count, since.and_then(date)),
        }
    }
    tally
}

/// The date so many days after 1970-01-01.
fn date(days: i64) -> Option<Date> {
    Date::constant(1970, 1, 1).checked_add(Span::new().try_days(days).ok()?).ok()
}
