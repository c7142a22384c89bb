//! The one writer. It takes what is waiting, applies all of it in one transaction, and makes it durable with one commit
//! before it answers any. A write is refused before it has written anything; if one fails, all are taken back and each is
//! tried again in a transaction of its own.

use super::recent::Recent;
use super::{day, failed, number, outbox};
use crate::sql::history;
use crate::sql::row::Rows;
use endplate_followup::ports::{Attempt, Changeset, Deed, Link, Note, Put, Replay, StoreError};
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
pub(super) enum Work {
    Commit(Box<Changeset>),
    /// What became of a receiver's events.
    Settle(String, Vec<Attempt>),
    /// Dead letters of a receiver: what waits since before this instant, and why.
    Park(String, Timestamp, String),
    Replay(Replay, Timestamp),
    Note(Vec<Note>),
    /// Something that may be used once.
    Use {
        key: String,
        until: Timestamp,
        now: Timestamp,
    },
}

impl Work {
    fn puts(&self) -> &[Put] {
        match self {
            Self::Commit(change) => &change.puts,
            Self::Settle(..) | Self::Park(..) | Self::Replay(..) | Self::Note(_) | Self::Use { .. } => &[],
        }
    }
}

/// What a write is answered: of how many events it changed the state, where that is asked for.
type Answer = Result<u64, StoreError>;

/// A write that waits, and who waits for it.
struct Job {
    work: Work,
    answer: oneshot::Sender<Answer>,
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

    /// Whether the writer is there.
    pub(super) fn check(&self) -> Result<(), StoreError> {
        if self.jobs.is_closed() { Err(gone()) } else { Ok(()) }
    }

    /// Has it done, and waits until it is durable.
    pub(super) async fn send(&self, work: Work) -> Answer {
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
) -> Result<Vec<Answer>, StoreError> {
    let mut answers = Vec::new();
    for job in jobs {
        let answer = match &job.work {
            Work::Commit(change) => commit(connection, change).await.map(|()| 0),
            Work::Settle(receiver, attempts) => {
                outbox::settle(connection, receiver, attempts).await.map(|()| 0)
            }
            Work::Note(notes) => super::record::keep(connection, notes).await.map(|()| 0),
            Work::Park(receiver, before, reason) => outbox::park(connection, receiver, *before, reason).await,
            Work::Replay(which, now) => outbox::replay(connection, which, *now).await,
            Work::Use { key, until, now } => {
                super::access::use_once(connection, key, *until, *now).await.map(|()| 0)
            }
        };
        match answer {
            Ok(_) | Err(StoreError::Moved) => answers.push(answer),
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
    let puts: Vec<&Put> = change.puts.iter().chain(&change.audit).collect();
    let Facts { keys, head } = check(connection, change, &puts).await?;
    move_scopes(connection, change).await?;
    for (puts, keys) in puts.chunks(ROWS_MAX).zip(keys.chunks(ROWS_MAX)) {
        put(connection, puts, keys).await?;
        index(connection, puts, keys).await?;
    }
    let audited = keys.get(change.puts.len()..).unwrap_or_default();
    super::chain::append(connection, head, &change.audit, audited).await?;
    outbox::raise(connection, &change.notices, change.at.unwrap_or(Timestamp::UNIX_EPOCH)).await?;
    outbox::arrange(connection, change).await?;
    super::access::keep(connection, &change.makers).await?;
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

/// What a write is told before it writes.
struct Facts {
    /// The key of each put's resource; a new resource gets the next one.
    keys: Vec<i64>,
    /// The last link of the chain of AuditEvents.
    head: Option<Link>,
}

/// Refuses if a counter has moved, or if the current version of a resource is not the one before that which is to be written.
async fn check(
    connection: &mut SqliteConnection,
    change: &Changeset,
    puts: &[&Put],
) -> Result<Facts, StoreError> {
    const CONTEXT: &str = "checking what a write rests on";
    let rested_on = change.scopes.iter().chain(&change.reads);
    let scopes: Vec<_> = rested_on.map(|scope| (&scope.key, number(scope.generation))).collect();
    let names: Vec<_> = puts.iter().map(|put| (&put.stored.kind, &put.stored.id)).collect();
    // One row, since each row costs a change of threads.
    let (moved, mut last, known, number_of_head, hash): (i64, i64, String, i64, String) = sqlx::query_as(
        "select \
         (select count(*) from json_each(?1) j left join scope s on s.key = j.value ->> 0 \
             where coalesce(s.generation, 0) <> j.value ->> 1), \
         (select coalesce(max(key), 0) from resource), \
         (select json_group_array(json_array(r.key, coalesce(r.version, 0)) order by j.key) \
             from json_each(?2) j left join resource r on r.kind = j.value ->> 0 and r.id = j.value ->> 1), \
         (select coalesce(max(number), 0) from audit_link), \
         coalesce((select hash from audit_link order by number desc limit 1), '')",
    )
    .bind(serde_json::to_string(&scopes).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&names).map_err(unsaid(CONTEXT))?)
    .fetch_one(connection)
    .await
    .map_err(failed(CONTEXT))?;
    let known: Vec<(Option<i64>, u64)> = serde_json::from_str(&known).map_err(unsaid(CONTEXT))?;
    let before = |put: &Put| put.stored.version.checked_sub(1);
    if moved > 0 || puts.iter().zip(&known).any(|(put, known)| before(put) != Some(known.1)) {
        return Err(StoreError::Moved);
    }
    let mut next = || {
        last += 1;
        last
    };
    let keys = known.into_iter().map(|(key, _)| key.unwrap_or_else(&mut next)).collect();
    let head = (number_of_head > 0).then(|| Link { number: number_of_head.unsigned_abs(), hash });
    Ok(Facts { keys, head })
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
async fn put(connection: &mut SqliteConnection, puts: &[&Put], keys: &[i64]) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing resources";
    let current: Vec<_> = puts
        .iter()
        .zip(keys)
        .map(|(&Put { stored, deed, patient, .. }, key)| {
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

/// Each table's rows as SQL takes them: a JSON array of arrays, in the order of its columns.
fn told(rows: &Rows<'_>) -> Result<[String; 5], serde_json::Error> {
    use serde_json::to_string;
    Ok([
        to_string(&rows.tokens)?,
        to_string(&rows.references)?,
        to_string(&rows.dates)?,
        to_string(&rows.texts)?,
        to_string(&rows.quantities)?,
    ])
}

/// Makes these versions what their resources are found by. A row that stays is not touched: most of a new version is as it was,
/// and each page that changes is written to the disk.
async fn index(connection: &mut SqliteConnection, puts: &[&Put], keys: &[i64]) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing index rows";
    let rows = told(&Rows::of(puts, keys)).map_err(unsaid(CONTEXT))?;
    let known = puts.iter().zip(keys).filter(|(put, _)| put.stored.version > 1);
    let known: Vec<i64> = known.map(|(_, key)| *key).collect();
    if !known.is_empty() {
        let known = serde_json::to_string(&known).map_err(unsaid(CONTEXT))?;
        let mut delete = sqlx::query(
            "delete from token_row where resource in (select value from json_each(?)) and (param, code, system, resource) \
             not in (select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?)); \
             delete from reference_row where resource in (select value from json_each(?)) and (param, id, kind, resource) \
             not in (select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?)); \
             delete from date_row where resource in (select value from json_each(?)) and (param, start_ms, end_ms, resource) \
             not in (select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?)); \
             delete from text_row where resource in (select value from json_each(?)) and (param, value, exact, resource) \
             not in (select j.value ->> 0, j.value ->> 1, j.value ->> 2, j.value ->> 3 from json_each(?) j); \
             delete from quantity_row where resource in (select value from json_each(?)) \
             and (param, low, high, code, system, unit, resource) not in (select value ->> 0, value ->> 1, value ->> 2, \
             value ->> 3, value ->> 4, value ->> 5, value ->> 6 from json_each(?))",
        );
        for rows in &rows {
            delete = delete.bind(&known).bind(rows);
        }
        delete.execute(&mut *connection).await.map_err(failed(CONTEXT))?;
    }
    let mut insert = sqlx::query(
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
    );
    for rows in &rows {
        insert = insert.bind(rows);
    }
    insert.execute(connection).await.map(|_| ()).map_err(failed(CONTEXT))
}

/// What could not be written as JSON for a statement.
pub(super) fn unsaid(context: &'static str) -> impl Fn(serde_json::Error) -> StoreError {
    move |source| StoreError::Failed { context, source: Box::new(source) }
}
