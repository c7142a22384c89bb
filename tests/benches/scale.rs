//! What the service costs as the number of episodes grows, on both stores: a write with its plan, a finding, a read, a search, a
//! sweep, the start, memory and disk; each beside its floor on the same database in the same run.
//!
//! `cargo bench -p endplate-tests --bench scale`. `SCALE_EPISODES` lists the sizes, `1000,10000,100000` unless said otherwise, and
//! `SCALE_STORES` names the stores, `sqlite,postgres`. PostgreSQL is a server of its own, durable as it comes; its floor is what it
//! does itself: the same bytes by bare inserts. An episode takes 66 kB of disk on SQLite, 100 kB on PostgreSQL, and its copy 3 ms, so
//! that 1,000,000 take an hour on each store. Where there is less disk, `SCALE_FOLDER` names a folder on a file system that compresses:
//! copies are much alike.
//!
//! Several of these may run side by side in one folder: while one measures, the others stop filling.

mod population;
mod program;

use endplate_fhir::{Json, search};
use endplate_followup::ports::{Clock, Store};
use endplate_store::open;
use endplate_tests::median;
use endplate_tests::postgres::Server;
use population::{BASE, SetClock, endplate, fill, record};
use program::{Running, binary};
use serde_json::json;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection, PgConnection};
use std::fs::File;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

/// Episodes that came through the front door; each of them is due once.
const DUE: usize = 1_000;
/// Episodes of a large group of hospitals.
const MOST: usize = 1_000_000;
/// Times that each thing is done.
const TIMES: usize = 200;
/// Starts of the program.
const STARTS: usize = 3;

const OPERATED: &str = "2025-01-15T08:00:00Z";
const SWEPT: &str = "2025-03-01T06:00:00Z";
const EXAMINED: &str = "2025-03-02T09:00:00Z";

/// What was measured of one store with one number of episodes.
struct Row {
    episodes: usize,
    kb_each: f64,
    write_ms: f64,
    floor_ms: f64,
    finding_ms: f64,
    read_ms: f64,
    search_ms: f64,
    sweep_s: f64,
    numbers_ms: f64,
    start_ms: f64,
    memory_mb: f64,
}

/// Processes that fill stores beside each other, and measure each alone.
struct Turns {
    /// Who measures holds it, and so does who waits to measure: nobody goes on filling meanwhile.
    door: File,
    /// Who fills shares it.
    floor: File,
}

impl Turns {
    /// Among those who name the same folder.
    fn of(folder: &Path) -> Self {
        let file = |name| File::create(folder.join(name)).expect("a folder that can be written to");
        Self { door: file("door.lock"), floor: file("floor.lock") }
    }

    /// Waits until nobody measures, or wants to, and goes on filling.
    fn fill(&self) {
        self.floor.unlock().expect("a lock");
        self.door.lock().expect("a lock");
        self.floor.lock_shared().expect("a lock");
        self.door.unlock().expect("a lock");
    }

    /// Waits until nobody fills; nobody will until this one leaves.
    fn measure(&self) {
        self.floor.unlock().expect("a lock");
        self.door.lock().expect("a lock");
        self.floor.lock().expect("a lock");
    }

    /// Lets the others go on.
    fn leave(&self) {
        self.floor.unlock().expect("a lock");
        self.door.unlock().expect("a lock");
    }
}

/// The median time of a thing that is done some times, ms; told at once, so that it is known whatever becomes of the rest.
async fn timed<F: Future<Output = ()>>(name: &str, what: impl Fn(usize) -> F) -> f64 {
    let mut all = Vec::new();
    for number in 0..TIMES {
        let start = Instant::now();
        what(number).await;
        all.push(start.elapsed().as_secs_f64() * 1e3);
    }
    let took_ms = median(all);
    eprintln!("  {name}: {took_ms:.3} ms");
    took_ms
}

/// The bodies of one accepted record by a bare loop on the same database, ms a record.
async fn floor_ms(address: &str, bodies: &[String]) -> f64 {
    let mut all = Vec::new();
    if let Some(file) = address.strip_prefix("sqlite:") {
        let mut connection = SqliteConnectOptions::new()
            .filename(format!("{file}.floor"))
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .connect()
            .await
            .expect("a file");
        sqlx::query("create table body (body text not null)")
            .execute(&mut connection)
            .await
            .expect("a table");
        for _ in 0..TIMES {
            let start = Instant::now();
            let mut transaction = connection.begin().await.expect("a transaction");
            for body in bodies {
                let insert = sqlx::query("insert into body (body) values (?)").bind(body);
                insert.execute(&mut *transaction).await.expect("a row");
            }
            transaction.commit().await.expect("a commit");
            all.push(start.elapsed().as_secs_f64() * 1e3);
        }
    } else {
        let mut connection = PgConnection::connect(address).await.expect("a database");
        let table = "create table if not exists floor_body (body text not null)";
        sqlx::query(table).execute(&mut connection).await.expect("a table");
        for _ in 0..TIMES {
            let start = Instant::now();
            let insert = sqlx::query("insert into floor_body (body) select * from unnest($1::text[])");
            insert.bind(bodies).execute(&mut connection).await.expect("rows");
            all.push(start.elapsed().as_secs_f64() * 1e3);
        }
        sqlx::query("drop table floor_body").execute(&mut connection).await.expect("a table");
    }
    median(all)
}

/// What a store takes on the disk, bytes.
async fn bytes(address: &str) -> u64 {
    if let Some(file) = address.strip_prefix("sqlite:") {
        return std::fs::metadata(file).expect("a file").len();
    }
    let mut connection = PgConnection::connect(address).await.expect("a database");
    let size: i64 = sqlx::query_scalar("select pg_database_size(current_database())")
        .fetch_one(&mut connection)
        .await
        .expect("a size");
    size.unsigned_abs()
}

async fn one(store: &dyn Store, query: &str) -> String {
    let found = store.search(&search::criteria(query, BASE).expect("a search")).await.expect("a page");
    found.resources.first().expect("one").id.clone()
}

fn finding(patient: &str, procedure: &str) -> Json {
    json!({
        "resourceType": "Observation", "status": "final", "effectiveDateTime": &EXAMINED[..10],
        "code": { "coding": [{ "system": "https://endplate.example/fhir/CodeSystem/exam-finding", "code": "tinel-distance" }] },
        "subject": { "reference": format!("Patient/{patient}") },
        "focus": [{ "reference": format!("Procedure/{procedure}") }],
        "valueQuantity": { "value": 12, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm" },
    })
}

/// Starts of the program on this store, ms, and what it holds once it has answered some searches, MB.
async fn started(address: &str) -> (f64, f64) {
    let binary = binary();
    let client = reqwest::Client::builder().no_proxy().tls_certs_only([]).build().expect("a client");
    let command = |listen: &str| {
        let mut command = Command::new(&binary);
        command.env_clear().args(["serve", "--store", address, "--listen", listen]);
        command
    };
    let (mut starts, mut memory) = (Vec::new(), 0.0);
    for _ in 0..STARTS {
        let running = Running::of(&client, command).await;
        starts.push(running.ready_ms);
        for page in 1..=TIMES {
            let url = format!("{}/fhir/Patient?_count={}", running.base, page % 50 + 1);
            assert!(client.get(url).send().await.expect("an answer").status().is_success());
        }
        memory = running.memory_mb();
    }
    (median(starts), memory)
}

async fn measured(address: &str, episodes: usize, turns: &Turns) -> Row {
    let store = open(address).await.expect("a store");
    let clock = SetClock::at(OPERATED);
    let endplate = endplate(Arc::clone(&store), clock.clone(), None);
    let start = Instant::now();
    fill(&endplate, store.as_ref(), address, OPERATED, (DUE, episodes), || turns.fill()).await;
    let filled_s = start.elapsed().as_secs_f64();
    turns.measure();
    let kb_each = bytes(address).await as f64 / 1e3 / episodes as f64;
    eprintln!("{} with {episodes} episodes: {filled_s:.0} s", scheme(address));

    let endplate = &endplate;
    let write_ms = timed("a record with its plan", |number| async move {
        endplate.transaction(record(500_000 + number)).await.expect("a record");
    })
    .await;
    let patient =
        one(store.as_ref(), "Patient?identifier=https://clinic.example/record-number|P-500000").await;
    let compartment = store.compartment(&patient).await.expect("a compartment").resources;
    let bodies: Vec<String> = compartment.into_iter().map(|stored| stored.body).collect();
    let floor_ms = floor_ms(address, &bodies).await;

    clock.set(SWEPT);
    let start = Instant::now();
    let report = endplate.sweep(&|_| {}).await.expect("a sweep");
    let sweep_s = start.elapsed().as_secs_f64();
    eprintln!("  a sweep: {sweep_s:.1} s");
    assert!(report.changed >= DUE, "all are due");

    clock.set(EXAMINED);
    let mut known = Vec::new();
    for number in 0..TIMES {
        let query = format!("Patient?identifier=https://clinic.example/record-number|P-{number:06}");
        let patient = one(store.as_ref(), &query).await;
        let procedure = one(store.as_ref(), &format!("Procedure?subject=Patient/{patient}")).await;
        known.push((patient, procedure));
    }
    let known = &known;
    let finding_ms = timed("a finding", |number| async move {
        let (patient, procedure) = &known[number];
        endplate.create("Observation", finding(patient, procedure), None).await.expect("a finding");
    })
    .await;
    let read_ms = timed("a read", |number| async move {
        endplate.read("Patient", &known[number].0).await.expect("a patient");
    })
    .await;
    let search_ms = timed("a search", |number| async move {
        let pairs = [("subject", format!("Patient/{}", known[number].0)), ("status", "requested".to_owned())];
        let pairs: Vec<_> = pairs.into_iter().map(|(name, value)| (name.to_owned(), value)).collect();
        endplate.search("Task", &pairs, true).await.expect("a search");
    })
    .await;
    let (now, today) = (clock.now(), clock.today());
    let numbers_ms = timed("the numbers of /metrics", |_| async {
        store.tally(now, today).await.expect("numbers");
    })
    .await;
    let (start_ms, memory_mb) = started(address).await;
    Row {
        episodes,
        kb_each,
        write_ms,
        floor_ms,
        finding_ms,
        read_ms,
        search_ms,
        sweep_s,
        numbers_ms,
        start_ms,
        memory_mb,
    }
}

fn scheme(address: &str) -> &str {
    if address.starts_with("sqlite") { "SQLite" } else { "PostgreSQL" }
}

fn tell(what: &str, row: &Row, least: &Row) {
    let times = |of: fn(&Row) -> f64| of(row) / of(least);
    println!(
        "{what}, {} episodes: {:.0} kB each; a record with its plan {:.2} ms ({:.2} of the floor's speed, {:.2} ms; aim 0.5), a finding {:.2} ms, \
         a read {:.3} ms, a search {:.2} ms, a sweep with {DUE} due {:.1} s, the numbers of /metrics {:.1} ms, \
         ready after {:.0} ms, {:.0} MB",
        row.episodes,
        row.kb_each,
        row.write_ms,
        row.floor_ms / row.write_ms,
        row.floor_ms,
        row.finding_ms,
        row.read_ms,
        row.search_ms,
        row.sweep_s,
        row.numbers_ms,
        row.start_ms,
        row.memory_mb
    );
    if row.episodes > least.episodes {
        println!(
            "{what}, {} to {} episodes: write {:.2} times, finding {:.2}, read {:.2}, search {:.2}, sweep {:.2} (aim 1.3), \
             start {:.2} (aim 1.2), memory {:.2} (aim 1.2)",
            row.episodes,
            least.episodes,
            times(|row| row.write_ms),
            times(|row| row.finding_ms),
            times(|row| row.read_ms),
            times(|row| row.search_ms),
            times(|row| row.sweep_s),
            times(|row| row.start_ms),
            times(|row| row.memory_mb)
        );
    }
}

#[tokio::main]
async fn main() {
    _ = rustls::crypto::ring::default_provider().install_default();
    let listed = |name: &str, usual: &str| std::env::var(name).unwrap_or_else(|_| usual.to_owned());
    let sizes: Vec<usize> = listed("SCALE_EPISODES", "1000,10000,100000")
        .split(',')
        .map(|size| size.trim().parse().expect("numbers of episodes, with commas between them"))
        .collect();
    let parent = listed("SCALE_FOLDER", env!("CARGO_TARGET_TMPDIR"));
    let turns = Turns::of(Path::new(&parent));
    for which in listed("SCALE_STORES", "sqlite,postgres").split(',') {
        let folder = tempfile::tempdir_in(&parent).expect("a folder");
        let server = (which == "postgres").then(|| Server::durable(Path::new(&parent)));
        let mut least: Option<Row> = None;
        for &size in &sizes {
            let address = match &server {
                Some(server) => server.database(&format!("scale_{size}")).await,
                None => format!("sqlite:{}", Path::new(folder.path()).join(format!("{size}.db")).display()),
            };
            let row = measured(&address, size, &turns).await;
            turns.leave();
            tell(scheme(&address), &row, least.as_ref().unwrap_or(&row));
            least = least.or(Some(row));
            if size == sizes[sizes.len() - 1] && size < MOST {
                let gb = least.as_ref().map_or(0.0, |row| row.kb_each) * MOST as f64 / 1e6;
                println!(
                    "{}, {MOST} episodes: not run; they would take {gb:.0} GB of disk",
                    scheme(&address)
                );
            }
            if server.is_none() {
                for file in std::fs::read_dir(folder.path()).expect("a folder") {
                    // The store that was closed may take some of them away itself.
                    let _ = std::fs::remove_file(file.expect("a file").path());
                }
            }
        }
    }
}
