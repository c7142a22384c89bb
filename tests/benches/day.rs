//! A day at the clinic with few and with many patients stored: a finding that comes in, a sweep, a change of the protocol.
//!
//! `cargo bench -p endplate-tests --bench day`. The store is a SQLite file, durable at each commit. `DAY_PATIENTS` is the number
//! of patients in the large one, 100,000 unless said otherwise; it takes about 11 GB and half an hour to fill. The floor is the
//! same store with few patients, asked in turn with the large one, and a bare transaction of one row.

mod population;

use endplate_fhir::{Json, search};
use endplate_followup::Endplate;
use endplate_followup::ports::Store;
use endplate_store::SqliteStore;
use endplate_tests::median;
use population::{BASE, SetClock, endplate, fill};
use serde_json::json;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

/// Patients who came through the front door; each of them is due once.
const DUE: usize = 500;
/// What is aimed at: service time of a finding, milliseconds.
const FINDING_MS: f64 = 3.0;
/// What is aimed at: large store to small one.
const RATIO: f64 = 1.3;

const OPERATED: &str = "2025-01-15T08:00:00Z";
const SWEPT: &str = "2025-03-01T06:00:00Z";
const EXAMINED: &str = "2025-03-02T09:00:00Z";

/// A store with some patients.
struct House {
    file: PathBuf,
    clock: Arc<SetClock>,
    endplate: Endplate,
    /// Patient and Procedure of those who came through the front door.
    known: Vec<(String, String)>,
}

impl House {
    async fn with(folder: &Path, patients: usize) -> Self {
        let file = folder.join(format!("{patients}.db"));
        let address = format!("sqlite:{}", file.display());
        let store: Arc<dyn Store> = Arc::new(SqliteStore::open(&address).await.expect("a store"));
        let clock = SetClock::at(OPERATED);
        let endplate = endplate(Arc::clone(&store), clock.clone(), None);
        let hook = json!({
            "resourceType": "Subscription", "status": "requested", "reason": "alerts", "criteria": "DetectedIssue?status=final",
            "channel": { "type": "rest-hook", "endpoint": "http://127.0.0.1:9/hook", "payload": "application/fhir+json" },
        });
        endplate.create("Subscription", hook, None).await.expect("a receiver");
        let start = Instant::now();
        fill(&endplate, store.as_ref(), &address, OPERATED, (DUE, patients), || ()).await;
        let known = known(store.as_ref()).await;
        let bytes = std::fs::metadata(&file).expect("a file").len();
        println!(
            "{patients} patients in {:.0} s, {:.1} GB, {} kB each",
            start.elapsed().as_secs_f64(),
            bytes as f64 / 1e9,
            bytes / patients as u64 / 1000
        );
        Self { file, clock, endplate, known }
    }

    /// Seconds that looking at all who are due takes.
    async fn sweep_s(&self) -> f64 {
        self.clock.set(SWEPT);
        let start = Instant::now();
        let report = self.endplate.sweep(&|_| {}).await.expect("a sweep");
        let seconds = start.elapsed().as_secs_f64();
        assert!(report.patients > DUE && report.changed > DUE, "all are due, and the original");
        seconds
    }

    /// Milliseconds from a finding to plan, alerts and outbox being durable.
    async fn finding_ms(&self, number: usize, tinel_mm: u32) -> f64 {
        self.clock.set(EXAMINED);
        let (patient, procedure) = &self.known[number];
        let finding = finding(patient, procedure, tinel_mm);
        let start = Instant::now();
        self.endplate.create("Observation", finding, None).await.expect("a finding");
        start.elapsed().as_secs_f64() * 1e3
    }
}

/// Patient and Procedure of those who came through the front door, in no particular order.
async fn known(store: &dyn Store) -> Vec<(String, String)> {
    let mut known = Vec::new();
    for number in 0..DUE {
        let query = format!("Patient?identifier=https://clinic.example/record-number|P-{number:06}");
        let patient = one(store, &query).await;
        let procedure = one(store, &format!("Procedure?subject=Patient/{patient}")).await;
        known.push((patient, procedure));
    }
    known
}

async fn one(store: &dyn Store, query: &str) -> String {
    let found = store.search(&search::criteria(query, BASE).expect("a search")).await.expect("a page");
    found.resources.first().expect("one").id.clone()
}

fn finding(patient: &str, procedure: &str, tinel_mm: u32) -> Json {
    json!({
        "resourceType": "Observation", "status": "final", "effectiveDateTime": &EXAMINED[..10],
        "code": { "coding": [{ "system": "https://endplate.example/fhir/CodeSystem/exam-finding", "code": "tinel-distance" }] },
        "subject": { "reference": format!("Patient/{patient}") },
        "focus": [{ "reference": format!("Procedure/{procedure}") }],
        "valueQuantity": { "value": tinel_mm, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm" },
    })
}

/// Milliseconds that one row takes to be durable in a file of its own.
async fn bare_ms(folder: &Path) -> f64 {
    let mut connection = SqliteConnectOptions::new()
        .filename(folder.join("bare.db"))
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .connect()
        .await
        .expect("a file");
    sqlx::query("create table body (body text not null)").execute(&mut connection).await.expect("a table");
    let mut all = Vec::new();
    for _ in 0..DUE {
        let start = Instant::now();
        let mut transaction = connection.begin().await.expect("a transaction");
        let insert = sqlx::query("insert into body (body) values (?)").bind("x".repeat(10_000));
        insert.execute(&mut *transaction).await.expect("a row");
        transaction.commit().await.expect("a commit");
        all.push(start.elapsed().as_secs_f64() * 1e3);
    }
    median(all)
}

/// Findings that come in at the small and at the large store in turn.
async fn findings(small: &House, large: &House, what: &str, numbers: std::ops::Range<usize>, tinel_mm: u32) {
    let (mut few, mut many) = (Vec::new(), Vec::new());
    for number in numbers {
        few.push(small.finding_ms(number, tinel_mm).await);
        many.push(large.finding_ms(number, tinel_mm).await);
    }
    let (few, many) = (median(few), median(many));
    println!(
        "{what}: {many:.2} ms (aim {FINDING_MS}), {:.2} times that of the small store with {few:.2} ms (aim {RATIO})",
        many / few
    );
}

/// Episodes moved to another protocol each second, on one core.
async fn moved(folder: &Path) {
    let house = House::with(folder, DUE).await;
    let store: Arc<dyn Store> =
        Arc::new(SqliteStore::open(&format!("sqlite:{}", house.file.display())).await.expect("a store"));
    let other = toml::from_str("[growth]\nrate_mm_per_day = 1.1").expect("TOML");
    let moved = endplate(store, house.clock.clone(), Some(&other));
    for (what, preview) in [("previewed", true), ("moved", false)] {
        let start = Instant::now();
        let report = moved.move_plans(preview, &|_, _| {}).await.expect("a move");
        println!(
            "after a change of the protocol: {:.0} episodes a second {what}, on one core",
            report.moved.plans as f64 / start.elapsed().as_secs_f64()
        );
    }
}

#[tokio::main]
async fn main() {
    let many = std::env::var("DAY_PATIENTS").map_or(100_000, |text| text.parse().expect("a number"));
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a folder");
    let folder = folder.path();
    println!("floor, one row of 10 kB made durable: {:.2} ms", bare_ms(folder).await);
    moved(folder).await;
    let few = House::with(folder, 1_000).await;
    let middle = House::with(folder, 5_000).await;
    let large = House::with(folder, many).await;
    few.sweep_s().await;
    let (middle, many) = (middle.sweep_s().await, large.sweep_s().await);
    println!(
        "a sweep with {DUE} due: {many:.2} s, {:.2} times that of 5000 patients with {middle:.2} s (aim {RATIO})",
        many / middle
    );
    findings(&few, &large, "a finding", 0..DUE / 2, 12).await;
    findings(&few, &large, "a finding that raises an alert", DUE / 2..DUE, 400).await;
}
