//! `PlanDefinition/nerve-repair-follow-up/$apply` and `CarePlan/{id}/$assess`: the plan that would be, of which nothing is
//! stored. Both decide a write on the present facts with a clock that stands where they are told, and do not commit it.

use super::{Inputs, cannot, missing, wrong};
use crate::Endplate;
use crate::code::{EP, identifier};
use crate::derivation::bare;
use crate::document::{self, reference};
use crate::element::{items, reference_of, text};
use crate::grant::{RECORDS, Right};
use crate::ports::Clock;
use crate::preview::{DERIVED, entry_of, is_derived};
use crate::refusal::Refusal;
use crate::write::{ENTRIES_MAX, instant_ms};
use endplate_fhir::bundle;
use endplate_fhir::issue::Code;
use endplate_fhir::reference::rewrite;
use endplate_fhir::{Json, reference as references};
use jiff::Timestamp;
use jiff::civil::{Date, Time};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// The id of the one PlanDefinition.
pub const PLAN_DEFINITION: &str = "nerve-repair-follow-up";

/// Inputs of R4's `$apply` that say who asks and where. No rule of the plan depends on them, so they change nothing.
const CONTEXT: [&str; 8] = [
    "encounter",
    "practitioner",
    "organization",
    "userType",
    "userLanguage",
    "userTaskContext",
    "setting",
    "settingContext",
];

/// A clock that stands.
struct Standing {
    now: Timestamp,
    today: Date,
}

impl Clock for Standing {
    fn now(&self) -> Timestamp {
        self.now
    }

    fn today(&self) -> Date {
        self.today
    }
}

/// Derived resources by `Type/id`, and the plans to which the sent records belong.
struct Picture {
    resources: BTreeMap<(String, String), Json>,
    /// `Procedure/…` that were sent.
    sent: BTreeSet<String>,
}

impl Endplate {
    /// The same use cases on another day: at its first moment in UTC. Today is now.
    fn on(&self, day: Option<Date>) -> Result<Self, Refusal> {
        let Some(today) = day.filter(|day| *day != self.clock.today()) else { return Ok(self.clone()) };
        let now = jiff::tz::Offset::UTC.to_timestamp(today.to_datetime(Time::midnight()));
        let now =
            now.map_err(|_| wrong("Parameters.parameter.value", "Send an asOf in the years 1 to 9999."))?;
        Ok(self.clone().furnished(|house| house.clock = Arc::new(Standing { now, today })))
    }

    /// Everything derived about a patient as it would be after a write of `resources`.
    async fn picture(&self, patient: &str, resources: &[Json]) -> Result<Picture, Refusal> {
        let bundle = json!({
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": resources.iter().map(|resource| entry_of(resource, None)).collect::<Vec<_>>(),
        });
        let entries = bundle::transaction(&bundle, &self.settings.base).map_err(in_parameters)?;
        let rehearsal = self
            .rehearse(entries, true, Some(patient))
            .await
            .map_err(|refusal| Refusal { issues: in_parameters(refusal.issues).issues, ..refusal })?;
        let stored = self.store.compartment(patient).await?.resources;
        let put = rehearsal.puts.into_iter().filter(|put| put.patient.as_deref() == Some(patient));
        let mut all = BTreeMap::new();
        for stored in stored.into_iter().chain(put.map(|put| put.stored)) {
            let resource: Json = endplate_fhir::json::stored(&stored.body);
            if DERIVED.contains(&stored.kind.as_str()) && is_derived(&resource) {
                all.insert((stored.kind, stored.id), bare(&resource));
            }
        }
        let sent = rehearsal.names.into_iter().filter(|(kind, _)| kind == "Procedure");
        Ok(Picture { resources: all, sent: sent.map(|(kind, id)| format!("{kind}/{id}")).collect() })
    }

    /// Applies the plan definition to a subject whose repair and findings are stored or sent. Gives one CarePlan that contains
    /// its goals, assessments, requests and tasks, and, as R4 has it, a RequestGroup as its single activity.
    ///
    /// # Errors
    /// No subject or several, another PlanDefinition, records that a write would refuse, no repair, or several plans of which
    /// none was asked for.
    pub async fn apply(&self, id: Option<&str>, inputs: &Inputs) -> Result<Json, Refusal> {
        self.permit_all(Right::Read, &RECORDS)?;
        let mut known = vec!["planDefinition", "subject", "resource", "asOf"];
        known.extend(CONTEXT);
        inputs.only(&known)?;
        definition(id, inputs)?;
        let mut subjects = inputs.all("subject").filter_map(Json::as_str);
        let subject = subjects.next().ok_or_else(|| missing("subject"))?;
        if subjects.next().is_some() {
            let text = "R4 leaves several subjects open, and one CarePlan is of one: send one subject.";
            return Err(cannot(Code::NotSupported, text));
        }
        let base = &self.settings.base;
        let Some(target) = references::parse(subject, base).filter(|target| target.kind == "Patient") else {
            let text = "The subject is a patient of this service: send it as Patient/id.";
            return Err(cannot(Code::Value, text));
        };
        let resources: Vec<Json> = inputs.all("resource").cloned().collect();
        if resources.len() > ENTRIES_MAX {
            return Err(cannot(Code::TooLong, format!("Send at most {ENTRIES_MAX} resources.")));
        }
        let is_subject = |resource: &Json| reference_of(resource) == format!("Patient/{}", target.id);
        if !resources.iter().any(is_subject) && self.store.read("Patient", &target.id).await?.is_none() {
            let text =
                "The subject is not known here: store the Patient, or send it as a parameter resource.";
            return Err(cannot(Code::NotFound, text));
        }
        let picture = self.on_its_own().on(inputs.day("asOf")?)?.picture(&target.id, &resources).await?;
        let active = |plan: &&Json| text(plan, &["status"]) == Some("active");
        let mut plans: Vec<&Json> = picture.all("CarePlan").filter(active).collect();
        if plans.len() > 1 && !picture.sent.is_empty() {
            plans.retain(|plan| picture.is_of_sent(plan));
        }
        match (plans.pop(), plans.pop()) {
            (Some(plan), None) => Ok(picture.care_plan(plan)),
            (None, _) => {
                let text = "There is no repair to plan for: send a completed Procedure with a code of repair-technique as a parameter resource, or store it.";
                Err(cannot(Code::BusinessRule, text))
            }
            (Some(_), Some(_)) => {
                let text = "This patient has several plans: send the repair that is meant as the parameter resource.";
                Err(cannot(Code::MultipleMatches, text))
            }
        }
    }

    /// A stored plan on another day: everything derived of it, as a collection Bundle. Alerts raised after that day are left
    /// out, and findings dated after it do not count.
    ///
    /// # Errors
    /// No such plan, a plan that was not derived here, no date.
    pub async fn assess(&self, id: &str, inputs: &Inputs) -> Result<Json, Refusal> {
        self.permit_all(Right::Read, &RECORDS)?;
        self.permit(Right::Read, "CarePlan")?;
        inputs.only(&["asOf"])?;
        let as_of = inputs.day("asOf")?;
        let stored = self.read("CarePlan", id).await?;
        let plan: Json = endplate_fhir::json::stored(&stored.body);
        let patient = references::patient_of(&plan, &self.settings.base).filter(|_| is_derived(&plan));
        let Some(patient) = patient else {
            let text = "Only plans that this service derived from a repair can be assessed.";
            return Err(cannot(Code::BusinessRule, text));
        };
        let then = self.on_its_own().on(as_of)?;
        let picture = then.picture(&patient, &[]).await?;
        let day = then.clock.today().to_string();
        let part = |resource: &&Json| Picture::is_part(resource, id) && !is_after(resource, &day);
        let mut all: Vec<(String, Json)> = Vec::new();
        for resource in picture.resources.values().filter(part) {
            all.push((format!("{}/{}", self.settings.base, reference_of(resource)), resource.clone()));
        }
        Ok(bundle::collection(Some(&instant_ms(then.clock.now())), all))
    }
}

/// Refuses another PlanDefinition than the one there is.
fn definition(id: Option<&str>, inputs: &Inputs) -> Result<(), Refusal> {
    let sent = inputs.structure("planDefinition")?;
    let ours = format!("{EP}/PlanDefinition/{PLAN_DEFINITION}");
    match (id, sent) {
        (Some(_), Some(_)) => {
            let text = "The address names the PlanDefinition; leave the parameter planDefinition out.";
            Err(wrong("Parameters.parameter", text))
        }
        (Some(PLAN_DEFINITION), None) => Ok(()),
        (Some(_), None) => Err(Refusal::not_found()),
        (None, None) => Err(missing("planDefinition")),
        (None, Some(sent)) if text(sent, &["url"]) == Some(&ours) => Ok(()),
        (None, Some(_)) => {
            let text = format!("The only PlanDefinition that can be applied here is {ours}.");
            Err(cannot(Code::NotSupported, text))
        }
    }
}

/// Issues about a transaction entry as issues about a parameter `resource`.
fn in_parameters(mut issues: Vec<endplate_fhir::issue::Issue>) -> Refusal {
    for issue in &mut issues {
        if let Some(rest) = issue.expression.strip_prefix("Bundle.entry") {
            issue.expression = format!("Parameters.parameter.where(name = 'resource'){rest}");
        }
    }
    Refusal { reason: crate::refusal::Reason::Malformed, issues }
}

/// Whether an alert, a message or a flag is of a later day than `day`.
fn is_after(resource: &Json, day: &str) -> bool {
    let began = match text(resource, &["resourceType"]) {
        Some("DetectedIssue") => text(resource, &["identifiedPeriod", "start"]),
        Some("Flag") => text(resource, &["period", "start"]),
        Some("Communication") => text(resource, &["sent"]),
        _ => None,
    };
    began.and_then(|began| began.get(..10)).is_some_and(|began| began > day)
}

impl Picture {
    fn all<'a>(&'a self, kind: &'a str) -> impl Iterator<Item = &'a Json> {
        self.resources.iter().filter(move |((of, _), _)| of == kind).map(|(_, resource)| resource)
    }

    /// Whether a resource is the plan `plan`, or by its identifier or its references part of it.
    fn is_part(resource: &Json, plan: &str) -> bool {
        let named = |one: &Json| {
            let value = text(one, &["value"]).unwrap_or_default();
            let ours = text(one, &["system"]).is_some_and(|system| system.starts_with(&identifier("")));
            ours && (value == plan || value.strip_prefix(plan).is_some_and(|rest| rest.starts_with('/')))
        };
        let of_plan = format!("CarePlan/{plan}");
        let about = |one: &Json| text(one, &["reference"]) == Some(&of_plan);
        items(resource, "identifier").any(named)
            || text(resource, &["resourceType"]) == Some("Communication")
                && items(resource, "about").any(about)
    }

    /// Whether a plan is of a repair that was sent.
    fn is_of_sent(&self, plan: &Json) -> bool {
        let assessments: Vec<&str> =
            items(plan, "supportingInfo").filter_map(|to| text(to, &["reference"])).collect();
        let of_sent = |assessment: &Json| {
            assessments.contains(&reference_of(assessment).as_str())
                && items(assessment, "basis")
                    .any(|to| text(to, &["reference"]).is_some_and(|to| self.sent.contains(to)))
        };
        self.all("RiskAssessment").any(of_sent)
    }

    /// The plan with its parts contained. It is a proposal and nothing is ordered by it, so its requests are options (R4
    /// RequestGroup: the intent of what an action points at is `option`).
    fn care_plan(&self, plan: &Json) -> Json {
        let id = text(plan, &["id"]).unwrap_or_default();
        let open = |resource: &Json| match text(resource, &["resourceType"]) {
            Some("Goal") => text(resource, &["lifecycleStatus"]) != Some("cancelled"),
            Some("RiskAssessment") => text(resource, &["status"]) == Some("final"),
            Some("ServiceRequest") => text(resource, &["status"]) == Some("active"),
            Some("Task") => matches!(text(resource, &["status"]), Some("requested" | "accepted")),
            _ => false,
        };
        let mut contained: Vec<Json> =
            self.resources.values().filter(|one| open(one) && Self::is_part(one, id)).cloned().collect();
        let mut requests: Vec<&Json> =
            contained.iter().filter(|one| text(one, &["resourceType"]) == Some("ServiceRequest")).collect();
        requests.sort_by_key(|request| text(request, &["occurrencePeriod", "start"]));
        let group = (!requests.is_empty()).then(|| request_group(plan, &requests));
        for one in &mut contained {
            if matches!(text(one, &["resourceType"]), Some("ServiceRequest" | "Task")) {
                one["intent"] = json!("option");
            }
        }
        contained.extend(group.clone());
        let inside: BTreeMap<String, String> = contained
            .iter()
            .map(|one| (reference_of(one), format!("#{}", text(one, &["id"]).unwrap_or_default())))
            .chain([(format!("CarePlan/{id}"), "#".to_owned())])
            .collect();
        let kept = |name: &str| -> Json {
            let is_inside = |to: &&Json| text(to, &["reference"]).is_some_and(|to| inside.contains_key(to));
            let all: Vec<Json> = items(plan, name).filter(is_inside).cloned().collect();
            if all.is_empty() { Json::Null } else { Json::Array(all) }
        };
        let changed = [
            ("status", json!("draft")),
            ("intent", json!("proposal")),
            ("goal", kept("goal")),
            ("supportingInfo", kept("supportingInfo")),
            (
                "activity",
                group.map_or(Json::Null, |group| json!([{ "reference": reference(&reference_of(&group)) }])),
            ),
        ];
        let mut whole = serde_json::Map::new();
        for (name, value) in plan.as_object().into_iter().flatten() {
            let value = changed.iter().find(|(changed, _)| changed == name).map_or(value, |(_, value)| value);
            if !value.is_null() {
                whole.insert(name.clone(), value.clone());
            }
            // R4's order of elements: what is contained stands before the rest.
            if name == "text" {
                whole.insert("contained".to_owned(), Json::Array(contained.clone()));
            }
        }
        let mut whole = Json::Object(whole);
        rewrite(&mut whole, &|to| inside.get(to).cloned());
        whole
    }
}

/// The reviews as one group of actions, each with its window.
fn request_group(plan: &Json, requests: &[&Json]) -> Json {
    let id = text(plan, &["id"]).unwrap_or_default();
    let action = |request: &&Json| {
        let purposes: Vec<&str> = items(request, "orderDetail").filter_map(crate::element::worded).collect();
        json!({
            "title": "nerve repair review",
            "description": purposes.join(", "),
            "timingPeriod": request["occurrencePeriod"],
            "resource": reference(&reference_of(request)),
        })
    };
    let mut group = document::derived(
        "RequestGroup",
        &crate::identity::id("RequestGroup", &[id]),
        json!({
            "instantiatesCanonical": plan["instantiatesCanonical"],
            "status": "draft",
            "intent": "proposal",
            "subject": plan["subject"],
            "author": document::author(),
            "action": requests.iter().map(action).collect::<Vec<_>>(),
        }),
    );
    if let Some(members) = group.as_object_mut() {
        members.shift_remove("meta");
    }
    group
}
