//! The outbox: numbers, order, attempts.

use crate::facts::{assert_moved, at, change, scope};
use endplate_followup::ports::{Call, Changeset, Event, Notice, Settlement, Store, Traffic};
use futures_util::future::join_all;
use jiff::Timestamp;
use std::collections::BTreeMap;

fn notice(subscription: &str, id: &str) -> Notice {
    Notice { subscription: subscription.to_owned(), kind: "Task".to_owned(), id: id.to_owned(), version: 3 }
}

fn raising(ms: i64, notices: &[(&str, &str)]) -> Changeset {
    let notices = notices.iter().map(|(subscription, id)| notice(subscription, id)).collect();
    Changeset { at: Some(at(ms)), notices, ..change(vec![]) }
}

/// Subscription, number and resource of what is waiting.
async fn waiting(store: &dyn Store, now: i64) -> Vec<(String, u64, String)> {
    let events = store.waiting(at(now), 100).await.unwrap();
    let mut found: Vec<_> =
        events.into_iter().map(|e| (e.notice.subscription, e.number, e.notice.id)).collect();
    found.sort();
    found
}

fn event(subscription: &str, number: u64, id: &str) -> (String, u64, String) {
    (subscription.to_owned(), number, id.to_owned())
}

async fn first(store: &dyn Store, subscription: &str) -> Event {
    let events = store.waiting(Timestamp::MAX, 100).await.unwrap();
    events.into_iter().find(|event| event.notice.subscription == subscription).unwrap()
}

/// Delivers everything, and gives the resources of each subscription with their numbers, as they came.
async fn deliver_all(store: &dyn Store) -> BTreeMap<String, Vec<(u64, String)>> {
    let mut delivered: BTreeMap<String, Vec<(u64, String)>> = BTreeMap::new();
    loop {
        let events = store.waiting(Timestamp::MAX, 100).await.unwrap();
        if events.is_empty() {
            return delivered;
        }
        for event in events {
            store.settle(&event, at(9_000), Settlement::Delivered).await.unwrap();
            delivered.entry(event.notice.subscription).or_default().push((event.number, event.notice.id));
        }
    }
}

pub async fn events_are_numbered_within_their_subscription(store: &dyn Store) {
    assert_eq!(store.waiting(Timestamp::MAX, 10).await.unwrap(), []);
    assert_eq!(store.next_waiting_at().await.unwrap(), None);
    store.commit(raising(5, &[("s", "a"), ("t", "b"), ("s", "c")])).await.unwrap();
    store.commit(raising(6, &[("s", "a")])).await.unwrap();
    let raised = Event { notice: notice("s", "a"), number: 1, attempts: 0, raised_at: at(5) };
    assert_eq!(first(store, "s").await, raised);
    let delivered = deliver_all(store).await;
    let numbered = |ids: &[&str]| (1..).zip(ids.iter().map(|id| (*id).to_owned())).collect::<Vec<_>>();
    assert_eq!(delivered["s"], numbered(&["a", "c", "a"]));
    assert_eq!(delivered["t"], numbered(&["b"]));
    // Numbers are never used again.
    store.commit(raising(7, &[("t", "d")])).await.unwrap();
    assert_eq!(waiting(store, 7).await, [event("t", 2, "d")]);
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
    for (subscription, count) in [("s", 120), ("t", 60)] {
        let numbers: Vec<u64> = delivered[subscription].iter().map(|(number, _)| *number).collect();
        assert_eq!(numbers, (1..=count).collect::<Vec<_>>());
    }
    // The two of one changeset stand in its order, one after the other.
    for pair in delivered["s"].chunks(2) {
        assert_eq!(pair[0].1.replace("-1", "-2"), pair[1].1);
    }
}

pub async fn only_the_first_unsettled_event_waits(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "c"), ("t", "d")])).await.unwrap();
    assert_eq!(waiting(store, 9).await, []);
    assert_eq!(waiting(store, 10).await, [event("s", 1, "a"), event("t", 1, "c")]);
    store.settle(&first(store, "s").await, at(11), Settlement::Delivered).await.unwrap();
    assert_eq!(waiting(store, 11).await, [event("s", 2, "b"), event("t", 1, "c")]);
    store.settle(&first(store, "s").await, at(12), Settlement::Delivered).await.unwrap();
    assert_eq!(waiting(store, 12).await, [event("t", 1, "c")]);
}

pub async fn a_retry_waits_for_its_time(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "c")])).await.unwrap();
    for (attempt, next) in (1..).zip([100, 250, 700]) {
        let settlement = Settlement::Retry { next_at: at(next), reason: "status 503".to_owned() };
        store.settle(&first(store, "s").await, at(20), settlement).await.unwrap();
        // Its followers wait behind it; other subscriptions do not.
        assert_eq!(waiting(store, next - 1).await, [event("t", 1, "c")]);
        assert_eq!(waiting(store, next).await, [event("s", 1, "a"), event("t", 1, "c")]);
        assert_eq!(first(store, "s").await.attempts, attempt);
        assert_eq!(first(store, "s").await.raised_at, at(10));
    }
    store.settle(&first(store, "s").await, at(701), Settlement::Delivered).await.unwrap();
    assert_eq!(waiting(store, 10).await, [event("s", 2, "b"), event("t", 1, "c")]);
    assert_eq!(first(store, "s").await.attempts, 0);
}

pub async fn a_dropped_event_makes_room(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b")])).await.unwrap();
    let dropped = || Settlement::Dropped { reason: "the subscription is off".to_owned() };
    store.settle(&first(store, "s").await, at(11), dropped()).await.unwrap();
    assert_eq!(waiting(store, 11).await, [event("s", 2, "b")]);
    store.settle(&first(store, "s").await, at(12), dropped()).await.unwrap();
    assert_eq!(waiting(store, 13).await, []);
    assert_eq!(store.next_waiting_at().await.unwrap(), None);
}

pub async fn settling_again_changes_nothing(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b")])).await.unwrap();
    let done = first(store, "s").await;
    store.settle(&done, at(11), Settlement::Delivered).await.unwrap();
    let retry = Settlement::Retry { next_at: at(500), reason: "late".to_owned() };
    let dropped = Settlement::Dropped { reason: "late".to_owned() };
    for late in [Settlement::Delivered, retry, dropped] {
        store.settle(&done, at(12), late).await.unwrap();
        assert_eq!(waiting(store, 12).await, [event("s", 2, "b")]);
        assert_eq!(first(store, "s").await.attempts, 0);
    }
    // One that never was is no error either.
    let unknown = Event { notice: notice("nobody", "x"), number: 40, ..done };
    store.settle(&unknown, at(12), Settlement::Delivered).await.unwrap();
    assert_eq!(waiting(store, 12).await, [event("s", 2, "b")]);
}

pub async fn the_next_time_is_that_of_the_earliest_subscription(store: &dyn Store) {
    store.commit(raising(30, &[("s", "a"), ("s", "b")])).await.unwrap();
    store.commit(raising(20, &[("t", "c")])).await.unwrap();
    assert_eq!(store.next_waiting_at().await.unwrap(), Some(at(20)));
    let retry = |ms| Settlement::Retry { next_at: at(ms), reason: "no answer".to_owned() };
    store.settle(&first(store, "t").await, at(21), retry(90)).await.unwrap();
    assert_eq!(store.next_waiting_at().await.unwrap(), Some(at(30)));
    // The second event of `s` was raised at 30 but stands behind one that waits until 60.
    store.settle(&first(store, "s").await, at(31), retry(60)).await.unwrap();
    assert_eq!(store.next_waiting_at().await.unwrap(), Some(at(60)));
    assert_eq!(waiting(store, 59).await, []);
    assert_eq!(waiting(store, 60).await, [event("s", 1, "a")]);
    deliver_all(store).await;
    assert_eq!(store.next_waiting_at().await.unwrap(), None);
}

pub async fn as_many_events_as_asked_for(store: &dyn Store) {
    let names: Vec<String> = (0..20).map(|n| format!("s{n:02}")).collect();
    for (ms, name) in (1..).zip(&names) {
        store.commit(raising(ms, &[(name, "a"), (name, "b")])).await.unwrap();
    }
    let events = store.waiting(at(15), 4).await.unwrap();
    assert_eq!(events.len(), 4);
    assert!(events.iter().all(|event| event.number == 1 && event.raised_at <= at(15)));
    assert_eq!(store.waiting(at(15), 100).await.unwrap().len(), 15);
    assert_eq!(store.waiting(at(15), usize::MAX).await.unwrap().len(), 15);
}

/// An event that is held waits without an attempt, until its time or until its subscription is released.
pub async fn a_held_event_goes_when_it_is_released(store: &dyn Store) {
    store.commit(raising(10, &[("s", "a"), ("s", "b"), ("t", "c")])).await.unwrap();
    for subscription in ["s", "t"] {
        let held = Settlement::Held { next_at: at(900) };
        store.settle(&first(store, subscription).await, at(11), held).await.unwrap();
    }
    assert_eq!(waiting(store, 899).await, []);
    assert_eq!(store.next_waiting_at().await.unwrap(), Some(at(900)));
    store
        .commit(Changeset { at: Some(at(20)), releases: vec!["s".to_owned()], ..change(vec![]) })
        .await
        .unwrap();
    assert_eq!(waiting(store, 19).await, []);
    assert_eq!(waiting(store, 20).await, [event("s", 1, "a")]);
    assert_eq!(first(store, "s").await.attempts, 0);
    // What may be sent already is not put off.
    store
        .commit(Changeset { at: Some(at(50)), releases: vec!["s".to_owned()], ..change(vec![]) })
        .await
        .unwrap();
    assert_eq!(waiting(store, 20).await, [event("s", 1, "a")]);
    // Nothing waits for one that nobody knows.
    store.commit(Changeset { releases: vec!["nobody".to_owned()], ..change(vec![]) }).await.unwrap();
}

pub async fn calls_are_due_in_order_and_once_set_anew(store: &dyn Store) {
    let call =
        |subscription: &str, ms: Option<i64>| Call { subscription: subscription.to_owned(), at: ms.map(at) };
    let set = |calls: Vec<Call>| Changeset { calls, ..change(vec![]) };
    store.commit(set(vec![call("s", Some(30)), call("t", Some(20)), call("u", Some(40))])).await.unwrap();
    assert_eq!(store.next_waiting_at().await.unwrap(), Some(at(20)));
    assert_eq!(store.called(at(19), 10).await.unwrap(), []);
    assert_eq!(store.called(at(35), 10).await.unwrap(), [call("t", Some(20)), call("s", Some(30))]);
    assert_eq!(store.called(at(35), 1).await.unwrap(), [call("t", Some(20))]);
    store.commit(set(vec![call("t", Some(50)), call("s", None), call("nobody", None)])).await.unwrap();
    assert_eq!(store.called(at(99), 10).await.unwrap(), [call("u", Some(40)), call("t", Some(50))]);
    store.commit(raising(10, &[("s", "a")])).await.unwrap();
    assert_eq!(store.next_waiting_at().await.unwrap(), Some(at(10)));
}

pub async fn what_was_raised_is_counted_and_read_again(store: &dyn Store) {
    assert_eq!(store.traffic("s").await.unwrap(), Traffic::default());
    store.commit(raising(10, &[("s", "a"), ("t", "x"), ("s", "b"), ("s", "c")])).await.unwrap();
    let traffic =
        |waiting, delivered: Option<i64>| Traffic { raised: 3, waiting, delivered_at: delivered.map(at) };
    assert_eq!(store.traffic("s").await.unwrap(), traffic(Some(1), None));
    store.settle(&first(store, "s").await, at(11), Settlement::Delivered).await.unwrap();
    assert_eq!(store.traffic("s").await.unwrap(), traffic(Some(2), Some(11)));
    let retry = Settlement::Retry { next_at: at(60), reason: "no answer".to_owned() };
    store.settle(&first(store, "s").await, at(12), retry).await.unwrap();
    assert_eq!(store.traffic("s").await.unwrap(), traffic(Some(2), Some(11)));
    deliver_all(store).await;
    assert_eq!(store.traffic("s").await.unwrap(), traffic(None, Some(9_000)));
    let of = |events: Vec<Event>| {
        events.into_iter().map(|one| (one.number, one.notice.id, one.attempts)).collect::<Vec<_>>()
    };
    let all = [(1, "a".to_owned(), 1), (2, "b".to_owned(), 2), (3, "c".to_owned(), 1)];
    assert_eq!(of(store.events("s", 1, 10).await.unwrap()), all);
    assert_eq!(of(store.events("s", 2, 1).await.unwrap()), all[1..2]);
    assert_eq!(store.events("s", 4, 10).await.unwrap(), []);
}
