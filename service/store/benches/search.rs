//! 50 Tasks due out of 100,000, by the store and by the whole use case, beside the same search as a bare statement on the same
//! file.
//!
//! The three alternate in the same run. Times and ratios are medians of the rounds; a ratio is of one round.
//! `cargo bench -p endplate-store --bench search`.

use endplate_fhir::index::{IndexRow, IndexValue};
use endplate_fhir::search;
use endplate_followup::ports::{Changeset, Clock, Deed, Put, Store, Stored};
use endplate_followup::{Endplate, Party, Settings, protocol};
use endplate_store::{SqliteStore, packing};
use endplate_tests::{median, noise};
use jiff::Timestamp;
use jiff::civil::Date;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteRow};
use sqlx::{Connection, Row, SqliteConnection};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

const TASKS: i64 = 100_000;
const DUE: i64 = 50;
const TOGETHER: i64 = 2_000;
const BODY_BYTES: usize = 2_000;
const ROUNDS: usize = 9;
const SEARCHES: u32 = 200;
const DAY_MS: i64 = 86_400_000;
/// 2026-03-02.
const TODAY_MS: i64 = 20_514 * DAY_MS;
const QUERY: [(&str, &str); 4] =
    [("status", "requested"), ("due", "le2026-03-02"), ("_sort", "due"), ("_count", "50")];

/// Stands still: the search does not ask for the time.
#[derive(Debug)]
struct Stopped;

impl Clock for Stopped {
    fn now(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }

    fn today(&self) -> Date {
        Date::constant(2026, 3, 2)
    }
}

/// One Task: every 2,000th is due and open; as many were due and are done; the rest is due later.
fn task(n: i64) -> Put {
    let spread = n.wrapping_mul(7_919).rem_euclid(TASKS);
    let id = format!("{:016x}", n.wrapping_mul(0x9E37_79B9_7F4A_7C15_u64.cast_signed()));
    // As much of it is like nothing else as real ones have, which are packed into a sixth.
    let own = noise(n.cast_unsigned(), BODY_BYTES / 5);
    let mut body =
        format!(r#"{{"resourceType":"Task","id":"{id}","status":"requested","description":"{own} "#);
    while body.len() < BODY_BYTES - 2 {
        body.push_str("the length of the gap is 1.10 mm; ");
    }
    body.push_str("\"}");
    let token = |param, system: Option<&str>, code: &str| IndexRow {
        param,
        value: IndexValue::Token { system: system.map(str::to_owned), code: code.to_owned() },
    };
    let reference = |param, kind: &str, id: String| IndexRow {
        param,
        value: IndexValue::Reference { kind: kind.to_owned(), id },
    };
    let (start_ms, status) = match spread {
        n if n < DUE => (TODAY_MS - 14 * DAY_MS, "requested"),
        n if n < 20 * DUE => (TODAY_MS - 400 * DAY_MS, "completed"),
        n => (TODAY_MS + (1 + n % 700) * DAY_MS, "requested"),
    };
    let rows = vec![
        token("status", None, status),
        token("intent", None, "order"),
        token("code", Some("https://endplate.example/fhir/CodeSystem/review-purpose"), "review"),
        token("identifier", Some("https://endplate.example/fhir/task"), &id),
        reference("subject", "Patient", format!("{:012}", spread / 20)),
        reference("focus", "ServiceRequest", id.clone()),
        IndexRow { param: "due", value: IndexValue::Date { start_ms, end_ms: start_ms + 7 * DAY_MS } },
    ];
    let stored = Stored { kind: "Task".to_owned(), id, version: 1, at: Timestamp::UNIX_EPOCH, body };
    Put { deed: Deed::Created, stored, patient: None, rows }
}

async fn filled(path: &Path) -> Arc<SqliteStore> {
    let store = SqliteStore::open(&format!("sqlite:{}", path.display())).await.expect("opening");
    for begin in (0..TASKS).step_by(usize::try_from(TOGETHER).unwrap_or(1)) {
        let puts = (begin..begin + TOGETHER).map(task).collect();
        store.commit(Changeset { puts, ..Changeset::default() }).await.expect("committing");
    }
    Arc::new(store)
}

/// What somebody who knows the tables would write.
async fn bare(connection: &mut SqliteConnection) -> usize {
    let rows = sqlx::query(
        "select r.kind, r.id, r.version, r.at_ms, v.packed from date_row d join resource r on r.key = d.resource \
         join resource_version v on v.resource = r.key and v.version = r.version \
         where d.param = 'Task.due' and d.start_ms <= ?1 and (d.start_ms < ?2 or d.end_ms <= ?1) and exists \
         (select 1 from token_row t where t.resource = r.key and t.param = 'Task.status' and t.code = 'requested') \
         order by d.start_ms, r.id limit 51",
    )
    .bind(TODAY_MS + DAY_MS - 1)
    .bind(TODAY_MS)
    .fetch_all(connection)
    .await
    .expect("searching");
    let body = |row: &SqliteRow| packing::unpacked(row.get(4)).expect("a body");
    rows.iter().map(|row| body(row).len() / BODY_BYTES).sum()
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() {
    // Beside the build, and not in a temporary folder, which may be memory.
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("making a folder");
    let path = folder.path().join("search.db");
    let store = filled(&path).await;
    // As much memory for pages as a reader of the store has.
    let options = SqliteConnectOptions::new()
        .filename(&path)
        .journal_mode(SqliteJournalMode::Wal)
        .pragma("cache_size", "-8192")
        .read_only(true);
    let mut connection = SqliteConnection::connect_with(&options).await.expect("opening");
    let party = Party { display: "Clinic".to_owned(), reference: None };
    let settings = Settings {
        base: "http://127.0.0.1:8080/fhir".to_owned(),
        protocol: protocol::load(None).expect("the protocol"),
        clinic_lead: party.clone(),
        scheduler: party,
        reviews_per_day_max: None,
    };
    let endplate = Endplate::new(Arc::clone(&store) as Arc<dyn Store>, Arc::new(Stopped), settings);
    let pairs: Vec<(String, String)> =
        QUERY.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
    let query = search::parse("Task", &pairs, "").expect("a query");
    assert_eq!(bare(&mut connection).await, 50, "the bare statement finds what is due");
    assert_eq!(store.search(&query).await.expect("searching").total, Some(50));
    let mut rounds = Vec::new();
    for _ in 0..ROUNDS {
        let started = Instant::now();
        for _ in 0..SEARCHES {
            bare(&mut connection).await;
        }
        let bare = started.elapsed();
        let started = Instant::now();
        for _ in 0..SEARCHES {
            store.search(&query).await.expect("searching");
        }
        let by_store = started.elapsed();
        let started = Instant::now();
        for _ in 0..SEARCHES {
            endplate.search("Task", &pairs, true).await.expect("searching");
        }
        rounds.push([bare, by_store, started.elapsed()].map(|time| time.as_secs_f64() / f64::from(SEARCHES)));
    }
    println!(
        "50 Tasks due out of {TASKS}, bodies of {BODY_BYTES} bytes; {ROUNDS} rounds of {SEARCHES} searches"
    );
    println!("{:<40} {:>14} {:>14}", "", "microseconds", "of the bare");
    for (at, name) in ["bare statement", "Store::search", "Endplate::search"].iter().enumerate() {
        let time = median(rounds.iter().map(|round| round[at])) * 1e6;
        let ratio = median(rounds.iter().map(|round| round[0] / round[at]));
        println!("{name:<40} {time:>14.0} {ratio:>14.2}");
    }
}
