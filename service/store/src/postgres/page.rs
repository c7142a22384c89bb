//! Searches and histories.

use super::{failed, query};
use crate::sql;
use crate::sql::Dialect::Postgres;
use crate::sql::clause::probe;
use crate::sql::history;
use crate::sql::lead::Leads;
use crate::sql::row::{Columns, stored};
use crate::sql::search::{count, cut, is_counted, page, total};
use endplate_fhir::search::{Query, Total};
use endplate_followup::ports::{Page, Past, PastPage, StoreError};
use sqlx::Transaction;
use sqlx::postgres::{PgPool, PgRow};

const SEARCHING: &str = "searching";
const READING: &str = "reading a history";

/// Several statements of one snapshot.
async fn snapshot(readers: &PgPool) -> Result<Transaction<'static, sqlx::Postgres>, sqlx::Error> {
    readers.begin_with("begin isolation level repeatable read read only").await
}

/// Which clauses lead; the database is asked where that depends on how many match each.
async fn leads(readers: &PgPool, asked: &Query) -> Result<Leads, sqlx::Error> {
    match probe(Postgres, asked) {
        Some(statement) => Leads::found(asked, &query(statement).fetch_one(readers).await?),
        None => Ok(Leads::unasked(asked)),
    }
}

/// One page, and how many match in all.
pub(super) async fn search(readers: &PgPool, asked: &Query) -> Result<Page, StoreError> {
    let mut leads = leads(readers, asked).await.map_err(failed(SEARCHING))?;
    if asked.count == 0 {
        if asked.total == Total::Near && !is_counted(asked, &leads) {
            return Ok(Page::default());
        }
        let counted = query(count(Postgres, asked, &leads)).fetch_one(readers).await;
        let total = counted.and_then(|row| total(asked, &row)).map_err(failed(SEARCHING))?;
        return Ok(Page { total, ..Page::default() });
    }
    let mut rows =
        query(page(Postgres, asked, &leads)).fetch_all(readers).await.map_err(failed(SEARCHING))?;
    if let Some(others) = leads.after_walk(&asked.clauses).filter(|_| rows.len() <= asked.count) {
        leads = others;
        rows = query(page(Postgres, asked, &leads)).fetch_all(readers).await.map_err(failed(SEARCHING))?;
    }
    // Most searches find all there is on their first page, and then it need not be counted.
    if asked.after.is_none() && rows.len() <= asked.count {
        let resources: Vec<_> =
            rows.iter().map(stored).collect::<Result<_, _>>().map_err(failed(SEARCHING))?;
        return Ok(Page { total: Some(resources.len() as u64), resources, next: None });
    }
    if !is_counted(asked, &leads) {
        return cut(asked, rows, None).map_err(failed(SEARCHING));
    }
    if leads.is_walk() {
        // The same walk might end sooner the next time.
        let counted = query(count(Postgres, asked, &leads)).fetch_one(readers).await;
        let total = counted.and_then(|row| total(asked, &row)).map_err(failed(SEARCHING))?;
        return cut(asked, rows, total).map_err(failed(SEARCHING));
    }
    let mut snapshot = snapshot(readers).await.map_err(failed(SEARCHING))?;
    let counted = query(count(Postgres, asked, &leads)).fetch_one(&mut *snapshot).await;
    let total = counted.and_then(|row| total(asked, &row)).map_err(failed(SEARCHING))?;
    let rows =
        query(page(Postgres, asked, &leads)).fetch_all(&mut *snapshot).await.map_err(failed(SEARCHING))?;
    snapshot.commit().await.map_err(failed(SEARCHING))?;
    cut(asked, rows, total).map_err(failed(SEARCHING))
}

/// One page of versions, newest first, and how many there are in all.
pub(super) async fn past(readers: &PgPool, past: &Past) -> Result<PastPage, StoreError> {
    let mut snapshot = snapshot(readers).await.map_err(failed(READING))?;
    let total = query(history::count(Postgres, past)).fetch_one(&mut *snapshot);
    let total = total.await.and_then(|row| row.integer(0)).map_err(failed(READING))?;
    let rows = query(history::page(Postgres, past)).fetch_all(&mut *snapshot);
    let rows = rows.await.map_err(failed(READING))?;
    snapshot.commit().await.map_err(failed(READING))?;
    history::cut(past, rows, total).map_err(failed(READING))
}

/// How many values of a date parameter begin at which instant.
pub(super) async fn counts(
    readers: &PgPool,
    asked: &Query,
    param: &str,
) -> Result<Vec<(i64, u64)>, StoreError> {
    const COUNTING: &str = "counting by day";
    let rows = query(sql::search::counts(Postgres, asked, param)).fetch_all(readers).await;
    let rows = rows.map_err(failed(COUNTING))?;
    let count = |row: &PgRow| Ok((row.integer(0)?, row.integer(1)?.unsigned_abs()));
    rows.iter().map(count).collect::<Result<_, sqlx::Error>>().map_err(failed(COUNTING))
}
