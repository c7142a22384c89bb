//! Repair records accepted with their plans derived, beside the floor: the same bytes written by a bare loop.
//!
//! `cargo bench -p endplate-tests`. Both write to files of the same kind (SQLite, WAL, `synchronous = full`), one transaction
//! for each record. There are two floors: one writes each transaction's resources into one table and does nothing else; the other one
//! writes all rows that the store has of it, also those by which it is found, into tables and indexes like the store's. The first says what
//! it costs that there is more to a record than its bytes, the second what it costs to check, derive and decide. The same on PostgreSQL,
//! where `ENDPLATE_BENCH_POSTGRES` names a server, such as `postgres://user@host`; databases are made there and left. There the floors
//! have as many senders as what is measured, and that of rows is taken twice: of rows that a client sends, as whoever inserts them has
//! to, and of rows that the server copies from one table to another by itself, packed as they are.
//!
//! All sides alternate in the same run. Speeds and ratios are medians of the rounds; a ratio is of one round, so that what slows the
//! machine for a while slows all.

use endplate_followup::audit::{Arrival, Call};
use endplate_followup::ports::Clock;
use endplate_followup::{Endplate, Party, Returned, Settings, protocol};
use endplate_server as _; // for its allocator: what is measured is what is served
use endplate_store::packing;
use endplate_tests::median;
use jiff::Timestamp;
use serde_json::Value;
use sqlx::postgres::PgPoolOptions;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteRow, SqliteSynchronous};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection, PgPool, Row, SqliteConnection};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;
use tokio::task::JoinSet;

/// Records of a round.
const RECORDS: usize = 100;
const ROUNDS: usize = 7;
const SENDERS: usize = 16;

/// Stands on the day after the operation.
#[derive(Debug)]
struct Stopped(Timestamp);

impl Clock for Stopped {
    fn now(&self) -> Timestamp {
        self.0
    }

    fn today(&self) -> jiff::civil::Date {
        jiff::tz::Offset::UTC.to_datetime(self.0).date()
    }
}

/// The same record for another patient: identifiers differ, everything else is the same.
fn record(number: usize) -> Value {
    let text = include_str!("../../fixtures/clinic/01-alder.json")
        .replace("P-001", &format!("P-{number:06}"))
        .replace("I-001", &format!("I-{number:06}"))
        .replace("O-001", &format!("O-{number:06}"));
    serde_json::from_str(&text).expect("the fixture is JSON")
}

async fn endplate(address: &str) -> Endplate {
    let store = endplate_store::open(address).await.expect("a store");
    let clock = Arc::new(Stopped("2025-01-15T08:00:00Z".parse().expect("an instant")));
    let party = |display: &str| Party { display: display.to_owned(), reference: None };
    let settings = Settings {
        base: "http://127.0.0.1:8080/fhir".to_owned(),
        protocol: protocol::load(None).expect("the protocol"),
        clinic_lead: party("Clinic lead"),
        scheduler: party("Booking desk"),
        reviews_per_day_max: None,
    };
    Endplate::new(store, clock, settings)
}

/// The use cases as a request calls them; what it does is on record.
fn called(endplate: &Endplate, number: usize) -> Endplate {
    let network = Some("127.0.0.1".to_owned());
    let arrival = Arrival {
        serial: number.to_string(),
        request_id: format!("r-{number}"),
        network,
        ..Arrival::default()
    };
    endplate.called_by(Arc::new(Call::of(arrival)))
}

/// A service that takes records.
struct World {
    endplate: Endplate,
    senders: usize,
    is_audited: bool,
    /// Records that it has.
    taken: usize,
}

impl World {
    async fn at(address: &str, senders: usize, is_audited: bool) -> Self {
        let endplate = endplate(address).await;
        endplate.transaction(record(999_999)).await.expect("the first record, which also makes the surgeon");
        Self { endplate, senders, is_audited, taken: 0 }
    }

    /// Records accepted each second in one round.
    async fn round(&mut self) -> f64 {
        let (first, senders, is_audited) = (self.taken, self.senders, self.is_audited);
        self.taken += RECORDS;
        let start = Instant::now();
        let mut all = JoinSet::new();
        for sender in 0..senders {
            let endplate = self.endplate.clone();
            all.spawn(async move {
                for number in (first + sender..first + RECORDS).step_by(senders) {
                    let endplate = if is_audited { called(&endplate, number) } else { endplate.clone() };
                    endplate.bundle(record(number), Returned::Little).await.expect("a record");
                }
            });
        }
        while let Some(done) = all.join_next().await {
            done.expect("a sender");
        }
        RECORDS as f64 / start.elapsed().as_secs_f64()
    }
}

fn options(file: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(file)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
}

/// The resources of each record as they were stored, in order.
async fn bodies(file: &Path) -> Vec<Vec<String>> {
    let mut connection = options(file).connect().await.expect("the file");
    let rows =
        sqlx::query("select packed from resource_version order by key").fetch_all(&mut connection).await;
    let body = |row: &SqliteRow| packing::unpacked(row.get(0)).expect("a body");
    let all: Vec<String> = rows.expect("bodies").iter().map(body).collect();
    let each = all.len() / (RECORDS + 1);
    all.chunks(each).map(<[String]>::to_vec).collect()
}

/// Transactions each second of a bare loop that inserts the same bytes.
async fn floor(connection: &mut SqliteConnection, records: &[Vec<String>]) -> f64 {
    let start = Instant::now();
    for record in records {
        let mut transaction = connection.begin().await.expect("a transaction");
        for body in record {
            let insert = sqlx::query("insert into body (body) values (?)").bind(body);
            insert.execute(&mut *transaction).await.expect("a row");
        }
        transaction.commit().await.expect("a commit");
    }
    records.len() as f64 / start.elapsed().as_secs_f64()
}

/// The tables that hold what a record is, and by which of their columns it is known whose a row is.
const TABLES: [(&str, &str); 7] = [
    ("resource", "key"),
    ("resource_version", "resource"),
    ("token_row", "resource"),
    ("reference_row", "resource"),
    ("date_row", "resource"),
    ("text_row", "resource"),
    ("quantity_row", "resource"),
];

/// A copy of the rows of some resources, from one place to another, by the database itself.
fn copying(to: &str, from: &str, values: &str) -> Vec<String> {
    let copy = |(table, of): &(&str, &str)| {
        format!("insert into {to}{table} {values} select * from {from}{table} where {of} > $1 and {of} <= $2")
    };
    TABLES.iter().map(copy).collect()
}

/// The last resources of a store, in as many parts as there were records: after which key each begins, and its last one.
fn parts(last: i64, resources: usize) -> Vec<(i64, i64)> {
    let whole = |count: usize| i64::try_from(count).expect("few");
    let each = whole(resources);
    (0..whole(RECORDS)).rev().map(|back| (last - (back + 1) * each, last - back * each)).collect()
}

/// A file with the tables of a store, and nothing in it, beside a store.
async fn empty_beside(file: &Path, store: &Path) -> SqliteConnection {
    drop(endplate_store::open(&format!("sqlite:{}", file.display())).await.expect("a store"));
    let mut connection = options(file).connect().await.expect("the file");
    for (table, _) in TABLES {
        let emptied = format!("delete from {table}");
        sqlx::query(AssertSqlSafe(emptied)).execute(&mut connection).await.expect("nothing");
    }
    sqlx::query("attach ? as store").bind(store.to_str()).execute(&mut connection).await.expect("the store");
    connection
}

/// Transactions each second of a loop that only writes the rows that the last round made.
async fn rows_floor(connection: &mut SqliteConnection, resources: usize) -> f64 {
    let newest = "select max(key) from store.resource";
    let last: i64 = sqlx::query_scalar(newest).fetch_one(&mut *connection).await.expect("resources");
    let text = copying("main.", "store.", "").join("; ");
    let start = Instant::now();
    for (after, until) in parts(last, resources) {
        let mut transaction = connection.begin().await.expect("a transaction");
        let copied = sqlx::query(AssertSqlSafe(text.as_str())).bind(after).bind(until);
        copied.execute(&mut *transaction).await.expect("rows");
        transaction.commit().await.expect("a commit");
    }
    RECORDS as f64 / start.elapsed().as_secs_f64()
}

/// What is bound to a parameter.
#[derive(Clone)]
enum Bound {
    Key(i64),
    Texts(Vec<Option<String>>),
    Bytes(Vec<Option<Vec<u8>>>),
    Wholes(Vec<i64>),
    Reals(Vec<f64>),
    Flags(Vec<bool>),
}

/// Statements, each with what is bound to it.
type Statements = Vec<(String, Vec<Bound>)>;

/// The columns of a table and their types, in order.
async fn columns(pool: &PgPool, table: &str) -> Vec<(String, String)> {
    let asked = "select column_name::text, data_type::text from information_schema.columns \
        where table_schema = 'public' and table_name = $1 order by ordinal_position";
    sqlx::query_as(asked).bind(table).fetch_all(pool).await.expect("columns")
}

/// The rows of the resources between two keys, read, and how a client inserts them elsewhere.
async fn sending(pool: &PgPool, after: i64, until: i64) -> Statements {
    let mut statements = Vec::new();
    for (table, of) in TABLES {
        let asked = format!("select * from public.{table} where {of} > $1 and {of} <= $2");
        let rows = sqlx::query(AssertSqlSafe(asked)).bind(after).bind(until);
        let rows = rows.fetch_all(pool).await.expect("rows");
        let columns = columns(pool, table).await;
        let bound = |(at, (_, kind)): (usize, &(String, String))| match kind.as_str() {
            "bytea" => Bound::Bytes(rows.iter().map(|row| row.get(at)).collect()),
            "text" => Bound::Texts(rows.iter().map(|row| row.get(at)).collect()),
            "bigint" => Bound::Wholes(rows.iter().map(|row| row.get(at)).collect()),
            "double precision" => Bound::Reals(rows.iter().map(|row| row.get(at)).collect()),
            "boolean" => Bound::Flags(rows.iter().map(|row| row.get(at)).collect()),
            other => panic!("{table} has a column of another type: {other}"),
        };
        let numbered = columns.iter().enumerate().map(|(at, (_, kind))| format!("${}::{kind}[]", at + 1));
        let numbered = numbered.collect::<Vec<_>>().join(", ");
        let text =
            format!("insert into sent.{table} overriding system value select * from unnest({numbered})");
        statements.push((text, columns.iter().enumerate().map(bound).collect()));
    }
    statements
}

/// Transactions each second of senders that carry out statements and do nothing else.
async fn carried_out(pool: &PgPool, transactions: Vec<Statements>, senders: usize) -> f64 {
    let many = transactions.len() as f64;
    let start = Instant::now();
    let mut all = JoinSet::new();
    for sender in 0..senders {
        let pool = pool.clone();
        let own: Vec<Statements> = transactions.iter().skip(sender).step_by(senders).cloned().collect();
        all.spawn(async move {
            for statements in own {
                let mut transaction = pool.begin().await.expect("a transaction");
                for (text, bound) in statements {
                    let query =
                        bound.into_iter().fold(
                            sqlx::query(AssertSqlSafe(text)),
                            |query, bound| match bound {
                                Bound::Key(key) => query.bind(key),
                                Bound::Texts(texts) => query.bind(texts),
                                Bound::Bytes(bytes) => query.bind(bytes),
                                Bound::Wholes(wholes) => query.bind(wholes),
                                Bound::Reals(reals) => query.bind(reals),
                                Bound::Flags(flags) => query.bind(flags),
                            },
                        );
                    query.execute(&mut *transaction).await.expect("rows");
                }
                transaction.commit().await.expect("a commit");
            }
        });
    }
    while let Some(done) = all.join_next().await {
        done.expect("a sender");
    }
    many / start.elapsed().as_secs_f64()
}

/// The same of the rows that the last round made, on PostgreSQL, in schemas of their own: as a client sends them, and as the server
/// copies them.
async fn postgres_rows_floors(pool: &PgPool, resources: usize, senders: usize) -> [f64; 2] {
    let newest = "select max(key) from public.resource";
    let last: i64 = sqlx::query_scalar(newest).fetch_one(pool).await.expect("resources");
    let (mut sent, mut copied) = (Vec::new(), Vec::new());
    for (after, until) in parts(last, resources) {
        sent.push(sending(pool, after, until).await);
        let texts = copying("floor.", "public.", "overriding system value").into_iter();
        copied.push(texts.map(|text| (text, vec![Bound::Key(after), Bound::Key(until)])).collect());
    }
    [carried_out(pool, sent, senders).await, carried_out(pool, copied, senders).await]
}

/// Makes a database on the server, without what an earlier run left.
async fn database(server: &str, name: &str) -> String {
    let mut connection = sqlx::PgConnection::connect(&format!("{server}/postgres")).await.expect("a server");
    for statement in [format!("drop database if exists {name}"), format!("create database {name}")] {
        sqlx::raw_sql(AssertSqlSafe(statement)).execute(&mut connection).await.expect("a database");
    }
    format!("{server}/{name}")
}

/// The same bare loop on PostgreSQL: each sender inserts a record's resources with one statement a transaction.
async fn postgres_floor(pool: &PgPool, records: &[Vec<String>], senders: usize) -> f64 {
    const INSERT: &str = "insert into body (body) select * from unnest($1::text[])";
    let bodies = |record: &Vec<String>| Bound::Texts(record.iter().cloned().map(Some).collect());
    let insert = |record| vec![(INSERT.to_owned(), vec![bodies(record)])];
    carried_out(pool, records.iter().map(insert).collect(), senders).await
}

const TABLE: &str =
    "create table body (key bigint primary key generated always as identity, body text not null)";

/// Connections for so many senders, which pack bodies as the store does.
async fn senders_to(address: &str, senders: usize) -> PgPool {
    const PACKED: &str = "select set_config(name, 'lz4', false) from pg_settings \
        where name = 'default_toast_compression' and 'lz4' = any(enumvals)";
    let pool = PgPoolOptions::new().max_connections(senders as u32).after_connect(|connection, _| {
        Box::pin(async { sqlx::query(PACKED).execute(connection).await.map(drop) })
    });
    pool.connect(address).await.expect("a database")
}

async fn on_postgres(server: &str, records: &[Vec<String>]) {
    for senders in [1, SENDERS] {
        let mut world = World::at(&database(server, "endplate_bench").await, senders, false).await;
        let pool = senders_to(&database(server, "endplate_bench_floor").await, senders).await;
        sqlx::query(TABLE).execute(&pool).await.expect("a table");
        // Until tables have statistics, the server plans for what it does not know.
        world.round().await;
        let mut analyze = sqlx::PgConnection::connect(&format!("{server}/endplate_bench")).await.expect("it");
        sqlx::query("analyze").execute(&mut analyze).await.expect("statistics");
        for schema in ["floor", "sent"] {
            let create = format!("create schema {schema}");
            sqlx::query(AssertSqlSafe(create)).execute(&mut analyze).await.expect("a schema");
            for (table, _) in TABLES {
                let like = format!("create table {schema}.{table} (like public.{table} including all)");
                sqlx::query(AssertSqlSafe(like)).execute(&mut analyze).await.expect("a table");
            }
        }
        let beside = senders_to(&format!("{server}/endplate_bench"), senders).await;
        let resources = records.first().map_or(0, Vec::len);
        let mut rounds = Vec::new();
        for _ in 0..ROUNDS {
            let floor = postgres_floor(&pool, records, senders).await;
            let [sent, copied] = postgres_rows_floors(&beside, resources, senders).await;
            rounds.push([world.round().await, floor, sent, copied]);
        }
        let speed = |at: usize| median(rounds.iter().map(|round| round[at]));
        let ratio = |to: usize| median(rounds.iter().map(|round| round[0] / round[to]));
        println!(
            "PostgreSQL, {senders} senders: {:.0} a second ({:.2} of the floor of bytes, {:.0} a second, {:.2} of that of rows, \
             {:.0} a second, and {:.2} of that of rows that the server copies, {:.0} a second; aim 0.5)",
            speed(0),
            ratio(1),
            speed(1),
            ratio(2),
            speed(2),
            ratio(3),
            speed(3),
        );
    }
}

#[tokio::main]
async fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name);
    let address = |name: &str| format!("sqlite:{}", path(name).display());
    let mut worlds = [
        World::at(&address("one.db"), 1, false).await,
        World::at(&address("many.db"), SENDERS, false).await,
        World::at(&address("one-audited.db"), 1, true).await,
        World::at(&address("many-audited.db"), SENDERS, true).await,
    ];
    let mut connection = options(&path("floor.db")).connect().await.expect("a file");
    let table = "create table body (key integer primary key, body text not null)";
    sqlx::query(table).execute(&mut connection).await.expect("a table");
    for world in &mut worlds {
        world.round().await;
    }
    let mut records = bodies(&path("many.db")).await;
    records.truncate(RECORDS);
    let resources = records.first().map_or(0, Vec::len);
    let bytes: usize = records.iter().flatten().map(String::len).sum();
    let mut beside = empty_beside(&path("rows.db"), &path("many.db")).await;
    // Of each round the floors, then the worlds.
    let mut rounds = Vec::new();
    for _ in 0..ROUNDS {
        let mut speeds =
            vec![floor(&mut connection, &records).await, rows_floor(&mut beside, resources).await];
        for world in &mut worlds {
            speeds.push(world.round().await);
        }
        rounds.push(speeds);
    }
    let speed = |at: usize| median(rounds.iter().map(|round| round[at]));
    let ratio = |at: usize, to: usize| median(rounds.iter().map(|round| round[at] / round[to]));
    println!(
        "{ROUNDS} rounds of {RECORDS} repair records, {resources} resources and {} kB each",
        bytes / records.len() / 1000
    );
    for (at, senders) in [(2, "one sender".to_owned()), (3, format!("{SENDERS} senders"))] {
        println!(
            "accepted with their plans, {senders}: {:.0} a second ({:.2} of the floor of bytes, {:.2} of that of rows; aim 0.5)",
            speed(at),
            ratio(at, 0),
            ratio(at, 1)
        );
    }
    println!(
        "the same on record: {:.0} and {:.0} a second ({:.2} and {:.2} of those without)",
        speed(4),
        speed(5),
        ratio(4, 2),
        ratio(5, 3)
    );
    println!("floor of bytes, the same bodies by a bare loop: {:.0} a second", speed(0));
    println!("floor of rows, all that the store has of them by a bare loop: {:.0} a second", speed(1));
    if let Ok(server) = std::env::var("ENDPLATE_BENCH_POSTGRES") {
        on_postgres(&server, &records).await;
    }
}
