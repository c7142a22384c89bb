//! The one writer. It takes what is waiting, applies each write in its own savepoint, and makes all of them durable with one
//! commit before it answers any. A write that is refused takes back its savepoint and nothing else.

use super::{day, failed, number};
use endplate_fhir::index::IndexValue;
use endplate_followup::ports::{Changeset, Event, Put, Settlement, StoreError};
use jiff::Timestamp;
use serde_json::json;
use sqlx::sqlite::SqliteConnection;
use sqlx::{QueryBuilder, Row, Sqlite};
use std::collections::HashMap;
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
    pub(super) fn start(connection: SqliteConnection) -> Self {
        let (jobs, waiting) = mpsc::channel(WAITING_MAX);
        tokio::spawn(run(connection, waiting));
        Self { jobs }
    }

    pub(super) async fn commit(&self, change: Changeset) -> Result<(), StoreError> {
        self.send(Work::Commit(Box::new(change))).await
    }

    pub(super) async fn settle(&self, event: Event, at: Timestamp, settlement: Settlement) -> Result<(), StoreError> {
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
async fn run(mut connection: SqliteConnection, mut waiting: mpsc::Receiver<Job>) {
    let mut jobs = Vec::with_capacity(TOGETHER_MAX);
    while waiting.recv_many(&mut jobs, TOGETHER_MAX).await > 0 {
        together(&mut connection, &mut jobs).await;
    }
}

/// Applies all jobs, makes them durable with one commit, and answers.
async fn together(connection: &mut SqliteConnection, jobs: &mut Vec<Job>) {
    if let Err(error) = execute(connection, "begin immediate", "beginning a write").await {
        return fail(jobs, &error);
    }
    match apply(connection, jobs).await {
        Ok(answers) => {
            for (job, answer) in jobs.drain(..).zip(answers) {
                // Whoever no longer waits does not need the answer.
                let _ = job.answer.send(answer);
            }
        }
        Err(error) => {
            // The transaction may be open still or gone already; taking it back is right in either case.
            if let Err(again) = execute(connection, "rollback", "taking a write back").await {
                tracing::debug!(error = %again, "nothing to take back");
            }
            fail(jobs, &error);
        }
    }
}

/// Applies all jobs and commits; gives what each is to be answered. An error means that none of them may stand.
async fn apply(connection: &mut SqliteConnection, jobs: &[Job]) -> Result<Vec<Result<(), StoreError>>, StoreError> {
    let mut answers = Vec::with_capacity(jobs.len());
    for job in jobs {
        answers.push(in_savepoint(connection, &job.work).await?);
    }
    execute(connection, "commit", "making a write durable").await?;
    Ok(answers)
}

/// Tells everybody that the same thing failed.
fn fail(jobs: &mut Vec<Job>, error: &StoreError) {
    let text = match error {
        StoreError::Failed { source, .. } => source.to_string(),
        StoreError::Moved => error.to_string(),
    };
    for job in jobs.drain(..) {
        let source = text.clone().into();
        let _ = job.answer.send(Err(StoreError::Failed { context: "making a write durable", source }));
    }
}

async fn execute(connection: &mut SqliteConnection, sql: &'static str, context: &'static str) -> Result<(), StoreError> {
    sqlx::query(sql).execute(connection).await.map(|_| ()).map_err(failed(context))
}

/// Applies one job; gives what it is to be answered. An error means that its savepoint is lost: where SQLite meets a full or
/// failing disk it may take back the whole transaction by itself, and whatever followed would be written outside of one.
async fn in_savepoint(
    connection: &mut SqliteConnection,
    work: &Work,
) -> Result<Result<(), StoreError>, StoreError> {
    execute(connection, "savepoint one", "beginning a write").await?;
    let result = match work {
        Work::Commit(change) => commit(connection, change).await,
        Work::Settle(settled) => super::outbox::settle(connection, &settled.0, settled.1, &settled.2).await,
    };
    if result.is_err() {
        execute(connection, "rollback to one", "taking a write back").await?;
    }
    execute(connection, "release one", "ending a write").await?;
    Ok(result)
}

/// Applies one changeset.
async fn commit(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    move_scopes(connection, change).await?;
    if !change.puts.is_empty() {
        check_versions(connection, change).await?;
        put(connection, change).await?;
    }
    for notice in &change.notices {
        super::outbox::raise(connection, notice, change.at.unwrap_or(Timestamp::UNIX_EPOCH)).await?;
    }
    for agenda in &change.agenda {
        let (sql, due) = match agenda.due_on {
            Some(on) => ("insert into agenda (patient, due_day) values (?1, ?2) on conflict (patient) do update set due_day = ?2", Some(day(on))),
            None => ("delete from agenda where patient = ?1 and ?2 is null", None),
        };
        let done = sqlx::query(sql).bind(&agenda.patient).bind(due).execute(&mut *connection).await;
        done.map_err(failed("writing the agenda"))?;
    }
    Ok(())
}

/// Refuses if a counter has moved, and moves each by one.
async fn move_scopes(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    const CONTEXT: &str = "moving counters";
    for scope in &change.scopes {
        let now: Option<i64> = sqlx::query_scalar("select generation from scope where key = ?")
            .bind(&scope.key)
            .fetch_optional(&mut *connection)
            .await
            .map_err(failed(CONTEXT))?;
        if now.unwrap_or(0) != number(scope.generation) {
            return Err(StoreError::Moved);
        }
        sqlx::query("insert into scope (key, generation) values (?1, 1) on conflict (key) do update set generation = generation + 1")
            .bind(&scope.key)
            .execute(&mut *connection)
            .await
            .map_err(failed(CONTEXT))?;
    }
    Ok(())
}

/// Refuses if the current version of a resource is not the one before that which is to be written.
async fn check_versions(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    let wanted: Vec<_> =
        change.puts.iter().map(|put| json!([put.stored.kind, put.stored.id, put.stored.version])).collect();
    let moved: i64 = sqlx::query_scalar(
        "select count(*) from json_each(?) j \
         left join resource r on r.kind = j.value ->> 0 and r.id = j.value ->> 1 \
         where coalesce(r.version, 0) <> (j.value ->> 2) - 1",
    )
    .bind(json!(wanted).to_string())
    .fetch_one(connection)
    .await
    .map_err(failed("checking versions"))?;
    if moved == 0 { Ok(()) } else { Err(StoreError::Moved) }
}

/// Writes versions, makes them current, and replaces what they can be found by.
async fn put(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing resources";
    let mut keys: HashMap<(String, String), i64> = HashMap::new();
    for puts in change.puts.chunks(ROWS_MAX) {
        let mut insert: QueryBuilder<Sqlite> =
            QueryBuilder::new("insert into resource_version (kind, id, version, at_ms, body) ");
        insert.push_values(puts, |mut row, put| {
            row.push_bind(&put.stored.kind)
                .push_bind(&put.stored.id)
                .push_bind(number(put.stored.version))
                .push_bind(put.stored.at.as_millisecond())
                .push_bind(&put.stored.body);
        });
        insert.build().execute(&mut *connection).await.map_err(failed(CONTEXT))?;
        let current: Vec<_> = puts
            .iter()
            .map(|put| json!([put.stored.kind, put.stored.id, put.stored.version, put.patient]))
            .collect();
        let rows = sqlx::query(
            "insert into resource (kind, id, version, at_ms, patient, body_key) \
             select v.kind, v.id, v.version, v.at_ms, j.value ->> 3, v.key from json_each(?) j \
             join resource_version v on v.kind = j.value ->> 0 and v.id = j.value ->> 1 and v.version = j.value ->> 2 \
             where true \
             on conflict (kind, id) do update set version = excluded.version, at_ms = excluded.at_ms, \
             patient = excluded.patient, body_key = excluded.body_key \
             returning kind, id, key",
        )
        .bind(json!(current).to_string())
        .fetch_all(&mut *connection)
        .await
        .map_err(failed(CONTEXT))?;
        for row in rows {
            let (kind, id) = (row.try_get(0).map_err(failed(CONTEXT))?, row.try_get(1).map_err(failed(CONTEXT))?);
            keys.insert((kind, id), row.try_get(2).map_err(failed(CONTEXT))?);
        }
    }
    forget(connection, &change.puts, &keys).await?;
    index(connection, &change.puts, &keys).await
}

/// Takes away what the versions before could be found by.
async fn forget(
    connection: &mut SqliteConnection,
    puts: &[Put],
    keys: &HashMap<(String, String), i64>,
) -> Result<(), StoreError> {
    let known = puts.iter().filter(|put| put.stored.version > 1);
    let old: Vec<i64> =
        known.filter_map(|put| keys.get(&(put.stored.kind.clone(), put.stored.id.clone())).copied()).collect();
    if old.is_empty() {
        return Ok(());
    }
    let old = json!(old).to_string();
    for sql in [
        "delete from token_row where resource in (select value from json_each(?))",
        "delete from reference_row where resource in (select value from json_each(?))",
        "delete from date_row where resource in (select value from json_each(?))",
        "delete from text_row where resource in (select value from json_each(?))",
    ] {
        sqlx::query(sql).bind(&old).execute(&mut *connection).await.map_err(failed("replacing index rows"))?;
    }
    Ok(())
}

/// Adds what the new versions can be found by.
async fn index(
    connection: &mut SqliteConnection,
    puts: &[Put],
    keys: &HashMap<(String, String), i64>,
) -> Result<(), StoreError> {
    let (mut tokens, mut references, mut dates, mut texts) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for put in puts {
        let Some(key) = keys.get(&(put.stored.kind.clone(), put.stored.id.clone())) else { continue };
        for row in &put.rows {
            let param = format!("{}.{}", put.stored.kind, row.param);
            match &row.value {
                IndexValue::Token { system, code } => {
                    tokens.push(json!([param, code, system.as_deref().unwrap_or_default(), key]));
                }
                IndexValue::Reference { kind, id } => references.push(json!([param, id, kind, key])),
                IndexValue::Date { start_ms, end_ms } => dates.push(json!([param, start_ms, end_ms, key])),
                IndexValue::Text(value) => texts.push(json!([param, value, key])),
            }
        }
    }
    let inserts = [
        (
            "insert or ignore into token_row (param, code, system, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?)",
            tokens,
        ),
        (
            "insert or ignore into reference_row (param, id, kind, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?)",
            references,
        ),
        (
            "insert or ignore into date_row (param, start_ms, end_ms, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?)",
            dates,
        ),
        (
            "insert or ignore into text_row (param, value, resource) \
             select value ->> 0, value ->> 1, value ->> 2 from json_each(?)",
            texts,
        ),
    ];
    for (sql, rows) in inserts {
        if !rows.is_empty() {
            let rows = json!(rows).to_string();
            sqlx::query(sql).bind(rows).execute(&mut *connection).await.map_err(failed("writing index rows"))?;
        }
    }
    Ok(())
}
