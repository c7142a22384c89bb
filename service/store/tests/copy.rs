//! Copies of a store: complete, interrupted, and of a source that changes meanwhile.

use endplate_fhir::index::{IndexRow, IndexValue, Number};
use endplate_followup::ports::{
    Agenda, Attempt, Bookmark, Call, Changeset, Counterpart, Deed, Maker, Note, Notice, Past, Put, Room,
    Scope, Settlement, Stored, Unread,
};
use endplate_followup::trace::Trace;
use endplate_store::copy::{Copied, Progress, TABLES};
use endplate_store::{CopyError, OpenError, copy, open};
use endplate_tests::postgres;
use jiff::Timestamp;
use jiff::civil::Date;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection, Row};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::Notify;

/// More than one piece of resources, of versions and of other rows.
const TASKS: u64 = 1_200;
/// What was done to them, as it is on record.
const AUDITED: u64 = 3;

/// Rows of the table of resources: the Subscription too.
const ROWS: u64 = TASKS + AUDITED + 1;

const ROOM: Room = Room { well: 9, failing: 9, events: 99 };

fn at(ms: u64) -> Timestamp {
    Timestamp::from_millisecond(ms.try_into().unwrap()).unwrap()
}

fn sqlite(folder: &Path, name: &str) -> String {
    format!("sqlite:{}", folder.join(name).display())
}

/// A Task that can be found by a value of every kind.
fn task(n: u64, version: u64) -> Put {
    let text = format!("\u{e9}\u{1F9E0} {n}; '");
    let token = IndexValue::Token { system: None, code: "requested".to_owned() };
    let identified = IndexValue::Identified { system: Some("urn:a".to_owned()), code: n.to_string() };
    let reference = IndexValue::Reference { kind: "Patient".to_owned(), id: format!("p{}", n % 7) };
    let date = IndexValue::Date { start_ms: i64::MIN, end_ms: n.cast_signed() };
    let (low, high) = (Number(0.1 + n as f64), Number(f64::MAX));
    let (system, code, unit) = ("urn:u".to_owned(), "mm".to_owned(), String::new());
    let quantity = IndexValue::Quantity { low, high, system, code, unit };
    let rows = [
        ("status", token),
        ("owner", identified),
        ("subject", reference),
        ("due", date),
        ("name", IndexValue::Text(text.repeat(40))),
        ("dose", quantity),
    ];
    let body = format!(r#"{{"resourceType":"Task","id":"t{n}","version":{version},"text":"{text}"}}"#);
    let stored = Stored { kind: "Task".to_owned(), id: format!("t{n}"), version, at: at(n + version), body };
    Put {
        stored,
        deed: if version == 1 { Deed::Created } else { Deed::Updated },
        patient: (!n.is_multiple_of(3)).then(|| format!("p{n}")),
        rows: rows.map(|(param, value)| IndexRow { param, value }).to_vec(),
    }
}

/// The Subscription whose receiver is held.
fn subscription() -> Put {
    let (kind, id, body) = ("Subscription".to_owned(), "s2".to_owned(), "{}".to_owned());
    let stored = Stored { kind, id, version: 1, at: at(1), body };
    Put { stored, deed: Deed::Created, patient: None, rows: Vec::new() }
}

/// A store in use: versions, a deletion, counters, dates, events that were sent, refused and not yet tried.
async fn fill(address: &str) {
    let store = open(address).await.unwrap();
    let scope = |key: String| Scope { key, generation: 0 };
    let notice =
        |n| Notice { receiver: format!("s{}", n % 3), kind: "Task".into(), id: format!("t{n}"), version: 1 };
    let change = Changeset {
        at: Some(at(7)),
        scopes: (0..2_500).map(|n| scope(format!("Task?identifier={n}"))).collect(),
        reads: vec![scope("ConceptMap".to_owned())],
        targets: vec![],
        puts: (0..TASKS).map(|n| task(n, 1)).chain([subscription()]).collect(),
        notices: (0..40).map(notice).collect(),
        agenda: vec![Agenda { patient: "p1".to_owned(), due_on: Some(Date::constant(1969, 3, 1)) }],
        makers: vec![Maker {
            subscription: "s1".to_owned(),
            client: "integration".to_owned(),
            registration: String::new(),
            scope: "system/*.rs".to_owned(),
        }],
        calls: vec![Call { subscription: "s1".to_owned(), at: Some(at(60)) }],
        releases: Vec::new(),
        audit: (0..3).map(audit_event).collect(),
        trace: Some(Arc::new(Trace {
            parent: "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01".to_owned(),
            state: None,
        })),
    };
    store.commit(change).await.unwrap();
    let mut puts: Vec<Put> = (0..50).map(|n| task(n * 20, 2)).collect();
    puts[3].deed = Deed::Deleted;
    puts[3].stored.body.clear();
    puts[3].patient = None;
    store.commit(Changeset { at: Some(at(9)), puts, ..Changeset::default() }).await.unwrap();
    for queue in store.waiting(at(20), &[], ROOM).await.unwrap().queues {
        let number = queue.events[0].number;
        let settlement = match queue.receiver.as_str() {
            "s0" => Settlement::Delivered,
            "s1" => Settlement::Retry { next_at: at(90), reason: "status 503".to_owned() },
            _ => Settlement::Held { version: 1 },
        };
        let attempt = Attempt { number, at: at(20), settlement, goes_along: false };
        store.settle(&queue.receiver, vec![attempt]).await.unwrap();
    }
    assert!(store.use_once("once", at(90), at(20)).await.unwrap());
    let (record, kind, their_id) = ("main".to_owned(), "Task".to_owned(), "7".to_owned());
    let counterpart = Counterpart {
        record: record.clone(),
        kind: kind.clone(),
        id: "t1".to_owned(),
        their_id: their_id.clone(),
        their_version: None,
        our_version: 1,
        diverged: true,
    };
    let bookmark = Bookmark {
        record: record.clone(),
        kind: kind.clone(),
        until: None,
        read_at: at(20),
        problem: Some("gone".to_owned()),
    };
    let reason = "it names no patient".to_owned();
    let unread = Unread { record, kind, their_id, their_version: Some("2".to_owned()), at: at(20), reason };
    let notes = vec![Note::Counterpart(counterpart), Note::Bookmark(bookmark), Note::Unread(unread)];
    store.note(notes).await.unwrap();
}

/// An AuditEvent, as a write has it beside what it writes.
fn audit_event(n: u64) -> Put {
    let body = format!(r#"{{"resourceType":"AuditEvent","id":"a{n}"}}"#);
    let stored = Stored { kind: "AuditEvent".to_owned(), id: format!("a{n}"), version: 1, at: at(7), body };
    Put { stored, deed: Deed::Created, patient: None, rows: Vec::new() }
}

async fn run(from: &str, to: &str) -> Result<Vec<Copied>, CopyError> {
    copy(from, to, &|_| {}).await
}

/// Copies until so many pieces were told of, and is then cut off wherever it is.
async fn interrupted(from: &str, to: &str, pieces: u32) {
    let (told, enough) = (AtomicU32::new(0), Notify::new());
    let count = |_| {
        if told.fetch_add(1, Ordering::Relaxed) + 1 == pieces {
            enough.notify_one();
        }
    };
    tokio::select! {
        biased;
        () = enough.notified() => {}
        done = copy(from, to, &count) => panic!("was done before: {done:?}"),
    }
}

/// What a client sees of a store, and that it goes on.
async fn seen(address: &str) -> String {
    let store = open(address).await.unwrap();
    let past = store.history(&Past { count: 2_000, ..Past::default() }).await.unwrap();
    let versions: Vec<_> = past.versions.iter().map(|version| (&version.stored, version.deed)).collect();
    let waiting = store.waiting(at(100), &[], ROOM).await.unwrap();
    let due = store.due(Date::MAX, None, 10).await.unwrap();
    let generation = store.generation("Task?identifier=7").await.unwrap();
    let referrers = store.referrers("Patient", "p3", 2_000).await.unwrap();
    let receivers = store.receivers(None, 10).await.unwrap();
    let (maker, calls) = (store.maker("s1").await.unwrap(), store.called(at(99), 10).await.unwrap());
    let chain = store.chain(0, 100).await.unwrap();
    let record = (
        store.counterpart_of("main", "Task", "7").await.unwrap(),
        store.bookmarks("main").await.unwrap(),
        store.unread("main", 10).await.unwrap(),
    );
    format!(
        "{versions:?} {waiting:?} {due:?} {generation} {referrers:?} {:?} {receivers:?} {maker:?} {calls:?} {chain:?} {record:?}",
        past.total
    )
}

#[tokio::test]
async fn a_store_goes_to_the_other_database_and_back_without_a_difference() {
    let folder = tempfile::tempdir().unwrap();
    let (first, last) = (sqlite(folder.path(), "first.db"), sqlite(folder.path(), "last.db"));
    let server = postgres::database().await;
    fill(&first).await;
    let there = run(&first, &server).await.unwrap();
    let rows: Vec<_> = there.iter().map(|copied| (copied.table, copied.rows)).collect();
    assert_eq!(rows[..2], [("resource", ROWS), ("resource_version", ROWS + 50)]);
    assert!(rows.iter().all(|(_, rows)| *rows > 0), "{rows:?}");
    assert_eq!(run(&server, &last).await.unwrap(), there);
    let expected = seen(&first).await;
    assert_eq!(seen(&server).await, expected);
    assert_eq!(seen(&last).await, expected);
    // Both go on where the first one was: keys, versions and numbers of events.
    for address in [&first, &server, &last] {
        let store = open(address).await.unwrap();
        let notices =
            vec![Notice { receiver: "s1".into(), kind: "Task".into(), id: "t1".into(), version: 2 }];
        let puts = vec![task(1, 2), task(TASKS, 1)];
        let audit = vec![audit_event(AUDITED)];
        assert!(!store.use_once("once", at(90), at(30)).await.unwrap());
        store
            .commit(Changeset { at: Some(at(99)), puts, notices, audit, ..Changeset::default() })
            .await
            .unwrap();
    }
    let expected = seen(&first).await;
    assert_eq!(seen(&server).await, expected);
    assert_eq!(seen(&last).await, expected);
}

#[tokio::test]
async fn an_interrupted_copy_goes_on_and_is_no_store_before() {
    let folder = tempfile::tempdir().unwrap();
    let source = sqlite(folder.path(), "source.db");
    fill(&source).await;
    for (target, pieces) in [(sqlite(folder.path(), "target.db"), 2), (postgres::database().await, 9)] {
        interrupted(&source, &target, pieces).await;
        assert!(matches!(open(&target).await, Err(OpenError::Unfinished { .. })));
        let other = sqlite(folder.path(), "other.db");
        drop(open(&other).await.unwrap());
        let other = run(&other, &target).await.unwrap_err();
        assert!(other.to_string().contains("an unfinished copy of sqlite:"), "{other}");
        interrupted(&source, &target, pieces).await;
        let (told, left) = (AtomicU32::new(0), [AtomicU64::new(9), AtomicU64::new(9)]);
        let count = |progress: Progress| {
            told.fetch_add(u32::from(!progress.is_verifying), Ordering::Relaxed);
            let rest = progress.all.checked_sub(progress.rows).expect("no more than all");
            left[usize::from(progress.is_verifying)].store(rest, Ordering::Relaxed);
        };
        copy(&source, &target, &count).await.unwrap();
        assert!(
            left.iter().all(|left| left.load(Ordering::Relaxed) == 0),
            "each way is told to its end: {left:?}"
        );
        // Of 19 tables, 5 are of several pieces; what was copied before is not copied again.
        assert!((1..32).contains(&told.load(Ordering::Relaxed)), "{told:?}");
        assert_eq!(seen(&target).await, seen(&source).await);
        let again = run(&source, &target).await.unwrap_err();
        assert!(
            matches!(&again, CopyError::Taken { what } if what == "rows in its table resource"),
            "{again}"
        );
    }
}

#[tokio::test]
async fn what_is_written_to_the_source_meanwhile_is_noticed_and_copied_the_next_time() {
    let folder = tempfile::tempdir().unwrap();
    let source = sqlite(folder.path(), "source.db");
    fill(&source).await;
    for (target, version) in [(sqlite(folder.path(), "target.db"), 2), (postgres::database().await, 3)] {
        interrupted(&source, &target, 5).await;
        let change = Changeset { at: Some(at(50)), puts: vec![task(7, version)], ..Changeset::default() };
        open(&source).await.unwrap().commit(change).await.unwrap();
        let error = run(&source, &target).await.unwrap_err();
        assert!(matches!(error, CopyError::Differs { table: "resource", source_rows: ROWS, .. }), "{error}");
        assert!(matches!(open(&target).await, Err(OpenError::Unfinished { .. })));
        run(&source, &target).await.unwrap();
        assert_eq!(seen(&target).await, seen(&source).await);
    }
}

/// A write of somebody else, who does not wait.
async fn written_at_once(address: &str) -> Result<(), sqlx::Error> {
    let write = "insert into scope (key, generation) values ('written meanwhile', 1)";
    if address.starts_with("sqlite:") {
        let options: SqliteConnectOptions = address.parse()?;
        let mut connection = options.busy_timeout(Duration::ZERO).connect().await?;
        sqlx::query(write).execute(&mut connection).await?;
    } else {
        let mut connection = sqlx::PgConnection::connect(address).await?;
        sqlx::query("set lock_timeout = '1ms'").execute(&mut connection).await?;
        sqlx::query(write).execute(&mut connection).await?;
    }
    Ok(())
}

/// What is written after its table was compared would be lost without a word.
#[tokio::test(flavor = "multi_thread")]
async fn nobody_writes_to_the_source_while_it_is_compared() {
    let folder = tempfile::tempdir().unwrap();
    let (file, server) = (sqlite(folder.path(), "a.db"), postgres::database().await);
    fill(&file).await;
    for (source, target) in [(&file, &server), (&server, &sqlite(folder.path(), "b.db"))] {
        let refused = AtomicU32::new(0);
        let told = |progress: Progress| {
            if progress.is_verifying {
                let write = || tokio::runtime::Handle::current().block_on(written_at_once(source));
                let written = tokio::task::block_in_place(write);
                refused.fetch_add(u32::from(written.is_err()), Ordering::Relaxed);
                assert!(written.is_err(), "{}", progress.table);
            }
        };
        copy(source, target, &told).await.unwrap();
        assert!(refused.load(Ordering::Relaxed) > 1);
        written_at_once(source).await.unwrap();
    }
}

#[tokio::test]
async fn a_mistyped_source_is_refused_and_not_made() {
    let folder = tempfile::tempdir().unwrap();
    let target = sqlite(folder.path(), "target.db");
    let (missing, other) = (folder.path().join("typo.db"), folder.path().join("other.db"));
    let options = SqliteConnectOptions::new().filename(&other).create_if_missing(true);
    let mut connection = options.connect().await.unwrap();
    sqlx::query("create table patient (id text)").execute(&mut connection).await.unwrap();
    let addresses = [missing.as_path(), &other].map(|path| format!("sqlite:{}", path.display()));
    for source in addresses.into_iter().chain([postgres::database().await]) {
        let error = run(&source, &target).await.unwrap_err();
        assert!(matches!(error, CopyError::NoStore { .. }), "{error}");
    }
    assert!(!missing.exists() && !folder.path().join("target.db").exists());
}

/// Every table of both databases is copied, column by column, or is known to be made anew.
#[tokio::test]
async fn no_table_and_no_column_is_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let (file, server) = (sqlite(folder.path(), "a.db"), postgres::database().await);
    drop((open(&file).await.unwrap(), open(&server).await.unwrap()));
    let of_sqlite = "select m.name, c.name from sqlite_master m join pragma_table_info(m.name) c \
                     where m.type = 'table' order by m.name, c.cid";
    let of_postgres = "select table_name::text, column_name::text from information_schema.columns \
                       where table_schema = 'public' order by table_name, ordinal_position";
    let mut connection = sqlx::SqliteConnection::connect(&file).await.unwrap();
    let rows = sqlx::query(of_sqlite).fetch_all(&mut connection).await.unwrap();
    let here: Vec<(String, String)> = rows.iter().map(|row| (row.get(0), row.get(1))).collect();
    let mut connection = sqlx::PgConnection::connect(&server).await.unwrap();
    let rows = sqlx::query(of_postgres).fetch_all(&mut connection).await.unwrap();
    let there: Vec<(String, String)> = rows.iter().map(|row| (row.get(0), row.get(1))).collect();
    let mut copied: Vec<(String, String)> = Vec::new();
    for table in &TABLES {
        copied.extend(table.columns.iter().map(|column| (table.name.to_owned(), column.0.to_owned())));
    }
    let made_anew = ["_sqlx_migrations", "copying", "audit_end", "lease", "home", "gate", "packing"];
    for all in [here, there] {
        let mut all = all;
        all.retain(|(table, _)| !made_anew.contains(&table.as_str()));
        // By table; the order of columns within one is the order in which they are copied.
        all.sort_by(|a, b| a.0.cmp(&b.0));
        copied.sort_by(|a, b| a.0.cmp(&b.0));
        assert_eq!(all, copied);
    }
}
