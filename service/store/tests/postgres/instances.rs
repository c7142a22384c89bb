//! Instances on one database: what they give out once, whom they let pass, and a database that is another one than before.

use crate::{ROOM, at, change, put, scope};
use endplate_fhir::index::{IndexRow, IndexValue};
use endplate_followup::ports::{
    Attempt, Changeset, Deed, Notice, Put, Replay, Settlement, Store, StoreError,
};
use endplate_store::{PostgresStore, open};
use endplate_tests::postgres::{self, Server};
use endplate_tests::release::taken_back_to;
use sqlx::{AssertSqlSafe, Connection, PgConnection};
use std::sync::Arc;

async fn connect(address: &str) -> PgConnection {
    PgConnection::connect(address).await.unwrap()
}

async fn tell(connection: &mut PgConnection, statement: &str) {
    sqlx::raw_sql(AssertSqlSafe(statement.to_owned())).execute(connection).await.unwrap();
}

async fn pid(connection: &mut PgConnection) -> i32 {
    sqlx::query_scalar("select pg_backend_pid()").fetch_one(connection).await.unwrap()
}

/// Who waits for a session, be it only in line behind it.
async fn behind(observer: &mut PgConnection, pid: i32) -> Option<i32> {
    let asked = "select pid from pg_stat_activity where datname = current_database() and $1 = any(pg_blocking_pids(pid))";
    sqlx::query_scalar(asked).bind(pid).fetch_optional(observer).await.unwrap()
}

/// The one who comes to wait for it.
async fn comes_behind(observer: &mut PgConnection, pid: i32) -> i32 {
    loop {
        if let Some(waits) = behind(observer, pid).await {
            return waits;
        }
    }
}

fn told(receiver: &str) -> Changeset {
    let notice =
        Notice { receiver: receiver.to_owned(), kind: "Task".to_owned(), id: "t1".to_owned(), version: 1 };
    Changeset { notices: vec![notice], ..change(vec![]) }
}

/// The numbers of a receiver's events.
async fn numbers(store: &dyn Store, receiver: &str) -> Vec<u64> {
    let events = store.events(receiver, 1, 99).await.unwrap();
    events.into_iter().map(|event| event.number).collect()
}

/// A standby that had not received everything (PostgreSQL 15, 27.2.8: without synchronous replication), and a copy of the database.
#[tokio::test]
async fn no_number_of_an_event_is_given_out_again_by_a_database_that_does_not_know_of_it() {
    let mut primary = Server::start();
    let address = primary.database("hospital").await;
    let store = PostgresStore::open(&address).await.unwrap();
    store.commit(told("s")).await.unwrap();
    let mut standby = primary.standby();
    let mut there = connect(&standby.address("hospital")).await;
    tell(&mut there, "alter system set primary_conninfo = ''").await;
    tell(&mut there, "select pg_reload_conf()").await;
    let receives = "select count(*) from pg_stat_wal_receiver";
    while sqlx::query_scalar::<_, i64>(receives).fetch_one(&mut there).await.unwrap() > 0 {}
    store.commit(told("s")).await.unwrap();
    store.commit(told("s")).await.unwrap();
    assert_eq!(numbers(&store, "s").await, [1, 2, 3]);
    primary.stop();
    let standby = tokio::task::spawn_blocking(move || {
        standby.promote();
        standby
    })
    .await
    .unwrap();
    let store = PostgresStore::open(&standby.address("hospital")).await.unwrap();
    assert_eq!(numbers(&store, "s").await, [1], "the others were not received");
    store.commit(told("s")).await.unwrap();
    let given = numbers(&store, "s").await;
    assert!(given[1] > 3, "{given:?}");
    // It is left out once, whoever comes.
    drop(store);
    let store = PostgresStore::open(&standby.address("hospital")).await.unwrap();
    store.commit(told("s")).await.unwrap();
    assert_eq!(numbers(&store, "s").await, [1, given[1], given[1] + 1]);

    drop((store, there));
    let mut administrator = connect(&standby.address("postgres")).await;
    let others = "select count(*) from pg_stat_activity where datname = 'hospital'";
    while sqlx::query_scalar::<_, i64>(others).fetch_one(&mut administrator).await.unwrap() > 0 {}
    tell(&mut administrator, "create database restored template hospital").await;
    let store = PostgresStore::open(&standby.address("restored")).await.unwrap();
    store.commit(told("s")).await.unwrap();
    assert!(*numbers(&store, "s").await.last().unwrap() > given[1] + 1_000);
}

/// On a row, those who share it go on overtaking whoever waits to change it.
#[tokio::test]
async fn whoever_changes_what_all_rest_on_is_overtaken_by_nobody() {
    let address = postgres::database().await;
    let store = Arc::new(PostgresStore::open(&address).await.unwrap());
    store.commit(Changeset { scopes: vec![scope("Subscription", 0)], ..change(vec![]) }).await.unwrap();
    let mut holder = connect(&address).await;
    let mut observer = connect(&address).await;
    tell(&mut holder, "begin; select * from audit_end for update").await;
    let commits = |change: Changeset| {
        let store = Arc::clone(&store);
        tokio::spawn(async move { store.commit(change).await })
    };
    let rests = |id: &str| Changeset { reads: vec![scope("Subscription", 1)], ..change(vec![put(id, 1)]) };
    // It has what it rests on, and waits for something else.
    let first = commits(Changeset { audit: vec![put("a1", 1)], ..rests("t1") });
    let holder_pid = pid(&mut holder).await;
    let first_pid = comes_behind(&mut observer, holder_pid).await;
    let changes = commits(Changeset { scopes: vec![scope("Subscription", 1)], ..change(vec![]) });
    let changes_pid = comes_behind(&mut observer, first_pid).await;
    let late = commits(rests("t2"));
    while behind(&mut observer, changes_pid).await.is_none() {
        assert!(!late.is_finished(), "it overtook");
    }
    tell(&mut holder, "rollback").await;
    first.await.unwrap().unwrap();
    changes.await.unwrap().unwrap();
    assert!(matches!(late.await.unwrap(), Err(StoreError::Moved)));
}

/// Somebody refers to a resource just as it is deleted: one of the two is told that the facts have moved.
#[tokio::test]
async fn what_is_deleted_waits_for_whoever_is_about_to_refer_to_it() {
    let address = postgres::database().await;
    let store = Arc::new(PostgresStore::open(&address).await.unwrap());
    store.commit(change(vec![put("a", 1)])).await.unwrap();
    let (mut holder, mut observer) = (connect(&address).await, connect(&address).await);
    tell(&mut holder, "begin; select * from audit_end for update").await;
    let commits = |change: Changeset| {
        let store = Arc::clone(&store);
        tokio::spawn(async move { store.commit(change).await })
    };
    let part_of = IndexValue::Reference { kind: "Task".to_owned(), id: "a".to_owned() };
    let rows = vec![IndexRow { param: "part-of", value: part_of }];
    let refers = Put { rows, ..put("b", 1) };
    let targets = vec![("Task".to_owned(), "a".to_owned())];
    let first = commits(Changeset { targets, audit: vec![put("a1", 1)], ..change(vec![refers]) });
    let holder_pid = pid(&mut holder).await;
    let first_pid = comes_behind(&mut observer, holder_pid).await;
    let mut end = put("a", 2);
    end.deed = Deed::Deleted;
    end.stored.body.clear();
    let deletes = commits(change(vec![end]));
    comes_behind(&mut observer, first_pid).await;
    tell(&mut holder, "rollback").await;
    first.await.unwrap().unwrap();
    assert!(matches!(deletes.await.unwrap(), Err(StoreError::Moved)));
    assert!(store.read("Task", "a").await.unwrap().is_some());
}

/// Somebody asks for the events of all receivers again while a new receiver gets its first ones.
#[tokio::test]
async fn a_receiver_that_comes_while_all_are_told_again_is_told_too() {
    let address = postgres::database().await;
    let store = Arc::new(PostgresStore::open(&address).await.unwrap());
    let delivered = Attempt { number: 1, at: at(10), settlement: Settlement::Delivered, goes_along: false };
    store.commit(told("a")).await.unwrap();
    store.settle("a", vec![delivered.clone()]).await.unwrap();
    let (mut event, mut end, mut observer) =
        (connect(&address).await, connect(&address).await, connect(&address).await);
    tell(&mut event, "begin; select * from event where receiver = 'a' for update").await;
    let again = tokio::spawn({
        let store = Arc::clone(&store);
        let which = Replay { receiver: None, since: None, dead: false };
        async move { store.replay(&which, at(20)).await }
    });
    let event_pid = pid(&mut event).await;
    comes_behind(&mut observer, event_pid).await;
    store.commit(told("n")).await.unwrap();
    store.settle("n", vec![delivered]).await.unwrap();
    tell(&mut end, "begin; select * from audit_end for update").await;
    let second = tokio::spawn({
        let store = Arc::clone(&store);
        async move { store.commit(Changeset { audit: vec![put("a1", 1)], ..told("n") }).await }
    });
    let end_pid = pid(&mut end).await;
    let second_pid = comes_behind(&mut observer, end_pid).await;
    tell(&mut event, "rollback").await;
    while !again.is_finished() && behind(&mut observer, second_pid).await.is_none() {}
    tell(&mut end, "rollback").await;
    second.await.unwrap().unwrap();
    assert_eq!(again.await.unwrap().unwrap(), 1);
    let waiting = store.waiting(at(30), &[], ROOM).await.unwrap();
    let mut queues: Vec<_> = waiting
        .queues
        .iter()
        .map(|queue| (queue.receiver.as_str(), queue.events.iter().map(|event| event.number).collect()))
        .collect::<Vec<(&str, Vec<u64>)>>();
    queues.sort_unstable();
    assert_eq!(queues, [("a", vec![1]), ("n", vec![2])]);
}

/// A dump, or a long report, holds a table for an hour; an instance of a later release starts meanwhile.
#[tokio::test]
async fn a_migration_that_waits_for_a_table_stops_nobody_else() {
    let address = postgres::database().await;
    let running = PostgresStore::open(&address).await.unwrap();
    let (mut dump, mut observer) = (connect(&address).await, connect(&address).await);
    for statement in taken_back_to(2) {
        tell(&mut dump, &statement).await;
    }
    tell(&mut dump, "begin; lock table event in access share mode").await;
    let event = "insert into event (receiver, number, kind, id, version, raised_at_ms, queued_at_ms) \
                 values ('earlier', $1, 'Task', 't1', 1, 0, 0)";
    let (opened, ()) = tokio::join!(open(&address), async {
        let dump_pid = pid(&mut dump).await;
        comes_behind(&mut observer, dump_pid).await;
        // As an instance of that release writes. It waits for the migration, and that gives up before it does.
        let mut earlier = connect(&address).await;
        tell(&mut earlier, "set lock_timeout = '10s'").await;
        for number in 1..=3 {
            sqlx::query(event).bind(number).execute(&mut earlier).await.unwrap();
            comes_behind(&mut observer, dump_pid).await;
        }
        tell(&mut dump, "rollback").await;
    });
    opened.unwrap();
    running.commit(told("s")).await.unwrap();
}
