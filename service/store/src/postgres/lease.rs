//! Who does what only one instance may do at a time. Every time here is the database's own.

use super::{failed, pool::Pool};
use endplate_followup::ports::StoreError;

/// Takes what is free, or the holder's already, or whose time is over. A row is locked only while this statement runs.
pub(super) async fn claim(
    writers: &Pool,
    works: &[String],
    holder: &str,
    seconds: u32,
) -> Result<Vec<String>, StoreError> {
    let held: Vec<String> = sqlx::query_scalar(
        "with clock as materialized (select floor(extract(epoch from clock_timestamp()) * 1000)::bigint as now_ms), \
         held as (insert into lease as l (name, holder, until_ms) \
             select distinct u.name collate \"C\", $2, c.now_ms + $3 from unnest($1::text[]) u (name), clock c order by 1 \
             on conflict (name) do update set holder = excluded.holder, until_ms = excluded.until_ms \
             where l.holder = excluded.holder or l.until_ms <= (select now_ms from clock) returning name) \
         select name from held order by name",
    )
    .bind(works)
    .bind(holder)
    .bind(i64::from(seconds) * 1_000)
    .fetch_all(writers)
    .await
    .map_err(failed("claiming work"))?;
    Ok(held)
}

/// Gives up what the holder has.
pub(super) async fn release(writers: &Pool, works: &[String], holder: &str) -> Result<(), StoreError> {
    // In the order in which they are claimed, so that neither waits for the other.
    sqlx::query(
        "delete from lease where holder = $2 and name in \
         (select name from lease where name = any($1::text[]) and holder = $2 order by name for update)",
    )
    .bind(works)
    .bind(holder)
    .execute(writers)
    .await
    .map(|_| ())
    .map_err(failed("giving work up"))
}
