//! An AuditEvent as R4 has it.

use super::{Call, Requester, locked};
use crate::document::{author, reference};
use crate::element::{items, text};
use crate::write::instant_ms;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use endplate_fhir::Json;
use jiff::Timestamp;
use serde_json::json;

const HL7: &str = "http://terminology.hl7.org/CodeSystem";
const DICOM: &str = "http://dicom.nema.org/resources/ontology/DCM";
/// The code for the id of a request, of the Basic Audit Log Patterns.
const REQUEST_ID: &str = "https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType";
/// Issues of a refusal that are kept.
const ISSUES_MAX: usize = 20;

/// What is told of a request.
pub(crate) struct Event<'a> {
    pub call: &'a Call,
    pub at: Timestamp,
    /// R4's code of the interaction, if the request got as far as that.
    pub interaction: Option<&'static str>,
    /// What it was answered with.
    pub status: u16,
    /// The OperationOutcome of a refusal.
    pub outcome: Option<&'a Json>,
    /// References to the resources that it read or wrote.
    pub about: Vec<String>,
    /// What it searched for.
    pub query: Option<String>,
}

impl<'a> Event<'a> {
    /// A success of a request, about nothing yet.
    pub(crate) fn of(call: &'a Call, at: Timestamp) -> Self {
        let query = locked(&call.query).clone();
        Self {
            call,
            at,
            interaction: call.interaction(),
            status: 200,
            outcome: None,
            about: Vec::new(),
            query,
        }
    }

    /// As a resource, about this patient.
    pub(crate) fn resource(&self, base: &str, patient: Option<&str>) -> Json {
        let mut entities: Vec<Json> = patient.map(patient_entity).into_iter().collect();
        entities.extend(self.about.iter().map(|to| {
            json!({ "what": reference(to), "type": entity_type("2"), "role": role("4", "Domain Resource") })
        }));
        if let Some(query) = &self.query {
            let query = STANDARD.encode(query);
            entities.push(json!({ "type": entity_type("2"), "role": role("24", "Query"), "query": query }));
        }
        let refusal = self.outcome.map(refusal);
        if refusal.is_some() {
            entities.push(json!({ "what": reference("#outcome"), "type": entity_type("2") }));
        }
        entities.push(request_entity(self.call));
        let mut event = json!({ "resourceType": "AuditEvent", "id": self.call.next_id() });
        let parts = json!({
            "contained": refusal.map(|refusal| vec![refusal]),
            "type": { "system": format!("{HL7}/audit-event-type"), "code": "rest", "display": "RESTful Operation" },
            "subtype": self.interaction.map(|code| json!([{ "system": "http://hl7.org/fhir/restful-interaction", "code": code }])),
            "action": action(self.interaction),
            "recorded": instant_ms(self.at),
            "outcome": outcome(self.status),
            "outcomeDesc": (self.status >= 400).then(|| format!("HTTP status {}", self.status)),
            "agent": agents(self.call, self.interaction, base),
            "source": source(),
            "entity": entities,
        });
        if let (Some(all), Json::Object(parts)) = (event.as_object_mut(), parts) {
            all.extend(parts.into_iter().filter(|(_, value)| !value.is_null()));
        }
        event
    }
}

/// The service, which sees the requests itself.
pub(crate) fn source() -> Json {
    let kind = json!({ "system": format!("{HL7}/security-source-type"), "code": "4", "display": "Application Server" });
    json!({ "observer": author(), "type": [kind] })
}

fn entity_type(code: &str) -> Json {
    let display = if code == "1" { "Person" } else { "System Object" };
    json!({ "system": format!("{HL7}/audit-entity-type"), "code": code, "display": display })
}

fn role(code: &str, display: &str) -> Json {
    json!({ "system": format!("{HL7}/object-role"), "code": code, "display": display })
}

/// The one entity that is the patient.
pub(crate) fn patient_entity(patient: &str) -> Json {
    let what = reference(&format!("Patient/{patient}"));
    json!({ "what": what, "type": entity_type("1"), "role": role("1", "Patient") })
}

/// The one entity that is the id of the request.
pub(crate) fn request_entity(call: &Call) -> Json {
    let kind = json!({ "system": REQUEST_ID, "code": "XrequestId" });
    json!({ "what": { "identifier": { "value": call.arrival.request_id } }, "type": kind })
}

/// R4 audit-event-action.
fn action(interaction: Option<&str>) -> &'static str {
    match interaction {
        Some("create") => "C",
        Some("update" | "patch") => "U",
        Some("delete") => "D",
        Some(code) if reads(code) => "R",
        _ => "E",
    }
}

fn reads(interaction: &str) -> bool {
    matches!(interaction, "read" | "vread") || interaction.starts_with("history")
}

/// R4 audit-event-outcome: minor where the client can change something, serious where the service could not do it, major where it
/// could not do anything.
fn outcome(status: u16) -> &'static str {
    match status {
        ..400 => "0",
        400..500 => "4",
        503 | 507 => "12",
        _ => "8",
    }
}

/// The client and the service. Data flows from the source to the destination: who is which turns round where something is read.
pub(crate) fn agents(call: &Call, interaction: Option<&str>, base: &str) -> Json {
    let dicom = |code: &str, display: &str| json!({ "coding": [{ "system": DICOM, "code": code, "display": display }] });
    let (from, to) = (dicom("110153", "Source Role ID"), dicom("110152", "Destination Role ID"));
    let (client, service) = match interaction {
        Some("delete") => (
            dicom("110150", "Application"),
            json!({ "coding": [{ "system": format!("{HL7}/provenance-participant-type"), "code": "custodian", "display": "Custodian" }] }),
        ),
        Some(code) if reads(code) => (to, from),
        _ => (from, to),
    };
    let Requester { client: name, issuer, token_id } = call.requester();
    let who = match name {
        Some(name) => {
            let mut identifier = json!({ "value": name });
            if let (Some(issuer), Some(members)) = (uri(issuer), identifier.as_object_mut()) {
                members.insert("system".to_owned(), issuer.into());
            }
            json!({ "identifier": identifier })
        }
        None => json!({ "display": "not identified" }),
    };
    let mut asking = json!({ "type": client, "who": who, "requestor": true });
    if let Some(members) = asking.as_object_mut() {
        if let Some(token) = uri(token_id) {
            members.insert("policy".to_owned(), json!([token]));
        }
        if let Some(network) = &call.arrival.network {
            members.insert("network".to_owned(), json!({ "address": network, "type": "2" }));
        }
    }
    let network = json!({ "address": base, "type": "5" });
    json!([asking, { "type": service, "who": author(), "requestor": false, "network": network }])
}

/// What R4 takes as a uri.
fn uri(text: Option<String>) -> Option<String> {
    text.filter(|text| !text.is_empty() && !text.contains(char::is_whitespace))
}

/// Of a refusal how grave it was, R4's code and ours: texts and places may hold names that a client made up.
fn refusal(outcome: &Json) -> Json {
    let issue = |issue: &Json| {
        let mut kept = json!({
            "severity": text(issue, &["severity"]).unwrap_or("error"),
            "code": text(issue, &["code"]).unwrap_or("processing"),
        });
        let coding = issue.pointer("/details/coding").filter(|coding| !coding.is_null());
        if let (Some(coding), Some(members)) = (coding, kept.as_object_mut()) {
            members.insert("details".to_owned(), json!({ "coding": coding }));
        }
        kept
    };
    let issues: Vec<Json> = items(outcome, "issue").take(ISSUES_MAX).map(issue).collect();
    json!({ "resourceType": "OperationOutcome", "id": "outcome", "issue": issues })
}
