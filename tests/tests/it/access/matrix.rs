//! Every route, every method and every kind of token: who gets in. The routes are those of `offer.rs`, so that a route without a
//! row here fails.

use super::{Keys, access_token, ask, now_s, with_claims};
use crate::served::{FHIR_JSON, Served};
use endplate_fhir::Json;
use endplate_server::offer::{Kinds, OFFERS, Offer, Takes};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// What a route asks of its caller.
#[derive(Clone, Debug)]
enum Needs {
    /// Nothing: it holds no records.
    Nothing,
    /// A CDS Hooks client, which no access token stands for.
    Hook,
    /// All of these rights, each as `Type.letter`.
    Rights(Vec<String>),
}

const RECORDS: [&str; 4] = ["Condition.r", "Observation.r", "Patient.r", "Procedure.r"];

/// The row of a route. Sources: SMART App Launch 2.2.0, scopes (create, read, update, delete, search; histories of a type and
/// of the system are `s`, of an instance `r`; patch is `u`); for operations, of which SMART says nothing, the table in README.
#[allow(clippy::match_same_arms, clippy::unnested_or_patterns, reason = "each row is one line of the table")]
fn needs(method: &str, path: &str, kind: &str) -> Option<Needs> {
    let own = |letters: &str| letters.chars().map(|letter| format!("{kind}.{letter}")).collect::<Vec<_>>();
    let listed = |rights: &[&str]| rights.iter().map(|right| (*right).to_owned()).collect::<Vec<_>>();
    let reckoned = |more: &[&str]| Some(Needs::Rights(listed(&[&RECORDS[..], more].concat())));
    let is_stored = endplate_fhir::TYPES.contains(&kind);
    let rights = match (method, path) {
        (
            "GET",
            "/cds-services" | "/openapi.json" | "/livez" | "/readyz" | "/metrics" | "/auth/jwks"
            | "/fhir/metadata",
        )
        | ("GET", "/.well-known/smart-configuration" | "/fhir/.well-known/smart-configuration")
        | ("GET", "/auth/client-jwks" | "/auth/webhook-jwks")
        | ("POST", "/auth/token") => return Some(Needs::Nothing),
        ("POST", "/cds-services/{id}" | "/cds-services/{id}/feedback") => return Some(Needs::Hook),
        ("GET", "/fhir/{type}" | "/fhir/{type}/{id}") if !is_stored => return Some(Needs::Nothing),
        // The one entry of the Bundle that is sent, the one type that is asked for.
        ("POST", "/fhir") => listed(&["Organization.c"]),
        ("GET", "/fhir") | ("POST", "/fhir/_search") => listed(&["Organization.s"]),
        // Any right to search will do: of what it does not reach, nothing is shown.
        ("GET", "/fhir/_history") => listed(&["Organization.s"]),
        ("GET", "/fhir/{type}" | "/fhir/{type}/_history") | ("POST", "/fhir/{type}/_search") => own("s"),
        ("POST", "/fhir/{type}" | "/fhir/{type}/$validate") => own("c"),
        ("PUT" | "PATCH", "/fhir/{type}") => own("us"),
        ("DELETE", "/fhir/{type}") => own("ds"),
        (
            "GET",
            "/fhir/{type}/{id}" | "/fhir/{type}/{id}/_history" | "/fhir/{type}/{id}/_history/{version}",
        ) => own("r"),
        ("PUT" | "PATCH", "/fhir/{type}/{id}") | ("POST", "/fhir/{type}/{id}/$validate") => own("u"),
        ("DELETE", "/fhir/{type}/{id}") => own("d"),
        ("GET", "/fhir/{type}/{id}/{member}") => listed(&["Patient.r", "Observation.s"]),
        (_, "/fhir/{type}/$status") => listed(&["Subscription.s"]),
        (_, "/fhir/{type}/{id}/$status" | "/fhir/{type}/{id}/$events") => listed(&["Subscription.r"]),
        (_, "/fhir/{type}/{id}/$meta") => own("r"),
        (_, "/fhir/{type}/{id}/$meta-add" | "/fhir/{type}/{id}/$meta-delete") => own("ru"),
        (_, "/fhir/{type}/{id}/$everything") => listed(&["Patient.r"]),
        (_, "/fhir/{type}/$lastn") => listed(&["Observation.s"]),
        (_, "/fhir/{type}/$translate") => listed(&["ConceptMap.s"]),
        (_, "/fhir/{type}/{id}/$translate") => listed(&["ConceptMap.r"]),
        (_, "/fhir/{type}/$unmapped") => listed(&["Observation.s", "Procedure.s"]),
        (_, "/fhir/{type}/{id}/$assess" | "/fhir/{type}/{id}/$protocol-preview") => {
            return reckoned(&["CarePlan.r"]);
        }
        (_, "/fhir/{type}/{id}/$protocol-move") => return reckoned(&["CarePlan.u"]),
        (_, "/fhir/{type}/{id}/$chart") => return reckoned(&["RiskAssessment.r"]),
        (_, "/fhir/{type}/{id}/$compare-options" | "/fhir/{type}/{id}/$apply" | "/fhir/{type}/$apply") => {
            return reckoned(&[]);
        }
        ("GET", "/calendar/clinic/reviews.ics") => listed(&["Appointment.s", "Task.s"]),
        ("GET", "/calendar/patient/{id}/reviews.ics") => listed(&["Appointment.s", "Patient.r", "Task.s"]),
        (_, "/fhir/{type}/{id}/$unit-report") => {
            let kinds =
                ["CarePlan", "Condition", "DetectedIssue", "Observation", "Patient", "Procedure", "Task"];
            kinds.map(|kind| format!("{kind}.s")).to_vec()
        }
        _ => return None,
    };
    Some(Needs::Rights(rights))
}

/// The scopes of some rights, each as `Type.letter`.
fn scopes(rights: &[String]) -> String {
    let mut letters: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    for right in rights {
        let (kind, letter) = right.split_once('.').unwrap();
        letters.entry(kind).or_default().insert("cruds".find(letter).unwrap());
    }
    let one = |(kind, at): (&str, BTreeSet<usize>)| {
        format!("system/{kind}.{}", at.into_iter().map(|at| &"cruds"[at..=at]).collect::<String>())
    };
    letters.into_iter().map(one).collect::<Vec<_>>().join(" ")
}

/// An address, with a query where a condition or a type must be named.
fn address(offer: &Offer, kind: &str) -> String {
    let id = match offer.path {
        path if path.starts_with("/cds") => "repair-state",
        _ if kind == "PlanDefinition" => "nerve-repair-follow-up",
        _ => "none",
    };
    let parts = [("{type}", kind), ("{id}", id), ("{member}", "Observation"), ("{version}", "1")];
    let path = parts.iter().fold(offer.path.to_owned(), |path, (part, text)| path.replace(part, text));
    match (offer.method, offer.path) {
        ("PUT" | "PATCH" | "DELETE", "/fhir/{type}") => format!("{path}?_tag=none"),
        ("GET", "/fhir") => format!("{path}?_type=Organization"),
        _ => path,
    }
}

fn body(offer: &Offer, kind: &str) -> Option<(&'static str, String)> {
    const FORM: &str = "application/x-www-form-urlencoded";
    Some(match (offer.takes, offer.path) {
        (Takes::Nothing, _) => return None,
        (Takes::Form, "/fhir/_search") => (FORM, "_type=Organization".to_owned()),
        (Takes::Form, _) => (FORM, String::new()),
        (Takes::Resource, "/fhir") => {
            let entry = json!({ "request": { "method": "POST", "url": "Organization" },
                "resource": { "resourceType": "Organization", "name": "Example" } });
            (
                FHIR_JSON,
                json!({ "resourceType": "Bundle", "type": "transaction", "entry": [entry] }).to_string(),
            )
        }
        (Takes::Resource, _) => (FHIR_JSON, json!({ "resourceType": kind }).to_string()),
        (Takes::Patch, _) => {
            ("application/json-patch+json", r#"[{"op":"test","path":"/id","value":"none"}]"#.to_owned())
        }
        (Takes::Inputs, _) => (FHIR_JSON, r#"{"resourceType":"Parameters"}"#.to_owned()),
        (Takes::Json, _) => ("application/json", "{}".to_owned()),
    })
}

async fn status(served: &Served, method: &str, offer: &Offer, kind: &str, token: Option<&str>) -> u16 {
    let mut request = served.request(method, &address(offer, kind));
    if let Some((media, text)) = body(offer, kind) {
        request = request.header("content-type", media).body(text);
    }
    if let Some(token) = token {
        request = request.bearer_auth(token);
    }
    let reply = served.send(request).await;
    if matches!(reply.status, 401 | 403) && method != "HEAD" {
        assert!(reply.header("www-authenticate").starts_with("Bearer"), "{method} {}", offer.path);
        let is_outcome = reply.json()["resourceType"] == "OperationOutcome";
        let is_problem = ["/cds-services", "/calendar"].iter().any(|root| offer.path.starts_with(root));
        assert!(is_outcome || is_problem, "{}", reply.text);
    }
    reply.status
}

/// The types that a row is tried with.
fn kinds(offer: &Offer) -> Vec<&'static str> {
    match offer.kinds {
        Kinds::None => vec![""],
        kinds => kinds.list(),
    }
}

/// The cells of a row for which scopes matter: scopes, and whether they let in, whatever is then made of the request.
fn cells(rights: &[String]) -> Vec<(String, bool)> {
    let mut cells = vec![(scopes(rights), true)];
    for without in 0..rights.len() {
        let mut fewer = rights.to_vec();
        let missing = fewer.remove(without);
        // Neither the other letters of the type nor all letters of another one make up for it.
        let (kind, letter) = missing.split_once('.').unwrap();
        let others = "cruds".chars().filter(|other| !letter.starts_with(*other) && kind != "AuditEvent");
        if rights.iter().filter(|right| right.starts_with(&format!("{kind}."))).count() == 1 {
            fewer.extend(others.map(|other| format!("{kind}.{other}")));
        }
        let other = if kind == "Goal" { "Flag" } else { "Goal" };
        fewer.extend("cruds".chars().map(|letter| format!("{other}.{letter}")));
        cells.push((scopes(&fewer), false));
    }
    let is_audit = rights.iter().any(|right| right.starts_with("AuditEvent"));
    cells.push(("system/*.cruds".to_owned(), !is_audit));
    cells.push((
        "system/AuditEvent.rs".to_owned(),
        is_audit && rights.iter().all(|right| right.ends_with(['r', 's'])),
    ));
    cells
}

#[tokio::test(flavor = "multi_thread")]
async fn f12_every_route_with_every_kind_of_token() {
    let keys = Keys::new();
    let served = keys.open().await;
    let mut rows = Vec::new();
    for offer in OFFERS {
        for kind in kinds(offer) {
            let needs = needs(offer.method, offer.path, kind);
            rows.push((
                offer,
                kind,
                needs.unwrap_or_else(|| panic!("{} {} has no row", offer.method, offer.path)),
            ));
        }
    }
    // `GET /fhir/_history` is open to any search; its row is about having none.
    let cells = |offer: &Offer, rights: &[String]| {
        let mut cells = cells(rights);
        if offer.path == "/fhir/_history" {
            cells = vec![cells[0].clone(), ("system/Goal.crud".to_owned(), false)];
        }
        cells
    };
    // All tokens are signed together.
    let mut wanted: BTreeSet<String> = BTreeSet::new();
    for (offer, _, needs) in &rows {
        if let Needs::Rights(rights) = needs {
            wanted.extend(cells(offer, rights).into_iter().map(|(scope, _)| scope));
        }
    }
    let wanted: Vec<&str> = wanted.iter().map(String::as_str).collect();
    let tokens: BTreeMap<&str, String> = wanted.iter().copied().zip(keys.tokens(&wanted)).collect();
    let whole = access_token("system/*.cruds", "login");
    let mut broken = keys.sign(&[
        with_claims(whole.clone(), &json!({ "exp": now_s() - 31, "iat": now_s() - 200 })),
        with_claims(whole.clone(), &json!({ "aud": "https://other.example/fhir" })),
        access_token("system/*.cruds", "stranger"),
        with_claims(whole, &json!({ "iss": "https://stranger.example" })),
    ]);
    broken.push("nonsense".to_owned());
    let shown: Vec<Option<&str>> = broken.iter().map(|token| Some(token.as_str())).chain([None]).collect();
    let mut count = 0;
    for (offer, kind, needs) in &rows {
        let methods: &[&str] = if offer.method == "GET" { &["GET", "HEAD"] } else { &[offer.method] };
        for method in methods {
            let at = format!("{method} {} of {kind}", offer.path);
            for token in &shown {
                let found = status(&served, method, offer, kind, *token).await;
                match needs {
                    Needs::Nothing => assert!(!matches!(found, 401 | 403 | 500..), "{at}: {found}"),
                    _ => assert_eq!(found, 401, "{at}"),
                }
                count += 1;
            }
            let Needs::Rights(rights) = needs else { continue };
            for (scope, lets_in) in cells(offer, rights) {
                let found = status(&served, method, offer, kind, Some(&tokens[scope.as_str()])).await;
                if lets_in {
                    assert!(!matches!(found, 401 | 403 | 500..), "{at} with {scope}: {found}");
                } else {
                    assert_eq!(found, 403, "{at} with {scope}");
                }
                count += 1;
            }
        }
    }
    assert!(count > 4_000, "{count} cells");
}

/// What is not offered at an address is found out only by whoever is let in.
#[tokio::test]
async fn methods_and_addresses_that_are_not_offered_say_nothing_to_strangers() {
    let keys = Keys::new();
    let served = keys.open().await;
    let token = keys.token("system/*.cruds");
    let of_type = ["GET", "PUT", "POST", "PATCH", "DELETE"];
    let table: [(&str, &[&str]); 4] = [
        ("/fhir/Observation", &of_type),
        ("/fhir/Patient/none", &["GET", "PUT", "PATCH", "DELETE"]),
        ("/fhir/Nonsense", &[]),
        ("/nonsense", &[]),
    ];
    for (path, offered) in table {
        for method in ["GET", "PUT", "POST", "PATCH", "DELETE", "OPTIONS", "TRACE"] {
            assert_eq!(ask(&served, "", method, path, &Json::Null).await.status, 401, "{method} {path}");
            if !offered.contains(&method) {
                let body = if method == "GET" { Json::Null } else { json!({ "resourceType": "Nonsense" }) };
                let found = ask(&served, &token, method, path, &body).await.status;
                assert!(matches!(found, 400 | 404 | 405), "{method} {path}: {found}");
            }
        }
    }
}
