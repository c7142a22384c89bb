//! The one way in: what was sent is checked, laid over what is known, everything that follows is derived, and all of it is
//! committed together or not at all.

mod check;
mod circle;
pub mod claim;
mod rehearse;
pub(crate) mod scheduler;
mod terms;
pub mod workflow;

use crate::Endplate;
use crate::booking;
use crate::derivation::{Derivation, comparable, local_references, stamped};
use crate::document;
use crate::element::{self, name_of, text};
use crate::identity;
use crate::outbox::{self, Listener};
use crate::ports::{Changeset, Notice, Put, Scope, StoreError, Stored};
use crate::refusal::{Reason, Refusal};
use crate::terminology::Maps;
use endplate_fhir::bundle::{self, Entry, Method, Response};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, TYPES, index, reference, search};
use endplate_recovery::unit::Date;
use jiff::Timestamp;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// How often a write is decided again because the facts moved under it.
const ATTEMPTS_MAX: u32 = 50;

/// Most entries of one transaction.
pub const ENTRIES_MAX: usize = 500;

/// What became of one write.
#[derive(Clone, Debug)]
pub struct Written {
    /// Resource type.
    pub kind: String,
    /// Logical id.
    pub id: String,
    /// The version now current.
    pub version: u64,
    /// When that was committed.
    pub at: Timestamp,
    /// Whether the resource is new.
    pub created: bool,
    /// The resource as stored.
    pub body: String,
    /// What the sender should know though nothing was refused.
    pub remarks: Vec<Issue>,
}

impl Endplate {
    /// Creates a resource. With `if_none_exist` (a search, without type and `?`) only if nothing matches it.
    ///
    /// The id is made of the resource's first business identifier, or of its content: never at random.
    pub async fn create(
        &self,
        kind: &str,
        resource: Json,
        if_none_exist: Option<&str>,
    ) -> Result<Written, Refusal> {
        let entry = Entry {
            index: 0,
            full_url: None,
            method: Method::Post,
            kind: kind.to_owned(),
            id: None,
            if_none_exist: if_none_exist.map(str::to_owned),
            if_match: None,
            resource,
        };
        self.one(entry).await
    }

    /// Updates a resource, or creates it with this id. With `if_match` only if that version is current.
    ///
    /// Content that is already stored makes no new version.
    pub async fn update(
        &self,
        kind: &str,
        id: &str,
        resource: Json,
        if_match: Option<&str>,
    ) -> Result<Written, Refusal> {
        let entry = Entry {
            index: 0,
            full_url: None,
            method: Method::Put,
            kind: kind.to_owned(),
            id: Some(id.to_owned()),
            if_none_exist: None,
            if_match: if_match.map(str::to_owned),
            resource,
        };
        self.one(entry).await
    }

    async fn one(&self, entry: Entry) -> Result<Written, Refusal> {
        if !TYPES.contains(&entry.kind.as_str()) {
            return Err(Refusal::unknown_type());
        }
        let issues = check::single(&entry);
        if !issues.is_empty() {
            return Err(Refusal { reason: Reason::Malformed, issues });
        }
        let mut written = self.commit(vec![entry], false).await?;
        written.pop().ok_or_else(Refusal::not_found)
    }

    /// Carries out a transaction Bundle: all entries or none. Answers with a transaction-response Bundle.
    pub async fn transaction(&self, bundle: Json) -> Result<Json, Refusal> {
        let entries =
            bundle::transaction(&bundle).map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        if entries.len() > ENTRIES_MAX {
            let text = format!("A transaction holds at most {ENTRIES_MAX} entries; split it.");
            return Err(Refusal::new(Reason::TooLarge, Issue::error(Code::TooLong, "Bundle.entry", text)));
        }
        let written = self.commit(entries, true).await?;
        let response = |written: Written| Response {
            status: if written.created { "201 Created".to_owned() } else { "200 OK".to_owned() },
            location: Some(format!("{}/{}/_history/{}", written.kind, written.id, written.version)),
            etag: Some(format!("W/\"{}\"", written.version)),
            last_modified: Some(instant_ms(written.at)),
            resource: None,
            outcome: (!written.remarks.is_empty()).then(|| endplate_fhir::issue::outcome(&written.remarks)),
        };
        Ok(bundle::transaction_response(written.into_iter().map(response).collect()))
    }

    /// Looks at one patient again with a later clock. True if anything changed.
    pub(crate) async fn revisit(&self, patient: &str) -> Result<bool, Refusal> {
        for _ in 0..ATTEMPTS_MAX {
            let mut attempt = Attempt::new(self, false);
            attempt.patients.insert(patient.to_owned());
            attempt.derive().await?;
            let changed = !attempt.change.puts.is_empty();
            match self.settle(attempt.change).await {
                Ok(()) => return Ok(changed),
                Err(StoreError::Moved) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(StoreError::Moved.into())
    }

    async fn commit(&self, entries: Vec<Entry>, bundled: bool) -> Result<Vec<Written>, Refusal> {
        let issues: Vec<Issue> = entries.iter().flat_map(|entry| check::resource(entry, bundled)).collect();
        if issues.iter().any(Issue::is_error) {
            return Err(Refusal { reason: Reason::Unprocessable, issues });
        }
        for _ in 0..ATTEMPTS_MAX {
            let mut attempt = Attempt::new(self, bundled);
            attempt.decide(entries.clone()).await?;
            let written = attempt.written();
            match self.settle(attempt.change).await {
                Ok(()) => return Ok(written),
                Err(StoreError::Moved) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(StoreError::Moved.into())
    }
}

/// An instant with milliseconds, UTC, as `meta.lastUpdated` holds it.
pub(crate) fn instant_ms(at: Timestamp) -> String {
    at.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_string()
}

/// One write on its way in.
struct Incoming {
    index: usize,
    kind: String,
    id: String,
    resource: Json,
    /// What is stored now.
    current: Option<Stored>,
    /// Whether it is written at all; a conditional create that matched and content already stored are not.
    writes: bool,
}

/// One try at deciding a write on a snapshot of the facts.
struct Attempt<'a> {
    endplate: &'a Endplate,
    bundled: bool,
    now: Timestamp,
    today: Date,
    incoming: Vec<Incoming>,
    patients: BTreeSet<String>,
    change: Changeset,
    listeners: Vec<Listener>,
    remarks: BTreeMap<String, Vec<Issue>>,
    /// By which maps local codes are read; none until they are needed.
    maps: Option<Arc<Maps>>,
}

impl<'a> Attempt<'a> {
    fn new(endplate: &'a Endplate, bundled: bool) -> Self {
        let now = endplate.clock.now();
        Self {
            endplate,
            bundled,
            now,
            today: element::day(endplate.clock.today()),
            incoming: Vec::new(),
            patients: BTreeSet::new(),
            change: Changeset { at: Some(now), ..Changeset::default() },
            listeners: Vec::new(),
            remarks: BTreeMap::new(),
            maps: None,
        }
    }

    /// Everything, from what was sent to the changeset.
    async fn decide(&mut self, entries: Vec<Entry>) -> Result<(), Refusal> {
        let mut addresses: BTreeMap<String, String> = BTreeMap::new();
        for entry in entries {
            let full_url = entry.full_url.clone();
            let incoming = match entry.method {
                Method::Post => self.post(entry).await?,
                Method::Put => self.put(entry).await?,
            };
            if let Some(url) = full_url {
                addresses.insert(url, format!("{}/{}", incoming.kind, incoming.id));
            }
            self.incoming.push(incoming);
        }
        self.link(&addresses).await?;
        self.compare();
        self.terms().await?;
        self.check_references().await?;
        self.find_patients();
        self.derive().await
    }

    fn refuse(&self, reason: Reason, at: (&str, usize), code: Code, expression: &str, text: &str) -> Refusal {
        let expression =
            if self.bundled { check::in_bundle(expression, at.0, at.1) } else { expression.to_owned() };
        Refusal::new(reason, Issue::error(code, expression, text))
    }

    async fn post(&mut self, entry: Entry) -> Result<Incoming, Refusal> {
        let Entry { index, kind, if_none_exist, resource, .. } = entry;
        if let Some(condition) = if_none_exist
            && let Some(existing) = self.matching(&kind, &condition, index).await?
        {
            let resource = serde_json::from_str(&existing.body).unwrap_or(Json::Null);
            let id = existing.id.clone();
            return Ok(Incoming { index, kind, id, resource, current: Some(existing), writes: false });
        }
        let id = self.new_id(&kind, &resource).await?;
        Ok(Incoming { index, kind, id, resource, current: None, writes: true })
    }

    /// The one resource that a condition matches, if any. The condition becomes part of what the write rests on.
    async fn matching(
        &mut self,
        kind: &str,
        condition: &str,
        index: usize,
    ) -> Result<Option<Stored>, Refusal> {
        let query = search::criteria(&format!("{kind}?{condition}"), &self.endplate.settings.base)
            .map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        if query.clauses.is_empty() {
            let text =
                "A condition needs at least one search parameter, for example identifier=system|value.";
            return Err(self.refuse(Reason::Malformed, (kind, index), Code::Invalid, kind, text));
        }
        let key = format!("{kind}?{condition}");
        let generation = self.endplate.store.generation(&key).await?;
        let mut found = self.endplate.store.search(&query).await?.resources;
        match found.len() {
            0 => {
                self.rest_on(Scope { key, generation });
                Ok(None)
            }
            1 => Ok(found.pop()),
            _ => {
                let text = "More than one resource matches this condition; make it narrower.";
                Err(self.refuse(Reason::PreconditionFailed, (kind, index), Code::MultipleMatches, kind, text))
            }
        }
    }

    fn rest_on(&mut self, scope: Scope) {
        if !self.change.scopes.contains(&scope) {
            self.change.scopes.push(scope);
        }
    }

    /// A name-based id that is free: of the first business identifier, else of the content.
    async fn new_id(&self, kind: &str, resource: &Json) -> Result<String, Refusal> {
        let mut nameless = resource.clone();
        if let Some(members) = nameless.as_object_mut() {
            members.shift_remove("id");
        }
        let name = name_of(&nameless);
        let name = if name.is_empty() { nameless.to_string() } else { name };
        for n in 0_u32.. {
            let id = identity::id(kind, &[&name, &n.to_string()]);
            let taken = self.incoming.iter().any(|other| other.kind == kind && other.id == id);
            if !taken && self.endplate.store.read(kind, &id).await?.is_none() {
                return Ok(id);
            }
        }
        Err(Refusal::not_found())
    }

    async fn put(&mut self, entry: Entry) -> Result<Incoming, Refusal> {
        let Entry { index, kind, id, if_match, resource, .. } = entry;
        let id = id.unwrap_or_default();
        let current = self.endplate.store.read(&kind, &id).await?;
        if let Some(wanted) = if_match {
            let number = wanted.trim().trim_start_matches("W/").trim_matches('"').parse::<u64>().ok();
            let version = current.as_ref().map_or(0, |current| current.version);
            if number != Some(version) {
                let text = match version {
                    0 => {
                        "If-Match was sent, but the resource does not exist; leave If-Match out to create it."
                            .to_owned()
                    }
                    _ => format!(
                        "The current version is {version}; read it, merge, and send If-Match: W/\"{version}\"."
                    ),
                };
                return Err(self.refuse(
                    Reason::PreconditionFailed,
                    (&kind, index),
                    Code::Conflict,
                    &kind,
                    &text,
                ));
            }
        }
        Ok(Incoming { index, kind, id, resource, current, writes: true })
    }

    /// Gives every new resource its id, and every reference to another entry or to a condition its address.
    async fn link(&mut self, addresses: &BTreeMap<String, String>) -> Result<(), Refusal> {
        let mut found: BTreeMap<String, String> = addresses.clone();
        let mut conditional: BTreeSet<(usize, String, String)> = BTreeSet::new();
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            reference::each(&incoming.resource, &mut |path, to| {
                if to.contains('?') && !found.contains_key(to) {
                    conditional.insert((incoming.index, path.to_owned(), to.to_owned()));
                }
            });
        }
        for (index, path, to) in conditional {
            let target = self.conditional_reference(index, &path, &to).await?;
            found.insert(to, target);
        }
        for incoming in self.incoming.iter_mut().filter(|incoming| incoming.writes) {
            reference::rewrite(&mut incoming.resource, &|to| found.get(to).cloned());
            if let Some(members) = incoming.resource.as_object_mut() {
                members.insert("id".to_owned(), json!(incoming.id));
            }
            outbox::activate(&incoming.kind, &mut incoming.resource);
        }
        Ok(())
    }

    /// `Patient?identifier=system|value` -> `Patient/…`.
    async fn conditional_reference(&self, index: usize, path: &str, to: &str) -> Result<String, Refusal> {
        let kind = self.kind_of(index).to_owned();
        let wrong =
            |text: &str| self.refuse(Reason::Unprocessable, (&kind, index), Code::NotFound, path, text);
        let query = search::criteria(to, &self.endplate.settings.base).map_err(|_| {
            wrong("This conditional reference cannot be read; write it as Type?identifier=system|value.")
        })?;
        let page = self.endplate.store.search(&query).await?;
        match page.resources.as_slice() {
            [one] => Ok(format!("{}/{}", one.kind, one.id)),
            [] => Err(wrong(
                "This conditional reference matches nothing; send the resource first or in the same transaction.",
            )),
            _ => Err(wrong("This conditional reference matches more than one resource; make it narrower.")),
        }
    }

    fn kind_of(&self, index: usize) -> &str {
        self.incoming
            .iter()
            .find(|incoming| incoming.index == index)
            .map_or("", |incoming| incoming.kind.as_str())
    }

    /// Content that is already stored is not written again. What a scheduler says on a Task is noted on it.
    fn compare(&mut self) {
        for incoming in self.incoming.iter_mut().filter(|incoming| incoming.writes) {
            let Some(current) = &incoming.current else { continue };
            let stored: Json = serde_json::from_str(&current.body).unwrap_or(Json::Null);
            if incoming.kind == "Task" {
                scheduler::note(&mut incoming.resource, &stored, self.today);
            }
            incoming.writes = comparable(&stored) != comparable(&incoming.resource);
        }
    }

    /// Every reference to something that this service should hold must lead somewhere.
    async fn check_references(&self) -> Result<(), Refusal> {
        let base = &self.endplate.settings.base;
        let mut issues = Vec::new();
        let mut known: BTreeSet<String> =
            self.incoming.iter().map(|incoming| format!("{}/{}", incoming.kind, incoming.id)).collect();
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            let mut found = check::belongs(&incoming.kind, &self.as_read(&incoming.resource), base);
            found.extend(workflow::change(&incoming.resource, incoming.current.as_ref()));
            reference::each(&incoming.resource, &mut |path, to| {
                if to.starts_with("urn:uuid:") || to.starts_with("urn:oid:") {
                    let text =
                        "This reference names no entry of the Bundle; add the entry or correct its fullUrl.";
                    found.push(Issue::error(Code::NotFound, path, text));
                }
            });
            for (path, to) in local_references(&incoming.resource, base) {
                let Some((kind, id)) = to.split_once('/') else { continue };
                if known.contains(&to) || !TYPES.contains(&kind) {
                    continue;
                }
                if self.endplate.store.read(kind, id).await?.is_some() {
                    known.insert(to);
                } else {
                    let text = "This reference leads to nothing here; send the resource first or in the same transaction.";
                    found.push(Issue::error(Code::NotFound, path, text));
                }
            }
            for mut issue in found {
                if self.bundled {
                    issue.expression = check::in_bundle(&issue.expression, &incoming.kind, incoming.index);
                }
                issues.push(issue);
            }
        }
        if issues.is_empty() { Ok(()) } else { Err(Refusal { reason: Reason::Unprocessable, issues }) }
    }

    /// Whose plans this write may change: of the patient it is about, and of the one it was about before.
    fn find_patients(&mut self) {
        let base = &self.endplate.settings.base;
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            self.patients.extend(reference::patient_of(&incoming.resource, base));
            let before =
                incoming.current.as_ref().and_then(|current| serde_json::from_str(&current.body).ok());
            self.patients.extend(before.and_then(|before: Json| reference::patient_of(&before, base)));
        }
    }

    /// Derives everything that follows and fills the changeset.
    async fn derive(&mut self) -> Result<(), Refusal> {
        self.listeners = outbox::listeners(self.endplate).await?;
        let maps = self.terms().await?;
        let mut resources: Vec<(Json, u64)> = Vec::new();
        for circle in self.circles().await? {
            let mut whole = self.dossier(&circle).await?;
            whole.translate(&maps);
            self.derive_circle(&circle, &whole, &mut resources).await?;
        }
        self.add_device(&mut resources).await?;
        self.put_all(resources)
    }

    /// Refuses the write if what it brings cannot be; remarks on findings that belong nowhere.
    fn accept(&mut self, derivation: &Derivation) -> Result<(), Refusal> {
        let mut issues = Vec::new();
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            let reference = format!("{}/{}", incoming.kind, incoming.id);
            for (_, issue) in derivation.intake.problems.iter().filter(|(of, _)| *of == reference) {
                let mut issue = issue.clone();
                if self.bundled {
                    issue.expression = check::in_bundle(&issue.expression, &incoming.kind, incoming.index);
                }
                issues.push(issue);
            }
            for remark in claim::unknown_profiles(&incoming.kind, &incoming.resource) {
                self.remarks.entry(reference.clone()).or_default().push(remark);
            }
            let booked =
                booking::remarks(&incoming.resource, &derivation.intake, &self.endplate.settings.protocol);
            if !booked.is_empty() {
                self.remarks.entry(reference.clone()).or_default().extend(booked);
            }
            if derivation.intake.unassigned.contains(&reference) {
                let text = "Stored, but assigned to no repair: name the Procedure in focus, or a bodySite that leaves one repair.";
                let remark = Issue::warning(Code::BusinessRule, format!("{}.focus", incoming.kind), text);
                self.remarks.entry(reference).or_default().push(remark);
            }
        }
        if issues.is_empty() { Ok(()) } else { Err(Refusal { reason: Reason::Unprocessable, issues }) }
    }

    /// The Device that stands for this service exists before anything refers to it.
    async fn add_device(&self, resources: &mut Vec<(Json, u64)>) -> Result<(), Refusal> {
        if resources.is_empty() {
            return Ok(());
        }
        let stored = self.endplate.store.read("Device", document::DEVICE_ID).await?;
        resources.extend(document::renewed_device(stored.as_ref()));
        Ok(())
    }

    /// Incoming resources first, then what was derived. A derived resource that was also sent is written once, as derived.
    fn put_all(&mut self, derived: Vec<(Json, u64)>) -> Result<(), Refusal> {
        let mut all: Vec<(Json, u64, bool)> = Vec::new();
        let is_derived = |kind: &str, id: &str| {
            derived
                .iter()
                .any(|(one, _)| text(one, &["resourceType"]) == Some(kind) && text(one, &["id"]) == Some(id))
        };
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            if !is_derived(&incoming.kind, &incoming.id) {
                let version = incoming.current.as_ref().map_or(0, |current| current.version) + 1;
                all.push((incoming.resource.clone(), version, false));
            }
        }
        all.extend(derived.into_iter().map(|(resource, version)| (resource, version, true)));
        for (resource, version, derived) in all {
            if derived {
                check::own(&resource)?;
            }
            self.put_one(resource, version);
        }
        Ok(())
    }

    fn put_one(&mut self, resource: Json, version: u64) {
        let base = &self.endplate.settings.base;
        let resource = stamped(resource, version, self.now);
        let kind = text(&resource, &["resourceType"]).unwrap_or_default().to_owned();
        let id = text(&resource, &["id"]).unwrap_or_default().to_owned();
        let rows = index::rows(&resource, base);
        for listener in self.listeners.iter().filter(|listener| listener.query.matches(&kind, &id, &rows)) {
            self.change.notices.push(Notice {
                subscription: listener.subscription.clone(),
                kind: kind.clone(),
                id: id.clone(),
                version,
            });
        }
        let patient = reference::patient_of(&resource, base);
        let stored = Stored { kind, id, version, at: self.now, body: resource.to_string() };
        self.change.puts.push(Put { stored, patient, rows });
    }

    /// What to answer for each entry, once committed.
    fn written(&self) -> Vec<Written> {
        let one = |incoming: &Incoming| {
            let put = self
                .change
                .puts
                .iter()
                .map(|put| &put.stored)
                .find(|stored| stored.kind == incoming.kind && stored.id == incoming.id);
            let stored = put.or(incoming.current.as_ref())?;
            let reference = format!("{}/{}", incoming.kind, incoming.id);
            Some(Written {
                kind: incoming.kind.clone(),
                id: incoming.id.clone(),
                version: stored.version,
                at: stored.at,
                created: incoming.current.is_none(),
                body: stored.body.clone(),
                remarks: self.remarks.get(&reference).cloned().unwrap_or_default(),
            })
        };
        self.incoming.iter().filter_map(one).collect()
    }
}
