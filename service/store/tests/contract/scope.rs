//! Counters, concurrent commits and the agenda.

use crate::facts::{assert_moved, change, commit, of_patient, put, scope};
use endplate_followup::ports::{Agenda, Changeset, Store, StoreError};
use futures_util::future::{join, join_all};
use jiff::civil::Date;

fn with_scopes(scopes: &[(&str, u64)], id: &str) -> Changeset {
    let scopes = scopes.iter().map(|(key, generation)| scope(key, *generation)).collect();
    Changeset { scopes, ..change(vec![put("Task", id, 1)]) }
}

pub async fn scopes_move_by_one(store: &dyn Store) {
    assert_eq!(store.generation("a").await.unwrap(), 0);
    store.commit(with_scopes(&[("a", 0), ("b|\"'%", 0)], "1")).await.unwrap();
    store.commit(with_scopes(&[("a", 1)], "2")).await.unwrap();
    store.commit(with_scopes(&[], "3")).await.unwrap();
    assert_eq!(store.generation("a").await.unwrap(), 2);
    assert_eq!(store.generation("b|\"'%").await.unwrap(), 1);
    assert_eq!(store.generation("A").await.unwrap(), 0);
    // A changeset of counters alone is a write too.
    store.commit(Changeset { scopes: vec![scope("a", 2)], ..Changeset::default() }).await.unwrap();
    assert_eq!(store.generation("a").await.unwrap(), 3);
}

pub async fn a_moved_scope_writes_nothing(store: &dyn Store) {
    store.commit(with_scopes(&[("a", 0), ("b", 0)], "1")).await.unwrap();
    for scopes in
        [[("a", 1), ("b", 0)], [("b", 2), ("a", 1)], [("c", 1), ("a", 1)], [("a", 1), ("c", u64::MAX)]]
    {
        assert_moved(&store.commit(with_scopes(&scopes, "2")).await);
        assert_eq!(store.read("Task", "2").await.unwrap(), None);
        for (key, expected) in [("a", 1), ("b", 1), ("c", 0)] {
            assert_eq!(store.generation(key).await.unwrap(), expected, "{key}");
        }
    }
}

pub async fn a_counter_that_is_only_read_must_not_have_moved_and_stays(store: &dyn Store) {
    store.commit(with_scopes(&[("ConceptMap", 0)], "1")).await.unwrap();
    let reading =
        |generation, id| Changeset { reads: vec![scope("ConceptMap", generation)], ..with_scopes(&[], id) };
    store.commit(reading(1, "2")).await.unwrap();
    store.commit(reading(1, "3")).await.unwrap();
    assert_moved(&store.commit(reading(0, "4")).await);
    assert_eq!(store.read("Task", "4").await.unwrap(), None);
    assert_eq!(store.generation("ConceptMap").await.unwrap(), 1);
}

pub async fn of_two_commits_on_one_scope_one_wins(store: &dyn Store) {
    for round in 0..50 {
        let one = store.commit(with_scopes(&[("Patient/p", round)], &format!("one-{round}")));
        let two = store.commit(with_scopes(&[("Patient/p", round)], &format!("two-{round}")));
        let (one, two) = join(one, two).await;
        let loser = if one.is_ok() { two.as_ref() } else { one.as_ref() };
        assert!(one.is_ok() != two.is_ok(), "{one:?} {two:?}");
        assert!(matches!(loser, Err(StoreError::Moved)), "{loser:?}");
        assert_eq!(store.generation("Patient/p").await.unwrap(), round + 1);
        for (won, name) in [(one.is_ok(), "one"), (two.is_ok(), "two")] {
            assert_eq!(store.read("Task", &format!("{name}-{round}")).await.unwrap().is_some(), won);
        }
    }
}

pub async fn concurrent_commits_are_all_there(store: &dyn Store) {
    let names: Vec<String> = (0..50).map(|n| format!("p{n}")).collect();
    let commits = names.iter().map(|name| {
        let puts = vec![of_patient(name, put("Patient", name, 1)), of_patient(name, put("Task", name, 1))];
        store.commit(Changeset { scopes: vec![scope(&format!("Patient/{name}"), 0)], ..change(puts) })
    });
    for result in join_all(commits).await {
        result.unwrap();
    }
    for name in &names {
        let compartment = store.compartment(name).await.unwrap();
        assert_eq!(compartment.generation, 1);
        assert_eq!(compartment.resources, [put("Patient", name, 1).stored, put("Task", name, 1).stored]);
    }
}

pub async fn a_refused_commit_takes_nothing_from_its_neighbours(store: &dyn Store) {
    commit(store, vec![put("Task", "taken", 1)]).await;
    // Commits that are refused by counter, by version, and by holding a resource twice, among some that are in order.
    let commits = (0..48).map(|n| {
        let id = format!("t{n}");
        let mut change = with_scopes(&[(&id, 0)], &id);
        match n % 4 {
            0 => change.scopes.push(scope("unknown", 7)),
            1 => change.puts.push(put("Task", "taken", 1)),
            2 => change.puts.push(put("Task", &id, 1)),
            _ => {}
        }
        store.commit(change)
    });
    for (n, result) in join_all(commits).await.into_iter().enumerate() {
        let id = format!("t{n}");
        let in_order = n % 4 == 3;
        assert_eq!(result.is_ok(), in_order, "{n}: {result:?}");
        assert_eq!(store.read("Task", &id).await.unwrap().is_some(), in_order);
        assert_eq!(store.generation(&id).await.unwrap(), u64::from(in_order));
    }
}

fn due(patient: &str, on: Option<Date>) -> Agenda {
    Agenda { patient: patient.to_owned(), due_on: on }
}

async fn put_agenda(store: &dyn Store, agenda: Vec<Agenda>) {
    store.commit(Changeset { agenda, ..change(vec![]) }).await.unwrap();
}

pub async fn the_agenda_is_read_by_day_in_order_of_patient(store: &dyn Store) {
    let day = |day| Date::constant(2026, 2, day);
    let dates = [
        ("d", day(1)),
        ("a", day(3)),
        ("c", day(2)),
        ("b", day(3)),
        ("e", day(4)),
        ("z", Date::constant(1969, 12, 31)),
    ];
    put_agenda(store, dates.iter().map(|(patient, on)| due(patient, Some(*on))).collect()).await;
    assert_eq!(store.due(day(3), None, 10).await.unwrap(), ["a", "b", "c", "d", "z"]);
    assert_eq!(store.due(day(2), None, 10).await.unwrap(), ["c", "d", "z"]);
    assert_eq!(store.due(Date::constant(1970, 1, 1), None, 10).await.unwrap(), ["z"]);
    assert_eq!(store.due(Date::constant(1969, 12, 30), None, 10).await.unwrap(), [""; 0]);
    assert_eq!(store.due(day(3), None, 2).await.unwrap(), ["a", "b"]);
    assert_eq!(store.due(day(3), Some("b"), 2).await.unwrap(), ["c", "d"]);
    assert_eq!(store.due(day(3), Some("d"), 2).await.unwrap(), ["z"]);
    assert_eq!(store.due(day(3), Some("z"), 2).await.unwrap(), [""; 0]);
    assert_eq!(store.due(Date::MAX, None, usize::MAX).await.unwrap().len(), 6);
    assert_eq!(store.due(Date::MIN, None, 10).await.unwrap(), [""; 0]);
}

pub async fn the_agenda_holds_the_last_date_or_none(store: &dyn Store) {
    let (early, late) = (Date::constant(2026, 2, 1), Date::constant(2026, 5, 1));
    put_agenda(store, vec![due("a", Some(early)), due("b", Some(early)), due("c", None)]).await;
    assert_eq!(store.due(late, None, 10).await.unwrap(), ["a", "b"]);
    put_agenda(store, vec![due("a", Some(late)), due("b", None)]).await;
    assert_eq!(store.due(early, None, 10).await.unwrap(), [""; 0]);
    assert_eq!(store.due(late, None, 10).await.unwrap(), ["a"]);
    // Of two in one changeset the last holds.
    put_agenda(store, vec![due("b", None), due("b", Some(early)), due("a", Some(early)), due("a", None)])
        .await;
    assert_eq!(store.due(late, None, 10).await.unwrap(), ["b"]);
}
