//! Versions, histories and compartments.

use crate::facts::{assert_moved, change, commit, found_by, of_patient, put, scope, token};
use endplate_fhir::search::{Clause, Match, Query, TokenSystem};
use endplate_followup::ports::{Agenda, Changeset, Notice, Store, Stored};
use futures_util::future::join;
use jiff::civil::Date;
use std::pin::pin;

pub async fn a_version_is_read_as_it_was_put(store: &dyn Store) {
    let first = put("Task", "a", 1);
    let second = put("Task", "a", 2);
    assert_eq!(store.read("Task", "a").await.unwrap(), None);
    commit(store, vec![first.clone()]).await;
    assert_eq!(store.read("Task", "a").await.unwrap().as_ref(), Some(&first.stored));
    commit(store, vec![second.clone()]).await;
    assert_eq!(store.read("Task", "a").await.unwrap().as_ref(), Some(&second.stored));
    assert_eq!(store.version("Task", "a", 1).await.unwrap(), Some(first.stored));
    assert_eq!(store.version("Task", "a", 2).await.unwrap(), Some(second.stored));
    assert_eq!(store.version("Task", "a", 0).await.unwrap(), None);
    assert_eq!(store.version("Task", "a", 3).await.unwrap(), None);
    assert_eq!(store.version("Task", "a", u64::MAX).await.unwrap(), None);
    // The same id under another type is another resource, and ids are told apart by case.
    assert_eq!(store.read("Procedure", "a").await.unwrap(), None);
    assert_eq!(store.read("Task", "A").await.unwrap(), None);
}

pub async fn history_is_newest_first(store: &dyn Store) {
    for version in 1..=12 {
        commit(store, vec![put("Task", "a", version), put("Task", &format!("other-{version}"), 1)]).await;
    }
    let history = store.history("Task", "a").await.unwrap();
    let expected: Vec<Stored> = (1..=12).rev().map(|version| put("Task", "a", version).stored).collect();
    assert_eq!(history, expected);
    assert_eq!(store.history("Task", "none").await.unwrap(), []);
}

pub async fn a_body_comes_back_byte_for_byte(store: &dyn Store) {
    let bodies = [
        r#"{"value":1.10,"other":1.0e-7,"big":12345678901234567890.000}"#,
        r#"{ "quotes": "it's \"so\"; -- '' ; ?1 :a $b", "back": "\\ \/ \u00e9" }"#,
        "{\"text\":\"\u{1F9E0} \u{10FFFF} \u{E000} e\u{301} \u{65E5}\u{672C} \u{202E}\"}",
        "{\n\t\"spread\" : [ 1 ,2 ]\r\n}\n",
        "",
    ];
    let mut puts = Vec::new();
    for (i, body) in bodies.iter().enumerate() {
        let mut one = put("Observation", &format!("b{i}"), 1);
        (*body).clone_into(&mut one.stored.body);
        puts.push(of_patient("p", one));
    }
    commit(store, puts).await;
    let compartment = store.compartment("p").await.unwrap();
    for (i, body) in bodies.iter().enumerate() {
        let id = format!("b{i}");
        assert_eq!(store.read("Observation", &id).await.unwrap().unwrap().body, *body);
        assert_eq!(store.version("Observation", &id, 1).await.unwrap().unwrap().body, *body);
        assert_eq!(store.history("Observation", &id).await.unwrap()[0].body, *body);
        assert_eq!(compartment.resources[i].body, *body);
    }
}

/// A changeset that would leave a trace in every part of the store.
fn a_full_changeset(extra: endplate_followup::ports::Put) -> Changeset {
    let fresh = found_by(&[token("status", None, "requested")], of_patient("p", put("Task", "fresh", 1)));
    Changeset {
        scopes: vec![scope("Patient/p", 0), scope("Task?identifier=s|1", 0)],
        notices: vec![Notice {
            subscription: "s".into(),
            kind: "Task".into(),
            id: "fresh".into(),
            version: 1,
        }],
        agenda: vec![Agenda { patient: "p".into(), due_on: Some(Date::constant(2026, 3, 1)) }],
        ..change(vec![fresh, extra])
    }
}

/// Nothing of [`a_full_changeset`] is there.
async fn assert_no_trace(store: &dyn Store) {
    assert_eq!(store.read("Task", "fresh").await.unwrap(), None);
    assert_eq!(store.history("Task", "fresh").await.unwrap(), []);
    assert_eq!(store.generation("Patient/p").await.unwrap(), 0);
    assert_eq!(store.generation("Task?identifier=s|1").await.unwrap(), 0);
    assert!(store.compartment("p").await.unwrap().resources.is_empty());
    assert_eq!(store.next_waiting_at().await.unwrap(), None);
    assert!(store.due(Date::MAX, None, 10).await.unwrap().is_empty());
    let asked = Match::Token { system: TokenSystem::Any, code: Some("requested".into()) };
    let clauses = vec![Clause { params: vec!["status".into()], negated: false, any: vec![asked] }];
    let query = Query { clauses, count: 10, ..Query::of("Task") };
    assert_eq!(store.search(&query).await.unwrap().total, 0);
}

pub async fn a_version_out_of_turn_writes_nothing(store: &dyn Store) {
    commit(store, vec![put("Procedure", "old", 1)]).await;
    commit(store, vec![put("Procedure", "old", 2)]).await;
    for (id, version) in [("old", 1), ("old", 2), ("old", 4), ("new", 2), ("new", 0)] {
        let result = store.commit(a_full_changeset(put("Procedure", id, version))).await;
        assert_moved(&result);
        assert_no_trace(store).await;
    }
    let history = store.history("Procedure", "old").await.unwrap();
    assert_eq!(history, [put("Procedure", "old", 2).stored, put("Procedure", "old", 1).stored]);
    assert_eq!(store.history("Procedure", "new").await.unwrap(), []);
    store.commit(a_full_changeset(put("Procedure", "old", 3))).await.unwrap();
    assert_eq!(store.compartment("p").await.unwrap().resources.len(), 1);
}

pub async fn a_resource_twice_in_a_changeset_writes_nothing(store: &dyn Store) {
    let mut twice = a_full_changeset(put("Procedure", "a", 1));
    twice.puts.push(put("Procedure", "a", 1));
    assert!(store.commit(twice).await.is_err());
    assert_no_trace(store).await;
    assert_eq!(store.read("Procedure", "a").await.unwrap(), None);
    let mut both = a_full_changeset(put("Procedure", "a", 1));
    both.puts.push(put("Procedure", "a", 2));
    assert_moved(&store.commit(both).await);
    assert_no_trace(store).await;
    store.commit(a_full_changeset(put("Procedure", "a", 1))).await.unwrap();
}

pub async fn a_compartment_is_ordered_by_type_and_id(store: &dyn Store) {
    let empty = store.compartment("p").await.unwrap();
    assert_eq!((empty.generation, empty.resources.len()), (0, 0));
    let names = [
        ("Task", "b"),
        ("Observation", "z"),
        ("Patient", "p"),
        ("Task", "B"),
        ("Task", "a"),
        ("Appointment", "10"),
    ];
    let puts = names.iter().map(|(kind, id)| of_patient("p", put(kind, id, 1)));
    let foreign = [of_patient("q", put("Task", "of-q", 1)), put("Practitioner", "of-nobody", 1)];
    let all = Changeset { scopes: vec![scope("Patient/p", 0)], ..change(puts.chain(foreign).collect()) };
    store.commit(all).await.unwrap();
    commit(store, vec![of_patient("p", put("Task", "a", 2))]).await;
    let compartment = store.compartment("p").await.unwrap();
    assert_eq!(compartment.generation, 1);
    let found: Vec<_> =
        compartment.resources.iter().map(|r| (r.kind.as_str(), r.id.as_str(), r.version)).collect();
    let expected = [
        ("Appointment", "10", 1),
        ("Observation", "z", 1),
        ("Patient", "p", 1),
        ("Task", "B", 1),
        ("Task", "a", 2),
        ("Task", "b", 1),
    ];
    assert_eq!(found, expected);
    // A counter without any resource is seen too.
    store.commit(Changeset { scopes: vec![scope("Patient/bare", 0)], ..change(vec![]) }).await.unwrap();
    let bare = store.compartment("bare").await.unwrap();
    assert_eq!((bare.generation, bare.resources.len()), (1, 0));
}

pub async fn a_resource_that_changes_patient_leaves_the_old_compartment(store: &dyn Store) {
    commit(store, vec![of_patient("p", put("Task", "a", 1)), of_patient("p", put("Task", "b", 1))]).await;
    commit(store, vec![of_patient("q", put("Task", "a", 2))]).await;
    assert_eq!(store.compartment("p").await.unwrap().resources, [put("Task", "b", 1).stored]);
    assert_eq!(store.compartment("q").await.unwrap().resources, [put("Task", "a", 2).stored]);
    commit(store, vec![put("Task", "a", 3)]).await;
    assert!(store.compartment("q").await.unwrap().resources.is_empty());
    assert_eq!(store.read("Task", "a").await.unwrap().unwrap().version, 3);
}

pub async fn a_compartment_and_its_counter_are_one_snapshot(store: &dyn Store) {
    // Each commit moves the counter by one, adds one Task and writes the next version of the Patient.
    const COMMITS: u64 = 150;
    let writing = async {
        for n in 0..COMMITS {
            let puts = vec![
                of_patient("p", put("Patient", "p", n + 1)),
                of_patient("p", put("Task", &format!("t{n}"), 1)),
            ];
            store.commit(Changeset { scopes: vec![scope("Patient/p", n)], ..change(puts) }).await.unwrap();
        }
    };
    let reading = async {
        let mut seen = 0;
        while seen < COMMITS {
            let compartment = store.compartment("p").await.unwrap();
            assert!(compartment.generation >= seen, "a later snapshot is not an earlier one");
            seen = compartment.generation;
            let version = compartment.resources.first().map_or(0, |patient| patient.version);
            assert_eq!(version, seen);
            assert_eq!(compartment.resources.len() as u64, if seen == 0 { 0 } else { seen + 1 });
        }
    };
    join(writing, reading).await;
}

pub async fn readers_are_answered_while_a_large_commit_is_under_way(store: &dyn Store) {
    const MANY: usize = 20_000;
    commit(store, vec![of_patient("p", put("Task", "first", 1))]).await;
    let rows = [token("status", None, "requested"), token("code", Some("urn:c"), "x")];
    let mut puts: Vec<_> =
        (0..MANY).map(|n| found_by(&rows, of_patient("p", put("Task", &format!("t{n}"), 1)))).collect();
    puts.push(of_patient("p", put("Task", "first", 2)));
    let mut writing = pin!(store.commit(change(puts)));
    let mut answered_before = 0;
    loop {
        tokio::select! {
            biased;
            done = &mut writing => break done.unwrap(),
            read = store.read("Task", "first") => {
                answered_before += u32::from(read.unwrap().unwrap().version == 1);
            }
        }
    }
    // A reader that waited for the writer would have had one answer or two.
    assert!(answered_before >= 10, "{answered_before}");
    assert_eq!(store.read("Task", "first").await.unwrap().unwrap().version, 2);
    assert_eq!(store.compartment("p").await.unwrap().resources.len(), MANY + 1);
}
