//! A hospital's own codes, understood through its stored ConceptMaps.
//!
//! What is stored stays as it was sent. Before the records of a patient are read, each concept of a Procedure or an Observation
//! that a map translates into one of our code systems is given that code beside its own, in a copy. A map counts while its
//! `status` is `active`. Nothing is guessed: a code without a map, or with two answers, is left alone, told to the sender, and
//! counted by [`Endplate::unmapped`].

pub(crate) mod check;
mod count;
mod translate;

use crate::Endplate;
use crate::code;
use crate::element::{items, text};
use crate::refusal::{Reason, Refusal};
use endplate_fhir::{Json, search};
use futures_util::FutureExt;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// The counter that moves whenever a ConceptMap is written.
pub const SCOPE: &str = "ConceptMap";

/// The types whose codes are translated.
pub const TRANSLATED: [&str; 2] = ["Observation", "Procedure"];

/// Equivalences that are acted on. R4 (ConceptMapEquivalence) reads them from the target: `wider` and `subsumes` say that
/// the target means more than the source, so whatever has the local code is what our code says. With a target that is
/// narrower, that specialises, is inexact or merely related, the record would say more than was recorded.
pub const ACTED_ON: [&str; 4] = ["equal", "equivalent", "subsumes", "wider"];

/// What the active maps say about codes of other systems in terms of ours.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Maps {
    /// Source system -> code -> our (system, code), each once.
    systems: BTreeMap<String, BTreeMap<String, BTreeSet<(String, String)>>>,
}

/// A coding that no map translates.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Unmapped {
    /// The element that holds it, such as `Procedure.code`.
    pub element: String,
    /// Its system; empty where none was sent.
    pub system: String,
    /// Its code.
    pub code: String,
}

impl Maps {
    /// What these ConceptMaps say. Targets that depend on further elements are left out: they cannot be decided here.
    pub fn of<'a>(maps: impl IntoIterator<Item = &'a Json>) -> Self {
        let mut all = Self::default();
        for map in maps.into_iter().filter(|map| text(map, &["status"]) == Some("active")) {
            for group in items(map, "group") {
                let (Some(source), Some(target)) = (text(group, &["source"]), text(group, &["target"]))
                else {
                    continue;
                };
                if is_ours(target) && !is_ours(source) {
                    let codes = all.systems.entry(source.to_owned()).or_default();
                    items(group, "element").for_each(|element| add(codes, element, target));
                }
            }
        }
        all
    }

    /// Whether any map is from this system into one of ours.
    pub fn knows(&self, system: &str) -> bool {
        self.systems.contains_key(system)
    }

    /// Our codings for a coding; of each of our systems at most one, since two answers are none.
    fn ours(&self, coding: &Json) -> Vec<Json> {
        let targets = text(coding, &["system"])
            .and_then(|system| self.systems.get(system))
            .and_then(|codes| codes.get(text(coding, &["code"])?));
        let Some(targets) = targets else { return Vec::new() };
        let alone = |system: &String| targets.iter().filter(|(other, _)| other == system).count() == 1;
        let only = targets.iter().filter(|(system, _)| alone(system));
        only.map(|(system, code)| json!({ "system": system, "code": code })).collect()
    }

    /// A copy in which every concept that a map translates carries our code too; nothing if there is none.
    pub fn translate(&self, resource: &Json) -> Option<Json> {
        if self.systems.is_empty() || !self.mentions(resource) {
            return None;
        }
        let mut copy = resource.clone();
        self.walk(&mut copy).then_some(copy)
    }

    /// Whether any coding in it is translated; most resources have none, and are not copied.
    fn mentions(&self, value: &Json) -> bool {
        match value {
            Json::Array(all) => all.iter().any(|one| self.mentions(one)),
            Json::Object(members) => {
                !self.ours(value).is_empty() || members.values().any(|member| self.mentions(member))
            }
            _ => false,
        }
    }

    /// Whether anything was added.
    fn walk(&self, value: &mut Json) -> bool {
        match value {
            Json::Array(all) => {
                let mut changed = false;
                for one in all {
                    changed |= self.walk(one);
                }
                changed
            }
            Json::Object(members) => {
                let mut changed = false;
                // The codings of a concept are translated in the concept, not each for itself.
                for (_, member) in members.iter_mut().filter(|(name, _)| *name != "coding") {
                    changed |= self.walk(member);
                }
                self.concept(value) || changed
            }
            _ => false,
        }
    }

    /// Adds our codings to a CodeableConcept, or to a Coding that stands for itself as in an extension's value. What the
    /// sender says in our own system stands; codings that contradict each other add nothing.
    fn concept(&self, value: &mut Json) -> bool {
        let mut found: Vec<Json> = items(value, "coding").flat_map(|coding| self.ours(coding)).collect();
        found.extend(self.ours(value));
        let said: BTreeSet<String> = items(value, "coding")
            .filter_map(|coding| text(coding, &["system"]).map(str::to_owned))
            .collect();
        let other = |one: &Json, all: &[Json]| {
            all.iter().any(|other| other["system"] == one["system"] && other["code"] != one["code"])
        };
        let mut new: Vec<Json> = Vec::new();
        for one in &found {
            let system = text(one, &["system"]).unwrap_or_default();
            if !said.contains(system) && !other(one, &found) && !new.contains(one) {
                new.push(one.clone());
            }
        }
        let (Some(members), false) = (value.as_object_mut(), new.is_empty()) else { return false };
        if let Some(all) = members.entry("coding").or_insert_with(|| json!([])).as_array_mut() {
            all.extend(new);
        }
        true
    }

    /// The codings of a Procedure or an Observation that keep it, or a part of it, from being understood. Of a record that is
    /// no repair and no finding as far as is known, only its `code` counts.
    pub fn unmapped(&self, resource: &Json) -> Vec<Unmapped> {
        let kind = text(resource, &["resourceType"]).unwrap_or_default();
        if !TRANSLATED.contains(&kind) {
            return Vec::new();
        }
        let translated = self.translate(resource);
        let resource = translated.as_ref().unwrap_or(resource);
        let mut all = Vec::new();
        let code = resource.get("code");
        note(&mut all, &format!("{kind}.code"), code);
        if code.is_none_or(|code| !codings(code).any(|coding| text(coding, &["system"]).is_some_and(is_ours)))
        {
            return all;
        }
        match resource.get("bodySite") {
            Some(Json::Array(sites)) => {
                for site in sites {
                    note(&mut all, &format!("{kind}.bodySite"), Some(site));
                }
            }
            site => note(&mut all, &format!("{kind}.bodySite"), site),
        }
        note(&mut all, &format!("{kind}.value"), resource.get("valueCodeableConcept"));
        for extension in items(resource, "extension") {
            let url = text(extension, &["url"]).unwrap_or_default();
            if url.starts_with(code::EP) {
                let element = format!("{kind}.extension('{url}')");
                for one in std::iter::once(extension).chain(items(extension, "extension")) {
                    note(&mut all, &element, crate::element::value(one));
                }
            }
        }
        all
    }
}

/// Whether a code system is one of ours.
fn is_ours(system: &str) -> bool {
    system.strip_prefix(code::EP).is_some_and(|rest| rest.starts_with("/CodeSystem/"))
}

fn add(codes: &mut BTreeMap<String, BTreeSet<(String, String)>>, element: &Json, system: &str) {
    let Some(code) = text(element, &["code"]) else { return };
    for target in items(element, "target") {
        let equivalence = text(target, &["equivalence"]).unwrap_or_default();
        let depends = items(target, "dependsOn").next().is_some();
        let acted_on =
            |ours: &&str| ACTED_ON.contains(&equivalence) && !depends && check::is_known(system, ours);
        if let Some(ours) = text(target, &["code"]).filter(acted_on) {
            codes.entry(code.to_owned()).or_default().insert((system.to_owned(), ours.to_owned()));
        }
    }
}

/// The codings of a CodeableConcept, or a Coding itself.
fn codings(concept: &Json) -> impl Iterator<Item = &Json> {
    let itself = Some(concept).filter(|concept| concept.get("code").is_some());
    items(concept, "coding").chain(itself)
}

/// Notes the codings of a concept in which none is ours.
fn note(all: &mut Vec<Unmapped>, element: &str, concept: Option<&Json>) {
    let Some(concept) = concept.filter(|concept| concept.is_object()) else { return };
    let system = |coding: &Json| text(coding, &["system"]).unwrap_or_default().to_owned();
    if codings(concept).any(|coding| is_ours(&system(coding))) {
        return;
    }
    for coding in codings(concept) {
        if let Some(code) = text(coding, &["code"]) {
            let (element, code) = (element.to_owned(), code.to_owned());
            all.push(Unmapped { element, system: system(coding), code });
        }
    }
}

impl Endplate {
    /// The maps in force, with the counter they were read at.
    pub(crate) async fn maps(&self) -> Result<(u64, Arc<Maps>), Refusal> {
        let read = || async { Ok(Maps::of(&self.stored_maps().await?)) }.boxed();
        self.terms.get(self.store.as_ref(), SCOPE, read).await
    }

    /// Every stored ConceptMap.
    pub(crate) async fn stored_maps(&self) -> Result<Vec<Json>, Refusal> {
        let mut all = Vec::new();
        self.each("ConceptMap", &mut |map| all.push(map)).await?;
        Ok(all)
    }

    /// Shows every current resource that a search finds, page by page.
    pub(crate) async fn each(
        &self,
        criteria: &str,
        visit: &mut (dyn FnMut(Json) + Send),
    ) -> Result<(), Refusal> {
        let wrong = |issues| Refusal { reason: Reason::Fault, issues };
        let mut query = search::criteria(criteria, &self.settings.base).map_err(wrong)?;
        query.count = search::COUNT_MAX;
        loop {
            let page = self.store.search(&query).await?;
            for stored in page.resources {
                visit(endplate_fhir::json::stored(&stored.body));
            }
            match page.next {
                Some(next) => query.after = Some(next),
                None => return Ok(()),
            }
        }
    }
}

#[cfg(test)]
mod tests;
