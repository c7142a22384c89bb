//! Bundles: reading transactions and batches, writing search sets, histories, collections and responses.

use crate::issue::{Code, Issue};
use crate::{Json, TYPES, is_id};
use serde_json::{Map, json};
use std::collections::HashMap;

/// What an entry asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// Create.
    Post,
    /// Update, or create with the id of the URL.
    Put,
}

/// One write of a transaction or batch.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its position in the Bundle, from 0.
    pub index: usize,
    /// What other entries may refer to it by.
    pub full_url: Option<String>,
    /// Create or update.
    pub method: Method,
    /// Resource type.
    pub kind: String,
    /// The id of an update.
    pub id: Option<String>,
    /// The condition of a create: a search, without the type and the `?`.
    pub if_none_exist: Option<String>,
    /// The version that an update expects, as it was sent, e.g. `W/"3"`.
    pub if_match: Option<String>,
    /// The resource, not yet validated.
    pub resource: Json,
}

/// Reads a Bundle of type `transaction`: every entry, or every problem of every entry.
///
/// # Errors
/// The Bundle is no transaction; an entry lacks `request.method`, `request.url` or `resource`; it asks for anything but a
/// create or an update by id; its URL, type and id disagree; two entries share a `fullUrl` or write the same resource.
pub fn transaction(bundle: &Json) -> Result<Vec<Entry>, Vec<Issue>> {
    let mut entries = Vec::new();
    let mut issues = Vec::new();
    for read in read_all(bundle, "transaction").map_err(|issue| vec![issue])? {
        match read {
            Ok(entry) => entries.push(entry),
            Err(found) => issues.extend(found),
        }
    }
    issues.extend(overlaps(&entries));
    if issues.is_empty() { Ok(entries) } else { Err(issues) }
}

/// Reads a Bundle of type `batch`: each entry, or the problems of that entry; entries stand for themselves.
///
/// # Errors
/// The Bundle is no batch.
pub fn batch(bundle: &Json) -> Result<Vec<Result<Entry, Vec<Issue>>>, Issue> {
    read_all(bundle, "batch")
}

fn read_all(bundle: &Json, kind: &str) -> Result<Vec<Result<Entry, Vec<Issue>>>, Issue> {
    if bundle.get("resourceType").and_then(Json::as_str) != Some("Bundle") {
        return Err(Issue::error(Code::Structure, "", "Send a Bundle."));
    }
    if bundle.get("type").and_then(Json::as_str) != Some(kind) {
        return Err(Issue::error(Code::Value, "Bundle.type", format!("Send a Bundle of type {kind}.")));
    }
    match bundle.get("entry") {
        None => Ok(Vec::new()),
        Some(Json::Array(entries)) => {
            Ok(entries.iter().enumerate().map(|(index, entry)| read_one(index, entry)).collect())
        }
        Some(_) => Err(Issue::error(Code::Structure, "Bundle.entry", "Send the entries as an array.")),
    }
}

fn read_one(index: usize, entry: &Json) -> Result<Entry, Vec<Issue>> {
    let at = |rest: &str| format!("Bundle.entry[{index}].{rest}");
    let text = |pointer: &str| entry.pointer(pointer).and_then(Json::as_str);
    let mut issues = Vec::new();
    let mut problem = |code: Code, rest: &str, text: &str| issues.push(Issue::error(code, at(rest), text));

    let method = match text("/request/method") {
        Some("POST") => Some(Method::Post),
        Some("PUT") => Some(Method::Put),
        Some(_) => {
            problem(Code::NotSupported, "request.method", "Use POST to create or PUT to update in a Bundle.");
            None
        }
        None => {
            problem(Code::Required, "request.method", "Say POST to create or PUT to update.");
            None
        }
    };
    let resource = entry.get("resource").filter(|resource| resource.is_object());
    if resource.is_none() {
        problem(Code::Required, "resource", "Send the resource that the entry writes.");
    }
    let target = match (method, text("/request/url")) {
        (_, None) => {
            problem(Code::Required, "request.url", "Send the URL: Type for a POST, Type/id for a PUT.");
            None
        }
        (Some(method), Some(url)) => {
            read_url(method, url).map_err(|(code, text)| problem(code, "request.url", &text)).ok()
        }
        (None, Some(_)) => None,
    };
    let if_none_exist = text("/request/ifNoneExist").map(|text| text.trim_start_matches('?').to_owned());
    if method == Some(Method::Put) && if_none_exist.is_some() {
        problem(Code::Invalid, "request.ifNoneExist", "Use ifNoneExist with POST only.");
    }
    if let (Some((kind, id)), Some(resource)) = (&target, resource) {
        if resource.get("resourceType").and_then(Json::as_str) != Some(kind) {
            problem(
                Code::Invalid,
                "request.url",
                "Name the same type in the URL as in resource.resourceType.",
            );
        }
        if id.is_some() && resource.get("id").and_then(Json::as_str) != id.as_deref() {
            problem(Code::Invalid, "resource.id", "Send the same id in the resource as in request.url.");
        }
    }
    match (method, target, resource) {
        (Some(method), Some((kind, id)), Some(resource)) if issues.is_empty() => Ok(Entry {
            index,
            full_url: text("/fullUrl").map(str::to_owned),
            method,
            kind,
            id,
            if_none_exist,
            if_match: text("/request/ifMatch").map(str::to_owned),
            resource: resource.clone(),
        }),
        _ => Err(issues),
    }
}

/// The type and, for an update, the id that an entry's URL names.
fn read_url(method: Method, url: &str) -> Result<(String, Option<String>), (Code, String)> {
    let (kind, id) = url.split_once('/').map_or((url, None), |(kind, id)| (kind, Some(id)));
    let form = match method {
        Method::Post => id.is_none() && !url.contains('?'),
        Method::Put => id.is_some_and(is_id),
    };
    if !form {
        let text = match method {
            Method::Post => "Send the type alone as the URL of a POST; put a condition into ifNoneExist.",
            Method::Put => {
                "Send Type/id as the URL of a PUT. To create only what is not there, POST with ifNoneExist."
            }
        };
        return Err((Code::Value, text.to_owned()));
    }
    if !TYPES.contains(&kind) {
        let text = format!("This type is not stored here. Send one of: {}.", TYPES.join(", "));
        return Err((Code::NotSupported, text));
    }
    Ok((kind.to_owned(), id.map(str::to_owned)))
}

/// Entries of one transaction that stand for the same resource (R4: the transaction fails).
fn overlaps(entries: &[Entry]) -> Vec<Issue> {
    let mut issues = Vec::new();
    let mut names: HashMap<&str, usize> = HashMap::new();
    let mut written: HashMap<(&str, &str), usize> = HashMap::new();
    for entry in entries {
        let index = entry.index;
        if let Some(url) = &entry.full_url
            && let Some(first) = names.insert(url, index)
        {
            issues.push(Issue::error(
                Code::Duplicate,
                format!("Bundle.entry[{index}].fullUrl"),
                format!("Entries {first} and {index} have the same fullUrl. Give each its own."),
            ));
        }
        if let Some(id) = &entry.id
            && let Some(first) = written.insert((&entry.kind, id), index)
        {
            issues.push(Issue::error(
                Code::Duplicate,
                format!("Bundle.entry[{index}].request.url"),
                format!("Entries {first} and {index} write the same resource. Send one of them."),
            ));
        }
    }
    issues
}

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
    /// What was answered.
    pub response: Response,
}

/// A history, newest first.
pub fn history(total: Option<u64>, links: &[(&str, String)], versions: Vec<Version>) -> Json {
    let entries = versions.into_iter().map(|version| {
        let method = match version.method {
            Method::Post => "POST",
            Method::Put => "PUT",
        };
        let mut response = version.response;
        let resource = response.resource.take();
        let more =
            [("request", json!({ "method": method, "url": version.url })), ("response", response.json())];
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

    fn bundle(entries: &Json) -> Json {
        json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
    }

    fn post(full_url: &str) -> Json {
        json!({ "fullUrl": full_url, "resource": { "resourceType": "Flag" }, "request": { "method": "POST", "url": "Flag" } })
    }

    fn put(id: &str) -> Json {
        json!({ "resource": { "resourceType": "Flag", "id": id },
            "request": { "method": "PUT", "url": format!("Flag/{id}"), "ifMatch": "W/\"3\"" } })
    }

    #[test]
    fn a_transaction_is_read_whole() {
        let mut first = post("urn:uuid:1");
        first["request"]["ifNoneExist"] = json!("?identifier=x|1");
        let entries = transaction(&bundle(&json!([first, put("a")]))).unwrap();
        assert_eq!(entries[0].if_none_exist.as_deref(), Some("identifier=x|1"));
        assert_eq!(entries[0].full_url.as_deref(), Some("urn:uuid:1"));
        assert_eq!((entries[1].method, entries[1].id.as_deref()), (Method::Put, Some("a")));
        assert_eq!(entries[1].if_match.as_deref(), Some("W/\"3\""));
        assert_eq!(transaction(&json!({ "resourceType": "Bundle", "type": "transaction" })), Ok(vec![]));
    }

    // FHIR R4 http#trules: identities that overlap fail the whole; the issue names both entries.
    #[test]
    fn overlapping_entries_are_named() {
        let issues =
            transaction(&bundle(&json!([post("urn:uuid:1"), put("a"), put("a"), post("urn:uuid:1")])))
                .unwrap_err();
        let texts: Vec<_> = issues.iter().map(|issue| issue.text.as_str()).collect();
        assert!(texts[0].contains("Entries 1 and 2"));
        assert!(texts[1].contains("Entries 0 and 3"));
    }

    #[test]
    fn every_problem_of_every_entry_has_its_place() {
        let bad = json!([
            { "request": { "method": "DELETE", "url": "Flag/1" } },
            { "resource": { "resourceType": "Flag", "id": "b" }, "request": { "method": "PUT", "url": "Flag/a", "ifNoneExist": "x" } },
            { "resource": { "resourceType": "Task" }, "request": { "method": "POST", "url": "Flag" } },
            { "resource": { "resourceType": "Basic" }, "request": { "method": "POST", "url": "Basic" } },
            { "resource": { "resourceType": "Flag" }, "request": { "method": "PUT", "url": "Flag?identifier=1" } },
            {},
        ]);
        let issues = transaction(&bundle(&bad)).unwrap_err();
        let places: Vec<_> =
            issues.iter().map(|issue| issue.expression.trim_start_matches("Bundle.entry")).collect();
        assert_eq!(
            places,
            [
                "[0].request.method",
                "[0].resource",
                "[1].request.ifNoneExist",
                "[1].resource.id",
                "[2].request.url",
                "[3].request.url",
                "[4].request.url",
                "[5].request.method",
                "[5].resource",
                "[5].request.url",
            ]
        );
        assert_eq!(
            transaction(&json!({ "resourceType": "Bundle", "type": "batch" })).unwrap_err()[0].expression,
            "Bundle.type"
        );
        let mixed = json!({ "resourceType": "Bundle", "type": "batch", "entry": [post("urn:uuid:1"), {}] });
        let read = batch(&mixed).unwrap();
        assert!(read[0].is_ok() && read[1].is_err());
    }

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
