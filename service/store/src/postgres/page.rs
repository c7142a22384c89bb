//! Searches and histories.

use super::pool::Pool;
use super::{failed, query};
use crate::sql::history;
use crate::sql::page::searches;
use endplate_followup::ports::{Past, PastPage};
use sqlx::postgres::{PgConnection, PgRow};

/// How several statements of one snapshot begin.
const SNAPSHOT: &str = "begin isolation level repeatable read read only";

searches!(Postgres, Pool, PgConnection, PgRow, begin_with(SNAPSHOT));

/// One page, and how many match in all.
pub(super) async fn search(readers: &Pool, asked: &Query) -> Result<Page, StoreError> {
    let asked = async {
        let mut held = readers.acquire().await?;
        let page = found(&mut held, asked).await?;
        held.give_back();
        Ok(page)
    };
    asked.await.map_err(failed("searching"))
}

/// One page of versions, newest first, and how many there are in all.
pub(super) async fn past(readers: &Pool, past: &Past) -> Result<PastPage, StoreError> {
    const CONTEXT: &str = "reading a history";
    let mut snapshot = readers.begin(SNAPSHOT).await.map_err(failed(CONTEXT))?;
    let total = query(history::count(Postgres, past)).fetch_one(&mut *snapshot);
    let total = total.await.and_then(|row| row.integer(0)).map_err(failed(CONTEXT))?;
    let rows = query(history::page(Postgres, past)).fetch_all(&mut *snapshot);
    let rows = rows.await.map_err(failed(CONTEXT))?;
    snapshot.commit().await.map_err(failed(CONTEXT))?;
    history::cut(past, rows, total).map_err(failed(CONTEXT))
}
