//! Everything recorded of one patient, stored and incoming, as one picture.

use crate::element::text;
use crate::ports::{Compartment, Stored};
use crate::terminology::{Maps, TRANSLATED};
use endplate_fhir::Json;
use std::collections::BTreeMap;
use std::sync::Arc;

/// One resource of a dossier.
#[derive(Clone, Debug)]
pub struct Entry {
    /// The resource.
    pub resource: Json,
    /// Its stored version; 0 if it is only being written.
    pub version: u64,
    /// The stored text, to see whether anything changes; none if it is only being written.
    pub stored: Option<Stored>,
    /// Whether it is being written, and so will have another version than the stored one.
    pub incoming: bool,
}

/// The resources of one patient by type and id. Shared, since what concerns one person is most often all there is.
#[derive(Clone, Debug, Default)]
pub struct Dossier {
    entries: BTreeMap<(String, String), Arc<Entry>>,
}

impl Dossier {
    /// What is stored.
    pub fn of(compartment: Compartment) -> Self {
        let entry = |stored: Stored| {
            let resource = endplate_fhir::json::stored(&stored.body);
            let key = (stored.kind.clone(), stored.id.clone());
            (
                key,
                Arc::new(Entry { resource, version: stored.version, stored: Some(stored), incoming: false }),
            )
        };
        Self { entries: compartment.resources.into_iter().map(entry).collect() }
    }

    /// Lays an incoming resource over what is stored.
    pub fn lay(&mut self, kind: &str, id: &str, resource: Json) {
        let key = (kind.to_owned(), id.to_owned());
        match self.entries.get_mut(&key) {
            Some(entry) => {
                let entry = Arc::make_mut(entry);
                entry.resource = resource;
                entry.incoming = true;
            }
            None => {
                let entry = Entry { resource, version: 0, stored: None, incoming: true };
                self.entries.insert(key, Arc::new(entry));
            }
        }
    }

    /// Gives local codes of Procedures and Observations ours beside them, as the maps say. These types are only read from a
    /// dossier, so nothing that was added is ever stored.
    pub fn translate(&mut self, maps: &Maps) {
        let read = self.entries.iter_mut().filter(|((kind, _), _)| TRANSLATED.contains(&kind.as_str()));
        for (_, entry) in read {
            if let Some(translated) = maps.translate(&entry.resource) {
                Arc::make_mut(entry).resource = translated;
            }
        }
    }

    /// Takes a resource away.
    pub fn remove(&mut self, kind: &str, id: &str) {
        self.entries.remove(&(kind.to_owned(), id.to_owned()));
    }

    /// Takes in what is stored of another record.
    pub fn extend(&mut self, other: Self) {
        self.entries.extend(other.entries);
    }

    /// The resources that `holds` is true of.
    #[must_use]
    pub fn filtered(&self, holds: impl Fn(&Json) -> bool) -> Self {
        let kept = self.entries.iter().filter(|(_, entry)| holds(&entry.resource));
        Self { entries: kept.map(|(key, entry)| (key.clone(), entry.clone())).collect() }
    }

    /// One resource.
    pub fn get(&self, kind: &str, id: &str) -> Option<&Entry> {
        self.entries.get(&(kind.to_owned(), id.to_owned())).map(Arc::as_ref)
    }

    /// One resource by `Type/id`.
    pub fn resolve(&self, reference: &str) -> Option<&Json> {
        let (kind, id) = reference.split_once('/')?;
        self.get(kind, id).map(|entry| &entry.resource)
    }

    /// `Type/id/_history/version` of a resource, with the version it has once everything is written; as it is if not known here.
    pub fn versioned(&self, reference: &str) -> String {
        let entry = reference.split_once('/').and_then(|(kind, id)| self.get(kind, id));
        entry.map_or_else(
            || reference.to_owned(),
            |entry| format!("{reference}/_history/{}", entry.version + u64::from(entry.incoming)),
        )
    }

    /// All resources of one type, in order of id.
    pub fn all<'a>(&'a self, kind: &'a str) -> impl Iterator<Item = &'a Json> {
        self.entries.iter().filter(move |((of, _), _)| of == kind).map(|(_, entry)| &entry.resource)
    }

    /// All entries, in order of type and id.
    pub fn entries(&self) -> impl Iterator<Item = (&(String, String), &Entry)> {
        self.entries.iter().map(|(name, entry)| (name, entry.as_ref()))
    }
}

/// `Type/id` of a reference, without base and version; none if it points elsewhere.
pub fn local(reference: &Json, base: &str) -> Option<String> {
    let target = endplate_fhir::reference::parse(text(reference, &["reference"])?, base)?;
    Some(format!("{}/{}", target.kind, target.id))
}

/// Every reference of a resource that names something this service should hold.
pub fn local_references(resource: &Json, base: &str) -> Vec<(String, String)> {
    let mut all = Vec::new();
    endplate_fhir::reference::each(resource, &mut |path, to| {
        if let Some(target) = local(&serde_json::json!({ "reference": to }), base) {
            all.push((path.to_owned(), target));
        }
    });
    all
}
