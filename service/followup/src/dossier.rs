//! Everything recorded of one patient, stored and incoming, as one picture.

use crate::element::text;
use crate::ports::{Compartment, Stored};
use endplate_fhir::Json;
use std::collections::BTreeMap;

/// One resource of a dossier.
#[derive(Clone, Debug)]
pub struct Entry {
    /// The resource.
    pub resource: Json,
    /// Its stored version; 0 if it is only being written.
    pub version: u64,
    /// The stored text, to see whether anything changes; none if it is only being written.
    pub stored: Option<Stored>,
}

/// The resources of one patient by type and id.
#[derive(Clone, Debug, Default)]
pub struct Dossier {
    entries: BTreeMap<(String, String), Entry>,
}

impl Dossier {
    /// What is stored.
    pub fn of(compartment: Compartment) -> Self {
        let entry = |stored: Stored| {
            let resource = serde_json::from_str(&stored.body).unwrap_or(Json::Null);
            let key = (stored.kind.clone(), stored.id.clone());
            (key, Entry { resource, version: stored.version, stored: Some(stored) })
        };
        Self { entries: compartment.resources.into_iter().map(entry).collect() }
    }

    /// Lays an incoming resource over what is stored.
    pub fn lay(&mut self, kind: &str, id: &str, resource: Json) {
        let key = (kind.to_owned(), id.to_owned());
        match self.entries.get_mut(&key) {
            Some(entry) => entry.resource = resource,
            None => {
                self.entries.insert(key, Entry { resource, version: 0, stored: None });
            }
        }
    }

    /// Takes a resource away.
    pub fn remove(&mut self, kind: &str, id: &str) {
        self.entries.remove(&(kind.to_owned(), id.to_owned()));
    }

    /// One resource.
    pub fn get(&self, kind: &str, id: &str) -> Option<&Entry> {
        self.entries.get(&(kind.to_owned(), id.to_owned()))
    }

    /// One resource by `Type/id`.
    pub fn resolve(&self, reference: &str) -> Option<&Json> {
        let (kind, id) = reference.split_once('/')?;
        self.get(kind, id).map(|entry| &entry.resource)
    }

    /// All resources of one type, in order of id.
    pub fn all<'a>(&'a self, kind: &'a str) -> impl Iterator<Item = &'a Json> {
        self.entries.iter().filter(move |((of, _), _)| of == kind).map(|(_, entry)| &entry.resource)
    }

    /// All entries, in order of type and id.
    pub fn entries(&self) -> impl Iterator<Item = (&(String, String), &Entry)> {
        self.entries.iter()
    }
}

/// `Type/id` of a reference, without base and version; none if it points elsewhere.
pub fn local(reference: &Json, base: &str) -> Option<String> {
    let target = endplate_fhir::reference::parse(text(reference, &["reference"])?, base)?;
    Some(format!("{}/{}", target.kind, target.id))
}
