//! The one writer. It takes what is waiting, applies all of it in one transaction, and makes it durable with one commit
//! before it answers any. A write is refused before it has written anything; if one fails, all are taken back and each is
//! tried again in a transaction of its own.

use super::recent::Recent;
use super::{day, failed, number};
use crate::sql::history;
use crate::sql::row::Rows;
use endplate_followup::ports::{Changeset, Deed, Event, Put, Settlement, StoreError};
use jiff::Timestamp;
use sqlx::sqlite::SqliteConnection;
use sqlx::{QueryBuilder, Sqlite};
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};

/// Writes that may wait; the next one waits to wait.
const WAITING_MAX: usize = 256;
/// Writes made durable together.
const TOGETHER_MAX: usize = 64;
/// Rows in one insert; SQLite takes 32,766 parameters.
const ROWS_MAX: usize = 2_000;

/// What a write is.
enum Work {
    Commit(Box<Changeset>),
    Settle(Box<(Event, Timestamp, Settlement)>),
}

impl Work {
    fn puts(&self) -> &[Put] {
        match self {
            Self::Commit(change) => &change.puts,
            Self::Settle(_) => &[],
        }
    }
}

/// A write that waits, and who waits for it.
struct Job {
    work: Work,
    answer: oneshot::Sender<Result<(), StoreError>>,
}

/// The way to the writer.
#[derive(Clone, Debug)]
pub(super) struct Writer {
    jobs: mpsc::Sender<Job>,
}

impl Writer {
    /// Starts the writer on its own connection.
    pub(super) fn start(connection: SqliteConnection, recent: Option<Arc<Recent>>) -> Self {
        let (jobs, waiting) = mpsc::channel(WAITING_MAX);
        tokio::spawn(run(connection, waiting, recent));
        Self { jobs }
    }

    pub(super) async fn commit(&self, change: Changeset) -> Result<(), StoreError> {
        self.send(Work::Commit(Box::new(change))).await
    }

    pub(super) async fn settle(
        &self,
        event: Event,
        at: Timestamp,
        settlement: Settlement,
    ) -> Result<(), StoreError> {
        self.send(Work::Settle(Box::new((event, at, settlement)))).await
    }

    /// Whether the writer is there.
    pub(super) fn check(&self) -> Result<(), StoreError> {
        if self.jobs.is_closed() { Err(gone()) } else { Ok(()) }
    }

    async fn send(&self, work: Work) -> Result<(), StoreError> {
        let (answer, answered) = oneshot::channel();
        self.jobs.send(Job { work, answer }).await.map_err(|_| gone())?;
        answered.await.map_err(|_| gone())?
    }
}

fn gone() -> StoreError {
    StoreError::Failed { context: "reaching the writer", source: "the writer has stopped".into() }
}

/// Serves until nobody can ask any more.
async fn run(
    mut connection: SqliteConnection,
    mut waiting: mpsc::Receiver<Job>,
    recent: Option<Arc<Recent>>,
) {
    let mut jobs = Vec::with_capacity(TOGETHER_MAX);
    while waiting.recv_many(&mut jobs, TOGETHER_MAX).await > 0 {
        together(&mut connection, &mut jobs, recent.as_deref()).await;
    }
}

/// Applies and answers all jobs: in one transaction, or, where that fails, each in its own.
async fn together(connection: &mut SqliteConnection, jobs: &mut Vec<Job>, recent: Option<&Recent>) {
    let mut size = jobs.len();
    while !jobs.is_empty() {
        if let Err(error) = execute(connection, "begin immediate", "beginning a write").await {
            return fail(jobs.drain(..), &error);
        }
        // Nobody else can write from here to the commit.
        let mark = recent.and_then(Recent::mark);
        let size_now = size.min(jobs.len());
        match apply(connection, jobs.iter().take(size_now)).await {
            Ok(answers) => {
                if let Some(recent) = recent {
                    recent.committed(mark, jobs.iter().take(size_now).flat_map(|job| job.work.puts()));
                }
                for (job, answer) in jobs.drain(..size_now).zip(answers) {
                    // Whoever no longer waits does not need the answer.
                    let _ = job.answer.send(answer);
                }
            }
            Err(error) => {
                // SQLite itself may have taken the transaction back, as it does where the disk is full.
                if let Err(again) = execute(connection, "rollback", "taking a write back").await {
                    tracing::debug!(error = %again, "nothing to take back");
                }
                if size_now == 1 {
                    fail(jobs.drain(..1), &error);
                }
                size = 1;
            }
        }
    }
}

/// Applies jobs and commits; gives what each is to be answered. An error means that none of them may stand.
async fn apply(
    connection: &mut SqliteConnection,
    jobs: impl Iterator<Item = &Job>,
) -> Result<Vec<Result<(), StoreError>>, StoreError> {
    let mut answers = Vec::new();
    for job in jobs {
        let answer = match &job.work {
            Work::Commit(change) => commit(connection, change).await,
            Work::Settle(settled) => {
                super::outbox::settle(connection, &settled.0, settled.1, &settled.2).await
            }
        };
        match answer {
            Ok(()) | Err(StoreError::Moved) => answers.push(answer),
            Err(error) => return Err(error),
        }
    }
    execute(connection, "commit", "making a write durable").await?;
    Ok(answers)
}

/// Tells all of these that the same thing failed.
fn fail(jobs: impl Iterator<Item = Job>, error: &StoreError) {
    let (context, text) = match error {
        StoreError::Failed { context, source } => (*context, source.to_string()),
        StoreError::Moved => ("making a write durable", error.to_string()),
    };
    for job in jobs {
        let source = text.clone().into();
        let _ = job.answer.send(Err(StoreError::Failed { context, source }));
    }
}

async fn execute(
    connection: &mut SqliteConnection,
    sql: &'static str,
    context: &'static str,
) -> Result<(), StoreError> {
    sqlx::query(sql).execute(connection).await.map(|_| ()).map_err(failed(context))
}

/// Applies one changeset, or refuses it before anything is written.
async fn commit(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    let keys = check(connection, change).await?;
    move_scopes(connection, change).await?;
    for (puts, keys) in change.puts.chunks(ROWS_MAX).zip(keys.chunks(ROWS_MAX)) {
        put(connection, puts, keys).await?;
        forget(connection, puts, keys).await?;
        index(connection, puts, keys).await?;
    }
    super::outbox::raise(connection, &change.notices, change.at.unwrap_or(Timestamp::UNIX_EPOCH)).await?;
    for agenda in &change.agenda {
        let (sql, due) = match agenda.due_on {
            Some(on) => (
                "insert into agenda (patient, due_day) values (?1, ?2) on conflict (patient) do update set due_day = ?2",
                Some(day(on)),
            ),
            None => ("delete from agenda where patient = ?1 and ?2 is null", None),
        };
        let done = sqlx::query(sql).bind(&agenda.patient).bind(due).execute(&mut *connection).await;
        done.map_err(failed("writing the agenda"))?;
    }
    Ok(())
}

/// Refuses if a counter has moved, or if the current version of a resource is not the one before that which is to be written.
/// Gives the key of each put's resource; a new resource gets the next one.
async fn check(connection: &mut SqliteConnection, change: &Changeset) -> Result<Vec<i64>, StoreError> {
    const CONTEXT: &str = "checking what a write rests on";
    let rested_on = change.scopes.iter().chain(&change.reads);
    let scopes: Vec<_> = rested_on.map(|scope| (&scope.key, number(scope.generation))).collect();
    let names: Vec<_> = change.puts.iter().map(|put| (&put.stored.kind, &put.stored.id)).collect();
    // One row, since each row costs a change of threads.
    let (moved, mut last, known): (i64, i64, String) = sqlx::query_as(
        "select \
         (select count(*) from json_each(?1) j left join scope s on s.key = j.value ->> 0 \
             where coalesce(s.generation, 0) <> j.value ->> 1), \
         (select coalesce(max(key), 0) from resource), \
         (select json_group_array(json_array(r.key, coalesce(r.version, 0)) order by j.key) \
             from json_each(?2) j left join resource r on r.kind = j.value ->> 0 and r.id = j.value ->> 1)",
    )
    .bind(serde_json::to_string(&scopes).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&names).map_err(unsaid(CONTEXT))?)
    .fetch_one(connection)
    .await
    .map_err(failed(CONTEXT))?;
    let known: Vec<(Option<i64>, u64)> = serde_json::from_str(&known).map_err(unsaid(CONTEXT))?;
    let before = |put: &Put| put.stored.version.checked_sub(1);
    if moved > 0 || change.puts.iter().zip(&known).any(|(put, known)| before(put) != Some(known.1)) {
        return Err(StoreError::Moved);
    }
    let mut next = || {
        last += 1;
        last
    };
    Ok(known.into_iter().map(|(key, _)| key.unwrap_or_else(&mut next)).collect())
}

/// Moves each counter by one.
async fn move_scopes(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    const CONTEXT: &str = "moving counters";
    if change.scopes.is_empty() {
        return Ok(());
    }
    let moved: Vec<_> =
        change.scopes.iter().map(|scope| (&scope.key, number(scope.generation).saturating_add(1))).collect();
    sqlx::query(
        "insert into scope (key, generation) select value ->> 0, value ->> 1 from json_each(?) where true \
         on conflict (key) do update set generation = excluded.generation",
    )
    .bind(serde_json::to_string(&moved).map_err(unsaid(CONTEXT))?)
    .execute(connection)
    .await
    .map(|_| ())
    .map_err(failed(CONTEXT))
}

/// Writes versions and makes them current.
async fn put(connection: &mut SqliteConnection, puts: &[Put], keys: &[i64]) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing resources";
    let current: Vec<_> = puts
        .iter()
        .zip(keys)
        .map(|(Put { stored, deed, patient, .. }, key)| {
            let deleted = i64::from(*deed == Deed::Deleted);
            (
                key,
                &stored.kind,
                &stored.id,
                number(stored.version),
                stored.at.as_millisecond(),
                patient,
                deleted,
            )
        })
        .collect();
    sqlx::query(
        "insert into resource (key, kind, id, version, at_ms, patient, deleted) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5, value ->> 6 \
         from json_each(?) where true \
         on conflict (key) do update set version = excluded.version, at_ms = excluded.at_ms, \
         patient = excluded.patient, deleted = excluded.deleted",
    )
    .bind(serde_json::to_string(&current).map_err(unsaid(CONTEXT))?)
    .execute(&mut *connection)
    .await
    .map_err(failed(CONTEXT))?;
    let mut insert: QueryBuilder<Sqlite> =
        QueryBuilder::new("insert into resource_version (resource, version, at_ms, body, deed) ");
    insert.push_values(puts.iter().zip(keys), |mut row, (put, key)| {
        row.push_bind(key)
            .push_bind(number(put.stored.version))
            .push_bind(put.stored.at.as_millisecond())
            .push_bind(&put.stored.body)
            .push_bind(history::number_of(put.deed));
    });
    insert.build().execute(connection).await.map(|_| ()).map_err(failed(CONTEXT))
}

/// Takes away what the versions before could be found by.
async fn forget(connection: &mut SqliteConnection, puts: &[Put], keys: &[i64]) -> Result<(), StoreError> {
    const CONTEXT: &str = "replacing index rows";
    let known = puts.iter().zip(keys).filter(|(put, _)| put.stored.version > 1);
    let old: Vec<i64> = known.map(|(_, key)| *key).collect();
    if old.is_empty() {
        return Ok(());
    }
    let old = serde_json::to_string(&old).map_err(unsaid(CONTEXT))?;
    let delete = sqlx::query(
        "delete from token_row where resource in (select value from json_each(?)); \
         delete from reference_row where resource in (select value from json_each(?)); \
         delete from date_row where resource in (select value from json_each(?)); \
         delete from text_row where resource in (select value from json_each(?)); \
         delete from quantity_row where resource in (select value from json_each(?))",
    );
    let delete = delete.bind(&old).bind(&old).bind(&old).bind(&old).bind(&old);
    delete.execute(connection).await.map(|_| ()).map_err(failed(CONTEXT))
}

/// Adds what the new versions can be found by.
async fn index(connection: &mut SqliteConnection, puts: &[Put], keys: &[i64]) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing index rows";
    let Rows { tokens, references, dates, texts, quantities } = Rows::of(puts, keys);
    sqlx::query(
        "insert or ignore into token_row (param, code, system, resource) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into reference_row (param, id, kind, resource) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into date_row (param, start_ms, end_ms, resource) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into text_row (param, value, exact, resource) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into quantity_row (param, low, high, code, system, unit, resource) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5, value ->> 6 \
         from json_each(?)",
    )
    .bind(serde_json::to_string(&tokens).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&references).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&dates).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&texts).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&quantities).map_err(unsaid(CONTEXT))?)
    .execute(connection)
    .await
    .map(|_| ())
    .map_err(failed(CONTEXT))
}

/// What could not be written as JSON for a statement.
pub(super) fn unsaid(context: &'static str) -> impl Fn(serde_json::Error) -> StoreError {
    move |source| StoreError::Failed { context, source: Box::new(source) }
}
