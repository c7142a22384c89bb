//! What became of a card: accepted or set aside, kept as an AuditEvent.
//!
//! It is a record of what somebody did with advice, not an answer to an alert: a card that is closed acknowledges nothing. An
//! AuditEvent is written once, belongs to the patient's record, and is found by `subtype` and `entity`.

use super::Service;
use super::request::malformed;
use crate::Endplate;
use crate::audit::Call;
use crate::audit::event::{agents, patient_entity, request_entity, source};
use crate::code;
use crate::document::reference;
use crate::element::{items, text};
use crate::identity;
use crate::refusal::{Reason, Refusal};
use crate::write::instant_ms;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::reference::patient_of;
use jiff::Timestamp;
use serde_json::json;
use uuid::Uuid;

/// Most reports of one request.
const REPORTS_MAX: usize = 100;

impl Endplate {
    /// Keeps what became of cards. All of it or nothing; what was reported before is not kept twice.
    ///
    /// # Errors
    /// A report is not of the standard's form, or names no card of this service.
    pub async fn feedback(&self, service: Service, body: &Json) -> Result<(), Refusal> {
        let reports: Vec<&Json> = items(body, "feedback").collect();
        if reports.is_empty() || reports.len() > REPORTS_MAX {
            return Err(malformed("feedback", "Send 1 to 100 reports in feedback, an array."));
        }
        let mut events = Vec::new();
        for (index, report) in reports.into_iter().enumerate() {
            let at = |member: &str| format!("feedback[{index}].{member}");
            let card = text(report, &["card"]).filter(|card| Uuid::try_parse(card).is_ok());
            let Some(card) = card else {
                return Err(malformed(&at("card"), "Send the uuid of the card in card."));
            };
            check(report, &at)?;
            let Some(subject) = self.store.read(service.subject(), card).await? else {
                let text = "This service has returned no such card; send the uuid of one that it did.";
                return Err(Refusal::new(Reason::NotFound, Issue::error(Code::NotFound, at("card"), text)));
            };
            let subject: Json = endplate_fhir::json::stored(&subject.body);
            events.push(self.became(service, report, card, &subject));
        }
        self.record_events(events).await
    }
}

/// CDS Hooks 2.0, feedback: members that must be there, and what an outcome asks for besides.
fn check(report: &Json, at: &dyn Fn(&str) -> String) -> Result<(), Refusal> {
    let time = text(report, &["outcomeTimestamp"]);
    if time.is_none_or(|time| time.parse::<Timestamp>().is_err()) {
        return Err(malformed(
            &at("outcomeTimestamp"),
            "Send outcomeTimestamp as date and time with a zone.",
        ));
    }
    match text(report, &["outcome"]) {
        Some("accepted") => {
            let mut ids = items(report, "acceptedSuggestions").map(|one| text(one, &["id"])).peekable();
            if ids.peek().is_none() || ids.any(|id| id.is_none_or(str::is_empty)) {
                let text = "Send the uuid of each accepted suggestion in acceptedSuggestions, as id.";
                return Err(malformed(&at("acceptedSuggestions"), text));
            }
            Ok(())
        }
        Some("overridden") => match report.get("overrideReason") {
            Some(reason) if !reason.is_object() => Err(malformed(
                &at("overrideReason"),
                "Send overrideReason as an object with reason, userComment or both.",
            )),
            _ => Ok(()),
        },
        _ => Err(malformed(&at("outcome"), "Send accepted or overridden in outcome.")),
    }
}

impl Endplate {
    fn became(&self, service: Service, report: &Json, card: &str, subject: &Json) -> Json {
        let outcome = text(report, &["outcome"]).unwrap_or_default();
        let time = text(report, &["outcomeTimestamp"]).unwrap_or_default();
        let said = [
            ("override-reason-system", text(report, &["overrideReason", "reason", "system"])),
            ("override-reason", text(report, &["overrideReason", "reason", "code"])),
            ("comment", text(report, &["overrideReason", "userComment"])),
        ];
        let said =
            said.into_iter().filter_map(|(name, value)| value.filter(|v| !v.is_empty()).map(|v| (name, v)));
        let accepted = items(report, "acceptedSuggestions").filter_map(|one| text(one, &["id"]));
        let details: Vec<Json> = std::iter::once(("service", service.id()))
            .chain(said)
            .chain(accepted.map(|id| ("accepted-suggestion", id)))
            .map(|(name, value)| json!({ "type": name, "valueString": value }))
            .collect();
        let patient = patient_of(subject, &self.settings.base);
        let card_entity =
            json!({ "what": reference(&format!("{}/{card}", service.subject())), "detail": details });
        let nobody = Call::default();
        let call = self.call.as_deref();
        let entities = patient
            .iter()
            .map(|patient| patient_entity(patient))
            .chain([card_entity])
            .chain(call.map(request_entity));
        json!({
                "resourceType": "AuditEvent",
                "id": identity::id("AuditEvent", &[service.id(), card, outcome, time]),
                "type": { "system": "http://terminology.hl7.org/CodeSystem/audit-event-type", "code": "object", "display": "Object" },
                "subtype": [{ "system": code::system("card-feedback"), "code": outcome }],
                "action": "E",
                "period": { "start": time, "end": time },
                "recorded": instant_ms(self.clock.now()),
                "outcome": "0",
                "agent": agents(call.unwrap_or(&nobody), Some("operation"), &self.settings.base),
                "source": source(),
                "entity": entities.collect::<Vec<_>>(),
        })
    }
}
