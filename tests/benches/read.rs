//! Reads by id over loopback HTTP, beside the floor: an axum handler that answers the same bytes with the same headers from memory.
//!
//! Then the same read from a service whose access is closed, with a token, beside the open one.
//!
//! `cargo bench -p endplate-tests --bench read`. One client, one connection to each, requests one after the other and then many
//! at once; both are asked in turn, round by round, so that what else the machine does falls on both.

use axum::Router;
use axum::http::header::AUTHORIZATION;
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::routing::get;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use endplate_followup::ports::Clock;
use endplate_server::boot::{self, Parts};
use endplate_server::clock::SystemClock;
use endplate_server::config::{Config, Layers, Sources, StoreUrl};
use reqwest::Client;
use ring::signature::{ECDSA_P384_SHA384_FIXED_SIGNING, EcdsaKeyPair, KeyPair};
use serde_json::json;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::net::TcpListener;
use tokio::task::JoinSet;

const ROUNDS: usize = 20;
const READS: usize = 500;
const READERS: usize = 16;

/// A Patient of the size that records have.
fn patient() -> String {
    let address =
        json!({ "use": "home", "line": ["1 Example Street"], "city": "Example", "postalCode": "0001" });
    let body = json!({ "resourceType": "Patient", "id": "p1", "birthDate": "1980-01-01", "active": true,
        "identifier": [{ "system": "https://records.example/patients", "value": "P-1" }],
        "name": [{ "family": "Example", "given": ["An", "Other"] }], "address": vec![address; 4] });
    body.to_string()
}

/// A service whose access is closed to all but the bearer of a token, with that Patient, and the token.
async fn closed(patient: &str) -> (boot::Server, tempfile::TempDir, String) {
    let random = ring::rand::SystemRandom::new();
    let made = EcdsaKeyPair::generate_pkcs8(&ECDSA_P384_SHA384_FIXED_SIGNING, &random).expect("a key");
    let pair =
        EcdsaKeyPair::from_pkcs8(&ECDSA_P384_SHA384_FIXED_SIGNING, made.as_ref(), &random).expect("a key");
    let point = pair.public_key().as_ref();
    let (x, y) = (URL_SAFE_NO_PAD.encode(&point[1..49]), URL_SAFE_NO_PAD.encode(&point[49..]));
    let keys = json!({ "keys": [{ "kty": "EC", "crv": "P-384", "kid": "bench", "x": x, "y": y }] });
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("keys.json");
    std::fs::write(&file, keys.to_string()).expect("written");
    let text = format!(
        "base_url = \"https://endplate.example/fhir\"\n[[access.issuers]]\nissuer = \"https://login.example\"\njwks = \"{}\"\n\
         scopes = \"system/*.cruds\"\nrequests_per_minute = 4294967295\n",
        file.display()
    );
    let sources = Sources { file: Some(("bench.toml".into(), text)), ..Sources::default() };
    let mut config = Layers::read(&sources).and_then(|layers| Config::new(&layers)).expect("settings");
    config.listen = "127.0.0.1:0".parse().expect("an address");
    config.store = StoreUrl::Memory;
    let clock = Arc::new(SystemClock::new(config.time_zone.clone()));
    let exp = clock.now().as_second() + 3_600;
    let parts = Parts { workers: false, ..Parts::of(&config, clock).await.expect("parts") };
    let server = boot::start(&config, parts).await.expect("a service");
    let part = |json: serde_json::Value| URL_SAFE_NO_PAD.encode(json.to_string());
    let header = part(json!({ "alg": "ES384", "typ": "JWT", "kid": "bench" }));
    let claims =
        part(json!({ "iss": "https://login.example", "sub": "bench", "aud": "https://endplate.example/fhir",
        "exp": exp, "scope": "system/Patient.ru" }));
    let signed = format!("{header}.{claims}");
    let signature = pair.sign(&random, signed.as_bytes()).expect("a signature");
    let token = format!("{signed}.{}", URL_SAFE_NO_PAD.encode(signature));
    let url = format!("http://{}/fhir/Patient/p1", server.local_addr());
    let client = client(Some(&token));
    let put = client.put(url).header("content-type", "application/fhir+json").body(patient.to_owned());
    assert_eq!(put.send().await.expect("an answer").status(), StatusCode::CREATED);
    (server, folder, token)
}

/// A client that sends a token with every request, if it has one.
fn client(token: Option<&str>) -> Client {
    let mut headers = HeaderMap::new();
    headers.extend(
        token.map(|token| {
            (AUTHORIZATION, HeaderValue::from_str(&format!("Bearer {token}")).expect("a header"))
        }),
    );
    Client::builder().no_proxy().tls_certs_only([]).default_headers(headers).build().expect("a client")
}

/// Time of `READS` reads by `readers` at once.
async fn time(client: &Client, address: &str, readers: usize) -> Duration {
    let start = Instant::now();
    let mut all = JoinSet::new();
    for _ in 0..readers {
        let (client, address) = (client.clone(), address.to_owned());
        all.spawn(async move {
            for _ in 0..READS / readers {
                let reply = client.get(&address).send().await.expect("an answer");
                assert_eq!(reply.status(), StatusCode::OK);
                reply.bytes().await.expect("a body");
            }
        });
    }
    while let Some(done) = all.join_next().await {
        done.expect("a reader");
    }
    start.elapsed()
}

#[tokio::main]
async fn main() {
    _ = rustls::crypto::ring::default_provider().install_default();
    let client = client(None);
    let mut config = Config::of_defaults().expect("the defaults");
    config.listen = "127.0.0.1:0".parse().expect("an address");
    config.store = StoreUrl::Memory;
    let clock = Arc::new(SystemClock::new(config.time_zone.clone()));
    let parts = Parts { workers: false, ..Parts::of(&config, clock).await.expect("parts") };
    let server = boot::start(&config, parts).await.expect("a service");
    let ours = format!("http://{}/fhir/Patient/p1", server.local_addr());
    let put = client.put(&ours).header("content-type", "application/fhir+json").body(patient());
    assert_eq!(put.send().await.expect("an answer").status(), StatusCode::CREATED);

    let reply = client.get(&ours).send().await.expect("an answer");
    let mut headers: HeaderMap = reply.headers().clone();
    headers.remove("date");
    headers.remove("content-length");
    let bytes = reply.bytes().await.expect("a body");
    let size = bytes.len();
    let handler = async move || (headers.clone(), bytes.clone());
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let floor = format!("http://{}/fhir/Patient/p1", listener.local_addr().expect("an address"));
    let router = Router::new().route("/fhir/{kind}/{id}", get(handler));
    tokio::spawn(async move { axum::serve(listener, router).await });

    println!("reads of one resource of {size} bytes over loopback HTTP");
    for readers in [1, READERS] {
        let (mut us, mut them) = (Duration::ZERO, Duration::ZERO);
        for _ in 0..ROUNDS {
            us += time(&client, &ours, readers).await;
            them += time(&client, &floor, readers).await;
        }
        let rate = |time: Duration| (ROUNDS * (READS / readers) * readers) as f64 / time.as_secs_f64();
        println!(
            "{readers} at once: {:.0} a second, floor from memory {:.0} a second, ratio {:.2}",
            rate(us),
            rate(them),
            rate(us) / rate(them)
        );
    }

    let (server, _folder, token) = closed(&patient()).await;
    let (bearer, theirs) =
        (self::client(Some(&token)), format!("http://{}/fhir/Patient/p1", server.local_addr()));
    for readers in [1, READERS] {
        let (mut closed, mut open) = (Duration::ZERO, Duration::ZERO);
        for _ in 0..ROUNDS {
            closed += time(&bearer, &theirs, readers).await;
            open += time(&client, &ours, readers).await;
        }
        let ratio = open.as_secs_f64() / closed.as_secs_f64();
        println!("{readers} at once, access closed, with a token: ratio to the open service {ratio:.2}");
    }
}
