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
use sqlx::postgres::{PgConnection, PgPool, PgRow};
use sqlx::{Connection, Transaction};

const SEARCHING: &str = "searching";
const READING: &str = "reading a history";

/// How several statements of one snapshot begin.
const SNAPSHOT: &str = "begin isolation level repeatable read read only";

/// Several statements of one snapshot.
async fn snapshot(readers: &PgPool) -> Result<Transaction<'static, sqlx::Postgres>, sqlx::Error> {
    readers.begin_with(SNAPSHOT).await
}

/// Which clauses lead; the database is asked where that depends on how many match each.
async fn leads(connection: &mut PgConnection, asked: &Query) -> Result<Leads, sqlx::Error> {
    match probe(Postgres, asked) {
        Some(statement) => Leads::found(asked, &query(statement).fetch_one(connection).await?),
        None => Ok(Leads::unasked(asked)),
    }
}

/// The rows of a page, and what led to them: others than asked for where a walk did not fill it.
async fn rows(
    connection: &mut PgConnection,
    asked: &Query,
    leads: Leads,
) -> Result<(Vec<PgRow>, Leads), sqlx::Error> {
    let rows = query(page(Postgres, asked, &leads)).fetch_all(&mut *connection).await?;
    match leads.after_walk(&asked.clauses).filter(|_| rows.len() <= asked.count) {
        Some(leads) => Ok((query(page(Postgres, asked, &leads)).fetch_all(connection).await?, leads)),
        None => Ok((rows, leads)),
    }
}

/// One page, and how many match in all.
pub(super) async fn search(readers: &PgPool, asked: &Query) -> Result<Page, StoreError> {
    found(readers, asked).await.map_err(failed(SEARCHING))
}

async fn found(readers: &PgPool, asked: &Query) -> Result<Page, sqlx::Error> {
    let mut connection = readers.acquire().await?;
    let leads = leads(&mut connection, asked).await?;
    if asked.count == 0 {
        if asked.total == Total::Near && !is_counted(asked, &leads) {
            return Ok(Page::default());
        }
        let counted = query(count(Postgres, asked, &leads)).fetch_one(&mut *connection).await?;
        return Ok(Page { total: total(asked, &counted)?, ..Page::default() });
    }
    let (first, leads) = rows(&mut connection, asked, leads).await?;
    // Most searches find all there is on their first page, and then it need not be counted.
    if asked.after.is_none() && first.len() <= asked.count {
        let resources = first.iter().map(stored).collect::<Result<Vec<_>, _>>()?;
        return Ok(Page { total: Some(resources.len() as u64), resources, next: None });
    }
    if !is_counted(asked, &leads) {
        return cut(asked, first, None);
    }
    // One transaction, so that the page and the count are of one snapshot.
    let mut snapshot = connection.begin_with(SNAPSHOT).await?;
    let (rows, leads) = rows(&mut snapshot, asked, leads).await?;
    let counted = query(count(Postgres, asked, &leads)).fetch_one(&mut *snapshot).await?;
    snapshot.commit().await?;
    cut(asked, rows, total(asked, &counted)?)
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
