//! Lines that are cut, and callers who go away.

use crate::{at, change, put};
use endplate_fhir::search::Query;
use endplate_followup::ports::{Past, Store, StoreError};
use endplate_store::PostgresStore;
use endplate_store::postgres::bound::Bounded;
use endplate_tests::postgres::{self, Server};
use futures_util::future::join_all;
use jiff::civil::Date;
use sqlx::Connection;
use sqlx::postgres::PgConnectOptions;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::copy_bidirectional;
use tokio::net::{TcpListener, UnixStream};
use tokio::sync::watch;

/// A line to a server that can be cut: what comes is then taken and not answered, and what was connected then stays silent for ever.
struct Line {
    address: String,
    /// Connections that have come.
    come: Arc<AtomicUsize>,
    stands: watch::Sender<bool>,
}

/// A line to the server that has this database.
async fn line(database: &str) -> Line {
    let options: PgConnectOptions = database.parse().unwrap();
    let socket = options.get_socket().unwrap().join(format!(".s.PGSQL.{}", options.get_port()));
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!(
        "postgres://{}@{}/{}?sslmode=disable",
        options.get_username(),
        listener.local_addr().unwrap(),
        options.get_database().unwrap()
    );
    let (come, stands) = (Arc::new(AtomicUsize::new(0)), watch::Sender::new(true));
    let (counted, standing) = (Arc::clone(&come), stands.subscribe());
    tokio::spawn(async move {
        loop {
            let (mut client, _) = listener.accept().await.unwrap();
            counted.fetch_add(1, Ordering::SeqCst);
            let (socket, mut standing) = (socket.clone(), standing.clone());
            tokio::spawn(async move {
                if *standing.borrow() {
                    let mut server = UnixStream::connect(socket).await.unwrap();
                    tokio::select! {
                        _ = copy_bidirectional(&mut client, &mut server) => return,
                        _ = standing.wait_for(|stands| !stands) => {}
                    }
                }
                std::future::pending::<()>().await;
                drop(client);
            });
        }
    });
    Line { address, come, stands }
}

/// After a network was cut, connections that nobody will ever answer are found and dropped before the store is said to be ready.
#[tokio::test]
async fn connections_whose_other_end_vanished_are_not_waited_for() {
    let line = line(&postgres::database().await).await;
    let store = PostgresStore::open(&line.address).await.unwrap();
    // So many at once that every connection that writes is in use.
    let commits = |round: usize| {
        let store = &store;
        join_all((0..24).map(move |n| store.commit(change(vec![put(&format!("t{round}-{n}"), 1)]))))
    };
    assert!(commits(1).await.iter().all(Result::is_ok));
    line.stands.send_replace(false);
    // As whoever asks whether it is ready does.
    let ready = async || tokio::time::timeout(Duration::from_secs(2), store.check()).await;
    assert!(!matches!(ready().await, Ok(Ok(()))));
    line.stands.send_replace(true);
    while !matches!(ready().await, Ok(Ok(()))) {}
    let committed = tokio::time::timeout(Duration::from_secs(5), commits(2)).await;
    assert!(committed.expect("none of them waits").iter().all(Result::is_ok));
}

/// Whoever searches waits for a silent replica once, not at every step of every search; and it is asked again once it answers.
#[tokio::test]
async fn a_silent_replica_is_passed_over_until_it_answers() {
    let primary = Server::start();
    let database = primary.database("hospital").await;
    let standby = primary.standby();
    let line = line(&standby.address("hospital")).await;
    let store = PostgresStore::open(&database).await.unwrap().beside(&line.address, MINUTE).unwrap();
    store.commit(change(vec![put("t1", 1)])).await.unwrap();
    let query = Query { count: 9, ..Query::of("Task") };
    let found = async || store.search_lately(&query).await.unwrap().resources.len();
    while !is_asked(&store).await {}
    // From here on the database has one Task more, so that an answer says who gave it.
    replay(&standby, false).await;
    store.commit(change(vec![put("t2", 1)])).await.unwrap();
    assert_eq!(found().await, 1);
    line.stands.send_replace(false);
    for _ in 0..100 {
        assert_eq!(found().await, 2);
    }
    // None of them waited but the first; and one question after the other is asked, whether it is there.
    assert!(line.come.load(Ordering::SeqCst) < 50, "{:?}", line.come);
    line.stands.send_replace(true);
    // It is asked again once it has what the database had then.
    assert_eq!(found().await, 2);
    replay(&standby, true).await;
    while !is_asked(&store).await {}
}

/// A standby that no longer follows answers all the same, as things stood then.
#[tokio::test]
async fn a_replica_that_stays_behind_is_passed_over_until_it_has_caught_up() {
    let primary = Server::start();
    let database = primary.database("hospital").await;
    let standby = primary.standby();
    let lag_max = Duration::from_secs(1);
    let store =
        PostgresStore::open(&database).await.unwrap().beside(&standby.address("hospital"), lag_max).unwrap();
    let query = Query { count: 9, ..Query::of("Task") };
    let found = async || store.search_lately(&query).await.unwrap().resources.len();
    while !is_asked(&store).await {}
    replay(&standby, false).await;
    store.commit(change(vec![put("t1", 1)])).await.unwrap();
    while is_asked(&store).await {}
    for _ in 0..100 {
        assert_eq!(found().await, 1, "the database is asked");
    }
    replay(&standby, true).await;
    while !is_asked(&store).await {}
    assert_eq!(found().await, 1);
}

/// What answers and is something else: another database, and the database itself.
#[tokio::test]
async fn what_is_no_standby_of_the_database_is_never_asked() {
    let (database, other) = (postgres::database().await, postgres::database().await);
    let filled = PostgresStore::open(&other).await.unwrap();
    filled.commit(change(vec![put("t1", 1)])).await.unwrap();
    let query = Query { count: 9, ..Query::of("Task") };
    for replica in [&other, &database] {
        let store = PostgresStore::open(&database).await.unwrap().beside(replica, MINUTE).unwrap();
        for _ in 0..200 {
            assert_eq!(store.search_lately(&query).await.unwrap().resources.len(), 0);
            assert!(!is_asked(&store).await);
        }
    }
}

const MINUTE: Duration = Duration::from_mins(1);

async fn is_asked(store: &PostgresStore) -> bool {
    store.tally(at(0), Date::constant(1970, 1, 1)).await.unwrap().is_replica_well.unwrap()
}

/// Has a standby stop to follow, or go on.
async fn replay(standby: &Server, goes_on: bool) {
    let mut connection = sqlx::PgConnection::connect(&standby.address("hospital")).await.unwrap();
    let (told, wanted) = if goes_on {
        ("select pg_wal_replay_resume()", "not paused")
    } else {
        ("select pg_wal_replay_pause()", "paused")
    };
    sqlx::query(told).execute(&mut connection).await.unwrap();
    let state = "select pg_get_wal_replay_pause_state()";
    while sqlx::query_scalar::<_, String>(state).fetch_one(&mut connection).await.unwrap() != wanted {}
}

/// Whoever waits for a server that vanished in the midst of a statement is told so, and the next one is served.
#[tokio::test]
async fn what_a_vanished_server_was_asked_is_given_up() {
    let line = line(&postgres::database().await).await;
    let inner = PostgresStore::open(&line.address).await.unwrap();
    let store = Bounded::of(inner, Duration::from_millis(300));
    store.commit(change(vec![put("t1", 1)])).await.unwrap();
    let read = async || store.latest("Task", "t1").await;
    assert!(read().await.unwrap().is_some());
    line.stands.send_replace(false);
    let works = ["deliver/s".to_owned()];
    for outcome in [
        read().await.map(drop),
        store.commit(change(vec![put("t2", 1)])).await,
        store.claim(&works, "me", 15).await.map(drop),
    ] {
        assert!(matches!(outcome, Err(StoreError::Failed { .. })), "{outcome:?}");
    }
    line.stands.send_replace(true);
    while read().await.is_err() {}
}

/// A call that is given up after it has been resumed so many times.
struct GivenUp<F> {
    call: F,
    left: usize,
}

impl<F: Future + Unpin> Future for GivenUp<F> {
    type Output = ();

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<()> {
        if self.left == 0 {
            return Poll::Ready(());
        }
        self.left -= 1;
        pin!(&mut self.call).poll(context).map(drop)
    }
}

/// A caller who goes away while a transaction is begun leaves no connection in it: what is read there next is not as old as it.
#[tokio::test]
async fn a_read_that_was_given_up_leaves_nothing_old_behind() {
    let address = postgres::database().await;
    let store = PostgresStore::open(&address).await.unwrap();
    let reads = async || join_all((0..16).map(|_| store.latest("Task", "t1"))).await;
    for round in 1..40 {
        let past = Past { count: 1, ..Past::default() };
        GivenUp { call: Box::pin(store.history(&past)), left: round }.await;
        // What is read first in a transaction says as of when it sees everything; what is read next is as old.
        for version in [2 * round as u64 - 1, 2 * round as u64] {
            store.commit(change(vec![put("t1", version)])).await.unwrap();
            for read in reads().await {
                assert_eq!(read.unwrap().unwrap().stored.version, version);
            }
        }
    } // And none beside those that the store may have at once.
    let mut connection = sqlx::PgConnection::connect(&address).await.unwrap();
    let others = "select count(*) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()";
    let sessions: i64 = sqlx::query_scalar(others).fetch_one(&mut connection).await.unwrap();
    assert!(sessions <= 28, "{sessions}");
}
