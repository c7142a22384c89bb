//! A store with many patients, made in minutes: a few accepted through the front door, the others copied from one of them.
//!
//! A copy has the same resources and rows under ids and identifiers of its own, so that tables and indexes are as large as with
//! patients who came one by one. The database makes it of rows that are there, but for
//! the bodies, each of which is packed by itself. Nobody writes to a copy: its ids are not those that a
//! derivation would give.

use endplate_fhir::{Json, index, json, reference};
use endplate_followup::ports::{Agenda, Changeset, Clock, Deed, Put, Store, Stored};
use endplate_followup::{Endplate, Party, Settings, protocol};
use endplate_server::config::Config; // and its allocator: what is measured is what is served
use endplate_store::packing;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::Offset;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection, SqliteSynchronous};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection, PgConnection};
use std::ops::Range;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

/// The service's own address in all of this.
pub const BASE: &str = "http://127.0.0.1:8080/fhir";

/// How many copies are committed together.
const TOGETHER: usize = 1_000;

/// How long an id is: a UUID as text.
const ID_LEN: usize = 36;

/// A clock that stands where it was set.
#[derive(Debug)]
pub struct SetClock(AtomicI64);

impl SetClock {
    /// Stands at an instant, such as `2025-01-15T08:00:00Z`.
    pub fn at(text: &str) -> Arc<Self> {
        let clock = Arc::new(Self(AtomicI64::new(0)));
        clock.set(text);
        clock
    }

    /// Moves to an instant.
    pub fn set(&self, text: &str) {
        let at: Timestamp = text.parse().expect("an instant");
        self.0.store(at.as_millisecond(), Ordering::SeqCst);
    }
}

impl Clock for SetClock {
    fn now(&self) -> Timestamp {
        Timestamp::from_millisecond(self.0.load(Ordering::SeqCst)).expect("an instant")
    }

    fn today(&self) -> Date {
        Offset::UTC.to_datetime(self.now()).date()
    }
}

/// The use cases on a store, with the published protocol or a clinic's own.
pub fn endplate(store: Arc<dyn Store>, clock: Arc<dyn Clock>, site: Option<&toml::Table>) -> Endplate {
    let party = |display: &str| Party { display: display.to_owned(), reference: None };
    let settings = Settings {
        base: BASE.to_owned(),
        protocol: protocol::load(site).expect("the protocol"),
        clinic_lead: party("Clinic lead"),
        scheduler: party("Booking desk"),
        reviews_per_day_max: None,
    };
    let together = Config::of_defaults().expect("the defaults").sweep_together;
    Endplate::new(store, clock, settings).sweeping(together)
}

/// The repair record of a patient who comes through the front door.
pub fn record(number: usize) -> Json {
    let text = include_str!("../../../fixtures/clinic/01-alder.json")
        .replace("P-001", &format!("P-{number:06}"))
        .replace("I-001", &format!("I-{number:06}"))
        .replace("O-001", &format!("O-{number:06}"));
    serde_json::from_str(&text).expect("the fixture is JSON")
}

/// The number of the copy that all others are made from: a text that stands in its resources nowhere but where copies differ.
const MARK: usize = 99_999_999;

/// What the copies are made from, and the way to the database.
pub struct Original {
    connection: Connected,
    /// The key of the first resource of the copy [`MARK`].
    first: i64,
    /// How many it has; their keys follow each other.
    many: i64,
    /// Their bodies, in the order of keys.
    bodies: Vec<String>,
    at_ms: i64,
    /// How many copies were made, and of how many the planner has heard.
    made: usize,
    heard_of: usize,
}

enum Connected {
    Sqlite(SqliteConnection),
    /// Two, since each keeps one core busy.
    Postgres(Box<[PgConnection; 2]>),
}

/// Tables in which a resource has rows, with the columns whose texts may hold the mark, and the others.
const TABLES: [(&str, &[&str], &[&str]); 5] = [
    ("token_row", &["param", "code", "system"], &[]),
    ("reference_row", &["param", "id", "kind"], &[]),
    ("date_row", &["param"], &["start_ms", "end_ms"]),
    ("text_row", &["param", "value", "exact"], &[]),
    ("quantity_row", &["param", "code", "system", "unit"], &["low", "high"]),
];

/// What PostgreSQL is told while copies are made: to wait for no disk, and to compile no statement, of which each is run once.
const HASTE: [&str; 5] =
    ["fsync = off", "full_page_writes = off", "max_wal_size = '8GB'", "jit = off", "autovacuum = off"];

/// The id of a copy: that of the original up to its last eight digits, which are the copy's number.
fn copied(id: &str, number: usize) -> String {
    format!("{}{number:08}", &id[..ID_LEN - 8])
}

impl Original {
    /// Takes the records of a patient with this number, who came through the front door, and all that was made of them, on the store
    /// at this address.
    pub async fn of(store: &dyn Store, address: &str, number: usize, at: Timestamp) -> Self {
        let mut of_patient = endplate_fhir::search::criteria(
            &format!("Patient?identifier=https://clinic.example/record-number|P-{number:06}"),
            BASE,
        )
        .expect("a search");
        of_patient.count = 2;
        let found = store.search(&of_patient).await.expect("a page").resources;
        let patient = found.first().expect("the patient").id.clone();
        let resources = store.compartment(&patient).await.expect("a compartment").resources;
        assert!(resources.iter().all(|one| one.id.len() == ID_LEN), "ids are UUIDs");
        let mark = MARK.to_string();
        let marked = |text: &str| {
            assert!(!text.contains(&mark), "the mark is nowhere else");
            let text = text.replace(&format!("{number:06}"), &mark);
            resources.iter().fold(text, |text, one| text.replace(&one.id, &copied(&one.id, MARK)))
        };
        let put = |one: &Stored| {
            let body = marked(&one.body);
            let resource = json::stored(&body);
            let (rows, patient) = (index::rows(&resource, BASE), reference::patient_of(&resource, BASE));
            let stored = Stored { kind: one.kind.clone(), id: copied(&one.id, MARK), version: 1, at, body };
            Put { stored, deed: Deed::Created, patient, rows }
        };
        let patient = copied(&patient, MARK);
        let agenda = Agenda { patient: patient.clone(), due_on: Some(Date::constant(2099, 1, 1)) };
        let puts: Vec<Put> = resources.iter().map(put).collect();
        let bodies = puts.iter().map(|put| put.stored.body.clone()).collect();
        let many = puts.len();
        let change = Changeset { at: Some(at), agenda: vec![agenda], puts, ..Changeset::default() };
        store.commit(change).await.expect("the copy that the others are made from");
        let keys = format!("select min(key), max(key) from resource where id like '%{MARK}'");
        // Nobody waits for copies: what is lost of them is lost with the measurement.
        let (connection, (first, last)): (_, (i64, i64)) = if address.starts_with("sqlite:") {
            let options: SqliteConnectOptions = address.parse().expect("an address");
            let options = options.synchronous(SqliteSynchronous::Off);
            let options = options.pragma("cache_size", "-262144").pragma("wal_autocheckpoint", "50000");
            let mut one = options.connect().await.expect("a database");
            let keys = sqlx::query_as(AssertSqlSafe(keys)).fetch_one(&mut one).await.expect("keys");
            (Connected::Sqlite(one), keys)
        } else {
            let mut one = PgConnection::connect(address).await.expect("a database");
            let keys = sqlx::query_as(AssertSqlSafe(keys)).fetch_one(&mut one).await.expect("keys");
            for setting in HASTE {
                let set = format!("alter system set {setting}");
                sqlx::raw_sql(AssertSqlSafe(set)).execute(&mut one).await.expect("a setting");
            }
            sqlx::raw_sql("select pg_reload_conf()").execute(&mut one).await.expect("settings");
            let other = PgConnection::connect(address).await.expect("a database");
            (Connected::Postgres(Box::new([one, other])), keys)
        };
        assert_eq!(usize::try_from(last - first + 1), Ok(many), "keys of one commit follow each other");
        let (many, at_ms) = (last - first + 1, at.as_millisecond());
        let mut original = Self { connection, first, many, bodies, at_ms, made: 0, heard_of: 1 };
        // Apart, where no planner has to guess how few they are.
        let whose = format!("between {first} and {last}");
        original.copied_from("resource", &format!("key {whose}")).await;
        for (table, ..) in TABLES {
            original.copied_from(table, &format!("resource {whose}")).await;
        }
        original.copied_from("agenda", &format!("patient = '{patient}'")).await;
        original
    }

    async fn copied_from(&mut self, table: &str, of: &str) {
        let made =
            format!("create temporary table if not exists of_{table} as select * from {table} where {of}; ");
        self.tell([made.clone(), made]).await;
    }

    /// Has two texts done, at once where there are two connections.
    async fn tell(&mut self, [one, other]: [String; 2]) {
        match &mut self.connection {
            Connected::Sqlite(connection) => {
                let whole = AssertSqlSafe(format!("begin; {one} {other} commit"));
                sqlx::raw_sql(whole).execute(connection).await.expect("a transaction");
            }
            Connected::Postgres(connections) => {
                let [here, there] = connections.as_mut();
                let (one, other) = (sqlx::raw_sql(AssertSqlSafe(one)), sqlx::raw_sql(AssertSqlSafe(other)));
                let done = tokio::try_join!(one.execute(here), other.execute(there));
                done.expect("two transactions");
            }
        }
    }

    /// The key that the next copy begins at.
    async fn next_key(&mut self) -> i64 {
        const NEXT: &str = "select max(key) + 1 from resource";
        let next = match &mut self.connection {
            Connected::Sqlite(one) => sqlx::query_scalar(NEXT).fetch_one(one).await,
            Connected::Postgres(both) => sqlx::query_scalar(NEXT).fetch_one(&mut both[0]).await,
        };
        next.expect("a key")
    }

    /// The bodies of copies, in the order of keys.
    fn packed(&self, numbers: Range<usize>) -> Vec<Vec<u8>> {
        let (mark, mut packed) = (MARK.to_string(), Vec::new());
        for number in numbers {
            let name = format!("{number:08}");
            for body in &self.bodies {
                let body = body.replace(&mark, &name);
                packed.push(packing::packed(&body).expect("a frame"));
            }
        }
        packed
    }

    /// Adds bodies of resources whose keys go on from `start`.
    async fn tell_bodies(&mut self, start: i64, packed: Vec<Vec<u8>>) {
        match &mut self.connection {
            Connected::Sqlite(connection) => {
                let packed: Vec<String> = packed.iter().map(hex::encode).collect();
                let insert = "insert into resource_version (resource, version, at_ms, body, deed, packed) \
                    select ?1 + key, 1, ?2, '', 0, unhex(value) from json_each(?3)";
                let insert = sqlx::query(insert).bind(start).bind(self.at_ms);
                let packed = serde_json::to_string(&packed).expect("JSON");
                insert.bind(packed).execute(connection).await.expect("bodies");
            }
            Connected::Postgres(connections) => {
                let insert = "insert into resource_version (resource, version, at_ms, body, deed, packed) \
                    select $1 + place - 1, 1, $2, '', 0, packed from unnest($3::bytea[]) with ordinality u (packed, place)";
                let insert = sqlx::query(insert).bind(start).bind(self.at_ms);
                insert.bind(packed).execute(&mut connections[0]).await.expect("bodies");
            }
        }
    }

    /// Adds the copies with these numbers of eight digits. Each is due on a day that is far away.
    pub async fn fill(&mut self, numbers: Range<usize>) {
        let mut from = numbers.start;
        while from < numbers.end {
            let to = numbers.end.min(from + TOGETHER);
            let start = self.next_key().await;
            let both = self.statements(from..to, start);
            let packed = self.packed(from..to);
            self.tell(both).await;
            self.tell_bodies(start, packed).await;
            (self.made, from) = (self.made + to - from, to);
        }
        // As autovacuum does, which is off: or else PostgreSQL plans as if tables were empty, and reads them to their end.
        if let Connected::Postgres(both) = &mut self.connection
            && self.made >= 2 * self.heard_of
        {
            sqlx::raw_sql("analyze").execute(&mut both[0]).await.expect("statistics");
            self.heard_of = self.made;
        }
    }

    /// Leaves the database as it comes, with all copies on the disk and statistics of them. Autovacuum has all copies before it, and
    /// goes on with them while things are measured, at the pace that it keeps.
    async fn done(self) {
        match self.connection {
            Connected::Sqlite(mut one) => {
                let all = sqlx::raw_sql("pragma wal_checkpoint(truncate)").execute(&mut one);
                all.await.expect("a file without a log");
            }
            Connected::Postgres(mut both) => {
                for sql in ["analyze", "checkpoint", "alter system reset all", "select pg_reload_conf()"] {
                    sqlx::raw_sql(sql).execute(&mut both[0]).await.expect("a statement");
                }
            }
        }
        // Or else the system is busy with it long after.
        assert!(Command::new("sync").status().is_ok_and(|status| status.success()), "all is on the disk");
    }

    /// What adds copies: resources with their versions, and what these are found by. Keys go on from `start` in the order of numbers.
    fn statements(&self, numbers: Range<usize>, start: i64) -> [String; 2] {
        let (first, each, from, to) = (self.first, self.many, numbers.start, numbers.end);
        let of_postgres = matches!(self.connection, Connected::Postgres(_));
        let numbered = if of_postgres {
            format!(
                "with n (i, name) as (select i, lpad(i::text, 8, '0') from generate_series({from}, {to} - 1) i)"
            )
        } else {
            format!(
                "with recursive n (i, name) as (select {from}, printf('%08d', {from}) \
                 union all select i + 1, printf('%08d', i + 1) from n where i + 1 < {to})"
            )
        };
        let named = |column: &str| format!("replace(t.{column}, '{MARK}', n.name)");
        let key = |column: &str| format!("{start} + (n.i - {from}) * {each} + t.{column} - {first}");
        let insert = |table: &str, columns: &str, values: String| {
            format!(
                "insert into {table} ({columns}) {numbered} select {values} from n cross join of_{table} t; "
            )
        };
        let values = format!(
            "{}, t.kind, {}, t.version, t.at_ms, {}, t.deleted",
            key("key"),
            named("id"),
            named("patient")
        );
        let mut records = insert("resource", "key, kind, id, version, at_ms, patient, deleted", values);
        let values = format!("{}, t.due_day", named("patient"));
        records += &insert("agenda", "patient, due_day", values);
        if of_postgres {
            let moved = format!("select setval('resource_key_seq', {start} + ({to} - {from}) * {each}); ");
            records.push_str(&moved);
        }
        let rows = |(table, texts, others): (&str, &[&str], &[&str])| {
            let columns: Vec<&str> = texts.iter().chain(others).copied().chain(["resource"]).collect();
            let values = texts.iter().map(|column| named(column));
            let values = values.chain(others.iter().map(|column| format!("t.{column}")));
            let values: Vec<String> = values.chain([key("resource")]).collect();
            insert(table, &columns.join(", "), values.join(", "))
        };
        [records, TABLES.map(rows).concat()]
    }
}

/// Fills a store at an instant, with so many who are due among so many: these through the front door, and copies between them, as
/// others would be. Before each of them it is its `turn`.
pub async fn fill(
    endplate: &Endplate,
    store: &dyn Store,
    address: &str,
    at: &str,
    (due, episodes): (usize, usize),
    turn: impl Fn(),
) {
    let number = 777_777;
    turn();
    endplate.transaction(record(number)).await.expect("the original");
    let mut original = Original::of(store, address, number, at.parse().expect("an instant")).await;
    let copies = episodes / due - 1;
    for number in 0..due {
        turn();
        endplate.transaction(record(number)).await.expect("a record");
        let first = 10_000_000 + number * copies;
        original.fill(first..first + copies).await;
    }
    original.done().await;
}
