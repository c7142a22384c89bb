//! Searches of one SQLite file.

use super::{failed, query};
use crate::sql::page::searches;
use sqlx::sqlite::{SqliteConnection, SqlitePool, SqliteRow};

searches!(Sqlite, SqlitePool, SqliteConnection, SqliteRow, begin());

/// One page, and how many match in all.
pub(super) async fn search(readers: &SqlitePool, asked: &Query) -> Result<Page, StoreError> {
    let asked = async { found(&mut *readers.acquire().await?, asked).await };
    asked.await.map_err(failed("searching"))
}
