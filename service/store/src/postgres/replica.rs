//! A hot standby that is asked what may be some moments behind. It is asked only while it is known to have what stood in the database a
//! short while ago: one that does not answer, no longer follows, or follows another database is passed over, and the database itself is
//! asked.

use super::page;
use super::pool::Pool;
use endplate_fhir::search::Query;
use endplate_followup::ports::{Page, StoreError};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::Duration;
use tokio::time::{sleep, timeout};

/// How long an answer is waited for: the database itself has to answer within what is left.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(5);
/// How long a connection is waited for. Whoever is not there at all is often silent, not refusing.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(1);
/// How long it is not compared with the database again, though somebody asks for it: at most this part of what it may be behind.
const COMPARED_AFTER: Duration = Duration::from_secs(1);
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
    database: Pool,
    /// How far behind it may be.
    lag_max: Duration,
    known: Mutex<Known>,
    /// Another one after each failure: of one that was silent no connection is used again.
    pool: Mutex<Pool>,
}

#[derive(Debug, Default)]
struct Known {
    /// Which comparison found that it follows; none: it does not, or that was too long ago.
    found_by: Option<u64>,
    /// Comparisons begun.
    begun: u64,
    /// Whether one is under way, or was a moment ago.
    is_compared: bool,
    /// What the last comparison or search found; none: there was none.
    is_well: Option<bool>,
}

/// Why it is not known that it follows.
enum Problem {
    /// The database itself does not tell where it is: what was found before holds as long as it would have.
    Database(String),
    /// It is behind, or follows another one.
    Standby(String),
    /// It does not answer; its connections are to be made anew.
    Broken(String),
}

impl Replica {
    /// The server need not be there now.
    pub(super) fn of(database: Pool, standby: Pool, lag_max: Duration) -> Arc<Self> {
        let pool = Mutex::new(standby.within(ACQUIRE_TIMEOUT));
        Arc::new(Self { database, lag_max, known: Mutex::default(), pool })
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn pool(&self) -> Pool {
        self.pool.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Whether it is asked now: it was found to have everything up to a short while ago. Finds out again, beside what is going on, one
    /// comparison at a time.
    fn is_asked(self: &Arc<Self>) -> bool {
        let mut known = self.known();
        if !known.is_compared {
            known.is_compared = true;
            known.begun += 1;
            tokio::spawn(Self::compare(Arc::downgrade(self), self.lag_max, known.begun));
        }
        known.found_by.is_some()
    }

    /// Whether nothing is known against it: where nobody has searched for a while it is not asked at once, and well all the same.
    pub(super) fn is_well(self: &Arc<Self>) -> bool {
        self.is_asked() || self.known().is_well == Some(true)
    }

    /// The page of a query; none where the database itself is to be asked.
    pub(super) async fn search(self: &Arc<Self>, query: &Query) -> Option<Result<Page, StoreError>> {
        if !self.is_asked() {
            return None;
        }
        let problem = match timeout(ANSWER_TIMEOUT, page::search(&self.pool(), query)).await {
            Ok(Err(StoreError::Failed { context, source })) => format!("{context}: {source}"),
            Ok(done) => return Some(done),
            Err(_) => "no answer in time".to_owned(),
        };
        self.pass_over(&Problem::Broken(problem));
        None
    }

    /// From now on the database is asked. Of those who find that at the same time, the first one says so.
    fn pass_over(&self, problem: &Problem) {
        let (Problem::Database(text) | Problem::Standby(text) | Problem::Broken(text)) = problem;
        let mut known = self.known();
        if known.is_well.replace(false) != Some(false) {
            tracing::warn!(error = %text, "it is not known that the replica follows: without that the database is asked");
        }
        if !matches!(problem, Problem::Database(_)) {
            known.found_by = None;
        }
        if matches!(problem, Problem::Broken(_)) {
            let mut pool = self.pool.lock().unwrap_or_else(PoisonError::into_inner);
            *pool = pool.anew();
        }
    }

    /// Finds out whether it comes to where the database is now. That it does holds for as long as it may be behind, counted from here.
    /// The store may be closed meanwhile: then nothing is kept for the sake of this.
    async fn compare(replica: Weak<Self>, lag_max: Duration, number: u64) {
        let (again, over) = (sleep(COMPARED_AFTER.min(lag_max / COMPARED_IN)), sleep(lag_max));
        let late = || Problem::Standby(format!("it is more than {} s behind", lag_max.as_secs_f64()));
        let outcome = timeout(lag_max, Self::follows(&replica)).await.unwrap_or_else(|_| Err(late()));
        if let Some(here) = replica.upgrade() {
            here.pool().shrink();
            match outcome {
                Ok(()) => {
                    let mut known = here.known();
                    known.found_by = Some(number);
                    if known.is_well.replace(true) == Some(false) {
                        tracing::info!("the replica follows again");
                    }
                }
                Err(problem) => here.pass_over(&problem),
            }
        }
        again.await;
        if let Some(here) = replica.upgrade() {
            here.known().is_compared = false;
        }
        over.await;
        if let Some(here) = replica.upgrade() {
            let mut known = here.known();
            known.found_by = known.found_by.filter(|by| *by != number);
        }
    }

    /// Waits until it has come to where the database is.
    async fn follows(replica: &Weak<Self>) -> Result<(), Problem> {
        let late = |_| Problem::Broken("no answer in time".to_owned());
        let failed = |error: sqlx::Error| Problem::Broken(error.to_string());
        let ours = |error: sqlx::Error| {
            Problem::Database(format!("the database does not tell where it is: {error}"))
        };
        let Some(here) = replica.upgrade() else { return Ok(()) };
        let asked = sqlx::query_as(HERE).fetch_one(&here.database).await;
        let (place, system, oid): (String, i64, i64) = asked.map_err(ours)?;
        drop(here);
        while let Some(here) = replica.upgrade() {
            let pool = here.pool();
            drop(here);
            let there = timeout(ANSWER_TIMEOUT, sqlx::query_as(THERE).bind(&place).fetch_one(&pool));
            let (has_come, its_system, its_oid, is_standby): (bool, i64, i64, bool) =
                there.await.map_err(late)?.map_err(failed)?;
            drop(pool);
            if (its_system, its_oid) != (system, oid) || !is_standby {
                return Err(Problem::Standby("it is no standby of the store's database".to_owned()));
            }
            if has_come {
                break;
            }
            sleep(LOOKED_AFTER).await;
        }
        Ok(())
    }
}
