//! Who did what to whose records: an AuditEvent for each request, after the IHE profile Basic Audit Log Patterns.
//!
//! What a write did is committed with the write ([`crate::write`]); reads and refusals are put on record in groups
//! ([`Endplate::put_on_record`]). An event names who asked, from where, what for and which resources; it holds nothing of what
//! these say, no secret, and of a token its `jti` alone. It is no part of a patient's compartment, told to no subscriber, and in
//! no history but its own. Each is a link of a [`chain`].

pub mod chain;
pub(crate) mod event;

use crate::Endplate;
use crate::derivation::stamped;
use crate::document;
use crate::ports::{Changeset, Deed, Put, Stored};
use crate::refusal::Refusal;
use crate::write::check::own;
use endplate_fhir::{Json, TYPES, index, is_id, reference};
use event::Event;
use jiff::Timestamp;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};

/// Bytes of a query that are kept.
const QUERY_MAX: usize = 16 << 10;
/// Bytes of a resource that is kept until it is looked at whom it is about.
const SHOWN_MAX: usize = 16 << 10;
/// Patients of one request that get an event each.
const PATIENTS_MAX: usize = 100;

/// Who asks, as far as it is known.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Requester {
    /// The registered client's id; none: nobody was asked who they are, or the answer did not hold.
    pub client: Option<String>,
    /// Who issued the token.
    pub issuer: Option<String>,
    /// `jti` of the token.
    pub token_id: Option<String>,
}

/// One entry of a Bundle that changes nothing: a read, or what was refused.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    /// R4's code of the interaction.
    pub interaction: &'static str,
    /// `Type/id` or `Type?criteria`.
    pub address: String,
    /// The patient whom the answer was about.
    pub patient: Option<String>,
    /// The status that the entry was answered with.
    pub status: u16,
}

/// A resource that was shown.
#[derive(Clone, Debug)]
enum Shown {
    Body(String),
    Patient(Option<String>),
}

impl Shown {
    fn patient(&self, base: &str) -> Option<String> {
        match self {
            Self::Body(body) => reference::patient_of(&endplate_fhir::json::stored(body), base),
            Self::Patient(patient) => patient.clone(),
        }
    }
}

/// What a request is known by when it arrives.
#[derive(Clone, Debug, Default)]
pub struct Arrival {
    /// Names the request for ever. Made by the service, never by the client.
    pub serial: String,
    /// The id that the request has in the log and in its answer.
    pub request_id: String,
    /// The network address that it came from.
    pub network: Option<String>,
    /// What the address names: type, id, version, as far as each is there and well-formed.
    pub named: (Option<String>, Option<String>, Option<String>),
}

/// A request from its arrival to its answer.
#[derive(Debug, Default)]
pub struct Call {
    /// What it is known by.
    pub arrival: Arrival,
    requester: OnceLock<Requester>,
    interaction: OnceLock<&'static str>,
    query: Mutex<Option<String>>,
    patients: Mutex<BTreeSet<String>>,
    shown: Mutex<Option<Shown>>,
    parts: Mutex<Vec<Part>>,
    is_on_record: AtomicBool,
    events: AtomicU32,
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Call {
    /// A request that has arrived.
    pub fn of(arrival: Arrival) -> Self {
        Self { arrival, ..Self::default() }
    }

    /// Who asks; the first answer holds.
    pub fn asked_by(&self, requester: Requester) {
        let _ = self.requester.set(requester);
    }

    /// R4's code of the interaction (restful-interaction); the first answer holds.
    pub fn is(&self, interaction: &'static str) {
        let _ = self.interaction.set(interaction);
    }

    /// R4's code of the interaction, once it is known.
    pub fn interaction(&self) -> Option<&'static str> {
        self.interaction.get().copied()
    }

    /// What is searched for, as it was sent: the address below the base and its parameters.
    pub fn asks(&self, query: &str) {
        let mut end = query.len().min(QUERY_MAX);
        while !query.is_char_boundary(end) {
            end -= 1;
        }
        *locked(&self.query) = query.get(..end).map(str::to_owned);
    }

    /// A patient whom the request names; who is not known here is left out.
    pub fn is_about(&self, patient: &str) {
        let mut patients = locked(&self.patients);
        if is_id(patient) && patients.len() < PATIENTS_MAX {
            patients.insert(patient.to_owned());
        }
    }

    /// The resource that the answer holds. What a long one is about is read at once, not kept.
    pub fn shows(&self, body: &str, base: &str) {
        let shown = Shown::Body(body.to_owned());
        let shown = if body.len() > SHOWN_MAX { Shown::Patient(shown.patient(base)) } else { shown };
        *locked(&self.shown) = Some(shown);
    }

    pub(crate) fn note(&self, part: Part) {
        locked(&self.parts).push(part);
    }

    pub(crate) fn is_on_record(&self) {
        self.is_on_record.store(true, Ordering::Release);
    }

    fn requester(&self) -> Requester {
        self.requester.get().cloned().unwrap_or_default()
    }

    fn next_id(&self) -> String {
        let number = self.events.fetch_add(1, Ordering::Relaxed).to_string();
        crate::identity::id("AuditEvent", &[&self.arrival.serial, &number])
    }

    /// The reference that the address makes, to a version if it names one.
    fn address(&self) -> Option<String> {
        let (Some(kind), Some(id), version) =
            (&self.arrival.named.0, &self.arrival.named.1, &self.arrival.named.2)
        else {
            return None;
        };
        Some(match version {
            Some(version) => format!("{kind}/{id}/_history/{version}"),
            None => format!("{kind}/{id}"),
        })
    }
}

/// A request that was answered.
#[derive(Clone, Debug)]
pub struct Seen {
    /// The request.
    pub call: std::sync::Arc<Call>,
    /// When it was answered.
    pub at: Timestamp,
    /// The status that it was answered with.
    pub status: u16,
    /// The OperationOutcome that it was refused with.
    pub outcome: Option<Json>,
}

impl Endplate {
    /// The same use cases, called by a request: what they write is put on record with it.
    #[must_use]
    pub fn called_by(&self, call: std::sync::Arc<Call>) -> Self {
        Self { call: Some(call), ..self.clone() }
    }

    /// Stores the Device that stands for this service, if it is not there: every AuditEvent refers to it.
    pub async fn introduce(&self) -> Result<(), Refusal> {
        self.record(vec![document::device()]).await
    }

    /// Puts requests on record, all together. Those whose write has put them there already are passed over.
    pub async fn put_on_record(&self, seen: &[Seen]) -> Result<(), Refusal> {
        let mut audit = Vec::new();
        for one in seen {
            let call = &one.call;
            let is_done = call.is_on_record.load(Ordering::Acquire) && one.status < 400;
            if !is_done || call.interaction() == Some("batch") {
                let patients = self.patients_of(one).await?;
                let event = Event {
                    interaction: call.interaction(),
                    status: one.status,
                    outcome: one.outcome.as_ref(),
                    about: call.address().into_iter().collect(),
                    ..Event::of(call, one.at)
                };
                self.tell(&event, &patients, &mut audit)?;
            }
            for part in locked(&call.parts).clone() {
                let event = if part.address.contains('?') {
                    Event { query: Some(part.address), ..Event::of(call, one.at) }
                } else {
                    Event { about: vec![part.address], query: None, ..Event::of(call, one.at) }
                };
                let event = Event { interaction: Some(part.interaction), status: part.status, ..event };
                self.tell(&event, &part.patient.into_iter().collect(), &mut audit)?;
            }
        }
        if audit.is_empty() {
            return Ok(());
        }
        let at = seen.last().map(|one| one.at);
        Ok(self.commit_measured(Changeset { at, audit, ..Changeset::default() }).await?)
    }

    /// One event for each patient, or one without.
    pub(crate) fn tell(
        &self,
        event: &Event<'_>,
        patients: &BTreeSet<String>,
        audit: &mut Vec<Put>,
    ) -> Result<(), Refusal> {
        for patient in patients.iter().map(Some).chain(patients.is_empty().then_some(None)) {
            let resource = event.resource(&self.settings.base, patient.map(String::as_str));
            audit.push(self.event(resource, event.at)?);
        }
        Ok(())
    }

    /// An AuditEvent as it is stored.
    pub(crate) fn event(&self, resource: Json, at: Timestamp) -> Result<Put, Refusal> {
        own(&resource)?;
        let resource = stamped(resource, 1, at);
        let id = resource.get("id").and_then(Json::as_str).unwrap_or_default().to_owned();
        let rows = index::rows(&resource, &self.settings.base);
        let stored = Stored { kind: "AuditEvent".to_owned(), id, version: 1, at, body: resource.to_string() };
        Ok(Put { stored, deed: Deed::Created, patient: None, rows })
    }

    /// The patients whom a request is known to be about.
    async fn patients_of(&self, seen: &Seen) -> Result<BTreeSet<String>, Refusal> {
        let call = &seen.call;
        let shown = locked(&call.shown).clone();
        if let Some(patient) = shown.and_then(|shown| shown.patient(&self.settings.base)) {
            return Ok(BTreeSet::from([patient]));
        }
        let mut known = BTreeSet::new();
        let named = locked(&call.patients).clone();
        for patient in named {
            if self.store.latest("Patient", &patient).await?.is_some() {
                known.insert(patient);
            }
        }
        if let (Some(kind), Some(id), _) = &call.arrival.named
            && TYPES.contains(&kind.as_str())
            && let Some(stored) = self.store.read(kind, id).await?
        {
            known.extend(reference::patient_of(
                &endplate_fhir::json::stored(&stored.body),
                &self.settings.base,
            ));
        }
        Ok(known)
    }
}
