//! The outbox: numbers, order, attempts, and how receivers stand.

use crate::facts::{assert_moved, at, change, put, scope};
use endplate_followup::ports::{
    Attempt, Call, Changeset, Event, Notice, Queue, Receiver, Replay, Room, Settlement, Store, Traffic,
    Waiting,
};
use endplate_followup::trace::Trace;
use futures_util::future::join_all;
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::sync::Arc;

const ROOM: Room = Room { well: 100, failing: 100, events: 100 };

fn notice(receiver: &str, id: &str) -> Notice {
    Notice { receiver: receiver.to_owned(), kind: "Task".to_owned(), id: id.to_owned(), version: 3 }
}

fn raising(ms: i64, notices: &[(&str, &str)]) -> Changeset {
    let notices = notices.iter().map(|(receiver, id)| notice(receiver, id)).collect();
    Changeset { at: Some(at(ms)), notices, ..change(vec![]) }
}

async fn queues(store: &dyn Store, now: Timestamp, busy: &[&str], room: Room) -> Vec<Queue> {
    let busy: Vec<String> = busy.iter().map(|key| (*key).to_owned()).collect();
    store.waiting(now, &busy, room).await.unwrap().queues
}

/// Receiver, number and resource of what is first in each queue.
async fn waiting(store: &dyn Store, now: i64) -> Vec<(String, u64, String)> {
    let mut found: Vec<_> = queues(store, at(now), &[], ROOM)
        .await
        .into_iter()
        .map(|queue| (queue.receiver, queue.events[0].number, queue.events[0].notice.id.clone()))
        .collect();
    found.sort();
    found
}

fn event(receiver: &str, number: u64, id: &str) -> (String, u64, String) {
    (receiver.to_owned(), number, id.to_owned())
}

async fn first(store: &dyn Store, receiver: &str) -> Event {
    let queues = queues(store, Timestamp::MAX, &[], ROOM).await;
    queues.into_iter().find(|queue| queue.receiver == receiver).unwrap().events.remove(0)
}

async fn settle(store: &dyn Store, receiver: &str, number: u64, ms: i64, settlement: Settlement) {
    store
        .settle(receiver, vec![Attempt { number, at: at(ms), settlement, goes_along: false }])
        .await
        .unwrap();
}

/// Settles what is first in the queue of a receiver.
async fn settle_first(store: &dyn Store, receiver: &str, ms: i64, settlement: Settlement) {
    let number = first(store, receiver).await.number;
    settle(store, receiver, number, ms, settlement).await;
}

fn retry(ms: i64) -> Settlement {
    Settlement::Retry { next_at: at(ms), reason: "status 503".to_owned() }
}

fn parked(ms: i64) -> Settlement {
    Settlement::Parked { next_at: at(ms), reason: "status 422".to_owned(), is_old: false }
}

fn dropped() -> Settlement {
    Settlement::Dropped { reason: "the subscription is off".to_owned() }
}

/// When something more than what is given waits.
async fn next_at(store: &dyn Store) -> Option<Timestamp> {
    store.waiting(at(0), &[], Room { well: 0, failing: 0, events: 0 }).await.unwrap().next_at
}

async fn standing(store: &dyn Store, key: &str) -> Receiver {
    let all = store.receivers(None, 100).await.unwrap();
    all.into_iter().find(|receiver| receiver.key == key).unwrap()
}

/// Delivers everything, and gives the resources of each receiver with their numbers, as they came.
async fn deliver_all(store: &dyn Store) -> BTreeMap<String, Vec<(u64, String)>> {
    let mut delivered: BTreeMap<String, Vec<(u64, String)>> = BTreeMap::new();
    loop {
        let queues = queues(store, Timestamp::MAX, &[], Room { events: 3, ..ROOM }).await;
        if queues.is_empty() {
            return delivered;
        }
        for queue in queues {
            let done = |event: &Event| Attempt {
                number: event.number,
                at: at(9_000),
                settlement: Settlement::Delivered,
                goes_along: false,
            };
            store.settle(&queue.receiver, queue.events.iter().map(done).collect()).await.unwrap();
            let told = queue.events.into_iter().map(|event| (event.number, event.notice.id));
            delivered.entry(queue.receiver).or_default().extend(told);
        }
    }
}

pub async fn events_are_numbered_within_their_receiver(store: &dyn Store) {
    assert_eq!(store.waiting(Timestamp::MAX, &[], ROOM).await.unwrap(), Waiting::default());
    store.commit(raising(5, &[("s", "a"), ("t", "b"), ("s", "c")])).await.unwrap();
    store.commit(raising(6, &[("s", "a")])).await.unwrap();
    let raised = Event {
        notice: notice("s", "a"),
        number: 1,
        attempts: 0,
        raised_at: at(5),
        queued_at: at(5),
        trace: None,
        is_waiting: true,
    };
    assert_eq!(first(store, "s").await, raised);
    let delivered = deliver_all(store).await;
    let numbered = |ids: &[&str]| (1..).zip(ids.iter().map(|id| (*id).to_owned())).collect::<Vec<_>>();
    assert_eq!(delivered["s"], numbered(&["a", "c", "a"]));
    assert_eq!(delivered["t"], numbered(&["b"]));
    // Numbers are never used again.
    store.commit(raising(7, &[("t", "d")])).await.unwrap();
    assert_eq!(waiting(store, 7).await, [event("t", 2, "d")]);
}

/// Wherever it is read: a restart or another instance does not cut a trace in two.
pub async fn an_event_keeps_the_trace_of_what_caused_it(store: &dyn Store) {
    // The examples of W3C Trace Context, sections 3.2.2.3 and 3.3.1.
    let parent = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01".to_owned();
    let caused = |state: Option<&str>| {
        Some(Arc::new(Trace { parent: parent.clone(), state: state.map(str::to_owned) }))
    };
    let traces = [caused(Some("rojo=00f067aa0ba902b7,congo=t61rcWkgMzE")), caused(None), None];
    for (ms, trace) in (1..).zip(&traces) {
        let change = raising(ms, &[("s", "a"), ("s", "b")]);
        store.commit(Changeset { trace: trace.clone(), ..change }).await.unwrap();
    }
    let told: Vec<_> = traces.iter().flat_map(|trace| [trace.clone(), trace.clone()]).collect();
    let read = |events: Vec<Event>| events.into_iter().map(|event| event.trace).collect::<Vec<_>>();
    assert_eq!(read(store.events("s", 1, 10).await.unwrap()), told);
    let queue = queues(store, Timestamp::MAX, &[], ROOM).await.remove(0);
    assert_eq!(read(queue.events), told);
}

pub async fn numbers_have_no_gaps_under_concurrent_commits(store: &dyn Store) {
    // Every third commit is refused and must leave no hole.
    let commits = (0..90).map(|n| {
        let id = format!("{n}");
        let mut change = raising(1, &[("s", &format!("{id}-1")), ("t", &id), ("s", &format!("{id}-2"))]);
        if n % 3 == 0 {
            change.scopes.push(scope("unknown", 1));
        }
        store.commit(change)
    });
    for (n, result) in join_all(commits).await.into_iter().enumerate() {
        if n % 3 == 0 {
            assert_moved(&result);
        } else {
            result.unwrap();
        }
    }
    let delivered = deliver_all(store).await;
    for (receiver, count) in [("s", 120), ("t", 60)] {
        let numbers: Vec<u64> = delivered[receiver].iter().map(|(number, _)| *number).collect();
        assert_eq!(numbers, (1..=count).collect::<Vec<_>>());
    }
    // The two of one changeset stand in its order, one after the other.
    for pair in delivered["s"].chunks(2) {
        assert_eq!(pair[0].1.replace("-1", "-2"), pair[1].1);
    }
}

pub async fn a_queue_is_read_in_order_and_as_far_as_there_is_room(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "c"), ("s", "d")])).await.unwrap();
    let ids = async |room| {
        let queues = queues(store, at(10), &[], room).await;
        let ids =
            |queue: &Queue| queue.events.iter().map(|event| event.notice.id.clone()).collect::<String>();
        queues.iter().map(|queue| (queue.receiver.clone(), ids(queue))).collect::<BTreeMap<_, _>>()
    };
    let of = |pairs: &[(&str, &str)]| {
        pairs.iter().map(|(key, ids)| ((*key).to_owned(), (*ids).to_owned())).collect::<BTreeMap<_, _>>()
    };
    assert_eq!(ids(ROOM).await, of(&[("s", "abd"), ("t", "c")]));
    assert_eq!(ids(Room { events: 2, ..ROOM }).await, of(&[("s", "ab"), ("t", "c")]));
    settle_first(store, "s", 11, Settlement::Delivered).await;
    assert_eq!(ids(ROOM).await, of(&[("s", "bd"), ("t", "c")]));
    // One that fails is asked one thing at a time.
    settle_first(store, "s", 12, retry(10)).await;
    assert_eq!(ids(ROOM).await, of(&[("s", "b"), ("t", "c")]));
    assert_eq!(ids(Room { failing: 0, ..ROOM }).await, of(&[("t", "c")]));
    assert_eq!(ids(Room { well: 0, ..ROOM }).await, of(&[("s", "b")]));
}

pub async fn who_is_busy_is_left_out(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("t", "c"), ("u", "d")])).await.unwrap();
    settle_first(store, "u", 11, retry(15)).await;
    let keys = async |busy: &[&str]| {
        let queues = queues(store, at(20), busy, ROOM).await;
        let mut keys: Vec<String> = queues.into_iter().map(|queue| queue.receiver).collect();
        keys.sort();
        keys.concat()
    };
    assert_eq!(keys(&[]).await, "stu");
    assert_eq!(keys(&["s"]).await, "tu");
    assert_eq!(keys(&["u", "t", "s", "nobody"]).await, "");
    let none = store.waiting(at(20), &["s".into(), "t".into(), "u".into()], ROOM).await.unwrap();
    assert_eq!(none.next_at, None);
}

pub async fn a_retry_waits_for_its_time(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "c")])).await.unwrap();
    for (attempt, next) in (1..).zip([100, 250, 700]) {
        settle_first(store, "s", 20, retry(next)).await;
        // Its followers wait behind it; other receivers do not.
        assert_eq!(waiting(store, next - 1).await, [event("t", 1, "c")]);
        assert_eq!(waiting(store, next).await, [event("s", 1, "a"), event("t", 1, "c")]);
        assert_eq!(first(store, "s").await.attempts, attempt);
        assert_eq!(first(store, "s").await.raised_at, at(10));
    }
    settle_first(store, "s", 701, Settlement::Delivered).await;
    // Who is well waits for no time, even if the clock was set back.
    assert_eq!(waiting(store, 1).await, [event("s", 2, "b"), event("t", 1, "c")]);
    assert_eq!(first(store, "s").await.attempts, 0);
}

pub async fn a_dropped_event_makes_room(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b")])).await.unwrap();
    settle_first(store, "s", 11, dropped()).await;
    assert_eq!(waiting(store, 11).await, [event("s", 2, "b")]);
    settle_first(store, "s", 12, dropped()).await;
    assert_eq!(waiting(store, 13).await, []);
    assert_eq!(next_at(store).await, None);
}

pub async fn settling_again_changes_nothing(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b")])).await.unwrap();
    settle(store, "s", 1, 11, Settlement::Delivered).await;
    let before = standing(store, "s").await;
    for late in [Settlement::Delivered, retry(500), dropped(), parked(500)] {
        settle(store, "s", 1, 12, late).await;
        assert_eq!(waiting(store, 12).await, [event("s", 2, "b")]);
        assert_eq!(first(store, "s").await.attempts, 0);
        assert_eq!(standing(store, "s").await, before);
    }
    // One that never was is no error either.
    settle(store, "nobody", 40, 12, Settlement::Delivered).await;
    assert_eq!(waiting(store, 12).await, [event("s", 2, "b")]);
    store.settle("s", Vec::new()).await.unwrap();
}

pub async fn the_next_time_is_that_of_the_earliest_receiver(store: &dyn Store) {
    assert_eq!(next_at(store).await, None);
    store.commit(raising(30, &[("s", "a"), ("s", "b"), ("t", "c")])).await.unwrap();
    // Whoever is well may be told now.
    assert!(next_at(store).await <= Some(at(30)));
    settle_first(store, "t", 31, retry(90)).await;
    assert!(next_at(store).await <= Some(at(30)));
    settle_first(store, "s", 31, retry(60)).await;
    assert_eq!(next_at(store).await, Some(at(60)));
    assert_eq!(waiting(store, 59).await, []);
    assert_eq!(waiting(store, 60).await, [event("s", 1, "a")]);
    // Of what is given nothing is told again.
    assert_eq!(store.waiting(at(60), &[], ROOM).await.unwrap().next_at, Some(at(90)));
    deliver_all(store).await;
    assert_eq!(next_at(store).await, None);
}

pub async fn as_many_receivers_as_asked_for_those_first_who_wait_longest(store: &dyn Store) {
    let names: Vec<String> = (0..20).map(|n| format!("s{n:02}")).collect();
    for name in &names {
        store.commit(raising(1, &[(name, "a"), (name, "b"), (name, "c")])).await.unwrap();
    }
    // Served in another order than that of their names.
    let order: Vec<usize> = (0..20).map(|n| (n * 7) % 20).collect();
    for (ms, name) in (100..).zip(&order) {
        settle_first(store, &names[*name], ms, Settlement::Delivered).await;
    }
    let keys = async |well| {
        let queues = queues(store, at(500), &[], Room { well, ..ROOM }).await;
        queues.into_iter().map(|queue| queue.receiver).collect::<Vec<_>>()
    };
    let wanted: Vec<String> = order.iter().map(|name| names[*name].clone()).collect();
    assert_eq!(keys(4).await, wanted[..4]);
    assert_eq!(keys(usize::MAX).await, wanted);
    for (ms, name) in (600..).zip(order.iter().rev()) {
        settle_first(store, &names[*name], 550, retry(ms)).await;
    }
    let failing = queues(store, at(605), &[], Room { failing: 3, ..ROOM }).await;
    let keys: Vec<String> = failing.into_iter().map(|queue| queue.receiver).collect();
    assert_eq!(keys, wanted.iter().rev().take(3).cloned().collect::<Vec<_>>());
}

pub async fn a_dead_letter_is_kept_and_lets_the_next_one_go(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("s", "c")])).await.unwrap();
    settle_first(store, "s", 11, parked(11)).await;
    assert_eq!(waiting(store, 11).await, [event("s", 2, "b")]);
    settle_first(store, "s", 12, parked(70)).await;
    assert_eq!(waiting(store, 69).await, []);
    assert_eq!(waiting(store, 70).await, [event("s", 3, "c")]);
    let standing = standing(store, "s").await;
    assert_eq!((standing.waiting, standing.dead, standing.failures), (1, 2, 2));
}

pub async fn what_waits_too_long_is_parked_together(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "x")])).await.unwrap();
    store.commit(raising(20, &[("s", "c")])).await.unwrap();
    assert_eq!(store.park("s", at(20), "too old").await.unwrap(), 2);
    assert_eq!(waiting(store, 20).await, [event("s", 3, "c"), event("t", 1, "x")]);
    let receiver = standing(store, "s").await;
    assert_eq!((receiver.waiting, receiver.dead), (1, 2));
    assert_eq!(store.park("s", at(20), "too old").await.unwrap(), 0);
    assert_eq!(store.park("nobody", at(99), "too old").await.unwrap(), 0);
}

pub async fn what_is_asked_for_again_comes_under_its_number_before_what_is_newer(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "x")])).await.unwrap();
    store.commit(raising(20, &[("s", "c"), ("s", "d")])).await.unwrap();
    settle_first(store, "s", 21, parked(21)).await;
    settle_first(store, "s", 22, Settlement::Delivered).await;
    settle_first(store, "s", 23, dropped()).await;
    settle_first(store, "t", 24, parked(9_000)).await;
    let dead = Replay { dead: true, ..Replay::default() };
    let of_s = Replay { receiver: Some("s".into()), dead: true, since: None };
    assert_eq!(store.replay(&of_s, at(30)).await.unwrap(), 1);
    let again = first(store, "s").await;
    assert_eq!((again.number, again.attempts, again.raised_at, again.queued_at), (1, 1, at(10), at(30)));
    // The receiver is tried at once, whatever it was to wait for.
    assert_eq!(store.replay(&dead, at(30)).await.unwrap(), 1);
    assert_eq!(waiting(store, 30).await, [event("s", 1, "a"), event("t", 1, "x")]);
    let numbers =
        |delivered: &[(u64, String)]| delivered.iter().map(|(number, _)| *number).collect::<Vec<_>>();
    let delivered = deliver_all(store).await;
    assert_eq!((numbers(&delivered["s"]), numbers(&delivered["t"])), (vec![1, 4], vec![1]));
    // All since an instant, whatever became of them.
    let since = Replay { since: Some(at(20)), ..Replay::default() };
    assert_eq!(store.replay(&since, at(40)).await.unwrap(), 2);
    assert_eq!(numbers(&deliver_all(store).await["s"]), [3, 4]);
    assert_eq!(store.replay(&dead, at(50)).await.unwrap(), 0);
}

pub async fn a_receiver_says_how_it_stands(store: &dyn Store) {
    assert_eq!(store.receivers(None, 9).await.unwrap(), []);
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "x")])).await.unwrap();
    let fresh = Receiver {
        key: "s".to_owned(),
        waiting: 2,
        oldest_at: Some(at(10)),
        failures: 0,
        failing_since: None,
        next_at: None,
        last: None,
        dead: 0,
    };
    assert_eq!(standing(store, "s").await, fresh);
    for (ms, next) in [(11, 40), (41, 90)] {
        settle_first(store, "s", ms, retry(next)).await;
    }
    let failing = Receiver {
        failures: 2,
        failing_since: Some(at(11)),
        next_at: Some(at(90)),
        last: Some((at(41), "deferred".to_owned(), Some("status 503".to_owned()))),
        ..fresh.clone()
    };
    assert_eq!(standing(store, "s").await, failing);
    // What is dropped asks nobody, and so says nothing of the receiver.
    settle_first(store, "s", 90, dropped()).await;
    let asked_nobody = standing(store, "s").await;
    assert_eq!((asked_nobody.failures, asked_nobody.failing_since), (2, Some(at(11))));
    settle_first(store, "s", 91, Settlement::Delivered).await;
    let well =
        Receiver { waiting: 0, oldest_at: None, last: Some((at(91), "delivered".to_owned(), None)), ..fresh };
    assert_eq!(standing(store, "s").await, well);
    // One run that begins badly, goes on and ends badly.
    store.commit(raising(100, &[("s", "c"), ("s", "d"), ("s", "e")])).await.unwrap();
    let run = [parked(101), Settlement::Delivered, retry(300)];
    let attempts = (3..).zip(101..).zip(run).map(|((number, ms), settlement)| Attempt {
        number,
        at: at(ms),
        settlement,
        goes_along: false,
    });
    store.settle("s", attempts.collect()).await.unwrap();
    let after = standing(store, "s").await;
    assert_eq!((after.waiting, after.dead, after.failures, after.failing_since), (1, 1, 1, Some(at(103))));
    // By pages, in order of the keys.
    let keys = async |after: Option<&str>, limit| {
        let page = store.receivers(after, limit).await.unwrap();
        page.into_iter().map(|receiver| receiver.key).collect::<String>()
    };
    assert_eq!(
        (keys(None, 1).await, keys(Some("s"), 9).await, keys(Some("t"), 9).await),
        ("s".into(), "t".into(), String::new())
    );
}

/// An event that is held waits without an attempt until its Subscription is released.
pub async fn a_held_event_goes_when_it_is_released(store: &dyn Store) {
    let subscriptions = vec![put("Subscription", "s", 1), put("Subscription", "t", 1)];
    store.commit(change(subscriptions)).await.unwrap();
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "c")])).await.unwrap();
    settle_first(store, "s", 11, Settlement::Held { version: 1 }).await;
    // What was done before it in the same run is recorded.
    let run = [(1, Settlement::Delivered), (1, Settlement::Held { version: 1 })];
    let attempt = |(number, settlement)| Attempt { number, at: at(11), settlement, goes_along: false };
    store.settle("t", run.map(attempt).into()).await.unwrap();
    store.commit(raising(12, &[("t", "d")])).await.unwrap();
    assert_eq!(waiting(store, 99_999).await, []);
    assert_eq!(store.waiting(at(99_999), &[], ROOM).await.unwrap().next_at, None);
    store
        .commit(Changeset { at: Some(at(20)), releases: vec!["s".to_owned()], ..change(vec![]) })
        .await
        .unwrap();
    assert_eq!(waiting(store, 20).await, [event("s", 1, "a")]);
    assert_eq!(first(store, "s").await.attempts, 0);
    // One that failed is tried at once.
    settle_first(store, "s", 21, retry(900)).await;
    assert_eq!(waiting(store, 50).await, []);
    store
        .commit(Changeset { at: Some(at(50)), releases: vec!["s".to_owned()], ..change(vec![]) })
        .await
        .unwrap();
    assert_eq!(waiting(store, 50).await, [event("s", 1, "a")]);
    // Nothing waits for one that nobody knows.
    store.commit(Changeset { releases: vec!["nobody".to_owned()], ..change(vec![]) }).await.unwrap();
}

/// Whoever makes a Subscription active while an event of it is found to wait would otherwise wait for ever.
pub async fn nothing_is_held_for_a_subscription_that_was_written_meanwhile(store: &dyn Store) {
    store.commit(change(vec![put("Subscription", "s", 1)])).await.unwrap();
    store.commit(raising(10, &[("s", "a")])).await.unwrap();
    let release = Changeset { releases: vec!["s".to_owned()], ..change(vec![put("Subscription", "s", 2)]) };
    store.commit(release).await.unwrap();
    settle_first(store, "s", 11, Settlement::Held { version: 1 }).await;
    assert_eq!(waiting(store, 12).await, [event("s", 1, "a")]);
    settle_first(store, "s", 12, Settlement::Held { version: 2 }).await;
    assert_eq!(waiting(store, 13).await, []);
}

/// Events of one message are tried together, and their failure is one failure of the receiver.
pub async fn what_went_in_one_message_fails_once(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("s", "c")])).await.unwrap();
    let attempt = |number| Attempt { number, at: at(11), settlement: retry(60), goes_along: number > 1 };
    store.settle("s", vec![attempt(1), attempt(2)]).await.unwrap();
    let receivers = store.receivers(None, 10).await.unwrap();
    assert_eq!((receivers[0].failures, receivers[0].next_at), (1, Some(at(60))));
    let attempts: Vec<u32> = store.events("s", 1, 10).await.unwrap().iter().map(|one| one.attempts).collect();
    assert_eq!(attempts, [1, 1, 0]);
}

pub async fn calls_are_due_in_order_and_once_set_anew(store: &dyn Store) {
    async fn next_at(store: &dyn Store, busy: &[String]) -> Option<Timestamp> {
        store.waiting(at(0), busy, Room { well: 0, failing: 0, events: 0 }).await.unwrap().next_at
    }
    let call =
        |subscription: &str, ms: Option<i64>| Call { subscription: subscription.to_owned(), at: ms.map(at) };
    let set = |calls: Vec<Call>| Changeset { calls, ..change(vec![]) };
    store.commit(set(vec![call("s", Some(30)), call("t", Some(20)), call("u", Some(40))])).await.unwrap();
    assert_eq!(next_at(store, &[]).await, Some(at(20)));
    assert_eq!(next_at(store, &["t".to_owned()]).await, Some(at(30)));
    assert_eq!(store.called(at(19), 10).await.unwrap(), []);
    assert_eq!(store.called(at(35), 10).await.unwrap(), [call("t", Some(20)), call("s", Some(30))]);
    assert_eq!(store.called(at(35), 1).await.unwrap(), [call("t", Some(20))]);
    store.commit(set(vec![call("t", Some(50)), call("s", None), call("nobody", None)])).await.unwrap();
    assert_eq!(store.called(at(99), 10).await.unwrap(), [call("u", Some(40)), call("t", Some(50))]);
}

pub async fn what_was_raised_is_counted_and_read_again(store: &dyn Store) {
    assert_eq!(store.traffic("s").await.unwrap(), Traffic::default());
    store.commit(raising(10, &[("s", "a"), ("t", "x"), ("s", "b"), ("s", "c")])).await.unwrap();
    let traffic =
        |waiting, delivered: Option<i64>| Traffic { raised: 3, waiting, delivered_at: delivered.map(at) };
    assert_eq!(store.traffic("s").await.unwrap(), traffic(Some(1), None));
    settle_first(store, "s", 11, Settlement::Delivered).await;
    assert_eq!(store.traffic("s").await.unwrap(), traffic(Some(2), Some(11)));
    settle_first(store, "s", 12, retry(60)).await;
    assert_eq!(store.traffic("s").await.unwrap(), traffic(Some(2), None));
    for ms in [70, 71] {
        settle_first(store, "s", ms, Settlement::Delivered).await;
    }
    assert_eq!(store.traffic("s").await.unwrap(), traffic(None, Some(71)));
    let of = |events: Vec<Event>| {
        events.into_iter().map(|one| (one.number, one.notice.id, one.attempts)).collect::<Vec<_>>()
    };
    let all = [(1, "a".to_owned(), 1), (2, "b".to_owned(), 2), (3, "c".to_owned(), 1)];
    assert_eq!(of(store.events("s", 1, 10).await.unwrap()), all);
    assert_eq!(of(store.events("s", 2, 1).await.unwrap()), all[1..2]);
    assert_eq!(store.events("s", 4, 10).await.unwrap(), []);
}
