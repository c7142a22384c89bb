//! `PlanDefinition/nerve-repair-follow-up/$compare-options`: candidate repairs of one injury side by side.
//!
//! Each candidate is a Procedure with status `preparation` that is otherwise written as the repair would be. It is read as if
//! it had been done on its planned day, so that every number is that of the plan which would follow. Nothing is recommended,
//! ranked, ordered or stored: the candidates stay in the order in which they were sent.

pub mod consequence;
mod told;

use super::apply::PLAN_DEFINITION;
use super::{Inputs, cannot, missing, wrong};
use crate::Endplate;
use crate::dossier::{Dossier, local};
use crate::element::{self, items, reference_of, text, worded};
use crate::grant::{RECORDS, Right};
use crate::intake::{self, Injury, Intake, repair};
use crate::refusal::{Reason, Refusal};
use crate::write::claim;
use consequence::{Consequence, WISHES, Wish};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, reference as references, validate};
use endplate_recovery::episode::Outlook;
use endplate_recovery::repair::{Repair, Technique};
use endplate_recovery::unit::Date;
use serde_json::json;
use std::collections::BTreeSet;

/// Most candidates of one comparison.
const CANDIDATES_MAX: usize = 12;

/// Most parameters `wish`.
const WISHES_MAX: usize = 12;

/// A wish as it was sent: one that can be held against an option, or one in words that only people can weigh.
enum Wanted {
    Known(Wish),
    InWords(String),
}

/// A candidate with what would follow from it.
struct Candidate {
    /// As it was sent, with an id.
    procedure: Json,
    intake: Intake,
    injury: Injury,
    outlook: Outlook,
    /// The day on which it is planned; of a month its last.
    on: Date,
    given_up: Vec<Consequence>,
}

impl Candidate {
    fn repair(&self) -> Option<&Repair> {
        self.injury.episode.repairs.first().map(|followed| &followed.repair)
    }
}

impl Endplate {
    /// Compares candidate repairs. Inputs: `resource` 1..* (the candidates; beside them the Condition and the Patient where these
    /// are not stored), `subject` 0..1, `wish` 0..*.
    ///
    /// # Errors
    /// Another PlanDefinition; no candidate or too many; a candidate that is no planned repair, or that a write would refuse
    /// once it is done; candidates of several patients or injuries; a patient or an injury that is not known.
    pub async fn compare(&self, id: &str, inputs: &Inputs) -> Result<Json, Refusal> {
        self.permit_all(Right::Read, &RECORDS)?;
        inputs.only(&["subject", "resource", "wish"])?;
        if id != PLAN_DEFINITION {
            return Err(Refusal::not_found());
        }
        let wishes = wishes(inputs)?;
        let sent: Vec<&Json> = inputs.all("resource").collect();
        check(&sent)?;
        let patient = self.patient_of_all(inputs, &sent)?;
        let facts = self.facts(&patient, &sent).await?;
        let maps = self.maps().await?.1;
        let mut candidates: Vec<Candidate> = Vec::new();
        for (index, resource) in sent.iter().enumerate().filter(|(_, one)| kind(one) == "Procedure") {
            let number = candidates.len() + 1;
            let mut procedure = (*resource).clone();
            if text(&procedure, &["id"]).is_none() {
                procedure["id"] = json!(format!("option-{number}"));
            }
            let name = reference_of(&procedure);
            if candidates.iter().any(|other| reference_of(&other.procedure) == name) {
                let text = "Two candidates have the same id: give each its own, or none.";
                return Err(refusal(index, Code::Duplicate, ".id", text));
            }
            let read = maps.translate(&procedure).unwrap_or_else(|| procedure.clone());
            candidates.push(self.candidate(index, procedure, read, &facts, &patient)?);
        }
        let injuries: BTreeSet<Option<&str>> =
            candidates.iter().map(|one| one.injury.condition.as_deref()).collect();
        if injuries.len() > 1 {
            let text = "These candidates are of several injuries: send the same Condition as reasonReference of each.";
            return Err(cannot(Code::BusinessRule, text));
        }
        Ok(told::comparison(&candidates, &wishes, self))
    }

    /// The one patient of all candidates.
    fn patient_of_all(&self, inputs: &Inputs, sent: &[&Json]) -> Result<String, Refusal> {
        let base = &self.settings.base;
        let mut patients: BTreeSet<String> = BTreeSet::new();
        if let Some(subject) = inputs.text("subject")? {
            let target = references::parse(&subject, base).filter(|target| target.kind == "Patient");
            let Some(target) = target else {
                let text = "The subject is a patient of this service: send it as Patient/id.";
                return Err(cannot(Code::Value, text));
            };
            patients.insert(target.id);
        }
        for (index, candidate) in sent.iter().enumerate().filter(|(_, one)| kind(one) == "Procedure") {
            let Some(patient) = references::patient_of(candidate, base) else {
                let text = "A candidate is about a patient: send subject.reference, for example Patient/123.";
                return Err(refusal(index, Code::Required, ".subject", text));
            };
            patients.insert(patient);
        }
        match (patients.pop_first(), patients.pop_first()) {
            (Some(patient), None) => Ok(patient),
            _ => Err(cannot(
                Code::BusinessRule,
                "All candidates are of one patient: send one comparison for each.",
            )),
        }
    }

    /// The patient and the injuries, as stored and as sent.
    async fn facts(&self, patient: &str, sent: &[&Json]) -> Result<Vec<Json>, Refusal> {
        let stored = self.store.compartment(patient).await?.resources.into_iter();
        let mut facts: Vec<Json> = stored
            .filter(|stored| matches!(stored.kind.as_str(), "Patient" | "Condition"))
            .map(|stored| endplate_fhir::json::stored(&stored.body))
            .collect();
        facts.extend(sent.iter().filter(|one| kind(one) != "Procedure").map(|one| (*one).clone()));
        let name = format!("Patient/{patient}");
        if facts.iter().any(|fact| reference_of(fact) == name) {
            return Ok(facts);
        }
        let text = "The patient is not known here: store the Patient, or send it as a parameter resource.";
        Err(cannot(Code::NotFound, text))
    }

    /// Reads a candidate as if it had been done on its planned day. `procedure` is as sent, `read` as local codes are understood.
    fn candidate(
        &self,
        index: usize,
        procedure: Json,
        mut read: Json,
        facts: &[Json],
        patient: &str,
    ) -> Result<Candidate, Refusal> {
        let today = element::day(self.clock.today());
        if text(&read, &["status"]) != Some("preparation") {
            let text = "A candidate has not been done yet: send its status as preparation.";
            return Err(refusal(index, Code::BusinessRule, ".status", text));
        }
        if repair::technique(&read).is_none() {
            let known: Vec<&str> = Technique::ALL.iter().map(|technique| technique.code()).collect();
            let text = format!(
                "A candidate is a repair: send a code of repair-technique, one of {}.",
                known.join(", ")
            );
            return Err(refusal(index, Code::CodeInvalid, ".code", text));
        }
        let base = &self.settings.base;
        for (n, reason) in items(&read, "reasonReference").enumerate() {
            let named = local(reason, base);
            if !named.is_some_and(|named| facts.iter().any(|fact| reference_of(fact) == named)) {
                let text = "This Condition of the patient is not known here: store it, or send it as a parameter resource.";
                return Err(refusal(index, Code::NotFound, &format!(".reasonReference[{n}]"), text));
            }
        }
        let named = read.as_object().into_iter().flatten().any(|(name, _)| name.starts_with("performed"));
        if let Some(members) = read.as_object_mut() {
            members.insert("status".to_owned(), json!("completed"));
            // Its id alone tells candidates apart.
            members.shift_remove("identifier");
            if !named {
                members.insert("performedDateTime".to_owned(), json!(today.to_string()));
            }
        }
        let on = element::timing(&read, "performed").map_or(today, |planned| planned.latest);
        let mut dossier = Dossier::default();
        for fact in facts.iter().chain([&read]) {
            dossier.lay(kind(fact), text(fact, &["id"]).unwrap_or_default(), fact.clone());
        }
        let mut intake = intake::read(&dossier, patient, on.max(today), base);
        if !intake.problems.is_empty() {
            let own = |(_, mut issue): (String, Issue)| {
                if let Some(rest) = issue.expression.strip_prefix("Procedure") {
                    issue.expression = at(index, rest);
                }
                issue
            };
            let issues = std::mem::take(&mut intake.problems).into_iter().map(own).collect();
            return Err(Refusal { reason: Reason::Unprocessable, issues });
        }
        if intake.dead {
            let text = "The record says that the patient has died; there is nothing to compare.";
            return Err(cannot(Code::BusinessRule, text));
        }
        let Some(injury) = intake.injuries.pop() else {
            return Err(refusal(index, Code::BusinessRule, "", "This candidate cannot be read as a repair."));
        };
        let outlook = injury.episode.outlook(&self.settings.protocol);
        let given_up = injury
            .episode
            .repairs
            .first()
            .map(|one| consequence::consequences(&one.repair))
            .unwrap_or_default();
        Ok(Candidate { procedure, intake, injury, outlook, on, given_up })
    }
}

fn kind(resource: &Json) -> &str {
    text(resource, &["resourceType"]).unwrap_or_default()
}

/// Where the `index`-th parameter `resource` is.
fn at(index: usize, rest: &str) -> String {
    format!("Parameters.parameter.where(name = 'resource')[{index}].resource{rest}")
}

fn refusal(index: usize, code: Code, rest: &str, text: impl Into<String>) -> Refusal {
    Refusal::new(Reason::Unprocessable, Issue::error(code, at(index, rest), text))
}

/// What was sent is of a type that counts here, is R4, and holds candidates.
fn check(sent: &[&Json]) -> Result<(), Refusal> {
    let candidates = sent.iter().filter(|one| kind(one) == "Procedure").count();
    if candidates == 0 && sent.iter().all(|one| one.is_object()) {
        return Err(missing("resource (a Procedure with status preparation for each candidate)"));
    }
    if candidates > CANDIDATES_MAX || sent.len() > 2 * CANDIDATES_MAX {
        let text = format!(
            "Send at most {CANDIDATES_MAX} candidates, and beside them only their Conditions and the Patient."
        );
        return Err(cannot(Code::TooLong, text));
    }
    let mut issues = Vec::new();
    for (index, resource) in sent.iter().enumerate() {
        let name = kind(resource);
        if !matches!(name, "Procedure" | "Condition" | "Patient") {
            let text =
                "Send as resource only the candidates (Procedure), the injury (Condition) and the Patient.";
            return Err(wrong(&at(index, ""), text));
        }
        let found = validate::resource(resource).into_iter().chain(claim::issues(name, resource));
        for mut issue in found.filter(Issue::is_error) {
            let rest = issue.expression.strip_prefix(name).unwrap_or_default().to_owned();
            issue.expression = at(index, &rest);
            issues.push(issue);
        }
    }
    if issues.is_empty() { Ok(()) } else { Err(Refusal { reason: Reason::Unprocessable, issues }) }
}

/// The wishes in the order in which they were sent: a code, a Coding, a CodeableConcept or words.
fn wishes(inputs: &Inputs) -> Result<Vec<Wanted>, Refusal> {
    let mut all: Vec<Wanted> = Vec::new();
    for sent in inputs.all("wish") {
        let coded = element::coded(sent, "patient-wish");
        let known = coded.and_then(|code| WISHES.iter().find(|wish| wish.code == code));
        match (known, worded(sent)) {
            (Some(wish), _) => all.push(Wanted::Known(*wish)),
            (None, Some(words)) if !words.trim().is_empty() => all.push(Wanted::InWords(words.to_owned())),
            _ => {
                let known: Vec<&str> = WISHES.iter().map(|wish| wish.code).collect();
                let text = format!("A wish is a code of patient-wish ({}) or a text.", known.join(", "));
                return Err(wrong("Parameters.parameter.where(name = 'wish').value", text));
            }
        }
    }
    if all.len() > WISHES_MAX {
        return Err(cannot(Code::TooLong, format!("Send at most {WISHES_MAX} wishes.")));
    }
    Ok(all)
}
