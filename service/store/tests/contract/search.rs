//! Search, compared with what the query itself decides: R4 search, as `endplate_fhir::search` reads it.

use crate::facts::{Random, amount, at, commit, date, found_by, put, reference, text, token, written_at};
use endplate_fhir::index::{IndexRow, IndexValue};
use endplate_fhir::search::{
    Asked, Clause, Match, Part, Prefix, Query, Sort, TOTAL_MAX, TokenSystem, Total, Unit, fold,
};
use endplate_followup::ports::{Put, Store};
use futures_util::future::join;
use std::collections::BTreeSet;

const PREFIXES: [Prefix; 9] = [
    Prefix::Eq,
    Prefix::Ne,
    Prefix::Lt,
    Prefix::Le,
    Prefix::Gt,
    Prefix::Ge,
    Prefix::Sa,
    Prefix::Eb,
    Prefix::Ap,
];

pub fn query(clauses: Vec<Clause>) -> Query {
    Query { clauses, count: 500, ..Query::of("Task") }
}

pub fn clause(param: &str, any: Vec<Match>) -> Clause {
    Clause { params: vec![param.to_owned()], negated: false, any }
}

pub fn starts(text: &str) -> Match {
    Match::Text { part: Part::Start, text: fold(text) }
}

pub async fn ids(store: &dyn Store, query: &Query) -> Vec<String> {
    let page = store.search(query).await.unwrap();
    assert_eq!(page.total, Some(page.resources.len() as u64));
    assert_eq!(page.next, None);
    page.resources.into_iter().map(|resource| resource.id).collect()
}

pub async fn one(store: &dyn Store, param: &str, asked: Match) -> String {
    ids(store, &query(vec![clause(param, vec![asked])])).await.concat()
}

/// A Task with these rows, and another type's resource with the same rows that no search of Tasks may find.
async fn add(store: &dyn Store, id: &str, rows: &[IndexRow]) {
    commit(store, vec![found_by(rows, put("Task", id, 1)), found_by(rows, put("Procedure", id, 1))]).await;
}

pub fn coded(system: TokenSystem, code: Option<&str>) -> Match {
    Match::Token { system, code: code.map(str::to_owned) }
}

pub async fn tokens(store: &dyn Store) {
    for param in ["code", "identifier"] {
        let prefix = &param[..1];
        let id = |name: &str| format!("{prefix}{name}");
        add(store, &id("1"), &[token(param, Some("urn:a"), "x")]).await;
        add(store, &id("2"), &[token(param, Some("urn:b"), "x"), token(param, Some("urn:a"), "y")]).await;
        add(store, &id("3"), &[token(param, None, "x")]).await;
        add(store, &id("4"), &[token("status", None, "x")]).await;
        add(store, &id("5"), &[token(param, Some("urn:a"), "")]).await;
        let is = |system: &str| TokenSystem::Is(system.to_owned());
        let cases = [
            (coded(TokenSystem::Any, Some("x")), vec!["1", "2", "3"]),
            (coded(TokenSystem::None, Some("x")), vec!["3"]),
            (coded(is("urn:a"), Some("x")), vec!["1"]),
            (coded(is("urn:a"), None), vec!["1", "2", "5"]),
            (coded(TokenSystem::Any, Some("X")), vec![]),
            (coded(is("urn:'"), Some("' or 1=1 --")), vec![]),
        ];
        for (asked, expected) in cases {
            let expected: Vec<String> = expected.into_iter().map(id).collect();
            assert_eq!(one(store, param, asked.clone()).await, expected.concat(), "{asked:?}");
            let negated = Clause { negated: true, ..clause(param, vec![asked]) };
            let others = ids(store, &query(vec![negated])).await;
            let all = ids(store, &query(vec![])).await;
            let rest: Vec<String> = all.into_iter().filter(|id| !expected.contains(id)).collect();
            assert_eq!(others, rest);
        }
        let either = vec![coded(is("urn:b"), Some("x")), coded(TokenSystem::None, Some("x"))];
        assert_eq!(ids(store, &query(vec![clause(param, either.clone())])).await, [id("2"), id("3")]);
        let neither = Clause { negated: true, ..clause(param, either) };
        let both = vec![neither, clause(param, vec![coded(TokenSystem::Any, Some("x"))])];
        assert_eq!(ids(store, &query(both)).await, [id("1")]);
    }
}

pub async fn references(store: &dyn Store) {
    add(store, "1", &[reference("focus", "Procedure", "a"), reference("focus", "Procedure", "b")]).await;
    add(store, "2", &[reference("focus", "Observation", "a")]).await;
    add(store, "3", &[reference("owner", "Procedure", "a")]).await;
    let to =
        |kind: Option<&str>, id: &str| Match::Reference { kind: kind.map(str::to_owned), id: id.to_owned() };
    assert_eq!(one(store, "focus", to(None, "a")).await, "12");
    assert_eq!(one(store, "focus", to(Some("Procedure"), "a")).await, "1");
    assert_eq!(one(store, "focus", to(Some("Procedure"), "b")).await, "1");
    assert_eq!(one(store, "focus", to(Some("Observation"), "b")).await, "");
    assert_eq!(one(store, "owner", to(None, "a")).await, "3");
}

pub async fn texts_and_ids(store: &dyn Store) {
    let names =
        ["anna", "ann", "an", "a%", "a_b", "\u{e5}sa", "\u{1F9E0}x", "\u{1F9E0}", "ann\u{10FFFF}", "a'b"];
    for (n, name) in names.iter().enumerate() {
        add(store, &n.to_string(), &[text("name", name)]).await;
    }
    for asked in ["ann", "anna", "a", "a%", "a_", "\u{e5}", "\u{1F9E0}", "annab", "", "a'", "ann\u{10FFFF}"] {
        for part in [Part::Start, Part::Anywhere, Part::Whole] {
            let found = one(store, "name", Match::Text { part, text: fold(asked) }).await;
            let holds = |name: &&str| match part {
                Part::Start => fold(name).starts_with(&fold(asked)),
                Part::Anywhere => fold(name).contains(&fold(asked)),
                Part::Whole => **name == fold(asked),
            };
            let holding = names.iter().enumerate().filter(|(_, name)| holds(name));
            let expected: String = holding.map(|(n, _)| n.to_string()).collect();
            assert_eq!(found, expected, "{part:?} {asked:?}");
        }
    }
    assert_eq!(one(store, "_id", Match::Id("3".to_owned())).await, "3");
    assert_eq!(one(store, "_id", Match::Id("33".to_owned())).await, "");
    let several = vec![Match::Id("7".to_owned()), Match::Id("1".to_owned()), Match::Id("x".to_owned())];
    assert_eq!(ids(store, &query(vec![clause("_id", several)])).await, ["1", "7"]);
}

pub async fn dates_by_every_prefix(store: &dyn Store) {
    let mut random = Random::new(20_260_301);
    let rows: Vec<(i64, i64)> = (0..120).map(|_| random.interval()).collect();
    let puts = rows.iter().enumerate();
    let puts = puts
        .map(|(n, (start, end))| found_by(&[date("due", *start, *end)], put("Task", &format!("{n:03}"), 1)));
    commit(store, puts.collect()).await;
    for _ in 0..60 {
        let (start_ms, end_ms) = random.interval();
        for prefix in PREFIXES {
            let asked = Match::Date { prefix, start_ms, end_ms };
            let found = ids(store, &query(vec![clause("due", vec![asked])])).await;
            let holds = rows
                .iter()
                .enumerate()
                .filter(|(_, (low, high))| prefix.holds(start_ms, end_ms, *low, *high));
            let expected: Vec<String> = holds.map(|(n, _)| format!("{n:03}")).collect();
            assert_eq!(found, expected, "{prefix:?} {start_ms} {end_ms}");
        }
    }
}

pub async fn last_updated_by_every_prefix(store: &dyn Store) {
    let mut random = Random::new(20_260_302);
    let times: Vec<i64> = (0..60).map(|_| random.below(14) - 7).collect();
    let puts = times.iter().enumerate().map(|(n, ms)| written_at(*ms, put("Task", &format!("{n:02}"), 1)));
    commit(store, puts.collect()).await;
    for _ in 0..30 {
        let (start_ms, end_ms) = random.interval();
        for prefix in PREFIXES {
            let asked = Match::Date { prefix, start_ms, end_ms };
            let found = ids(store, &query(vec![clause("_lastUpdated", vec![asked])])).await;
            let holds = times.iter().enumerate().filter(|(_, ms)| prefix.holds(start_ms, end_ms, **ms, **ms));
            let expected: Vec<String> = holds.map(|(n, _)| format!("{n:02}")).collect();
            assert_eq!(found, expected, "{prefix:?} {start_ms} {end_ms}");
        }
    }
}

fn random_row(random: &mut Random) -> IndexRow {
    let (start, end) = random.interval();
    match random.below(10) {
        0 => token("code", random.one(&[None, Some("urn:a"), Some("urn:b")]), random.one(&["x", "y", "z"])),
        1 => token("status", None, random.one(&["requested", "completed"])),
        2 => reference("subject", random.one(&["Patient", "Group", ""]), random.one(&["1", "2"])),
        3 => reference("owner", "Practitioner", random.one(&["1", "2"])),
        4 => date("due", start, end),
        5 => amount("dose", random.below(6) as f64, random.one(&["mg", "g"])),
        6 => {
            let code = random.one(&["1", "2"]).to_owned();
            IndexRow { param: "owner", value: IndexValue::Identified { system: Some("urn:a".into()), code } }
        }
        7 => {
            let value = random.one(&["1", "2"]).to_owned();
            let (system, code) = ("urn:t".to_owned(), "MR".to_owned());
            IndexRow { param: "identifier", value: IndexValue::Typed { system, code, value } }
        }
        8 => token("url", None, random.one(&["http://a", "http://a/b", "http://b"])),
        _ => text("name", random.one(&["ab", "Abc", "b", "\u{e9}a"])),
    }
}

fn random_clause(random: &mut Random) -> Clause {
    let names = ["code", "status", "subject", "owner", "due", "dose", "identifier", "url", "name", "_id"];
    let param = random.one(&names);
    let negated = param != "_id" && random.below(3) == 0;
    let any: Vec<Match> = (0..=random.below(7)).map(|_| random_match(random, param)).collect();
    let mut params = vec![param.to_owned()];
    if matches!(param, "subject" | "owner") && random.below(2) == 0 {
        params = vec!["subject".to_owned(), "owner".to_owned()];
    }
    Clause { params, negated, any }
}

fn random_match(random: &mut Random, param: &str) -> Match {
    let (start_ms, end_ms) = random.interval();
    // `dose` is no parameter of Task: of such a one the store cannot know where its rows stand.
    if random.below(6) == 0 && !matches!(param, "_id" | "dose" | "url" | "name") {
        let kind = matches!(param, "subject" | "owner").then(|| "Patient".to_owned());
        return Match::Present { kind, system: None };
    }
    match param {
        "code" | "status" => {
            let systems = [TokenSystem::Any, TokenSystem::None, TokenSystem::Is("urn:a".to_owned())];
            coded(random.one(&systems), Some(random.one(&["x", "y", "requested", "completed"])))
        }
        "owner" if random.below(3) == 0 => Match::Identified {
            system: random.one(&[TokenSystem::Any, TokenSystem::None, TokenSystem::Is("urn:a".to_owned())]),
            code: random.one(&[None, Some("1")]).map(str::to_owned),
        },
        "subject" | "owner" => Match::Reference {
            kind: random
                .one(&[None, Some("Patient"), Some("Patient"), Some("Practitioner"), Some("")])
                .map(str::to_owned),
            id: random.one(&["1", "2", "3"]).to_owned(),
        },
        "due" => Match::Date { prefix: random.one(&PREFIXES), start_ms, end_ms },
        "dose" => {
            let value = random.below(7) as f64;
            let asked = Asked { value, low: value - 0.5, high: value + 0.5 };
            let coded = Unit::Coded { system: "urn:u".to_owned(), code: "mg".to_owned() };
            let unit =
                random.one(&[Unit::Any, Unit::Named("mg".to_owned()), Unit::Named("a g".to_owned()), coded]);
            Match::Quantity { prefix: random.one(&PREFIXES), asked, unit }
        }
        "identifier" => Match::Typed {
            system: random.one(&["urn:t", "urn:x"]).to_owned(),
            code: "MR".to_owned(),
            value: random.one(&["1", "2", "3"]).to_owned(),
        },
        "url" => {
            let uri = random.one(&["http://a", "http://a/b", "http://a/b/c", "http://"]).to_owned();
            random.one(&[Match::Below(uri.clone()), Match::Above(uri)])
        }
        "name" => {
            let text = random.one(&["a", "ab", "Abc", "\u{e9}", "b"]);
            match random.one(&[Part::Start, Part::Anywhere, Part::Whole]) {
                Part::Whole => Match::Text { part: Part::Whole, text: text.to_owned() },
                part => Match::Text { part, text: fold(text) },
            }
        }
        _ => Match::Id(format!("{:03}", random.below(200))),
    }
}

pub async fn clauses_together_as_the_query_itself_decides(store: &dyn Store) {
    let mut random = Random::new(20_260_303);
    let mut puts: Vec<Put> = Vec::new();
    for n in 0..200 {
        let rows: Vec<IndexRow> = (0..random.below(7)).map(|_| random_row(&mut random)).collect();
        let kind = if n % 10 == 0 { "Procedure" } else { "Task" };
        puts.push(found_by(&rows, put(kind, &format!("{n:03}"), 1)));
    }
    commit(store, puts.clone()).await;
    for _ in 0..400 {
        let query = query((0..random.below(4)).map(|_| random_clause(&mut random)).collect());
        let found = ids(store, &query).await;
        let matching = puts.iter().filter(|put| query.matches(&put.stored.kind, &put.stored.id, &put.rows));
        let expected: Vec<&str> = matching.map(|put| put.stored.id.as_str()).collect();
        assert_eq!(found, expected, "{query:?}");
    }
}

fn sorted(param: &str, descending: bool) -> Query {
    Query { sort: vec![Sort { param: param.to_owned(), descending }], ..query(vec![]) }
}

pub async fn sorted_by_time_both_ways(store: &dyn Store) {
    let times = [("a", 30), ("b", 10), ("c", 20), ("d", 10), ("e", -5)];
    commit(store, times.iter().map(|(id, ms)| written_at(*ms, put("Task", id, 1))).collect()).await;
    assert_eq!(ids(store, &sorted("_lastUpdated", false)).await.concat(), "ebdca");
    assert_eq!(ids(store, &sorted("_lastUpdated", true)).await.concat(), "acdbe");
    assert_eq!(ids(store, &sorted("_id", false)).await.concat(), "abcde");
    assert_eq!(ids(store, &sorted("_id", true)).await.concat(), "edcba");
    // A new version counts with its own time.
    commit(store, vec![written_at(25, put("Task", "e", 2))]).await;
    assert_eq!(ids(store, &sorted("_lastUpdated", false)).await.concat(), "bdcea");
}

pub async fn sorted_by_a_date_both_ways(store: &dyn Store) {
    // By the earliest start going up, by the latest end going down; without a date, last.
    let dates: [(&str, &[(i64, i64)]); 6] = [
        ("a", &[(5, 50)]),
        ("b", &[(7, 8), (1, 2)]),
        ("c", &[]),
        ("d", &[(i64::MIN, 6)]),
        ("e", &[(6, i64::MAX)]),
        ("f", &[(5, 8)]),
    ];
    for (id, intervals) in dates {
        let mut rows: Vec<IndexRow> =
            intervals.iter().map(|(start, end)| date("due", *start, *end)).collect();
        rows.push(date("authored-on", -100, -100));
        add(store, id, &rows).await;
    }
    assert_eq!(ids(store, &sorted("due", false)).await.concat(), "dbafec");
    assert_eq!(ids(store, &sorted("due", true)).await.concat(), "eafbdc");
}

pub async fn sorted_by_several_keys(store: &dyn Store) {
    // Status up, then due down, then code up, then id.
    let tasks: [(&str, Option<&str>, i64, &str); 7] = [
        ("a", Some("requested"), 5, "x"),
        ("b", Some("completed"), 5, "x"),
        ("c", Some("requested"), 9, "y"),
        ("d", Some("requested"), 5, "w"),
        ("e", None, 1, "x"),
        ("f", Some("completed"), 7, "x"),
        ("g", Some("requested"), 5, "x"),
    ];
    for (id, status, due, code) in tasks {
        let mut rows = vec![date("due", due, due), token("code", None, code)];
        rows.extend(status.map(|status| token("status", None, status)));
        add(store, id, &rows).await;
    }
    let key = |param: &str, descending| Sort { param: param.to_owned(), descending };
    let keys = vec![key("status", false), key("due", true), key("code", false)];
    let mut query = Query { sort: keys, ..query(vec![]) };
    assert_eq!(ids(store, &query).await.concat(), "fbcdage");
    // The same order in pages of two.
    query.count = 2;
    let mut found = String::new();
    loop {
        let page = store.search(&query).await.unwrap();
        page.resources.iter().for_each(|resource| found.push_str(&resource.id));
        query.after = page.next;
        if query.after.is_none() {
            break;
        }
    }
    assert_eq!(found, "fbcdage");
}

// FHIR R4 search, chaining and reverse chaining.
pub async fn through_references(store: &dyn Store) {
    let name = |name: &str| vec![text("name", name), token("identifier", Some("urn:a"), name)];
    commit(
        store,
        vec![
            found_by(&name("ann"), put("Patient", "p1", 1)),
            found_by(&name("bob"), put("Patient", "p2", 1)),
            found_by(&name("ann"), put("Practitioner", "p2", 1)),
            found_by(&[reference("subject", "Patient", "p1")], put("Task", "t1", 1)),
            found_by(&[reference("subject", "Patient", "p2")], put("Task", "t2", 1)),
            found_by(
                &[
                    reference("owner", "Practitioner", "p2"),
                    reference("part-of", "Task", "t1"),
                    token("status", None, "x"),
                ],
                put("Task", "t3", 1),
            ),
        ],
    )
    .await;
    let chain = |by: &str, kind: &str, inner: Clause| {
        clause(by, vec![Match::Chain { kind: kind.to_owned(), clause: Box::new(inner) }])
    };
    let referrer = |kind: &str, by: &str, inner: Clause| Clause {
        params: vec![],
        negated: false,
        any: vec![Match::Referrer {
            kind: kind.to_owned(),
            params: vec![by.to_owned()],
            clause: Box::new(inner),
        }],
    };
    let ann = || clause("name", vec![starts("ann")]);
    let found = |clause: Clause| async { ids(store, &query(vec![clause])).await.concat() };
    assert_eq!(found(chain("subject", "Patient", ann())).await, "t1");
    assert_eq!(found(chain("owner", "Practitioner", ann())).await, "t3");
    assert_eq!(found(chain("owner", "Patient", ann())).await, "");
    let identifier = clause("identifier", vec![coded(TokenSystem::Is("urn:a".to_owned()), Some("bob"))]);
    assert_eq!(found(chain("subject", "Patient", identifier)).await, "t2");
    assert_eq!(found(chain("part-of", "Task", chain("subject", "Patient", ann()))).await, "t3");
    let status = || clause("status", vec![coded(TokenSystem::Any, Some("x"))]);
    assert_eq!(found(referrer("Task", "part-of", status())).await, "t1");
    let patients = Query {
        clauses: vec![referrer("Task", "subject", referrer("Task", "part-of", status()))],
        ..Query::of("Patient")
    };
    assert_eq!(ids(store, &patients).await.concat(), "p1");
    let referred = |id: &'static str| async {
        store.referred("Task", &["subject".to_owned(), "owner".to_owned()], id).await.unwrap()
    };
    assert_eq!(referred("p1").await, ["Patient"]);
    assert_eq!(referred("p2").await, ["Patient", "Practitioner"]);
}

pub async fn a_count_of_nothing_is_the_total_alone(store: &dyn Store) {
    for n in 0..3 {
        add(store, &format!("{n}"), &[token("status", None, "x")]).await;
    }
    let asked = clause("status", vec![coded(TokenSystem::Any, Some("x"))]);
    let page = store.search(&Query { count: 0, ..query(vec![asked]) }).await.unwrap();
    assert_eq!((page.resources.len(), page.next, page.total), (0, None, Some(3)));
    let page = store.search(&Query { count: 2, total: Total::None, ..query(vec![]) }).await.unwrap();
    assert_eq!((page.resources.len(), page.next.is_some()), (2, true));
}

/// To count all that there are takes as long as there are many: it is done for whoever asks for it.
pub async fn many_are_counted_to_the_end_only_if_that_is_asked_for(store: &dyn Store) {
    let many = |from: usize, to: usize| (from..to).map(|n| put("Task", &format!("{n}"), 1)).collect();
    commit(store, many(0, TOTAL_MAX)).await;
    let totals = async || {
        let mut totals = Vec::new();
        for (count, total) in [(1, Total::Near), (0, Total::Near), (1, Total::Whole), (0, Total::Whole)] {
            totals.push(store.search(&Query { count, total, ..query(vec![]) }).await.unwrap().total);
        }
        totals
    };
    assert_eq!(totals().await, [Some(TOTAL_MAX as u64); 4]);
    commit(store, many(TOTAL_MAX, TOTAL_MAX + 1)).await;
    let all = Some(TOTAL_MAX as u64 + 1);
    assert_eq!(totals().await, [None, None, all, all]);
}

/// Ids of all pages, one resource of `late` put between each two.
async fn paged(store: &dyn Store, mut query: Query, late: Vec<Put>) -> Vec<String> {
    query.count = 7;
    let mut late = late.into_iter();
    let mut found = Vec::new();
    loop {
        let page = store.search(&query).await.unwrap();
        assert!(page.resources.len() <= query.count);
        assert!(page.total >= Some(page.resources.len() as u64));
        assert!(
            page.next.is_none() || page.resources.len() == query.count,
            "only the last page may be short"
        );
        found.extend(page.resources.into_iter().map(|resource| resource.id));
        let Some(next) = page.next else { return found };
        query.after = Some(next);
        let between: Vec<Put> = late.by_ref().take(3).collect();
        commit(store, between).await;
    }
}

pub async fn pages_neither_repeat_nor_skip_while_rows_are_inserted(store: &dyn Store) {
    let mut random = Random::new(20_260_304);
    let mut make = |name: String, dated: bool| {
        let time = random.below(9);
        let (start, end) = random.interval();
        let rows = if dated { vec![date("due", start, end)] } else { vec![] };
        let rows = [rows, vec![token("status", None, "requested")]].concat();
        // An id of its own at a random place among the others.
        let id = format!("{:02}-{name}", random.below(60));
        written_at(time, found_by(&rows, put("Task", &id, 1)))
    };
    let early: Vec<Put> = (0..60).map(|n| make(format!("early-{n}"), n % 5 != 0)).collect();
    let expected: BTreeSet<String> = early.iter().map(|put| put.stored.id.clone()).collect();
    commit(store, early).await;
    let requested = clause("status", vec![coded(TokenSystem::Any, Some("requested"))]);
    let orders = [
        query(vec![]),
        sorted("_id", true),
        sorted("_lastUpdated", false),
        sorted("_lastUpdated", true),
        sorted("due", false),
        sorted("due", true),
    ];
    for (round, order) in orders.into_iter().enumerate() {
        let late: Vec<Put> = (0..30).map(|n| make(format!("late-{round}-{n}"), n % 4 != 0)).collect();
        let query = Query { clauses: vec![requested.clone()], ..order };
        let found = paged(store, query.clone(), late).await;
        let once: BTreeSet<String> = found.iter().cloned().collect();
        assert_eq!(once.len(), found.len(), "{query:?}");
        assert!(expected.is_subset(&once), "{query:?}");
        // The order of the pages is the order of the whole.
        let whole = ids(store, &query).await;
        let there: Vec<String> = whole.into_iter().filter(|id| once.contains(id)).collect();
        assert_eq!(found, there, "{query:?}");
    }
    // Exactly full pages end without an empty one, and the total is of all pages.
    let whole = ids(store, &query(vec![])).await;
    let full = store.search(&Query { count: whole.len(), ..query(vec![]) }).await.unwrap();
    assert_eq!((full.next, full.total), (None, Some(whole.len() as u64)));
    let short = store.search(&Query { count: 1, ..query(vec![]) }).await.unwrap();
    assert_eq!((short.resources.len(), short.total), (1, Some(whole.len() as u64)));
}

pub async fn the_total_is_of_the_same_snapshot(store: &dyn Store) {
    const COMMITS: usize = 150;
    let writing = async {
        for n in 0..COMMITS {
            commit(store, vec![put("Task", &format!("{n}"), 1)]).await;
        }
    };
    let reading = async {
        let mut seen = 0;
        while seen < COMMITS {
            seen = ids(store, &query(vec![])).await.len();
        }
    };
    join(writing, reading).await;
    assert_eq!(store.read("Task", "0").await.unwrap().unwrap().at, at(1));
}

/// Goal: a count by days is that of the resources that a search of the same clauses finds, the current versions only.
pub async fn counted_by_the_days_on_which_they_begin(store: &dyn Store) {
    const DAY_MS: i64 = 86_400_000;
    let mut random = Random::new(7);
    let mut days: Vec<(i64, &str)> = Vec::new();
    for n in 0..60 {
        let day = random.below(6);
        let status = random.one(&["requested", "accepted", "cancelled"]);
        let rows = [
            date("preferred", day * DAY_MS, (day + 1) * DAY_MS - 1),
            date("due", 0, 9 * DAY_MS),
            token("status", None, status),
        ];
        add(store, &format!("t{n}"), &rows).await;
        days.push((day, status));
    }
    let (from, to) = (1, 3);
    let within = Match::Date { prefix: Prefix::Eq, start_ms: from * DAY_MS, end_ms: (to + 1) * DAY_MS - 1 };
    let open = ["requested", "accepted"].map(|code| coded(TokenSystem::Any, Some(code))).to_vec();
    let asked = query(vec![clause("preferred", vec![within]), clause("status", open)]);
    let expected: Vec<(i64, u64)> = (from..=to)
        .map(|day| {
            let of = days.iter().filter(|(on, status)| *on == day && *status != "cancelled");
            (day * DAY_MS, of.count() as u64)
        })
        .filter(|(_, count)| *count > 0)
        .collect();
    assert_eq!(store.counts(&asked, "preferred").await.unwrap(), expected);
    // A new version takes the place of the old one, and a deletion ends it.
    let on = |day: i64| date("preferred", day * DAY_MS, (day + 1) * DAY_MS - 1);
    let (_, first) =
        days.iter().enumerate().find(|(_, (day, status))| *day == 1 && *status != "cancelled").unwrap();
    let index = days.iter().position(|one| one == first).unwrap();
    let moved = found_by(&[on(2), token("status", None, "accepted")], put("Task", &format!("t{index}"), 2));
    commit(store, vec![moved]).await;
    let counts = store.counts(&asked, "preferred").await.unwrap();
    let count = |counts: &[(i64, u64)], day: i64| {
        counts.iter().find(|(at, _)| *at == day * DAY_MS).map_or(0, |(_, count)| *count)
    };
    assert_eq!(count(&counts, 1) + 1, count(&expected, 1));
    assert_eq!(count(&counts, 2), count(&expected, 2) + 1);
    commit(store, vec![crate::facts::deletion("Task", &format!("t{index}"), 3)]).await;
    assert_eq!(count(&store.counts(&asked, "preferred").await.unwrap(), 2), count(&expected, 2));
}
