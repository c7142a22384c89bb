//! Whether the database is still the one in which events were numbered. A dump that was restored, a recovery to a point in time and a
//! standby that took over without having received everything know nothing of the last numbers that were given out, and whoever has
//! had an event under one of these would take the next one under it for the same. In a database that became another one numbers are
//! left out before any is given out.

use crate::backup::NUMBERS_LEFT_OUT;
use sqlx::Row;
use sqlx::postgres::PgConnection;

/// The mark that was left, and what it is now: the server's data; their timeline, which is a new one after each recovery and each
/// promotion; the database; and the table of receivers, which is a new one after each restore of a dump. A standby gives no answer, but
/// an error.
const MARKS: &str = "select (select mark from home), concat_ws('/', (select system_identifier from pg_control_system()), \
    left(pg_walfile_name(pg_current_wal_lsn()), 8), (select oid from pg_database where datname = current_database()), 'receiver'::regclass::oid)";

/// Leaves the mark; whoever finds another one there leaves numbers out. Of several who come at once, the first one does. The next
/// number is that of this millisecond, or a later one: what was restored twice from one copy goes on from two places.
const MOVED_IN: &str = "with moved as (update home set mark = $1 where mark <> $1 returning key), \
    first as (insert into home (key, mark) select 1, $1 where not exists (select 1 from home) on conflict do nothing) \
    update receiver set last_number = greatest(last_number + $2, floor(extract(epoch from clock_timestamp()) * 1000)::bigint) from moved";

/// SQLSTATE of what a system refuses that lacks these functions or grants them to few (PostgreSQL 15, appendix A).
const UNTOLD: [&str; 3] = ["42883", "42501", "0A000"];

/// Sees to it that no number is given out twice, on a connection that will write.
///
/// # Errors
/// The database failed, or it is a standby, which takes no writes.
pub(super) async fn settle_in(connection: &mut PgConnection) -> Result<(), sqlx::Error> {
    let row = match sqlx::raw_sql(MARKS).fetch_one(&mut *connection).await {
        Ok(row) => row,
        Err(sqlx::Error::Database(error)) if error.code().is_some_and(|code| UNTOLD.contains(&&*code)) => {
            tracing::debug!(%error, "the database does not tell whether it is the one it was");
            return Ok(());
        }
        Err(error) => return Err(error),
    };
    let (left, mark): (Option<String>, String) = (row.try_get(0)?, row.try_get(1)?);
    if left.as_ref() == Some(&mark) {
        return Ok(());
    }
    sqlx::query(MOVED_IN).bind(mark).bind(NUMBERS_LEFT_OUT).execute(connection).await?;
    if left.is_some() {
        tracing::warn!(
            "the database was restored or another one has taken over: numbers of events are left out, so that none is given out twice"
        );
    }
    Ok(())
}
