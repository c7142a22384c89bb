//! A hot standby that is asked what may be some moments behind, and passed over while it does not answer.

use super::page;
use endplate_fhir::search::Query;
use endplate_followup::ports::{Page, StoreError};
use sqlx::postgres::{PgConnectOptions, PgPool, PgPoolOptions};
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// How long an answer is waited for: the database itself has to answer within what is left.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(5);
/// How long a connection is waited for. Whoever is not there at all is often silent, not refusing.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(1);

/// It answers.
const HERE: u8 = 0;
/// It did not answer.
const AWAY: u8 = 1;
/// It did not answer, and is being asked whether it does now.
const ASKED: u8 = 2;

#[derive(Debug)]
pub(super) struct Replica {
    pools: PgPoolOptions,
    server: PgConnectOptions,
    /// Another one after each failure: a connection to whoever is silent stays taken until the system gives it up.
    pool: Mutex<PgPool>,
    state: Arc<AtomicU8>,
}

impl Replica {
    /// The server need not be there now.
    pub(super) fn of(pools: PgPoolOptions, server: PgConnectOptions) -> Self {
        let pools = pools.min_connections(0).acquire_timeout(ACQUIRE_TIMEOUT);
        let pool = Mutex::new(pools.clone().connect_lazy_with(server.clone()));
        Self { pools, server, pool, state: Arc::new(AtomicU8::new(HERE)) }
    }

    fn pool(&self) -> PgPool {
        self.pool.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The page of a query; none where the database itself is to be asked.
    pub(super) async fn search(&self, query: &Query) -> Option<Result<Page, StoreError>> {
        if self.state.load(Ordering::Acquire) != HERE {
            self.look_for();
            return None;
        }
        let problem = match tokio::time::timeout(ANSWER_TIMEOUT, page::search(&self.pool(), query)).await {
            Ok(Err(StoreError::Failed { context, source })) => format!("{context}: {source}"),
            Ok(done) => return Some(done),
            Err(_) => "no answer in time".to_owned(),
        };
        // Of those who wait at the same time, the first one says so.
        if self.state.compare_exchange(HERE, AWAY, Ordering::AcqRel, Ordering::Acquire).is_ok() {
            tracing::warn!(error = %problem, "the replica failed and the database is asked until it answers again");
            *self.pool.lock().unwrap_or_else(PoisonError::into_inner) =
                self.pools.clone().connect_lazy_with(self.server.clone());
        }
        None
    }

    /// Asks whether it answers now, beside what is going on; one question at a time.
    fn look_for(&self) {
        let begun = self.state.compare_exchange(AWAY, ASKED, Ordering::AcqRel, Ordering::Acquire);
        if begun.is_err() {
            return;
        }
        let (pool, state) = (self.pool(), Arc::clone(&self.state));
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
