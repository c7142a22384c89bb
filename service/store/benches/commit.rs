//! Commits a second of a realistic changeset, beside a floor that does nothing but store the bodies: the same database,
//! the same settings, one table, one transaction a changeset, written in a bare loop.
//!
//! Both sides alternate in the same run. Speeds and ratios are medians of the rounds; a ratio is of one round, so that what
//! slows the machine for a while slows both. `cargo bench -p endplate-store`.

use endplate_fhir::index::{IndexRow, IndexValue};
use endplate_followup::ports::{Agenda, Changeset, Deed, Notice, Put, Scope, Store, Stored};
use endplate_store::SqliteStore;
use endplate_tests::{median, noise};
use futures_util::future::join_all;
use jiff::Timestamp;
use jiff::civil::Date;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{Connection, SqliteConnection};
use std::path::Path;
use std::time::Instant;

const RESOURCES: usize = 30;
const BODY_BYTES: usize = 2_000;
const NOTICES: usize = 10;
const COMMITS: usize = 320;
const ROUNDS: usize = 9;

/// Like an id that is a hash of what it stands for: spread over the whole index.
fn id(changeset: usize, resource: usize) -> String {
    let mut z = ((changeset as u64) << 16 | resource as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    format!("{z:016x}-{changeset}-{resource}")
}

fn body(id: &str) -> String {
    // As much of it is like nothing else as real ones have, which are packed into a sixth.
    let own = noise(u64::from_str_radix(&id[..16], 16).expect("a number"), BODY_BYTES / 5);
    let head = format!(r#"{{"resourceType":"Task","id":"{id}","description":"{own} "#);
    let filler = "the length of the \\\"gap\\\" is 1.10 mm; ";
    let mut body = head;
    while body.len() < BODY_BYTES - 2 {
        body.push_str(filler);
    }
    body.push_str("\"}");
    body
}

/// Eight rows, of the kinds that a Task has.
fn rows(patient: &str, n: usize) -> Vec<IndexRow> {
    let token = |param, system: Option<&str>, code: String| IndexRow {
        param,
        value: IndexValue::Token { system: system.map(str::to_owned), code },
    };
    let reference = |param, kind: &str, id: &str| IndexRow {
        param,
        value: IndexValue::Reference { kind: kind.to_owned(), id: id.to_owned() },
    };
    let day_ms = 86_400_000;
    let start_ms = 1_700_000_000_000 + i64::try_from(n % 700).unwrap_or_default() * day_ms;
    vec![
        token("status", None, "requested".to_owned()),
        token("intent", None, "order".to_owned()),
        token(
            "code",
            Some("https://endplate.example/fhir/CodeSystem/review-purpose"),
            format!("review-{}", n % 6),
        ),
        token("identifier", Some("https://endplate.example/fhir/task"), format!("{patient}-{n}")),
        reference("patient", "Patient", patient),
        reference("based-on", "CarePlan", patient),
        IndexRow { param: "due", value: IndexValue::Date { start_ms, end_ms: start_ms + 14 * day_ms } },
        reference("focus", "Procedure", &format!("{patient}-{}", n % 3)),
    ]
}

fn change(changeset: usize) -> Changeset {
    let patient = id(changeset, RESOURCES);
    let at_ms = 1_700_000_000_000 + i64::try_from(changeset).unwrap_or_default();
    let at = Timestamp::from_millisecond(at_ms).unwrap_or_default();
    let puts = (0..RESOURCES).map(|resource| {
        let id = id(changeset, resource);
        let body = body(&id);
        let stored = Stored { kind: "Task".to_owned(), id, version: 1, at, body };
        Put { stored, deed: Deed::Created, patient: Some(patient.clone()), rows: rows(&patient, resource) }
    });
    let notices = (0..NOTICES).map(|n| Notice {
        receiver: format!("subscription-{}", n % 2),
        kind: "Task".to_owned(),
        id: id(changeset, n),
        version: 1,
    });
    Changeset {
        at: Some(at),
        scopes: vec![Scope { key: format!("Patient/{patient}"), generation: 0 }],
        puts: puts.collect(),
        notices: notices.collect(),
        agenda: vec![Agenda { patient: patient.clone(), due_on: Some(Date::constant(2026, 3, 1)) }],
        ..Changeset::default()
    }
}

/// Commits a second with this many committers at a time.
async fn ours(path: &Path, committers: usize) -> f64 {
    let store = SqliteStore::open(&format!("sqlite:{}", path.display())).await.expect("opening");
    let mut changes: Vec<Changeset> = (0..COMMITS).map(change).collect();
    let shares: Vec<Vec<Changeset>> =
        (0..committers).map(|_| changes.split_off(changes.len() - COMMITS / committers)).collect();
    let started = Instant::now();
    join_all(shares.into_iter().map(|share| async {
        for change in share {
            store.commit(change).await.expect("committing");
        }
    }))
    .await;
    COMMITS as f64 / started.elapsed().as_secs_f64()
}

/// Changesets a second when nothing but the bodies is stored.
async fn floor(path: &Path) -> f64 {
    let options = SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        .pragma("wal_autocheckpoint", "4000")
        .pragma("temp_store", "memory");
    let mut connection = SqliteConnection::connect_with(&options).await.expect("opening");
    let table = "create table body (key integer primary key, body text not null) strict";
    sqlx::query(table).execute(&mut connection).await.expect("making the table");
    let changes: Vec<Changeset> = (0..COMMITS).map(change).collect();
    let started = Instant::now();
    for change in &changes {
        let mut transaction = connection.begin().await.expect("beginning");
        for put in &change.puts {
            let insert = sqlx::query("insert into body (body) values (?)").bind(&put.stored.body);
            insert.execute(&mut *transaction).await.expect("inserting");
        }
        transaction.commit().await.expect("committing");
    }
    COMMITS as f64 / started.elapsed().as_secs_f64()
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() {
    // Beside the build, and not in a temporary folder, which may be memory.
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("making a folder");
    let mut rounds = Vec::new();
    for round in 0..ROUNDS {
        let path = |name: &str| folder.path().join(format!("{name}-{round}.db"));
        rounds.push([
            floor(&path("floor")).await,
            ours(&path("one"), 1).await,
            ours(&path("sixteen"), 16).await,
        ]);
    }
    println!(
        "{RESOURCES} resources of {BODY_BYTES} bytes with 8 index rows each, 1 counter, {NOTICES} notices"
    );
    println!("{ROUNDS} rounds of {COMMITS} commits                         commits/s   of the floor");
    let names = ["floor: bodies alone, 1 committer", "store, 1 committer", "store, 16 committers"];
    for (at, name) in names.iter().enumerate() {
        let speed = median(rounds.iter().map(|round| round[at]));
        let ratio = median(rounds.iter().map(|round| round[at] / round[0]));
        println!("{name:<40} {speed:>14.0} {ratio:>14.2}");
    }
}
