//! Bundles: reading transactions and batches, writing search sets, histories, collections and responses.

use crate::Json;
use serde_json::{Map, json};

pub use entry::{Address, Entry, Method, ReadAll, batch, transaction};

mod entry;

/// Why an entry is in a search set (R4 search-entry-mode).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// It meets the query.
    Match,
    /// It is referred to by one that does.
    Include,
    /// It is an OperationOutcome about the search.
    Outcome,
}

/// One resource of a search set.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Its URL; nothing for an outcome.
    pub full_url: Option<String>,
    /// The resource.
    pub resource: Json,
    /// Why it is there.
    pub mode: Mode,
}

/// A search set. `links` are (relation, URL), of which R4 wants `self`. Without entries there is no `entry` at all.
pub fn searchset(total: Option<u64>, links: &[(&str, String)], found: Vec<Found>) -> Json {
    let entries = found.into_iter().map(|found| {
        let mode = match found.mode {
            Mode::Match => "match",
            Mode::Include => "include",
            Mode::Outcome => "outcome",
        };
        entry(found.full_url, Some(found.resource), &[("search", json!({ "mode": mode }))])
    });
    assemble("searchset", total, links, entries.collect())
}

/// A collection of resources, each with its full URL; `timestamp` is an R4 instant.
pub fn collection(timestamp: Option<&str>, resources: Vec<(String, Json)>) -> Json {
    let entries = resources.into_iter().map(|(url, resource)| entry(Some(url), Some(resource), &[]));
    let mut bundle = assemble("collection", None, &[], entries.collect());
    if let (Some(members), Some(timestamp)) = (bundle.as_object_mut(), timestamp) {
        members.insert("timestamp".into(), json!(timestamp));
    }
    bundle
}

/// One version in a history.
#[derive(Clone, Debug, PartialEq)]
pub struct Version {
    /// URL of the resource, without the version.
    pub full_url: String,
    /// The method that wrote it.
    pub method: Method,
    /// The relative URL it was written to.
    pub url: String,
    /// What was answered; without a resource for a deletion.
    pub response: Response,
}

/// A history, newest first.
pub fn history(total: Option<u64>, links: &[(&str, String)], versions: Vec<Version>) -> Json {
    let entries = versions.into_iter().map(|version| {
        let mut response = version.response;
        let resource = response.resource.take();
        let request = json!({ "method": version.method.code(), "url": version.url });
        let more = [("request", request), ("response", response.json())];
        entry(Some(version.full_url), resource, &more)
    });
    assemble("history", total, links, entries.collect())
}

/// What became of one entry.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Response {
    /// HTTP status code and phrase, e.g. `201 Created`.
    pub status: String,
    /// Where the version is: `Type/id/_history/version`.
    pub location: Option<String>,
    /// Its weak tag, e.g. `W/"1"`.
    pub etag: Option<String>,
    /// When it was written: an R4 instant.
    pub last_modified: Option<String>,
    /// The resource as stored, if it is to be returned.
    pub resource: Option<Json>,
    /// An OperationOutcome with hints or, in a batch, errors.
    pub outcome: Option<Json>,
}

impl Response {
    fn json(self) -> Json {
        let mut members = Map::new();
        members.insert("status".into(), json!(self.status));
        let texts = [("location", self.location), ("etag", self.etag), ("lastModified", self.last_modified)];
        for (name, text) in texts {
            if let Some(text) = text {
                members.insert(name.into(), json!(text));
            }
        }
        if let Some(outcome) = self.outcome {
            members.insert("outcome".into(), outcome);
        }
        Json::Object(members)
    }
}

/// The answer to a transaction: one response for each entry, in their order.
pub fn transaction_response(responses: Vec<Response>) -> Json {
    assemble("transaction-response", None, &[], responses.into_iter().map(responded).collect())
}

/// The answer to a batch: one response for each entry, in their order.
pub fn batch_response(responses: Vec<Response>) -> Json {
    assemble("batch-response", None, &[], responses.into_iter().map(responded).collect())
}

fn responded(mut response: Response) -> Json {
    let resource = response.resource.take();
    entry(None, resource, &[("response", response.json())])
}

fn entry(full_url: Option<String>, resource: Option<Json>, more: &[(&str, Json)]) -> Json {
    let mut members = Map::new();
    if let Some(url) = full_url {
        members.insert("fullUrl".into(), json!(url));
    }
    if let Some(resource) = resource {
        members.insert("resource".into(), resource);
    }
    members.extend(more.iter().map(|(name, value)| ((*name).to_owned(), value.clone())));
    Json::Object(members)
}

fn assemble(kind: &str, total: Option<u64>, links: &[(&str, String)], entries: Vec<Json>) -> Json {
    let mut bundle = Map::new();
    bundle.insert("resourceType".into(), json!("Bundle"));
    bundle.insert("type".into(), json!(kind));
    if let Some(total) = total {
        bundle.insert("total".into(), json!(total));
    }
    if !links.is_empty() {
        let links: Vec<Json> =
            links.iter().map(|(relation, url)| json!({ "relation": relation, "url": url })).collect();
        bundle.insert("link".into(), Json::Array(links));
    }
    if !entries.is_empty() {
        bundle.insert("entry".into(), Json::Array(entries));
    }
    Json::Object(bundle)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn written_bundles_are_valid_r4() {
        let flag = json!({ "resourceType": "Flag", "id": "a", "status": "active", "code": { "text": "x" }, "subject": { "reference": "Patient/1" } });
        let url = || "https://records.example/fhir/Flag/a".to_owned();
        let links = [("self", "https://records.example/fhir/Flag".to_owned())];
        let response = || Response {
            status: "201 Created".into(),
            location: Some("Flag/a/_history/1".into()),
            etag: Some("W/\"1\"".into()),
            last_modified: Some("2026-01-05T09:00:00Z".into()),
            resource: Some(flag.clone()),
            outcome: Some(crate::issue::outcome(&[])),
        };
        let version =
            Version { full_url: url(), method: Method::Put, url: "Flag/a".into(), response: response() };
        let bundles = [
            searchset(
                Some(1),
                &links,
                vec![Found { full_url: Some(url()), resource: flag.clone(), mode: Mode::Match }],
            ),
            searchset(Some(0), &links, vec![]),
            collection(Some("2026-01-05T09:00:00Z"), vec![(url(), flag.clone())]),
            history(Some(1), &links, vec![version]),
            transaction_response(vec![response()]),
            batch_response(vec![Response { status: "404 Not Found".into(), ..Response::default() }]),
        ];
        for bundle in bundles {
            assert_eq!(crate::validate::resource(&bundle), [], "{bundle}");
        }
    }
}
