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
}

/// What an answer that is a success holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gives {
    /// FHIR.
    Fhir,
    /// JSON that is not FHIR.
    Json,
    /// A line of text.
    Text,
}

/// One route with one method. HEAD goes with every GET.
#[derive(Clone, Copy, Debug)]
pub struct Offer {
    /// The method.
    pub method: &'static str,
    /// The address; `{type}` is one of `kinds`, `{id}` an id.
    pub path: &'static str,
    /// R4's code of the interaction (type-restful-interaction, system-restful-interaction), if it is one.
    pub interaction: Option<&'static str>,
    /// The types it is for.
    pub kinds: Kinds,
    /// What it does, in a few words.
    pub about: &'static str,
    /// Headers that it heeds.
    pub headers: &'static [&'static str],
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
    interaction: None,
    kinds: Kinds::None,
    about: "",
    headers: &[],
    takes: Takes::Nothing,
    success: &[200],
    gives: Gives::Fhir,
};

const PREFER: &[&str] = &["Prefer"];

/// Every offer. A route that is added to the router is added here; a test compares the two.
#[rustfmt::skip]
pub const OFFERS: &[Offer] = &[
    Offer { method: "POST", path: "/fhir", interaction: Some("transaction"), about: "All entries of a transaction Bundle, or none",
        headers: PREFER, takes: Takes::Resource, ..READ },
    Offer { path: "/fhir/metadata", about: "The CapabilityStatement", ..READ },
    Offer { path: "/fhir/{type}", interaction: Some("search-type"), kinds: Kinds::Stored, about: "Search", ..READ },
    Offer { method: "POST", path: "/fhir/{type}/_search", interaction: Some("search-type"), kinds: Kinds::Stored,
        about: "Search whose criteria are in no address, and so in nobody's log", takes: Takes::Form, ..READ },
    Offer { method: "POST", path: "/fhir/{type}", interaction: Some("create"), kinds: Kinds::Writable,
        about: "Create; with If-None-Exist, unless there is one already", headers: &["If-None-Exist", "Prefer"],
        takes: Takes::Resource, success: &[200, 201], ..READ },
    Offer { path: "/fhir/{type}/{id}", interaction: Some("read"), kinds: Kinds::Stored, about: "The current version", ..READ },
    Offer { method: "PUT", path: "/fhir/{type}/{id}", interaction: Some("update"), kinds: Kinds::Writable,
        about: "Update, or create under this id; with If-Match, only that version", headers: &["If-Match", "Prefer"],
        takes: Takes::Resource, success: &[200, 201], ..READ },
    Offer { path: "/fhir/{type}", interaction: Some("search-type"), kinds: Kinds::Published, about: "Search published definitions", ..READ },
    Offer { path: "/fhir/{type}/{id}", interaction: Some("read"), kinds: Kinds::Published, about: "A published definition",
        headers: &["If-None-Match"], success: &[200, 304], ..READ },
    Offer { path: "/openapi.json", about: "This document", gives: Gives::Json, ..READ },
    Offer { path: "/livez", about: "Whether the process answers", gives: Gives::Text, ..READ },
    Offer { path: "/readyz", about: "Whether requests can be served now", gives: Gives::Text, ..READ },
];

/// R4's codes of what is offered for a type, each once, in the order of the table; those of the whole system for none.
pub fn interactions(kind: Option<&str>) -> Vec<&'static str> {
    let mut codes = Vec::new();
    for offer in OFFERS {
        let concerned = kind.map_or(offer.kinds == Kinds::None, |kind| offer.kinds.list().contains(&kind));
        if let Some(code) = offer.interaction.filter(|code| concerned && !codes.contains(code)) {
            codes.push(code);
        }
    }
    codes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interactions_are_those_of_the_table() {
        assert_eq!(interactions(None), ["transaction"]);
        assert_eq!(interactions(Some("Task")), ["search-type", "create", "read", "update"]);
        assert_eq!(interactions(Some("AuditEvent")), ["search-type", "read"]);
        assert_eq!(interactions(Some("ValueSet")), ["search-type", "read"]);
        assert!(interactions(Some("Medication")).is_empty());
    }
}
