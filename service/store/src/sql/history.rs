//! Histories as SQL.

use super::row::{Columns, stored};
use super::{Dialect, Statement};
use crate::packing;
use endplate_followup::ports::{Deed, Past, PastPage, Place, Version};

/// A deed as the column has it.
pub(crate) fn number_of(deed: Deed) -> i64 {
    match deed {
        Deed::Created => 0,
        Deed::Updated => 1,
        Deed::Deleted => 2,
    }
}

/// A deed from its column.
pub(crate) fn deed_of(number: i64) -> Deed {
    match number {
        0 => Deed::Created,
        1 => Deed::Updated,
        _ => Deed::Deleted,
    }
}

/// A version from the columns kind, id, version, at_ms, body, deed.
pub(crate) fn version_of(row: &impl Columns) -> Result<Version, sqlx::Error> {
    Ok(Version { stored: stored(row)?, deed: deed_of(row.integer(5)?) })
}

/// A page from the rows of its statement, which has one row more if there is a next one.
pub(crate) fn cut<R: Columns>(past: &Past, mut rows: Vec<R>, total: i64) -> Result<PastPage, sqlx::Error> {
    let total = Some(total.unsigned_abs()).filter(|total| *total <= PastPage::TOTAL_MAX as u64);
    let more = rows.len() > past.count;
    rows.truncate(past.count);
    let next = if more { rows.last().map(place).transpose()? } else { None };
    let versions = rows.iter().map(version_of).collect::<Result<_, _>>()?;
    Ok(PastPage { versions, next, total })
}

fn place(row: &impl Columns) -> Result<Place, sqlx::Error> {
    Ok(Place { at_ms: row.integer(3)?, number: row.integer(6)? })
}

/// The statement of how many versions there are in all, as far as they are counted.
pub(crate) fn count(dialect: Dialect, past: &Past) -> Statement {
    let mut sql = Statement::new(dialect, "select count(*) from (select 1");
    conditions(&mut sql, past);
    sql.push_limit(PastPage::TOTAL_MAX + 1).push(") counted");
    sql
}

/// The statement of one page, newest first, with one row more than asked for: it tells whether there is a next page. The number
/// of a version comes last.
pub(crate) fn page(dialect: Dialect, past: &Past) -> Statement {
    let mut sql = Statement::new(dialect, "select r.kind, r.id, v.version, v.at_ms, ");
    sql.push(packing::column(dialect)).push(", v.deed, v.key");
    conditions(&mut sql, past);
    if let Some(after) = past.after {
        sql.push(" and (v.at_ms, v.key) < (").push_bind(after.at_ms);
        sql.push(", ").push_bind(after.number).push(")");
    }
    sql.push(" order by v.at_ms desc, v.key desc").push_limit(past.count + 1);
    sql
}

/// What every version of the history meets.
fn conditions(sql: &mut Statement, past: &Past) {
    sql.push(" from resource_version v join resource r on r.key = v.resource where true");
    if let Some(kind) = &past.kind {
        sql.push(" and r.kind = ").push_bind(kind);
    } else {
        // Protocols that plans follow are kept for the service itself; what was done to records has a history of its own.
        sql.push(" and r.kind not in ('Library', 'AuditEvent')");
    }
    if let Some(id) = &past.id {
        sql.push(" and r.id = ").push_bind(id);
    }
    if let Some(since) = past.since_ms {
        sql.push(" and v.at_ms >= ").push_bind(since);
    }
    if let Some((start, end)) = past.during_ms {
        // A version is current from its own instant until that of the next one.
        sql.push(" and v.at_ms <= ").push_bind(end);
        sql.push(
            " and coalesce((select n.at_ms from resource_version n where n.resource = v.resource \
             and n.version = v.version + 1), 9223372036854775807) > ",
        )
        .push_bind(start);
    }
}
