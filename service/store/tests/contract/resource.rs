//! Versions, histories and compartments.

use crate::facts::{
    assert_moved, change, commit, deletion, found_by, history_of, of_patient, put, reference, scope, token,
    written_at,
};
use endplate_fhir::search::{Clause, Match, Query, TokenSystem};
use endplate_followup::ports::{Agenda, Changeset, Deed, Notice, Past, PastPage, Place, Store, Stored};
use futures_util::future::join;
use jiff::civil::Date;
use std::ops::Range;
use std::path::Path;
use std::pin::pin;

pub async fn a_version_is_read_as_it_was_put(store: &dyn Store) {
    let first = put("Task", "a", 1);
    let second = put("Task", "a", 2);
    assert_eq!(store.read("Task", "a").await.unwrap(), None);
    commit(store, vec![first.clone()]).await;
    assert_eq!(store.read("Task", "a").await.unwrap().as_ref(), Some(&first.stored));
    commit(store, vec![second.clone()]).await;
    assert_eq!(store.read("Task", "a").await.unwrap().as_ref(), Some(&second.stored));
    for (number, put) in [(1, first), (2, second)] {
        let version = store.version("Task", "a", number).await.unwrap().unwrap();
        assert_eq!((version.stored, version.deed), (put.stored, put.deed));
    }
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
    let history = history_of(store, "Task", "a").await;
    let expected: Vec<Stored> = (1..=12).rev().map(|version| put("Task", "a", version).stored).collect();
    assert_eq!(history, expected);
    assert_eq!(history_of(store, "Task", "none").await, []);
}

pub async fn a_body_comes_back_byte_for_byte(store: &dyn Store) {
    let bodies = [
        r#"{"value":1.10,"other":1.0e-7,"big":12345678901234567890.000}"#,
        r#"{ "quotes": "it's \"so\"; -- '' ; ?1 :a $b", "back": "\\ \/ \u00e9" }"#,
        "{\"text\":\"\u{1F9E0} \u{10FFFF} \u{E000} e\u{301} \u{65E5}\u{672C} \u{202E}\"}",
        "{\n\t\"spread\" : [ 1 ,2 ]\r\n}\n",
        "",
        // As near as a text comes to how a packed body begins (RFC 8878, section 3.1.1).
        "(\u{b5}/\u{fffd}",
    ];
    // And HL7's own examples of R4.
    let official = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/official");
    let files = std::fs::read_dir(official).unwrap().map(|file| file.unwrap().path());
    let mut examples: Vec<_> =
        files.filter(|path| path.extension().is_some_and(|end| end == "json")).collect();
    examples.sort();
    assert!(examples.len() > 100);
    let examples = examples.iter().map(|path| std::fs::read_to_string(path).unwrap());
    let bodies: Vec<String> = bodies.into_iter().map(str::to_owned).chain(examples).collect();
    let mut puts = Vec::new();
    for (i, body) in bodies.iter().enumerate() {
        let mut one = put("Observation", &format!("b{i:03}"), 1);
        one.stored.body.clone_from(body);
        puts.push(of_patient("p", one));
    }
    commit(store, puts).await;
    let compartment = store.compartment("p").await.unwrap();
    for (i, body) in bodies.iter().enumerate() {
        let id = format!("b{i:03}");
        assert_eq!(store.read("Observation", &id).await.unwrap().unwrap().body, *body);
        assert_eq!(store.version("Observation", &id, 1).await.unwrap().unwrap().stored.body, *body);
        assert_eq!(history_of(store, "Observation", &id).await[0].body, *body);
        assert_eq!(compartment.resources[i].body, *body);
    }
}

/// A changeset that would leave a trace in every part of the store.
fn a_full_changeset(extra: endplate_followup::ports::Put) -> Changeset {
    let fresh = found_by(&[token("status", None, "requested")], of_patient("p", put("Task", "fresh", 1)));
    Changeset {
        scopes: vec![scope("Patient/p", 0), scope("Task?identifier=s|1", 0)],
        notices: vec![Notice { receiver: "s".into(), kind: "Task".into(), id: "fresh".into(), version: 1 }],
        agenda: vec![Agenda { patient: "p".into(), due_on: Some(Date::constant(2026, 3, 1)) }],
        ..change(vec![fresh, extra])
    }
}

/// Nothing of [`a_full_changeset`] is there.
async fn assert_no_trace(store: &dyn Store) {
    assert_eq!(store.read("Task", "fresh").await.unwrap(), None);
    assert_eq!(history_of(store, "Task", "fresh").await, []);
    assert_eq!(store.generation("Patient/p").await.unwrap(), 0);
    assert_eq!(store.generation("Task?identifier=s|1").await.unwrap(), 0);
    assert!(store.compartment("p").await.unwrap().resources.is_empty());
    assert_eq!(store.receivers(None, 1).await.unwrap(), []);
    assert!(store.due(Date::MAX, None, 10).await.unwrap().is_empty());
    let asked = Match::Token { system: TokenSystem::Any, code: Some("requested".into()) };
    let clauses = vec![Clause { params: vec!["status".into()], negated: false, any: vec![asked] }];
    let query = Query { clauses, count: 10, ..Query::of("Task") };
    assert_eq!(store.search(&query).await.unwrap().total, Some(0));
}

pub async fn a_version_out_of_turn_writes_nothing(store: &dyn Store) {
    commit(store, vec![put("Procedure", "old", 1)]).await;
    commit(store, vec![put("Procedure", "old", 2)]).await;
    for (id, version) in [("old", 1), ("old", 2), ("old", 4), ("new", 2), ("new", 0)] {
        let result = store.commit(a_full_changeset(put("Procedure", id, version))).await;
        assert_moved(&result);
        assert_no_trace(store).await;
    }
    let history = history_of(store, "Procedure", "old").await;
    assert_eq!(history, [put("Procedure", "old", 2).stored, put("Procedure", "old", 1).stored]);
    assert_eq!(history_of(store, "Procedure", "new").await, []);
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

pub async fn a_deletion_is_a_version_and_ends_what_can_be_found(store: &dyn Store) {
    let rows = [token("status", None, "requested"), reference("focus", "Procedure", "r")];
    let first = found_by(&rows, of_patient("p", put("Task", "a", 1)));
    commit(store, vec![first.clone(), of_patient("p", put("Task", "b", 1))]).await;
    // Rows and patient that come with a deletion by mistake are not kept.
    commit(store, vec![found_by(&rows, deletion("Task", "a", 2))]).await;
    assert_eq!(store.read("Task", "a").await.unwrap(), None);
    let latest = store.latest("Task", "a").await.unwrap().unwrap();
    assert_eq!((latest.stored, latest.deed), (deletion("Task", "a", 2).stored, Deed::Deleted));
    assert_eq!(store.version("Task", "a", 1).await.unwrap().unwrap().stored, first.stored);
    assert_eq!(store.version("Task", "a", 2).await.unwrap().unwrap().deed, Deed::Deleted);
    assert_eq!(store.compartment("p").await.unwrap().resources, [put("Task", "b", 1).stored]);
    assert_eq!(store.referrers("Procedure", "r", 9).await.unwrap(), []);
    let asked = Match::Token { system: TokenSystem::Any, code: Some("requested".into()) };
    let by_status = Clause { params: vec!["status".into()], negated: false, any: vec![asked] };
    let by_id = Clause { params: vec!["_id".into()], negated: false, any: vec![Match::Id("a".into())] };
    for clauses in [
        vec![by_status.clone()],
        vec![by_id.clone()],
        vec![Clause { negated: true, ..by_status.clone() }, by_id.clone()],
    ] {
        let query = Query { clauses, count: 10, ..Query::of("Task") };
        let page = store.search(&query).await.unwrap();
        assert_eq!((page.resources.len(), page.total), (0, Some(0)));
    }
    // The versions go on counting; out of turn nothing is written.
    assert_moved(&store.commit(change(vec![put("Task", "a", 1)])).await);
    let again = found_by(&rows, of_patient("p", put("Task", "a", 3)));
    commit(store, vec![again.clone()]).await;
    assert_eq!(store.read("Task", "a").await.unwrap().as_ref(), Some(&again.stored));
    assert_eq!(store.compartment("p").await.unwrap().resources.len(), 2);
    let query = Query { clauses: vec![by_status], count: 10, ..Query::of("Task") };
    assert_eq!(store.search(&query).await.unwrap().total, Some(1));
    let expected = [again.stored, deletion("Task", "a", 2).stored, first.stored];
    assert_eq!(history_of(store, "Task", "a").await, expected);
}

pub async fn what_refers_to_a_resource_is_known(store: &dyn Store) {
    let to = |kind: &str, id: &str| [reference("focus", kind, id)];
    let puts = vec![
        found_by(&to("Procedure", "r"), put("Task", "b", 1)),
        found_by(&to("Procedure", "r"), put("Task", "a", 1)),
        found_by(
            &[reference("focus", "Procedure", "r"), reference("based-on", "Procedure", "r")],
            put("Task", "c", 1),
        ),
        found_by(&to("Procedure", "other"), put("Task", "d", 1)),
        found_by(&to("CarePlan", "r"), put("Task", "e", 1)),
        found_by(&[reference("part-of", "Procedure", "r")], put("Procedure", "r", 1)),
    ];
    commit(store, puts).await;
    let named =
        |names: &[&str]| -> Vec<_> { names.iter().map(|id| ("Task".to_owned(), (*id).to_owned())).collect() };
    assert_eq!(store.referrers("Procedure", "r", 9).await.unwrap(), named(&["a", "b", "c"]));
    assert_eq!(store.referrers("Procedure", "r", 2).await.unwrap(), named(&["a", "b"]));
    commit(store, vec![put("Task", "a", 2)]).await;
    assert_eq!(store.referrers("Procedure", "r", 9).await.unwrap(), named(&["b", "c"]));
    assert_eq!(store.referrers("Procedure", "none", 9).await.unwrap(), []);
}

/// Versions at 10, 20, … ms: a Task changed twice, a Flag deleted, another Task.
async fn a_past(store: &dyn Store) {
    let puts = [
        put("Task", "a", 1),
        put("Flag", "f", 1),
        put("Task", "a", 2),
        deletion("Flag", "f", 2),
        put("Task", "b", 1),
        put("Task", "a", 3),
    ];
    for (n, put) in puts.into_iter().enumerate() {
        commit(store, vec![written_at(10 * (i64::try_from(n).unwrap() + 1), put)]).await;
    }
}

async fn told(store: &dyn Store, past: Past) -> Vec<String> {
    let page = store.history(&Past { count: 100, ..past }).await.unwrap();
    assert_eq!(page.total, Some(page.versions.len() as u64));
    let one = |version: &endplate_followup::ports::Version| {
        format!("{}/{}/{}", version.stored.kind, version.stored.id, version.stored.version)
    };
    page.versions.iter().map(one).collect()
}

pub async fn a_history_is_of_an_instance_a_type_or_all(store: &dyn Store) {
    a_past(store).await;
    let kind = |kind: &str| Past { kind: Some(kind.into()), ..Past::default() };
    let id = |kind: &str, id: &str| Past { kind: Some(kind.into()), id: Some(id.into()), ..Past::default() };
    let all = ["Task/a/3", "Task/b/1", "Flag/f/2", "Task/a/2", "Flag/f/1", "Task/a/1"];
    assert_eq!(told(store, Past::default()).await, all);
    assert_eq!(told(store, kind("Task")).await, ["Task/a/3", "Task/b/1", "Task/a/2", "Task/a/1"]);
    assert_eq!(told(store, id("Flag", "f")).await, ["Flag/f/2", "Flag/f/1"]);
    assert_eq!(told(store, id("Flag", "a")).await, Vec::<String>::new());
    let since = |since_ms| Past { since_ms: Some(since_ms), ..Past::default() };
    assert_eq!(told(store, since(40)).await, all[..3]);
    assert_eq!(told(store, since(41)).await, all[..2]);
    let during = |start, end| Past { during_ms: Some((start, end)), ..Past::default() };
    assert_eq!(told(store, during(35, 35)).await, ["Task/a/2", "Flag/f/1"]);
    assert_eq!(told(store, during(0, 9)).await, Vec::<String>::new());
    assert_eq!(told(store, during(30, 50)).await, ["Task/b/1", "Flag/f/2", "Task/a/2", "Flag/f/1"]);
}

/// Who asks for a page need not wait until all that ever was is counted.
pub async fn a_long_history_is_not_counted_to_its_end(store: &dyn Store) {
    let most = PastPage::TOTAL_MAX;
    let puts = |numbers: Range<usize>| numbers.map(|n| put("Flag", &format!("f{n}"), 1)).collect();
    commit(store, puts(0..most / 2)).await;
    commit(store, puts(most / 2..most)).await;
    let total = async || store.history(&Past { count: 1, ..Past::default() }).await.unwrap().total;
    assert_eq!(total().await, Some(most as u64));
    commit(store, puts(most..most + 1)).await;
    assert_eq!(total().await, None);
}

pub async fn pages_of_a_history_neither_repeat_nor_skip_while_it_grows(store: &dyn Store) {
    a_past(store).await;
    let (mut seen, mut after, mut pages) = (Vec::new(), None::<Place>, 0);
    loop {
        let page = store.history(&Past { count: 2, after, ..Past::default() }).await.unwrap();
        seen.extend(page.versions.into_iter().map(|version| (version.stored.id, version.stored.version)));
        pages += 1;
        commit(store, vec![written_at(1_000 + pages, put("Task", &format!("new-{pages}"), 1))]).await;
        match page.next {
            Some(next) => after = Place::parse(&next.to_string()),
            None => break,
        }
    }
    // Six versions make three full pages: no empty one follows.
    assert_eq!(pages, 3);
    let expected = [("a", 3), ("b", 1), ("f", 2), ("a", 2), ("f", 1), ("a", 1)];
    assert_eq!(seen, expected.map(|(id, version)| (id.to_owned(), version)));
}
