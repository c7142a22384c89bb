//! What stands in the store, counted, as one snapshot. Each part is read along an index that holds little more than what it counts.
//! The statement is plain SQL, the same on both.

use super::row::instant;
use endplate_fhir::index::{IndexRow, IndexValue};
use endplate_followup::ports::{Put, Tally};
use jiff::Span;
use jiff::civil::Date;

/// The rows that say when the window of an open Task is over. Few stand before now, and nothing else needs to be looked at to
/// count them.
pub(crate) const OPEN_UNTIL: &str = "Task.due:open";

/// Statuses of a Task that waits to be done, as migration 4 has them.
const OPEN: [&str; 6] = ["requested", "received", "accepted", "ready", "in-progress", "on-hold"];

/// When the window of an open Task is over, as the last millisecond of it; nothing of what is no open Task.
pub(crate) fn open_until(put: &Put) -> Option<i64> {
    let is_open = |row: &IndexRow| {
        row.param == "status"
            && matches!(&row.value, IndexValue::Token { code, .. } if OPEN.contains(&code.as_str()))
    };
    let end = |row: &IndexRow| match row.value {
        IndexValue::Date { end_ms, .. } if row.param == "due" => Some(end_ms),
        _ => None,
    };
    if put.stored.kind != "Task" || !put.rows.iter().any(is_open) {
        return None;
    }
    put.rows.iter().find_map(end)
}

/// $1 is now, in milliseconds; $2 is today, in days.
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
    select 'overdue', '', count(*), null from date_row where param = 'Task.due:open' and start_ms < $1 \
    union all \
    select 'due', '', count(*), min(due_day) from agenda where due_day <= $2 \
    union all \
    select 'read', record || '/' || kind, count(problem), min(read_at_ms) from bookmark group by record, kind \
    union all \
    select 'aside', record || '/' || kind, count(*), null from unread group by record, kind";

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
            "read" => {
                let read = tally.read.entry(label).or_default();
                (read.is_broken_off, read.at) = (count > 0, since.map(instant));
            }
            "aside" => tally.read.entry(label).or_default().put_aside = count,
            _ => (tally.due, tally.due_since) = (count, since.and_then(date)),
        }
    }
    tally
}

/// The date so many days after 1970-01-01.
fn date(days: i64) -> Option<Date> {
    Date::constant(1970, 1, 1).checked_add(Span::new().try_days(days).ok()?).ok()
}
