//! Versions and histories.

use super::{failed, number, query};
use crate::packing::body;
use crate::sql::Dialect::Sqlite;
use crate::sql::history::{self, version_of};
use crate::sql::row::Columns;
use endplate_followup::ports::{Past, PastPage, StoreError, Version};
use sqlx::sqlite::SqlitePool;

/// The newest version of a resource.
pub(super) async fn latest(
    readers: &SqlitePool,
    kind: &str,
    id: &str,
) -> Result<Option<Version>, StoreError> {
    const CONTEXT: &str = "reading a resource";
    let row = sqlx::query(
        concat!("select r.kind, r.id, v.version, v.at_ms, ", body!(sqlite), ", v.deed from resource r \
         join resource_version v on v.resource = r.key and v.version = r.version where r.kind = ? and r.id = ?"),
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
    let row = sqlx::query(concat!(
        "select r.kind, r.id, v.version, v.at_ms, ",
        body!(sqlite),
        ", v.deed from resource r \
         join resource_version v on v.resource = r.key where r.kind = ? and r.id = ? and v.version = ?"
    ))
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
    let total = query(history::count(Sqlite, past)).fetch_one(&mut *snapshot);
    let total = total.await.and_then(|row| row.integer(0)).map_err(failed(CONTEXT))?;
    let rows = query(history::page(Sqlite, past)).fetch_all(&mut *snapshot);
    let rows = rows.await.map_err(failed(CONTEXT))?;
    snapshot.commit().await.map_err(failed(CONTEXT))?;
    history::cut(past, rows, total).map_err(failed(CONTEXT))
}
