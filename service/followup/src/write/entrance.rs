//! Where writes come in: alone, as a transaction, as a batch.

use super::{Attempt, ENTRIES_MAX, Written, audit, check, instant_ms, resolve};
use crate::Endplate;
use crate::audit::Part;
use crate::grant::Right;
use crate::ports::StoreError;
use crate::read;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::bundle::{self, Address, Entry, Method, Response};
use endplate_fhir::issue::{self, Code, Issue};
use endplate_fhir::{Json, TYPES, json, reference};
use std::collections::BTreeSet;
use tracing::{Instrument, info_span};

/// How often a write is decided again because the facts moved under it.
pub(super) const ATTEMPTS_MAX: u32 = 50;

/// What each entry of the answer to a Bundle carries (R4 http.html#ops, Prefer).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Returned {
    /// Status, location and tag, and remarks if there are any.
    #[default]
    Little,
    /// The resource as well.
    Resource,
    /// An OperationOutcome in any case.
    Outcome,
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
        let entry = Entry::alone(Method::Post, kind, Address::New, resource);
        self.write(Entry { if_none_exist: if_none_exist.map(str::to_owned), ..entry }).await
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
        let entry = Entry::alone(Method::Put, kind, Address::Id(id.to_owned()), resource);
        self.write(Entry { if_match: if_match.map(str::to_owned), ..entry }).await
    }

    /// Carries out one write that stands for itself: a create, an update, a patch or a deletion, with its conditions.
    pub async fn write(&self, entry: Entry) -> Result<Written, Refusal> {
        if !TYPES.contains(&entry.kind.as_str()) {
            return Err(Refusal::unknown_type());
        }
        self.permit_entry(&entry)?;
        let issues = check::single(&entry);
        if !issues.is_empty() {
            return Err(Refusal { reason: Reason::Malformed, issues });
        }
        let mut written = self.commit(vec![entry], false).await?;
        written.pop().ok_or_else(Refusal::not_found)
    }

    /// Carries out a Bundle: a transaction as a whole, a batch entry by entry. Answers with a Bundle of responses.
    pub async fn bundle(&self, bundle: Json, returned: Returned) -> Result<Json, Refusal> {
        match bundle.get("type").and_then(Json::as_str) {
            Some("batch") => {
                self.is("batch");
                self.batch(&bundle, returned).await
            }
            Some(
                "document"
                | "message"
                | "transaction-response"
                | "batch-response"
                | "history"
                | "searchset"
                | "collection",
            ) => {
                let text =
                    "Send a Bundle of type transaction or batch; Bundles of other types are not taken here.";
                Err(Refusal::new(
                    Reason::Unprocessable,
                    Issue::error(Code::NotSupported, "Bundle.type", text),
                ))
            }
            _ => {
                self.is("transaction");
                self.transact(&bundle, returned).await
            }
        }
    }

    fn is(&self, interaction: &'static str) {
        if let Some(call) = &self.call {
            call.is(interaction);
        }
    }

    /// Carries out a transaction Bundle: all entries or none. Answers with a transaction-response Bundle.
    pub async fn transaction(&self, bundle: Json) -> Result<Json, Refusal> {
        self.transact(&bundle, Returned::Little).await
    }

    async fn transact(&self, bundle: &Json, returned: Returned) -> Result<Json, Refusal> {
        refuse_size(bundle)?;
        let entries = bundle::transaction(bundle, &self.settings.base)
            .map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        for entry in &entries {
            let placed = |refusal| check::placed(refusal, &entry.kind, entry.index);
            self.permit_entry(entry).map_err(placed)?;
        }
        let reads: Vec<Entry> = entries.iter().filter(|entry| entry.method.reads()).cloned().collect();
        let order: Vec<usize> =
            entries.iter().filter(|entry| !entry.method.reads()).map(|entry| entry.index).collect();
        let written = self.commit(entries, true).await.map_err(|refusal| match refusal.reason {
            // 405 would speak of the address of the transaction, where POST is allowed.
            Reason::NotAllowed => Refusal { reason: Reason::Unprocessable, ..refusal },
            _ => refusal,
        })?;
        let mut responses: Vec<(usize, Response)> =
            order.into_iter().zip(written.into_iter().map(|written| response(&written, returned))).collect();
        // Reads come last (R4 http.html#trules), and so see what was written.
        for entry in reads {
            let index = entry.index;
            let done = self.answer(&entry).await;
            self.note(&entry, done.as_ref());
            responses.push((index, done.unwrap_or_else(|refusal| refused(&refusal))));
        }
        responses.sort_by_key(|(index, _)| *index);
        Ok(bundle::transaction_response(responses.into_iter().map(|(_, response)| response).collect()))
    }

    /// Refuses whoever has no right to what an entry does, or to look whether its conditions hold.
    fn permit_entry(&self, entry: &Entry) -> Result<(), Refusal> {
        let right = match entry.address {
            Address::Criteria(_) if entry.method.reads() => Right::Search,
            _ => resolve::right(entry.method),
        };
        self.permit(right, &entry.kind)?;
        let is_conditional = entry.if_none_exist.is_some() || matches!(entry.address, Address::Criteria(_));
        if is_conditional { self.permit(Right::Search, &entry.kind) } else { Ok(()) }
    }

    /// Each entry for itself, in order; what one is refused for concerns no other.
    async fn batch(&self, bundle: &Json, returned: Returned) -> Result<Json, Refusal> {
        refuse_size(bundle)?;
        let entries = bundle::batch(bundle, &self.settings.base)
            .map_err(|issue| Refusal::new(Reason::Malformed, issue))?;
        let labels: BTreeSet<String> =
            entries.iter().filter_map(|entry| entry.as_ref().ok()?.full_url.clone()).collect();
        let mut responses = Vec::new();
        for entry in entries {
            let done = match entry {
                Err(issues) => Err(Refusal { reason: Reason::Malformed, issues }),
                Ok(entry) => self.batched(entry, &labels, returned).await,
            };
            responses.push(done.unwrap_or_else(|refusal| refused(&refusal)));
        }
        Ok(bundle::batch_response(responses))
    }

    async fn batched(
        &self,
        entry: Entry,
        labels: &BTreeSet<String>,
        returned: Returned,
    ) -> Result<Response, Refusal> {
        let (kind, index) = (entry.kind.clone(), entry.index);
        // R4 http.html#brules: entries of a batch do not refer to each other.
        let mut crossing = Vec::new();
        reference::each(&entry.resource, &mut |path, to| {
            if labels.contains(to) && entry.full_url.as_deref() != Some(to) {
                let text = "Entries of a batch cannot refer to each other; send a transaction.";
                crossing.push(Issue::error(Code::Invalid, path, text));
            }
        });
        let entry = &entry;
        let done = if !crossing.is_empty() {
            Err(Refusal { reason: Reason::Malformed, issues: crossing })
        } else if entry.method.reads() {
            self.answer(entry).await
        } else {
            self.write(entry.clone()).await.map(|written| response(&written, returned))
        };
        if entry.method.reads() || done.is_err() {
            self.note(entry, done.as_ref());
        }
        done.map_err(|refusal| check::placed(refusal, &kind, index))
    }

    /// Has an entry of a Bundle put on record that changed nothing.
    fn note(&self, entry: &Entry, done: Result<&Response, &Refusal>) {
        let Some(call) = &self.call else { return };
        let kind = &entry.kind;
        let (address, interaction) = match &entry.address {
            Address::New => (kind.clone(), audit::interaction(entry.method)),
            Address::Id(id) => (format!("{kind}/{id}"), audit::interaction(entry.method)),
            Address::Version(id, version) => (format!("{kind}/{id}/_history/{version}"), "vread"),
            Address::Criteria(criteria) if entry.method.reads() => {
                (format!("{kind}?{criteria}"), "search-type")
            }
            Address::Criteria(criteria) => (format!("{kind}?{criteria}"), audit::interaction(entry.method)),
        };
        let resource = done.ok().and_then(|response| response.resource.as_ref());
        let patient = resource.and_then(|resource| reference::patient_of(resource, &self.settings.base));
        let status = done.map_or_else(|refusal| refusal.reason.status().0, |_| 200);
        call.note(Part { interaction, address, patient, status });
    }

    /// What a GET or HEAD inside a Bundle is answered.
    async fn answer(&self, entry: &Entry) -> Result<Response, Refusal> {
        let stored = match &entry.address {
            Address::Id(id) => self.read(&entry.kind, id).await?,
            Address::Version(id, version) => self.read_version(&entry.kind, id, version).await?,
            Address::New => return Err(Refusal::not_found()),
            Address::Criteria(criteria) => {
                let pairs: Vec<(String, String)> =
                    form_urlencoded::parse(criteria.as_bytes()).into_owned().collect();
                let found = self.search(&entry.kind, &pairs, false).await?;
                let resource = (entry.method == Method::Get).then(|| json::stored(&found));
                return Ok(Response { status: "200 OK".to_owned(), resource, ..Response::default() });
            }
        };
        let since = entry.if_modified_since.as_deref().and_then(|text| text.parse().ok());
        let unchanged = read::is_known(&stored, entry.if_none_match.as_deref(), since);
        let resource =
            if unchanged || entry.method == Method::Head { None } else { Some(json::stored(&stored.body)) };
        Ok(Response {
            status: if unchanged { "304 Not Modified" } else { "200 OK" }.to_owned(),
            etag: Some(format!("W/\"{}\"", stored.version)),
            last_modified: Some(instant_ms(stored.at)),
            resource,
            ..Response::default()
        })
    }

    /// Looks at one patient again with a later clock. True if anything changed.
    pub(crate) async fn revisit(&self, patient: &str) -> Result<bool, Refusal> {
        for _ in 0..ATTEMPTS_MAX {
            let mut attempt = Attempt::new(self, false);
            attempt.patients.insert(patient.to_owned());
            attempt.derive().instrument(info_span!("derive")).await?;
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
        let issues: Vec<Issue> =
            entries.iter().flat_map(|entry| check::resource(entry, bundled, self)).collect();
        if issues.iter().any(Issue::is_error) {
            return Err(Refusal { reason: Reason::Unprocessable, issues });
        }
        for number in 0..ATTEMPTS_MAX {
            let mut attempt = Attempt { trusts: number == 0, ..Attempt::new(self, bundled) };
            match attempt.decide(entries.clone()).instrument(info_span!("decide")).await {
                // Nobody is refused for what was only taken to be so.
                Err(refusal) if attempt.trusts && refusal.reason != Reason::Unavailable => continue,
                decided => decided?,
            }
            attempt.audit()?;
            let written = attempt.written();
            match self.settle_on_record(attempt.change).await {
                Ok(()) => return Ok(written),
                Err(StoreError::Moved) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(StoreError::Moved.into())
    }
}

fn refuse_size(bundle: &Json) -> Result<(), Refusal> {
    if bundle.get("entry").and_then(Json::as_array).is_none_or(|entries| entries.len() <= ENTRIES_MAX) {
        return Ok(());
    }
    let text = format!("A Bundle holds at most {ENTRIES_MAX} entries; split it.");
    Err(Refusal::new(Reason::TooLarge, Issue::error(Code::TooLong, "Bundle.entry", text)))
}

/// What an entry that was written is answered.
fn response(written: &Written, returned: Returned) -> Response {
    let remarks = || Some(issue::outcome(&written.remarks));
    let outcome = match returned {
        Returned::Outcome => remarks(),
        _ if written.remarks.is_empty() => None,
        _ => remarks(),
    };
    if written.deleted {
        let etag = (written.version > 0).then(|| format!("W/\"{}\"", written.version));
        let last_modified = (written.version > 0).then(|| instant_ms(written.at));
        return Response {
            status: "204 No Content".to_owned(),
            etag,
            last_modified,
            outcome,
            ..Response::default()
        };
    }
    Response {
        status: if written.created { "201 Created" } else { "200 OK" }.to_owned(),
        location: Some(format!("{}/{}/_history/{}", written.kind, written.id, written.version)),
        etag: Some(format!("W/\"{}\"", written.version)),
        last_modified: Some(instant_ms(written.at)),
        resource: (returned == Returned::Resource && !written.body.is_empty())
            .then(|| json::stored(&written.body)),
        outcome,
    }
}

/// What an entry that was refused is answered.
fn refused(refusal: &Refusal) -> Response {
    let (code, phrase) = refusal.reason.status();
    Response {
        status: format!("{code} {phrase}"),
        outcome: Some(issue::outcome(&refusal.issues)),
        ..Response::default()
    }
}
