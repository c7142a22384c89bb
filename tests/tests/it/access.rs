//! Closed access. Keys, certificates and tokens are made by PyJWT and cryptography (`reference/signed.py`), so that the service
//! is not its own judge.

mod backend;
mod bounds;
mod matrix;
mod secure;

use crate::clinic::TurnedClock;
use crate::python;
use crate::served::{FHIR_JSON, Reply, Served};
use endplate_fhir::Json;
use endplate_followup::ports::{Clock, Store};
use endplate_server::boot;
use endplate_server::config::{Config, Layers, Sources, StoreUrl};
use serde_json::json;
use std::path::Path;
use std::sync::Arc;
use tempfile::TempDir;

pub const DAY: &str = "2026-03-02";
/// Where clients reach the service: the address that tokens name, whatever port a test has.
pub const ROOT: &str = "https://endplate.example";
pub const BASE: &str = "https://endplate.example/fhir";
pub const TOKEN_URL: &str = "https://endplate.example/auth/token";
/// Another issuer of tokens.
pub const LOGIN: &str = "https://login.example";
/// A CDS Hooks client.
pub const BOARD: &str = "https://board.example";

/// Everybody's keys, for as long as the value lives.
pub struct Keys(TempDir);

impl Keys {
    pub fn new() -> Self {
        let keys = Self(TempDir::new().unwrap());
        keys.sign(&[]);
        keys
    }

    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// The tokens of these specifications.
    pub fn sign(&self, specs: &[Json]) -> Vec<String> {
        let file = self.path().join("specs.json");
        std::fs::write(&file, Json::Array(specs.to_vec()).to_string()).unwrap();
        let output = python::script("signed.py", &[self.path().to_str().unwrap(), file.to_str().unwrap()]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    /// Access tokens of the other issuer, one for each list of scopes.
    pub fn tokens(&self, scopes: &[&str]) -> Vec<String> {
        let specs: Vec<Json> = scopes.iter().map(|scope| access_token(scope, "login")).collect();
        self.sign(&specs)
    }

    /// One access token of the other issuer.
    pub fn token(&self, scopes: &str) -> String {
        self.tokens(&[scopes]).remove(0)
    }

    /// The settings of a service with all parties of the tests, and more lines of the file.
    pub fn config(&self, more: &str) -> Config {
        let folder = self.path().display();
        let text = format!(
            r#"
            base_url = "{BASE}"
            {more}
            [[access.clients]]
            id = "record"
            jwks = "{folder}/record.jwks.json"
            scopes = "system/*.cruds system/AuditEvent.rs"
            [[access.clients]]
            id = "board"
            jwks = "{folder}/board.jwks.json"
            scopes = "system/Task.rus?status=requested system/Patient.rs"
            [[access.issuers]]
            issuer = "{LOGIN}"
            jwks = "{folder}/login.jwks.json"
            scopes = "system/*.cruds system/AuditEvent.cruds"
            requests_per_minute = 1000000
            [[access.hooks]]
            issuer = "{BOARD}"
            jwks = "{folder}/hook.jwks.json"
            "#
        );
        let sources = Sources { file: Some(("access.toml".into(), text)), ..Sources::default() };
        let mut config = Config::new(&Layers::read(&sources).unwrap()).unwrap();
        config.listen = "127.0.0.1:0".parse().unwrap();
        config.store = StoreUrl::Memory;
        // The subscribers of these tests are on this machine.
        config.webhook_allowed_networks = vec!["127.0.0.0/8".parse().unwrap()];
        config
    }

    /// A closed service.
    pub async fn open(&self) -> Served {
        Served::open_as(&self.config(""), DAY).await
    }

    /// A closed service on a store.
    pub async fn open_on(&self, store: Arc<dyn Store>) -> Served {
        Served::on(DAY, store, &self.config("")).await
    }
}

pub async fn store() -> Arc<dyn Store> {
    boot::open_store(&StoreUrl::Memory).await.unwrap()
}

/// Now, as tokens count it.
pub fn now_s() -> i64 {
    TurnedClock::at(DAY).now().as_second()
}

/// An access token of the other issuer that is valid for two minutes.
pub fn access_token(scope: &str, by: &str) -> Json {
    json!({ "by": by, "claims": { "iss": LOGIN, "sub": "tester", "client_id": "tester", "aud": BASE, "iat": now_s(),
        "exp": now_s() + 120, "jti": format!("{by} {scope}"), "scope": scope } })
}

/// The same with other claims; null takes one away.
pub fn with_claims(mut spec: Json, claims: &Json) -> Json {
    for (name, value) in claims.as_object().unwrap() {
        let own = spec["claims"].as_object_mut().unwrap();
        if value.is_null() {
            own.remove(name);
        } else {
            own.insert(name.clone(), value.clone());
        }
    }
    spec
}

/// A request with a token, and a FHIR body if there is one.
pub async fn ask(served: &Served, token: &str, method: &str, path: &str, body: &Json) -> Reply {
    let mut request = served.request(method, path);
    if !token.is_empty() {
        request = request.bearer_auth(token);
    }
    if !body.is_null() {
        request = request.header("content-type", FHIR_JSON).body(body.to_string());
    }
    served.send(request).await
}

pub async fn get(served: &Served, token: &str, path: &str) -> Reply {
    ask(served, token, "GET", path, &Json::Null).await
}

/// A request with a form.
pub fn form(served: &Served, path: &str, pairs: &[(&str, &str)]) -> reqwest::RequestBuilder {
    let text: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
    served.request("POST", path).header("content-type", "application/x-www-form-urlencoded").body(text)
}

/// The resources of a Bundle.
pub fn resources(reply: &Reply) -> Vec<Json> {
    assert_eq!(reply.status, 200, "{}", reply.text);
    let entries = reply.json()["entry"].as_array().cloned().unwrap_or_default();
    entries.into_iter().map(|entry| entry["resource"].clone()).collect()
}

/// `Type/id` of the resources of a Bundle, sorted.
pub fn names(reply: &Reply) -> Vec<String> {
    let name = |one: &Json| {
        format!("{}/{}", one["resourceType"].as_str().unwrap(), one["id"].as_str().unwrap_or("-"))
    };
    let mut names: Vec<String> = resources(reply).iter().map(name).collect();
    names.sort();
    names
}

/// Refused for want of a right: 403 with what RFC 6750 section 3.1 asks for, as an OperationOutcome.
#[track_caller]
pub fn assert_forbidden(reply: &Reply) {
    assert_eq!(reply.status, 403, "{}", reply.text);
    assert!(reply.header("www-authenticate").contains("error=\"insufficient_scope\""));
    assert_eq!(reply.json()["resourceType"], "OperationOutcome");
    assert_eq!(reply.json()["issue"][0]["code"], "forbidden");
}
