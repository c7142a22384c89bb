//! A store in memory that can be forked: what a test of many histories needs of the port.

use async_trait::async_trait;
use endplate_fhir::Json;
use endplate_fhir::index::IndexValue;
use endplate_fhir::search::Query;
use endplate_followup::derivation::bare;
use endplate_followup::ports::{
    Attempt, Bookmark, Call, Changeset, Compartment, Counterpart, Counterparts, DeadLetter, Deed, Event,
    Link, Linked, Maker, Note, Page, Past, PastPage, Put, Receiver, Replay, Room, Scope, Store, StoreError,
    Stored, Tally, Traffic, Unread, Version, Waiting,
};
use jiff::Timestamp;
use jiff::civil::Date;
use std::collections::{BTreeMap, BTreeSet};
use std::pin::Pin;
use std::sync::{Arc, Mutex};

#[derive(Clone, Default)]
struct Facts {
    resources: BTreeMap<(String, String), Arc<Put>>,
    scopes: BTreeMap<String, u64>,
    agenda: BTreeMap<String, Date>,
}

/// Current versions only; no history and no outbox.
#[derive(Default)]
pub struct MemoryStore(Mutex<Facts>, Mutex<Option<(Reading, Other)>>);

/// What somebody else does.
type Other = Pin<Box<dyn Future<Output = ()> + Send>>;

/// What somebody reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reading {
    Compartment,
    Referred,
}

impl MemoryStore {
    /// The same facts, from here on apart.
    pub fn fork(&self) -> Self {
        Self(Mutex::new(self.0.lock().unwrap().clone()), Mutex::default())
    }

    /// Somebody else does something just before this is next read.
    pub fn before(&self, reading: Reading, other: Other) {
        *self.1.lock().unwrap() = Some((reading, other));
    }

    async fn read_by_others(&self, reading: Reading) {
        let other = self.1.lock().unwrap().take_if(|(before, _)| *before == reading);
        if let Some((_, other)) = other {
            other.await;
        }
    }

    /// Everything that is stored but Provenance, as text without version and time (which are the head of `meta`).
    pub fn everything(&self) -> String {
        let facts = self.0.lock().unwrap();
        let bodies = facts.resources.values().filter(|put| put.stored.kind != "Provenance");
        let bare = |put: &Arc<Put>| {
            let Stored { kind, id, body, version, at } = &put.stored;
            let time = at.strftime("%Y-%m-%dT%H:%M:%S%.3fZ");
            let head = format!("\"versionId\":\"{version}\",\"lastUpdated\":\"{time}\"");
            format!("{kind}/{id} {}\n", body.replacen(&head, "", 1))
        };
        bodies.map(bare).collect()
    }

    /// Everything that is stored, without version and time, by type and id.
    pub fn all(&self) -> Vec<Json> {
        let facts = self.0.lock().unwrap();
        facts
            .resources
            .values()
            .map(|put| bare(&serde_json::from_str::<Json>(&put.stored.body).unwrap()))
            .collect()
    }
}

#[async_trait]
impl Store for MemoryStore {
    async fn latest(&self, kind: &str, id: &str) -> Result<Option<Version>, StoreError> {
        let key = (kind.to_owned(), id.to_owned());
        let version = |put: &Arc<Put>| Version { stored: put.stored.clone(), deed: put.deed };
        Ok(self.0.lock().unwrap().resources.get(&key).map(version))
    }

    async fn version(&self, kind: &str, id: &str, version: u64) -> Result<Option<Version>, StoreError> {
        Ok(self.latest(kind, id).await?.filter(|latest| latest.stored.version == version))
    }

    async fn history(&self, _: &Past) -> Result<PastPage, StoreError> {
        Ok(PastPage::default())
    }

    /// Nothing is deleted in these histories.
    async fn referrers(&self, _: &str, _: &str, _: usize) -> Result<Vec<(String, String)>, StoreError> {
        Ok(Vec::new())
    }

    async fn referred(&self, kind: &str, params: &[String], id: &str) -> Result<Vec<String>, StoreError> {
        self.read_by_others(Reading::Referred).await;
        let facts = self.0.lock().unwrap();
        let of_kind = facts.resources.values().filter(|put| put.stored.kind == kind);
        let rows = of_kind.flat_map(|put| &put.rows).filter(|row| params.iter().any(|one| one == row.param));
        let kinds = rows.filter_map(|row| match &row.value {
            IndexValue::Reference { kind, id: to } if to == id => Some(kind.clone()),
            _ => None,
        });
        Ok(kinds.collect::<BTreeSet<String>>().into_iter().collect())
    }

    async fn compartment(&self, patient: &str) -> Result<Compartment, StoreError> {
        self.read_by_others(Reading::Compartment).await;
        let facts = self.0.lock().unwrap();
        let of = |put: &&Arc<Put>| put.patient.as_deref() == Some(patient);
        Ok(Compartment {
            generation: facts.scopes.get(&format!("Patient/{patient}")).copied().unwrap_or(0),
            resources: facts.resources.values().filter(of).map(|put| put.stored.clone()).collect(),
        })
    }

    async fn generation(&self, scope: &str) -> Result<u64, StoreError> {
        Ok(self.0.lock().unwrap().scopes.get(scope).copied().unwrap_or(0))
    }

    async fn search(&self, query: &Query) -> Result<Page, StoreError> {
        let facts = self.0.lock().unwrap();
        let met = |put: &&Arc<Put>| query.matches(&put.stored.kind, &put.stored.id, &put.rows);
        let resources: Vec<Stored> =
            facts.resources.values().filter(met).map(|put| put.stored.clone()).collect();
        Ok(Page { total: Some(resources.len() as u64), resources, next: None })
    }

    async fn counts(&self, query: &Query, param: &str) -> Result<Vec<(i64, u64)>, StoreError> {
        let facts = self.0.lock().unwrap();
        let mut counts: BTreeMap<i64, u64> = BTreeMap::new();
        let met = |put: &&Arc<Put>| query.matches(&put.stored.kind, &put.stored.id, &put.rows);
        for row in facts.resources.values().filter(met).flat_map(|put| &put.rows) {
            match row.value {
                IndexValue::Date { start_ms, .. } if row.param == param => {
                    *counts.entry(start_ms).or_default() += 1;
                }
                _ => {}
            }
        }
        Ok(counts.into_iter().collect())
    }

    async fn commit(&self, change: Changeset) -> Result<(), StoreError> {
        let mut facts = self.0.lock().unwrap();
        let stands = |scope: &Scope| facts.scopes.get(&scope.key).copied().unwrap_or(0) == scope.generation;
        let fits = |put: &Put| {
            let key = (put.stored.kind.clone(), put.stored.id.clone());
            facts.resources.get(&key).map_or(0, |put| put.stored.version) + 1 == put.stored.version
        };
        let current = change.scopes.iter().chain(&change.reads).all(stands);
        let is_there = |target: &(String, String)| {
            facts.resources.get(target).is_some_and(|put| put.deed != Deed::Deleted)
        };
        if !current || !change.puts.iter().all(fits) || !change.targets.iter().all(is_there) {
            return Err(StoreError::Moved);
        }
        for scope in change.scopes {
            facts.scopes.insert(scope.key, scope.generation + 1);
        }
        for put in change.puts.into_iter().chain(change.audit) {
            let key = (put.stored.kind.clone(), put.stored.id.clone());
            facts.resources.insert(key, Arc::new(put));
        }
        for agenda in change.agenda {
            match agenda.due_on {
                Some(on) => facts.agenda.insert(agenda.patient, on),
                None => facts.agenda.remove(&agenda.patient),
            };
        }
        Ok(())
    }

    /// Nothing here is called by a request.
    async fn chain_head(&self) -> Result<Option<Link>, StoreError> {
        Ok(None)
    }

    async fn chain(&self, _: u64, _: usize) -> Result<Vec<Linked>, StoreError> {
        Ok(Vec::new())
    }

    async fn unchained(
        &self,
        _: Option<&str>,
        _: usize,
    ) -> Result<(Vec<String>, Option<String>), StoreError> {
        Ok((Vec::new(), None))
    }

    async fn due(&self, on: Date, after: Option<&str>, limit: usize) -> Result<Vec<String>, StoreError> {
        let facts = self.0.lock().unwrap();
        let due = facts.agenda.iter().filter(|(patient, day)| **day <= on && Some(patient.as_str()) > after);
        Ok(due.map(|(patient, _)| patient.clone()).take(limit).collect())
    }

    async fn waiting(&self, _: Timestamp, _: &[String], _: Room) -> Result<Waiting, StoreError> {
        Ok(Waiting::default())
    }

    async fn settle(&self, _: &str, _: Vec<Attempt>) -> Result<(), StoreError> {
        Ok(())
    }

    async fn events(&self, _: &str, _: u64, _: usize) -> Result<Vec<Event>, StoreError> {
        Ok(Vec::new())
    }

    async fn traffic(&self, _: &str) -> Result<Traffic, StoreError> {
        Ok(Traffic::default())
    }

    async fn called(&self, _: Timestamp, _: usize) -> Result<Vec<Call>, StoreError> {
        Ok(Vec::new())
    }

    async fn maker(&self, _: &str) -> Result<Option<Maker>, StoreError> {
        Ok(None)
    }

    async fn use_once(&self, _: &str, _: Timestamp, _: Timestamp) -> Result<bool, StoreError> {
        Err(StoreError::Failed { context: "noting a use", source: "nothing is used up here".into() })
    }

    async fn park(&self, _: &str, _: Timestamp, _: &str) -> Result<u64, StoreError> {
        Ok(0)
    }

    async fn replay(&self, _: &Replay, _: Timestamp) -> Result<u64, StoreError> {
        Ok(0)
    }

    async fn receivers(&self, _: Option<&str>, _: usize) -> Result<Vec<Receiver>, StoreError> {
        Ok(Vec::new())
    }

    async fn tally(&self, _: Timestamp, _: Date) -> Result<Tally, StoreError> {
        Ok(Tally::default())
    }

    async fn check(&self) -> Result<(), StoreError> {
        Ok(())
    }
}

/// Beside no record server.
#[async_trait]
impl Counterparts for MemoryStore {
    async fn counterpart(&self, _: &str, _: &str, _: &str) -> Result<Option<Counterpart>, StoreError> {
        Ok(None)
    }

    async fn counterpart_of(&self, _: &str, _: &str, _: &str) -> Result<Option<Counterpart>, StoreError> {
        Ok(None)
    }

    async fn bookmarks(&self, _: &str) -> Result<Vec<Bookmark>, StoreError> {
        Ok(Vec::new())
    }

    async fn unread(&self, _: &str, _: usize) -> Result<Vec<Unread>, StoreError> {
        Ok(Vec::new())
    }

    async fn dead_letters(&self, _: &str, _: usize) -> Result<Vec<DeadLetter>, StoreError> {
        Ok(Vec::new())
    }

    async fn note(&self, _: Vec<Note>) -> Result<(), StoreError> {
        Ok(())
    }
}
