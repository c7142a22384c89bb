//! Everything that follows from the records of one patient: a pure function of dossier, settings and time.
//!
//! It yields the whole of what the derived resources should now be; what does not differ from what is stored is left alone.

mod provenance;
mod standing;

pub use provenance::provenances;

use crate::Endplate;
use crate::capacity::{self, Days};
use crate::code;
use crate::dossier::{Dossier, Entry};
use crate::element::{self, items, text};
use crate::intake::{self, Injury, Intake, ours};
use crate::kept::{self, Kept};
use crate::message::{self, Word};
use crate::notice::{self, Parties};
use crate::object::json;
use crate::plan::{self, Source};
use crate::write::{scheduler, workflow};
use crate::{account, document, identity, person};
use endplate_fhir::Json;
use endplate_recovery::alert::Alert;
use endplate_recovery::episode::Episode;
use endplate_recovery::protocol::Protocol;
use endplate_recovery::unit::{Date, DateRange};
use jiff::Timestamp;
use serde_json::Map;
use standing::Standing;
use std::collections::{BTreeMap, BTreeSet};

/// What it takes to derive.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// The parameters.
    pub protocol: &'a Protocol,
    /// Those of earlier plans, by version: a plan keeps the protocol it was made by.
    pub kept: &'a Kept,
    /// Whom to tell.
    pub parties: Parties<'a>,
    /// The address of this service.
    pub base: &'a str,
    /// The instant.
    pub now: Timestamp,
    /// The clinic's date.
    pub today: Date,
    /// Most reviews a day, if the clinic has a bound.
    pub reviews_per_day_max: Option<u32>,
    /// How many reviews of others there are on which day.
    pub others: &'a Days,
}

impl Endplate {
    /// What it takes to derive at an instant, with the present protocol for every plan.
    pub(crate) fn context(&self, now: Timestamp, today: Date) -> Context<'_> {
        let settings = &self.settings;
        Context {
            protocol: &settings.protocol,
            kept: &kept::NONE,
            parties: Parties { clinic_lead: &settings.clinic_lead, scheduler: &settings.scheduler },
            base: &settings.base,
            now,
            today,
            reviews_per_day_max: settings.reviews_per_day_max,
            others: &capacity::NONE,
        }
    }
}

impl Context<'_> {
    /// The same for one injury: with the protocol that its plan was made by.
    pub(crate) fn of(&self, dossier: &Dossier, injury: &Injury) -> Self {
        let plan = dossier.get("CarePlan", &injury.plan).map(|entry| &entry.resource);
        let kept = plan.and_then(kept::version_of).and_then(|version| self.kept.get(version));
        Self { protocol: kept.map_or(self.protocol, |kept| kept), ..*self }
    }
}

/// What follows from a dossier.
#[derive(Clone, Debug)]
pub struct Derivation {
    /// What the records mean.
    pub intake: Intake,
    /// Derived resources that differ from what is stored, in the order in which they should be told.
    pub changed: Vec<Json>,
    /// The first date on which the clock alone can change something.
    pub look_again_on: Option<Date>,
}

/// Derives everything about one patient.
pub fn derive(dossier: &Dossier, patient: &str, context: &Context<'_>) -> Derivation {
    let intake = intake::read(dossier, patient, context.today, context.base);
    let mut look_again_on: Option<Date> = None;
    let mut changed = Vec::new();
    let mut words = Vec::new();
    let mut days = Vec::new();
    for injury in &intake.injuries {
        let context = &context.of(dossier, injury);
        let deriver = Deriver { dossier, intake: &intake, injury, context };
        let (resources, next) = if intake.dead || injury.ended || injury.procedures.is_empty() {
            (deriver.ended(), None)
        } else {
            deriver.followed(&mut words, &mut days)
        };
        look_again_on = match (look_again_on, next) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        let resources = deriver.with_all_else(resources);
        let finished = resources.into_iter().map(|resource| deriver.finished(resource));
        changed.extend(finished.filter(|resource| differs(dossier, resource)));
    }
    changed.extend(messages(dossier, &intake, words, context));
    Derivation { intake, changed, look_again_on }
}

/// The messages of today, and those sent before, which stay as they are but for the labels of the repairs they are about.
fn messages(dossier: &Dossier, intake: &Intake, words: Vec<Word>, context: &Context<'_>) -> Vec<Json> {
    let today = message::messages(words, &intake.patient, dossier, context.now, context.today);
    let new: BTreeSet<String> = today.iter().map(element::reference_of).collect();
    let sent =
        dossier.entries().filter(|((kind, _), entry)| kind == "Communication" && entry.stored.is_some());
    let sent = sent.map(|(_, entry)| entry.resource.clone());
    let all = today.into_iter().chain(sent.filter(|one| !new.contains(&element::reference_of(one))));
    let told = |one: Json| {
        let plans: Vec<String> = message::plans(&one).map(str::to_owned).collect();
        let about: Vec<&Injury> =
            intake.injuries.iter().filter(|injury| plans.contains(&injury.plan)).collect();
        (!about.is_empty()).then(|| labelled(account::told(one), &about))
    };
    all.filter_map(told).filter(|one| differs(dossier, one)).collect()
}

/// Whether a derived resource differs from what is stored, versions and times apart.
fn differs(dossier: &Dossier, resource: &Json) -> bool {
    let (Some(kind), Some(id)) = (text(resource, &["resourceType"]), text(resource, &["id"])) else {
        return false;
    };
    match dossier.get(kind, id) {
        Some(Entry { resource: stored, stored: Some(_), .. }) => !agree(stored, resource),
        _ => true,
    }
}

/// What is still open of plans that no record asks for any more, closed: a correction gave their repairs to another injury or
/// to another patient. `plans` are the ids of those that are asked for.
pub fn abandoned(dossier: &Dossier, plans: &BTreeSet<String>, context: &Context<'_>) -> Vec<Json> {
    let mut closed = Vec::new();
    for plan in dossier.all("CarePlan").filter(|plan| text(plan, &["status"]) == Some("active")) {
        let Some(id) = ours(plan, "plan").filter(|id| !plans.contains(id)) else { continue };
        let injury = forgotten(&id, context.today);
        let intake = Intake::default();
        let deriver = Deriver { dossier, intake: &intake, injury: &injury, context };
        let resources = deriver.ended().into_iter().map(account::told);
        closed.extend(resources.filter(|resource| differs(dossier, resource)));
    }
    closed
}

/// A plan of which the records say nothing any more.
fn forgotten(plan: &str, today: Date) -> Injury {
    Injury {
        key: String::new(),
        plan: plan.to_owned(),
        condition: None,
        episode: Episode {
            injured: DateRange::exact(today),
            repairs: Vec::new(),
            visits: Vec::new(),
            bookings: Vec::new(),
            closed: Vec::new(),
            known_since: today,
        },
        procedures: Vec::new(),
        assumptions: Vec::new(),
        appointments: BTreeMap::new(),
        missed: Vec::new(),
        attended: BTreeMap::new(),
        held: BTreeMap::new(),
        withdrawn: Vec::new(),
        previous: Vec::new(),
        ended: false,
    }
}

struct Deriver<'a> {
    dossier: &'a Dossier,
    intake: &'a Intake,
    injury: &'a Injury,
    context: &'a Context<'a>,
}

impl Deriver<'_> {
    fn stored(&self, kind: &str, id: &str) -> Option<&Json> {
        self.dossier.get(kind, id).map(|entry| &entry.resource)
    }

    /// The plan of an injury that is being followed. `days` are those on which this patient has reviews already.
    fn followed(&self, words: &mut Vec<Word>, days: &mut Vec<Date>) -> (Vec<Json>, Option<Date>) {
        let Context { protocol, parties, today, .. } = *self.context;
        let outlook = capacity::outlook(self.dossier, self.injury, days, self.context);
        days.extend(outlook.reviews.iter().map(|review| review.on));
        let coming: BTreeSet<&str> = outlook.reviews.iter().map(|review| review.key.as_str()).collect();
        let attended = self.attended(&coming);
        let source = Source {
            intake: self.intake,
            injury: self.injury,
            outlook: &outlook,
            attended: &attended,
            protocol,
            scheduler: parties.scheduler,
            reviews_per_day_max: self.context.reviews_per_day_max,
            today,
        };
        let mut resources: Vec<Json> = plan::documents(&source)
            .into_iter()
            .map(|document| self.keep_what_people_wrote(document))
            .collect();
        let Standing { alerts, issues, words: told, next_look } = self.standing(&outlook);
        resources.extend(issues);
        words.extend(told);
        let heard: Vec<&Alert> =
            alerts.iter().filter(|(_, is_quiet)| !is_quiet).map(|(alert, _)| alert).collect();
        let flag = self.stored("Flag", &identity::id("Flag", &[&self.injury.key]));
        resources.extend(notice::flag(self.injury, &self.intake.patient, &heard, flag, today));
        let live: BTreeSet<String> = resources.iter().map(element::reference_of).collect();
        resources.extend(self.withdrawn(&live, &attended, &alerts));
        // A place may become free on any day.
        let crowded = outlook.reviews.iter().any(|review| review.crowded).then(|| today.plus(1));
        (resources, crowded.into_iter().chain(next_look).min())
    }

    /// Owner, place and notes of a Task are the scheduler's, and what the scheduler said of it stays.
    fn keep_what_people_wrote(&self, mut document: Json) -> Json {
        if text(&document, &["resourceType"]) != Some("Task") {
            return document;
        }
        let mut kept = vec!["owner", "note", "extension", "location"];
        let id = text(&document, &["id"]).unwrap_or_default().to_owned();
        let derived = text(&document, &["status"]).unwrap_or_default().to_owned();
        if let (Some(stored), Some(members)) = (self.stored("Task", &id), document.as_object_mut()) {
            if workflow::keeps(stored, &derived) {
                kept.extend(["status", "statusReason"]);
            }
            for name in kept {
                if let Some(value) = stored.get(name) {
                    members.insert(name.to_owned(), value.clone());
                }
            }
        }
        document
    }

    /// With what stays as it is but for the patient it is about: a plan that somebody ended, a banner that no longer stands.
    fn with_all_else(&self, mut resources: Vec<Json>) -> Vec<Json> {
        let told: BTreeSet<String> = resources.iter().map(element::reference_of).collect();
        let plan = self.dossier.all("CarePlan").filter(|plan| text(plan, &["id"]) == Some(&self.injury.plan));
        let flags =
            self.dossier.all("Flag").filter(|flag| ours(flag, "flag").as_ref() == Some(&self.injury.plan));
        let issues = self.dossier.all("DetectedIssue").filter(|issue| self.is_ours("DetectedIssue", issue));
        for other in plan.chain(flags).chain(issues) {
            let moved = person::rehomed(other.clone(), &self.intake.patient);
            if moved != *other && !told.contains(&element::reference_of(other)) {
                resources.push(moved);
            }
        }
        resources
    }

    /// What every derived resource carries besides: its narrative, the labels of the repairs, and a Task the day of its change.
    fn finished(&self, resource: Json) -> Json {
        let resource = person::rehomed(resource, &self.intake.patient);
        let mut resource = labelled(account::told(resource), &[self.injury]);
        if text(&resource, &["resourceType"]) == Some("Task") {
            scheduler::set_modified(&mut resource, self.context.today);
        }
        resource
    }

    /// Resources of this plan that are no longer part of it.
    fn withdrawn(
        &self,
        live: &BTreeSet<String>,
        attended: &BTreeMap<String, Date>,
        alerts: &[(Alert, bool)],
    ) -> Vec<Json> {
        let standing: BTreeSet<String> =
            alerts.iter().map(|(alert, _)| notice::issue_id(self.injury, alert)).collect();
        let mut all = Vec::new();
        for ((kind, id), Entry { resource, stored, .. }) in self.dossier.entries() {
            let gone = stored.is_some() && !live.contains(&format!("{kind}/{id}"));
            if !gone || !self.is_ours(kind, resource) {
                continue;
            }
            match kind.as_str() {
                "Task" | "ServiceRequest" => {
                    let key = self.review_key(kind, resource).unwrap_or_default();
                    let on = attended.get(&key).copied();
                    let outcomes = on.map(|on| plan::outcomes(self.injury, &key, on)).unwrap_or_default();
                    all.push(closed_review(resource, on, &outcomes));
                }
                "Goal" => all.push(cancelled_goal(resource, self.context.today)),
                "RiskAssessment" => all.push(with(resource, &[("status", json!("cancelled"))])),
                "DiagnosticReport" => all.push(cancelled_report(resource)),
                "DetectedIssue" if !standing.contains(id) => {
                    all.push(notice::ended_issue(resource, self.context.now));
                }
                _ => {}
            }
        }
        all
    }

    /// A plan that has ended: no task, no alert, no message any more.
    fn ended(&self) -> Vec<Json> {
        let attended = self.attended(&BTreeSet::new());
        let mut all = self.withdrawn(&BTreeSet::new(), &attended, &[]);
        let mut flags =
            self.dossier.all("Flag").filter(|flag| ours(flag, "flag").as_ref() == Some(&self.injury.plan));
        let flag = flags.find(|flag| text(flag, &["status"]) == Some("active"));
        all.extend(flag.map(|flag| notice::ended_flag(flag, self.context.today)));
        if let Some(plan) = self.stored("CarePlan", &self.injury.plan).filter(|_| !self.injury.ended) {
            let plan = with(plan, &[("status", json!("revoked"))]);
            let mut tags: Vec<Json> =
                plan.get("meta").map(|meta| items(meta, "tag").cloned().collect()).unwrap_or_default();
            let ended = json!({ "system": code::system("origin"), "code": "ended-by-record" });
            if !tags.contains(&ended) {
                tags.push(ended);
            }
            let tags = Json::Array(tags);
            let mut meta = plan.get("meta").cloned().unwrap_or_else(|| json!({}));
            if let Some(members) = meta.as_object_mut() {
                members.insert("tag".to_owned(), tags);
            }
            all.push(with(&plan, &[("meta", meta)]));
        }
        all
    }

    /// Whether a derived resource belongs to this plan.
    fn is_ours(&self, kind: &str, resource: &Json) -> bool {
        let name = match kind {
            "Task" => "task",
            "ServiceRequest" => "review",
            "Goal" => "goal",
            "RiskAssessment" => "assessment",
            "DiagnosticReport" => "chart",
            "DetectedIssue" => "alert",
            _ => return false,
        };
        ours(resource, name).is_some_and(|value| value.starts_with(&format!("{}/", self.injury.plan)))
    }

    fn review_key(&self, kind: &str, resource: &Json) -> Option<String> {
        let name = if kind == "Task" { "task" } else { "review" };
        ours(resource, name)?.strip_prefix(&format!("{}/", self.injury.plan)).map(str::to_owned)
    }

    /// Which reviews were attended and when: those that somebody says were, and for every other visit the review whose window
    /// it fell into, or else the last one that was due. Those that are still to come were not; their windows open after the last
    /// visit, so that the next look would not find it in them.
    fn attended(&self, coming: &BTreeSet<&str>) -> BTreeMap<String, Date> {
        let mut attended = self.injury.attended.clone();
        let mut windows: Vec<(Date, Date, String)> = Vec::new();
        for request in
            self.dossier.all("ServiceRequest").filter(|request| self.is_ours("ServiceRequest", request))
        {
            let window = request.get("occurrencePeriod").and_then(element::period);
            if let (Some(window), Some(key)) = (window, self.review_key("ServiceRequest", request)) {
                windows.push((window.earliest, window.latest, key));
            }
        }
        windows.sort();
        for visit in &self.injury.episode.visits {
            if attended.values().any(|on| on == visit) {
                continue;
            }
            let free = |(opens, _, key): &&(Date, Date, String)| {
                opens <= visit && !attended.contains_key(key) && !coming.contains(key.as_str())
            };
            let inside = windows.iter().filter(free).find(|(_, closes, _)| closes >= visit);
            if let Some((_, _, key)) = inside.or_else(|| windows.iter().rfind(free)) {
                attended.insert(key.clone(), *visit);
            }
        }
        attended
    }
}

/// A resource without version and time.
pub fn bare(resource: &Json) -> Json {
    let mut bare = resource.clone();
    if let Some(meta) = bare.get_mut("meta").and_then(Json::as_object_mut) {
        meta.shift_remove("versionId");
        meta.shift_remove("lastUpdated");
        if meta.is_empty()
            && let Some(members) = bare.as_object_mut()
        {
            members.shift_remove("meta");
        }
    }
    bare
}

/// Whether two resources say the same: versions and times apart, and of a Task of this service the day of its last change.
pub fn agree(one: &Json, other: &Json) -> bool {
    let (Some(ours), Some(others)) = (one.as_object(), other.as_object()) else { return one == other };
    let apart = |members: &Map<String, Json>, name: &str| {
        name == "meta"
            || (name == "lastModified" && members.get("resourceType").and_then(Json::as_str) == Some("Task"))
    };
    let said = |members: &Map<String, Json>| members.keys().filter(|name| !apart(members, name)).count();
    said(ours) == said(others)
        && ours.iter().all(|(name, value)| apart(ours, name) || others.get(name) == Some(value))
        && meta_of(one) == meta_of(other)
        && modified_of(one) == modified_of(other)
}

/// What `meta` says besides version and time.
fn meta_of(resource: &Json) -> Map<String, Json> {
    let meta = resource.get("meta").and_then(Json::as_object);
    let said = meta.into_iter().flatten().filter(|(name, _)| *name != "versionId" && *name != "lastUpdated");
    said.map(|(name, value)| (name.clone(), value.clone())).collect()
}

/// The day of the last change of a Task that is not of this service: somebody else's to say.
fn modified_of(resource: &Json) -> Option<&Json> {
    resource.get("lastModified").filter(|_| ours(resource, "task").is_none())
}

/// The labels of the repairs, so that what follows from them is handled with the same care; and that it is test data.
fn labelled(mut resource: Json, injuries: &[&Injury]) -> Json {
    let procedures = || injuries.iter().flat_map(|injury| &injury.procedures);
    if procedures().next().is_none() {
        return resource;
    }
    let union = |of: fn(&intake::ProcedureRecord) -> &Vec<Json>| {
        let mut all: Vec<Json> = Vec::new();
        for label in procedures().flat_map(of) {
            if !all.contains(label) {
                all.push(label.clone());
            }
        }
        all
    };
    let (security, tests) = (union(|record| &record.security), union(|record| &record.test_tags));
    if let Some(meta) = resource.get_mut("meta").and_then(Json::as_object_mut) {
        meta.shift_remove("security");
        if !security.is_empty() {
            meta.insert("security".to_owned(), Json::Array(security));
        }
        if let Some(tags) = meta.get_mut("tag").and_then(Json::as_array_mut) {
            tags.retain(|tag| !is_test(tag));
            tags.extend(tests);
        }
    }
    resource
}

/// HL7's label of test data: `HTEST` of v3-ActReason.
pub fn is_test(tag: &Json) -> bool {
    text(tag, &["system"]) == Some("http://terminology.hl7.org/CodeSystem/v3-ActReason")
        && text(tag, &["code"]) == Some("HTEST")
}

/// Type, id and meta first, with version and time.
pub fn stamped(resource: Json, version: u64, now: Timestamp) -> Json {
    let Json::Object(mut members) = resource else { return resource };
    let stamp = |meta: &mut Json| {
        if let Some(meta) = meta.as_object_mut() {
            meta.insert("versionId".to_owned(), json!(version.to_string()));
            meta.insert("lastUpdated".to_owned(), json!(crate::write::instant_ms(now)));
        }
    };
    if members.keys().take(3).eq(["resourceType", "id", "meta"]) {
        members.get_mut("meta").map(stamp);
        return Json::Object(members);
    }
    let mut meta = members.shift_remove("meta").unwrap_or_else(|| json!({}));
    stamp(&mut meta);
    let mut all = Map::new();
    for name in ["resourceType", "id"] {
        if let Some(value) = members.shift_remove(name) {
            all.insert(name.to_owned(), value);
        }
    }
    all.insert("meta".to_owned(), meta);
    all.extend(members);
    Json::Object(all)
}

/// A copy with some members set.
fn with(resource: &Json, members: &[(&str, Json)]) -> Json {
    let mut copy = resource.clone();
    if let Some(all) = copy.as_object_mut() {
        for (name, value) in members {
            all.insert((*name).to_owned(), value.clone());
        }
    }
    copy
}

/// A goal that is no longer pursued, since the day it ceased to be.
fn cancelled_goal(goal: &Json, today: Date) -> Json {
    match text(goal, &["lifecycleStatus"]) {
        Some("cancelled") => goal.clone(),
        _ => with(goal, &[("lifecycleStatus", json!("cancelled")), ("statusDate", json!(today.to_string()))]),
    }
}

/// The report of a repair that is no longer followed. Its chart is not drawn any more, and an address in it must lead to a
/// picture (R4 Attachment.url).
fn cancelled_report(report: &Json) -> Json {
    let mut report = with(report, &[("status", json!("cancelled"))]);
    if let Some(members) = report.as_object_mut() {
        members.shift_remove("presentedForm");
    }
    report
}

/// A review that is no longer open: done if the patient was seen for it, with what came of it, else withdrawn.
fn closed_review(resource: &Json, attended: Option<Date>, outcomes: &[Json]) -> Json {
    let status = text(resource, &["status"]);
    let closed = matches!(
        status,
        Some("completed" | "cancelled" | "revoked" | "rejected" | "failed" | "entered-in-error")
    );
    let outputs = |mut task: Json| {
        let outputs =
            outcomes.iter().map(|to| json!({ "type": { "text": "outcome" }, "valueReference": to.clone() }));
        let outputs: Vec<Json> = outputs.collect();
        if let Some(members) = task.as_object_mut() {
            members.shift_remove("output");
            if !outputs.is_empty() {
                members.insert("output".to_owned(), Json::Array(outputs));
            }
        }
        task
    };
    match (text(resource, &["resourceType"]) == Some("Task"), attended) {
        // Done is done; but a scheduler who says so on the Task leaves the rest to be filled in.
        (true, Some(_)) if status == Some("completed") && resource.get("executionPeriod").is_some() => {
            outputs(resource.clone())
        }
        (true, Some(on)) => {
            let mut done = with(
                resource,
                &[
                    ("status", json!("completed")),
                    ("businessStatus", document::concept("review-state", "attended", "attended")),
                    ("executionPeriod", document::days(on, on)),
                ],
            );
            if let Some(members) = done.as_object_mut() {
                members.shift_remove("statusReason");
            }
            outputs(done)
        }
        (_, None) if closed => resource.clone(),
        (true, None) => with(
            resource,
            &[
                ("status", json!("cancelled")),
                ("businessStatus", document::concept("review-state", "withdrawn", "withdrawn")),
                ("statusReason", json!({ "text": "The plan no longer asks for this review." })),
            ],
        ),
        (false, Some(_)) => with(resource, &[("status", json!("completed"))]),
        (false, None) => with(resource, &[("status", json!("revoked"))]),
    }
}
