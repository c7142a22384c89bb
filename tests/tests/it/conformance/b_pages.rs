//! B: what comes with the matches of a search, in which order, on which pages and in which shape, as FHIR R4 search.html has it.

use super::b_search::{after_base, finds, ids, link, page, refused, served};
use crate::served::Served;
use endplate_fhir::Json;
use serde_json::json;
use std::collections::BTreeSet;

// FHIR R4 search.html#3.1.1.5.4.
#[tokio::test]
async fn b33_includes_and_reverse_includes() {
    let served = served().await;
    let cases = [
        ("Task?_id=t2&_include=Task:patient", "bob"),
        ("Task?_id=t1&_include=Task:patient&_include=Task:owner", "ann drew"),
        ("Task?_id=t1,t3&_include=Task:owner:Patient", "ann"),
        ("Task?_id=t3&_include=Task:part-of", "t1"),
        ("Task?_id=t3&_include=Task:part-of&_include:iterate=Task:owner", "ann drew t1"),
        ("Task?_id=t3&_include=Task:requester", ""),
        ("Task?_id=t1&_include=Task:*", "ann drew"),
        ("Task?_id=t1&_revinclude=Provenance:target", "p1"),
        ("Patient?_id=bob&_revinclude=Task:patient&_revinclude=Observation:subject", "o3 t2"),
        ("Patient?_id=ann&_revinclude=Task:patient&_revinclude:iterate=Provenance:target", "p1 t1 t3"),
        ("CarePlan?_revinclude=Provenance:target:Task", ""),
    ];
    for (query, expected) in cases {
        let bundle = page(&served, query).await;
        assert_eq!(ids(&bundle, "include").join(" "), expected, "{query}");
        assert_eq!(bundle["total"], ids(&bundle, "match").len(), "{query}");
    }
    refused(&served, &["Task?_include=Task", "Task?_include=Task:owner:Patient:x"]).await;
}

// FHIR R4 search.html#3.1.1.5.7: each page has what belongs to its matches.
#[tokio::test]
async fn b34_includes_come_with_the_page_of_their_match() {
    let served = served().await;
    let first = page(&served, "Task?_count=1&_sort=_id&_include=Task:patient").await;
    let mut pages = vec![first];
    while let Some(next) = link(pages.last().unwrap(), "next") {
        let next = page(&served, after_base(next)).await;
        pages.push(next);
    }
    let seen: Vec<String> = pages
        .iter()
        .map(|page| format!("{}+{}", ids(page, "match").concat(), ids(page, "include").concat()))
        .collect();
    assert_eq!(seen, ["t1+ann", "t2+bob", "t3+ann"]);
}

async fn in_order(served: &Served, query: &str) -> String {
    let found = served.all(query).await;
    found.iter().map(|resource| resource["id"].as_str().unwrap()).collect::<Vec<_>>().join(" ")
}

// FHIR R4 search.html#sort; a resource without the value comes last, whichever way.
#[tokio::test]
async fn b35_sorted_by_several_keys_in_a_total_order() {
    let served = served().await;
    let cases = [
        ("Task?_sort=due", "t3 t1 t2"),
        ("Task?_sort=-due", "t2 t1 t3"),
        ("Task?_sort=status,-authored-on", "t2 t1 t3"),
        ("Task?_sort=-status,_id", "t1 t3 t2"),
        ("Task?_sort=priority", "t1 t2 t3"),
        ("Patient?_sort=family", "ann bob cyd"),
        ("Patient?_sort=-family", "bob ann cyd"),
        ("Patient?_sort=birthdate", "bob ann cyd"),
        ("Observation?_sort=-value-quantity", "o3 o2 o1"),
        ("Task?_sort=-_id", "t3 t2 t1"),
        ("Task?_sort=_lastUpdated", "t1 t2 t3"),
    ];
    for (query, expected) in cases {
        assert_eq!(in_order(&served, query).await, expected, "{query}");
        assert_eq!(
            in_order(&served, &format!("{query}&_count=1")).await,
            expected,
            "{query} in pages of one"
        );
    }
    let ignored = page(&served, "Task?_sort=owner").await;
    assert_eq!((ids(&ignored, "outcome").len(), after_base(link(&ignored, "self").unwrap())), (1, "Task"));
}

// FHIR R4 search.html#3.1.1.5.3.
#[tokio::test]
async fn b36_a_page_has_at_most_count_matches() {
    let served = served().await;
    let two = page(&served, "Task?_count=2&_include=Task:patient&colour=red").await;
    assert_eq!((ids(&two, "match").len(), ids(&two, "include").len(), ids(&two, "outcome").len()), (2, 2, 1));
    assert!(link(&two, "next").unwrap().contains("_count=2"));
    for query in ["Task?_count=0", "Task?_summary=count"] {
        let none = page(&served, query).await;
        assert_eq!((&none["total"], none.get("entry")), (&3.into(), None), "{query}");
        assert_eq!((link(&none, "next"), link(&none, "first")), (None, None), "{query}");
    }
    assert_eq!(ids(&page(&served, "Task?_count=100000").await, "match").len(), 3);
}

// FHIR R4 http.html#paging; RFC 8288 names the relations.
#[tokio::test]
async fn b37_links_lead_through_the_pages_and_end() {
    let served = served().await;
    let first = page(&served, "Task?_count=2&_sort=-due").await;
    assert!(link(&first, "self").is_some() && link(&first, "first").is_some());
    let last = page(&served, after_base(link(&first, "next").unwrap())).await;
    assert_eq!((ids(&last, "match").concat(), link(&last, "next")), ("t3".to_owned(), None));
    assert_eq!(link(&last, "first"), link(&first, "first"));
    let again = page(&served, after_base(link(&last, "first").unwrap())).await;
    assert_eq!(ids(&again, "match"), ids(&first, "match"));
    let exact = page(&served, "Task?_count=3").await;
    assert_eq!((ids(&exact, "match").len(), link(&exact, "next")), (3, None), "no empty page at the end");
}

// A policy: pages go on after the last resource seen, so rows written meanwhile neither repeat nor push out others; a place
// does not expire, and one that was not given is 400.
#[tokio::test]
async fn b38_pages_are_stable_while_others_write() {
    let served = served().await;
    let task = |id: &str, due: &str| {
        json!({ "resourceType": "Task", "id": id, "status": "requested", "intent": "order",
            "restriction": { "period": { "start": due, "end": due } } })
    };
    for n in 0..9 {
        served.put(&task(&format!("n{n}"), &format!("2026-06-0{}", 1 + n % 3))).await.done();
    }
    let mut bundle = page(&served, "Task?_count=2&_sort=due&due=gt2026-06-01,2026-06-01").await;
    let mut seen: Vec<String> = Vec::new();
    for turn in 0.. {
        seen.extend(ids(&bundle, "match"));
        for (id, due) in [("a", "2026-06-01"), ("z", "2026-06-03")] {
            served.put(&task(&format!("{id}{turn}"), due)).await.done();
        }
        match link(&bundle, "next") {
            Some(next) if turn < 20 => bundle = page(&served, after_base(next)).await,
            _ => break,
        }
    }
    let once: BTreeSet<&String> = seen.iter().collect();
    assert_eq!(once.len(), seen.len(), "{seen:?}");
    assert!((0..9).all(|n| once.contains(&format!("n{n}"))), "{seen:?}");
    refused(&served, &["Task?_after=nonsense_", "Task?_after=i5~t1", "Task?_sort=due&_after=t1"]).await;
}

// FHIR R4 search.html#3.1.1.5.2; Bundle invariant bdl-1.
#[tokio::test]
async fn b39_the_total_counts_matches_over_all_pages() {
    let served = served().await;
    let paged = page(&served, "Task?_count=1&_include=Task:patient").await;
    assert_eq!(paged["total"], 3);
    let second = page(&served, after_base(link(&paged, "next").unwrap())).await;
    assert_eq!(second["total"], 3);
    for query in ["Task?_total=accurate", "Task?_total=estimate"] {
        assert_eq!(page(&served, query).await["total"], 3, "{query}");
    }
    assert_eq!(page(&served, "Task?_total=none").await.get("total"), None);
}

// FHIR R4 search.html#3.1.1.4.1, _lastUpdated: a client that asks for what is new since the last instant misses nothing that
// shares it with "ge", and repeats nothing older.
#[tokio::test]
async fn b40_last_updated_is_a_date() {
    let served = served().await;
    let at = page(&served, "Task/t3").await["meta"]["lastUpdated"].as_str().unwrap().replace('+', "%2B");
    served.clock.turn_to("2026-03-05");
    let task = json!({ "resourceType": "Task", "id": "t4", "status": "draft", "intent": "order" });
    served.put(&task).await.done();
    let since = format!("Task?_lastUpdated=gt{at}");
    let from = format!("Task?_lastUpdated=ge{at}");
    let cases = [
        (since.as_str(), "t4"),
        (&from, "t1 t2 t3 t4"),
        ("Task?_lastUpdated=2026-03-02", "t1 t2 t3"),
        ("Task?_lastUpdated=gt2026-03-05", ""),
        ("Task?_lastUpdated=eb2026-03-05", "t1 t2 t3"),
    ];
    finds(&served, &cases).await;
}

// FHIR R4 search.html#3.1.1.4.1: each is applied, never passed over.
#[tokio::test]
async fn b41_tag_profile_and_security_are_applied() {
    let cases = [
        ("Patient?_tag=urn:tag|t1", "ann"),
        ("Patient?_tag=other", ""),
        ("Patient?_tag:not=t1", "bob cyd"),
        ("Patient?_security=urn:s|R", "ann"),
        ("Patient?_security=urn:s|V", ""),
        ("Patient?_profile:below=https://x.example", "ann"),
        ("Patient?_source:missing=true", "ann bob cyd"),
    ];
    finds(&served().await, &cases).await;
}

fn members(resource: &Json) -> Vec<&str> {
    resource.as_object().unwrap().keys().map(String::as_str).collect()
}

fn is_tagged(resource: &Json) -> bool {
    let tags = resource["meta"]["tag"].as_array().into_iter().flatten();
    tags.into_iter().any(|tag| {
        tag["system"] == "http://terminology.hl7.org/CodeSystem/v3-ObservationValue"
            && tag["code"] == "SUBSETTED"
    })
}

// FHIR R4 search.html#elements: what was asked, what is mandatory, and the tag.
#[tokio::test]
async fn b42_elements_with_what_is_mandatory() {
    let served = served().await;
    let bundle = page(&served, "Task?_id=t1&_elements=restriction,code&_include=Task:patient").await;
    let task = &bundle["entry"][0]["resource"];
    let mut names = members(task);
    names.sort_unstable();
    assert_eq!(names, ["code", "id", "intent", "meta", "resourceType", "restriction", "status"]);
    assert!(is_tagged(task) && link(&bundle, "self").unwrap().contains("_elements=restriction%2Ccode"));
}

// FHIR R4 search.html#3.1.1.5.8.
#[tokio::test]
async fn b43_summaries() {
    let served = served().await;
    let resource = async |query: &str| page(&served, query).await["entry"][0]["resource"].clone();
    let summary = resource("Task?_id=t1&_summary=true").await;
    assert!(is_tagged(&summary) && summary.get("priority").is_none() && summary.get("owner").is_some());
    let text = resource("Task?_id=t1&_summary=text").await;
    assert_eq!(members(&text), ["resourceType", "id", "meta", "status", "intent"], "{text}");
    let data = resource("Task?_id=t1&_summary=data").await;
    assert!(is_tagged(&data) && data.get("priority").is_some() && data.get("text").is_none());
    assert!(!is_tagged(&resource("Task?_id=t1&_summary=false").await));
    refused(&served, &["Task?_summary=text&_include=Task:patient", "Task?_summary=x"]).await;
}
