//! A store copied into another, of the same database or the other one.
//!
//! Everything is copied in pieces, table by table; each piece replaces what the target has of it and says in the same transaction
//! how far the copy has come, so that one that was interrupted goes on where it was. A target is not opened as a store before
//! the copy is complete and both sides were read again and found to hold the same. The source must not be written meanwhile: what was
//! written while rows were copied is noticed when they are compared, and from then on to the end nobody can write.

use crate::open::OpenError;
use crate::postgres::part::BITS;
use crate::sql::row::Columns;
use crate::sql::{Dialect, Statement, Value, number};
use crate::{PostgresStore, SqliteStore, open};
use sha2::{Digest, Sha256};
use sqlx::postgres::PgConnection;
use sqlx::sqlite::SqliteConnection;
use sqlx::{AssertSqlSafe, Connection};

mod table;

use table::{Column, Key};
pub use table::{TABLES, Table};

/// Resources, versions, or resources whose index rows belong together, in one piece.
const KEYS_TOGETHER: i64 = 500;
/// Other rows in one piece.
const ROWS_TOGETHER: i64 = 2_000;
/// Values in one insert; SQLite takes 32,766 parameters.
const VALUES_MAX: usize = 30_000;

/// Why a store was not copied. The text says what to do.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// One of the two cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// There is nothing to copy.
    #[error("there is no store at {place}: check the address that is copied from")]
    NoStore {
        /// Where.
        place: String,
    },
    /// There is something in the target that does not come from this source.
    #[error("the target holds {what}: give an empty one")]
    Taken {
        /// What is there.
        what: String,
    },
    /// What was copied is not what the source holds now.
    #[error(
        "table {table} differs after copying ({source_rows} rows in the source, {target_rows} in the target): stop whoever \
         writes to the source and copy again"
    )]
    Differs {
        /// The first table that differs.
        table: &'static str,
        /// Rows of the source.
        source_rows: u64,
        /// Rows of the target.
        target_rows: u64,
    },
    /// A database failed. What was copied stays, and the same command goes on from there.
    #[error("copying failed while {context}; give the same command again to go on")]
    Failed {
        /// What was being done.
        context: &'static str,
        /// The cause.
        #[source]
        source: sqlx::Error,
    },
}

fn failed(context: &'static str) -> impl Fn(sqlx::Error) -> CopyError {
    move |source| CopyError::Failed { context, source }
}

/// How far a copy has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Progress {
    /// The table that is being copied, or read again.
    pub table: &'static str,
    /// Rows of all tables so far: what was copied before is not among them.
    pub rows: u64,
    /// Of how many, as they were when it began.
    pub all: u64,
    /// Whether everything is copied and is being read again.
    pub is_verifying: bool,
}

/// What one table came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Copied {
    /// Its name.
    pub table: &'static str,
    /// Its rows.
    pub rows: u64,
    /// SHA-256 of its rows in order, hexadecimal; the same on both sides.
    pub hash: String,
}

/// Copies the store at `from` into the one at `to`, which is made if it is not there, or goes on doing so.
///
/// # Errors
/// See [`CopyError`].
pub async fn copy(from: &str, to: &str, told: &(dyn Fn(Progress) + Sync)) -> Result<Vec<Copied>, CopyError> {
    let name = without_password(from);
    if !open::is_store(from).await? {
        return Err(CopyError::NoStore { place: name });
    }
    let (mut source, mut target) = (Side::open(from).await?, Side::open(to).await?);
    let (mut part, mut place) = begin(&mut target, &name).await?;
    let (mut rows, mut all, mut whole) = (0, 0, 0);
    for (at, table) in TABLES.iter().enumerate() {
        let count = source.count(table, None).await?;
        whole += count;
        if at == part && place.is_some() {
            all += source.count(table, place.as_deref()).await?;
        } else if at >= part {
            all += count;
        }
    }
    while let Some(table) = TABLES.get(part) {
        loop {
            let (piece, next) = source.piece(table, place.as_deref()).await?;
            rows += piece.len() as u64;
            target.replace(table, place.as_deref(), next.as_deref(), &piece, part).await?;
            told(Progress { table: table.name, rows, all, is_verifying: false });
            place = next;
            if place.is_none() {
                break;
            }
        }
        part += 1;
    }
    source.hold_still().await?;
    (rows, all) = (0, whole);
    let mut copied = Vec::new();
    for table in &TABLES {
        let mut told = |count: u64| {
            rows += count;
            told(Progress { table: table.name, rows, all, is_verifying: true });
        };
        let (source_rows, here) = source.digest(table, &mut told).await?;
        let (target_rows, there) = target.digest(table, &mut |_| {}).await?;
        if (source_rows, &here) != (target_rows, &there) {
            // From the beginning, next time: what was copied before may have changed too.
            target.tell("update copying set part = 0, place = null", "taking note").await?;
            return Err(CopyError::Differs { table: table.name, source_rows, target_rows });
        }
        copied.push(Copied { table: table.name, rows: source_rows, hash: here });
    }
    target.finish().await?;
    // It is complete, whatever becomes of the connection that kept others from writing.
    let _ = source.close().await;
    Ok(copied)
}

fn without_password(address: &str) -> String {
    match address.split_once("://") {
        Some((scheme, rest)) => {
            let rest = rest.rsplit_once('@').map_or(rest, |(_, rest)| rest);
            format!("{scheme}://{}", rest.split('?').next().unwrap_or_default())
        }
        None => address.to_owned(),
    }
}

/// Where to go on: the number of a table and how far that has come.
async fn begin(target: &mut Side, source: &str) -> Result<(usize, Option<String>), CopyError> {
    const CONTEXT: &str = "looking how far it has come";
    let asked = Statement::new(target.dialect(), "select source, part, place from copying");
    let columns = [Column::Text, Column::Integer, Column::MaybeText];
    let begun = target.rows(asked, &columns).await.map_err(failed(CONTEXT))?;
    if let Some([Value::Text(from), Value::Integer(part), place]) = begun.first().map(Vec::as_slice) {
        if from != source {
            return Err(CopyError::Taken { what: format!("an unfinished copy of {from}") });
        }
        let place = if let Value::Text(place) = place { Some(place.clone()) } else { None };
        return Ok((usize::try_from(*part).unwrap_or(0), place));
    }
    for table in &TABLES {
        let sql = format!("select count(*) from (select 1 from {} limit 1) t", table.name);
        let asked = Statement::new(target.dialect(), &sql);
        let count = target.rows(asked, &[Column::Integer]).await.map_err(failed(CONTEXT))?;
        if count != [[Value::Integer(0)]] {
            return Err(CopyError::Taken { what: format!("rows in its table {}", table.name) });
        }
    }
    let mut sql = Statement::new(target.dialect(), "insert into copying (source, part) values (");
    sql.push_bind(source).push(", 0)");
    target.execute(sql).await.map_err(failed(CONTEXT))?;
    Ok((0, None))
}

/// One of the two stores.
enum Side {
    Sqlite(SqliteConnection),
    Postgres(PgConnection),
}

type Rows = Vec<Vec<Value>>;

impl Side {
    async fn open(address: &str) -> Result<Self, CopyError> {
        if open::is_postgres(address) {
            Ok(Self::Postgres(PostgresStore::connect(address).await?))
        } else {
            let mut connection = SqliteStore::connect(address).await?;
            // A piece may be replaced while others still refer to it; the comparison at the end is the stricter one.
            let done = sqlx::query("pragma foreign_keys = off").execute(&mut connection).await;
            done.map_err(failed("opening a file"))?;
            Ok(Self::Sqlite(connection))
        }
    }

    fn dialect(&self) -> Dialect {
        match self {
            Self::Sqlite(_) => Dialect::Sqlite,
            Self::Postgres(_) => Dialect::Postgres,
        }
    }

    async fn rows(&mut self, asked: Statement, columns: &[Column]) -> Result<Rows, sqlx::Error> {
        match self {
            Self::Sqlite(connection) => {
                let rows = crate::sqlite::query(asked).persistent(false).fetch_all(connection).await?;
                rows.iter().map(|row| cells(row, columns)).collect()
            }
            Self::Postgres(connection) => {
                let rows = crate::postgres::query(asked).persistent(false).fetch_all(connection).await?;
                rows.iter().map(|row| cells(row, columns)).collect()
            }
        }
    }

    async fn execute(&mut self, statement: Statement) -> Result<(), sqlx::Error> {
        match self {
            Self::Sqlite(connection) => {
                crate::sqlite::query(statement).persistent(false).execute(connection).await.map(|_| ())
            }
            Self::Postgres(connection) => {
                crate::postgres::query(statement).persistent(false).execute(connection).await.map(|_| ())
            }
        }
    }

    async fn tell(&mut self, words: &str, context: &'static str) -> Result<(), CopyError> {
        let words = AssertSqlSafe(words.to_owned());
        let done = match self {
            Self::Sqlite(connection) => sqlx::raw_sql(words).execute(connection).await.map(|_| ()),
            Self::Postgres(connection) => sqlx::raw_sql(words).execute(connection).await.map(|_| ()),
        };
        done.map_err(failed(context))
    }

    /// Has nobody write until the transaction that this begins is over: to the end, or until the copy fails.
    async fn hold_still(&mut self) -> Result<(), CopyError> {
        let words = match self {
            Self::Sqlite(_) => "begin immediate".to_owned(),
            Self::Postgres(_) => {
                // Behind the gate nobody commits. Whoever else writes changes a receiver after its events.
                let tables: Vec<&str> = TABLES.iter().rev().map(|table| table.name).collect();
                // While the target is read, nothing is asked of the source.
                format!(
                    "begin; set local idle_in_transaction_session_timeout = 0; lock table gate in exclusive mode; \
                     lock table {} in share mode",
                    tables.join(", ")
                )
            }
        };
        self.tell(&words, "keeping others from writing to the source").await
    }

    /// How many rows of a table come after a place.
    async fn count(&mut self, table: &Table, after: Option<&str>) -> Result<u64, CopyError> {
        let mut sql = Statement::new(self.dialect(), "select count(*) from ");
        sql.push(table.name).push(" where ").push(table.only.unwrap_or("true"));
        table.beyond(&mut sql, after);
        let count = self.rows(sql, &[Column::Integer]).await.map_err(failed("counting rows"))?;
        let Some([Value::Integer(count)]) = count.first().map(Vec::as_slice) else { return Ok(0) };
        Ok(count.unsigned_abs())
    }

    /// The rows of a table after a place, in order, and the place after them; none: these were the last.
    async fn piece(
        &mut self,
        table: &Table,
        after: Option<&str>,
    ) -> Result<(Rows, Option<String>), CopyError> {
        const CONTEXT: &str = "reading rows";
        let dialect = self.dialect();
        match table.key {
            Key::Number(column) => {
                // Keys may have gaps of any size and everywhere: so many that there are make a piece.
                let after: i64 = after.and_then(|after| after.parse().ok()).unwrap_or(i64::MIN);
                let mut last = Statement::new(dialect, "select max(k), (select max(");
                last.push(column).push(") from ").push(table.name).push(") from (select ").push(column);
                last.push(" as k from ")
                    .push(table.name)
                    .push(" where ")
                    .push(column)
                    .push(" > ")
                    .push_bind(after);
                last.push(" group by 1 order by 1 limit ").push_bind(KEYS_TOGETHER).push(") t");
                let ends = self.rows(last, &[Column::MaybeInteger; 2]).await.map_err(failed(CONTEXT))?;
                let Some([Value::Integer(end), Value::Integer(greatest)]) = ends.first().map(Vec::as_slice)
                else {
                    return Ok((Vec::new(), None));
                };
                let mut sql = table.select(dialect);
                sql.push(" where ").push(column).push(" > ").push_bind(after);
                sql.push(" and ").push(column).push(" <= ").push_bind(*end).push(table.order());
                let rows = self.rows(sql, &table.kinds()).await.map_err(failed(CONTEXT))?;
                Ok((rows, (end < greatest).then(|| end.to_string())))
            }
            Key::Names(count) => {
                let mut sql = table.select(dialect);
                sql.push(" where ").push(table.only.unwrap_or("true"));
                table.beyond(&mut sql, after);
                sql.push(table.order()).push(" limit ").push_bind(ROWS_TOGETHER);
                let rows = self.rows(sql, &table.kinds()).await.map_err(failed(CONTEXT))?;
                let is_full = number(rows.len() as u64) == ROWS_TOGETHER;
                let next = rows.last().filter(|_| is_full).map(|row| table::place(&row[..count]));
                Ok((rows, next))
            }
        }
    }

    /// Puts a piece where the target may have other rows, and notes how far that is.
    async fn replace(
        &mut self,
        table: &Table,
        after: Option<&str>,
        next: Option<&str>,
        rows: &Rows,
        part: usize,
    ) -> Result<(), CopyError> {
        const CONTEXT: &str = "writing rows";
        let dialect = self.dialect();
        let mut statements = Vec::new();
        let mut old = Statement::new(dialect, "delete from ");
        old.push(table.name).push(" where true");
        table.beyond(&mut old, after);
        table.until(&mut old, next);
        statements.push(old);
        for some in rows.chunks(VALUES_MAX / table.columns.len()) {
            let mut sql = Statement::new(dialect, "insert into ");
            sql.push(table.name).push(" (").push(table.names()).push(") values ");
            for (at, row) in some.iter().enumerate() {
                for (column, value) in row.iter().enumerate() {
                    sql.push(if column > 0 {
                        ", "
                    } else if at > 0 {
                        ", ("
                    } else {
                        "("
                    });
                    sql.push_bind(value.clone());
                }
                sql.push(")");
            }
            statements.push(sql);
        }
        let mut note = Statement::new(dialect, "update copying set part = ");
        // A table that is complete needs no place.
        note.push_bind(number(part as u64) + i64::from(next.is_none())).push(", place = ");
        note.push_bind(next.map_or(Value::NoText, Value::from));
        statements.push(note);
        self.tell("begin", CONTEXT).await?;
        for statement in statements {
            self.execute(statement).await.map_err(failed(CONTEXT))?;
        }
        self.tell("commit", CONTEXT).await
    }

    /// How many rows a table has, and a hash of them.
    async fn digest(
        &mut self,
        table: &Table,
        told: &mut (dyn FnMut(u64) + Send),
    ) -> Result<(u64, String), CopyError> {
        let (mut count, mut hash, mut place) = (0, Sha256::new(), None);
        loop {
            let (rows, next): (Rows, Option<String>) = self.piece(table, place.as_deref()).await?;
            count += rows.len() as u64;
            for value in rows.iter().flatten() {
                table::feed(&mut hash, value);
            }
            told(rows.len() as u64);
            place = next;
            if place.is_none() {
                return Ok((count, hex::encode(hash.finalize())));
            }
        }
    }

    /// What the target derives from its rows, and that the copy is complete.
    async fn finish(mut self) -> Result<(), CopyError> {
        const CONTEXT: &str = "completing the copy";
        if let Self::Postgres(_) = self {
            let apart = (1_i64 << BITS) - 1;
            let words = format!(
                "begin; \
                 select setval('resource_key_seq', (select coalesce(max(key & {apart}), 0) + 1 from resource), false); \
                 select setval('resource_version_key_seq', \
                     (select coalesce(max(key), 0) + 1 from resource_version), false); \
                 update audit_end e set number = l.number, hash = l.hash from \
                     (select number, hash from audit_link order by number desc limit 1) l; \
                 delete from copying; commit; analyze"
            );
            self.tell(&words, CONTEXT).await?;
        } else {
            self.tell("delete from copying", CONTEXT).await?;
        }
        self.close().await.map_err(failed(CONTEXT))
    }

    async fn close(self) -> Result<(), sqlx::Error> {
        match self {
            Self::Sqlite(connection) => connection.close().await,
            Self::Postgres(connection) => connection.close().await,
        }
    }
}

/// The values of a row.
fn cells(row: &impl Columns, columns: &[Column]) -> Result<Vec<Value>, sqlx::Error> {
    let cell = |(at, column): (usize, &Column)| {
        Ok(match column {
            Column::Integer => Value::Integer(row.integer(at)?),
            Column::MaybeInteger => row.maybe_integer(at)?.map_or(Value::NoInteger, Value::Integer),
            Column::Real => Value::Real(row.real(at)?),
            Column::Text => Value::Text(row.text(at)?),
            Column::MaybeText => row.maybe_text(at)?.map_or(Value::NoText, Value::Text),
            Column::Flag => Value::Flag(row.flag(at)?),
            Column::MaybeBytes => Value::MaybeBytes(row.maybe_bytes(at)?.map(<[u8]>::to_vec)),
        })
    };
    columns.iter().enumerate().map(cell).collect()
}
