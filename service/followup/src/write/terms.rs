//! Local codes of what is being written: the maps a write rests on, and codes that no map translates.

use super::{Attempt, Incoming};
use crate::derivation::Context;
use crate::element::text;
use crate::ports::Scope;
use crate::refusal::Refusal;
use crate::terminology::{Maps, SCOPE, Unmapped, check};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use std::borrow::Cow;
use std::sync::Arc;

impl<'a> Attempt<'a> {
    pub(super) fn context(&self) -> Context<'a> {
        self.endplate.context(self.now, self.today)
    }

    /// The maps by which this write is read: those stored, with those it brings. Whoever brings one has everybody looked at
    /// again whose records it reads otherwise.
    pub(super) async fn terms(&mut self) -> Result<Arc<Maps>, Refusal> {
        if let Some(maps) = &self.maps {
            return Ok(Arc::clone(maps));
        }
        let (generation, mut maps) = self.endplate.maps().await?;
        let scope = Scope { key: SCOPE.to_owned(), generation };
        let brought = |one: &&Incoming| one.kind == "ConceptMap" && (one.writes || one.deletes);
        if self.incoming.iter().any(|one| brought(&one)) {
            self.rest_on(scope);
            let replaced = |map: &Json| {
                self.incoming.iter().filter(brought).any(|one| text(map, &["id"]) == Some(&one.id))
            };
            let mut all = self.endplate.stored_maps().await?;
            all.retain(|map| !replaced(map));
            let written = self.incoming.iter().filter(brought).filter(|one| one.writes);
            all.extend(written.map(|one| one.resource.clone()));
            let after = Arc::new(Maps::of(&all));
            let touched = self.endplate.touched(&maps, &after).await?;
            self.change.agenda.extend(self.endplate.today_for(touched));
            maps = after;
        } else {
            self.change.reads.push(scope);
        }
        self.maps = Some(Arc::clone(&maps));
        self.remark_on_codes(&maps);
        Ok(maps)
    }

    /// A resource as it is read: with our codes where a map has them.
    pub(super) fn as_read<'r>(&self, resource: &'r Json) -> Cow<'r, Json> {
        match self.maps.as_ref().and_then(|maps| maps.translate(resource)) {
            Some(translated) => Cow::Owned(translated),
            None => Cow::Borrowed(resource),
        }
    }

    /// Tells of what a map says that is not acted on, and of codes that were stored and not understood. It is a warning where a
    /// map is there for the system, since then the code was meant to be understood, or where the record is a repair or a finding
    /// in all but this code. Another Procedure may well be no repair; of another Observation nothing is said.
    fn remark_on_codes(&mut self, maps: &Maps) {
        let mut remarks = Vec::new();
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            if incoming.kind == "ConceptMap" {
                let reference = format!("ConceptMap/{}", incoming.id);
                remarks.extend(
                    check::remarks(&incoming.resource).into_iter().map(|one| (reference.clone(), one)),
                );
            }
            for Unmapped { element, system, .. } in maps.unmapped(&incoming.resource) {
                let told = if maps.knows(&system) || element != format!("{}.code", incoming.kind) {
                    let text = "Stored as it was sent, but not understood: no active ConceptMap translates this code; add it to one.";
                    Issue::warning(Code::CodeInvalid, element, text)
                } else if incoming.kind == "Procedure" {
                    let text = "Stored as it was sent. It is no repair as far as is known here: the code is none of repair-technique, and no ConceptMap is from its system.";
                    Issue::information(element, text)
                } else {
                    continue;
                };
                remarks.push((format!("{}/{}", incoming.kind, incoming.id), told));
            }
        }
        for (reference, remark) in remarks {
            let all = self.remarks.entry(reference).or_default();
            if !all.contains(&remark) {
                all.push(remark);
            }
        }
    }
}
