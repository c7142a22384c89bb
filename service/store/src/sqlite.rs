//! SQLite: one file, one writer that commits waiting writes together, readers that never wait for it.

mod access;
mod ahead;
mod chain;
mod history;
mod outbox;
mod page;
mod recent;
mod record;
mod turn;
mod write;

use crate::OpenError;
use crate::packing::{PACKS, body};
use crate::sql::row::{day, instant, stored};
use crate::sql::{self, Dialect, Statement, Value, number, tally};
use ahead::Ahead;
use async_trait::async_trait;
use endplate_fhir::index;
use endplate_fhir::search::Query;
use endplate_followup::ports::{
    Attempt, Call, Changeset, Compartment, Event, Link, Linked, Maker, Page, Past, PastPage, RECORDS,
    Receiver, Replay, Room, Store, StoreError, Tally, Traffic, Version, Waiting,
};
use jiff::Timestamp;
use jiff::civil::Date;
use recent::Recent;
use sqlx::migrate::Migrator;
use sqlx::sqlite::{
    SqliteArguments, SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool,
    SqlitePoolOptions, SqliteSynchronous,
};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection, Row, Sqlite};
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use turn::Turn;
use write::{Work, Writer};

/// Readers at once.
const READERS: u32 = 8;
/// Pages that the writer keeps in memory, as SQLite has it: 16 MiB, or 20 records with their plans. A batch that fits is written
/// once, when it is committed. More would keep what the system keeps too, and make memory grow with the store.
const WRITER_CACHE: &str = "-16384";
/// The same of each reader: 2 MiB. A search touches rows of many pages, and each that is not there is copied from the system.
const READER_CACHE: &str = "-2048";

/// A store in one SQLite file.
#[derive(Debug)]
pub struct SqliteStore {
    readers: SqlitePool,
    writer: Writer,
    recent: Option<Arc<Recent>>,
    ahead: Ahead,
    turn: Turn,
    /// The folder of a store that is thrown away with this value.
    _temporary: Option<tempfile::TempDir>,
}

impl SqliteStore {
    /// Opens, and if need be makes, the store at `sqlite:PATH`. `sqlite::memory:` is a store in a temporary folder that goes
    /// away with this value; it alone does not wait for the disk.
    pub async fn open(address: &str) -> Result<Self, OpenError> {
        if address == "sqlite::memory:" {
            let wrong = |source: std::io::Error| OpenError::File {
                path: std::env::temp_dir(),
                source: source.into(),
            };
            let folder = tempfile::tempdir().map_err(wrong)?;
            let path = folder.path().join("endplate.db");
            return Self::at(&path, SqliteSynchronous::Off, Some(folder)).await;
        }
        Self::at(file(address)?, SqliteSynchronous::Full, None).await
    }

    /// Whether a store was made there.
    pub(crate) async fn is_there(address: &str) -> Result<bool, OpenError> {
        let path = file(address)?;
        let wrong = |source: sqlx::Error| OpenError::File { path: path.to_owned(), source: source.into() };
        if !path.exists() {
            return Ok(false);
        }
        let existing = SqliteConnectOptions::new().filename(path).create_if_missing(false);
        let mut connection = existing.disable_statement_logging().connect().await.map_err(wrong)?;
        let asked =
            sqlx::query_scalar("select count(*) > 0 from sqlite_schema where name = '_sqlx_migrations'");
        let is_there = asked.fetch_one(&mut connection).await.map_err(wrong)?;
        connection.close().await.map_err(wrong)?;
        Ok(is_there)
    }

    /// The writing connection to a file whose tables are up to date.
    pub(crate) async fn connect(address: &str) -> Result<SqliteConnection, OpenError> {
        let path = file(address)?;
        migrated(path, &options(path, SqliteSynchronous::Full)).await
    }

    async fn at(
        path: &Path,
        synchronous: SqliteSynchronous,
        temporary: Option<tempfile::TempDir>,
    ) -> Result<Self, OpenError> {
        let wrong = |source: Box<dyn std::error::Error + Send + Sync>| OpenError::File {
            path: path.to_owned(),
            source,
        };
        let options = options(path, synchronous);
        let mut connection = migrated(path, &options).await?;
        let copying = sqlx::query("select 1 from copying").fetch_optional(&mut connection).await;
        if copying.map_err(|error| wrong(error.into()))?.is_some() {
            return Err(OpenError::Unfinished { place: path.display().to_string() });
        }
        let packs = sqlx::query_scalar(PACKS).fetch_one(&mut connection).await;
        let packs = packs.map_err(|error| wrong(error.into()))?;
        let reading = options.read_only(true).create_if_missing(false).pragma("cache_size", READER_CACHE);
        let readers = SqlitePoolOptions::new()
            .max_connections(READERS)
            .min_connections(1)
            // A connection to a file in this process does not go stale; asking it each time would double every read.
            .test_before_acquire(false)
            .acquire_timeout(Duration::from_secs(10))
            .connect_with(reading)
            .await
            .map_err(|error| wrong(error.into()))?;
        let recent = if temporary.is_some() { Some(Recent::alone()) } else { Recent::shared(path) };
        let recent = recent.map(Arc::new);
        let writer = Writer::start(connection, packs, recent.clone()).map_err(|error| wrong(error.into()))?;
        let turn = Turn::beside(path);
        Ok(Self { readers, writer, recent, ahead: Ahead::default(), turn, _temporary: temporary })
    }
}

/// The file of an address.
fn file(address: &str) -> Result<&Path, OpenError> {
    let path = address.strip_prefix("sqlite:").ok_or(OpenError::Address)?;
    let path = path.strip_prefix("//").unwrap_or(path);
    if path.is_empty() || path == ":memory:" { Err(OpenError::Address) } else { Ok(Path::new(path)) }
}

fn options(path: &Path, synchronous: SqliteSynchronous) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(synchronous)
        .foreign_keys(true)
        .busy_timeout(Duration::from_secs(10))
        .statement_cache_capacity(200)
        .pragma("wal_autocheckpoint", "4000")
        .pragma("temp_store", "memory")
        .disable_statement_logging()
}

/// The writing connection, after the tables were made or brought up to date.
async fn migrated(path: &Path, options: &SqliteConnectOptions) -> Result<SqliteConnection, OpenError> {
    let wrong =
        |source: Box<dyn std::error::Error + Send + Sync>| OpenError::File { path: path.to_owned(), source };
    let writing = options.clone().pragma("cache_size", WRITER_CACHE);
    let mut connection =
        SqliteConnection::connect_with(&writing).await.map_err(|error| wrong(error.into()))?;
    migrator().run(&mut connection).await.map_err(|error| {
        OpenError::later(&path.display().to_string(), &error).unwrap_or_else(|| wrong(error.into()))
    })?;
    Ok(connection)
}

/// The migrations, embedded. A released one is never edited; see `migrations/README.md`.
fn migrator() -> Migrator {
    sql::migrator([
        include_str!("../migrations/sqlite/0001_house.sql"),
        include_str!("../migrations/sqlite/0002_copying.sql"),
        include_str!("../migrations/sqlite/0003_trace.sql"),
        include_str!("../migrations/sqlite/0004_open.sql"),
        include_str!("../migrations/sqlite/0005_instances.sql"),
        include_str!("../migrations/sqlite/0006_target.sql"),
        include_str!("../migrations/sqlite/0007_unused.sql"),
        include_str!("../migrations/sqlite/0008_packed.sql"),
    ])
}

/// A failure of the database, with what was being done.
fn failed(context: &'static str) -> impl Fn(sqlx::Error) -> StoreError {
    move |source| StoreError::Failed { context, source: Box::new(source) }
}

/// A statement with what is bound to it.
pub(crate) fn query(statement: Statement) -> sqlx::query::Query<'static, Sqlite, SqliteArguments> {
    let (text, values) = statement.into_parts();
    values.into_iter().fold(sqlx::query(AssertSqlSafe(text)), |query, value| match value {
        Value::Integer(value) => query.bind(value),
        Value::Real(value) => query.bind(value),
        Value::Text(value) => query.bind(value),
        Value::Flag(value) => query.bind(value),
        Value::NoText => query.bind(None::<String>),
        Value::NoInteger => query.bind(None::<i64>),
        Value::MaybeBytes(value) => query.bind(value),
    })
}

#[async_trait]
impl Store for SqliteStore {
    async fn latest(&self, kind: &str, id: &str) -> Result<Option<Version>, StoreError> {
        let Some((recent, mark)) = self.recent.as_ref().and_then(|recent| Some((recent, recent.mark()?)))
        else {
            return history::latest(&self.readers, kind, id).await;
        };
        if let Some(version) = recent.get(&mark, kind, id) {
            return Ok(Some(version));
        }
        let version = history::latest(&self.readers, kind, id).await?;
        if let Some(version) = &version {
            recent.keep(&mark, version);
        }
        Ok(version)
    }

    async fn version(&self, kind: &str, id: &str, version: u64) -> Result<Option<Version>, StoreError> {
        match self.ahead.take(kind, id, version) {
            Some(version) => Ok(Some(version)),
            None => history::version(&self.readers, kind, id, version).await,
        }
    }

    async fn ahead(&self, events: &[Event]) -> Result<(), StoreError> {
        self.ahead.read(&self.readers, events).await
    }

    async fn history(&self, past: &Past) -> Result<PastPage, StoreError> {
        history::page(&self.readers, past).await
    }

    async fn referrers(
        &self,
        kind: &str,
        id: &str,
        limit: usize,
    ) -> Result<Vec<(String, String)>, StoreError> {
        const CONTEXT: &str = "reading what refers to a resource";
        let params = serde_json::to_string(&index::reference_params()).map_err(write::unsaid(CONTEXT))?;
        // Deletions are rare: a probe for each parameter is cheaper than an index that every write would have to keep.
        sqlx::query_as(
            "select distinct r.kind, r.id from json_each(?1) j cross join reference_row t join resource r on r.key = t.resource \
             where t.param = j.value and t.id = ?2 and t.kind = ?3 and not (r.kind = ?3 and r.id = ?2) \
             and r.kind not in (select value from json_each(?5)) \
             order by 1, 2 limit ?4 + 0",
        )
        .bind(params)
        .bind(id)
        .bind(kind)
        .bind(number(limit as u64))
        .bind(serde_json::to_string(&RECORDS).map_err(write::unsaid(CONTEXT))?)
        .fetch_all(&self.readers)
        .await
        .map_err(failed(CONTEXT))
    }

    async fn compartment(&self, patient: &str) -> Result<Compartment, StoreError> {
        const CONTEXT: &str = "reading a compartment";
        // One statement, so that counter and resources are of one snapshot. What was written together lies together: in the order of
        // keys it is read page after page, and a disk is asked a few times instead of once for each page. The limit keeps that order.
        let rows = sqlx::query(
            concat!("select '', '', 0, 0, '', (select generation from scope where key = 'Patient/' || ?1) \
             union all \
             select r.kind, r.id, r.version, r.at_ms, ", body!(sqlite), ", null \
             from (select key, kind, id, version, at_ms from resource where patient = ?1 order by key limit -1) r \
             cross join resource_version v on v.resource = r.key and v.version = r.version"),
        )
        .bind(patient)
        .fetch_all(&self.readers)
        .await
        .map_err(failed(CONTEXT))?;
        let (counter, rows) = rows.split_first().ok_or(sqlx::Error::RowNotFound).map_err(failed(CONTEXT))?;
        let generation: Option<i64> = counter.try_get(5).map_err(failed(CONTEXT))?;
        let resources = rows.iter().map(stored).collect::<Result<_, _>>().map_err(failed(CONTEXT))?;
        Ok(Compartment::of(generation.unwrap_or(0).unsigned_abs(), resources))
    }

    async fn generation(&self, scope: &str) -> Result<u64, StoreError> {
        let generation: Option<i64> = sqlx::query_scalar("select generation from scope where key = ?")
            .bind(scope)
            .fetch_optional(&self.readers)
            .await
            .map_err(failed("reading a counter"))?;
        Ok(generation.unwrap_or(0).unsigned_abs())
    }

    async fn search(&self, query: &Query) -> Result<Page, StoreError> {
        page::search(&self.readers, query).await
    }

    async fn counts(&self, query: &Query, param: &str) -> Result<Vec<(i64, u64)>, StoreError> {
        page::counts(&self.readers, query, param).await
    }

    async fn referred(&self, kind: &str, params: &[String], id: &str) -> Result<Vec<String>, StoreError> {
        let statement = sql::search::referred(Dialect::Sqlite, kind, params, id);
        let rows = query(statement).fetch_all(&self.readers).await;
        let kinds = rows.and_then(|rows| rows.iter().map(|row| row.try_get(0)).collect());
        kinds.map_err(failed("looking who is referred to"))
    }

    async fn commit(&self, change: Changeset) -> Result<(), StoreError> {
        self.writer.send(Work::Commit(Box::new(change))).await.map(|_| ())
    }

    async fn chain_head(&self) -> Result<Option<Link>, StoreError> {
        chain::head(&self.readers).await
    }

    async fn chain(&self, after: u64, limit: usize) -> Result<Vec<Linked>, StoreError> {
        chain::page(&self.readers, after, limit).await
    }

    async fn unchained(
        &self,
        after: Option<&str>,
        among: usize,
    ) -> Result<(Vec<String>, Option<String>), StoreError> {
        chain::loose(&self.readers, after, among).await
    }

    async fn due(&self, on: Date, after: Option<&str>, limit: usize) -> Result<Vec<String>, StoreError> {
        // Those who are due, put in order, and not all that there are in order.
        sqlx::query_scalar(
            "select patient from agenda indexed by agenda_by_day where due_day <= ? and patient > ? \
             order by patient limit ? + 0",
        )
        .bind(day(on))
        .bind(after.unwrap_or_default())
        .bind(number(limit as u64))
        .fetch_all(&self.readers)
        .await
        .map_err(failed("reading the agenda"))
    }

    async fn waiting(&self, now: Timestamp, busy: &[String], room: Room) -> Result<Waiting, StoreError> {
        outbox::waiting(&self.readers, now, busy, room).await
    }

    async fn events(&self, receiver: &str, from: u64, limit: usize) -> Result<Vec<Event>, StoreError> {
        outbox::events(&self.readers, receiver, from, limit).await
    }

    async fn traffic(&self, receiver: &str) -> Result<Traffic, StoreError> {
        outbox::traffic(&self.readers, receiver).await
    }

    async fn called(&self, now: Timestamp, limit: usize) -> Result<Vec<Call>, StoreError> {
        outbox::called(&self.readers, now, limit).await
    }

    async fn settle(&self, receiver: &str, attempts: Vec<Attempt>) -> Result<(), StoreError> {
        self.writer.send(Work::Settle(receiver.to_owned(), attempts)).await.map(|_| ())
    }

    async fn park(&self, receiver: &str, before: Timestamp, reason: &str) -> Result<u64, StoreError> {
        self.writer.send(Work::Park(receiver.to_owned(), before, reason.to_owned())).await
    }

    async fn replay(&self, which: &Replay, now: Timestamp) -> Result<u64, StoreError> {
        self.writer.send(Work::Replay(which.clone(), now)).await
    }

    async fn receivers(&self, after: Option<&str>, limit: usize) -> Result<Vec<Receiver>, StoreError> {
        outbox::receivers(&self.readers, after, limit).await
    }

    async fn maker(&self, subscription: &str) -> Result<Option<Maker>, StoreError> {
        access::maker(&self.readers, subscription).await
    }

    async fn use_once(&self, key: &str, until: Timestamp, now: Timestamp) -> Result<bool, StoreError> {
        match self.writer.send(Work::Use { key: key.to_owned(), until, now }).await {
            Ok(_) => Ok(true),
            Err(StoreError::Moved) => Ok(false),
            Err(error) => Err(error),
        }
    }

    async fn claim(&self, works: &[String], _: &str, _: u32) -> Result<Vec<String>, StoreError> {
        if !self.turn.take()? {
            return Ok(Vec::new());
        }
        Ok(works.iter().cloned().collect::<BTreeSet<_>>().into_iter().collect())
    }

    async fn tally(&self, now: Timestamp, today: Date) -> Result<Tally, StoreError> {
        const CONTEXT: &str = "counting what stands";
        let asked = sqlx::query_as(tally::SQL).bind(now.as_millisecond()).bind(day(today));
        Ok(tally::tally(asked.fetch_all(&self.readers).await.map_err(failed(CONTEXT))?))
    }

    async fn check(&self) -> Result<(), StoreError> {
        const CONTEXT: &str = "checking the store";
        // The file itself is read: that all migrations of this build are in it. It may hold later ones.
        let last: Option<i64> = sqlx::query_scalar("select max(version) from _sqlx_migrations where success")
            .fetch_one(&self.readers)
            .await
            .map_err(failed(CONTEXT))?;
        if last < Some(sql::MIGRATION) {
            return Err(StoreError::Failed { context: CONTEXT, source: "migrations are missing".into() });
        }
        self.writer.check()
    }
}
