//! Which resource an entry means, whether its conditions hold, and what it asks to be written.

use super::{Attempt, Incoming, check};
use crate::element::{name_of, text};
use crate::grant::Right;
use crate::identity;
use crate::ports::{Deed, Scope, Stored, Version};
use crate::read::names_version;
use crate::refusal::{Reason, Refusal};
use crate::subscription;
use base64::Engine;
use endplate_fhir::bundle::{Address, Entry, Method};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::patch::{self, Patch};
use endplate_fhir::{Json, index, json, search, validate};
use std::collections::BTreeMap;

/// Types that record what happened, and so are never deleted.
const KEPT: &[&str] = &["AuditEvent", "Provenance"];

impl Attempt<'_> {
    /// The resource that an entry writes, or ends.
    pub(super) async fn resolve(&mut self, entry: Entry) -> Result<Incoming, Refusal> {
        let (kind, index) = (entry.kind.clone(), entry.index);
        let resolved = match entry.method {
            Method::Post => self.post(entry).await,
            Method::Put => self.put(entry).await,
            Method::Patch => self.patch(entry).await,
            // Reads were taken out before.
            Method::Delete | Method::Get | Method::Head => self.delete(entry).await,
        };
        if self.bundled { resolved.map_err(|refusal| check::placed(refusal, &kind, index)) } else { resolved }
    }

    async fn post(&mut self, entry: Entry) -> Result<Incoming, Refusal> {
        let Entry { index, kind, if_none_exist, resource, method, .. } = entry;
        if let Some(condition) = if_none_exist
            && let Some(existing) = self.matching(&kind, &condition, index).await?
        {
            let resource = json::stored(&existing.body);
            let (id, version) = (existing.id.clone(), existing.version);
            let current = Some(existing);
            return Ok(Incoming {
                index,
                kind,
                id,
                resource,
                method,
                current,
                version,
                writes: false,
                deletes: false,
            });
        }
        let id = self.new_id(&kind, &resource).await?;
        let current = None;
        Ok(Incoming { index, kind, id, resource, method, current, version: 0, writes: true, deletes: false })
    }

    async fn put(&mut self, mut entry: Entry) -> Result<Incoming, Refusal> {
        if let Address::Criteria(criteria) = entry.address.clone() {
            let sent = text(&entry.resource, &["id"]).map(str::to_owned);
            entry.address = match (self.matching(&entry.kind, &criteria, entry.index).await?, sent) {
                (Some(found), Some(id)) if found.id != id => {
                    let text = "The criteria match a resource with another id than the body has; send its id, or none.";
                    let place = format!("{}.id", entry.kind);
                    return Err(self.refuse(
                        Reason::Malformed,
                        (&entry.kind, entry.index),
                        Code::Invalid,
                        &place,
                        text,
                    ));
                }
                (Some(found), _) => Address::Id(found.id),
                (None, Some(id)) if self.endplate.store.read(&entry.kind, &id).await?.is_some() => {
                    let text = "The criteria match nothing, but a resource with the id of the body exists; send PUT to its id.";
                    let place = format!("{}.id", entry.kind);
                    return Err(self.refuse(
                        Reason::Conflict,
                        (&entry.kind, entry.index),
                        Code::Conflict,
                        &place,
                        text,
                    ));
                }
                (None, Some(id)) => Address::Id(id),
                (None, None) => {
                    self.expect(&entry, None)?;
                    return self.post(entry).await;
                }
            };
        }
        let (newest, current) = self.addressed(&entry).await?;
        self.expect(&entry, current.as_ref())?;
        let Entry { index, kind, resource, method, address, .. } = entry;
        let Address::Id(id) = address else { return Err(Refusal::not_found()) };
        let version = newest.map_or(0, |newest| newest.stored.version);
        Ok(Incoming { index, kind, id, resource, method, current, version, writes: true, deletes: false })
    }

    async fn patch(&mut self, mut entry: Entry) -> Result<Incoming, Refusal> {
        self.single_out(&mut entry).await?;
        let (newest, current) = self.addressed(&entry).await?;
        self.expect(&entry, current.as_ref())?;
        let current = match (current, newest) {
            (Some(current), _) => current,
            (None, Some(_)) => return Err(Refusal::gone()),
            (None, None) => return Err(Refusal::not_found()),
        };
        let Entry { index, kind, method, .. } = entry;
        // A patch sees what a reader sees: it could move a secret to where it is shown.
        let before: Json = json::stored(&subscription::shown(current.clone()).body);
        let malformed = |issue: Issue| Refusal::new(Reason::Malformed, issue);
        let patch =
            patch_of(entry.resource).map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        let mut after = patch.apply(&before).map_err(|refused| {
            let reason = if refused.malformed { Reason::Malformed } else { Reason::Unprocessable };
            Refusal::new(reason, refused.issue)
        })?;
        for name in ["resourceType", "id"] {
            if after.get(name) != before.get(name) {
                let place = if name == "id" { format!("{kind}.id") } else { name.to_owned() };
                let text = "A patch cannot change what a resource is: leave resourceType and id as they are.";
                return Err(self.refuse(
                    Reason::Unprocessable,
                    (&kind, index),
                    Code::BusinessRule,
                    &place,
                    text,
                ));
            }
        }
        patch::settle_narrative(&before, &mut after)
            .map_err(|issue| Refusal::new(Reason::Unprocessable, issue))?;
        // What a patch puts together must be what could have been sent: no nulls, nothing empty.
        let resource = json::parse(after.to_string().as_bytes()).map_err(|mut issue| {
            issue.diagnostics = None;
            malformed(issue)
        })?;
        let id = current.id.clone();
        let entry = Entry { index, ..Entry::alone(Method::Put, &kind, Address::Id(id.clone()), resource) };
        let issues = check::resource(&entry, self.bundled, self.endplate);
        if issues.iter().any(Issue::is_error) {
            return Err(Refusal { reason: Reason::Unprocessable, issues });
        }
        let (version, resource) = (current.version, entry.resource);
        let current = Some(current);
        Ok(Incoming { index, kind, id, resource, method, current, version, writes: true, deletes: false })
    }

    async fn delete(&mut self, mut entry: Entry) -> Result<Incoming, Refusal> {
        let (kind, index) = (entry.kind.clone(), entry.index);
        if KEPT.contains(&kind.as_str()) {
            let text = "Resources of this type record what happened and are never deleted.";
            return Err(self.refuse(Reason::NotAllowed, (&kind, index), Code::NotSupported, &kind, text));
        }
        if let Address::Criteria(criteria) = entry.address.clone() {
            let Some(found) = self.matching(&kind, &criteria, index).await? else {
                self.expect(&entry, None)?;
                return Ok(Incoming {
                    index,
                    kind,
                    id: String::new(),
                    resource: Json::Null,
                    method: Method::Delete,
                    current: None,
                    version: 0,
                    writes: false,
                    deletes: false,
                });
            };
            entry.address = Address::Id(found.id);
        }
        let (newest, current) = self.addressed(&entry).await?;
        self.expect(&entry, current.as_ref())?;
        if current.as_ref().is_some_and(|current| is_derived(&current.body)) {
            let text = "This resource is derived by the service and would be made again; a status ends it: send an update \
                        that cancels, completes or revokes it.";
            return Err(self.refuse(Reason::Conflict, (&kind, index), Code::BusinessRule, &kind, text));
        }
        let Address::Id(id) = entry.address else { return Err(Refusal::not_found()) };
        let version = newest.map_or(0, |newest| newest.stored.version);
        let deletes = current.is_some();
        let method = Method::Delete;
        Ok(Incoming {
            index,
            kind,
            id,
            resource: Json::Null,
            method,
            current,
            version,
            writes: false,
            deletes,
        })
    }

    /// The newest version of the resource that an entry names, and the same if it is no deletion.
    async fn addressed(&self, entry: &Entry) -> Result<(Option<Version>, Option<Stored>), Refusal> {
        let Address::Id(id) = &entry.address else { return Ok((None, None)) };
        let newest = self.endplate.store.latest(&entry.kind, id).await?;
        let current =
            newest.clone().filter(|newest| newest.deed != Deed::Deleted).map(|newest| newest.stored);
        if current.as_ref().is_some_and(|current| !self.endplate.may(right(entry.method), current)) {
            return Err(Refusal::not_found());
        }
        Ok((newest, current))
    }

    /// Gives an entry with criteria the id of the one resource that they match.
    async fn single_out(&mut self, entry: &mut Entry) -> Result<(), Refusal> {
        if let Address::Criteria(criteria) = entry.address.clone() {
            match self.matching(&entry.kind, &criteria, entry.index).await? {
                Some(found) => entry.address = Address::Id(found.id),
                None => return Err(Refusal::not_found()),
            }
        }
        Ok(())
    }

    /// The one resource that a condition matches, if any. The condition becomes part of what the write rests on.
    async fn matching(
        &mut self,
        kind: &str,
        condition: &str,
        index: usize,
    ) -> Result<Option<Stored>, Refusal> {
        let mut query = search::criteria(&format!("{kind}?{condition}"), &self.endplate.settings.base)
            .map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        if query.clauses.is_empty() {
            let text =
                "A condition needs at least one search parameter, for example identifier=system|value.";
            return Err(self.refuse(Reason::Malformed, (kind, index), Code::Invalid, kind, text));
        }
        self.endplate.bound(&mut query)?;
        // Whether it is one, and not what a page would show.
        (query.count, query.after) = (2 + self.incoming.len(), None);
        let key = format!("{kind}?{condition}");
        // Whoever meets a condition for the first time moves its counter from 0.
        let generation = if self.trusts { 0 } else { self.endplate.store.generation(&key).await? };
        let mut found = self.endplate.store.search(&query).await?.resources;
        found.retain(|stored| !self.deletions().any(|(kind, id)| kind == stored.kind && id == stored.id));
        let base = &self.endplate.settings.base;
        let sibling = self
            .incoming
            .iter()
            .filter(|one| one.writes && one.current.is_none() && one.kind == kind)
            .find(|one| query.matches(kind, &one.id, &index::rows(&one.resource, base)));
        if let Some(sibling) = sibling {
            return Err(overlap(sibling.index, index));
        }
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

    /// Refuses unless If-Match and If-None-Match hold of what is current.
    fn expect(&self, entry: &Entry, current: Option<&Stored>) -> Result<(), Refusal> {
        let version = current.map_or(0, |current| current.version);
        let refuse = |text: &str| {
            let at = (entry.kind.as_str(), entry.index);
            Err(self.refuse(Reason::PreconditionFailed, at, Code::Conflict, &entry.kind, text))
        };
        match (&entry.if_none_match, version) {
            (None, _) | (Some(_), 0) => {}
            (Some(tags), _) if tags.trim() == "*" => {
                return refuse("The resource exists already; leave If-None-Match out to change it.");
            }
            (Some(_), _) => {
                let text = "If-None-Match is taken as * only when something is written; send If-Match with the version.";
                let at = (entry.kind.as_str(), entry.index);
                return Err(self.refuse(Reason::Malformed, at, Code::Invalid, &entry.kind, text));
            }
        }
        let holds = |tags: &String| current.is_some() && names_version(tags, version);
        match (&entry.if_match, version) {
            (Some(tags), 0) if !holds(tags) => {
                refuse("If-Match was sent, but the resource does not exist; leave If-Match out to create it.")
            }
            (Some(tags), _) if !holds(tags) => refuse(&format!(
                "The current version is {version}; read it, merge, and send If-Match: W/\"{version}\"."
            )),
            _ => Ok(()),
        }
    }

    /// R4 http.html#trules: a transaction in which two entries write the same resource fails, also where conditions led them there.
    pub(super) fn refuse_overlaps(&self) -> Result<(), Refusal> {
        let mut first: BTreeMap<(&str, &str), usize> = BTreeMap::new();
        for one in self.incoming.iter().filter(|one| one.writes || one.method != Method::Post) {
            if !one.id.is_empty()
                && let Some(first) = first.insert((&one.kind, &one.id), one.index)
            {
                return Err(overlap(first, one.index));
            }
        }
        Ok(())
    }

    /// What a transaction reads must be there once it is written.
    pub(super) async fn check_reads(&self, reads: &[Entry]) -> Result<(), Refusal> {
        for entry in reads {
            let Address::Id(id) = &entry.address else { continue };
            let sent = self.incoming.iter().find(|one| one.kind == entry.kind && one.id == *id);
            let there = if let Some(one) = sent {
                one.method != Method::Delete
            } else {
                let stored = self.endplate.store.read(&entry.kind, id).await?;
                stored.is_some_and(|stored| self.endplate.may(Right::Read, &stored))
            };
            if !there {
                let place = format!("Bundle.entry[{}].request.url", entry.index);
                let text = "There is no resource of this type with this id here; leave the entry out.";
                return Err(Refusal::new(Reason::NotFound, Issue::error(Code::NotFound, place, text)));
            }
        }
        Ok(())
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
            if !taken && (self.trusts || self.endplate.store.latest(kind, &id).await?.is_none()) {
                return Ok(id);
            }
        }
        Err(Refusal::not_found())
    }
}

/// The right that a write needs (SMART App Launch 2.2.0: an update that creates is an update).
pub(super) fn right(method: Method) -> Right {
    match method {
        Method::Post => Right::Create,
        Method::Put | Method::Patch => Right::Update,
        Method::Delete => Right::Delete,
        Method::Get | Method::Head => Right::Read,
    }
}

/// Two creates of one transaction with the same condition would make two resources of what is meant to be one.
pub(super) fn same_condition(entry: &Entry) -> Refusal {
    let text = "Two entries have the same ifNoneExist; send one of them, and refer to it from elsewhere.";
    let issue =
        Issue::error(Code::Duplicate, format!("Bundle.entry[{}].request.ifNoneExist", entry.index), text);
    Refusal::new(Reason::Unprocessable, issue)
}

fn overlap(first: usize, second: usize) -> Refusal {
    let (first, second) = (first.min(second), first.max(second));
    let text = format!("Entries {first} and {second} write the same resource. Send one of them.");
    let place = format!("Bundle.entry[{second}].request.url");
    Refusal::new(Reason::Unprocessable, Issue::error(Code::Duplicate, place, text))
}

fn is_derived(body: &str) -> bool {
    let resource: Json = json::stored(body);
    let tags = resource.pointer("/meta/tag").and_then(Json::as_array);
    tags.into_iter().flatten().any(|tag| {
        text(tag, &["system"]) == Some(&crate::code::system("origin"))
            && text(tag, &["code"]) == Some("derived")
    })
}

/// The patch that was sent: an array of operations, Parameters, or, inside a Bundle, a Binary that holds an array.
fn patch_of(sent: Json) -> Result<Patch, Vec<Issue>> {
    let wrong = |text: &str| vec![Issue::error(Code::Structure, "", text)];
    match text(&sent, &["resourceType"]) {
        None if sent.is_array() => Ok(Patch::Pointer(sent)),
        Some("Parameters") => {
            let issues: Vec<Issue> = validate::resource(&sent).into_iter().filter(Issue::is_error).collect();
            if issues.is_empty() { Ok(Patch::FhirPath(sent)) } else { Err(issues) }
        }
        Some("Binary") if text(&sent, &["contentType"]) == Some("application/json-patch+json") => {
            let data = text(&sent, &["data"]).unwrap_or_default();
            let bytes = base64::engine::general_purpose::STANDARD.decode(data);
            let bytes = bytes.map_err(|_| wrong("Send the patch in Binary.data as base64."))?;
            let operations = json::parse_array(&bytes).map_err(|issue| vec![issue])?;
            Ok(Patch::Pointer(operations))
        }
        _ => Err(wrong(
            "Send the patch as Parameters, or as a Binary with contentType application/json-patch+json and the patch in data.",
        )),
    }
}
