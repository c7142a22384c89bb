//! Versions and histories.

use super::{failed, number, stored};
use endplate_followup::ports::{Deed, Past, PastPage, Place, StoreError, Version};
use sqlx::sqlite::{SqlitePool, SqliteRow};
use sqlx::{QueryBuilder, Row, Sqlite};

/// A deed as the column has it.
pub(super) fn number_of(deed: Deed) -> i64 {
    match deed {
        Deed::Created => 0,
        Deed::Updated => 1,
        Deed::Deleted => 2,
    }
}

/// A deed from its column.
pub(super) fn deed_of(number: i64) -> Deed {
    match number {
        0 => Deed::Created,
        1 => Deed::Updated,
        _ => Deed::Deleted,
    }
}

/// A version from the columns kind, id, version, at_ms, body, deed.
fn version_of(row: &SqliteRow) -> Result<Version, sqlx::Error> {
    Ok(Version { stored: stored(row)?, deed: deed_of(row.try_get(5)?) })
}

/// The newest version of a resource.
pub(super) async fn latest(
    readers: &SqlitePool,
    kind: &str,
    id: &str,
) -> Result<Option<Version>, StoreError> {
    const CONTEXT: &str = "reading a resource";
    let row = sqlx::query(
        "select r.kind, r.id, v.version, v.at_ms, v.body, v.deed from resource r \
         join resource_version v on v.resource = r.key and v.version = r.version where r.kind = ? and r.id = ?",
    )
    .bind(kind)
    .bind(id)
    .fetch_optional(readers)
    .await
    .map_err(failed(CONTEXT))?;
    row.as_ref().map(version_of).transpose().map_err(failed(CONTEXT))
}

/// A given version of a resource.
pub(super) async fn version(
    readers: &SqlitePool,
    kind: &str,
    id: &str,
    version: u64,
) -> Result<Option<Version>, StoreError> {
    const CONTEXT: &str = "reading a version";
    let row = sqlx::query(
        "select r.kind, r.id, v.version, v.at_ms, v.body, v.deed from resource r \
         join resource_version v on v.resource = r.key where r.kind = ? and r.id = ? and v.version = ?",
    )
    .bind(kind)
    .bind(id)
    .bind(number(version))
    .fetch_optional(readers)
    .await
    .map_err(failed(CONTEXT))?;
    row.as_ref().map(version_of).transpose().map_err(failed(CONTEXT))
}

/// One page, newest first, and how many versions there are in all.
pub(super) async fn page(readers: &SqlitePool, past: &Past) -> Result<PastPage, StoreError> {
    const CONTEXT: &str = "reading a history";
    // One transaction, so that the page and the count are of one snapshot.
    let mut snapshot = readers.begin().await.map_err(failed(CONTEXT))?;
    let mut count: QueryBuilder<Sqlite> = QueryBuilder::new("select count(*)");
    conditions(&mut count, past);
    let total: i64 = count.build_query_scalar().fetch_one(&mut *snapshot).await.map_err(failed(CONTEXT))?;
    let mut sql: QueryBuilder<Sqlite> =
        QueryBuilder::new("select r.kind, r.id, v.version, v.at_ms, v.body, v.deed, v.key");
    conditions(&mut sql, past);
    if let Some(after) = past.after {
        sql.push(" and (v.at_ms, v.key) < (")
            .push_bind(after.at_ms)
            .push(", ")
            .push_bind(after.number)
            .push(")");
    }
    // One row more than asked for tells whether there is a next page.
    sql.push(" order by v.at_ms desc, v.key desc limit ").push_bind(number(past.count as u64 + 1));
    let mut rows = sql.build().fetch_all(&mut *snapshot).await.map_err(failed(CONTEXT))?;
    snapshot.commit().await.map_err(failed(CONTEXT))?;
    let more = rows.len() > past.count;
    rows.truncate(past.count);
    let next = if more { rows.last().map(place).transpose().map_err(failed(CONTEXT))? } else { None };
    let versions = rows.iter().map(version_of).collect::<Result<_, _>>().map_err(failed(CONTEXT))?;
    Ok(PastPage { versions, next, total: total.unsigned_abs() })
}

fn place(row: &SqliteRow) -> Result<Place, sqlx::Error> {
    Ok(Place { at_ms: row.try_get(3)?, number: row.try_get(6)? })
}

/// What every version of the history meets.
fn conditions(sql: &mut QueryBuilder<Sqlite>, past: &Past) {
    sql.push(" from resource_version v join resource r on r.key = v.resource where true");
    if let Some(kind) = &past.kind {
        sql.push(" and r.kind = ").push_bind(kind.clone());
    } else {
        // Protocols that plans follow are kept for the service itself; what was done to records has a history of its own.
        sql.push(" and r.kind not in ('Library', 'AuditEvent')");
    }
    if let Some(id) = &past.id {
        sql.push(" and r.id = ").push_bind(id.clone());
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
