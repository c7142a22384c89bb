//! The store that a test's clinic runs on: SQLite, or PostgreSQL where `ENDPLATE_TEST_STORE=postgres` asks that everything here be
//! held against that.

use endplate_followup::ports::Store;
use endplate_store::open;
use std::sync::Arc;

/// A fresh, empty store.
pub async fn fresh() -> Arc<dyn Store> {
    if std::env::var("ENDPLATE_TEST_STORE").is_ok_and(|store| store == "postgres") {
        postgres().await
    } else {
        sqlite().await
    }
}

pub async fn sqlite() -> Arc<dyn Store> {
    open("sqlite::memory:").await.unwrap()
}

pub async fn postgres() -> Arc<dyn Store> {
    open(&endplate_tests::postgres::database().await).await.unwrap()
}
