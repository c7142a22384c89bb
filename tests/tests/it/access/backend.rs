//! SMART App Launch 2.2.0, Backend Services, as a server: how a client gets a token, and what a token must be. F is the letter
//! of its rows in the conformance ledger.

use super::{BASE, BOARD, Keys, ROOT, TOKEN_URL, access_token, ask, form, get, now_s, store, with_claims};
use crate::clinic::TurnedClock;
use crate::served::{Reply, Served, Unused};
use axum::Router;
use axum::response::Redirect;
use axum::routing::get as route;
use endplate_fhir::Json;
use endplate_server::boot::{self, Parts};
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::net::TcpListener;

const JWT_BEARER: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";

fn assertion(client: &str, id: &str) -> Json {
    json!({ "by": client, "claims": { "iss": client, "sub": client, "aud": TOKEN_URL, "exp": now_s() + 240, "jti": id } })
}

fn with_headers(mut spec: Json, headers: Json) -> Json {
    spec["headers"] = headers;
    spec
}

async fn request_token(served: &Served, pairs: &[(&str, &str)]) -> Reply {
    served.send(form(served, "/auth/token", pairs)).await
}

async fn token_for(served: &Served, assertion: &str, scope: &str) -> Reply {
    let pairs = [
        ("grant_type", "client_credentials"),
        ("client_assertion_type", JWT_BEARER),
        ("client_assertion", assertion),
        ("scope", scope),
    ];
    request_token(served, &pairs).await
}

/// RFC 6749 section 5.2: status 400 (no scheme of HTTP was used), `error`, and nothing is kept.
#[track_caller]
fn assert_error(reply: &Reply, error: &str) {
    assert_eq!((reply.status, reply.json()["error"].as_str()), (400, Some(error)), "{}", reply.text);
    assert_eq!(reply.header("cache-control"), "no-store");
    assert!(reply.json()["error_description"].as_str().is_some_and(|text| !text.is_empty()));
}

#[tokio::test]
async fn f01_c21_the_discovery_document_says_what_is_implemented() {
    let keys = Keys::new();
    let served = keys.open().await;
    let found = get(&served, "", "/.well-known/smart-configuration").await;
    assert_eq!((found.status, found.header("content-type")), (200, "application/json"));
    let told = found.json();
    assert_eq!(told, get(&served, "", "/fhir/.well-known/smart-configuration").await.json());
    assert_eq!(told["token_endpoint"], TOKEN_URL);
    assert_eq!(told["grant_types_supported"], json!(["client_credentials"]));
    assert_eq!(told["token_endpoint_auth_methods_supported"], json!(["private_key_jwt"]));
    assert_eq!(told["token_endpoint_auth_signing_alg_values_supported"], json!(["RS384", "ES384"]));
    assert_eq!(told["code_challenge_methods_supported"], json!(["S256"]));
    let capabilities = told["capabilities"].as_array().unwrap();
    assert!(
        capabilities.contains(&json!("client-confidential-asymmetric"))
            && capabilities.contains(&json!("permission-v2"))
    );
    // Nothing that is not there.
    for absent in
        ["authorization_endpoint", "introspection_endpoint", "registration_endpoint", "revocation_endpoint"]
    {
        assert!(told.get(absent).is_none(), "{absent}");
    }
    let statement = get(&served, "", "/fhir/metadata").await.json();
    assert_eq!(statement["rest"][0]["security"]["service"][0]["coding"][0]["code"], "SMART-on-FHIR");
    // JSON, whatever is liked.
    let liked = served.request("GET", "/fhir/.well-known/smart-configuration").header("accept", "text/html");
    assert_eq!(served.send(liked).await.json(), told);
    // Where access is open there is nothing to discover.
    let open = Served::open(super::DAY).await;
    assert_eq!(open.get("/.well-known/smart-configuration").await.status, 404);
    assert!(open.get("/fhir/metadata").await.json()["rest"][0].get("security").is_none());
}

#[tokio::test]
async fn f08_f10_a_client_gets_a_token_and_uses_it() {
    let keys = Keys::new();
    let served = keys.open().await;
    let signed = keys.sign(&[assertion("record", "a"), assertion("board", "b")]);
    // ES384 and RS384 (F06).
    for (assertion, scope) in [(&signed[0], "system/Patient.cruds"), (&signed[1], "system/Patient.rs")] {
        let given = token_for(&served, assertion, scope).await;
        assert_eq!((given.status, given.header("content-type")), (200, "application/json"), "{}", given.text);
        assert_eq!((given.header("cache-control"), given.header("pragma")), ("no-store", "no-cache"));
        let told = given.json();
        assert_eq!((told["token_type"].as_str(), told["scope"].as_str()), (Some("bearer"), Some(scope)));
        assert!(told["expires_in"].as_i64().is_some_and(|seconds| (1..=300).contains(&seconds)));
        assert!(told.get("refresh_token").is_none());
        let token = told["access_token"].as_str().unwrap();
        assert_eq!(get(&served, token, "/fhir/Patient").await.status, 200);
        assert_eq!(get(&served, token, "/fhir/Task").await.status, 403);
        served.clock.turn_on_s(331);
        assert_eq!(get(&served, token, "/fhir/Patient").await.status, 401, "it has expired");
        served.clock.turn_on_s(-331);
    }
    // RFC 6749 section 4.4.2 and RFC 7523 section 2.2: each parameter once.
    let fresh = &keys.sign(&[assertion("record", "c")])[0];
    let whole = [
        ("grant_type", "client_credentials"),
        ("client_assertion_type", JWT_BEARER),
        ("client_assertion", fresh.as_str()),
        ("scope", "system/Patient.r"),
    ];
    for without in 0..whole.len() {
        let mut fewer = whole.to_vec();
        fewer.remove(without);
        assert_error(&request_token(&served, &fewer).await, "invalid_request");
    }
    assert_error(&request_token(&served, &[&whole[..], &[whole[0]]].concat()).await, "invalid_request");
    let mut other = whole;
    other[0].1 = "authorization_code";
    assert_error(&request_token(&served, &other).await, "unsupported_grant_type");
    let json = served.request("POST", "/auth/token").header("content-type", "application/json").body("{}");
    assert_error(&served.send(json).await, "invalid_request");
    // Nothing of all that has used the assertion up.
    assert_eq!(request_token(&served, &whole).await.status, 200);
}

#[tokio::test]
async fn f09_a_scope_beyond_the_registration_is_refused() {
    let keys = Keys::new();
    let served = keys.open().await;
    let refused = [
        "system/Observation.rs",
        "system/Patient.cruds",
        "system/*.rs",
        "system/Task.rus",
        "system/Task.u?status=accepted",
        "system/Patient.rs system/Task.d?status=requested",
        "patient/Patient.rs",
        "openid",
        "system/Patient.dus",
        "system/AuditEvent.r",
        // F14: a parameter that cannot be kept is refused and never passed over.
        "system/Patient.rs?nonsense=1",
        "system/Patient.rs?_has:Observation:patient:status=final",
    ];
    let given = [
        "system/Patient.r",
        "system/Task.us?status=requested",
        "system/Patient.read",
        "system/Patient.rs?gender=female",
    ];
    let specs: Vec<Json> =
        (0..refused.len() + given.len()).map(|n| assertion("board", &n.to_string())).collect();
    let mut signed = keys.sign(&specs).into_iter();
    for scope in refused {
        assert_error(&token_for(&served, &signed.next().unwrap(), scope).await, "invalid_scope");
    }
    for scope in given {
        let reply = token_for(&served, &signed.next().unwrap(), scope).await;
        assert_eq!((reply.status, reply.json()["scope"].as_str()), (200, Some(scope)), "{}", reply.text);
    }
}

#[tokio::test]
async fn f03_f04_f06_an_assertion_that_is_not_as_it_must_be_is_refused() {
    let keys = Keys::new();
    let served = keys.open().await;
    let good = |id: &str| assertion("record", id);
    let claims = |id: &str, claims: Json| with_claims(good(id), &claims);
    let by = |id: &str, alg: &str| {
        let mut spec = good(id);
        spec["alg"] = json!(alg);
        spec
    };
    let mut stranger = good("s");
    stranger["by"] = json!("stranger");
    let mut board_as_record =
        with_claims(assertion("board", "b"), &json!({ "iss": "record", "sub": "record" }));
    board_as_record["headers"] = json!({ "kid": "record-1" });
    let wrong = vec![
        ("no typ", with_headers(good("1"), json!({ "typ": null }))),
        ("another typ", with_headers(good("2"), json!({ "typ": "at+jwt" }))),
        ("no kid", with_headers(good("3"), json!({ "kid": null }))),
        ("another kid", with_headers(good("4"), json!({ "kid": "record-2" }))),
        (
            "a jku that is not registered",
            with_headers(good("5"), json!({ "jku": "https://stranger.example/jwks" })),
        ),
        ("an extension that must be understood", with_headers(good("6"), json!({ "crit": ["exp"] }))),
        ("iss is not sub", claims("7", json!({ "sub": "board" }))),
        ("no iss", claims("8", json!({ "iss": null }))),
        ("nobody", claims("9", json!({ "iss": "nobody", "sub": "nobody" }))),
        ("the FHIR base as aud", claims("10", json!({ "aud": BASE }))),
        ("no aud", claims("11", json!({ "aud": null }))),
        ("no exp", claims("12", json!({ "exp": null }))),
        ("expired", claims("13", json!({ "exp": now_s() - 31 }))),
        ("more than five minutes", claims("14", json!({ "exp": now_s() + 400 }))),
        ("not valid yet", claims("15", json!({ "nbf": now_s() + 60 }))),
        ("made in the future", claims("16", json!({ "iat": now_s() + 60 }))),
        ("no jti", claims("17", json!({ "jti": null }))),
        ("an endless jti", claims("18", json!({ "jti": "x".repeat(300) }))),
        ("alg none", by("19", "none")),
        ("a public key as a secret", by("20", "HS384")),
        ("another key", stranger),
        ("a key of another kind", board_as_record),
    ];
    let specs: Vec<Json> = wrong.iter().map(|(_, spec)| spec.clone()).collect();
    for ((what, _), signed) in wrong.iter().zip(keys.sign(&specs)) {
        let reply = token_for(&served, &signed, "system/Patient.r").await;
        assert_eq!(
            (reply.status, reply.json()["error"].as_str()),
            (400, Some("invalid_client")),
            "{what}: {}",
            reply.text
        );
    }
    let signed = &keys.sign(&[good("whole")])[0];
    let bytes = signed.as_bytes();
    // A changed payload, a changed signature, a cut one.
    let (at_claims, at_end) = (signed.find('.').unwrap() + 20, signed.len() - 10);
    for at in [at_claims, at_end] {
        let mut changed = bytes.to_vec();
        changed[at] = if changed[at] == b'A' { b'B' } else { b'A' };
        let changed = String::from_utf8(changed).unwrap();
        assert_error(&token_for(&served, &changed, "system/Patient.r").await, "invalid_client");
    }
    assert_error(
        &token_for(&served, &signed[..=signed.rfind('.').unwrap()], "system/Patient.r").await,
        "invalid_client",
    );
    // The error says which claim, and both times.
    let late = &keys.sign(&[claims("late", json!({ "exp": now_s() - 60 }))])[0];
    let text = token_for(&served, late, "system/Patient.r").await.json()["error_description"]
        .as_str()
        .unwrap()
        .to_owned();
    assert!(text.contains("exp is 2026-03-02T11:59:00Z") && text.contains("2026-03-02T12:00:00Z"), "{text}");
    assert_eq!(
        token_for(&served, signed, "system/Patient.r").await.status,
        200,
        "and the whole one is taken"
    );
}

/// The use of a `jti` is kept in the store: two instances, or one that was started again, take it once.
#[tokio::test]
async fn f05_an_assertion_is_taken_once_on_one_store() {
    let keys = Keys::new();
    let store = store().await;
    let (one, other) = (keys.open_on(Arc::clone(&store)).await, keys.open_on(store).await);
    let signed =
        keys.sign(&[assertion("record", "same"), assertion("board", "same"), assertion("record", "next")]);
    assert_eq!(token_for(&one, &signed[0], "system/Patient.r").await.status, 200);
    for served in [&one, &other] {
        assert_error(&token_for(served, &signed[0], "system/Patient.r").await, "invalid_client");
    }
    assert_eq!(
        token_for(&other, &signed[1], "system/Patient.r").await.status,
        200,
        "another client may use the same jti"
    );
    // For as long as it would be taken, leeway included: exp is in 240 s and the leeway is 30 s.
    for served in [&one, &other] {
        served.clock.turn_on_s(269);
    }
    assert_error(&token_for(&other, &signed[0], "system/Patient.r").await, "invalid_client");
    // Of many at once, one is taken.
    let at_once =
        (0..8).map(|n| token_for(if n % 2 == 0 { &one } else { &other }, &signed[2], "system/Patient.r"));
    let mut taken = 0;
    for reply in futures(at_once).await {
        taken += usize::from(reply.status == 200);
    }
    assert_eq!(taken, 1);
}

async fn futures<T>(all: impl Iterator<Item = impl Future<Output = T>>) -> Vec<T> {
    let mut all: Vec<_> = all.map(|one| Some(Box::pin(one))).collect();
    let mut done: Vec<Option<T>> = all.iter().map(|_| None).collect();
    std::future::poll_fn(move |context| {
        for (one, done) in all.iter_mut().zip(&mut done) {
            if let Some(std::task::Poll::Ready(value)) = one.as_mut().map(|one| one.as_mut().poll(context)) {
                (*done, *one) = (Some(value), None);
            }
        }
        if all.iter().all(Option::is_none) {
            return std::task::Poll::Ready(done.iter_mut().filter_map(Option::take).collect());
        }
        std::task::Poll::Pending
    })
    .await
}

/// RFC 9111 section 5.2.2 for Cache-Control; SMART App Launch 2.2.0: keys are not kept longer than it says.
#[tokio::test]
async fn f07_fetched_keys_are_kept_as_their_publisher_says() {
    let keys = Keys::new();
    let asked = Arc::new(AtomicUsize::new(0));
    let text = std::fs::read_to_string(keys.path().join("login.jwks.json")).unwrap();
    let (counted, published) = (Arc::clone(&asked), text.clone());
    let answer = async move || {
        counted.fetch_add(1, Ordering::SeqCst);
        ([("cache-control", "max-age=60")], published.clone())
    };
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}/jwks", listener.local_addr().unwrap());
    tokio::spawn(async move { axum::serve(listener, Router::new().route("/jwks", route(answer))).await });
    let more = format!(
        "[[access.issuers]]\nissuer = \"https://far.example\"\njwks = \"{address}\"\nscopes = \"system/Patient.rs\"\n"
    );
    let served = Served::open_as(&keys.config(&more), super::DAY).await;
    let far = |id: &str, seconds: i64, kid: &str| {
        let claims = json!({ "iss": "https://far.example", "jti": id, "exp": now_s() + 3_600 + seconds });
        with_headers(with_claims(access_token("system/Patient.rs", "login"), &claims), json!({ "kid": kid }))
    };
    let specs: Vec<Json> =
        (0..6).map(|n| far(&n.to_string(), n, if n < 3 { "login-1" } else { "unknown" })).collect();
    let tokens = keys.sign(&specs);
    let status = async |token: &String| get(&served, token, "/fhir/Patient").await.status;
    assert_eq!((status(&tokens[0]).await, status(&tokens[1]).await), (200, 200));
    assert_eq!(asked.load(Ordering::SeqCst), 1, "kept");
    served.clock.turn_on_s(61);
    assert_eq!(status(&tokens[2]).await, 200);
    assert_eq!(asked.load(Ordering::SeqCst), 2, "not longer than a minute");
    // A name that is not known has them fetched again, but not again and again.
    assert_eq!(status(&tokens[3]).await, 401);
    assert_eq!(asked.load(Ordering::SeqCst), 2, "they were fetched a moment ago");
    served.clock.turn_on_s(11);
    assert_eq!((status(&tokens[4]).await, status(&tokens[5]).await), (401, 401));
    assert_eq!(asked.load(Ordering::SeqCst), 3, "once");
}

/// OWASP, Server-Side Request Forgery Prevention Cheat Sheet: key sets are fetched under the rules of every other address that
/// the service calls (what a name leads to: `server/src/access/keyring.rs`), and no redirect is followed.
#[tokio::test]
async fn h12_h13_keys_are_fetched_where_the_service_may_call_and_nowhere_else() {
    let keys = Keys::new();
    let text = std::fs::read_to_string(keys.path().join("login.jwks.json")).unwrap();
    let asked = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&asked);
    let publish = async move || {
        counted.fetch_add(1, Ordering::SeqCst);
        text.clone()
    };
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let there = listener.local_addr().unwrap();
    let redirect = async move || Redirect::temporary(&format!("http://{there}/jwks"));
    let router = Router::new().route("/jwks", route(publish)).route("/moved", route(redirect));
    tokio::spawn(async move { axum::serve(listener, router).await });
    let config = |table: &str, path: &str| {
        let whose = if table == "clients" { "id" } else { "issuer" };
        let scopes = if table == "hooks" { "" } else { "scopes = \"system/Patient.rs\"" };
        keys.config(&format!(
            "[[access.{table}]]\n{whose} = \"https://far.example\"\njwks = \"http://{there}{path}\"\n{scopes}\n"
        ))
    };
    // Whoever starts the service is told which address, and which setting opens it.
    for table in ["clients", "issuers", "hooks"] {
        let mut closed = config(table, "/jwks");
        (closed.webhook_allowed_networks, closed.webhook_http_allowed) = (Vec::new(), true);
        let parts = Parts {
            store: store().await,
            clock: TurnedClock::at(super::DAY),
            transport: Arc::new(Unused),
            workers: false,
        };
        let error = boot::start(&closed, parts).await.err().unwrap().to_string();
        assert!(
            error.contains("jwks of https://far.example is not called")
                && error.contains("webhook.allowed_networks"),
            "{table}: {error}"
        );
    }
    let mut status = Vec::new();
    for path in ["/jwks", "/moved"] {
        // The list of hosts is of those that Subscriptions name: it stands in nobody's way here.
        let mut open = config("issuers", path);
        open.webhook_allowed_hosts = vec!["desk.example".to_owned()];
        let served = Served::open_as(&open, super::DAY).await;
        let claims = json!({ "iss": "https://far.example", "jti": path });
        let token = keys.sign(&[with_claims(access_token("system/Patient.rs", "login"), &claims)]).remove(0);
        status.push(get(&served, &token, "/fhir/Patient").await.status);
    }
    assert_eq!((status, asked.load(Ordering::SeqCst)), (vec![200, 401], 1));
}

/// RFC 6750 section 3: a request without a token is told how callers are known and no error; with one, which error.
#[tokio::test]
async fn f17_a_token_must_be_signed_for_us_and_in_time() {
    let keys = Keys::new();
    let served = keys.open().await;
    let none = get(&served, "", "/fhir/Patient").await;
    assert_eq!((none.status, none.header("www-authenticate")), (401, "Bearer realm=\"endplate\""));
    assert_eq!(none.json()["issue"][0]["code"], "login");
    let good = access_token("system/Patient.rs", "login");
    let claims = |claims: Json| with_claims(good.clone(), &claims);
    let mut hmac = good.clone();
    hmac["alg"] = json!("HS384");
    let mut unsigned = good.clone();
    unsigned["alg"] = json!("none");
    // Signed by a registered client, in our name: only our own key makes our tokens.
    let mut forged = claims(json!({ "iss": ROOT, "client_id": "record", "sub": "record" }));
    forged["by"] = json!("record");
    forged["headers"] = json!({ "typ": "at+jwt" });
    let wrong = [
        claims(json!({ "iss": "https://stranger.example" })),
        claims(json!({ "iss": null })),
        claims(json!({ "aud": "https://other.example/fhir" })),
        claims(json!({ "aud": null })),
        claims(json!({ "exp": null })),
        claims(json!({ "exp": now_s() - 31 })),
        claims(json!({ "nbf": now_s() + 60 })),
        access_token("system/Patient.rs", "stranger"),
        hmac,
        unsigned,
        forged,
        // An assertion is no access token.
        assertion("record", "as-token"),
    ];
    for (at, token) in keys.sign(&wrong).iter().enumerate() {
        let reply = get(&served, token, "/fhir/Patient").await;
        assert_eq!(reply.status, 401, "{at}: {}", reply.text);
        assert!(reply.header("www-authenticate").contains("error=\"invalid_token\""), "{at}");
        assert_eq!(reply.json()["issue"][0]["code"], "login");
    }
    // Within the leeway of 30 seconds the clocks may differ.
    for token in keys.sign(&[claims(json!({ "exp": now_s() - 29 })), claims(json!({ "nbf": now_s() + 29 }))])
    {
        assert_eq!(get(&served, &token, "/fhir/Patient").await.status, 200);
    }
    // What its issuer is not registered for, and what cannot be understood, gives nothing.
    let token = keys.token("system/Patient.dus patient/Patient.rs openid");
    super::assert_forbidden(&get(&served, &token, "/fhir/Patient").await);
}

/// RFC 6750 section 2.1 is the only way taken: not in the query (2.3), not in a form (2.2).
#[tokio::test]
async fn f18_a_token_is_taken_from_the_header_alone() {
    let keys = Keys::new();
    let served = keys.open().await;
    let token = keys.token("system/Patient.rs");
    assert_eq!(get(&served, &token, "/fhir/Patient").await.status, 200);
    assert_eq!(get(&served, "", &format!("/fhir/Patient?access_token={token}")).await.status, 401);
    let form = form(&served, "/fhir/Patient/_search", &[("access_token", &token)]);
    assert_eq!(served.send(form).await.status, 401);
    let basic = served.request("GET", "/fhir/Patient").header("authorization", format!("Basic {token}"));
    assert_eq!(served.send(basic).await.status, 401);
    let twice = served.request("GET", "/fhir/Patient").bearer_auth(&token).bearer_auth(&token);
    assert_eq!(served.send(twice).await.status, 401);
}

/// RFC 7515: whoever has the key of the file knows a token, and nobody else.
#[tokio::test]
async fn instances_with_one_signing_key_know_each_others_tokens() {
    let keys = Keys::new();
    let own = format!("[access]\nsigning_key = \"{}/service.pem\"", keys.path().display());
    let (one, other) = (
        Served::open_as(&keys.config(&own), super::DAY).await,
        Served::open_as(&keys.config(&own), super::DAY).await,
    );
    let third = keys.open().await;
    let signed = keys.sign(&[assertion("record", "a")]).remove(0);
    let given = token_for(&one, &signed, "system/Patient.r").await.json();
    let token = given["access_token"].as_str().unwrap();
    let none = Json::Null;
    assert_eq!(ask(&other, token, "GET", "/fhir/Patient/none", &none).await.status, 404);
    assert_eq!(ask(&third, token, "GET", "/fhir/Patient/none", &none).await.status, 401);
    // The published key is the public half of the file, with no private member (RFC 7517 section 9.2).
    let published = get(&one, "", "/auth/jwks").await.json();
    let made: Json =
        serde_json::from_str(&std::fs::read_to_string(keys.path().join("service.jwks.json")).unwrap())
            .unwrap();
    for member in ["kty", "crv", "x", "y"] {
        assert_eq!(published["keys"][0][member], made["keys"][0][member]);
    }
    assert!(published["keys"][0].get("d").is_none());
}

/// CDS Hooks 2.0, trusting CDS clients: a JWT for each call, whose aud is the address that is called.
#[tokio::test]
async fn g12_a_cds_client_signs_every_call() {
    let keys = Keys::new();
    let served = keys.open().await;
    let url = format!("{ROOT}/cds-services/repair-state");
    let call = |id: &str| json!({ "by": "hook", "claims": { "iss": BOARD, "aud": url, "iat": now_s(), "exp": now_s() + 60, "jti": id } });
    let claims = |id: &str, claims: Json| with_claims(call(id), &claims);
    let mut unsigned = call("none");
    unsigned["alg"] = json!("none");
    let mut stranger = call("s");
    stranger["by"] = json!("stranger");
    let mut specs = vec![call("good"), unsigned, stranger];
    specs.extend([
        claims("1", json!({ "iss": "https://stranger.example" })),
        claims("2", json!({ "aud": format!("{ROOT}/cds-services/review-booking") })),
        claims("3", json!({ "aud": BASE })),
        claims("4", json!({ "exp": now_s() - 60 })),
        claims("5", json!({ "iat": null })),
        claims("6", json!({ "jti": null })),
        with_headers(call("7"), json!({ "typ": null })),
        with_headers(call("8"), json!({ "kid": null })),
        with_headers(call("9"), json!({ "jku": "https://stranger.example/jwks" })),
    ]);
    let tokens = keys.sign(&specs);
    // A whole request about a patient who is not known: whoever is let in is answered 412.
    let body = json!({ "hook": "patient-view", "hookInstance": "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea",
        "context": { "userId": "Practitioner/1", "patientId": "none" } });
    let ask = async |token: &str| {
        let request = served.request("POST", "/cds-services/repair-state").bearer_auth(token);
        served.send(request.header("content-type", "application/json").body(body.to_string())).await
    };
    assert_eq!(ask(&tokens[0]).await.status, 412);
    for (at, token) in tokens.iter().enumerate() {
        // The first one was used.
        let reply = ask(token).await;
        assert_eq!(
            (reply.status, reply.header("content-type")),
            (401, "application/problem+json"),
            "{at}: {}",
            reply.text
        );
        assert!(reply.header("www-authenticate").contains("invalid_token"));
    }
    // An access token is none, and the JWT of a hook is no access token.
    assert_eq!(ask(&keys.token("system/*.cruds")).await.status, 401);
    assert_eq!(get(&served, &keys.sign(&[call("x")])[0], "/fhir/Patient").await.status, 401);
    assert_eq!(get(&served, "", "/cds-services").await.status, 200, "discovery is for all");
}
