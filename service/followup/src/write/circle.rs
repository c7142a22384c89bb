//! Which patients must be looked at together: those whose records are or were linked, and those between whom a record moved.

use super::Attempt;
use crate::derivation::{Context, abandoned, provenances};
use crate::dossier::Dossier;
use crate::element::text;
use crate::kept::Kept;
use crate::person::{people, replacements};
use crate::ports::{Agenda, Scope};
use crate::refusal::{Reason, Refusal};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, reference};
use endplate_recovery::unit::Date;
use std::collections::{BTreeMap, BTreeSet};

impl Attempt<'_> {
    /// The patients of this write, each with all that must be looked at together with it, and what is recorded of them.
    /// What is recorded of a patient is read before the links: whoever links two records moves the counters of both, so that a link that
    /// came in between is noticed.
    pub(super) async fn circles(&mut self) -> Result<Vec<(BTreeSet<String>, Dossier)>, Refusal> {
        let base = &self.endplate.settings.base;
        let mut near: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        let mut join = |a: &str, b: &str| {
            near.entry(a.to_owned()).or_default().insert(b.to_owned());
            near.entry(b.to_owned()).or_default().insert(a.to_owned());
        };
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes || incoming.deletes) {
            let before = incoming.before();
            let was = before.as_ref().and_then(|before| reference::patient_of(before, base));
            if let (Some(is), Some(was)) = (reference::patient_of(&incoming.resource, base), was) {
                join(&is, &was);
            }
            if incoming.kind == "Patient" {
                for patient in before.iter().chain([&incoming.resource]) {
                    for (old, new) in replacements(patient, base) {
                        join(&old, &new);
                    }
                }
            }
        }
        let mut circles = Vec::new();
        let mut seen: BTreeSet<String> = BTreeSet::new();
        for patient in self.patients.clone() {
            let (mut circle, mut dossier) = (BTreeSet::new(), Dossier::default());
            let mut open = vec![patient];
            while let Some(one) = open.pop() {
                if seen.insert(one.clone()) {
                    open.extend(near.get(&one).into_iter().flatten().cloned());
                    let mut generation = 0;
                    // Nothing is recorded of a new patient, and nobody is linked with it.
                    if !(self.trusts && self.makes("Patient", &one)) {
                        let compartment = self.endplate.store.compartment(&one).await?;
                        generation = compartment.generation;
                        let recorded = Dossier::of(compartment);
                        open.extend(self.endplate.linked(&one, &recorded).await?);
                        dossier.extend(recorded);
                    }
                    self.rest_on(Scope { key: format!("Patient/{one}"), generation });
                    circle.insert(one);
                }
            }
            if !circle.is_empty() {
                circles.push((circle, dossier));
            }
        }
        Ok(circles)
    }

    /// Whether this write brings a resource that there never was.
    fn makes(&self, kind: &str, id: &str) -> bool {
        self.incoming.iter().any(|one| one.writes && one.version == 0 && one.kind == kind && one.id == id)
    }

    /// Lays what is being written over what is recorded of the patients of one circle.
    pub(super) fn lay_over(&self, circle: &BTreeSet<String>, dossier: &mut Dossier) {
        let base = &self.endplate.settings.base;
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            // What a transaction brings of others is none of these patients'.
            let other =
                reference::patient_of(&incoming.resource, base).is_some_and(|of| !circle.contains(&of));
            if other && dossier.get(&incoming.kind, &incoming.id).is_none() {
                continue;
            }
            dossier.lay(&incoming.kind, &incoming.id, incoming.resource.clone());
        }
        for (kind, id) in self.deletions() {
            dossier.remove(kind, id);
        }
    }

    /// Refuses a Patient that makes records replace each other in a circle.
    fn refuse_circle(&self, records: &BTreeSet<String>) -> Result<(), Refusal> {
        let sent =
            self.incoming.iter().find(|one| one.writes && one.kind == "Patient" && records.contains(&one.id));
        let Some(sent) = sent else { return Ok(()) };
        let problem = "These Patients replace each other in a circle: leave link.type replaced-by on the one that was given up only.";
        let at = (sent.kind.as_str(), sent.index);
        Err(self.refuse(Reason::Unprocessable, at, Code::BusinessRule, "Patient.link", problem))
    }

    /// Refuses a plan whose id another person's plan has already: the same injury recorded for two people.
    async fn refuse_shared_plan(&self, plan: &Json, circle: &BTreeSet<String>) -> Result<(), Refusal> {
        let id = text(plan, &["id"]).unwrap_or_default();
        if self.trusts {
            return Ok(());
        }
        let Some(stored) = self.endplate.store.read("CarePlan", id).await? else { return Ok(()) };
        let stored: Json = endplate_fhir::json::stored(&stored.body);
        // Of one of these patients: it was written meanwhile, and this write will be decided again.
        if reference::patient_of(&stored, &self.endplate.settings.base).is_some_and(|of| circle.contains(&of))
        {
            return Ok(());
        }
        let problem = "Another patient has a plan for an injury of this identifier: merge the two with Patient.link, or correct Condition.identifier.";
        let sent = self.incoming.iter().find(|one| one.writes && one.kind == "Procedure");
        let sent = sent.or(self.incoming.iter().find(|one| one.writes));
        let (at, expression) = match sent {
            Some(one) if one.kind == "Procedure" => {
                ((one.kind.as_str(), one.index), "Procedure.reasonReference")
            }
            Some(one) => ((one.kind.as_str(), one.index), one.kind.as_str()),
            None => {
                return Err(Refusal::new(
                    Reason::Unprocessable,
                    Issue::error(Code::BusinessRule, "", problem),
                ));
            }
        };
        Err(self.refuse(Reason::Unprocessable, at, Code::BusinessRule, expression, problem))
    }

    /// Derives everything that follows for the people behind some patients.
    pub(super) async fn derive_circle(
        &mut self,
        circle: &BTreeSet<String>,
        whole: &Dossier,
        resources: &mut Vec<(Json, u64)>,
        seen: &mut BTreeSet<String>,
    ) -> Result<(), Refusal> {
        let kept = if self.moves { Kept::new() } else { self.endplate.kept(whole).await? };
        let (people, contradictory) = people(whole, circle, &self.endplate.settings.base);
        self.refuse_circle(&contradictory)?;
        let mut plans: BTreeSet<String> = BTreeSet::new();
        let given_up = circle.iter().filter(|patient| !people.iter().any(|one| one.survivor == **patient));
        let given_up: Vec<String> = given_up.cloned().collect();
        self.change.agenda.extend(given_up.into_iter().map(|patient| Agenda { patient, due_on: None }));
        for person in &people {
            let dossier = whole.of_person(person, &self.endplate.settings.base);
            let context = Context { kept: &kept, ..self.context() };
            let derivation = self.derive_person(&dossier, &person.survivor, &context).await?;
            self.accept(&derivation)?;
            self.refuse_if_referred_to(&dossier, &derivation.changed, seen)?;
            plans.extend(derivation.intake.injuries.iter().map(|injury| injury.plan.clone()));
            let due_on = derivation.look_again_on.map(Date::civil);
            self.change.agenda.push(Agenda { patient: person.survivor.clone(), due_on });
            let mut own = versioned(derivation.changed, whole);
            for (resource, version) in &own {
                if *version == 1 && text(resource, &["resourceType"]) == Some("CarePlan") {
                    self.refuse_shared_plan(resource, circle).await?;
                }
            }
            let records = provenances(&derivation.intake, &dossier, &own, &context);
            own.extend(records.into_iter().map(|record| (record, 1)));
            resources.extend(own);
        }
        resources.extend(versioned(abandoned(whole, &plans, &self.context()), whole));
        Ok(())
    }
}

/// Resources with the version that each will have.
fn versioned(changed: Vec<Json>, dossier: &Dossier) -> Vec<(Json, u64)> {
    let next = |resource: &Json| {
        let (kind, id) = (text(resource, &["resourceType"])?, text(resource, &["id"])?);
        Some(dossier.get(kind, id)?.version + 1)
    };
    let numbered = |resource: Json| {
        let version = next(&resource).unwrap_or(1);
        (resource, version)
    };
    changed.into_iter().map(numbered).collect()
}
