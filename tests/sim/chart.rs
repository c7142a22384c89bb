//! What has been committed, as the journal has it: the newest version of everything, and who and what belongs together.

use crate::clinic::{stands, text};
use endplate_fhir::Json;
use endplate_followup::ports::Put;
use std::collections::{BTreeMap, BTreeSet};

/// States of a Task in which somebody still has to do something about it (R4 task.html, the states that are not final).
const OPEN: [&str; 7] = ["draft", "requested", "received", "accepted", "ready", "in-progress", "on-hold"];
/// Techniques that send axons on a way (clinical reference: a tendon transfer moves a muscle, a neurolysis frees a nerve).
const REGENERATING: [&str; 5] =
    ["direct-coaptation", "autograft", "processed-allograft", "conduit", "nerve-transfer"];

/// What is stored now.
#[derive(Default)]
pub struct Chart {
    current: BTreeMap<String, BTreeMap<String, Json>>,
    /// How many versions there are of each type.
    versions: BTreeMap<String, u64>,
}

impl Chart {
    /// Takes in a version; what was there before.
    pub fn apply(&mut self, put: &Put) -> Option<Json> {
        let of_kind = self.current.entry(put.stored.kind.clone()).or_default();
        *self.versions.entry(put.stored.kind.clone()).or_default() += 1;
        if put.stored.body.is_empty() {
            return of_kind.remove(&put.stored.id);
        }
        of_kind.insert(put.stored.id.clone(), serde_json::from_str(&put.stored.body).unwrap())
    }

    pub fn all(&self, kind: &str) -> impl Iterator<Item = &Json> {
        self.current.get(kind).into_iter().flat_map(BTreeMap::values)
    }

    pub fn get(&self, kind: &str, id: &str) -> Option<&Json> {
        self.current.get(kind)?.get(id)
    }

    /// By `Type/id`.
    pub fn at(&self, reference: &str) -> Option<&Json> {
        let (kind, id) = reference.split_once('/')?;
        self.get(kind, id)
    }

    /// How many versions of these types there are.
    pub fn versions(&self, kinds: &[&str]) -> u64 {
        kinds.iter().filter_map(|kind| self.versions.get(*kind)).sum()
    }

    /// All records of the person behind a Patient (R4 patient.html#linking).
    pub fn person(&self, patient: &str) -> BTreeSet<String> {
        let mut pairs = Vec::new();
        for one in self.all("Patient") {
            for link in one["link"].as_array().into_iter().flatten() {
                if matches!(text(link, "/type"), "replaces" | "replaced-by") {
                    pairs.push((format!("Patient/{}", text(one, "/id")), text(link, "/other/reference")));
                }
            }
        }
        let mut all = BTreeSet::from([patient.to_owned()]);
        let mut before = 0;
        while all.len() > before {
            before = all.len();
            for (a, b) in &pairs {
                if all.contains(a) || all.contains(*b) {
                    all.extend([a.clone(), (*b).to_owned()]);
                }
            }
        }
        all
    }

    /// Whether the person behind a Patient has died.
    pub fn is_dead(&self, patient: &str) -> bool {
        let died = |one: &Json| one.get("deceasedDateTime").is_some();
        self.person(patient).iter().filter_map(|record| self.at(record)).any(died)
    }

    /// The plan of an injury.
    pub fn plan_of(&self, condition: &str) -> Option<&Json> {
        self.all("CarePlan").find(|plan| text(plan, "/addresses/0/reference") == condition)
    }

    /// The repairs of an injury that stand, the first one first.
    pub fn repairs_of(&self, condition: &str) -> Vec<&Json> {
        let is_of = |one: &&Json| {
            text(one, "/reasonReference/0/reference") == condition && one["status"] == "completed"
        };
        let mut all: Vec<&Json> = self.all("Procedure").filter(is_of).collect();
        all.sort_by_key(|one| (text(one, "/performedDateTime"), text(one, "/id")));
        all
    }

    /// Whether a repair among those of its injury has axons on their way to a target that no later operation took over
    /// (design, section 7).
    pub fn is_followed(repairs: &[&Json], index: usize) -> bool {
        let technique = |one: &Json| text(one, "/code/coding/0/code").to_owned();
        let nerve = |one: &Json| text(one, "/bodySite/0/coding/0/code").to_owned();
        let own = repairs[index];
        let later = &repairs[index + 1..];
        let again = |one: &&Json| {
            nerve(one) == nerve(own)
                && REGENERATING.contains(&technique(one).as_str())
                && technique(one) != "nerve-transfer"
        };
        let taken: BTreeSet<String> = later.iter().flat_map(|one| targets(one)).collect();
        REGENERATING.contains(&technique(own).as_str())
            && !later.iter().any(again)
            && targets(own).iter().any(|target| !taken.contains(target))
    }

    /// Whether a clinician ended this plan, rather than what happened to its records.
    pub fn is_ended(plan: &Json) -> bool {
        let by_record = plan["meta"]["tag"].as_array().into_iter().flatten();
        let by_record = by_record.into_iter().any(|tag| tag["code"] == "ended-by-record");
        plan["status"] != "active" && !by_record
    }

    /// The reviews of a plan that are still to be held.
    pub fn open_tasks<'a>(&'a self, plan: &Json) -> impl Iterator<Item = &'a Json> + use<'a> {
        let plan = format!("CarePlan/{}", text(plan, "/id"));
        self.all("Task").filter(move |task| {
            text(task, "/basedOn/0/reference") == plan && OPEN.contains(&text(task, "/status"))
        })
    }

    /// The alerts of a plan that stand.
    pub fn standing<'a>(&'a self, plan: &Json) -> impl Iterator<Item = &'a Json> + use<'a> {
        let plan = format!("CarePlan/{}", text(plan, "/id"));
        let is_of = move |issue: &&Json| text(issue, "/implicated/0/reference") == plan && stands(issue);
        self.all("DetectedIssue").filter(is_of)
    }

    /// The forecast of a repair.
    pub fn forecast(&self, procedure: &Json) -> Option<&Json> {
        let of = format!("Procedure/{}", text(procedure, "/id"));
        self.all("RiskAssessment").find(|one| text(one, "/basis/0/reference") == of)
    }
}

/// The muscles and territories that a repair names.
fn targets(procedure: &Json) -> Vec<String> {
    let all = procedure["extension"].as_array().into_iter().flatten();
    all.filter(|one| text(one, "/url").ends_with("/target"))
        .map(|one| text(one, "/extension/0/valueCodeableConcept/coding/0/code").to_owned())
        .collect()
}

/// What an alert implicates of a type, as `Type/id`.
pub fn implicated<'a>(issue: &'a Json, kind: &str) -> Option<&'a str> {
    let all = issue["implicated"].as_array().into_iter().flatten();
    all.map(|one| text(one, "/reference")).find(|to| to.split('/').next() == Some(kind))
}

/// What an alert rests on of a type, as `Type/id`.
pub fn evidence<'a>(issue: &'a Json, kind: &str) -> Vec<&'a str> {
    let all = issue["evidence"].as_array().into_iter().flatten();
    let all = all.flat_map(|one| one["detail"].as_array().into_iter().flatten());
    all.map(|one| text(one, "/reference")).filter(|to| to.split('/').next() == Some(kind)).collect()
}
