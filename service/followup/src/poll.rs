//! What happens at a hospital record server that sends nothing by itself: read there by `_lastUpdated`, and written here like
//! anything that is sent.
//!
//! Patients come first, and whatever a record refers to comes before it. A record that cannot be taken in is put aside with the
//! reason and stops no other. What we wrote there is not read back. How far a type was read is kept when all of its pages have
//! been; a reading that breaks off begins again, and what was taken in is known by its id and version there.

use crate::Endplate;
use crate::element::{items, text};
use crate::identity;
use crate::ports::{Answer, Ask, Bookmark, Note, Transport, Unread};
use crate::preview::is_derived;
use crate::record::{READABLE, Record, Theirs, our_identifier, outcome, shortened};
use crate::refusal::{Reason, Refusal};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, json, reference, search};
use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use jiff::Timestamp;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// How many references are followed from one record to others that were not read yet.
const DEPTH_MAX: u32 = 3;

/// What one reading of a record server did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PollReport {
    /// New here, or changed there.
    pub taken: usize,
    /// Known already.
    pub known: usize,
    /// Ours: written there by this service.
    pub ours: usize,
    /// Put aside with a reason.
    pub refused: usize,
    /// Why types were not read to their end, for people.
    pub problems: Vec<String>,
    /// How long the server asks to wait, in seconds.
    pub retry_after_s: Option<u64>,
}

/// Why a reading broke off.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Broken {
    reason: String,
    /// Whether it concerns the whole server, so that other types are not asked for now.
    whole: bool,
    retry_after_s: Option<u64>,
}

/// One page of what was found, or why there is none.
fn page(answer: Result<Answer, String>) -> Result<Json, Broken> {
    let answer = answer.map_err(|reason| Broken { reason, whole: true, retry_after_s: None })?;
    let whole = matches!(answer.status, 401 | 408 | 425 | 429) || answer.status >= 500;
    if answer.status != 200 {
        let said = outcome(answer.body.as_ref());
        let reason = format!("the record server answered {} {said}", answer.status).trim_end().to_owned();
        return Err(Broken { reason, whole, retry_after_s: answer.retry_after_s });
    }
    answer.body.filter(|body| text(body, &["resourceType"]) == Some("Bundle")).ok_or_else(|| {
        let reason = "the record server answered a search with something that is no Bundle".to_owned();
        Broken { reason, whole: false, retry_after_s: None }
    })
}

/// The address of the next page.
fn next_page(bundle: &Json) -> Option<String> {
    let next = items(bundle, "link").find(|link| text(link, &["relation"]) == Some("next"))?;
    text(next, &["url"]).map(str::to_owned)
}

/// The address of the first page.
fn first_page(record: &Record, kind: &str, until: Option<Timestamp>) -> String {
    let mut query = form_urlencoded::Serializer::new(String::new());
    if let Some(since) = until.and_then(|until| until.checked_sub(record.overlap).ok()) {
        query.append_pair("_lastUpdated", &format!("ge{}", crate::write::instant_ms(since)));
    }
    query.append_pair("_sort", "_lastUpdated").append_pair("_count", &record.page.to_string());
    format!("{kind}?{}", query.finish())
}

fn changed_at(resource: &Json) -> Option<Timestamp> {
    text(resource, &["meta", "lastUpdated"])?.parse().ok()
}

/// What tells versions apart: `meta.versionId`, or when it changed, where a server numbers no versions.
fn version_of(theirs: &Theirs) -> Option<String> {
    let changed = || text(&theirs.resource, &["meta", "lastUpdated"]).map(str::to_owned);
    theirs.version.clone().or_else(changed)
}

/// Whether a version there is the one that was taken in, or an older one: an earlier page may be older than a later request.
fn is_known(known: Option<&str>, version: Option<&str>) -> bool {
    let (Some(known), Some(version)) = (known, version) else { return false };
    match (known.parse::<u64>(), version.parse::<u64>()) {
        (Ok(known), Ok(version)) => version <= known,
        _ => known == version,
    }
}

/// What became of one record.
enum Fate {
    Taken,
    Known,
    Ours,
    Refused(String),
}

/// One reading.
struct Poll<'a> {
    endplate: &'a Endplate,
    record: &'a Record,
    transport: &'a dyn Transport,
}

impl Endplate {
    /// The record server of this name.
    pub(crate) fn record_server(&self, name: &str) -> Result<&Record, Refusal> {
        self.records.iter().find(|record| record.name == name).ok_or_else(|| {
            let known: Vec<&str> = self.records.iter().map(|record| record.name.as_str()).collect();
            let text = match known.len() {
                0 => "No record server is configured; add one as [[record]] to the configuration file."
                    .to_owned(),
                _ => format!("No record server has this name; use one of: {}.", known.join(", ")),
            };
            Refusal::new(Reason::NotFound, Issue::error(Code::NotFound, "", text))
        })
    }

    /// Reads what has changed at a record server since the last time.
    ///
    /// # Errors
    /// No record server has this name; the store cannot be used. What is wrong at the other end is in the report.
    pub async fn poll(&self, name: &str, transport: &dyn Transport) -> Result<PollReport, Refusal> {
        let poll = Poll { endplate: self, record: self.record_server(name)?, transport };
        let mut report = PollReport::default();
        let bookmarks = self.store.bookmarks(name).await?;
        for kind in READABLE.into_iter().filter(|kind| poll.record.reads.iter().any(|read| read == kind)) {
            let before = bookmarks.iter().find(|bookmark| bookmark.kind == kind);
            let until = before.and_then(|bookmark| bookmark.until);
            let began = self.clock.now();
            let read = poll.read(kind, until, &mut report).await?;
            let bookmark = Bookmark {
                record: name.to_owned(),
                kind: kind.to_owned(),
                // One record that is dated years ahead must not hide all that follows it.
                until: read.as_ref().unwrap_or(&until).map(|latest| latest.min(began)),
                read_at: self.clock.now(),
                problem: read.as_ref().err().map(|broken| broken.reason.clone()),
            };
            self.store.note(vec![Note::Bookmark(bookmark)]).await?;
            if let Err(broken) = read {
                report.problems.push(format!("{kind}: {}", broken.reason));
                report.retry_after_s = report.retry_after_s.max(broken.retry_after_s);
                if broken.whole {
                    break;
                }
            }
        }
        Ok(report)
    }
}

impl Poll<'_> {
    /// Reads one type to its last page. Gives the latest change of all that was read.
    async fn read(
        &self,
        kind: &str,
        until: Option<Timestamp>,
        report: &mut PollReport,
    ) -> Result<Result<Option<Timestamp>, Broken>, Refusal> {
        let mut url = first_page(self.record, kind, until);
        let mut latest = until;
        let mut seen: BTreeSet<String> = BTreeSet::new();
        loop {
            let bundle = match page(self.ask(&url).await) {
                Ok(bundle) => bundle,
                Err(broken) => return Ok(Err(broken)),
            };
            for entry in items(&bundle, "entry") {
                let Some(resource) = entry.get("resource") else { continue };
                // Beside the matches may stand what is included, or an OperationOutcome.
                if text(resource, &["resourceType"]) != Some(kind) {
                    continue;
                }
                latest = latest.max(changed_at(resource));
                match self.take(resource, 0).await? {
                    Fate::Taken => report.taken += 1,
                    Fate::Known => report.known += 1,
                    Fate::Ours => report.ours += 1,
                    Fate::Refused(_) => report.refused += 1,
                }
            }
            let Some(next) = next_page(&bundle) else { return Ok(Ok(latest)) };
            seen.insert(std::mem::replace(&mut url, next));
            if seen.contains(&url) {
                let reason = "the pages of the record server lead in a circle".to_owned();
                return Ok(Err(Broken { reason, whole: false, retry_after_s: None }));
            }
        }
    }

    async fn ask(&self, url: &str) -> Result<Answer, String> {
        let record = self.record.name.clone();
        self.transport.ask(&Ask { record, url: url.to_owned(), write: None, trace: None }).await
    }

    /// Takes one record in, after those it refers to, and keeps why if it is refused.
    fn take<'s>(&'s self, resource: &'s Json, depth: u32) -> BoxFuture<'s, Result<Fate, Refusal>> {
        async move {
            let kind = text(resource, &["resourceType"]).unwrap_or_default();
            let Some(theirs) = Theirs::of(resource) else {
                return Ok(Fate::Refused("it has no id".to_owned()));
            };
            let fate = self.decide(kind, &theirs, depth).await?;
            let (record, their_id) = (self.record.name.clone(), theirs.id.clone());
            let kind = kind.to_owned();
            match &fate {
                Fate::Refused(reason) => {
                    let unread = Unread {
                        record,
                        kind,
                        their_id,
                        their_version: version_of(&theirs),
                        at: self.endplate.clock.now(),
                        reason: shortened(reason),
                    };
                    self.endplate.store.note(vec![Note::Unread(unread)]).await?;
                }
                Fate::Taken => {
                    self.endplate.store.note(vec![Note::Taken { record, kind, their_id }]).await?;
                }
                Fate::Known | Fate::Ours => {}
            }
            Ok(fate)
        }
        .boxed()
    }

    async fn decide(&self, kind: &str, theirs: &Theirs, depth: u32) -> Result<Fate, Refusal> {
        let store = &self.endplate.store;
        let known = store.counterpart_of(&self.record.name, kind, &theirs.id).await?;
        if our_identifier(&theirs.resource).is_some()
            || known.as_ref().is_some_and(|known| known.our_version > 0)
        {
            return Ok(Fate::Ours);
        }
        let version = version_of(theirs);
        let seen = known.as_ref().and_then(|known| known.their_version.as_deref());
        if is_known(seen, version.as_deref()) {
            return Ok(Fate::Known);
        }
        // Read again as strictly as what is sent to us.
        let mut resource = match json::parse(theirs.resource.to_string().as_bytes()) {
            Ok(resource) => resource,
            Err(issue) => return Ok(Fate::Refused(told(&[issue]))),
        };
        let id = match known {
            Some(known) => known.id,
            None => self.our_id(kind, theirs).await?,
        };
        own(&mut resource, &id, &format!("{}/{kind}/{}", self.record.base, theirs.id));
        self.address(&mut resource, depth).await?;
        match self.endplate.update(kind, &id, resource, None).await {
            Ok(_) => {
                let kept = self.record.theirs(kind, &id, &theirs.id, version);
                store.note(vec![Note::Counterpart(kept)]).await?;
                Ok(Fate::Taken)
            }
            Err(refusal) if matches!(refusal.reason, Reason::Unavailable | Reason::Conflict) => Err(refusal),
            Err(refusal) => Ok(Fate::Refused(told(&refusal.issues))),
        }
    }

    /// The id here of a record of theirs: that of a resource that was sent to us under the same identifier, else their own where
    /// the settings say so, else one made of its address there.
    async fn our_id(&self, kind: &str, theirs: &Theirs) -> Result<String, Refusal> {
        if self.record.same_ids {
            return Ok(theirs.id.clone());
        }
        let store = &self.endplate.store;
        for identifier in items(&theirs.resource, "identifier") {
            let (Some(system), Some(value)) = (text(identifier, &["system"]), text(identifier, &["value"]))
            else {
                continue;
            };
            let address = crate::record::by_identifier(kind, system, value);
            let Ok(query) = search::criteria(&address, &self.endplate.settings.base) else { continue };
            let found = store.search(&query).await?.resources;
            if let [one] = found.as_slice()
                && !is_derived(&json::stored(&one.body))
                && store.counterpart(&self.record.name, kind, &one.id).await?.is_none()
            {
                return Ok(one.id.clone());
            }
        }
        Ok(identity::id(kind, &[&self.record.base, &theirs.id]))
    }

    /// Names every resource of theirs as it is named here. What is not here yet and can be read is read first; what is not
    /// read at all is named by its address there.
    async fn address(&self, resource: &mut Json, depth: u32) -> Result<(), Refusal> {
        let mut named = BTreeSet::new();
        reference::each(resource, &mut |_, to| {
            named.insert(to.to_owned());
        });
        let mut addresses: BTreeMap<String, String> = BTreeMap::new();
        for to in named {
            let Some(target) = reference::parse(&to, &self.record.base) else { continue };
            let (kind, their_id) = (&target.kind, &target.id);
            let find = || self.endplate.store.counterpart_of(&self.record.name, kind, their_id);
            let mut known = find().await?;
            let is_read = self.record.reads.iter().any(|read| read == kind);
            if known.as_ref().is_none_or(|known| known.their_version.is_none() && known.our_version == 0)
                && is_read
                && depth < DEPTH_MAX
                && let Ok(Answer { status: 200, body: Some(body), .. }) =
                    self.ask(&format!("{kind}/{their_id}")).await
                && text(&body, &["resourceType"]) == Some(kind)
            {
                self.take(&body, depth + 1).await?;
                known = find().await?;
            }
            let here = match known {
                Some(known) => format!("{kind}/{}", known.id),
                None => format!("{}/{kind}/{their_id}", self.record.base),
            };
            addresses.insert(to, here);
        }
        reference::rewrite(resource, &|to| addresses.get(to).cloned());
        Ok(())
    }
}

/// Under our id, without their version and time, and with where it came from.
fn own(resource: &mut Json, id: &str, source: &str) {
    let Some(members) = resource.as_object_mut() else { return };
    members.insert("id".to_owned(), json!(id));
    let meta = members.entry("meta").or_insert_with(|| json!({}));
    if let Some(meta) = meta.as_object_mut() {
        meta.shift_remove("versionId");
        meta.shift_remove("lastUpdated");
        meta.entry("source").or_insert_with(|| json!(source));
    }
}

/// Issues in few words. They never repeat a value of the record.
fn told(issues: &[Issue]) -> String {
    let one = |issue: &Issue| format!("{} {}", issue.expression, issue.text).trim_start().to_owned();
    issues.iter().take(3).map(one).collect::<Vec<_>>().join(" ")
}
