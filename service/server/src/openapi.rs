//! The OpenAPI 3.1 document, made from the table of offers and the search table.

use crate::access::gate;
use crate::http::published;
use crate::offer::{Asks, Gives, Kinds, OFFERS, Offer, Takes};
use endplate_fhir::Json;
use endplate_fhir::index::{self, compartment};
use endplate_fhir::search::COUNT_MAX;
use serde_json::{Map, json};

const FHIR_JSON: &str = "application/fhir+json";
const ID: &str = "^[A-Za-z0-9.-]{1,64}$";

/// The document of a service at `base`, such as `http://127.0.0.1:8080/fhir`.
pub fn document(base: &str) -> Json {
    let mut paths: Map<String, Json> = Map::new();
    for offer in OFFERS {
        for (path, kinds) in addresses(offer) {
            let method = offer.method.to_lowercase();
            let item = paths.entry(path).or_insert_with(|| json!({}));
            item[method] = operation(offer, &kinds);
        }
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Endplate",
            "version": env!("CARGO_PKG_VERSION"),
            "summary": "Follow-up of peripheral nerve repairs, in FHIR R4",
            "description": "Supports and does not replace the judgement of the treating surgeon. Local protocols and licensed \
                practice govern. The CapabilityStatement at /fhir/metadata says more about FHIR than this document can.",
        },
        "servers": [{ "url": base.strip_suffix("/fhir").unwrap_or(base) }],
        "paths": paths,
        "components": { "schemas": schemas(), "headers": headers(), "securitySchemes": {
            "token": { "type": "http", "scheme": "bearer", "bearerFormat": "JWT",
                "description": "Where access is closed: SMART App Launch 2.2.0, Backend Services; for CDS Hooks the client's own JWT." }
        } },
    })
}

/// The addresses of an offer: one for each type where the query or the body depends on it, else one for all.
fn addresses(offer: &Offer) -> Vec<(String, Vec<&'static str>)> {
    let kinds = offer.kinds.list();
    // Published types have addresses of their own, so that no template stands for two things.
    let apart = matches!(offer.path, "/fhir/{type}" | "/fhir/{type}/_search")
        || matches!(offer.kinds, Kinds::Published | Kinds::Only(_));
    if kinds.is_empty() || !apart {
        return vec![(offer.path.to_owned(), kinds)];
    }
    kinds.into_iter().map(|kind| (offer.path.replace("{type}", kind), vec![kind])).collect()
}

fn operation(offer: &Offer, kinds: &[&'static str]) -> Json {
    let mut said = json!({
        "summary": offer.about,
        "parameters": parameters(offer, kinds),
        "responses": responses(offer),
    });
    let body = match offer.takes {
        Takes::Nothing => None,
        Takes::Patch => Some(json!({
            "application/json-patch+json": { "schema": { "type": "array", "items": { "type": "object" } } },
            FHIR_JSON: { "schema": schema("Parameters") },
        })),
        Takes::Json => Some(json!({ "application/json": { "schema": { "type": "object" } } })),
        Takes::Inputs => Some(json!({ FHIR_JSON: { "schema": schema("Resource") } })),
        Takes::Resource => {
            let name = if offer.kinds == Kinds::None { "Bundle" } else { "Resource" };
            Some(json!({ FHIR_JSON: { "schema": schema(name) } }))
        }
        Takes::Form => {
            let properties: Map<String, Json> = kinds
                .iter()
                .flat_map(|kind| criteria(kind))
                .map(|(name, schema, _)| (name, schema))
                .collect();
            let form = json!({ "type": "object", "properties": properties });
            Some(json!({ "application/x-www-form-urlencoded": { "schema": form } }))
        }
    };
    if let Some(content) = body {
        said["requestBody"] = json!({ "required": true, "content": content });
    }
    said
}

fn schema(name: &str) -> Json {
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

fn parameters(offer: &Offer, kinds: &[&'static str]) -> Vec<Json> {
    let mut all = Vec::new();
    let mut add = |name: &str, place: &str, schema: Json, about: &str| {
        all.push(json!({ "name": name, "in": place, "required": place == "path", "schema": schema, "description": about }));
    };
    if kinds.len() > 1 {
        add("type", "path", json!({ "type": "string", "enum": kinds }), "The type of resource.");
    }
    if offer.path.contains("{id}") {
        add("id", "path", json!({ "type": "string", "pattern": ID }), "The id.");
    }
    if offer.path.contains("{version}") {
        add("version", "path", json!({ "type": "string", "pattern": ID }), "The version.");
    }
    if offer.path.contains("{member}") {
        let members: Vec<&str> = compartment::types().chain(["*"]).collect();
        add(
            "member",
            "path",
            json!({ "type": "string", "enum": members }),
            "A type of the compartment, or all.",
        );
    }
    for (name, schema, about) in query(offer, kinds) {
        add(&name, "query", schema, about);
    }
    for name in offer.headers {
        add(name, "header", json!({ "type": "string" }), "As R4 http.html says.");
    }
    all
}

/// What the query of an offer is read for: name, schema, meaning.
fn query(offer: &Offer, kinds: &[&'static str]) -> Vec<(String, Json, &'static str)> {
    let said = |all: &[(&str, &'static str)]| {
        all.iter().map(|(name, about)| ((*name).to_owned(), json!({ "type": "string" }), *about)).collect()
    };
    match offer.query {
        Asks::Nothing => Vec::new(),
        Asks::Criteria if offer.method == "GET" => kinds.iter().flat_map(|kind| criteria(kind)).collect(),
        Asks::Criteria => {
            said(&[("_id", "The id."), ("identifier", "A business identifier, as system|value.")])
        }
        Asks::Everywhere => said(&[
            ("_type", "Types, separated by commas."),
            ("_id", "Ids, separated by commas."),
            ("_lastUpdated", "A date, with a prefix such as ge."),
            ("_tag", "Codes, separated by commas."),
        ]),
        Asks::Past => {
            said(&[("_since", "An instant: what was written since."), ("_count", "Versions on a page.")])
        }
        Asks::Range => said(&[("from", "First day, as 2026-03-16."), ("to", "Last day, as 2026-06-30.")]),
        Asks::Shape => said(&[
            ("_summary", "true, text, data or false."),
            ("_elements", "Elements, separated by commas."),
        ]),
        Asks::Operation => said(match offer.path.rsplit('$').next() {
            Some("everything") => {
                &[("start", "A date of care."), ("end", "A date of care."), ("_since", "An instant.")]
            }
            Some("lastn") => {
                &[("patient", "A reference."), ("code", "Codes."), ("max", "How many of each code.")]
            }
            Some("translate") => {
                &[("url", "The map."), ("system", "The code's system."), ("code", "The code.")]
            }
            Some("chart") => &[("format", "svg or pdf: the picture alone.")],
            Some("unit-report") => &[("start", "First day."), ("end", "Last day.")],
            Some("assess") => &[("asOf", "A date.")],
            Some("apply") => &[("subject", "The patient."), ("asOf", "A date.")],
            _ => &[],
        }),
    }
}

/// What a search of a type takes: name, schema, meaning.
fn criteria(kind: &str) -> Vec<(String, Json, &'static str)> {
    let text = || json!({ "type": "string" });
    let of = |code: &str| match code {
        "token" => "Codes, separated by commas.",
        "reference" => "References, separated by commas.",
        "date" => "A date, with a prefix such as ge.",
        "uri" => "The whole address.",
        _ => "The beginning of a text.",
    };
    let stored = index::params(kind);
    if stored.is_empty() {
        let known = published::PARAMS.iter();
        return known.map(|(name, code)| ((*name).to_owned(), text(), of(code))).collect();
    }
    let mut all: Vec<(String, Json, &str)> =
        stored.iter().map(|param| (param.name.to_owned(), text(), of(param.kind.code()))).collect();
    let count = json!({ "type": "integer", "minimum": 0, "maximum": COUNT_MAX });
    all.push(("_count".to_owned(), count, "Resources on a page."));
    all.push(("_sort".to_owned(), text(), "Parameters to sort by, - before one that descends."));
    all
}

fn responses(offer: &Offer) -> Json {
    let mut all = Map::new();
    for status in offer.success {
        let content = match (status, offer.gives) {
            (304, _) | (_, Gives::Nothing) => None,
            (_, Gives::Fhir) => Some(json!({ FHIR_JSON: { "schema": schema("Resource") } })),
            (_, Gives::Chart) => Some(json!({
                FHIR_JSON: { "schema": schema("Resource") },
                "image/svg+xml": { "schema": { "type": "string" } },
                "application/pdf": { "schema": { "type": "string", "format": "binary" } },
            })),
            (_, Gives::Json) => Some(json!({ "application/json": { "schema": { "type": "object" } } })),
            (_, Gives::Calendar) => Some(json!({ "text/calendar": { "schema": { "type": "string" } } })),
            (_, Gives::Text) => Some(json!({ "text/plain": { "schema": { "type": "string" } } })),
        };
        let mut said = json!({ "description": "Done." });
        if let Some(content) = content {
            said["content"] = content;
        }
        if offer.path.ends_with("{id}") || offer.gives == Gives::Calendar || matches!(status, 201) {
            said["headers"] = json!({ "ETag": { "$ref": "#/components/headers/ETag" } });
        }
        all.insert(status.to_string(), said);
    }
    let is_fhir = offer.path.starts_with("/fhir");
    let refused: &[(u16, &str)] = &[
        (400, "Something in the request cannot be used."),
        (404, "There is nothing at this address."),
        (405, "This type is not written by clients."),
        (406, "Answers are FHIR R4 JSON only."),
    ];
    let refused_write: &[(u16, &str)] = &[
        (408, "The body did not arrive in time."),
        (409, "It contradicts what is stored."),
        (412, "The condition does not hold."),
        (413, "The body is too large."),
        (415, "The body is not FHIR JSON."),
        (422, "The resource is not valid, or breaks a rule of this service."),
    ];
    let ended: &[(u16, &str)] = &[(410, "The resource was deleted.")];
    let unready: &[(u16, &str)] = &[(503, "Not now; try again after Retry-After seconds.")];
    let mut lists = vec![unready];
    if is_fhir {
        lists.push(refused);
        if offer.path.contains("{id}") || offer.query == Asks::Operation {
            lists.push(ended);
        }
    }
    if offer.method != "GET" || offer.query == Asks::Operation {
        lists.push(refused_write);
    }
    // RFC 9457, where the answers are not FHIR.
    let is_card = offer.path.starts_with("/cds-services");
    let is_calendar = offer.gives == Gives::Calendar;
    if is_calendar {
        lists.push(&[(400, "Something in the request cannot be used."), (404, "There is no such patient.")]);
        lists.push(ended);
    }
    if is_card && offer.method == "POST" {
        lists.push(&[
            (400, "Something in the request cannot be used."),
            (404, "There is no such service, or no such card."),
        ]);
    }
    let is_access = offer.path.starts_with("/auth") || offer.path.contains("/.well-known");
    if is_access {
        lists.push(&[(404, "Access is open here: there is nothing to get in by.")]);
    }
    if offer.path == "/auth/token" {
        lists.push(&[(400, "No token is given; RFC 6749 section 5.2."), (429, "Too many requests.")]);
    } else if !gate::PUBLIC.contains(&offer.path) && offer.kinds != Kinds::Published {
        lists.push(&[
            (401, "Access is closed, and no valid token was sent."),
            (403, "The token has not the scope that this needs."),
            (429, "Too many requests; again after Retry-After seconds."),
        ]);
    }
    for (status, about) in lists.into_iter().flatten() {
        let content = if offer.path == "/auth/token" && matches!(status, 400 | 429) {
            json!({ "application/json": { "schema": { "type": "object", "required": ["error"] } } })
        } else if is_card || is_calendar {
            json!({ "application/problem+json": { "schema": { "type": "object" } } })
        } else {
            json!({ FHIR_JSON: { "schema": schema("OperationOutcome") } })
        };
        all.insert(status.to_string(), json!({ "description": about, "content": content }));
    }
    all.sort_keys();
    Json::Object(all)
}

fn schemas() -> Json {
    let resource = |kind: Json| json!({ "type": "object", "required": ["resourceType"], "properties": { "resourceType": kind } });
    json!({
        "Resource": resource(json!({ "type": "string" })),
        "Bundle": resource(json!({ "const": "Bundle" })),
        "Parameters": resource(json!({ "const": "Parameters" })),
        "OperationOutcome": {
            "type": "object",
            "required": ["resourceType", "issue"],
            "properties": {
                "resourceType": { "const": "OperationOutcome" },
                "issue": { "type": "array", "minItems": 1, "items": {
                    "type": "object",
                    "required": ["severity", "code"],
                    "properties": {
                        "severity": { "enum": ["fatal", "error", "warning", "information"] },
                        "code": { "type": "string" },
                        "details": { "type": "object", "properties": { "text": { "type": "string" } } },
                        "expression": { "type": "array", "items": { "type": "string" } },
                    },
                } },
            },
        },
    })
}

fn headers() -> Json {
    json!({ "ETag": { "description": "The version, as a weak tag.", "schema": { "type": "string" } } })
}
