//! Searches of one SQLite file.

use super::{failed, query};
use crate::sql::page::searches;
use sqlx::sqlite::{SqliteConnection, SqlitePool, SqliteRow};

searches!(Sqlite, SqlitePool, SqliteConnection, SqliteRow, begin());
