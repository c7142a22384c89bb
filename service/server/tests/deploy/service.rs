//! A client of a service, wherever that runs.

use reqwest::{Client, Method};
use serde_json::Value as Json;
use std::collections::BTreeMap;

/// Records of the demo's clinic.
pub const RECORDS: [&str; 3] = [
    include_str!("../../../../fixtures/clinic/01-alder.json"),
    include_str!("../../../../fixtures/clinic/02-birch.json"),
    include_str!("../../../../fixtures/clinic/03-cedar.json"),
];

/// Whoever calls the service at `base`, such as `http://127.0.0.1:8080`.
#[derive(Clone)]
pub struct Caller {
    pub base: String,
    client: Client,
}

impl Caller {
    pub fn of(base: &str) -> Self {
        _ = rustls::crypto::ring::default_provider().install_default();
        let client =
            Client::builder().no_proxy().tls_danger_accept_invalid_certs(true).build().expect("a client");
        Self { base: base.to_owned(), client }
    }

    /// Sends a request; status and text of the answer, or why there was none.
    pub async fn try_send(
        &self,
        method: &str,
        path: &str,
        body: &str,
    ) -> Result<(u16, String), reqwest::Error> {
        let method: Method = method.parse().expect("a method");
        let request = self.client.request(method, format!("{}{path}", self.base));
        let request = request.header("content-type", "application/fhir+json").body(body.to_owned());
        let response = request.send().await?;
        Ok((response.status().as_u16(), response.text().await?))
    }

    /// Sends a request that is done.
    pub async fn send(&self, method: &str, path: &str, body: &str) -> String {
        let (status, text) = self.try_send(method, path, body).await.expect("an answer");
        assert!(matches!(status, 200 | 201), "{status}: {text}");
        text
    }

    pub async fn get(&self, path: &str) -> Json {
        serde_json::from_str(&self.send("GET", path, "").await).expect("JSON")
    }

    /// All that a search or a history finds: the resources of every page.
    pub async fn all(&self, path: &str) -> Vec<Json> {
        let mut found = Vec::new();
        let mut next = Some(path.to_owned());
        while let Some(path) = next {
            let page = self.get(&path).await;
            let entries = page["entry"].as_array().into_iter().flatten();
            found.extend(entries.map(|entry| entry["resource"].clone()));
            let mut links = page["link"].as_array().into_iter().flatten();
            let link = links.find(|link| link["relation"] == "next").and_then(|link| link["url"].as_str());
            // Links lead to the address that clients are told of; here another one leads there.
            next = link.map(|url| url[url.find("/fhir").expect("of FHIR")..].to_owned());
        }
        found
    }

    /// How many events there have been for a Subscription.
    pub async fn events(&self, subscription: &str) -> u64 {
        let status = self.get(&format!("/fhir/Subscription/{subscription}/$status")).await;
        let parameters = status["entry"][0]["resource"]["parameter"].as_array().expect("parameters");
        let mut counts = parameters.iter().filter(|one| one["name"] == "events-since-subscription-start");
        let count = counts.next().expect("a count")["valueString"].as_str();
        count.and_then(|count| count.parse().ok()).expect("a number")
    }

    /// Every version of every resource, by type, id and version.
    pub async fn versions(&self) -> BTreeMap<String, String> {
        let part =
            |resource: &Json, at: &str| resource.pointer(at).and_then(Json::as_str).unwrap_or("-").to_owned();
        let all = self.all("/fhir/_history?_count=500").await;
        let named = |one: &Json| {
            format!("{}/{}/{}", part(one, "/resourceType"), part(one, "/id"), part(one, "/meta/versionId"))
        };
        all.iter().map(|one| (named(one), one.to_string())).collect()
    }
}
