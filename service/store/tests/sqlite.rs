//! What is special to the SQLite file: opening again, crashes, failing disks, and what errors say.

use endplate_fhir::index::{IndexRow, IndexValue};
use endplate_fhir::search;
use endplate_followup::ports::{
    Agenda, Attempt, Changeset, Deed, Event, Notice, Put, Room, Scope, Settlement, Store, StoreError, Stored,
};
use endplate_store::{BackupError, OpenError, SqliteStore, backup};
use endplate_tests::noise;
use endplate_tests::release::{AS_BEFORE, LATEST, taken_back_to};
use futures_util::future::join_all;
use jiff::Timestamp;
use jiff::civil::Date;
use std::error::Error;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

/// Tells a test that it runs in a process of its own, and in which folder.
const CHILD: &str = "ENDPLATE_STORE_TEST_FOLDER";

/// Of texts that packing makes hardly smaller.
const SEED: u64 = 20_260_302;

fn at(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap()
}

fn put(id: &str, body: String) -> Put {
    let stored = Stored { kind: "Task".to_owned(), id: id.to_owned(), version: 1, at: at(7), body };
    let status = IndexValue::Token { system: None, code: "requested".to_owned() };
    let due = IndexValue::Date { start_ms: 8, end_ms: 9 };
    let rows = [("status", status), ("due", due)].map(|(param, value)| IndexRow { param, value }).to_vec();
    Put { stored, deed: Deed::Created, patient: Some("p".to_owned()), rows }
}

/// One Task of `bytes`, a notice of it, a counter and an agenda date.
fn change(id: &str, bytes: usize) -> Changeset {
    let notice = Notice { receiver: "s".to_owned(), kind: "Task".to_owned(), id: id.to_owned(), version: 1 };
    Changeset {
        at: Some(at(7)),
        scopes: vec![Scope { key: format!("Task/{id}"), generation: 0 }],
        puts: vec![put(id, noise(SEED, bytes))],
        notices: vec![notice],
        agenda: vec![Agenda { patient: id.to_owned(), due_on: Some(Date::constant(2026, 3, 1)) }],
        ..Changeset::default()
    }
}

async fn open(path: &Path) -> Result<SqliteStore, OpenError> {
    SqliteStore::open(&format!("sqlite:{}", path.display())).await
}

/// Two processes on one file see what the other wrote as soon as it was acknowledged, though each keeps what it read.
#[tokio::test]
async fn what_another_writes_is_read_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shared.db");
    let stores = [open(&path).await.unwrap(), open(&path).await.unwrap()];
    let mut newest = [0_u64; 3];
    // Seeded: an unlucky order stays unlucky.
    let mut dice = 20_260_302_u64;
    for _ in 0..300 {
        dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let (who, what) = ((dice >> 33) as usize % 2, (dice >> 40) as usize % 3);
        let id = format!("t{what}");
        newest[what] += 1;
        let mut put = put(&id, format!("body {}", newest[what]));
        put.stored.version = newest[what];
        put.deed = if newest[what] == 1 { Deed::Created } else { Deed::Updated };
        let change = Changeset { at: Some(at(7)), puts: vec![put], ..Changeset::default() };
        stores[who].commit(change).await.unwrap();
        for (store, what) in stores.iter().flat_map(|store| (0..3).map(move |what| (store, what))) {
            let read = store.read("Task", &format!("t{what}")).await.unwrap();
            assert_eq!(read.map_or(0, |stored| stored.version), newest[what]);
        }
    }
}

const ROOM: Room = Room { well: 9, failing: 9, events: 9 };

/// What waits for the one receiver, in order.
async fn waiting(store: &dyn Store, ms: i64) -> Vec<Event> {
    store
        .waiting(at(ms), &[], ROOM)
        .await
        .unwrap()
        .queues
        .into_iter()
        .flat_map(|queue| queue.events)
        .collect()
}

async fn assert_whole(store: &dyn Store, id: &str, there: bool) {
    assert_eq!(store.read("Task", id).await.unwrap().is_some(), there, "{id}");
    assert_eq!(store.generation(&format!("Task/{id}")).await.unwrap(), u64::from(there), "{id}");
    let due = store.due(Date::MAX, None, usize::MAX).await.unwrap();
    assert_eq!(due.iter().any(|patient| patient == id), there, "{id}");
}

/// The test of this name once more, alone in a process of its own that works in `folder`, after the shell did `before`.
fn child(test: &str, folder: &Path, before: &str) -> Command {
    let mut command = Command::new("sh");
    command.args(["-c", &format!("{before} exec \"$0\" \"$@\"")]).arg(std::env::current_exe().unwrap());
    command.args([test, "--exact", "--nocapture"]).env(CHILD, folder);
    command
}

#[tokio::test]
async fn opened_again_it_holds_everything() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a b%20?.db");
    let settled = {
        let store = open(&path).await.unwrap();
        store.commit(change("a", 10)).await.unwrap();
        store.commit(change("b", 10)).await.unwrap();
        let retry = Settlement::Retry { next_at: at(90), reason: "status 503".to_owned() };
        let [first, second] = <[Event; 2]>::try_from(waiting(&store, 7).await).unwrap();
        for (event, settlement) in [(&first, Settlement::Delivered), (&second, retry)] {
            let attempt = Attempt { number: event.number, at: at(9), settlement, goes_along: false };
            store.settle("s", vec![attempt]).await.unwrap();
        }
        second
    };
    for _ in 0..2 {
        let store = open(&path).await.unwrap();
        store.check().await.unwrap();
        assert_whole(&store, "a", true).await;
        assert_eq!(store.read("Task", "b").await.unwrap(), Some(put("b", noise(SEED, 10)).stored));
        assert_eq!(store.compartment("p").await.unwrap().resources.len(), 2);
        let early = store.waiting(at(89), &[], ROOM).await.unwrap();
        assert_eq!((early.queues, early.next_at), (Vec::new(), Some(at(90))));
        assert_eq!(waiting(&store, 90).await, [Event { attempts: 1, ..settled.clone() }]);
    }
    assert!(path.is_file());
}

#[tokio::test]
async fn a_copy_taken_after_an_acknowledged_commit_holds_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("live.db");
    let store = open(&path).await.unwrap();
    for n in 0..20 {
        let id = format!("t{n}");
        store.commit(change(&id, 3_000)).await.unwrap();
        // What the disk would show after a crash at this moment.
        let image = folder.path().join(format!("image-{n}.db"));
        std::fs::copy(&path, &image).unwrap();
        std::fs::copy(folder.path().join("live.db-wal"), folder.path().join(format!("image-{n}.db-wal")))
            .unwrap();
        let copy = open(&image).await.unwrap();
        assert_whole(&copy, &id, true).await;
        assert_eq!(copy.compartment("p").await.unwrap().resources.len(), n + 1);
        assert_eq!(waiting(&copy, 7).await[0].number, 1);
    }
}

/// The process is killed in the midst of its commits; whatever it said was committed is there, and nothing is there in part.
#[tokio::test]
async fn a_killed_process_loses_nothing_that_it_acknowledged() {
    if let Ok(folder) = std::env::var(CHILD) {
        let store = &open(&Path::new(&folder).join("killed.db")).await.unwrap();
        for round in 0.. {
            let ids: Vec<String> = (0..4).map(|n| format!("{round}-{n}")).collect();
            join_all(ids.iter().map(|id| async move {
                store.commit(change(id, 2_000)).await.unwrap();
                println!("acknowledged {id}");
            }))
            .await;
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let mut command = child("a_killed_process_loses_nothing_that_it_acknowledged", folder.path(), "");
    let mut process = command.stdout(Stdio::piped()).spawn().unwrap();
    let lines = BufReader::new(process.stdout.take().unwrap()).lines().map_while(Result::ok);
    let mut acknowledged = Vec::new();
    for line in lines {
        acknowledged.extend(line.strip_prefix("acknowledged ").map(str::to_owned));
        if acknowledged.len() == 60 {
            process.kill().unwrap();
        }
    }
    process.wait().unwrap();
    assert!(acknowledged.len() >= 60);
    let store = open(&folder.path().join("killed.db")).await.unwrap();
    for id in &acknowledged {
        assert_whole(&store, id, true).await;
    }
    let compartment = store.compartment("p").await.unwrap();
    let due = store.due(Date::MAX, None, usize::MAX).await.unwrap();
    assert_eq!(compartment.resources.len(), due.len());
}

/// The process may not write files beyond a few megabytes, as on a full disk; each answer must be true all the same.
#[tokio::test]
async fn on_a_full_disk_commits_fail_whole_and_reads_go_on() {
    if let Ok(folder) = std::env::var(CHILD) {
        return fill(&Path::new(&folder).join("full.db")).await;
    }
    let folder = tempfile::tempdir().unwrap();
    // The signal must be ignored, so that the write fails instead of ending the process.
    let limit = "trap '' XFSZ; ulimit -f 8192;";
    let mut command = child("on_a_full_disk_commits_fail_whole_and_reads_go_on", folder.path(), limit);
    let output = command.output().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{told}{}", String::from_utf8_lossy(&output.stderr));
    let store = open(&folder.path().join("full.db")).await.unwrap();
    let mut seen = [0, 0];
    for line in told.lines() {
        let answer = line.strip_prefix("refused ").map(|id| (id, false));
        let answer = answer.or_else(|| line.strip_prefix("committed ").map(|id| (id, true)));
        if let Some((id, there)) = answer {
            assert_whole(&store, id, there).await;
            seen[usize::from(there)] += 1;
        }
    }
    assert!(seen.iter().all(|count| *count > 0), "{seen:?}");
    // With room again, the store goes on.
    store.commit(change("afterwards", 2_000)).await.unwrap();
    assert_whole(&store, "afterwards", true).await;
}

/// Fails while there is room for all but the largest commit, then commits until there is none, then fails again.
async fn fill(path: &Path) {
    let store = open(path).await.unwrap();
    among_small_ones(&store, "early").await;
    for n in 0.. {
        let id = format!("fill-{n}");
        let result = store.commit(change(&id, 100_000)).await;
        tell(&store, &id, &result).await;
        if result.is_err() {
            break;
        }
    }
    among_small_ones(&store, "late").await;
}

/// Small commits together with one that is too large for the disk, so that the store may write them as one.
async fn among_small_ones(store: &dyn Store, name: &str) {
    let mut changes: Vec<Changeset> = (0..16).map(|n| change(&format!("{name}-{n}"), 500)).collect();
    let large = noise(SEED, 100_000);
    changes[8].puts.extend((0..200).map(|n| put(&format!("{name}-large-{n}"), large.clone())));
    let results = join_all(changes.into_iter().map(|change| store.commit(change))).await;
    for (n, result) in results.iter().enumerate() {
        tell(store, &format!("{name}-{n}"), result).await;
    }
    assert!(results[8].is_err());
    assert_eq!(store.read("Task", &format!("{name}-large-0")).await.unwrap(), None);
}

async fn tell(store: &dyn Store, id: &str, result: &Result<(), StoreError>) {
    assert_whole(store, id, result.is_ok()).await;
    match result {
        Ok(()) => println!("committed {id}"),
        Err(error) => {
            assert!(matches!(error, StoreError::Failed { .. }), "{error}");
            assert_shows_no_sql(error);
            println!("refused {id}");
        }
    }
}

/// References as the first releases had them, by parameter first, are found by whom they refer to.
#[tokio::test]
async fn references_of_an_earlier_release_stand_by_whom_they_refer_to() {
    const BEFORE: &str = "\
        create table before (param text not null, id text not null, kind text not null, resource integer not null, \
            primary key (param, id, kind, resource)) strict, without rowid; \
        insert into before (param, id, kind, resource) select param, id, kind, resource from reference_row; \
        drop table reference_row; alter table before rename to reference_row; \
        create index reference_by_resource on reference_row (resource)";
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("before.db");
    let store = open_as_before(&path).await;
    let refers = |id: &str, patient: &str| {
        let value = IndexValue::Reference { kind: "Patient".to_owned(), id: patient.to_owned() };
        let mut put = put(id, "{}".to_owned());
        put.rows.extend(["subject", "for"].map(|param| IndexRow { param, value: value.clone() }));
        put
    };
    let puts = [("a", "p"), ("b", "q"), ("c", "p")].map(|(id, patient)| refers(id, patient)).to_vec();
    store.commit(Changeset { at: Some(at(7)), puts, ..Changeset::default() }).await.unwrap();
    drop(store);
    let mut connection = connect(&path).await;
    for statement in taken_back_to(5) {
        sqlx::query(sqlx::AssertSqlSafe(statement)).execute(&mut connection).await.unwrap();
    }
    sqlx::raw_sql(BEFORE).execute(&mut connection).await.unwrap();
    drop(connection);

    let store = open(&path).await.unwrap();
    let asked = search::criteria("Task?subject=Patient/p&_sort=_id", "http://127.0.0.1:8080/fhir").unwrap();
    let found = store.search(&asked).await.unwrap().resources;
    assert_eq!(found.iter().map(|task| task.id.as_str()).collect::<Vec<_>>(), ["a", "c"]);
    let mut connection = connect(&path).await;
    let order = "select group_concat(name) from (select name from pragma_table_info('reference_row') where pk > 0 order by pk)";
    let order: String = sqlx::query_scalar(order).fetch_one(&mut connection).await.unwrap();
    assert_eq!(order, "id,param,kind,resource");
}

fn assert_shows_no_sql(error: &dyn Error) {
    let text = error.to_string().to_lowercase();
    for word in ["select", "insert", "update", "pragma", "resource_version", "savepoint", "sqlite_", "code:"]
    {
        assert!(!text.contains(word), "{text}");
    }
    assert!(error.source().is_some(), "the cause is kept for the log: {text}");
}

#[tokio::test]
async fn what_cannot_be_opened_is_an_error_that_says_what_to_change() {
    let folder = tempfile::tempdir().unwrap();
    let garbage = folder.path().join("garbage.db");
    std::fs::write(&garbage, "no database at all ".repeat(500)).unwrap();
    // A good beginning, and then nothing of a database.
    let torn = folder.path().join("torn.db");
    let begin = b"SQLite format 3\0".iter().copied().chain(std::iter::repeat_n(0xA5, 9_000));
    std::fs::write(&torn, begin.collect::<Vec<u8>>()).unwrap();
    let beneath_a_file = garbage.join("x.db");
    let missing = folder.path().join("missing/x.db");
    for path in [folder.path(), &garbage, &torn, &beneath_a_file, &missing] {
        let error = open(path).await.unwrap_err();
        assert!(matches!(&error, OpenError::File { path: named, .. } if named == path), "{error:?}");
        assert!(error.to_string().contains(&path.display().to_string()));
        assert_shows_no_sql(&error);
    }
    assert!(!missing.exists());
    assert_eq!(std::fs::read(&garbage).unwrap(), "no database at all ".repeat(500).into_bytes());
    for address in ["", "endplate.db", "postgres://host/x", "sqlite:", "sqlite://"] {
        let error = SqliteStore::open(address).await.unwrap_err();
        assert!(matches!(error, OpenError::Address), "{address}: {error}");
    }
}

#[tokio::test]
async fn a_store_of_a_later_release_is_not_opened() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("later.db");
    drop(open(&path).await.unwrap());
    let mut connection = connect(&path).await;
    let later = "insert into _sqlx_migrations (version, description, success, checksum, execution_time) \
                 values (999999, 'later', 1, x'00', 0)";
    sqlx::query(later).execute(&mut connection).await.unwrap();
    let error = open(&path).await.unwrap_err();
    assert!(matches!(error, OpenError::Later { number: 999_999, known: 8, .. }), "{error}");
    assert!(error.to_string().contains("later release"), "{error}");
}

/// The tables of each release, with a row in them, are brought up to date and keep what they hold.
#[tokio::test]
async fn a_store_of_an_earlier_release_is_brought_up_to_date() {
    let folder = tempfile::tempdir().unwrap();
    for release in 1..LATEST {
        let path = folder.path().join(format!("{release}.db"));
        let store = open_as_before(&path).await;
        store.commit(change("t1", 9)).await.unwrap();
        drop(store);
        let mut connection = connect(&path).await;
        for statement in taken_back_to(release) {
            sqlx::query(sqlx::AssertSqlSafe(statement)).execute(&mut connection).await.unwrap();
        }
        drop(connection);
        let store = open(&path).await.unwrap();
        assert_eq!(store.latest("Task", "t1").await.unwrap().unwrap().stored.body, noise(SEED, 9));
        store.commit(change("t2", 9)).await.unwrap();
        assert_eq!(store.tally(at(1_000), Date::constant(1970, 1, 1)).await.unwrap().overdue_tasks, 2);
        let mut connection = connect(&path).await;
        let (last, copying): (i64, i64) =
            sqlx::query_as("select max(version), (select count(*) from copying) from _sqlx_migrations")
                .fetch_one(&mut connection)
                .await
                .unwrap();
        assert_eq!((last, copying), (i64::try_from(LATEST).unwrap(), 0));
    }
}

/// A command beside the service, such as `endplate sweep`, does not send what the service is sending.
#[tokio::test]
async fn of_two_programs_on_one_file_one_has_the_claims_until_it_ends() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let (service, command) = (open(&path).await.unwrap(), open(&path).await.unwrap());
    let works = ["sweep", "deliver/s", "sweep"].map(str::to_owned);
    assert_eq!(service.claim(&works, "a", 15).await.unwrap(), ["deliver/s", "sweep"]);
    assert_eq!(command.claim(&works, "b", 15).await.unwrap(), [""; 0]);
    // It is the program's, be its claims given up or not: nobody else would know when to look.
    service.release(&works, "a").await.unwrap();
    assert_eq!(command.claim(&works, "b", 15).await.unwrap(), [""; 0]);
    assert_eq!(service.claim(&works[..1], "a", 15).await.unwrap(), ["sweep"]);
    drop(service);
    assert_eq!(command.claim(&works, "b", 15).await.unwrap(), ["deliver/s", "sweep"]);
}

/// I03 of the checklist: it is the file that is asked.
#[tokio::test]
async fn a_store_that_lost_a_migration_or_its_file_is_not_ready() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let store = open(&path).await.unwrap();
    store.check().await.unwrap();
    let mut connection = connect(&path).await;
    for loss in ["delete from _sqlx_migrations", "drop table _sqlx_migrations"] {
        sqlx::query(loss).execute(&mut connection).await.unwrap();
        let error = store.check().await.unwrap_err();
        assert!(matches!(error, StoreError::Failed { .. }), "{loss}");
        assert_shows_no_sql(&error);
    }
}

async fn connect(path: &Path) -> sqlx::SqliteConnection {
    use sqlx::Connection;
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    sqlx::SqliteConnection::connect_with(&options).await.unwrap()
}

/// A store of today that keeps bodies as releases before migration 8 did.
async fn open_as_before(path: &Path) -> SqliteStore {
    drop(open(path).await.unwrap());
    sqlx::query(AS_BEFORE).execute(&mut connect(path).await).await.unwrap();
    open(path).await.unwrap()
}

#[tokio::test]
async fn a_damaged_store_fails_without_sql_in_the_message() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("damaged.db");
    let store = open(&path).await.unwrap();
    store.commit(change("a", 10)).await.unwrap();
    let mut connection = connect(&path).await;
    for table in [
        "attempt",
        "event",
        "receiver",
        "agenda",
        "scope",
        "text_row",
        "date_row",
        "reference_row",
        "token_row",
    ] {
        sqlx::query(sqlx::AssertSqlSafe(format!("drop table {table}")))
            .execute(&mut connection)
            .await
            .unwrap();
    }
    let errors = [
        store.commit(change("b", 10)).await.unwrap_err(),
        store.compartment("p").await.unwrap_err(),
        store.generation("x").await.unwrap_err(),
        store.due(Date::MAX, None, 1).await.unwrap_err(),
        store.waiting(at(9), &[], ROOM).await.unwrap_err(),
        store.receivers(None, 1).await.unwrap_err(),
    ];
    for error in &errors {
        assert!(matches!(error, StoreError::Failed { .. }));
        assert_shows_no_sql(error);
    }
    // What does not need them still answers, and nothing of the failed commit is there.
    assert!(store.read("Task", "a").await.unwrap().is_some());
    assert_eq!(store.read("Task", "b").await.unwrap(), None);
}

#[tokio::test]
async fn stores_in_memory_are_separate_and_leave_nothing() {
    if std::env::var(CHILD).is_ok() {
        let one = SqliteStore::open("sqlite::memory:").await.unwrap();
        let two = SqliteStore::open("sqlite::memory:").await.unwrap();
        one.commit(change("a", 10)).await.unwrap();
        assert_whole(&one, "a", true).await;
        assert_whole(&two, "a", false).await;
        two.commit(change("a", 10)).await.unwrap();
        let made = std::fs::read_dir(std::env::temp_dir()).unwrap().count();
        assert_eq!(made, 2, "each has a folder while it lives");
        drop((one, two));
        assert_eq!(std::fs::read_dir(std::env::temp_dir()).unwrap().count(), 0);
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let mut command = child("stores_in_memory_are_separate_and_leave_nothing", folder.path(), "");
    let output = command.env("TMPDIR", folder.path()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(String::from_utf8_lossy(&output.stdout).contains("1 passed"));
    // Nor does anything come back when connections close after the folder has gone.
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[tokio::test]
async fn a_copy_is_whole_and_its_owner_s_alone_and_one_that_cannot_be_made_leaves_nothing() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let address = |name: &str| format!("sqlite:{}", at(name).display());
    let store = open(&at("store.db")).await.unwrap();
    store.commit(change("a", 100_000)).await.unwrap();
    // What a copy that was cut off has left.
    std::fs::write(at("copy.partial"), "half").unwrap();
    let bytes = backup(&address("store.db"), &at("copy")).await.unwrap();
    let made = std::fs::metadata(at("copy")).unwrap();
    assert_eq!((made.len(), made.permissions().mode() & 0o777), (bytes, 0o600));
    let copy = open(&at("copy")).await.unwrap();
    assert_whole(&copy, "a", true).await;
    drop(copy);

    let files = || {
        let mut names: Vec<_> =
            std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        // Those of open connections are SQLite's own.
        names.retain(|name| {
            !name.to_string_lossy().ends_with("-wal") && !name.to_string_lossy().ends_with("-shm")
        });
        names.sort();
        names
    };
    std::fs::write(at("text"), "no store at all").unwrap();
    // A page of a table, as its first byte says, is now none: that with the Task. (SQLite's file format, section 1.6.)
    let mut damaged = std::fs::read(at("copy")).unwrap();
    damaged
        .chunks_mut(4096)
        .find(|page| page[0] == 0x0d && page.windows(5).any(|text| text == b"Taska"))
        .unwrap()
        .fill(0xff);
    std::fs::write(at("damaged.db"), damaged).unwrap();
    let before = files();
    let refusals = [
        (backup("postgres://db/endplate", &at("new")).await, "pg_dump"),
        (backup("sqlite::memory:", &at("new")).await, "pg_dump"),
        (backup(&address("store.db"), &at("text")).await, "text is there already"),
        (backup(&address("nothing.db"), &at("new")).await, "nothing.db cannot be read"),
        (backup(&address("text"), &at("new")).await, "text cannot be read"),
        (backup(&address("store.db"), &at("no/folder")).await, "its folder exists"),
        (backup(&address("damaged.db"), &at("new")).await, "damaged.db is damaged"),
    ];
    for (refused, says) in refusals {
        let error: BackupError = refused.unwrap_err();
        assert!(error.to_string().contains(says), "{error}: {says}");
        if error.source().is_some() {
            assert_shows_no_sql(&error);
        }
    }
    assert_eq!(files(), before);
    assert_eq!(std::fs::read(at("text")).unwrap(), b"no store at all");
}
