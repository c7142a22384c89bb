//! What is offered: each route once, for the CapabilityStatement and the OpenAPI document.

use crate::http::READ_ONLY;
use crate::publish;

/// The types that an offer is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kinds {
    /// It is not about types.
    None,
    /// Every stored type.
    Stored,
    /// Every stored type that clients write.
    Writable,
    /// Every stored type that clients delete.
    Deletable,
    /// Every published type.
    Published,
    /// One type.
    Only(&'static str),
}

impl Kinds {
    /// The types, sorted.
    pub fn list(self) -> Vec<&'static str> {
        let stored = endplate_fhir::TYPES.iter().copied();
        match self {
            Self::None => Vec::new(),
            Self::Stored => stored.collect(),
            Self::Writable => stored.filter(|kind| !READ_ONLY.contains(kind)).collect(),
            Self::Deletable => {
                stored.filter(|kind| !READ_ONLY.contains(kind) && *kind != "Provenance").collect()
            }
            Self::Published => publish::TYPES.to_vec(),
            Self::Only(kind) => vec![kind],
        }
    }
}

/// What the body of a request is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Takes {
    /// No body.
    Nothing,
    /// A resource of the type in the address; without one, a Bundle.
    Resource,
    /// The criteria of a search, as a form.
    Form,
    /// A patch: JSON Patch, or FHIRPath Patch in Parameters.
    Patch,
    /// The inputs of an operation: Parameters, or the resource it is about.
    Inputs,
    /// JSON that is not FHIR.
    Json,
}

/// What the query of an address is read for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asks {
    /// Nothing but the form of the answer.
    Nothing,
    /// The criteria of a search of one type.
    Criteria,
    /// The criteria of a search of several types.
    Everywhere,
    /// A part of a history.
    Past,
    /// Less of a resource.
    Shape,
    /// Inputs of an operation.
    Operation,
    /// A first and a last day.
    Range,
}

/// What an answer that is a success holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gives {
    /// FHIR.
    Fhir,
    /// JSON that is not FHIR.
    Json,
    /// FHIR, or a picture of it.
    Chart,
    /// An iCalendar feed.
    Calendar,
    /// A line of text.
    Text,
    /// No body.
    Nothing,
}

/// One route with one method. HEAD goes with every GET.
#[derive(Clone, Copy, Debug)]
pub struct Offer {
    /// The method.
    pub method: &'static str,
    /// The address; `{type}` is one of `kinds`, `{id}` an id.
    pub path: &'static str,
    /// R4's codes of the interactions (type-restful-interaction, system-restful-interaction), if it is one.
    pub interactions: &'static [&'static str],
    /// The types it is for.
    pub kinds: Kinds,
    /// What it does, in a few words.
    pub about: &'static str,
    /// Headers that it heeds.
    pub headers: &'static [&'static str],
    /// What the query says.
    pub query: Asks,
    /// The body.
    pub takes: Takes,
    /// The statuses of success.
    pub success: &'static [u16],
    /// What an answer holds.
    pub gives: Gives,
}

const READ: Offer = Offer {
    method: "GET",
    path: "",
    interactions: &[],
    kinds: Kinds::None,
    about: "",
    headers: &[],
    query: Asks::Nothing,
    takes: Takes::Nothing,
    success: &[200],
    gives: Gives::Fhir,
};

const PREFER: &[&str] = &["Prefer"];
const CONDITIONS: &[&str] = &["If-Match", "Prefer"];
const CREATION: &[&str] = &["If-None-Exist", "Prefer"];
const FRESH: &[&str] = &["If-None-Match", "If-Modified-Since"];

/// An operation that stores nothing and can be asked by GET with plain values.
const fn asked(path: &'static str, kinds: Kinds, about: &'static str) -> Offer {
    Offer { path, kinds, about, query: Asks::Operation, ..READ }
}

/// An operation by POST, with Parameters or with the resource it is about.
const fn told(path: &'static str, kinds: Kinds, about: &'static str) -> Offer {
    Offer { method: "POST", path, kinds, about, query: Asks::Operation, takes: Takes::Inputs, ..READ }
}

/// Every offer. A route that is added to the router is added here; a test compares the two.
#[rustfmt::skip]
pub const OFFERS: &[Offer] = &[
    Offer { method: "POST", path: "/fhir", interactions: &["transaction", "batch"], about: "All entries of a transaction Bundle, or none; each entry of a batch for itself",
        headers: PREFER, takes: Takes::Resource, ..READ },
    Offer { path: "/fhir", interactions: &["search-system"], about: "Search across the types that _type names, or all", query: Asks::Everywhere, ..READ },
    Offer { method: "POST", path: "/fhir/_search", interactions: &["search-system"], about: "The same, whose criteria are in no address", takes: Takes::Form, ..READ },
    Offer { path: "/fhir/_history", interactions: &["history-system"], about: "What was, of everything", query: Asks::Past, ..READ },
    Offer { path: "/fhir/metadata", about: "The CapabilityStatement; with mode=terminology the TerminologyCapabilities", ..READ },
    Offer { path: "/fhir/{type}", interactions: &["search-type"], kinds: Kinds::Stored, about: "Search", query: Asks::Criteria, ..READ },
    Offer { method: "POST", path: "/fhir/{type}/_search", interactions: &["search-type"], kinds: Kinds::Stored,
        about: "Search whose criteria are in no address, and so in nobody's log", takes: Takes::Form, ..READ },
    Offer { method: "POST", path: "/fhir/{type}", interactions: &["create"], kinds: Kinds::Writable,
        about: "Create; with If-None-Exist, unless there is one already", headers: CREATION,
        takes: Takes::Resource, success: &[200, 201], ..READ },
    Offer { method: "PUT", path: "/fhir/{type}", interactions: &["update"], kinds: Kinds::Writable,
        about: "Update the one that meets the criteria, or create it", headers: CONDITIONS, query: Asks::Criteria,
        takes: Takes::Resource, success: &[200, 201], ..READ },
    Offer { method: "PATCH", path: "/fhir/{type}", interactions: &["patch"], kinds: Kinds::Writable,
        about: "Patch the one that meets the criteria", headers: CONDITIONS, query: Asks::Criteria, takes: Takes::Patch, ..READ },
    Offer { method: "DELETE", path: "/fhir/{type}", interactions: &["delete"], kinds: Kinds::Deletable,
        about: "Delete the one that meets the criteria, if there is one", headers: &["If-Match"], query: Asks::Criteria, success: &[204], gives: Gives::Nothing, ..READ },
    Offer { path: "/fhir/{type}/_history", interactions: &["history-type"], kinds: Kinds::Stored, about: "What was, of a type", query: Asks::Past, ..READ },
    Offer { path: "/fhir/{type}/{id}", interactions: &["read"], kinds: Kinds::Stored, about: "The current version", headers: FRESH,
        query: Asks::Shape, success: &[200, 304], ..READ },
    Offer { method: "PUT", path: "/fhir/{type}/{id}", interactions: &["update"], kinds: Kinds::Writable,
        about: "Update, or create under this id; with If-Match, only that version", headers: CONDITIONS,
        takes: Takes::Resource, success: &[200, 201], ..READ },
    Offer { method: "PATCH", path: "/fhir/{type}/{id}", interactions: &["patch"], kinds: Kinds::Writable,
        about: "Patch; with If-Match, only that version", headers: CONDITIONS, takes: Takes::Patch, ..READ },
    Offer { method: "DELETE", path: "/fhir/{type}/{id}", interactions: &["delete"], kinds: Kinds::Deletable,
        about: "Delete what nothing refers to and the service did not derive", headers: &["If-Match"], success: &[204], gives: Gives::Nothing, ..READ },
    Offer { path: "/fhir/{type}/{id}/_history", interactions: &["history-instance"], kinds: Kinds::Stored, about: "What was, of a resource", query: Asks::Past, ..READ },
    Offer { path: "/fhir/{type}/{id}/_history/{version}", interactions: &["vread"], kinds: Kinds::Stored, about: "One version", ..READ },
    Offer { path: "/fhir/{type}/{id}/{member}", kinds: Kinds::Only("Patient"), about: "Search in the compartment of a patient: a type, or * for all", query: Asks::Everywhere, ..READ },
    told("/fhir/{type}/$validate", Kinds::Stored, "Whether a create would be accepted"),
    told("/fhir/{type}/{id}/$validate", Kinds::Stored, "Whether an update would be accepted"),
    asked("/fhir/{type}/{id}/$meta", Kinds::Stored, "Profiles, tags and labels"),
    told("/fhir/{type}/{id}/$meta", Kinds::Stored, "Profiles, tags and labels"),
    told("/fhir/{type}/{id}/$meta-add", Kinds::Writable, "Add profiles, tags and labels"),
    told("/fhir/{type}/{id}/$meta-delete", Kinds::Writable, "Take profiles, tags and labels away"),
    asked("/fhir/{type}/{id}/$everything", Kinds::Only("Patient"), "All about a patient"),
    told("/fhir/{type}/{id}/$everything", Kinds::Only("Patient"), "All about a patient"),
    asked("/fhir/{type}/$lastn", Kinds::Only("Observation"), "The latest findings of each code"),
    told("/fhir/{type}/$lastn", Kinds::Only("Observation"), "The latest findings of each code"),
    asked("/fhir/{type}/$translate", Kinds::Only("ConceptMap"), "What a code is in other words"),
    told("/fhir/{type}/$translate", Kinds::Only("ConceptMap"), "What a code is in other words"),
    asked("/fhir/{type}/{id}/$translate", Kinds::Only("ConceptMap"), "What a code is by this map"),
    told("/fhir/{type}/{id}/$translate", Kinds::Only("ConceptMap"), "What a code is by this map"),
    asked("/fhir/{type}/$unmapped", Kinds::Only("ConceptMap"), "Codes that were stored and not understood, counted"),
    told("/fhir/{type}/$unmapped", Kinds::Only("ConceptMap"), "Codes that were stored and not understood, counted"),
    asked("/fhir/{type}/{id}/$assess", Kinds::Only("CarePlan"), "A followed injury on another day"),
    told("/fhir/{type}/{id}/$assess", Kinds::Only("CarePlan"), "A followed injury on another day"),
    told("/fhir/{type}/{id}/$protocol-preview", Kinds::Only("Patient"), "What the protocol in force would change"),
    asked("/fhir/{type}/{id}/$protocol-preview", Kinds::Only("Patient"), "What the protocol in force would change"),
    told("/fhir/{type}/{id}/$protocol-move", Kinds::Only("Patient"), "Move the plans to the protocol in force"),
    Offer { gives: Gives::Chart, ..asked("/fhir/{type}/{id}/$chart", Kinds::Only("RiskAssessment"), "The recovery chart") },
    Offer { gives: Gives::Chart, ..told("/fhir/{type}/{id}/$chart", Kinds::Only("RiskAssessment"), "The recovery chart") },
    asked("/fhir/{type}/{id}/$unit-report", Kinds::Only("PlanDefinition"), "The unit's own counts"),
    told("/fhir/{type}/{id}/$unit-report", Kinds::Only("PlanDefinition"), "The unit's own counts"),
    told("/fhir/{type}/{id}/$compare-options", Kinds::Only("PlanDefinition"), "Options side by side"),
    asked("/fhir/{type}/$status", Kinds::Only("Subscription"), "How deliveries of Subscriptions stand"),
    told("/fhir/{type}/$status", Kinds::Only("Subscription"), "How deliveries of Subscriptions stand"),
    asked("/fhir/{type}/{id}/$status", Kinds::Only("Subscription"), "How deliveries of a Subscription stand"),
    told("/fhir/{type}/{id}/$status", Kinds::Only("Subscription"), "How deliveries of a Subscription stand"),
    asked("/fhir/{type}/{id}/$events", Kinds::Only("Subscription"), "Events of a Subscription once more"),
    told("/fhir/{type}/{id}/$events", Kinds::Only("Subscription"), "Events of a Subscription once more"),
    told("/fhir/{type}/$apply", Kinds::Only("PlanDefinition"), "The plan of a repair, stored or sent"),
    asked("/fhir/{type}/{id}/$apply", Kinds::Only("PlanDefinition"), "The plan of a repair that is stored"),
    told("/fhir/{type}/{id}/$apply", Kinds::Only("PlanDefinition"), "The plan of a repair, stored or sent"),
    Offer { path: "/fhir/{type}", interactions: &["search-type"], kinds: Kinds::Published, about: "Search published definitions", query: Asks::Criteria, ..READ },
    Offer { path: "/fhir/{type}/{id}", interactions: &["read"], kinds: Kinds::Published, about: "A published definition",
        headers: &["If-None-Match"], success: &[200, 304], ..READ },
    Offer { path: "/cds-services", about: "CDS Hooks: the services there are", gives: Gives::Json, ..READ },
    Offer { method: "POST", path: "/cds-services/{id}", about: "CDS Hooks: cards", takes: Takes::Json, gives: Gives::Json, ..READ },
    Offer { method: "POST", path: "/cds-services/{id}/feedback", about: "CDS Hooks: what became of cards", takes: Takes::Json, gives: Gives::Json, ..READ },
    Offer { path: "/calendar/clinic/reviews.ics", about: "The clinic's reviews from one day to another, for calendars", headers: &["If-None-Match"],
        query: Asks::Range, success: &[200, 304], gives: Gives::Calendar, ..READ },
    Offer { path: "/calendar/patient/{id}/reviews.ics", about: "The reviews of a patient, for calendars", headers: &["If-None-Match"],
        success: &[200, 304], gives: Gives::Calendar, ..READ },
    Offer { path: "/openapi.json", about: "This document", gives: Gives::Json, ..READ },
    Offer { path: "/.well-known/smart-configuration", about: "How to get in: SMART App Launch", gives: Gives::Json, ..READ },
    Offer { path: "/fhir/.well-known/smart-configuration", about: "The same", gives: Gives::Json, ..READ },
    Offer { path: "/auth/jwks", about: "The key that tokens are signed with", gives: Gives::Json, ..READ },
    Offer { method: "POST", path: "/auth/token", about: "A token for a client that proves who it is", takes: Takes::Form, gives: Gives::Json, ..READ },
    Offer { path: "/auth/client-jwks", about: "The public keys by which this service proves itself to record servers", gives: Gives::Json, ..READ },
    Offer { path: "/auth/webhook-jwks", about: "The public key that notifications are signed with (JSON Web Key Set)", gives: Gives::Json, ..READ },
    Offer { path: "/livez", about: "Whether the process answers", gives: Gives::Text, ..READ },
    Offer { path: "/metrics", about: "Numbers for whoever watches: Prometheus text or OpenMetrics; only while access is open, else at metrics.listen",
        gives: Gives::Text, ..READ },
    Offer { path: "/readyz", about: "Whether requests can be served now", gives: Gives::Text, ..READ },
];

/// R4's codes of what is offered for a type, each once, in the order of the table; those of the whole system for none.
pub fn interactions(kind: Option<&str>) -> Vec<&'static str> {
    let mut codes = Vec::new();
    for offer in OFFERS {
        let concerned = kind.map_or(offer.kinds == Kinds::None, |kind| offer.kinds.list().contains(&kind));
        let new = offer.interactions.iter().filter(|_| concerned);
        for code in new {
            if !codes.contains(code) {
                codes.push(*code);
            }
        }
    }
    codes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interactions_are_those_of_the_table() {
        assert_eq!(interactions(None), ["transaction", "batch", "search-system", "history-system"]);
        let task = interactions(Some("Task"));
        for code in [
            "search-type",
            "create",
            "update",
            "patch",
            "delete",
            "history-type",
            "read",
            "history-instance",
            "vread",
        ] {
            assert!(task.contains(&code), "{code}");
        }
        let audit = ["search-type", "history-type", "read", "history-instance", "vread"];
        assert_eq!(interactions(Some("AuditEvent")), audit);
        assert!(!interactions(Some("Provenance")).contains(&"delete"));
        assert_eq!(interactions(Some("ValueSet")), ["search-type", "read"]);
        assert!(interactions(Some("Medication")).is_empty());
    }
}
