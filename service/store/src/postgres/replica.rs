//! A hot standby that is asked what may be some moments behind. It is asked only while it is known to have what stood in the database a
//! short while ago: one that does not answer, no longer follows, or follows another database is passed over, and the database itself is
//! asked.

use super::page;
use endplate_fhir::search::Query;
use endplate_followup::ports::{Page, StoreError};
use sqlx::Row;
use sqlx::postgres::{PgConnectOptions, PgPool, PgPoolOptions};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::time::{Instant, sleep, timeout};

/// How long an answer is waited for: the database itself has to answer within what is left.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(5);
/// How long a connection is waited for. Whoever is not there at all is often silent, not refusing.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(1);
/// How often it is compared with the database while somebody asks for it: this part of what it may be behind.
const COMPARED_IN: u32 = 6;
/// How often it is asked whether it has come to where the database was.
const LOOKED_AFTER: Duration = Duration::from_millis(200);

/// Where the log of the database is, and which database this is.
const HERE: &str = "select pg_current_wal_lsn()::text, (select system_identifier from pg_control_system()), \
    (select oid::bigint from pg_database where datname = current_database())";
/// Whether that is on the standby, and which database it is there.
const THERE: &str = "select coalesce(pg_last_wal_replay_lsn() >= $1::pg_lsn, false), (select system_identifier from pg_control_system()), \
    (select oid::bigint from pg_database where datname = current_database()), pg_is_in_recovery()";

#[derive(Debug)]
pub(super) struct Replica {
    /// The database that it follows.
    database: PgPool,
    pools: PgPoolOptions,
    server: PgConnectOptions,
    /// How far behind it may be.
    lag_max: Duration,
    known: Mutex<Known>,
}

#[derive(Debug)]
struct Known {
    /// It has everything that was committed before then.
    until: Option<Instant>,
    is_compared: bool,
    /// Whether somebody was told that it is passed over.
    is_told: bool,
    /// Another one after each failure: a connection to whoever is silent stays taken until the system gives it up.
    pool: PgPool,
}

impl Replica {
    /// The server need not be there now.
    pub(super) fn of(
        database: PgPool,
        pools: PgPoolOptions,
        server: PgConnectOptions,
        lag_max: Duration,
    ) -> Arc<Self> {
        let pools = pools.min_connections(0).acquire_timeout(ACQUIRE_TIMEOUT);
        let pool = pools.clone().connect_lazy_with(server.clone());
        let known = Mutex::new(Known { until: None, is_compared: false, is_told: false, pool });
        Arc::new(Self { database, pools, server, lag_max, known })
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether it is asked: it was found to have everything up to a short while ago. Finds out again, beside what is going on, one
    /// comparison at a time.
    pub(super) fn is_asked(self: &Arc<Self>) -> bool {
        self.current().is_some()
    }

    /// Its connections, while it is asked.
    fn current(self: &Arc<Self>) -> Option<PgPool> {
        let mut known = self.known();
        let behind = known.until.map(|until| until.elapsed());
        if !known.is_compared && behind.is_none_or(|behind| behind >= self.lag_max / COMPARED_IN) {
            known.is_compared = true;
            let replica = Arc::clone(self);
            tokio::spawn(async move { replica.compare().await });
        }
        behind.filter(|behind| *behind <= self.lag_max).map(|_| known.pool.clone())
    }

    /// The page of a query; none where the database itself is to be asked.
    pub(super) async fn search(self: &Arc<Self>, query: &Query) -> Option<Result<Page, StoreError>> {
        let pool = self.current()?;
        let problem = match timeout(ANSWER_TIMEOUT, page::search(&pool, query)).await {
            Ok(Err(StoreError::Failed { context, source })) => format!("{context}: {source}"),
            Ok(done) => return Some(done),
            Err(_) => "no answer in time".to_owned(),
        };
        self.pass_over(&problem, true);
        None
    }

    /// From now on the database is asked. Of those who find that at the same time, the first one says so.
    fn pass_over(&self, problem: &str, is_broken: bool) {
        let mut known = self.known();
        if !known.is_told {
            known.is_told = true;
            tracing::warn!(error = %problem, "the replica is passed over and the database is asked until it is as it should be");
        }
        known.until = None;
        if is_broken {
            known.pool = self.pools.clone().connect_lazy_with(self.server.clone());
        }
    }

    /// Finds out until when it has everything: it must come to where the database is now.
    async fn compare(&self) {
        let (since, pool) = (Instant::now(), self.known().pool.clone());
        let outcome = self.follows(since, &pool).await;
        let mut known = self.known();
        known.is_compared = false;
        match outcome {
            Ok(()) => {
                known.until = Some(since);
                if std::mem::take(&mut known.is_told) {
                    tracing::info!("the replica is asked again");
                }
            }
            Err((problem, is_broken)) => {
                drop(known);
                self.pass_over(&problem, is_broken);
            }
        }
    }

    /// Why it does not, and whether its connections are to be made anew.
    async fn follows(&self, since: Instant, pool: &PgPool) -> Result<(), (String, bool)> {
        let late = |_| ("no answer in time".to_owned(), true);
        let failed = |error: sqlx::Error| (error.to_string(), true);
        let ours = |error: sqlx::Error| (format!("the database does not tell where it is: {error}"), false);
        let here = timeout(ANSWER_TIMEOUT, sqlx::raw_sql(HERE).fetch_one(&self.database));
        let here = here.await.map_err(late)?.map_err(ours)?;
        let place: String = here.try_get(0).map_err(ours)?;
        let database: (i64, i64) = (here.try_get(1).map_err(ours)?, here.try_get(2).map_err(ours)?);
        loop {
            let there = timeout(ANSWER_TIMEOUT, sqlx::query_as(THERE).bind(&place).fetch_one(pool));
            let (has_come, system, oid, is_standby): (bool, i64, i64, bool) =
                there.await.map_err(late)?.map_err(failed)?;
            if (system, oid) != database || !is_standby {
                return Err(("it is no standby of the store's database".to_owned(), false));
            }
            if has_come {
                return Ok(());
            }
            if since.elapsed() > self.lag_max {
                return Err((format!("it is more than {} s behind", self.lag_max.as_secs_f64()), false));
            }
            sleep(LOOKED_AFTER).await;
        }
    }
}
