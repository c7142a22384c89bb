//! Searches of one SQLite file.

use super::{failed, query};
use crate::sql;
use crate::sql::Dialect::Sqlite;
use crate::sql::clause::probe;
use crate::sql::lead::Leads;
use crate::sql::row::{Columns, stored};
use crate::sql::search::{count, cut, is_counted, page, total};
use endplate_fhir::search::{Query, Total};
use endplate_followup::ports::{Page, StoreError};
use sqlx::sqlite::{SqlitePool, SqliteRow};

const CONTEXT: &str = "searching";

/// Which clauses lead; the database is asked where that depends on how many match each.
async fn leads(readers: &SqlitePool, asked: &Query) -> Result<Leads, sqlx::Error> {
    match probe(Sqlite, asked) {
        Some(statement) => Leads::found(asked, &query(statement).fetch_one(readers).await?),
        None => Ok(Leads::unasked(asked)),
    }
}

/// One page, and how many match in all.
pub(super) async fn search(readers: &SqlitePool, asked: &Query) -> Result<Page, StoreError> {
    let mut leads = leads(readers, asked).await.map_err(failed(CONTEXT))?;
    if asked.count == 0 {
        if asked.total == Total::Near && !is_counted(asked, &leads) {
            return Ok(Page::default());
        }
        let counted = query(count(Sqlite, asked, &leads)).fetch_one(readers).await;
        let total = counted.and_then(|row| total(asked, &row)).map_err(failed(CONTEXT))?;
        return Ok(Page { total, ..Page::default() });
    }
    let mut rows = query(page(Sqlite, asked, &leads)).fetch_all(readers).await.map_err(failed(CONTEXT))?;
    if let Some(others) = leads.after_walk(&asked.clauses).filter(|_| rows.len() <= asked.count) {
        leads = others;
        rows = query(page(Sqlite, asked, &leads)).fetch_all(readers).await.map_err(failed(CONTEXT))?;
    }
    // Most searches find all there is on their first page, and then it need not be counted.
    if asked.after.is_none() && rows.len() <= asked.count {
        let resources: Vec<_> = rows.iter().map(stored).collect::<Result<_, _>>().map_err(failed(CONTEXT))?;
        return Ok(Page { total: Some(resources.len() as u64), resources, next: None });
    }
    if !is_counted(asked, &leads) {
        return cut(asked, rows, None).map_err(failed(CONTEXT));
    }
    if leads.is_walk() {
        // The same walk might end sooner the next time.
        let counted = query(count(Sqlite, asked, &leads)).fetch_one(readers).await;
        let total = counted.and_then(|row| total(asked, &row)).map_err(failed(CONTEXT))?;
        return cut(asked, rows, total).map_err(failed(CONTEXT));
    }
    // One transaction, so that the page and the count are of one snapshot.
    let mut snapshot = readers.begin().await.map_err(failed(CONTEXT))?;
    let counted = query(count(Sqlite, asked, &leads)).fetch_one(&mut *snapshot).await;
    let total = counted.and_then(|row| total(asked, &row)).map_err(failed(CONTEXT))?;
    let rows = query(page(Sqlite, asked, &leads)).fetch_all(&mut *snapshot).await.map_err(failed(CONTEXT))?;
    snapshot.commit().await.map_err(failed(CONTEXT))?;
    cut(asked, rows, total).map_err(failed(CONTEXT))
}

/// How many values of a date parameter begin at which instant.
pub(super) async fn counts(
    readers: &SqlitePool,
    asked: &Query,
    param: &str,
) -> Result<Vec<(i64, u64)>, StoreError> {
    const COUNTING: &str = "counting by day";
    let rows = query(sql::search::counts(Sqlite, asked, param)).fetch_all(readers).await;
    let rows = rows.map_err(failed(COUNTING))?;
    let count = |row: &SqliteRow| Ok((row.integer(0)?, row.integer(1)?.unsigned_abs()));
    rows.iter().map(count).collect::<Result<_, sqlx::Error>>().map_err(failed(COUNTING))
}
