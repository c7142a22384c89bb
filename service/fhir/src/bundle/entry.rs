//! Reading the entries of a transaction or batch: what each asks for, before anything is looked up.

use crate::issue::{Code, Issue};
use crate::{Json, TYPES, is_id};
use std::collections::HashMap;

/// What an entry asks for. The order is that in which R4 processes a transaction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Method {
    /// End a resource.
    Delete,
    /// Create.
    Post,
    /// Update, or create with the id of the URL.
    Put,
    /// Change a part.
    Patch,
    /// Read or search.
    Get,
    /// The same, without the resource.
    Head,
}

impl Method {
    const ALL: [Self; 6] = [Self::Delete, Self::Post, Self::Put, Self::Patch, Self::Get, Self::Head];

    /// Its code in R4 http-verb.
    pub fn code(self) -> &'static str {
        match self {
            Self::Delete => "DELETE",
            Self::Post => "POST",
            Self::Put => "PUT",
            Self::Patch => "PATCH",
            Self::Get => "GET",
            Self::Head => "HEAD",
        }
    }

    /// Whether it only reads.
    pub fn reads(self) -> bool {
        matches!(self, Self::Get | Self::Head)
    }
}

/// Which resource an entry means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// `Type`: a new resource.
    New,
    /// `Type/id`.
    Id(String),
    /// `Type/id/_history/version`, to be read.
    Version(String, String),
    /// `Type?criteria`: the one that a search finds, or for a read all of them. Without type and `?`.
    Criteria(String),
}

/// One entry of a transaction or batch.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its position in the Bundle, from 0.
    pub index: usize,
    /// What other entries may refer to it by.
    pub full_url: Option<String>,
    /// What is to be done.
    pub method: Method,
    /// Resource type.
    pub kind: String,
    /// Which resource.
    pub address: Address,
    /// The condition of a create: a search, without the type and the `?`.
    pub if_none_exist: Option<String>,
    /// The version that a write expects, as it was sent, e.g. `W/"3"`.
    pub if_match: Option<String>,
    /// The version that a read knows, or `*` for an update that must create.
    pub if_none_match: Option<String>,
    /// When a reader last asked, an R4 instant.
    pub if_modified_since: Option<String>,
    /// The resource, not yet validated; the patch of a PATCH; null where nothing is sent.
    pub resource: Json,
}

impl Entry {
    /// An entry that stands for a request of its own, without conditions.
    pub fn alone(method: Method, kind: &str, address: Address, resource: Json) -> Self {
        Self {
            index: 0,
            full_url: None,
            method,
            kind: kind.to_owned(),
            address,
            if_none_exist: None,
            if_match: None,
            if_none_match: None,
            if_modified_since: None,
            resource,
        }
    }
}

/// Each entry, or the problems of that entry.
pub type ReadAll = Vec<Result<Entry, Vec<Issue>>>;

/// Reads a Bundle of type `transaction`: every entry, or every problem of every entry. `base` is the URL of this service.
///
/// # Errors
/// The Bundle is no transaction; an entry lacks what its method needs; its URL, type and id disagree; two entries share a
/// `fullUrl`.
pub fn transaction(bundle: &Json, base: &str) -> Result<Vec<Entry>, Vec<Issue>> {
    let mut entries = Vec::new();
    let mut issues = Vec::new();
    for read in read_all(bundle, "transaction", base).map_err(|issue| vec![issue])? {
        match read {
            Ok(entry) => entries.push(entry),
            Err(found) => issues.extend(found),
        }
    }
    issues.extend(same_labels(&entries));
    if issues.is_empty() { Ok(entries) } else { Err(issues) }
}

/// Reads a Bundle of type `batch`: each entry, or the problems of that entry; entries stand for themselves.
///
/// # Errors
/// The Bundle is no batch.
pub fn batch(bundle: &Json, base: &str) -> Result<ReadAll, Issue> {
    read_all(bundle, "batch", base)
}

fn read_all(bundle: &Json, kind: &str, base: &str) -> Result<ReadAll, Issue> {
    if bundle.get("resourceType").and_then(Json::as_str) != Some("Bundle") {
        return Err(Issue::error(Code::Structure, "", "Send a Bundle."));
    }
    if bundle.get("type").and_then(Json::as_str) != Some(kind) {
        return Err(Issue::error(Code::Value, "Bundle.type", format!("Send a Bundle of type {kind}.")));
    }
    match bundle.get("entry") {
        None => Ok(Vec::new()),
        Some(Json::Array(entries)) => {
            Ok(entries.iter().enumerate().map(|(index, entry)| read_one(index, entry, base)).collect())
        }
        Some(_) => Err(Issue::error(Code::Structure, "Bundle.entry", "Send the entries as an array.")),
    }
}

fn read_one(index: usize, entry: &Json, base: &str) -> Result<Entry, Vec<Issue>> {
    let at = |rest: &str| format!("Bundle.entry[{index}].{rest}");
    let text = |pointer: &str| entry.pointer(pointer).and_then(Json::as_str);
    let mut issues = Vec::new();
    let mut problem = |code: Code, rest: &str, text: &str| issues.push(Issue::error(code, at(rest), text));

    let method =
        text("/request/method").and_then(|said| Method::ALL.into_iter().find(|one| one.code() == said));
    if method.is_none() {
        let text = "Say in request.method what is to be done: GET, HEAD, POST, PUT, PATCH or DELETE.";
        problem(Code::Required, "request.method", text);
    }
    let resource = entry.get("resource").filter(|resource| resource.is_object());
    let needs_resource = matches!(method, None | Some(Method::Post | Method::Put | Method::Patch));
    if needs_resource && resource.is_none() {
        problem(Code::Required, "resource", "Send the resource that the entry writes.");
    }
    // R4 Bundle, invariant bdl-8.
    if text("/fullUrl").is_some_and(|url| url.contains("/_history/")) {
        problem(Code::Invariant, "fullUrl", "Leave the version out of fullUrl.");
    }
    let target = match (method, text("/request/url")) {
        (_, None) => {
            let text = "Send request.url: Type for a POST, Type/id or Type?criteria for the rest.";
            problem(Code::Required, "request.url", text);
            None
        }
        (Some(method), Some(url)) => {
            read_url(method, url, base).map_err(|(code, text)| problem(code, "request.url", &text)).ok()
        }
        (None, Some(_)) => None,
    };
    let if_none_exist = text("/request/ifNoneExist").map(|text| text.trim_start_matches('?').to_owned());
    if if_none_exist.is_some() && method.is_some_and(|method| method != Method::Post) {
        problem(Code::Invalid, "request.ifNoneExist", "Use ifNoneExist with POST only.");
    }
    if let (Some(Method::Post | Method::Put), Some((kind, address)), Some(resource)) =
        (method, &target, resource)
    {
        if resource.get("resourceType").and_then(Json::as_str) != Some(kind) {
            let text = "Name the same type in the URL as in resource.resourceType.";
            problem(Code::Invalid, "request.url", text);
        }
        if let Address::Id(id) = address
            && resource.get("id").and_then(Json::as_str) != Some(id)
        {
            problem(Code::Invalid, "resource.id", "Send the same id in the resource as in request.url.");
        }
    }
    match (method, target) {
        (Some(method), Some((kind, address))) if issues.is_empty() => Ok(Entry {
            index,
            full_url: text("/fullUrl").map(str::to_owned),
            method,
            kind,
            address,
            if_none_exist,
            if_match: text("/request/ifMatch").map(str::to_owned),
            if_none_match: text("/request/ifNoneMatch").map(str::to_owned),
            if_modified_since: text("/request/ifModifiedSince").map(str::to_owned),
            resource: resource.cloned().unwrap_or(Json::Null),
        }),
        _ => Err(issues),
    }
}

/// The type and the address that an entry's URL names. It may be absolute under the base.
fn read_url(method: Method, url: &str, base: &str) -> Result<(String, Address), (Code, String)> {
    let url = url.strip_prefix(base).filter(|_| !base.is_empty()).unwrap_or(url).trim_start_matches('/');
    let (path, criteria) = url.split_once('?').map_or((url, None), |(path, rest)| (path, Some(rest)));
    let parts: Vec<&str> = path.trim_end_matches('/').split('/').collect();
    let owned = |text: &str| text.to_owned();
    let address = match (method, parts.as_slice(), criteria) {
        (Method::Post, [_], None) => Some(Address::New),
        (Method::Post, _, _) => None,
        (_, [_, id], None | Some("")) if is_id(id) => Some(Address::Id(owned(id))),
        (_, [_], Some(criteria)) => Some(Address::Criteria(owned(criteria))),
        (Method::Get | Method::Head, [_], None) => Some(Address::Criteria(String::new())),
        (Method::Get | Method::Head, [_, id, "_history", version], None) if is_id(id) && is_id(version) => {
            Some(Address::Version(owned(id), owned(version)))
        }
        _ => None,
    };
    let Some(address) = address else {
        let text = match method {
            Method::Post => "Send the type alone as the URL of a POST; put a condition into ifNoneExist.",
            Method::Put | Method::Patch | Method::Delete => {
                "Send Type/id or Type?criteria as the URL of a PUT, PATCH or DELETE."
            }
            Method::Get | Method::Head => {
                "Send Type/id, Type/id/_history/version or Type?criteria as the URL of a GET or HEAD in a Bundle."
            }
        };
        return Err((Code::Value, text.to_owned()));
    };
    let kind = parts.first().copied().unwrap_or_default();
    if !TYPES.contains(&kind) {
        let text = format!("This type is not stored here. Send one of: {}.", TYPES.join(", "));
        return Err((Code::NotSupported, text));
    }
    Ok((kind.to_owned(), address))
}

/// Entries of one transaction that others cannot tell apart.
fn same_labels(entries: &[Entry]) -> Vec<Issue> {
    let mut issues = Vec::new();
    let mut names: HashMap<&str, usize> = HashMap::new();
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
    }
    issues
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    const BASE: &str = "https://records.example/fhir";

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
        let entries = transaction(&bundle(&json!([first, put("a")])), BASE).unwrap();
        assert_eq!(entries[0].if_none_exist.as_deref(), Some("identifier=x|1"));
        assert_eq!(entries[0].full_url.as_deref(), Some("urn:uuid:1"));
        assert_eq!((entries[1].method, &entries[1].address), (Method::Put, &Address::Id("a".into())));
        assert_eq!(entries[1].if_match.as_deref(), Some("W/\"3\""));
        assert_eq!(
            transaction(&json!({ "resourceType": "Bundle", "type": "transaction" }), BASE),
            Ok(vec![])
        );
    }

    // FHIR R4 Bundle.entry.request: methods of http-verb and URLs relative to the base.
    #[test]
    fn every_method_has_its_addresses() {
        let read = |method: &str, url: &str| {
            let entry = json!({ "request": { "method": method, "url": url }, "resource": { "resourceType": "Flag", "id": "a" } });
            transaction(&bundle(&json!([entry])), BASE).map(|entries| entries[0].address.clone()).ok()
        };
        let id = || Some(Address::Id("a".into()));
        for method in ["PUT", "PATCH", "DELETE", "GET", "HEAD"] {
            assert_eq!(read(method, "Flag/a"), id(), "{method}");
            assert_eq!(read(method, &format!("{BASE}/Flag/a")), id(), "{method}");
            assert_eq!(read(method, "Flag?_id=a"), Some(Address::Criteria("_id=a".into())), "{method}");
        }
        assert_eq!(read("GET", "Flag/a/_history/2"), Some(Address::Version("a".into(), "2".into())));
        assert_eq!(read("POST", "Flag"), Some(Address::New));
        for (method, url) in [
            ("POST", "Flag/a"),
            ("POST", "Flag?_id=a"),
            ("PUT", "Flag"),
            ("DELETE", "Flag"),
            ("GET", "Flag/a/x"),
        ] {
            assert_eq!(read(method, url), None, "{method} {url}");
        }
    }

    #[test]
    fn same_labels_are_named() {
        let issues = transaction(&bundle(&json!([post("urn:uuid:1"), put("a"), post("urn:uuid:1")])), BASE)
            .unwrap_err();
        assert!(issues[0].text.contains("Entries 0 and 2"));
    }

    #[test]
    fn every_problem_of_every_entry_has_its_place() {
        let bad = json!([
            { "request": { "method": "LOCK", "url": "Flag/1" } },
            { "resource": { "resourceType": "Flag", "id": "b" }, "request": { "method": "PUT", "url": "Flag/a", "ifNoneExist": "x" } },
            { "resource": { "resourceType": "Task" }, "request": { "method": "POST", "url": "Flag" } },
            { "resource": { "resourceType": "Basic" }, "request": { "method": "POST", "url": "Basic" } },
            { "fullUrl": "urn:uuid:1/_history/2", "request": { "method": "DELETE", "url": "Flag/1" } },
            {},
        ]);
        let issues = transaction(&bundle(&bad), BASE).unwrap_err();
        let places: Vec<_> =
            issues.iter().map(|issue| issue.expression.trim_start_matches("Bundle.entry")).collect();
        let expected = [
            "[0].request.method",
            "[0].resource",
            "[1].request.ifNoneExist",
            "[1].resource.id",
            "[2].request.url",
            "[3].request.url",
            "[4].fullUrl",
            "[5].request.method",
            "[5].resource",
            "[5].request.url",
        ];
        assert_eq!(places, expected);
        let batched = json!({ "resourceType": "Bundle", "type": "batch" });
        assert_eq!(transaction(&batched, BASE).unwrap_err()[0].expression, "Bundle.type");
        let mixed = json!({ "resourceType": "Bundle", "type": "batch", "entry": [post("urn:uuid:1"), {}] });
        let read = batch(&mixed, BASE).unwrap();
        assert!(read[0].is_ok() && read[1].is_err());
    }
}
