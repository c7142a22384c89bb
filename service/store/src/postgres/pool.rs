//! Connections to one server, and who uses which.
//!
//! Whoever has come to the end of what it wanted leaves a connection behind that needs no question before it is used again: it is at
//! rest, and was there a moment ago. To ask each one how it is, each time that it comes back, would cost more than most reads. Where
//! somebody gave up midway or a statement failed, all that was begun is taken back first, beside what goes on, and a connection that
//! does not answer to that is closed.

use super::{ACQUIRE_TIMEOUT, home};
use deadpool::managed::{self, Manager, Metrics, Object, PoolConfig, QueueMode, RecycleResult};
use futures_util::future::BoxFuture;
use futures_util::stream::{self, BoxStream, TryStreamExt};
use sqlx::postgres::{PgConnectOptions, PgConnection, PgQueryResult, PgRow, PgStatement, PgTypeInfo};
use sqlx::{ConnectOptions, Either, Error, Execute, Executor, Postgres, SqlStr};
use std::fmt;
use std::ops::{Deref, DerefMut};
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::time::{sleep, timeout};

/// From when on a connection that was not used is asked whether it is still there.
const ASKED_AFTER: Duration = Duration::from_secs(1);
/// How long it may take to say so. One whose other end vanished without a word, as in a network that was cut, would else be waited
/// for until the system gives it up, a quarter of an hour.
const SILENCE_MAX: Duration = Duration::from_secs(1);
/// How long one that nobody needs is kept, so that a server is not left with what its busiest minute took.
const IDLE_MAX: Duration = Duration::from_mins(10);
/// How long one is used at all: what a server keeps for a session grows.
const AGE_MAX: Duration = Duration::from_mins(30);
/// How long a server that refuses is left alone before it is tried again: at first, and at most.
const REFUSED: [Duration; 2] = [Duration::from_millis(10), Duration::from_secs(1)];
/// SQLSTATE of what passes: too_many_connections, admin_shutdown, cannot_connect_now; of a standby, which may be about to take over,
/// read_only_sql_transaction and object_not_in_prerequisite_state (PostgreSQL 15, appendix A).
const PASSING: [&str; 5] = ["53300", "57P01", "57P03", "25006", "55000"];

/// Connections to one server. Those of a clone are the same.
#[derive(Clone, Debug)]
pub(super) struct Pool {
    inner: managed::Pool<Server>,
    acquire_timeout: Duration,
}

/// How connections are made.
struct Server {
    options: PgConnectOptions,
    /// Whether they write: each new one may then be one to another database than the last one.
    writes: bool,
}

/// Without the options, which hold a password.
impl fmt::Debug for Server {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.debug_struct("Server").field("writes", &self.writes).finish_non_exhaustive()
    }
}

#[derive(Debug)]
struct Session {
    connection: PgConnection,
    /// Whether nobody has used it for a while.
    has_rested: bool,
}

impl Pool {
    /// At most `max` connections at once. None is made before it is needed.
    pub(super) fn reading(options: PgConnectOptions, max: usize) -> Self {
        Self::of(Server { options, writes: false }, max)
    }

    /// The same for those who write.
    pub(super) fn writing(options: PgConnectOptions, max: usize) -> Self {
        Self::of(Server { options, writes: true }, max)
    }

    fn of(server: Server, max: usize) -> Self {
        // The last one used is the next one: it knows the statements, and is the least likely to have been lost meanwhile.
        let config = PoolConfig { queue_mode: QueueMode::Lifo, ..PoolConfig::new(max) };
        let inner = managed::Pool::builder(server).config(config).build();
        Self {
            inner: inner.expect("no times are given that would need a runtime"),
            acquire_timeout: ACQUIRE_TIMEOUT,
        }
    }

    /// The same, and none of what is there now.
    pub(super) fn anew(&self) -> Self {
        let (Server { options, writes }, max) = (self.inner.manager(), self.inner.status().max_size);
        Self {
            acquire_timeout: self.acquire_timeout,
            ..Self::of(Server { options: options.clone(), writes: *writes }, max)
        }
    }

    /// The same, where a connection is waited for no longer than this.
    pub(super) fn within(self, acquire_timeout: Duration) -> Self {
        Self { acquire_timeout, ..self }
    }

    /// A connection, be it that one is free or that one is made.
    ///
    /// # Errors
    /// All are in use, or the server is away, for longer than one is waited for; it refuses who comes.
    pub(super) async fn acquire(&self) -> Result<Held, Error> {
        let found = async {
            loop {
                let mut held = self.next().await?;
                if !held.session().has_rested || self.ask(&mut held).await.is_ok() {
                    return Ok(held);
                }
            }
        };
        timeout(self.acquire_timeout, found).await.unwrap_or(Err(Error::PoolTimedOut))
    }

    async fn next(&self) -> Result<Held, Error> {
        match self.inner.get().await {
            Ok(object) => Ok(Held(Some(object))),
            Err(managed::PoolError::Backend(error)) => Err(error),
            Err(_) => Err(Error::PoolClosed),
        }
    }

    /// Whether the other end of a connection is there. What became of one may have become of all: where it is silent, no other one
    /// that rests is used again.
    async fn ask(&self, held: &mut Held) -> Result<(), Error> {
        let asked = timeout(SILENCE_MAX, sqlx::Connection::ping(&mut **held)).await;
        let answer = asked.unwrap_or_else(|_| Err(Error::Io(std::io::ErrorKind::TimedOut.into())));
        if answer.is_err() {
            self.inner.retain(|_, _| false);
        }
        answer
    }

    /// Closes what nobody has used for long, and what is old.
    pub(super) fn shrink(&self) {
        self.inner.retain(|_, metrics| metrics.last_used() < IDLE_MAX && metrics.age() < AGE_MAX);
    }

    /// Whether the server is there for whoever comes next; that all connections are in use is no reason to doubt it.
    pub(super) async fn check(&self) -> Result<(), Error> {
        let status = self.inner.status();
        if status.available == 0 && status.size >= status.max_size {
            return Ok(());
        }
        let mut held = self.next().await?;
        self.ask(&mut held).await?;
        held.give_back();
        Ok(())
    }

    /// A transaction, on a connection of its own.
    pub(super) async fn begin(&self, how: &'static str) -> Result<Begun, Error> {
        let mut held = self.acquire().await?;
        sqlx::raw_sql(how).execute(&mut *held).await?;
        Ok(Begun(held))
    }
}

impl Manager for Server {
    type Type = Session;
    type Error = Error;

    /// Waits for a server that is about to be there.
    async fn create(&self) -> Result<Session, Error> {
        let [mut pause, most] = REFUSED;
        loop {
            match self.connect().await {
                Err(error) if is_passing(&error) => {}
                done => return done.map(|connection| Session { connection, has_rested: false }),
            }
            sleep(pause).await;
            pause = most.min(2 * pause);
        }
    }

    async fn recycle(&self, session: &mut Session, metrics: &Metrics) -> RecycleResult<Error> {
        session.has_rested = metrics.last_used() >= ASKED_AFTER;
        if metrics.age() < AGE_MAX { Ok(()) } else { Err(managed::RecycleError::message("old")) }
    }
}

impl Server {
    async fn connect(&self) -> Result<PgConnection, Error> {
        let mut connection = self.options.connect().await?;
        let _ = sqlx::raw_sql(GONE).execute(&mut connection).await;
        if self.writes {
            let _ = sqlx::raw_sql(QUICK).execute(&mut connection).await;
            home::settle_in(&mut connection).await?;
        }
        Ok(connection)
    }
}

/// Whether a server that refuses is on its way up or down, or has no place just now.
fn is_passing(error: &Error) -> bool {
    use std::io::ErrorKind::{BrokenPipe, ConnectionRefused, ConnectionReset, UnexpectedEof};
    match error {
        Error::Io(error) => {
            matches!(error.kind(), ConnectionRefused | ConnectionReset | BrokenPipe | UnexpectedEof)
        }
        Error::Database(error) => error.code().is_some_and(|code| PASSING.contains(&&*code)),
        _ => false,
    }
}

/// Lets the server notice that nobody waits for a statement any more: it would else compute on while the next one is begun. Servers
/// before PostgreSQL 14, and those that only speak its protocol, do without; a system that cannot tell refuses it.
const GONE: &str =
    "select set_config(name, '1s', false) from pg_settings where name = 'client_connection_check_interval'";
/// What makes writing quicker where a server has it. A commit is said by few and large statements, the same each time: they are planned
/// once, not five times; no other one that writes needs a plan for its values. And bodies are packed by the quicker of two ways.
const QUICK: &str = "select set_config(s.name, v.value, false) from pg_settings s join \
    (values ('plan_cache_mode', 'force_generic_plan'), ('default_toast_compression', 'lz4')) v (name, value) \
    on s.name = v.name and v.value = any(s.enumvals)";

/// A connection in use. Who drops it has given up what was asked there.
#[derive(Debug)]
pub(super) struct Held(Option<Object<Server>>);

impl Held {
    /// Nothing more is wanted of it, and nothing that was begun is left: the next one may use it.
    pub(super) fn give_back(mut self) {
        self.0 = None;
    }

    fn session(&self) -> &Session {
        self.0.as_ref().expect("it is there until it is given back")
    }
}

impl Deref for Held {
    type Target = PgConnection;

    fn deref(&self) -> &PgConnection {
        &self.session().connection
    }
}

impl DerefMut for Held {
    fn deref_mut(&mut self) -> &mut PgConnection {
        &mut self.0.as_mut().expect("it is there until it is given back").connection
    }
}

impl Drop for Held {
    /// Its place stays taken until the server has ended what it was asked, as far as that is waited for: there are never more sessions
    /// than places.
    fn drop(&mut self) {
        let Some(mut object) = self.0.take() else { return };
        let Ok(runtime) = Handle::try_current() else { return drop(Object::take(object)) };
        runtime.spawn(async move {
            let taken_back = timeout(SILENCE_MAX, sqlx::raw_sql("rollback").execute(&mut object.connection));
            if !matches!(taken_back.await, Ok(Ok(_))) {
                drop(Object::take(object));
            }
        });
    }
}

/// A transaction. Who drops it takes back what was done.
#[derive(Debug)]
pub(super) struct Begun(Held);

impl Begun {
    /// Makes durable what was done.
    pub(super) async fn commit(self) -> Result<(), Error> {
        self.end("commit").await
    }

    /// Takes back what was done, and keeps the connection.
    pub(super) async fn rollback(self) -> Result<(), Error> {
        self.end("rollback").await
    }

    async fn end(mut self, how: &'static str) -> Result<(), Error> {
        sqlx::raw_sql(how).execute(&mut *self.0).await?;
        self.0.give_back();
        Ok(())
    }
}

impl Deref for Begun {
    type Target = PgConnection;

    fn deref(&self) -> &PgConnection {
        &self.0
    }
}

impl DerefMut for Begun {
    fn deref_mut(&mut self) -> &mut PgConnection {
        &mut self.0
    }
}

/// One statement, on whatever connection there is.
impl<'p> Executor<'p> for &'p Pool {
    type Database = Postgres;

    /// All at once: no statement here gives more than a page.
    fn fetch_many<'e, 'q: 'e, E>(self, query: E) -> BoxStream<'e, Result<Either<PgQueryResult, PgRow>, Error>>
    where
        'p: 'e,
        E: 'q + Execute<'q, Postgres>,
    {
        let all = async move {
            let mut held = self.acquire().await?;
            let all: Vec<_> = held.fetch_many(query).try_collect().await?;
            held.give_back();
            Ok::<_, Error>(stream::iter(all.into_iter().map(Ok)))
        };
        Box::pin(stream::once(all).try_flatten())
    }

    fn fetch_optional<'e, 'q: 'e, E>(self, query: E) -> BoxFuture<'e, Result<Option<PgRow>, Error>>
    where
        'p: 'e,
        E: 'q + Execute<'q, Postgres>,
    {
        Box::pin(async move {
            let mut held = self.acquire().await?;
            let row = held.fetch_optional(query).await?;
            held.give_back();
            Ok(row)
        })
    }

    fn prepare_with<'e>(
        self,
        sql: SqlStr,
        parameters: &'e [PgTypeInfo],
    ) -> BoxFuture<'e, Result<PgStatement, Error>>
    where
        'p: 'e,
    {
        Box::pin(async move {
            let mut held = self.acquire().await?;
            let statement = held.prepare_with(sql, parameters).await?;
            held.give_back();
            Ok(statement)
        })
    }
}
