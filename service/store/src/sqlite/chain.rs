//! The chain of AuditEvents.
//!
//! The one writer appends to it in the transaction that writes the events. A store with several writers takes the last link
//! with a lock, as the last thing before its commit.

use super::{failed, number};
use crate::packing::body;
use crate::sql::row::compared_body;
use endplate_followup::audit::chain;
use endplate_followup::ports::{Link, Linked, Put, StoreError};
use sqlx::Row;
use sqlx::sqlite::{SqliteConnection, SqlitePool};

/// Appends these events after `head`. `keys` are those of their resources.
pub(super) async fn append(
    connection: &mut SqliteConnection,
    head: Option<Link>,
    events: &[Put],
    keys: &[i64],
) -> Result<(), StoreError> {
    const CONTEXT: &str = "appending to the audit trail";
    if events.is_empty() {
        return Ok(());
    }
    let mut last = head;
    let mut rows = Vec::with_capacity(events.len());
    for (event, key) in events.iter().zip(keys) {
        let link = chain::next(last.as_ref(), &event.stored.body);
        rows.push((number(link.number), key, link.hash.clone()));
        last = Some(link);
    }
    sqlx::query(
        "insert into audit_link (number, resource, hash) select value ->> 0, value ->> 1, value ->> 2 from json_each(?)",
    )
    .bind(serde_json::to_string(&rows).map_err(super::write::unsaid(CONTEXT))?)
    .execute(connection)
    .await
    .map(|_| ())
    .map_err(failed(CONTEXT))
}

/// The last link.
pub(super) async fn head(readers: &SqlitePool) -> Result<Option<Link>, StoreError> {
    let row: Option<(i64, String)> =
        sqlx::query_as("select number, hash from audit_link order by number desc limit 1")
            .fetch_optional(readers)
            .await
            .map_err(failed("reading the audit trail"))?;
    Ok(row.map(|(number, hash)| Link { number: number.unsigned_abs(), hash }))
}

/// The links after a number, with what they stand for.
pub(super) async fn page(readers: &SqlitePool, after: u64, limit: usize) -> Result<Vec<Linked>, StoreError> {
    const CONTEXT: &str = "reading the audit trail";
    let rows = sqlx::query(concat!(
        "select l.number, l.hash, r.id, ",
        body!(sqlite),
        ", coalesce(r.kind = 'AuditEvent' and r.version = 1 and r.deleted = 0 \
             and (select count(*) from resource_version w where w.resource = r.key) = 1, 0) \
         from audit_link l left join resource r on r.key = l.resource \
         left join resource_version v on v.resource = r.key and v.version = 1 \
         where l.number > ? order by l.number limit ? + 0"
    ))
    .bind(number(after))
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed(CONTEXT))?;
    let linked = |row: &sqlx::sqlite::SqliteRow| {
        let link = Link { number: row.try_get::<i64, _>(0)?.unsigned_abs(), hash: row.try_get(1)? };
        let is_single = row.try_get::<i64, _>(4)? != 0;
        Ok(Linked { link, id: row.try_get(2)?, body: compared_body(row, 3)?, is_single })
    };
    rows.iter().map(linked).collect::<Result<_, sqlx::Error>>().map_err(failed(CONTEXT))
}

/// Ids of AuditEvents that no link stands for. All are looked at: nothing finds a link by its resource, and one walk along both
/// tables is what looking at some of them costs.
pub(super) async fn loose(
    readers: &SqlitePool,
    after: Option<&str>,
    among: usize,
) -> Result<(Vec<String>, Option<String>), StoreError> {
    let asked = sqlx::query_scalar(
        "select id from resource where kind = 'AuditEvent' and id > ?1 \
         and key not in (select resource from audit_link) order by id limit ?2 + 0",
    )
    .bind(after.unwrap_or_default())
    .bind(number(among as u64));
    let loose: Vec<String> = asked.fetch_all(readers).await.map_err(failed("reading the audit trail"))?;
    let last = loose.last().cloned();
    Ok((loose, last))
}
