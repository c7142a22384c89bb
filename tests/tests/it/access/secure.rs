//! TLS, how often a client may ask, and what the service refuses to do without protection.

use super::{BASE, Keys, TOKEN_URL, form, get, now_s};
use crate::python;
use crate::served::Served;
use endplate_fhir::Json;
use endplate_server::config::{Config, Layers, Sources};
use serde_json::json;

fn tls(keys: &Keys, more: &str) -> String {
    let folder = keys.path().display();
    format!("[tls]\ncertificate = \"{folder}/server.pem\"\nkey = \"{folder}/server.key\"\n{more}")
}

/// What OpenSSL is given, by way of Python.
fn connect(served: &Served, keys: &Keys, client: Option<&str>) -> Json {
    let port = served.server.local_addr().port().to_string();
    let path = |name: &str| keys.path().join(name).to_str().unwrap().to_owned();
    let mut arguments = vec![port, path("ca.pem")];
    arguments.extend(client.map(path));
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let output = python::script("tls.py", &arguments);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// BCP 195 (RFC 9325 section 3.1.1): no version before 1.2. RFC 6797 section 7: HSTS with TLS, and never without.
#[tokio::test(flavor = "multi_thread")]
async fn f20_h10_connections_are_by_tls_of_this_day() {
    let keys = Keys::new();
    let served = Served::open_as(&keys.config(&tls(&keys, "")), super::DAY).await;
    let told = connect(&served, &keys, None);
    assert_eq!(
        (&told["TLSv1_1"], &told["TLSv1_2"], &told["TLSv1_3"]),
        (&false.into(), &true.into(), &true.into())
    );
    let head: Vec<&str> = told["head"].as_array().unwrap().iter().filter_map(Json::as_str).collect();
    assert_eq!(head[0], "http/1.1 200 ok");
    assert!(head.contains(&"strict-transport-security: max-age=31536000"), "{head:?}");
    assert!(!head.iter().any(|line| line.starts_with("server:")), "{head:?}");
    let plain = keys.open().await;
    assert!(get(&plain, "", "/livez").await.headers.get("strict-transport-security").is_none());
}

#[tokio::test(flavor = "multi_thread")]
async fn certificates_are_exchanged_without_a_restart() {
    let keys = Keys::new();
    let served = Served::open_as(&keys.config(&tls(&keys, "")), super::DAY).await;
    let first = connect(&served, &keys, None)["certificate"].clone();
    let copy = |from: &str, to: &str| std::fs::copy(keys.path().join(from), keys.path().join(to)).unwrap();
    // The certificate has come and its key has not: what was stays.
    copy("other.pem", "server.pem");
    assert!(served.server.renew_certificates().unwrap_err().starts_with("tls.key"));
    assert_eq!(connect(&served, &keys, None)["certificate"], first);
    copy("other.key", "server.key");
    served.server.renew_certificates().unwrap();
    let second = connect(&served, &keys, None)["certificate"].clone();
    assert!(second.is_string() && second != first);
}

/// RFC 8705 section 7.1 has it as a matter of deployment: with an authority for clients, nobody connects without a certificate.
#[tokio::test(flavor = "multi_thread")]
async fn with_an_authority_for_clients_they_show_a_certificate() {
    let keys = Keys::new();
    let more = format!("client_ca = \"{}/ca.pem\"", keys.path().display());
    let served = Served::open_as(&keys.config(&tls(&keys, &more)), super::DAY).await;
    let stranger = connect(&served, &keys, None);
    assert!(stranger.get("head").is_none(), "{stranger}");
    assert_eq!(connect(&served, &keys, Some("client.pem"))["TLSv1_3"], true);
}

/// RFC 6585 section 4 and RFC 9110 section 10.2.3.
#[tokio::test]
async fn h15_whoever_asks_too_often_is_told_when_to_ask_again() {
    let keys = Keys::new();
    let mut config = keys.config("");
    for one in &mut config.access.issuers {
        one.requests_per_minute = 3.try_into().unwrap();
    }
    let served = Served::open_as(&config, super::DAY).await;
    let token = keys.token("system/Patient.rs");
    for _ in 0..3 {
        assert_eq!(get(&served, &token, "/fhir/Patient").await.status, 200);
    }
    let reply = get(&served, &token, "/fhir/Patient").await;
    assert_eq!((reply.status, reply.json()["issue"][0]["code"].as_str()), (429, Some("throttled")));
    let after: u64 = reply.header("retry-after").parse().unwrap();
    assert!((1..=20).contains(&after), "three a minute are one in twenty seconds: {after}");
    // Whoever is nobody costs nobody a request, and nobody else waits: another client of the same service has its own.
    assert_eq!(get(&served, "nonsense", "/fhir/Patient").await.status, 401);
    let claims =
        json!({ "iss": "record", "sub": "record", "aud": TOKEN_URL, "exp": now_s() + 240, "jti": "a" });
    let assertion = keys.sign(&[json!({ "by": "record", "claims": claims })]).remove(0);
    let pairs = [
        ("grant_type", "client_credentials"),
        ("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"),
        ("client_assertion", assertion.as_str()),
        ("scope", "system/Patient.rs"),
    ];
    let given = served.send(form(&served, "/auth/token", &pairs)).await.json();
    let other = given["access_token"].as_str().unwrap();
    for _ in 0..10 {
        assert_eq!(get(&served, other, "/fhir/Patient").await.status, 200);
    }
    assert_eq!(get(&served, &token, "/fhir/Patient").await.status, 429);
    // Another token of the same party is counted with the first.
    let again = keys.token("system/Patient.rs system/Task.rs");
    assert_eq!(get(&served, &again, "/fhir/Patient").await.status, 429);
    // Where access is open nobody is a client.
    let open = Served::open(super::DAY).await;
    for _ in 0..10 {
        assert_eq!(open.get("/fhir/Patient").await.status, 200);
    }
}

/// The service listens beyond this machine with access control and TLS, or when it is told that something else does it.
#[test]
fn h10_nothing_is_served_to_others_unprotected() {
    let keys = Keys::new();
    let folder = keys.path().display().to_string();
    let client = |scopes: &str| {
        format!(
            "[[access.clients]]\nid = \"record\"\njwks = \"{folder}/record.jwks.json\"\nscopes = \"{scopes}\"\n"
        )
    };
    let read = |text: &str| {
        let text = format!("listen = \"192.0.2.1:8443\"\nbase_url = \"{BASE}\"\n{text}");
        let sources = Sources { file: Some(("site.toml".into(), text)), ..Sources::default() };
        Layers::read(&sources).and_then(|layers| Config::new(&layers))
    };
    let refusal = |text: &str| read(text).map(|_| ()).expect_err(text).to_string();
    for text in [String::new(), client("system/*.rs"), tls(&keys, "")] {
        assert!(refusal(&text).starts_with("listen (from site.toml) reaches beyond this machine"), "{text}");
    }
    read(&format!("{}{}", client("system/*.rs"), tls(&keys, ""))).unwrap();
    read("unprotected = true").unwrap();
    // What is wrong with a party is said by its place.
    for (wrong, told) in [
        (
            client("system/Patient.dus"),
            "access.clients[0] (from site.toml) has the scope system/Patient.dus, but",
        ),
        (client("system/*.rs").replace("jwks =", "jwk ="), "has an unknown key jwk; known are id, jwks"),
        (client("system/*.rs").replace("record.jwks.json", "none"), "has jwks, a file that cannot be read"),
        (
            client("system/*.rs").replace("record.jwks.json", "record.pem"),
            "has jwks, a file that is no key set",
        ),
        (
            client("system/*.rs")
                .replace(&format!("{folder}/record.jwks.json"), "http://records.example/jwks"),
            "https URL",
        ),
        (client("system/*.rs").repeat(2), "access.clients[1] (from site.toml) names somebody twice"),
        (
            "access.clients = 1".to_owned(),
            "access.clients (from site.toml) must be tables [[access.clients]]",
        ),
        ("[tls]\nkey = \"a\"".to_owned(), "tls.certificate"),
    ] {
        assert!(refusal(&wrong).contains(told), "{}", refusal(&wrong));
    }
    // `endplate config` shows who is registered.
    let text = format!("base_url = \"{BASE}\"\n{}", client("system/*.rs"));
    let sources = Sources { file: Some(("site.toml".into(), text)), ..Sources::default() };
    let listing = Layers::read(&sources).unwrap().listing();
    assert!(listing.contains("access.clients[0].id = \"record\""), "{listing}");
}
