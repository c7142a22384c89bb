//! The one way in: what was sent is checked, laid over what is known, everything that follows is derived, and all of it is
//! committed together or not at all.

mod audit;
mod capacity;
pub(crate) mod check;
mod circle;
pub mod claim;
mod deletion;
mod entrance;
mod moving;
mod outside;
mod record;
mod rehearse;
mod resolve;
pub(crate) mod scheduler;
mod terms;
mod turn;
mod validation;
pub mod workflow;

pub use check::profile;
pub use entrance::Returned;

use crate::Endplate;
use crate::derivation::{Derivation, agree, stamped};
use crate::document;
use crate::dossier::local_references;
use crate::element::{self, text};
use crate::grant::Right;
use crate::ports::{Call, Changeset, Deed, Notice, Put, Scope, Stored};
use crate::refusal::{Reason, Refusal};
use crate::subscription::{self, Listeners};
use crate::terminology::Maps;
use crate::{answer, booking, forward};
use endplate_fhir::bundle::{Entry, Method};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, TYPES, index, json, reference, search};
use endplate_recovery::unit::Date;
use jiff::Timestamp;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use tracing::{Instrument, info_span};

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
    /// Whether the resource is new, or there again after a deletion.
    pub created: bool,
    /// Whether the resource is gone; version 0 then says that it never was there.
    pub deleted: bool,
    /// The resource as stored; empty if it is gone, or if the client may not read it.
    pub body: String,
    /// What the sender should know though nothing was refused.
    pub remarks: Vec<Issue>,
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
    /// What is asked for.
    method: Method,
    /// What is stored now; none after a deletion.
    current: Option<Stored>,
    /// The newest version there is, be it a deletion; 0 if there is none.
    version: u64,
    /// Whether it is written at all; a conditional create that matched and content already stored are not.
    writes: bool,
    /// Whether it is deleted.
    deletes: bool,
}

impl Incoming {
    /// What is stored now, read.
    fn before(&self) -> Option<Json> {
        self.current.as_ref().map(|current| json::stored(&current.body))
    }
}

/// One try at deciding a write on a snapshot of the facts.
struct Attempt<'a> {
    endplate: &'a Endplate,
    bundled: bool,
    /// Whether what seems new is taken to be new and not looked for, its id, its conditions and its patient's records, and what is
    /// referred to is taken to be there. The commit finds out all the same; what it refuses is decided once more with open eyes, and so
    /// is what is refused here.
    trusts: bool,
    now: Timestamp,
    today: Date,
    incoming: Vec<Incoming>,
    patients: BTreeSet<String>,
    change: Changeset,
    listeners: Arc<Listeners>,
    remarks: BTreeMap<String, Vec<Issue>>,
    /// By which maps local codes are read; none until they are needed.
    maps: Option<Arc<Maps>>,
    /// Whether plans of an earlier protocol are moved to the present one.
    moves: bool,
    /// How full the clinic's days are, as far as it matters.
    diary: capacity::Diary,
}

impl<'a> Attempt<'a> {
    fn new(endplate: &'a Endplate, bundled: bool) -> Self {
        let now = endplate.clock.now();
        Self {
            endplate,
            bundled,
            trusts: false,
            now,
            today: element::day(endplate.clock.today()),
            incoming: Vec::new(),
            patients: BTreeSet::new(),
            change: Changeset { at: Some(now), ..Changeset::default() },
            listeners: Arc::default(),
            remarks: BTreeMap::new(),
            maps: None,
            moves: false,
            diary: capacity::Diary::default(),
        }
    }

    /// Everything, from what was sent to the changeset.
    async fn decide(&mut self, mut entries: Vec<Entry>) -> Result<(), Refusal> {
        let mut addresses: BTreeMap<String, String> = BTreeMap::new();
        if entries.len() > 1 {
            // R4 http.html#trules: deletions, creates, updates, reads. Among the creates the content decides, so that ids do not
            // depend on the order of the entries.
            entries.sort_by_cached_key(|entry| {
                let content =
                    if entry.method == Method::Post { entry.resource.to_string() } else { String::new() };
                (entry.method, content, entry.index)
            });
        }
        let mut conditions: BTreeSet<(String, String)> = BTreeSet::new();
        let mut reads = Vec::new();
        for entry in entries {
            if entry.method.reads() {
                reads.push(entry);
                continue;
            }
            if let Some(condition) = &entry.if_none_exist
                && !conditions.insert((entry.kind.clone(), condition.clone()))
            {
                return Err(resolve::same_condition(&entry));
            }
            let full_url = entry.full_url.clone();
            let incoming = self.resolve(entry).await?;
            if let Some(url) = full_url.filter(|_| incoming.method != Method::Delete) {
                addresses.insert(url, format!("{}/{}", incoming.kind, incoming.id));
            }
            self.incoming.push(incoming);
        }
        self.incoming.sort_by_key(|incoming| incoming.index);
        self.refuse_overlaps()?;
        self.link(&addresses).await?;
        self.refuse_outside()?;
        self.compare();
        self.terms().await?;
        self.check_references().await?;
        self.check_reads(&reads).await?;
        self.find_patients();
        self.derive().instrument(info_span!("derive")).await
    }

    fn refuse(&self, reason: Reason, at: (&str, usize), code: Code, expression: &str, text: &str) -> Refusal {
        let expression =
            if self.bundled { check::in_bundle(expression, at.0, at.1) } else { expression.to_owned() };
        Refusal::new(reason, Issue::error(code, expression, text))
    }

    fn rest_on(&mut self, scope: Scope) {
        if !self.change.scopes.contains(&scope) {
            self.change.scopes.push(scope);
        }
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
        if let (false, Some((index, path, _))) = (self.bundled, conditional.first()) {
            let kind = self.kind_of(*index).to_owned();
            let text = "A conditional reference is resolved only inside a transaction; send Type/id here.";
            return Err(self.refuse(Reason::Malformed, (&kind, *index), Code::Invalid, path, text));
        }
        for (index, path, to) in conditional {
            let target = self.conditional_reference(index, &path, &to).await?;
            found.insert(to, target);
        }
        for incoming in self.incoming.iter_mut().filter(|incoming| incoming.writes) {
            reference::rewrite(&mut incoming.resource, &|to| reference::resolve(&found, to));
            if !addresses.is_empty() {
                reference::rewrite_addresses(&mut incoming.resource, addresses);
            }
            if let Some(members) = incoming.resource.as_object_mut() {
                members.insert("id".to_owned(), json!(incoming.id));
            }
            if incoming.kind == "Subscription" {
                let before = incoming.before();
                subscription::receive(&mut incoming.resource, before.as_ref());
            }
        }
        Ok(())
    }

    /// `Patient?identifier=system|value` -> `Patient/…`.
    async fn conditional_reference(&self, index: usize, path: &str, to: &str) -> Result<String, Refusal> {
        let kind = self.kind_of(index).to_owned();
        let wrong =
            |text: &str| self.refuse(Reason::Unprocessable, (&kind, index), Code::NotFound, path, text);
        let mut query = search::criteria(to, &self.endplate.settings.base).map_err(|_| {
            wrong("This conditional reference cannot be read; write it as Type?identifier=system|value.")
        })?;
        self.endplate.bound(&mut query).map_err(|refusal| check::placed(refusal, &kind, index))?;
        let mut matches: BTreeSet<(String, String)> = BTreeSet::new();
        for stored in self.endplate.store.search(&query).await?.resources {
            let sent = self
                .incoming
                .iter()
                .any(|one| (one.writes || one.deletes) && one.kind == stored.kind && one.id == stored.id);
            if !sent {
                matches.insert((stored.kind, stored.id));
            }
        }
        // R4 resolves such references after the writes, so that what the same transaction brings is found.
        for one in self.incoming.iter().filter(|one| one.writes && one.kind == query.kind) {
            if query.matches(&one.kind, &one.id, &index::rows(&one.resource, &self.endplate.settings.base)) {
                matches.insert((one.kind.clone(), one.id.clone()));
            }
        }
        match (matches.pop_first(), matches.is_empty()) {
            (Some((kind, id)), true) => Ok(format!("{kind}/{id}")),
            (None, _) => Err(wrong(
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

    /// Content that is already stored is not written again. What a scheduler says on a Task is noted on it, and whoever answers to an
    /// alert says nothing of how it stands.
    fn compare(&mut self) {
        for incoming in self.incoming.iter_mut().filter(|incoming| incoming.writes) {
            let Some(current) = &incoming.current else { continue };
            // By the same reader as what is sent: both keep the text of their numbers.
            let stored = json::stored(&current.body);
            match incoming.kind.as_str() {
                "Task" => scheduler::note(&mut incoming.resource, &stored, self.today),
                "DetectedIssue" => answer::keep_standing(&mut incoming.resource, &stored),
                _ => {}
            }
            incoming.writes = !agree(&stored, &incoming.resource);
        }
    }

    /// Every reference to something that this service should hold must lead somewhere.
    async fn check_references(&mut self) -> Result<(), Refusal> {
        let base = &self.endplate.settings.base;
        let mut targets = Vec::new();
        let mut issues = Vec::new();
        let gone: BTreeSet<String> = self.deletions().map(|(kind, id)| format!("{kind}/{id}")).collect();
        let mut known: BTreeSet<String> =
            self.incoming.iter().map(|incoming| format!("{}/{}", incoming.kind, incoming.id)).collect();
        known.retain(|reference| !gone.contains(reference));
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            let mut found = check::belongs(&incoming.kind, &self.as_read(&incoming.resource), base);
            let before = incoming.before();
            found.extend(workflow::change(&incoming.resource, before.as_ref()));
            found.extend(answer::issues(&incoming.resource, before.as_ref(), self.today));
            found.extend(subscription::change(&incoming.resource, before.as_ref()));
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
                let is_there = !gone.contains(&to)
                    && (self.trusts || self.endplate.store.read(kind, id).await?.is_some());
                if is_there {
                    targets.push((kind.to_owned(), id.to_owned()));
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
        self.change.targets = targets;
        if issues.is_empty() { Ok(()) } else { Err(Refusal { reason: Reason::Unprocessable, issues }) }
    }

    /// Whose plans this write may change: of the patient it is about, and of the one it was about before.
    fn find_patients(&mut self) {
        let base = &self.endplate.settings.base;
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes || incoming.deletes) {
            if incoming.writes {
                self.patients.extend(reference::patient_of(&incoming.resource, base));
            }
            let before = incoming.before();
            self.patients.extend(before.and_then(|before| reference::patient_of(&before, base)));
        }
    }

    /// Derives everything that follows and fills the changeset.
    async fn derive(&mut self) -> Result<(), Refusal> {
        self.listen().await?;
        let maps = self.terms().await?;
        let mut resources: Vec<(Json, u64)> = Vec::new();
        let mut seen: BTreeSet<String> = BTreeSet::new();
        for (circle, mut whole) in self.circles().await? {
            self.lay_over(&circle, &mut whole);
            whole.translate(&maps);
            self.derive_circle(&circle, &whole, &mut resources, &mut seen).await?;
        }
        self.refuse_if_referred_to_elsewhere(&seen).await?;
        let library = self.endplate.unkept(resources.iter().map(|(resource, _)| resource)).await?;
        resources.extend(library);
        self.add_device(&mut resources).await?;
        self.put_all(resources)?;
        self.put_deletions();
        Ok(())
    }

    /// Who wants to be told. Whoever writes a Subscription moves the counter that all others rest on.
    async fn listen(&mut self) -> Result<(), Refusal> {
        let (generation, listeners) = self.endplate.listeners().await?;
        let scope = Scope { key: subscription::SCOPE.to_owned(), generation };
        if self.incoming.iter().any(|one| one.kind == "Subscription" && (one.writes || one.deletes)) {
            self.rest_on(scope);
        } else {
            self.change.reads.push(scope);
        }
        self.listeners = listeners;
        Ok(())
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
            if incoming.kind == "Subscription" {
                self.change.makers.push(self.endplate.maker(&incoming.id));
            }
            if !is_derived(&incoming.kind, &incoming.id) {
                all.push((incoming.resource.clone(), incoming.version + 1, false));
            }
        }
        all.extend(derived.into_iter().map(|(resource, version)| (resource, version, true)));
        for (resource, version, derived) in all {
            if derived {
                check::own(&resource)?;
            }
            self.put_one(resource, version);
        }
        // Stable: what subscribers are told stays in its order.
        self.change.notices.sort_by_key(forward::rank);
        Ok(())
    }

    fn put_one(&mut self, resource: Json, version: u64) {
        let base = &self.endplate.settings.base;
        let resource = stamped(resource, version, self.now);
        let kind = text(&resource, &["resourceType"]).unwrap_or_default().to_owned();
        let id = text(&resource, &["id"]).unwrap_or_default().to_owned();
        let rows = index::rows(&resource, base);
        for receiver in self.listeners.of(&kind, &id, &rows) {
            let receiver = receiver.to_owned();
            self.change.notices.push(Notice { receiver, kind: kind.clone(), id: id.clone(), version });
        }
        if kind == "Subscription" {
            let at = subscription::next_call(&resource, self.now);
            self.change.calls.push(Call { subscription: id.clone(), at });
            if text(&resource, &["status"]) != Some("error") {
                self.change.releases.push(id.clone());
            }
        }
        self.change.notices.extend(forward::notices(&self.endplate.records, &resource, version));
        let patient = reference::patient_of(&resource, base);
        let is_new = |one: &Incoming| one.kind == kind && one.id == id && one.current.is_none();
        let created = version == 1 || self.incoming.iter().any(is_new);
        let deed = if created { Deed::Created } else { Deed::Updated };
        // Twice as fast as `to_string` of the value itself, which formats piece by piece.
        let body = serde_json::to_string(&resource).unwrap_or_else(|_| resource.to_string());
        let stored = Stored { kind, id, version, at: self.now, body };
        self.change.puts.push(Put { stored, deed, patient, rows });
    }

    /// What to answer for each entry, once committed.
    fn written(&self) -> Vec<Written> {
        let one = |incoming: &Incoming| {
            if incoming.method == Method::Delete {
                return Some(self.ended(incoming));
            }
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
                deleted: false,
                // Whoever may write and not read is told that it was done, and no more.
                body: if self.endplate.may(Right::Read, stored) {
                    subscription::shown(stored.clone()).body
                } else {
                    String::new()
                },
                remarks: self.remarks.get(&reference).cloned().unwrap_or_default(),
            })
        };
        self.incoming.iter().filter_map(one).collect()
    }
}
