//! What is known of record servers.

use crate::facts::at;
use endplate_followup::ports::{Bookmark, Counterpart, Note, Store, Unread};

fn counterpart(record: &str, id: &str, their_id: &str) -> Counterpart {
    Counterpart {
        record: record.to_owned(),
        kind: "Task".to_owned(),
        id: id.to_owned(),
        their_id: their_id.to_owned(),
        their_version: Some("1".to_owned()),
        our_version: 3,
        diverged: true,
    }
}

async fn keep(store: &dyn Store, notes: impl IntoIterator<Item = Note>) {
    store.note(notes.into_iter().collect()).await.unwrap();
}

pub async fn a_counterpart_is_found_from_either_side(store: &dyn Store) {
    let one = counterpart("main", "a", "7");
    let other = Counterpart { their_version: None, diverged: false, ..counterpart("other", "a", "9") };
    keep(store, [Note::Counterpart(one.clone()), Note::Counterpart(other.clone())]).await;
    assert_eq!(store.counterpart("main", "Task", "a").await.unwrap(), Some(one.clone()));
    assert_eq!(store.counterpart_of("main", "Task", "7").await.unwrap(), Some(one));
    assert_eq!(store.counterpart("other", "Task", "a").await.unwrap(), Some(other));
    assert_eq!(store.counterpart("main", "Goal", "a").await.unwrap(), None);
    assert_eq!(store.counterpart_of("main", "Task", "9").await.unwrap(), None);
}

pub async fn a_counterpart_replaces_what_was_known_of_either_side(store: &dyn Store) {
    keep(store, [Note::Counterpart(counterpart("main", "a", "7"))]).await;
    keep(store, [Note::Counterpart(counterpart("main", "a", "8"))]).await;
    assert_eq!(store.counterpart_of("main", "Task", "7").await.unwrap(), None);
    keep(store, [Note::Counterpart(counterpart("main", "b", "8"))]).await;
    assert_eq!(store.counterpart("main", "Task", "a").await.unwrap(), None);
    assert_eq!(store.counterpart_of("main", "Task", "8").await.unwrap().unwrap().id, "b");
}

pub async fn how_far_a_record_server_was_read_is_kept(store: &dyn Store) {
    let read = |kind: &str, until: Option<i64>, problem: Option<&str>| Bookmark {
        record: "main".to_owned(),
        kind: kind.to_owned(),
        until: until.map(at),
        read_at: at(9),
        problem: problem.map(str::to_owned),
    };
    assert_eq!(store.bookmarks("main").await.unwrap(), []);
    let all = [read("Patient", Some(5), None), read("Condition", None, Some("gone"))];
    keep(store, all.clone().map(Note::Bookmark)).await;
    assert_eq!(store.bookmarks("main").await.unwrap(), [all[1].clone(), all[0].clone()]);
    keep(store, [Note::Bookmark(read("Patient", Some(6), None))]).await;
    assert_eq!(store.bookmarks("main").await.unwrap()[1], read("Patient", Some(6), None));
    assert_eq!(store.bookmarks("other").await.unwrap(), []);
}

pub async fn what_was_not_taken_in_stays_until_it_is(store: &dyn Store) {
    let unread = |id: &str, ms: i64, reason: &str| Unread {
        record: "main".to_owned(),
        kind: "Procedure".to_owned(),
        their_id: id.to_owned(),
        their_version: None,
        at: at(ms),
        reason: reason.to_owned(),
    };
    let notes = [unread("1", 1, "first"), unread("2", 2, "second"), unread("1", 3, "again")];
    keep(store, notes.map(Note::Unread)).await;
    let listed = [unread("1", 3, "again"), unread("2", 2, "second")];
    assert_eq!(store.unread("main", 10).await.unwrap(), listed);
    assert_eq!(store.unread("main", 1).await.unwrap(), listed[..1]);
    let name = |text: &str| text.to_owned();
    keep(store, [Note::Taken { record: name("main"), kind: name("Procedure"), their_id: name("1") }]).await;
    assert_eq!(store.unread("main", 10).await.unwrap(), listed[1..]);
}
