//! What a CDS Hooks client sends: the call, its context, what it prefetched, and which patient here is meant.

use super::Service;
use crate::Endplate;
use crate::element::{items, text};
use crate::refusal::{Reason, Refusal};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, is_id, search};
use std::collections::BTreeSet;
use uuid::Uuid;

/// A call of a service that has all it must have.
#[derive(Debug)]
pub(super) struct Request<'a> {
    context: &'a Json,
    prefetch: Option<&'a Json>,
}

/// A call that cannot be read: what to send.
pub(super) fn malformed(expression: &str, text: &str) -> Refusal {
    Refusal::new(Reason::Malformed, Issue::error(Code::Invalid, expression, text))
}

impl<'a> Request<'a> {
    /// Reads a call of `service`. Members that are not known are passed over.
    pub(super) fn read(service: Service, body: &'a Json) -> Result<Self, Refusal> {
        if text(body, &["hook"]) != Some(service.hook()) {
            return Err(malformed("hook", &format!("Send the hook of this service: {}.", service.hook())));
        }
        if text(body, &["hookInstance"]).is_none_or(|text| Uuid::try_parse(text).is_err()) {
            return Err(malformed("hookInstance", "Send a UUID in hookInstance."));
        }
        let Some(context) = body.get("context").filter(|context| context.is_object()) else {
            return Err(malformed("context", "Send the context of the hook as an object."));
        };
        let server = text(body, &["fhirServer"]);
        if body.get("fhirAuthorization").is_some() && server.is_none_or(|url| !url.starts_with("http")) {
            return Err(malformed("fhirServer", "Send fhirServer, a URL, where fhirAuthorization is sent."));
        }
        let is_user = |user: &str| {
            let typed = user.split_once('/');
            typed.is_some_and(|(kind, id)| {
                is_id(id)
                    && kind.starts_with(|c: char| c.is_ascii_uppercase())
                    && kind.chars().all(|c| c.is_ascii_alphabetic())
            })
        };
        if !text(context, &["userId"]).is_some_and(is_user) {
            return Err(malformed(
                "context.userId",
                "Send context.userId as Type/id, for example Practitioner/123.",
            ));
        }
        if !text(context, &["patientId"]).is_some_and(is_id) {
            return Err(malformed("context.patientId", "Send the id of the patient in context.patientId."));
        }
        let appointments = context.get("appointments");
        let is_bundle = |bundle: &Json| text(bundle, &["resourceType"]) == Some("Bundle");
        if service == Service::ReviewBooking && !appointments.is_some_and(is_bundle) {
            return Err(malformed(
                "context.appointments",
                "Send the Appointments as a Bundle in context.appointments.",
            ));
        }
        match body.get("prefetch") {
            Some(prefetch) if !prefetch.is_object() => {
                Err(malformed("prefetch", "Send prefetch as an object, or leave it out."))
            }
            prefetch => Ok(Self { context, prefetch }),
        }
    }

    /// The Appointments that are being booked.
    pub(super) fn appointments(&self) -> impl Iterator<Item = &'a Json> {
        let bundle = self.context.get("appointments");
        let entries = bundle.into_iter().flat_map(|bundle| items(bundle, "entry"));
        entries
            .filter_map(|entry| entry.get("resource"))
            .filter(|one| text(one, &["resourceType"]) == Some("Appointment"))
    }

    /// The id here of the patient who is meant: of the same id, unless the prefetched Patient shows that this is somebody else,
    /// or of one of the prefetched identifiers. None if nobody is.
    ///
    /// CDS Hooks 2.0, prefetch: a key that is absent was not supplied, and is fetched elsewhere or missing; null means that there
    /// is no such data; an OperationOutcome that the client could not get it.
    pub(super) async fn patient(&self, endplate: &Endplate) -> Result<Option<String>, Refusal> {
        let id = text(self.context, &["patientId"]).unwrap_or_default();
        let sent = self.prefetch.and_then(|prefetch| prefetch.get("patient"));
        let sent = sent.map(|sent| sent.pointer("/entry/0/resource").unwrap_or(sent));
        let names = sent.map(identifiers).unwrap_or_default();
        if let Some(stored) = endplate.store.read("Patient", id).await? {
            let known = identifiers(&endplate_fhir::json::stored(&stored.body));
            if names.is_empty() || known.is_empty() || names.iter().any(|name| known.contains(name)) {
                return Ok(Some(stored.id));
            }
        }
        match sent {
            None => Err(missing("Send the Patient in prefetch.patient: this id is not known here.")),
            Some(sent) if text(sent, &["resourceType"]) == Some("OperationOutcome") => Err(missing(
                "The Patient could not be prefetched, and this id is not known here; send it again with the Patient.",
            )),
            Some(_) => by_identifier(endplate, &names).await,
        }
    }
}

/// What is needed was neither sent nor is known here.
fn missing(text: &str) -> Refusal {
    Refusal::new(Reason::PreconditionFailed, Issue::error(Code::NotFound, "prefetch.patient", text))
}

/// The business identifiers of a Patient, `system|value`; those without a system identify nobody.
fn identifiers(patient: &Json) -> BTreeSet<String> {
    let name = |one: &Json| {
        let (system, value) = (text(one, &["system"])?, text(one, &["value"])?);
        (!system.is_empty() && !value.is_empty()).then(|| format!("{system}|{value}"))
    };
    items(patient, "identifier").filter_map(name).collect()
}

/// The one Patient here who has one of these identifiers; none if nobody has, or if it is not clear who.
async fn by_identifier(endplate: &Endplate, names: &BTreeSet<String>) -> Result<Option<String>, Refusal> {
    let mut found: BTreeSet<String> = BTreeSet::new();
    for name in names {
        // A comma would mean "or", a dollar sign a composite (FHIR R4 search.html#escaping).
        let escaped = name.replace('\\', "\\\\").replace(',', "\\,").replace('$', "\\$");
        let pairs = [("identifier".to_owned(), escaped)];
        let Ok(query) = search::parse("Patient", &pairs, &endplate.settings.base) else { continue };
        found.extend(endplate.store.search(&query).await?.resources.into_iter().map(|one| one.id));
    }
    Ok(if found.len() == 1 { found.pop_first() } else { None })
}
