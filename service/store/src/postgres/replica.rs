//! A hot standby that is asked what may be some moments behind, and passed over while it does not answer.

use super::page;
use endplate_fhir::search::Query;
use endplate_followup::ports::{Page, StoreError};
use sqlx::postgres::PgPool;
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::time::Duration;

/// How long an answer is waited for: the database itself has to answer within what is left.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(5);
/// How long a connection is waited for. Whoever is not there at all is often silent, not refusing.
pub(super) const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(1);

/// It answers.
const HERE: u8 = 0;
/// It did not answer.
const AWAY: u8 = 1;
/// It did not answer, and is being asked whether it does now.
const ASKED: u8 = 2;

#[derive(Debug)]
pub(super) struct Replica {
    pool: PgPool,
    state: Arc<AtomicU8>,
}

impl Replica {
    pub(super) fn of(pool: PgPool) -> Self {
        Self { pool, state: Arc::new(AtomicU8::new(HERE)) }
    }

    /// The page of a query; none where the database itself is to be asked.
    pub(super) async fn search(&self, query: &Query) -> Option<Result<Page, StoreError>> {
        if self.state.load(Ordering::Acquire) != HERE {
            self.look_for();
            return None;
        }
        let problem = match tokio::time::timeout(ANSWER_TIMEOUT, page::search(&self.pool, query)).await {
            Ok(Err(StoreError::Failed { context, source })) => format!("{context}: {source}"),
            Ok(done) => return Some(done),
            Err(_) => "no answer in time".to_owned(),
        };
        tracing::warn!(error = %problem, "the replica failed and the database is asked until it answers again");
        self.state.store(AWAY, Ordering::Release);
        None
    }

    /// Asks whether it answers now, beside what is going on; one question at a time.
    fn look_for(&self) {
        let begun = self.state.compare_exchange(AWAY, ASKED, Ordering::AcqRel, Ordering::Acquire);
        if begun.is_err() {
            return;
        }
        let (pool, state) = (self.pool.clone(), Arc::clone(&self.state));
        tokio::spawn(async move {
            let asked = sqlx::query("select 1").execute(&pool);
            let is_here = matches!(tokio::time::timeout(ANSWER_TIMEOUT, asked).await, Ok(Ok(_)));
            if is_here {
                tracing::info!("the replica answers again");
            }
            state.store(if is_here { HERE } else { AWAY }, Ordering::Release);
        });
    }
}
