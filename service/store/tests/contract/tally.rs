//! What stands, counted.

use crate::facts::{at, change, date, deletion, found_by, put, token};
use endplate_followup::ports::{
    Agenda, Attempt, Bookmark, Changeset, Deed, Note, Notice, Put, ReadTally, Settlement, Store, Stored,
    Tally, Unread,
};
use jiff::civil::Date;
use std::collections::BTreeMap;

const DAY_MS: i64 = 86_400_000;
const TODAY: Date = Date::constant(1972, 1, 1);

/// The first instant of [`TODAY`].
const NOW_MS: i64 = 730 * DAY_MS;

/// One server was read, one type of it not to its end; of two something was put aside.
fn read_by_record() -> Vec<Note> {
    let bookmark = |kind: &str, read_at: i64, problem: Option<&str>| {
        Note::Bookmark(Bookmark {
            record: "ehr".to_owned(),
            kind: kind.to_owned(),
            until: None,
            read_at: at(read_at),
            problem: problem.map(str::to_owned),
        })
    };
    let aside = |record: &str, their_id: &str| {
        Note::Unread(Unread {
            record: record.to_owned(),
            kind: "Observation".to_owned(),
            their_id: their_id.to_owned(),
            their_version: None,
            at: at(9),
            reason: "no date".to_owned(),
        })
    };
    vec![
        bookmark("Patient", 20, None),
        bookmark("Procedure", 30, Some("status 503")),
        aside("ehr", "o1"),
        aside("ehr", "o2"),
        aside("lab", "o1"),
    ]
}

pub async fn nothing_stands_in_an_empty_store(store: &dyn Store) {
    assert_eq!(store.tally(at(NOW_MS), TODAY).await.unwrap(), Tally::default());
}

pub async fn what_stands_is_counted_by_what_it_is(store: &dyn Store) {
    let notice = |receiver: &str| Notice {
        receiver: receiver.to_owned(),
        kind: "Task".to_owned(),
        id: "t1".to_owned(),
        version: 1,
    };
    let receivers = ["well", "well", "failing", "held", "held", "held", "dead"];
    for (ms, receiver) in (1..).zip(receivers) {
        let notices = vec![notice(receiver)];
        store.commit(Changeset { at: Some(at(ms)), notices, ..change(vec![]) }).await.unwrap();
    }
    let status =
        |kind: &str, id: &str, code: &str| found_by(&[token("status", None, code)], put(kind, id, 1));
    // Only what waits for a Subscription can be held.
    store.commit(change(vec![status("Subscription", "held", "requested")])).await.unwrap();
    let settlements = [
        ("well", Settlement::Delivered),
        ("failing", Settlement::Retry { next_at: at(1_000), reason: "status 503".to_owned() }),
        ("held", Settlement::Held { version: 1 }),
        ("dead", Settlement::Parked { next_at: at(0), reason: "status 422".to_owned(), is_old: false }),
    ];
    for (receiver, settlement) in settlements {
        let attempt = Attempt { number: 1, at: at(10), settlement, goes_along: false };
        store.settle(receiver, vec![attempt]).await.unwrap();
    }
    // Tasks by status and window, in days before now.
    let task = |id: &str, code: &str, opened: i64, closed: i64| {
        let (start_ms, end_ms) = (NOW_MS - opened * DAY_MS, NOW_MS - closed * DAY_MS - 1);
        found_by(&[token("status", None, code), date("due", start_ms, end_ms)], put("Task", id, 1))
    };
    let puts = vec![
        status("Subscription", "s1", "active"),
        status("Subscription", "s2", "active"),
        status("Subscription", "s3", "error"),
        status("Appointment", "a1", "active"),
        task("over", "requested", 30, 0),
        task("booked", "accepted", 366, 300),
        task("done", "completed", 30, 10),
        task("open", "requested", 30, -1),
        task("older", "on-hold", 3_000, 10),
        task("planned", "draft", 30, 10),
    ];
    let due = |patient: &str, on: Date| Agenda { patient: patient.to_owned(), due_on: Some(on) };
    let tomorrow = TODAY.tomorrow().unwrap();
    let agenda = vec![due("p1", TODAY), due("p2", Date::constant(1971, 12, 30)), due("p3", tomorrow)];
    store.commit(Changeset { agenda, ..change(puts) }).await.unwrap();
    store.note(read_by_record()).await.unwrap();
    let subscriptions =
        BTreeMap::from([("active".to_owned(), 2), ("error".to_owned(), 1), ("requested".to_owned(), 1)]);
    let wanted = Tally {
        waiting: 2,
        held: 3,
        dead: 1,
        waiting_since: Some(at(2)),
        failing: 1,
        subscriptions,
        overdue_tasks: 3,
        due: 2,
        due_since: Some(Date::constant(1971, 12, 30)),
        read: BTreeMap::from([
            ("ehr/Observation".to_owned(), ReadTally { put_aside: 2, ..ReadTally::default() }),
            ("ehr/Patient".to_owned(), ReadTally { at: Some(at(20)), ..ReadTally::default() }),
            ("ehr/Procedure".to_owned(), ReadTally { is_broken_off: true, at: Some(at(30)), put_aside: 0 }),
            ("lab/Observation".to_owned(), ReadTally { put_aside: 1, ..ReadTally::default() }),
        ]),
        is_replica_well: None,
    };
    assert_eq!(store.tally(at(NOW_MS), TODAY).await.unwrap(), wanted);
    // What is done, and what is deleted, is no longer overdue.
    let version_2 = |put: Put| {
        let stored = Stored { version: 2, ..put.stored };
        Put { stored, deed: Deed::Updated, ..put }
    };
    let puts = vec![version_2(task("over", "completed", 30, 0)), deletion("Task", "booked", 2)];
    store.commit(change(puts)).await.unwrap();
    assert_eq!(store.tally(at(NOW_MS), TODAY).await.unwrap().overdue_tasks, 1);
}
