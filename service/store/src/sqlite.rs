//! SQLite: one file, one writer that commits waiting writes together, readers that never wait for it.

mod access;
mod ahead;
mod chain;
mod history;
mod outbox;
mod recent;
mod record;
mod search;
mod tally;
mod write;

use ahead::Ahead;
use async_trait::async_trait;
use endplate_fhir::index;
use endplate_fhir::search::Query;
use endplate_followup::ports::{
    Attempt, Call, Changeset, Compartment, Event, Link, Linked, Maker, Page, Past, PastPage, Receiver,
    Replay, Room, Store, StoreError, Stored, Tally, Traffic, Version, Waiting,
};
use jiff::Timestamp;
use jiff::civil::Date;
use recent::Recent;
use sqlx::migrate::{Migration, MigrationType, Migrator};
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqlitePool, SqlitePoolOptions, SqliteRow,
    SqliteSynchronous,
};
use sqlx::{ConnectOptions, Connection, Row, SqlSafeStr};
use std::borrow::Cow;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use write::{Work, Writer};

/// Readers at once.
const READERS: u32 = 8;
/// Pages that the writer keeps in memory, as SQLite has it: 64 MiB. A batch that fits is written once, when it is committed.
const WRITER_CACHE: &str = "-65536";
/// The same of each reader: 8 MiB. A search touches rows of many pages, and each that is not there is copied from the system.
const READER_CACHE: &str = "-8192";

/// Why a store cannot be opened. The text says what to change.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Not an address of an SQLite store.
    #[error("this is no SQLite store: write sqlite:PATH or sqlite::memory:")]
    Address,
    /// The file cannot be opened, made or brought up to date.
    #[error("the store {} cannot be opened; check that the folder exists and can be written, and that no other program holds it", .path.display())]
    File {
        /// Where.
        path: PathBuf,
        /// The cause.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

/// A store in one SQLite file.
#[derive(Debug)]
pub struct SqliteStore {
    readers: SqlitePool,
    writer: Writer,
    recent: Option<Arc<Recent>>,
    ahead: Ahead,
    /// The folder of a store that is thrown away with this value.
    _temporary: Option<tempfile::TempDir>,
}

impl SqliteStore {
    /// Opens, and if need be makes, the store at `sqlite:PATH`. `sqlite::memory:` is a store in a temporary folder that goes
    /// away with this value; it alone does not wait for the disk.
    pub async fn open(address: &str) -> Result<Self, OpenError> {
        let path = address.strip_prefix("sqlite:").ok_or(OpenError::Address)?;
        if path == ":memory:" {
            let wrong = |source: std::io::Error| OpenError::File {
                path: std::env::temp_dir(),
                source: source.into(),
            };
            let folder = tempfile::tempdir().map_err(wrong)?;
            let path = folder.path().join("endplate.db");
            return Self::at(&path, SqliteSynchronous::Off, Some(folder)).await;
        }
        let path = path.strip_prefix("//").unwrap_or(path);
        if path.is_empty() {
            return Err(OpenError::Address);
        }
        Self::at(Path::new(path), SqliteSynchronous::Full, None).await
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
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(synchronous)
            .foreign_keys(true)
            .busy_timeout(Duration::from_secs(10))
            .statement_cache_capacity(200)
            .pragma("wal_autocheckpoint", "4000")
            .pragma("temp_store", "memory")
            .disable_statement_logging();
        let writing = options.clone().pragma("cache_size", WRITER_CACHE);
        let mut connection =
            SqliteConnection::connect_with(&writing).await.map_err(|error| wrong(error.into()))?;
        migrator().run(&mut connection).await.map_err(|error| wrong(error.into()))?;
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
        let writer = Writer::start(connection, recent.clone());
        Ok(Self { readers, writer, recent, ahead: Ahead::default(), _temporary: temporary })
    }
}

/// The migrations, embedded. A released one is never edited; see `migrations/README.md`.
fn migrator() -> Migrator {
    let migration = |number: i64, name: &'static str, sql: &'static str| {
        Migration::new(number, Cow::Borrowed(name), MigrationType::Simple, sql.into_sql_str(), false)
    };
    Migrator::with_migrations(vec![migration(
        1,
        "house",
        include_str!("../migrations/sqlite/0001_house.sql"),
    )])
}

/// A failure of the database, with what was being done.
fn failed(context: &'static str) -> impl Fn(sqlx::Error) -> StoreError {
    move |source| StoreError::Failed { context, source: Box::new(source) }
}

/// A stored version from the columns kind, id, version, at_ms, body.
fn stored(row: &SqliteRow) -> Result<Stored, sqlx::Error> {
    Ok(Stored {
        kind: row.try_get(0)?,
        id: row.try_get(1)?,
        version: row.try_get::<i64, _>(2)?.unsigned_abs(),
        at: instant(row.try_get(3)?),
        body: row.try_get(4)?,
    })
}

fn instant(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap_or(Timestamp::UNIX_EPOCH)
}

fn number(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

/// Days since 1970-01-01.
fn day(date: Date) -> i64 {
    date.duration_since(Date::constant(1970, 1, 1)).as_hours().div_euclid(24)
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
             order by 1, 2 limit ?4",
        )
        .bind(params)
        .bind(id)
        .bind(kind)
        .bind(number(limit as u64))
        .fetch_all(&self.readers)
        .await
        .map_err(failed(CONTEXT))
    }

    async fn compartment(&self, patient: &str) -> Result<Compartment, StoreError> {
        const CONTEXT: &str = "reading a compartment";
        // One statement, so that counter and resources are of one snapshot.
        let rows = sqlx::query(
            "select r.kind, r.id, r.version, r.at_ms, v.body, (select generation from scope where key = 'Patient/' || ?1) \
             from resource r join resource_version v on v.resource = r.key and v.version = r.version \
             where r.patient = ?1 \
             union all \
             select '', '', 0, 0, '', (select generation from scope where key = 'Patient/' || ?1) \
             order by 1, 2",
        )
        .bind(patient)
        .fetch_all(&self.readers)
        .await
        .map_err(failed(CONTEXT))?;
        let mut compartment = Compartment::default();
        for row in &rows {
            let generation: Option<i64> = row.try_get(5).map_err(failed(CONTEXT))?;
            compartment.generation = generation.unwrap_or(0).unsigned_abs();
            let stored = stored(row).map_err(failed(CONTEXT))?;
            if !stored.kind.is_empty() {
                compartment.resources.push(stored);
            }
        }
        Ok(compartment)
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
        search::search(&self.readers, query).await
    }

    async fn counts(&self, query: &Query, param: &str) -> Result<Vec<(i64, u64)>, StoreError> {
        search::counts(&self.readers, query, param).await
    }

    async fn referred(&self, kind: &str, params: &[String], id: &str) -> Result<Vec<String>, StoreError> {
        search::referred(&self.readers, kind, params, id).await
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

    async fn unchained(&self, limit: usize) -> Result<Vec<String>, StoreError> {
        chain::loose(&self.readers, limit).await
    }

    async fn due(&self, on: Date, after: Option<&str>, limit: usize) -> Result<Vec<String>, StoreError> {
        sqlx::query_scalar(
            "select patient from agenda where due_day <= ? and patient > ? order by patient limit ?",
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

    async fn tally(&self, now: Timestamp, today: Date) -> Result<Tally, StoreError> {
        tally::tally(&self.readers, now, today).await
    }

    async fn check(&self) -> Result<(), StoreError> {
        const CONTEXT: &str = "checking the store";
        // The file itself is read: that all migrations of this build are in it. It may hold later ones.
        let last: Option<i64> = sqlx::query_scalar("select max(version) from _sqlx_migrations where success")
            .fetch_one(&self.readers)
            .await
            .map_err(failed(CONTEXT))?;
        if last < migrator().iter().map(|migration| migration.version).max() {
            return Err(StoreError::Failed { context: CONTEXT, source: "migrations are missing".into() });
        }
        self.writer.check()
    }
}
