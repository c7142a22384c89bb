//! Which Patient resources are one person: records that were merged (FHIR R4 patient.html#linking).
//!
//! `Patient.link` of type `replaced-by` on the record that was given up, or `replaces` on the one that survives, or both, in
//! whatever order they arrive. The plan is of the surviving record; it keeps its ids, since they are made of the injury and
//! not of the patient. `refer` and `seealso` merge nothing. Without the link again, each record has its own plans again.

use crate::Endplate;
use crate::dossier::{Dossier, local};
use crate::element::{items, text};
use crate::preview::is_derived;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::{Json, reference, search};
use std::collections::{BTreeMap, BTreeSet};

/// One person: the record that survives, and all records of that person, itself included. Ids of Patients.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// The record whose plan it is.
    pub survivor: String,
    /// All records.
    pub records: BTreeSet<String>,
}

/// What a Patient says of other records: the one that was given up, and the one that took its place.
pub fn replacements(patient: &Json, base: &str) -> Vec<(String, String)> {
    let Some(id) = text(patient, &["id"]) else { return Vec::new() };
    let pair = |link: &Json| {
        let other = local(link.get("other")?, base)?.strip_prefix("Patient/")?.to_owned();
        match text(link, &["type"])? {
            "replaced-by" => Some((id.to_owned(), other)),
            "replaces" => Some((other, id.to_owned())),
            _ => None,
        }
    };
    items(patient, "link").filter_map(pair).filter(|(old, new)| old != new).collect()
}

/// The people behind `patients`, in order of the surviving record; and the records that are said to replace each other in a circle.
pub fn people(dossier: &Dossier, patients: &BTreeSet<String>, base: &str) -> (Vec<Person>, BTreeSet<String>) {
    let mut after: BTreeMap<String, String> = BTreeMap::new();
    for (old, new) in dossier.all("Patient").flat_map(|patient| replacements(patient, base)) {
        let first = after.entry(old).or_insert_with(|| new.clone());
        *first = new.min(first.clone());
    }
    let mut circles = BTreeSet::new();
    let mut all: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for patient in patients {
        let mut way = vec![patient.clone()];
        while let Some(next) = way.last().and_then(|last| after.get(last)) {
            if let Some(start) = way.iter().position(|seen| seen == next) {
                way = way.split_off(start);
                way.sort_unstable_by(|a, b| b.cmp(a));
                circles.extend(way.iter().cloned());
                break;
            }
            way.push(next.clone());
        }
        let survivor = way.pop().unwrap_or_else(|| patient.clone());
        all.entry(survivor).or_default().insert(patient.clone());
    }
    let person = |(survivor, records)| Person { survivor, records };
    (all.into_iter().map(person).collect(), circles)
}

impl Dossier {
    /// What concerns one person: that person's records, what is of nobody, and everything derived, whose plans tell by
    /// themselves whose they are; but a message stays with the record that it was about, and was not about anybody else.
    #[must_use]
    pub fn of_person(&self, person: &Person, base: &str) -> Self {
        self.filtered(|resource| {
            is_derived(resource) && text(resource, &["resourceType"]) != Some("Communication")
                || reference::patient_of(resource, base).is_none_or(|of| person.records.contains(&of))
        })
    }
}

impl Endplate {
    /// Patients with whom this one is linked in what is stored, whichever of the two says so. `recorded`: what is recorded of it.
    pub(crate) async fn linked(
        &self,
        patient: &str,
        recorded: &Dossier,
    ) -> Result<BTreeSet<String>, Refusal> {
        let base = &self.settings.base;
        let of = |said: &Json| replacements(said, base).into_iter().flat_map(|(old, new)| [old, new]);
        let said = recorded.get("Patient", patient);
        let mut linked: BTreeSet<String> = said.into_iter().flat_map(|said| of(&said.resource)).collect();
        // Hardly ever is anybody: to ask whether is much cheaper than to ask who.
        if !self.store.referred("Patient", &["link".to_owned()], patient).await?.is_empty() {
            let wrong = |issues| Refusal { reason: Reason::Fault, issues };
            let query = search::criteria(&format!("Patient?link=Patient/{patient}"), base).map_err(wrong)?;
            for stored in self.store.search(&query).await?.resources {
                linked.extend(of(&endplate_fhir::json::stored(&stored.body)));
            }
        }
        Ok(linked)
    }

    /// The id of the Patient that stands for the person behind `patient`, and everything stored of that person.
    pub(crate) async fn person(&self, patient: &str) -> Result<(String, Dossier), Refusal> {
        let mut circle = BTreeSet::new();
        let mut open = vec![patient.to_owned()];
        let mut whole = Dossier::default();
        while let Some(one) = open.pop() {
            if circle.insert(one.clone()) {
                let recorded = Dossier::of(self.store.compartment(&one).await?);
                open.extend(self.linked(&one, &recorded).await?);
                whole.extend(recorded);
            }
        }
        let base = &self.settings.base;
        let (people, _) = people(&whole, &circle, base);
        let person = people.into_iter().find(|person| person.records.contains(patient));
        Ok(person.map_or((patient.to_owned(), whole.clone()), |person| {
            let dossier = whole.of_person(&person, base);
            (person.survivor, dossier)
        }))
    }
}

/// A derived resource with the patient it is about now. A message that was sent stays with whom it was about.
pub fn rehomed(mut resource: Json, patient: &str) -> Json {
    let member = match text(&resource, &["resourceType"]) {
        Some("Task") => "for",
        Some("DetectedIssue") => "patient",
        Some("CarePlan" | "DiagnosticReport" | "Goal" | "RiskAssessment" | "ServiceRequest" | "Flag") => {
            "subject"
        }
        _ => return resource,
    };
    let current = resource.get_mut(member).and_then(|subject| subject.get_mut("reference"));
    if let Some(current) = current.filter(|current| current.as_str() != Some(patient)) {
        *current = Json::String(patient.to_owned());
    }
    resource
}
