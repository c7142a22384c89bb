//! Searches among so many resources that it matters what leads to those that are meant.

use crate::facts::{commit, date, found_by, put, reference, token};
use crate::search::{clause, coded, ids, query};
use endplate_fhir::search::{Clause, Match, Prefix, Query, Sort, TOTAL_MAX, TokenSystem, Total};
use endplate_followup::ports::Store;

/// What few have leads to them; what very many have is gone through in the order asked for. Either way the same are found, and where
/// to count them all would take long, nobody says how many.
pub async fn what_few_have_is_found_among_very_many(store: &dyn Store) {
    const HALF: usize = TOTAL_MAX + 10;
    const LAST: usize = 2 * HALF;
    let many = (0..=LAST).map(|n| {
        let ms = i64::try_from(LAST - n).unwrap();
        let mut rows = vec![
            token("status", None, if n.is_multiple_of(6_000) { "on-hold" } else { "requested" }),
            token("code", None, if n < HALF { "early" } else { "late" }),
            date("due", ms, ms),
            reference("owner", "Organization", if n < 5 { "few" } else { "desk" }),
        ];
        if n > LAST - 3 {
            rows.push(token("code", None, "early"));
        }
        found_by(&rows, put("Task", &format!("{n:05}"), 1))
    });
    commit(store, many.collect()).await;
    let is = |param: &str, code: &str| clause(param, vec![coded(TokenSystem::Any, Some(code))]);
    let by = |id: &str| {
        clause("owner", vec![Match::Reference { kind: Some("Organization".to_owned()), id: id.to_owned() }])
    };
    let due = |prefix, ms| clause("due", vec![Match::Date { prefix, start_ms: ms, end_ms: ms }]);
    let either =
        clause("status", ["on-hold", "draft"].map(|code| coded(TokenSystem::Any, Some(code))).to_vec());
    let bounds = |clauses: Vec<Clause>| clause("_scope", vec![Match::All(clauses)]);
    let held = ["00000", "06000", "12000", "18000"];
    for clauses in [
        vec![is("status", "on-hold")],
        vec![either],
        vec![due(Prefix::Ge, 0), is("status", "on-hold"), by("desk")],
        vec![Clause { negated: true, ..is("status", "requested") }],
        vec![bounds(vec![is("status", "on-hold")])],
        vec![bounds(vec![due(Prefix::Ge, 0), is("status", "on-hold")]), is("status", "on-hold")],
        vec![by("few"), is("status", "on-hold")],
    ] {
        // The first one is of the few, too.
        let those = if clauses[0] == by("few") {
            &held[..1]
        } else {
            &held[usize::from(clauses.contains(&by("desk")))..]
        };
        assert_eq!(ids(store, &query(clauses.clone())).await, those, "{clauses:?}");
    }
    let first = async |clauses: Vec<Clause>, sort: &str, descending| {
        let sort = if sort.is_empty() { vec![] } else { vec![Sort { param: sort.to_owned(), descending }] };
        let mut asked = Query { count: 2, sort, ..query(clauses) };
        let page = store.search(&asked).await.unwrap();
        let mut ids: Vec<String> = page.resources.into_iter().map(|resource| resource.id).collect();
        asked.after = page.next;
        if asked.after.is_some() {
            let next = store.search(&asked).await.unwrap().resources;
            ids.extend(next.into_iter().map(|resource| resource.id));
        }
        (ids.join(" "), page.total)
    };
    let ids_of = |numbers: &[usize]| numbers.iter().map(|n| format!("{n:05}")).collect::<Vec<_>>().join(" ");
    let common =
        || vec![is("status", "requested"), by("desk"), due(Prefix::Le, i64::try_from(LAST).unwrap())];
    let (from, to) = (ids_of(&[5, 6, 7, 8]), ids_of(&[LAST, LAST - 1, LAST - 2, LAST - 3]));
    for (sort, descending, found) in [
        ("", false, &from),
        ("_id", false, &from),
        ("_id", true, &to),
        ("due", false, &to),
        ("due", true, &from),
        ("_lastUpdated", false, &from),
        ("_lastUpdated", true, &to),
    ] {
        assert_eq!(first(common(), sort, descending).await, (found.clone(), None), "{sort} {descending}");
    }
    // Very many have each, three have both, and these are not among the first that anybody comes to.
    let both = vec![is("code", "early"), is("code", "late")];
    let last = (ids_of(&[LAST - 2, LAST - 1, LAST]), Some(3));
    assert_eq!(first(both.clone(), "", false).await, last);
    assert_eq!(first(both.clone(), "due", true).await, last);
    assert_eq!(first(vec![bounds(both)], "_lastUpdated", false).await, last);
    assert_eq!(first(vec![due(Prefix::Le, 2)], "", false).await.1, Some(3));
    assert_eq!(first(vec![due(Prefix::Ge, 0)], "", false).await, (ids_of(&[0, 1, 2, 3]), None));
    let since = clause("_lastUpdated", vec![Match::Date { prefix: Prefix::Ge, start_ms: 0, end_ms: 0 }]);
    let lately = vec![since, is("status", "requested")];
    assert_eq!(first(lately, "due", false).await, (to, None));
    // But for those on hold, and those of few: one is both.
    let rest = Some(LAST as u64 + 1 - 4 - 5 + 1);
    for (count, total, all) in [(0, Total::Near, None), (0, Total::Whole, rest), (2, Total::Whole, rest)] {
        let asked = Query { count, total, ..query(common()) };
        assert_eq!(store.search(&asked).await.unwrap().total, all, "{count} {total:?}");
    }
}
