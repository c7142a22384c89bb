//! Conditions: FHIR R4 http.html#concurrency, #ccreate, #cond-update, #cdelete; RFC 9110 section 13.

use super::{DAY, ask, assert_refused, stored, unit, unit_as, versions};
use crate::served::{FHIR_JSON, Served};
use endplate_fhir::Json;
use endplate_followup::Refusal;
use endplate_followup::ports::StoreError;
use serde_json::json;
use tokio::task::JoinSet;

const NONE: Json = Json::Null;
const HAND: &str = "/fhir/Organization?identifier=https://records.example/units|Hand%20unit";

// http.html#cread; RFC 9110 section 13.2.2: If-None-Match goes before If-Modified-Since.
#[tokio::test]
async fn a06_what_the_reader_has_is_304() {
    let served = Served::open(DAY).await;
    let time = stored(&served, "u", "Hand unit").await.header("last-modified").to_owned();
    let (old, new) = ("Mon, 05 Jan 2015 09:00:00 GMT", "Mon, 05 Jan 2099 09:00:00 GMT");
    let table = [
        (vec![("if-none-match", "W/\"1\"")], 304),
        (vec![("if-none-match", "W/\"7\", \"1\"")], 304),
        (vec![("if-none-match", "*")], 304),
        (vec![("if-none-match", "W/\"2\"")], 200),
        (vec![("if-modified-since", &*time)], 304),
        (vec![("if-modified-since", new)], 304),
        (vec![("if-modified-since", old)], 200),
        (vec![("if-modified-since", "yesterday")], 200),
        (vec![("if-none-match", "W/\"2\""), ("if-modified-since", new)], 200),
        (vec![("if-none-match", "W/\"1\""), ("if-modified-since", old)], 304),
    ];
    for (headers, status) in table {
        let reply = ask(&served, "GET", "/fhir/Organization/u", &headers, &NONE).await;
        assert_eq!((reply.status, reply.text.is_empty()), (status, status == 304), "{headers:?}");
        assert_eq!(reply.header("etag"), "W/\"1\"");
    }
}

// http.html#concurrency.
#[tokio::test]
async fn a20_stale_if_match_is_412() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    stored(&served, "u", "Nerve unit").await;
    let body = unit_as("u", "Third unit");
    let reply = ask(&served, "PUT", "/fhir/Organization/u", &[("if-match", "W/\"1\"")], &body).await;
    assert_refused(&reply, 412, "conflict");
    assert!(reply.text.contains("current version is 2"));
    assert_eq!(versions(&served).await, 2);
}

// http.html#concurrency compares weak tags, where RFC 9110 section 13.1.1 would not.
#[tokio::test]
async fn a21_tags_are_compared_by_their_value() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Unit 0").await;
    for (version, tag) in ["W/\"1\"", "\"2\"", "3", "W/\"9\", W/\"4\""].into_iter().enumerate() {
        let body = unit_as("u", &format!("Unit {}", version + 1));
        let reply = ask(&served, "PUT", "/fhir/Organization/u", &[("if-match", tag)], &body).await;
        assert_eq!(reply.status, 200, "{tag}: {}", reply.text);
    }
}

// http.html#concurrency leaves it to the server whether If-Match must be sent; the statement says.
#[tokio::test]
async fn a22_if_match_is_heeded_but_not_required() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    assert_eq!(served.put(&unit_as("u", "Nerve unit")).await.status, 200);
    assert!(served.get("/fhir/metadata").await.text.contains("If-Match is heeded but not required"));
}

// RFC 9110 section 13.1.1.
#[tokio::test]
async fn a23_if_match_star_wants_something_there() {
    let served = Served::open(DAY).await;
    let star = [("if-match", "*")];
    for method in ["PUT", "DELETE"] {
        let body = if method == "PUT" { unit_as("u", "Hand unit") } else { NONE };
        assert_refused(&ask(&served, method, "/fhir/Organization/u", &star, &body).await, 412, "conflict");
    }
    stored(&served, "u", "Hand unit").await;
    assert_eq!(
        ask(&served, "PUT", "/fhir/Organization/u", &star, &unit_as("u", "Nerve unit")).await.status,
        200
    );
}

// RFC 9110 section 13.1.2.
#[tokio::test]
async fn a24_if_none_match_star_wants_nothing_there() {
    let served = Served::open(DAY).await;
    let star = [("if-none-match", "*")];
    let put =
        async |name: &str| ask(&served, "PUT", "/fhir/Organization/u", &star, &unit_as("u", name)).await;
    assert_eq!(put("Hand unit").await.status, 201);
    assert_refused(&put("Nerve unit").await, 412, "conflict");
    assert_eq!(served.get("/fhir/Organization/u").await.json()["name"], "Hand unit");
}

// http.html#concurrency: 409 where the server cannot order writers.
#[test]
fn a25_writers_that_cannot_be_ordered_are_409() {
    let refusal = Refusal::from(StoreError::Moved);
    assert_eq!((refusal.reason.status().0, refusal.issues[0].code.code()), (409, "conflict"));
}

async fn create_if_none(served: &Served, condition: &str) -> crate::served::Reply {
    ask(served, "POST", "/fhir/Organization", &[("if-none-exist", condition)], &unit("Hand unit")).await
}

// http.html#ccreate.
#[tokio::test]
async fn a27_a_conditional_create_creates_what_is_not_there() {
    let served = Served::open(DAY).await;
    assert_eq!(
        create_if_none(&served, "identifier=https://records.example/units|Hand unit").await.status,
        201
    );
    for condition in ["", "_count=1", "colour=red"] {
        assert_eq!(create_if_none(&served, condition).await.status, 400, "{condition}");
    }
    assert_eq!(versions(&served).await, 1);
}

// http.html#ccreate; R5 says what a create answers with holds here too.
#[tokio::test]
async fn a28_a_conditional_create_finds_the_one() {
    let served = Served::open(DAY).await;
    let first = create_if_none(&served, "name=hand").await;
    let second = create_if_none(&served, "name=hand").await;
    assert_eq!((second.status, second.json()), (200, first.json()));
    assert_eq!(second.header("location"), first.header("location"));
    assert_eq!(second.header("etag"), "W/\"1\"");
}

// http.html#ccreate.
#[tokio::test]
async fn a29_a_conditional_create_with_many_matches_is_412() {
    let served = Served::open(DAY).await;
    stored(&served, "a", "Hand unit A").await;
    stored(&served, "b", "Hand unit B").await;
    for condition in ["name=hand", "name=hand&_count=1"] {
        assert_refused(&create_if_none(&served, condition).await, 412, "multiple-matches");
    }
}

// http.html#ccreate, #delete: what is gone is matched by nothing, and what is created in its stead is another resource.
#[tokio::test]
async fn a28_a_conditional_create_of_what_was_deleted_creates_it_anew() {
    let served = Served::open(DAY).await;
    let create = async || create_if_none(&served, "identifier=https://records.example/units|Hand unit").await;
    let first = create().await;
    let path =
        |reply: &crate::served::Reply| format!("/fhir/Organization/{}", reply.json()["id"].as_str().unwrap());
    assert_eq!(ask(&served, "DELETE", &path(&first), &[], &NONE).await.status, 204);
    let second = create().await;
    assert_eq!((first.status, second.status, second.header("etag")), (201, 201, "W/\"1\""));
    assert_ne!(path(&first), path(&second));
    assert_eq!(served.get(&path(&first)).await.status, 410);
    assert_eq!((create().await.status, create().await.json()), (200, second.json()));
}

// http.html#ccreate: what it is for.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a30_fifty_conditional_creates_at_once_make_one() {
    let served = Served::open(DAY).await;
    let mut all = JoinSet::new();
    for _ in 0..50 {
        let request = served.request("POST", "/fhir/Organization").header("content-type", FHIR_JSON);
        let request = request.header("if-none-exist", "name=hand").body(unit("Hand unit").to_string());
        all.spawn(async move { request.send().await.unwrap().status().as_u16() });
    }
    let mut statuses = all.join_all().await;
    statuses.sort_unstable();
    assert_eq!((statuses.pop(), statuses), (Some(201), vec![200; 49]));
    assert_eq!(versions(&served).await, 1);
}

// http.html#cond-update.
#[tokio::test]
async fn a31_a_conditional_update_by_number_of_matches_and_id() {
    let served = Served::open(DAY).await;
    let put = async |body: &Json| ask(&served, "PUT", HAND, &[], body).await;
    let created = put(&unit("Hand unit")).await;
    assert_eq!(created.status, 201, "{}", created.text);
    let id = created.json()["id"].as_str().unwrap().to_owned();
    let mut changed = unit("Hand unit");
    changed["active"] = json!(true);
    assert_eq!((put(&changed).await.status, versions(&served).await), (200, 2));
    changed["active"] = json!(false);
    changed["id"] = json!(id);
    assert_eq!(put(&changed).await.status, 200);
    assert_refused(&put(&unit_as("other", "Hand unit")).await, 400, "invalid");
    stored(&served, "second", "Hand unit").await;
    assert_refused(&put(&unit("Hand unit")).await, 412, "multiple-matches");
    // No match, but an id: an update as create, unless that id is taken by what does not match.
    let nerve = "/fhir/Organization?name=nerve";
    assert_eq!(ask(&served, "PUT", nerve, &[], &unit_as("n", "Nerve unit")).await.status, 201);
    let taken = ask(&served, "PUT", "/fhir/Organization?name=spine", &[], &unit_as("n", "Spine unit")).await;
    assert_refused(&taken, 409, "conflict");
}

// A condition that says nothing must not match everything.
#[tokio::test]
async fn a32_empty_criteria_are_refused() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    for query in ["", "?", "?_count=1", "?colour=red", "?_format=json"] {
        for (method, body) in [("PUT", unit("Hand unit")), ("DELETE", NONE)] {
            let reply = ask(&served, method, &format!("/fhir/Organization{query}"), &[], &body).await;
            assert_eq!(reply.status, 400, "{method} {query}: {}", reply.text);
        }
    }
    assert_eq!(versions(&served).await, 1);
}

// http.html#cond-update with #concurrency.
#[tokio::test]
async fn a33_if_match_holds_of_the_one_that_criteria_find() {
    let served = Served::open(DAY).await;
    stored(&served, "u", "Hand unit").await;
    let mut changed = unit("Hand unit");
    changed["active"] = json!(true);
    let put = async |tag: &str| ask(&served, "PUT", HAND, &[("if-match", tag)], &changed).await;
    assert_refused(&put("W/\"7\"").await, 412, "conflict");
    assert_eq!(put("W/\"1\"").await.status, 200);
}

// http.html#patch: as conditional update.
#[tokio::test]
async fn a34_a_conditional_patch_by_number_of_matches() {
    let served = Served::open(DAY).await;
    let patch = async || {
        let request = served.request("PATCH", "/fhir/Organization?name=hand");
        let request = request.header("content-type", "application/json-patch+json");
        served.send(request.body(r#"[{"op":"add","path":"/active","value":true}]"#)).await
    };
    assert_refused(&patch().await, 404, "not-found");
    stored(&served, "a", "Hand unit").await;
    let reply = patch().await;
    assert_eq!((reply.status, &reply.json()["active"]), (200, &json!(true)));
    stored(&served, "b", "Hand unit B").await;
    assert_refused(&patch().await, 412, "multiple-matches");
}

// http.html#cdelete; conditionalDelete `single`.
#[tokio::test]
async fn a35_a_conditional_delete_ends_one_or_none() {
    let served = Served::open(DAY).await;
    let delete = async || ask(&served, "DELETE", "/fhir/Organization?name=hand", &[], &NONE).await;
    assert_eq!(delete().await.status, 204);
    stored(&served, "a", "Hand unit").await;
    stored(&served, "b", "Hand unit B").await;
    assert_refused(&delete().await, 412, "multiple-matches");
    ask(&served, "DELETE", "/fhir/Organization/b", &[], &NONE).await;
    assert_eq!(delete().await.status, 204);
    assert_eq!(served.get("/fhir/Organization/a").await.status, 410);
}

// http.html#ccreate: a condition that is not heeded must not look heeded.
#[tokio::test]
async fn a36_conditions_where_none_is_taken_are_400() {
    let served = Served::open(DAY).await;
    let post = ask(&served, "POST", "/fhir/Organization?name=hand", &[], &unit("Hand unit")).await;
    assert_eq!(post.status, 400);
    let tag = [("if-none-match", "W/\"1\"")];
    assert_eq!(
        ask(&served, "PUT", "/fhir/Organization/u", &tag, &unit_as("u", "Hand unit")).await.status,
        400
    );
    assert_eq!(versions(&served).await, 0);
}
