//! What was derived, written to hospital record servers.
//!
//! Each version of a derived resource is an event of the receiver `record/NAME`, numbered in the commit that made it, each
//! after those it refers to. It is written by a conditional update by our identifier, with the version that the server last
//! answered. What follows from an answer is a pure function ([`after_write`], [`after_search`], [`merged`]); what is known of
//! their ids is kept before the event is settled, so that a restart in between writes nothing twice.

use crate::Endplate;
use crate::element::{items, text};
use crate::outbox::pool::Carried;
use crate::ports::{Answer, Ask, Changeset, Counterpart, Event, Note, Notice, Outcome, Transport, Writing};
use crate::preview::is_derived;
use crate::record::{self, RECEIVER, Record, Theirs, WRITABLE, by_identifier, our_identifier};
use crate::refusal::Refusal;
use crate::trace::Trace;
use endplate_fhir::search::{COUNT_MAX, Query};
use endplate_fhir::{Json, TYPES, json, reference};
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::Arc;

/// How often a write is decided again in one attempt because the server's version had moved.
const ROUNDS_MAX: u32 = 3;

/// What follows from an answer to a write.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Next {
    /// It is there, under this id where the answer tells it.
    Written {
        /// Logical id there.
        id: Option<String>,
        /// Version there.
        version: Option<String>,
    },
    /// Somebody else has written: read what is there and decide anew.
    Reread,
    /// Not now: try again when the outbox says so.
    Later(Outcome),
    /// Not as it is: somebody must see it.
    Refused(String),
}

/// What follows from an answer to a write of a resource of this type.
///
/// 409 and 412 mean that the version or the match has moved (R4 http.html#cond-update, #concurrency). 429 and every 5xx pass, and
/// so do 401 and 408, which say nothing about the resource. Another 4xx is about the resource.
pub fn after_write(kind: &str, answer: &Result<Answer, String>) -> Next {
    let answer = match answer {
        Ok(answer) => answer,
        Err(reason) => return Next::Later(Outcome::Unreachable { reason: reason.clone() }),
    };
    match answer.status {
        200..=299 => {
            let (id, version) = learnt(kind, answer);
            Next::Written { id, version }
        }
        409 | 412 => Next::Reread,
        _ => failure(answer),
    }
}

/// Id and version as an answer tells them: in a header, or in the resource.
fn learnt(kind: &str, answer: &Answer) -> (Option<String>, Option<String>) {
    let located = answer.location.as_deref().and_then(|address| record::located(address, kind));
    let (id, version) = located.map_or((None, None), |(id, version)| (Some(id), version));
    let body = answer.body.as_ref().filter(|body| text(body, &["resourceType"]) == Some(kind));
    let body = body.and_then(Theirs::of);
    let told = body.as_ref().and_then(|body| body.version.clone());
    (id.or(body.map(|body| body.id)), answer.version.clone().or(version).or(told))
}

fn failure(answer: &Answer) -> Next {
    let status = answer.status;
    match status {
        400..=499 if !matches!(status, 401 | 408 | 425 | 429) => {
            let said = record::outcome(answer.body.as_ref());
            let said = if said.is_empty() { "without an outcome".to_owned() } else { said };
            Next::Refused(format!("the record server answered {status}: {said}"))
        }
        _ => Next::Later(Outcome::Refused { status, retry_after_s: answer.retry_after_s }),
    }
}

/// What follows from the answer to a search by an identifier: the one that is there, none, or why it is not known.
pub fn after_search(
    kind: &str,
    (system, value): (&str, &str),
    answer: &Result<Answer, String>,
) -> Result<Option<Theirs>, Next> {
    let answer = match answer {
        Ok(answer) if answer.status == 200 => answer,
        Ok(answer) => return Err(failure(answer)),
        Err(reason) => return Err(Next::Later(Outcome::Unreachable { reason: reason.clone() })),
    };
    let mut found = record::identified(answer, kind, system, value);
    match found.len() {
        0 | 1 => Ok(found.pop()),
        many => Err(Next::Refused(format!(
            "the record server holds {many} resources of type {kind} with one identifier ({system}); leave one of them there"
        ))),
    }
}

/// Members that are never told apart: theirs to give, or made of the others.
const APART: [&str; 3] = ["id", "meta", "text"];

/// What is to stand there after somebody else has written: members that we changed since `before` (what we last wrote) as we
/// have them now, the others as they are there. Of what was changed on both sides, ours stands. Lists are taken whole. Without
/// `before`, ours stands.
pub fn merged(before: Option<&Json>, ours: &Json, theirs: &Json) -> Json {
    let mut merged = ours.clone();
    let (Some(before), Some(members), Some(there)) = (before, merged.as_object_mut(), theirs.as_object())
    else {
        return merged;
    };
    let unchanged = |name: &str| !APART.contains(&name) && before.get(name) == ours.get(name);
    for name in before.as_object().into_iter().flat_map(serde_json::Map::keys).filter(|name| unchanged(name))
    {
        if !there.contains_key(name) {
            members.shift_remove(name);
        }
    }
    for (name, value) in there.iter().filter(|(name, _)| unchanged(name)) {
        members.insert(name.clone(), value.clone());
    }
    merged
}

/// Whether two resources say the same, ids, versions and narrative apart.
pub fn same(one: &Json, other: &Json) -> bool {
    let bare = |resource: &Json| {
        let members = resource.as_object().into_iter().flatten();
        members
            .filter(|(name, _)| !APART.contains(&name.as_str()))
            .map(|(name, value)| (name.clone(), value.clone()))
            .collect::<BTreeMap<String, Json>>()
    };
    bare(one) == bare(other)
}

/// The record servers that a version must be written to.
pub(crate) fn notices(records: &[Record], resource: &Json, version: u64) -> Vec<Notice> {
    let kind = text(resource, &["resourceType"]).unwrap_or_default();
    if records.is_empty() || our_identifier(resource).is_none() {
        return Vec::new();
    }
    let told = records.iter().filter(|record| record.writes.iter().any(|written| written == kind));
    let notice = |record: &Record| Notice {
        receiver: record.receiver(),
        kind: kind.to_owned(),
        id: text(resource, &["id"]).unwrap_or_default().to_owned(),
        version,
    };
    told.map(notice).collect()
}

/// The place of a notice among those of one commit: for record servers, after what it refers to.
pub(crate) fn rank(notice: &Notice) -> usize {
    if !notice.receiver.starts_with(RECEIVER) {
        return 0;
    }
    WRITABLE.iter().position(|kind| *kind == notice.kind).map_or(WRITABLE.len(), |at| at) + 1
}

/// One event on its way to a record server.
struct Forward<'a> {
    endplate: &'a Endplate,
    record: &'a Record,
    transport: &'a dyn Transport,
    trace: Option<Arc<Trace>>,
}

impl Endplate {
    /// Writes what an event is about to a record server, once.
    pub(crate) async fn forward(
        &self,
        name: &str,
        event: &Event,
        transport: &dyn Transport,
    ) -> Result<Carried, Refusal> {
        let Some(record) = self.records.iter().find(|record| record.name == name) else {
            return Ok(Carried::Unwanted("the record server is not configured"));
        };
        let forward = Forward { endplate: self, record, transport, trace: event.trace.clone() };
        Ok(match forward.event(&event.notice).await? {
            Next::Written { .. } => Carried::Tried(Outcome::Accepted),
            Next::Reread => {
                let reason = "others kept changing it at the record server".to_owned();
                Carried::Tried(Outcome::Unreachable { reason })
            }
            Next::Later(outcome) => Carried::Tried(outcome),
            Next::Refused(reason) => Carried::Refused(reason),
        })
    }

    /// Tells a record server of everything that was derived and is not there in its present version, as after it was
    /// configured. Gives the number of resources.
    ///
    /// # Errors
    /// No record server has this name; the store cannot be used.
    pub async fn forward_all(&self, name: &str) -> Result<usize, Refusal> {
        let record = self.record_server(name)?;
        let mut count = 0;
        for kind in WRITABLE.iter().filter(|kind| record.writes.iter().any(|written| written == *kind)) {
            let mut query = Query::of(kind);
            query.count = COUNT_MAX;
            loop {
                let page = self.store.search(&query).await?;
                let mut notices = Vec::new();
                for stored in page.resources {
                    let known = self.store.counterpart(name, kind, &stored.id).await?;
                    if known.is_none_or(|known| known.our_version < stored.version) {
                        let resource = json::stored(&stored.body);
                        notices.extend(self::notices(
                            std::slice::from_ref(record),
                            &resource,
                            stored.version,
                        ));
                    }
                }
                count += notices.len();
                let at = Some(self.clock.now());
                self.store.commit(Changeset { at, notices, ..Changeset::default() }).await?;
                match page.next {
                    Some(next) => query.after = Some(next),
                    None => break,
                }
            }
        }
        Ok(count)
    }
}

impl Forward<'_> {
    async fn event(&self, notice: &Notice) -> Result<Next, Refusal> {
        let store = &self.endplate.store;
        let known = store.counterpart(&self.record.name, &notice.kind, &notice.id).await?;
        let done = Next::Written { id: None, version: None };
        if known.as_ref().is_some_and(|known| known.our_version >= notice.version) {
            return Ok(done);
        }
        let Some(ours) = self.version(notice, notice.version).await? else { return Ok(done) };
        let ours = match self.addressed(ours).await? {
            Ok(ours) => ours,
            Err(next) => return Ok(next),
        };
        self.write(notice, &ours, known).await
    }

    /// A version as it was committed, without what only we give it.
    async fn version(&self, notice: &Notice, version: u64) -> Result<Option<Json>, Refusal> {
        let stored = self.endplate.store.version(&notice.kind, &notice.id, version).await?;
        let resource = stored.map(|version| json::stored(&version.stored.body)).filter(Json::is_object);
        Ok(resource.map(|mut resource| {
            if let Some(meta) = resource.get_mut("meta").and_then(Json::as_object_mut) {
                meta.shift_remove("versionId");
                meta.shift_remove("lastUpdated");
            }
            resource
        }))
    }

    /// Writes, and where the server's version has moved, reads what is there and decides anew.
    async fn write(&self, notice: &Notice, ours: &Json, known: Option<Counterpart>) -> Result<Next, Refusal> {
        let Some((system, value)) = our_identifier(ours) else {
            return Ok(Next::Refused("it has no identifier of this service".to_owned()));
        };
        let address = by_identifier(&notice.kind, system, value);
        let mut reread = known.as_ref().is_some_and(|known| known.diverged);
        let mut there = known.as_ref().map(|known| (known.their_id.clone(), known.their_version.clone()));
        let mut resource = ours.clone();
        for _ in 0..ROUNDS_MAX {
            if reread {
                let answer = self.ask(&address, None).await;
                let found = match after_search(&notice.kind, (system, value), &answer) {
                    Ok(found) => found,
                    Err(next) => return Ok(next),
                };
                resource = self.decided(notice, ours, known.as_ref(), found.as_ref()).await?;
                there = found.as_ref().map(|theirs| (theirs.id.clone(), theirs.version.clone()));
                if found.is_some_and(|theirs| same(&resource, &theirs.resource)) {
                    return self.keep(notice, there, !same(&resource, ours)).await;
                }
            }
            let if_match = there.as_ref().and_then(|(_, version)| version.clone());
            let body = placed(&resource, there.as_ref().map(|(id, _)| id.as_str())).to_string();
            match after_write(&notice.kind, &self.ask(&address, Some(Writing { body, if_match })).await) {
                Next::Written { id, version } => {
                    let id = id.or(there.take().map(|(id, _)| id));
                    if let Some(id) = id {
                        return self.keep(notice, Some((id, version)), !same(&resource, ours)).await;
                    }
                    // It is there, and only a search can tell under which id.
                    reread = true;
                }
                Next::Reread => reread = true,
                other => return Ok(other),
            }
        }
        Ok(Next::Reread)
    }

    /// What is to stand there, given what stands there.
    async fn decided(
        &self,
        notice: &Notice,
        ours: &Json,
        known: Option<&Counterpart>,
        found: Option<&Theirs>,
    ) -> Result<Json, Refusal> {
        let (Some(known), Some(theirs)) = (known, found) else { return Ok(ours.clone()) };
        let before = match self.version(notice, known.our_version).await? {
            Some(before) => self.addressed(before).await?.ok(),
            None => None,
        };
        Ok(merged(before.as_ref(), ours, &theirs.resource))
    }

    async fn keep(
        &self,
        notice: &Notice,
        there: Option<(String, Option<String>)>,
        diverged: bool,
    ) -> Result<Next, Refusal> {
        let Some((their_id, their_version)) = there else { return Ok(Next::Reread) };
        let counterpart = Counterpart {
            their_version: their_version.clone(),
            our_version: notice.version,
            diverged,
            ..self.record.theirs(&notice.kind, &notice.id, &their_id, None)
        };
        self.endplate.store.note(vec![Note::Counterpart(counterpart)]).await?;
        Ok(Next::Written { id: Some(their_id), version: their_version })
    }

    async fn ask(&self, url: &str, write: Option<Writing>) -> Result<Answer, String> {
        let (record, trace) = (self.record.name.clone(), self.trace.clone());
        self.transport.ask(&Ask { record, url: url.to_owned(), write, trace }).await
    }

    /// The same resource with every reference as the record server knows it. What it does not know is named by its address
    /// here; a patient that it does not know ends it, since nobody would find what is about nobody.
    async fn addressed(&self, mut resource: Json) -> Result<Result<Json, Next>, Refusal> {
        let base = &self.endplate.settings.base;
        let mut named = Vec::new();
        reference::each(&resource, &mut |_, to| named.push(to.to_owned()));
        let mut addresses: BTreeMap<String, String> = BTreeMap::new();
        for to in named {
            let Some(target) = reference::parse(&to, base) else { continue };
            if addresses.contains_key(&to) || !TYPES.contains(&target.kind.as_str()) {
                continue;
            }
            let there = match self.counterpart(&target.kind, &target.id).await? {
                Ok(Some(id)) => format!("{}/{id}", target.kind),
                Ok(None) if target.kind == "Patient" => {
                    let reason = "the patient is not known at the record server: it must hold one with an identifier that \
                                  the patient has here";
                    return Ok(Err(Next::Refused(reason.to_owned())));
                }
                Ok(None) => format!("{base}/{}/{}", target.kind, target.id),
                Err(next) => return Ok(Err(next)),
            };
            addresses.insert(to, there);
        }
        reference::rewrite(&mut resource, &|to| addresses.get(to).cloned());
        Ok(Ok(resource))
    }

    /// The id there of a resource of ours: as the map has it; of what is theirs also as its `meta.source` or the settings say, or
    /// as a search by its identifiers finds it, which the map then keeps.
    async fn counterpart(&self, kind: &str, id: &str) -> Result<Result<Option<String>, Next>, Refusal> {
        let store = &self.endplate.store;
        if let Some(known) = store.counterpart(&self.record.name, kind, id).await? {
            return Ok(Ok(Some(known.their_id)));
        }
        let Some(stored) = store.read(kind, id).await? else { return Ok(Ok(None)) };
        let resource = json::stored(&stored.body);
        if is_derived(&resource) {
            return Ok(Ok(None));
        }
        let source = text(&resource, &["meta", "source"]);
        let source = source.filter(|source| source.starts_with(&format!("{}/", self.record.base)));
        if let Some(target) = source.and_then(|source| reference::parse(source, &self.record.base))
            && target.kind == kind
        {
            return Ok(Ok(Some(target.id)));
        }
        if self.record.same_ids {
            return Ok(Ok(Some(id.to_owned())));
        }
        for identifier in items(&resource, "identifier") {
            let (Some(system), Some(value)) = (text(identifier, &["system"]), text(identifier, &["value"]))
            else {
                continue;
            };
            let answer = self.ask(&by_identifier(kind, system, value), None).await;
            match after_search(kind, (system, value), &answer) {
                Ok(Some(theirs)) => {
                    // Without its version: what is there was not read.
                    let kept = self.record.theirs(kind, id, &theirs.id, None);
                    store.note(vec![Note::Counterpart(kept)]).await?;
                    return Ok(Ok(Some(theirs.id)));
                }
                Ok(None) => {}
                // A type that is not searched there is not found there.
                Err(Next::Refused(_)) if answer.as_ref().is_ok_and(|answer| answer.status != 200) => {}
                Err(next) => return Ok(Err(next)),
            }
        }
        Ok(Ok(None))
    }
}

/// The resource under their id, which a conditional update must name or leave out (R4 http.html#cond-update).
fn placed(resource: &Json, id: Option<&str>) -> Json {
    let mut placed = resource.clone();
    if let Some(members) = placed.as_object_mut() {
        match id {
            Some(id) => drop(members.insert("id".to_owned(), json!(id))),
            None => drop(members.shift_remove("id")),
        }
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answered(status: u16) -> Answer {
        let issue = json!({ "severity": "error", "code": "value", "details": { "text": "No such code." } });
        let body = json!({ "resourceType": "OperationOutcome", "issue": [issue] });
        Answer { status, retry_after_s: Some(7), body: Some(body), ..Answer::default() }
    }

    // RFC 9110, sections 15.5 and 15.6; RFC 6585, section 4; R4 http.html#cond-update: 412 where more than one matches or the
    // version is another, 409 where the version is another.
    #[test]
    fn what_follows_from_a_status() {
        for status in [409, 412] {
            assert_eq!(after_write("Task", &Ok(answered(status))), Next::Reread, "{status}");
        }
        for status in [301, 401, 408, 425, 429, 500, 501, 502, 503, 504, 507] {
            let later = Next::Later(Outcome::Refused { status, retry_after_s: Some(7) });
            assert_eq!(after_write("Task", &Ok(answered(status))), later, "{status}");
        }
        for status in [400, 403, 404, 405, 406, 410, 413, 415, 422, 428] {
            let Next::Refused(reason) = after_write("Task", &Ok(answered(status))) else {
                panic!("{status}")
            };
            assert_eq!(reason, format!("the record server answered {status}: No such code."));
        }
        let reason = "no answer in time".to_owned();
        let later = Next::Later(Outcome::Unreachable { reason: reason.clone() });
        assert_eq!(after_write("Task", &Err(reason)), later);
    }

    // R4 http.html#update: Location and ETag on success; with return=minimal there is no body.
    #[test]
    fn id_and_version_are_learnt_from_headers_or_from_the_body() {
        let body = json!({ "resourceType": "Task", "id": "7", "meta": { "versionId": "3" } });
        let located = |location: &str| Some(format!("https://record.example/fhir/{location}"));
        let written = |id: Option<&str>, version: Option<&str>| Next::Written {
            id: id.map(str::to_owned),
            version: version.map(str::to_owned),
        };
        let empty = Answer { status: 200, ..Answer::default() };
        for (answer, next) in [
            (
                Answer { location: located("Task/7/_history/3"), ..empty.clone() },
                written(Some("7"), Some("3")),
            ),
            (
                Answer { location: located("Task/7"), version: Some("4".to_owned()), ..empty.clone() },
                written(Some("7"), Some("4")),
            ),
            (Answer { body: Some(body.clone()), ..empty.clone() }, written(Some("7"), Some("3"))),
            (Answer { version: Some("4".to_owned()), ..empty.clone() }, written(None, Some("4"))),
            // An OperationOutcome tells no id.
            (Answer { body: answered(200).body, ..empty }, written(None, None)),
        ] {
            assert_eq!(after_write("Task", &Ok(answer)), next);
        }
    }

    #[test]
    fn a_search_finds_one_or_none_and_says_why_it_cannot_tell() {
        let task = |id: &str| json!({ "resource": { "resourceType": "Task", "id": id, "identifier": [{ "system": "s", "value": "v" }] } });
        let found = |entries: Vec<Json>| {
            let body = Some(json!({ "resourceType": "Bundle", "entry": entries }));
            after_search("Task", ("s", "v"), &Ok(Answer { status: 200, body, ..Answer::default() }))
        };
        assert_eq!(found(vec![]), Ok(None));
        assert_eq!(found(vec![task("7")]).ok().flatten().map(|one| one.id).as_deref(), Some("7"));
        let Err(Next::Refused(reason)) = found(vec![task("7"), task("8")]) else { panic!("two") };
        assert!(reason.contains("holds 2 resources of type Task"), "{reason}");
        assert!(matches!(after_search("Task", ("s", "v"), &Ok(answered(503))), Err(Next::Later(_))));
    }

    #[test]
    fn what_others_changed_stays_where_we_did_not_change_it() {
        let before = json!({ "resourceType": "Task", "id": "a", "status": "requested", "owner": { "display": "desk" }, "note": [{ "text": "1" }] });
        let ours = json!({ "resourceType": "Task", "id": "a", "status": "accepted", "owner": { "display": "desk" }, "note": [{ "text": "1" }] });
        let theirs = json!({ "resourceType": "Task", "id": "7", "meta": { "versionId": "2" }, "status": "received",
            "owner": { "display": "ward" }, "priority": "urgent" });
        let merged = merged(Some(&before), &ours, &theirs);
        let wanted = json!({ "resourceType": "Task", "id": "a", "status": "accepted", "owner": { "display": "ward" }, "priority": "urgent" });
        assert_eq!(merged, wanted, "ours of both, theirs of the rest, gone what they took away");
        assert_eq!(super::merged(None, &ours, &theirs), ours);
        assert_eq!(super::merged(Some(&ours), &ours, &ours), ours);
        assert!(same(
            &ours,
            &json!({ "resourceType": "Task", "id": "7", "meta": {}, "text": {}, "note": [{ "text": "1" }],
            "owner": { "display": "desk" }, "status": "accepted" })
        ));
        assert!(!same(&ours, &before));
    }
}
