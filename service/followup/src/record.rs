//! Hospital record servers: what the use cases know of one, and what the two ways between them and us share.
//!
//! What was derived here is written there ([`crate::forward`]), and what happens there is read here ([`crate::poll`]). Both
//! rest on one durable map of our ids to theirs ([`Counterpart`]).

use crate::code;
use crate::element::{items, text};
use crate::ports::{Answer, Counterpart};
use crate::preview::is_derived;
use endplate_fhir::Json;
use endplate_fhir::reference;
use jiff::SignedDuration;

/// What begins the receiver's key of a record server's events; its name follows.
pub const RECEIVER: &str = "record/";

/// Types that can be written to a record server, each after those it refers to. What is derived and has no identifier of ours
/// (Provenance, which R4 gives none) stays here.
pub const WRITABLE: [&str; 9] = [
    "Device",
    "Goal",
    "RiskAssessment",
    "ServiceRequest",
    "CarePlan",
    "Task",
    "DetectedIssue",
    "Flag",
    "Communication",
];

/// Types that can be read from a record server, each after those it refers to.
pub const READABLE: [&str; 6] =
    ["Patient", "Condition", "Procedure", "Observation", "Encounter", "Appointment"];

/// A hospital record server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// Its name in the configuration.
    pub name: String,
    /// Its FHIR base, without a slash at the end.
    pub base: String,
    /// Types that are written there, of [`WRITABLE`].
    pub writes: Vec<String>,
    /// Types that are read there, of [`READABLE`].
    pub reads: Vec<String>,
    /// Whether a resource that is theirs has the same id here and there.
    pub same_ids: bool,
    /// How far before the last change seen a reading begins: commits there may become visible late.
    pub overlap: SignedDuration,
    /// How many resources a page is asked to hold.
    pub page: usize,
}

impl Record {
    /// The key under which its events are numbered.
    pub fn receiver(&self) -> String {
        format!("{RECEIVER}{}", self.name)
    }

    /// What stands for one of theirs.
    pub(crate) fn theirs(
        &self,
        kind: &str,
        id: &str,
        their_id: &str,
        version: Option<String>,
    ) -> Counterpart {
        Counterpart {
            record: self.name.clone(),
            kind: kind.to_owned(),
            id: id.to_owned(),
            their_id: their_id.to_owned(),
            their_version: version,
            our_version: 0,
            diverged: false,
        }
    }
}

/// The identifier by which a resource is known that this service derived; none for any other.
pub fn our_identifier(resource: &Json) -> Option<(&str, &str)> {
    let ours = code::identifier("");
    let of = |identifier| {
        let system = text(identifier, &["system"]).filter(|system| system.starts_with(&ours))?;
        Some((system, text(identifier, &["value"])?))
    };
    items(resource, "identifier").find_map(of).filter(|_| is_derived(resource))
}

/// A resource of theirs, as an answer has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Theirs {
    /// Logical id there.
    pub id: String,
    /// `meta.versionId`.
    pub version: Option<String>,
    /// The resource.
    pub resource: Json,
}

impl Theirs {
    /// Reads a resource with an id.
    pub fn of(resource: &Json) -> Option<Self> {
        Some(Self {
            id: text(resource, &["id"])?.to_owned(),
            version: text(resource, &["meta", "versionId"]).map(str::to_owned),
            resource: resource.clone(),
        })
    }
}

/// The address of a search by an identifier.
pub(crate) fn by_identifier(kind: &str, system: &str, value: &str) -> String {
    let token = format!("{}|{}", escaped(system), escaped(value));
    let query: String =
        form_urlencoded::Serializer::new(String::new()).append_pair("identifier", &token).finish();
    format!("{kind}?{query}")
}

/// R4 search.html#escaping.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('|', "\\|").replace(',', "\\,").replace('$', "\\$")
}

/// The resources of a type in an answer to a search that bear an identifier. A server that does not know the parameter may
/// answer with everything it has.
pub(crate) fn identified(answer: &Answer, kind: &str, system: &str, value: &str) -> Vec<Theirs> {
    let bears = |resource: &Json| {
        items(resource, "identifier").any(|identifier| {
            text(identifier, &["system"]) == Some(system) && text(identifier, &["value"]) == Some(value)
        })
    };
    let Some(bundle) = &answer.body else { return Vec::new() };
    let resources = items(bundle, "entry").filter_map(|entry| entry.get("resource"));
    resources
        .filter(|resource| text(resource, &["resourceType"]) == Some(kind) && bears(resource))
        .filter_map(Theirs::of)
        .collect()
}

/// The id and version in an address such as `https://record.example/fhir/Task/7/_history/2`.
pub(crate) fn located(address: &str, kind: &str) -> Option<(String, Option<String>)> {
    let at = address.rfind(&format!("{kind}/"))?;
    let target = reference::parse(address.get(at..)?, "")?;
    let version = address.split_once("/_history/").map(|(_, version)| version.to_owned());
    Some((target.id, version))
}

/// Texts of a reason are cut after so many characters.
const REASON_MAX: usize = 400;

/// The first issues of an OperationOutcome in few words, for the engineer. They are the server's own words and may name a
/// patient: they are kept in the store and never logged.
pub(crate) fn outcome(body: Option<&Json>) -> String {
    let said = |issue: &Json| {
        let place = items(issue, "expression").find_map(Json::as_str);
        let words =
            text(issue, &["details", "text"]).or(text(issue, &["diagnostics"])).or(text(issue, &["code"]))?;
        Some(place.map_or_else(|| words.to_owned(), |place| format!("{place}: {words}")))
    };
    let issues = body.into_iter().flat_map(|body| items(body, "issue"));
    let all: Vec<String> = issues.filter_map(said).take(3).collect();
    shortened(&all.join("; "))
}

/// A text that a listing can show on one line.
pub(crate) fn shortened(text: &str) -> String {
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    match line.char_indices().nth(REASON_MAX) {
        Some((end, _)) => format!("{}…", line.get(..end).unwrap_or_default()),
        None => line,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    // R4 http.html#create and #update: Location is [base]/[type]/[id]/_history/[vid]; a server may leave the version out.
    #[test]
    fn ids_and_versions_are_read_from_locations() {
        let read = |address| located(address, "Task");
        let known = Some(("7".to_owned(), Some("2".to_owned())));
        assert_eq!(read("https://record.example/fhir/Task/7/_history/2"), known);
        assert_eq!(read("Task/7/_history/2"), known);
        assert_eq!(read("https://record.example/Task/fhir/Task/7"), Some(("7".to_owned(), None)));
        for other in ["https://record.example/fhir/Goal/7", "Task/", ""] {
            assert_eq!(read(other), None, "{other}");
        }
    }

    // R4 search.html#escaping: backslash before | , $ and itself.
    #[test]
    fn a_search_by_identifier_is_escaped() {
        assert_eq!(
            by_identifier("Task", "https://a.example/x", "1|2,3"),
            "Task?identifier=https%3A%2F%2Fa.example%2Fx%7C1%5C%7C2%5C%2C3"
        );
    }

    #[test]
    fn what_a_lenient_server_finds_without_the_identifier_does_not_count() {
        let named = |id: &str, value: &str| json!({ "resource": { "resourceType": "Task", "id": id, "identifier": [{ "system": "s", "value": value }] } });
        let body = json!({ "resourceType": "Bundle", "entry": [named("1", "a"), named("2", "b"),
            { "resource": { "resourceType": "OperationOutcome", "id": "3" } }] });
        let answer = Answer { status: 200, body: Some(body), ..Answer::default() };
        let found = identified(&answer, "Task", "s", "b");
        assert_eq!(found.iter().map(|one| one.id.as_str()).collect::<Vec<_>>(), ["2"]);
    }

    #[test]
    fn an_outcome_is_told_in_few_words() {
        let issue =
            |text: &str| json!({ "severity": "error", "code": "invalid", "details": { "text": text } });
        let mut body = json!({ "resourceType": "OperationOutcome", "issue": [issue("One."), issue("Two."), issue("3"), issue("4")] });
        body["issue"][0]["expression"] = json!(["Task.for"]);
        assert_eq!(outcome(Some(&body)), "Task.for: One.; Two.; 3");
        body["issue"] = json!([issue(&"x".repeat(1000))]);
        assert_eq!(outcome(Some(&body)).chars().count(), REASON_MAX + 1);
        assert_eq!(outcome(None), "");
    }
}
