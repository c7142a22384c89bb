//! PostgreSQL in bad weather: restarted, full, slow, refusing connections, and stopped in the middle of a migration. Nothing that was
//! acknowledged is lost, every refusal says so, and the service goes on by itself.

use crate::served::{Served, config};
use endplate_followup::ports::Store;
use endplate_store::{OpenError, open, open_beside};
use endplate_tests::postgres::{self, Server};
use endplate_tests::release::taken_back_to;
use serde_json::json;
use sqlx::{AssertSqlSafe, Connection, PgConnection};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::watch;

async fn served(address: &str) -> Served {
    Served::on("2026-03-03", open(address).await.unwrap(), &config()).await
}

async fn connect(address: &str) -> PgConnection {
    PgConnection::connect(address).await.unwrap()
}

async fn tell(connection: &mut PgConnection, statement: &str) {
    sqlx::raw_sql(AssertSqlSafe(statement.to_owned())).execute(connection).await.unwrap();
}

/// Writes an Organization; its status, and what the answer says.
async fn write(served: &Served, number: usize, name: &str) -> (u16, String) {
    let resource = json!({ "resourceType": "Organization", "id": format!("o{number}"), "name": format!("{name}{number}") });
    let reply = served.put(&resource).await;
    (reply.status, reply.text)
}

/// A number of /metrics.
async fn number(served: &Served, name: &str) -> Option<f64> {
    let numbers = served.get("/metrics").await;
    assert_eq!(numbers.status, 200);
    let line = numbers.text.lines().find_map(|line| line.strip_prefix(name));
    line.map(|value| value.trim().parse::<f64>().unwrap())
}

const FAILED: &str = "endplate_store_commit_duration_seconds_count{result=\"failed\"}";

/// Reads go on and writes fail: whoever balances load sends nobody elsewhere, and whoever watches is told.
async fn assert_is_ready_and_counts_failures(served: &Served) {
    assert_eq!(served.get("/readyz").await.status, 200);
    assert!(number(served, FAILED).await >= Some(1.0));
}

fn assert_says_what_happens(text: &str) {
    let outcome: endplate_fhir::Json = serde_json::from_str(text).unwrap();
    assert_eq!(outcome["resourceType"], "OperationOutcome", "{text}");
    assert_eq!(outcome["issue"][0]["code"], "transient", "{text}");
    for word in ["insert", "select", "postgres", "os error"] {
        assert!(!text.to_lowercase().contains(word), "{text}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_is_restarted_under_load_loses_nothing_acknowledged() {
    let mut server = Server::start();
    let served = Arc::new(served(&server.database("weather").await).await);
    let (count, mut counted) = watch::channel(0_usize);
    let is_over = Arc::new(AtomicBool::new(false));
    let writing = tokio::spawn({
        let (served, is_over) = (Arc::clone(&served), Arc::clone(&is_over));
        async move {
            let mut taken = Vec::new();
            for number in 0.. {
                if is_over.load(Ordering::SeqCst) {
                    break;
                }
                match write(&served, number, "o").await {
                    (201, _) => {
                        taken.push(number);
                        count.send_modify(|count| *count += 1);
                    }
                    (503, text) => assert_says_what_happens(&text),
                    other => panic!("{other:?}"),
                }
            }
            taken
        }
    });
    for round in 1..=2 {
        counted.wait_for(|count| *count >= round * 30).await.unwrap();
        server = tokio::task::spawn_blocking(move || {
            server.crash();
            server
        })
        .await
        .unwrap();
    }
    let before = *counted.borrow();
    counted.wait_for(|count| *count >= before + 30).await.unwrap();
    is_over.store(true, Ordering::SeqCst);
    for number in writing.await.unwrap() {
        assert_eq!(served.get(&format!("/fhir/Organization/o{number}")).await.status, 200, "o{number}");
    }
    assert_eq!(served.get("/readyz").await.status, 200);
    server.stop();
    assert_eq!(served.get("/readyz").await.status, 503, "it is gone");
    assert_eq!(served.get("/livez").await.status, 200, "a restart of the service would not help");
    let (status, text) = write(&served, 1, "again").await;
    assert_eq!(status, 503);
    assert_says_what_happens(&text);
    // Numbers are still given: which check fails and that commits do; what only the store knows is left out.
    assert_eq!(number(&served, "endplate_check_passed{check=\"store\"}").await, Some(0.0));
    assert!(number(&served, FAILED).await >= Some(1.0));
    assert!(!served.get("/metrics").await.text.contains("\nendplate_outbox_events{"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_standby_that_takes_over_has_all_that_was_acknowledged_and_the_service_goes_on_with_it() {
    let mut primary = Server::start();
    let mut standby = primary.standby();
    primary.database("hospital").await;
    let mut administrator = connect(&primary.address("postgres")).await;
    // As PostgreSQL's manual has it for no loss (section 27.2.8, Synchronous Replication): a commit waits for the standby.
    tell(&mut administrator, "alter system set synchronous_standby_names = '*'").await;
    tell(&mut administrator, "select pg_reload_conf()").await;
    drop(administrator);
    // The name that clients know: whoever runs the servers moves it.
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("server");
    std::os::unix::fs::symlink(primary.folder(), &name).unwrap();
    let address = format!("postgres://endplate@localhost/hospital?host={}", name.display());
    let served = served(&address).await;
    for number in 0..30 {
        assert_eq!(write(&served, number, "o").await.0, 201);
    }
    primary.stop();
    assert_eq!(write(&served, 30, "o").await.0, 503);
    std::fs::remove_file(&name).unwrap();
    std::os::unix::fs::symlink(standby.folder(), &name).unwrap();
    // Until it is promoted it takes no writes, and the service says that it is not ready.
    assert_eq!(served.get("/readyz").await.status, 503);
    let (status, text) = write(&served, 30, "o").await;
    assert_eq!(status, 503);
    assert_says_what_happens(&text);
    let standby = tokio::task::spawn_blocking(move || {
        standby.promote();
        standby
    })
    .await
    .unwrap();
    // No standby is left to wait for.
    let mut administrator = connect(&standby.address("postgres")).await;
    tell(&mut administrator, "alter system reset synchronous_standby_names").await;
    tell(&mut administrator, "select pg_reload_conf()").await;
    for number in 30..60 {
        // A connection that broke is found broken when it is next used, once.
        let mut broken = 0;
        while write(&served, number, "o").await.0 != 201 {
            broken += 1;
            assert!(broken < 40, "it goes on with the new server");
        }
    }
    assert_eq!(served.get("/readyz").await.status, 200);
    assert_eq!(served.get("/fhir/Organization?_summary=count").await.json()["total"], 60);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn searches_are_asked_of_the_replica_and_of_the_database_when_it_is_gone() {
    let primary = Server::start();
    let address = primary.database("hospital").await;
    drop(open(&address).await.unwrap());
    let mut standby = primary.standby();
    let store = open_beside(&address, &standby.address("hospital"), Duration::from_mins(1)).await.unwrap();
    let served = Served::on("2026-03-03", store.clone(), &config()).await;
    assert_eq!(write(&served, 1, "o").await.0, 201);
    let mut replica = connect(&standby.address("hospital")).await;
    let count = async |served: &Served| {
        served.get("/fhir/Organization?_summary=count").await.json()["total"].as_u64().unwrap()
    };
    // A standby that is told to wait answers from where it stands.
    tell(&mut connect(&primary.address("hospital")).await, "select pg_switch_wal()").await;
    loop {
        let rows: i64 =
            sqlx::query_scalar("select count(*) from resource").fetch_one(&mut replica).await.unwrap();
        if rows == 1 {
            break;
        }
    }
    // It is asked once it is known to follow.
    let today = jiff::civil::date(2026, 3, 3);
    while store.tally(jiff::Timestamp::UNIX_EPOCH, today).await.unwrap().is_replica_well != Some(true) {}
    assert!(served.get("/metrics").await.text.contains("\nendplate_replica_well 1"));
    tell(&mut replica, "select pg_wal_replay_pause()").await;
    loop {
        let state: String = sqlx::query_scalar("select pg_get_wal_replay_pause_state()")
            .fetch_one(&mut replica)
            .await
            .unwrap();
        if state == "paused" {
            break;
        }
    }
    assert_eq!(write(&served, 2, "o").await.0, 201);
    assert_eq!(count(&served).await, 1, "the replica was asked, which is behind");
    // What a decision rests on is never behind: the same identifier twice is one resource.
    assert_eq!(served.get("/fhir/Organization/o2").await.status, 200);
    let twice = json!({ "resourceType": "Organization", "name": "again" });
    let conditional =
        served.request("POST", "/fhir/Organization").header("content-type", "application/fhir+json");
    let conditional = conditional.header("if-none-exist", "_id=o2").body(twice.to_string());
    assert_eq!(served.send(conditional).await.status, 200, "it is found");
    drop(replica);
    standby.stop();
    assert_eq!(count(&served).await, 2, "the database itself is asked");
}

/// A file system of `mb` MB at a folder, as root; else none.
struct Disk<'a>(&'a Path);

impl<'a> Disk<'a> {
    fn at(folder: &'a Path, mb: u32) -> Option<Self> {
        let mount = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={mb}m,mode=0777"), "tmpfs"])
            .arg(folder)
            .output();
        mount.is_ok_and(|mount| mount.status.success()).then_some(Self(folder))
    }

    fn grow(&self, mb: u32) {
        let size = format!("remount,size={mb}m");
        assert!(Command::new("mount").args(["-o", &size]).arg(self.0).status().unwrap().success());
    }
}

impl Drop for Disk<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(self.0).status();
    }
}

/// Text that does not become smaller: a linear congruential sequence (Numerical Recipes, 2nd ed., 7.1) in printable characters.
fn noise(bytes: usize, seed: usize) -> String {
    let mut state = u32::try_from(seed).unwrap();
    let next = |_| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        char::from(b'0' + u8::try_from(state >> 26).unwrap())
    };
    (0..bytes).map(next).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_is_full_refuses_writes_answers_reads_and_goes_on_when_there_is_room() {
    let folder = tempfile::tempdir().unwrap();
    let Some(disk) = Disk::at(folder.path(), 24) else {
        println!(
            "not shown here: a full disk of PostgreSQL needs a file system of its own, which only root can mount"
        );
        return;
    };
    // The server's user must reach it.
    let reach =
        Command::new("chmod").arg("755").arg(folder.path().parent().unwrap()).arg(folder.path()).status();
    assert!(reach.unwrap().success());
    let mut server = Server::start();
    let place = folder.path().join("data");
    std::fs::create_dir(&place).unwrap();
    server.own(&place);
    let mut administrator = connect(&server.address("postgres")).await;
    tell(&mut administrator, &format!("create tablespace small location '{}'", place.display())).await;
    tell(&mut administrator, "create database full_one tablespace small").await;
    let served = served(&server.address("full_one")).await;
    let mut taken = Vec::new();
    let refused = loop {
        let number = taken.len();
        assert!(number < 200, "the disk is full before that");
        match write(&served, number, &noise(400_000, number)).await {
            (201, _) => taken.push(number),
            refused => break refused,
        }
    };
    assert_eq!(refused.0, 503);
    assert_says_what_happens(&refused.1);
    assert_is_ready_and_counts_failures(&served).await;
    assert!(!taken.is_empty());
    for number in &taken {
        assert_eq!(served.get(&format!("/fhir/Organization/o{number}")).await.status, 200, "still readable");
    }
    let absent = format!("/fhir/Organization/o{}", taken.len());
    assert_eq!(served.get(&absent).await.status, 404, "nothing of what was refused is there");
    disk.grow(200);
    for number in taken.len()..taken.len() + 10 {
        assert_eq!(write(&served, number, &noise(400_000, number)).await.0, 201);
        taken.push(number);
    }
    for number in taken {
        let history = served.get(&format!("/fhir/Organization/o{number}/_history")).await.json();
        assert_eq!(history["total"], 1, "o{number}");
    }
    drop(served);
    drop(administrator);
    drop(server);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_waits_for_a_lock_is_written_when_it_is_free_and_refused_when_that_takes_too_long() {
    let address = postgres::database().await;
    let served = served(&address).await;
    assert_eq!(write(&served, 1, "o").await.0, 201);
    let mut holder = connect(&address).await;
    tell(&mut holder, "begin; lock table resource in exclusive mode").await;
    // Longer than a session waits for a lock.
    let (status, text) = write(&served, 2, "o").await;
    assert_eq!(status, 503);
    assert_says_what_happens(&text);
    assert_eq!(served.get("/fhir/Organization/o1").await.status, 200, "reads wait for nobody");
    assert_is_ready_and_counts_failures(&served).await;
    assert_eq!(served.get("/fhir/Organization/o2").await.status, 404);
    let (waiting, free) = tokio::join!(write(&served, 3, "o"), async {
        let mut observer = connect(&address).await;
        loop {
            let waiters: i64 = sqlx::query_scalar(
                "select count(*) from pg_locks where not granted and database = \
                 (select oid from pg_database where datname = current_database())",
            )
            .fetch_one(&mut observer)
            .await
            .unwrap();
            if waiters > 0 {
                break;
            }
        }
        tell(&mut holder, "rollback").await;
    });
    assert_eq!((waiting.0, free), (201, ()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_takes_no_more_connections_is_an_answer_and_not_the_end() {
    let server = Server::start();
    let mut administrator = connect(&server.address("postgres")).await;
    for statement in ["create role clerk login", "create database few owner clerk connection limit 2"] {
        tell(&mut administrator, statement).await;
    }
    let address = server.address("few").replace("endplate@", "clerk@");
    let served = Arc::new(served(&address).await);
    let burst = async |from: usize| {
        let mut all = tokio::task::JoinSet::new();
        for number in from..from + 24 {
            let served = Arc::clone(&served);
            all.spawn(async move { write(&served, number, "o").await });
        }
        all.join_all().await
    };
    let answers = burst(0).await;
    for (status, text) in &answers {
        match status {
            201 => {}
            503 => assert_says_what_happens(text),
            other => panic!("{other}: {text}"),
        }
    }
    assert_is_ready_and_counts_failures(&served).await;
    tell(&mut administrator, "alter database few connection limit 90").await;
    assert!(burst(100).await.iter().all(|(status, _)| *status == 201));
    let taken = answers.iter().filter(|(status, _)| *status == 201).count() + 24;
    assert_eq!(served.get("/fhir/Organization?_summary=count").await.json()["total"], taken);
}

#[tokio::test]
async fn i12_a_migration_that_was_interrupted_is_done_at_the_next_start() {
    let address = postgres::database().await;
    drop(open(&address).await.unwrap());
    let mut other = connect(&address).await;
    let latest = "select max(version) from _sqlx_migrations";
    let known: i64 = sqlx::query_scalar(latest).fetch_one(&mut other).await.unwrap();
    for undone in taken_back_to(1) {
        tell(&mut other, &undone).await;
    }
    // Something stands in its way until its connection is ended, as when the server or the instance dies.
    tell(&mut other, "begin; create table copying (stands_in_the_way bigint)").await;
    let (opened, ()) = tokio::join!(open(&address), async {
        let mut observer = connect(&address).await;
        loop {
            let ended: i64 = sqlx::query_scalar(
                "select count(pg_terminate_backend(pid)) from pg_stat_activity where wait_event_type = 'Lock' \
                 and datname = current_database() and pid <> pg_backend_pid()",
            )
            .fetch_one(&mut observer)
            .await
            .unwrap();
            if ended > 0 {
                break;
            }
        }
    });
    let Err(error) = opened else { panic!("it was interrupted") };
    assert!(matches!(error, OpenError::Server { .. }), "{error:?}");
    tell(&mut other, "rollback").await;
    let store: Arc<dyn Store> = open(&address).await.unwrap();
    store.check().await.unwrap();
    let last: i64 = sqlx::query_scalar(latest).fetch_one(&mut other).await.unwrap();
    assert_eq!(last, known);
}
