//! What a resource is found by, from version to version.

use crate::facts::{
    Random, amount, assert_moved, change, commit, date, deletion, found_by, put, reference, text, token,
};
use crate::search::{clause, coded, ids, one, query, starts};
use endplate_fhir::index::IndexRow;
use endplate_fhir::search::{Asked, Match, Prefix, TokenSystem, Unit};
use endplate_followup::ports::{Changeset, Put, Store};

/// Exactly this number, in whatever unit.
fn is_amount(value: f64) -> Match {
    Match::Quantity {
        prefix: Prefix::Eq,
        asked: Asked { value, low: value, high: value.next_up() },
        unit: Unit::Any,
    }
}

pub async fn new_rows_replace_the_old(store: &dyn Store) {
    let rows = |n: i64| {
        let word = format!("w{n}");
        [
            token("code", None, &word),
            reference("focus", "Task", &word),
            date("due", n, n),
            text("name", &word),
            amount("dose", n as f64, "mg"),
        ]
    };
    let asked = |n: i64| {
        let word = format!("w{n}");
        [
            ("code", coded(TokenSystem::Any, Some(&word))),
            ("focus", Match::Reference { kind: None, id: word.clone() }),
            ("due", Match::Date { prefix: Prefix::Eq, start_ms: n, end_ms: n }),
            ("name", starts(&word)),
            ("dose", is_amount(n as f64)),
        ]
    };
    commit(store, vec![found_by(&rows(1), put("Task", "a", 1)), found_by(&rows(1), put("Task", "b", 1))])
        .await;
    commit(store, vec![found_by(&rows(2), put("Task", "a", 2))]).await;
    for (param, one_asked) in asked(1) {
        assert_eq!(one(store, param, one_asked).await, "b", "{param}");
    }
    for (param, one_asked) in asked(2) {
        assert_eq!(one(store, param, one_asked).await, "a", "{param}");
    }
    // The resource comes as its newest version, whatever row found it; a version without rows is found by none.
    commit(store, vec![put("Task", "a", 3)]).await;
    for (param, one_asked) in asked(2) {
        assert_eq!(one(store, param, one_asked).await, "", "{param}");
    }
    let page = store.search(&query(vec![])).await.unwrap();
    assert_eq!(page.resources, [put("Task", "a", 3).stored, put("Task", "b", 1).stored]);
    // A row given twice counts once.
    commit(store, vec![found_by(&[rows(4), rows(4)].concat(), put("Task", "c", 1))]).await;
    for (param, one_asked) in asked(4) {
        assert_eq!(one(store, param, one_asked).await, "c", "{param}");
    }
}

/// That the resource is there was looked at before, and so was who refers to it.
pub async fn what_is_deleted_is_referred_to_by_nothing_that_stays(store: &dyn Store) {
    let refers = |kind: &str, id: &str, version: u64| {
        found_by(&[reference("owner", "Practitioner", "a")], put(kind, id, version))
    };
    commit(store, vec![put("Practitioner", "a", 1), refers("Task", "t1", 1), refers("Provenance", "r1", 1)])
        .await;
    let gone = |puts: Vec<Put>| {
        let mut change = change(puts);
        change.puts.push(deletion("Practitioner", "a", 2));
        store.commit(change)
    };
    assert_moved(&gone(vec![]).await);
    assert!(store.read("Practitioner", "a").await.unwrap().is_some());
    let targets = vec![("Practitioner".to_owned(), "a".to_owned())];
    let refers_too = |id: &str| Changeset { targets: targets.clone(), ..change(vec![refers("Task", id, 1)]) };
    store.commit(refers_too("t2")).await.unwrap();
    // What is written with it was looked at as it will be; what tells what happened may name it.
    gone(vec![refers("Task", "t1", 2), put("Task", "t2", 2)]).await.unwrap();
    assert_eq!(store.read("Practitioner", "a").await.unwrap(), None);
    assert_moved(&store.commit(refers_too("t3")).await);
    let nobody = vec![("Practitioner".to_owned(), "nobody".to_owned())];
    assert_moved(&store.commit(Changeset { targets: nobody, ..change(vec![put("Task", "t4", 1)]) }).await);
}

/// Of version after version some rows stay, some go and some come, those among them that are hard to write down too.
pub async fn rows_come_and_go_alone(store: &dyn Store) {
    let mut random = Random::new(21);
    let words = ["x", "it's \"so\"", "a\\b|c", "\u{e9}\u{1f9e0}", "null", "1", "two\n\tlines"];
    let mut pool = Vec::new();
    for word in words {
        let id = word.to_owned();
        pool.push((token("code", None, word), coded(TokenSystem::Any, Some(word))));
        pool.push((token("status", Some(word), "s"), coded(TokenSystem::Is(word.to_owned()), Some("s"))));
        pool.push((reference("focus", "Task", word), Match::Reference { kind: None, id }));
        pool.push((text("name", word), starts(word)));
    }
    for (start_ms, end_ms) in [(i64::MIN, 5), (5, i64::MAX), (i64::MIN, i64::MAX), (0, 0), (-7, 9)] {
        pool.push((date("due", start_ms, end_ms), Match::Date { prefix: Prefix::Eq, start_ms, end_ms }));
    }
    for value in [0.0, 0.1, -2.5, 92.7, 81.6, 1e300, f64::MIN_POSITIVE] {
        pool.push((amount("dose", value, "mg"), is_amount(value)));
    }
    for version in 1..=12 {
        let held = pool.iter().filter(|_| random.below(2) == 0);
        let held: Vec<IndexRow> = held.map(|(row, _)| row.clone()).collect();
        commit(store, vec![found_by(&held, put("Task", "a", version))]).await;
        for (row, asked) in &pool {
            let query = query(vec![clause(row.param, vec![asked.clone()])]);
            let found = ids(store, &query).await == ["a"];
            assert_eq!(found, query.matches("Task", "a", &held), "version {version}: {row:?}");
        }
    }
}
