//! The chain of AuditEvents.
//!
//! Its end is a row that a commit locks as the last thing it does: whoever appends waits until the one before is durable, and
//! then has its hash. Commits without AuditEvents wait for nobody.

use super::{failed, pool::Pool, write::refused};
use crate::packing::body;
use crate::sql::number;
use crate::sql::row::compared_body;
use endplate_followup::audit::chain;
use endplate_followup::ports::{Link, Linked, Put, StoreError};
use sqlx::Row;
use sqlx::postgres::{PgConnection, PgRow};

/// Appends these events. `keys` are those of their resources.
pub(super) async fn append(
    connection: &mut PgConnection,
    events: &[Put],
    keys: &[i64],
) -> Result<(), StoreError> {
    const CONTEXT: &str = "appending to the audit trail";
    if events.is_empty() {
        return Ok(());
    }
    let (number_of_last, hash): (i64, String) =
        sqlx::query_as("select number, hash from audit_end for update")
            .fetch_one(&mut *connection)
            .await
            .map_err(refused(CONTEXT))?;
    let mut last = (number_of_last > 0).then(|| Link { number: number_of_last.unsigned_abs(), hash });
    let (mut numbers, mut hashes) = (Vec::new(), Vec::new());
    for event in events {
        let link = chain::next(last.as_ref(), &event.stored.body);
        numbers.push(number(link.number));
        hashes.push(link.hash.clone());
        last = Some(link);
    }
    sqlx::query(
        "with appended as (insert into audit_link (number, resource, hash) \
             select * from unnest($1::bigint[], $2::bigint[], $3::text[])) \
         update audit_end set number = $4, hash = $5",
    )
    .bind(&numbers)
    .bind(keys)
    .bind(&hashes)
    .bind(numbers.last())
    .bind(hashes.last())
    .execute(connection)
    .await
    .map(|_| ())
    .map_err(refused(CONTEXT))
}

/// The last link.
pub(super) async fn head(readers: &Pool) -> Result<Option<Link>, StoreError> {
    let row: Option<(i64, String)> =
        sqlx::query_as("select number, hash from audit_link order by number desc limit 1")
            .fetch_optional(readers)
            .await
            .map_err(failed("reading the audit trail"))?;
    Ok(row.map(|(number, hash)| Link { number: number.unsigned_abs(), hash }))
}

/// The links after a number, with what they stand for.
pub(super) async fn page(readers: &Pool, after: u64, limit: usize) -> Result<Vec<Linked>, StoreError> {
    const CONTEXT: &str = "reading the audit trail";
    let rows = sqlx::query(concat!(
        "select l.number, l.hash, r.id, ",
        body!(postgres),
        ", coalesce(r.kind = 'AuditEvent' and r.version = 1 and not r.deleted \
             and (select count(*) from resource_version w where w.resource = r.key) = 1, false) \
         from audit_link l left join resource r on r.key = l.resource \
         left join resource_version v on v.resource = r.key and v.version = 1 \
         where l.number > $1 order by l.number limit $2"
    ))
    .bind(number(after))
    .bind(number(limit as u64))
    .fetch_all(readers)
    .await
    .map_err(failed(CONTEXT))?;
    let linked = |row: &PgRow| {
        let link = Link { number: row.try_get::<i64, _>(0)?.unsigned_abs(), hash: row.try_get(1)? };
        Ok(Linked { link, id: row.try_get(2)?, body: compared_body(row, 3)?, is_single: row.try_get(4)? })
    };
    rows.iter().map(linked).collect::<Result<_, sqlx::Error>>().map_err(failed(CONTEXT))
}

/// Of the next AuditEvents by id those that no link stands for, and the last one that was looked at.
pub(super) async fn loose(
    readers: &Pool,
    after: Option<&str>,
    among: usize,
) -> Result<(Vec<String>, Option<String>), StoreError> {
    let asked = sqlx::query_as(
        "with page as materialized (select key, id from resource where kind = 'AuditEvent' and id > $1 \
             order by id limit $2) \
         select id, not exists (select 1 from audit_link l where l.resource = page.key) from page order by id",
    )
    .bind(after.unwrap_or_default())
    .bind(number(among as u64));
    let page: Vec<(String, bool)> =
        asked.fetch_all(readers).await.map_err(failed("reading the audit trail"))?;
    let last = page.last().map(|(id, _)| id.clone());
    Ok((page.into_iter().filter(|(_, is_loose)| *is_loose).map(|(id, _)| id).collect(), last))
}
