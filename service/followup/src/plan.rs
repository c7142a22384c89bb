//! What is believed and planned -> CarePlan, Goal, RiskAssessment, ServiceRequest, Task. The only writer of them. The
//! DiagnosticReport beside each RiskAssessment is [`chart`]'s.

use crate::code::EP;
use crate::document::{
    CAUTION, author, concept, days, derived, extension, extension_of, identifier, percent, place, quantity,
    refer, reference,
};
use crate::identity;
use crate::intake::{Injury, Intake};
use crate::object::json;
use crate::{booking, capacity, chart};
use endplate_fhir::Json;
use endplate_fhir::narrative::Narrative;
use endplate_recovery::anatomy::Kind;
use endplate_recovery::assessment::{Assessment, MilestoneAssessment, TargetAssessment};
use endplate_recovery::episode::{Outlook, Review, slug};
use endplate_recovery::milestone::Milestone;
use endplate_recovery::protocol::Protocol;
use endplate_recovery::repair::{PathBasis, Place};
use endplate_recovery::schedule::Purpose;
use endplate_recovery::unit::{Date, Probability};
use std::collections::BTreeMap;

/// Somebody whom the configuration names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Party {
    /// As a person would write it.
    pub display: String,
    /// `Practitioner/…`, where that party has a resource.
    pub reference: Option<String>,
}

impl Party {
    /// As a Reference.
    pub fn reference(&self) -> Json {
        let display = self.display.as_str();
        if let Some(to) = &self.reference {
            json!({ "reference": to.as_str(), "display": display })
        } else {
            json!({ "display": display })
        }
    }
}

/// Everything from which the documents of one plan are written.
#[derive(Clone, Copy)]
pub struct Source<'a> {
    /// The patient.
    pub intake: &'a Intake,
    /// The injury.
    pub injury: &'a Injury,
    /// What follows from it.
    pub outlook: &'a Outlook,
    /// Reviews that are over because the patient was seen: key of the review and the day.
    pub attended: &'a BTreeMap<String, Date>,
    /// By which parameters.
    pub protocol: &'a Protocol,
    /// Who books reviews.
    pub scheduler: &'a Party,
    /// Most reviews a day, if the clinic has a bound.
    pub reviews_per_day_max: Option<u32>,
    /// The day.
    pub today: Date,
}

/// The plan and everything that is part of it.
pub fn documents(source: &Source<'_>) -> Vec<Json> {
    let mut all = vec![care_plan(source)];
    for (index, assessment) in source.outlook.assessments.iter().enumerate() {
        if let Some(assessment) = assessment {
            all.push(risk_assessment(source, index, assessment));
            all.push(chart::report(source, index, assessment));
            all.extend(assessment.targets.iter().map(|target| goal(source, index, target)));
        }
    }
    for review in &source.outlook.reviews {
        all.push(service_request(source, review));
        all.push(task(source, review));
    }
    all
}

/// Id of the resource of one review.
pub fn review_id(kind: &str, injury: &Injury, key: &str) -> String {
    identity::id(kind, &[&injury.key, key])
}

fn plan_reference(source: &Source<'_>) -> Json {
    reference(&format!("CarePlan/{}", source.injury.plan))
}

fn subject(source: &Source<'_>) -> Json {
    reference(&source.intake.patient)
}

fn condition(source: &Source<'_>) -> Json {
    source.injury.condition.as_ref().map_or(Json::Null, |condition| json!([reference(condition)]))
}

fn goal_parts<'a>(source: &'a Source<'_>, index: usize, target: &'a TargetAssessment) -> [&'a str; 3] {
    let procedure = source.injury.procedures.get(index).map_or("", |procedure| procedure.name.as_str());
    [&source.injury.key, procedure, target.target.place.key()]
}

fn assessment_parts<'a>(source: &'a Source<'_>, index: usize) -> [&'a str; 2] {
    [&source.injury.key, source.injury.procedures.get(index).map_or("", |procedure| procedure.name.as_str())]
}

/// What the plan is called: the nerves repaired.
fn title(source: &Source<'_>) -> String {
    let mut nerves: Vec<&str> =
        source.injury.episode.repairs.iter().map(|followed| followed.repair.nerve.display()).collect();
    nerves.dedup();
    format!("Follow-up of nerve repair: {}", nerves.join(", "))
}

fn care_plan(source: &Source<'_>) -> Json {
    let Source { injury, outlook, protocol, .. } = source;
    let operated = injury.episode.repairs.iter().map(|followed| followed.repair.growth_starts_on()).min();
    let start = operated.unwrap_or(injury.episode.known_since);
    let end = outlook.reviews.last().map_or(source.injury.episode.seen_on(), |review| review.closes_on);
    let assessed = || outlook.assessments.iter().enumerate().filter_map(|(i, a)| a.as_ref().map(|a| (i, a)));
    let goals: Vec<Json> = assessed()
        .flat_map(|(i, a)| {
            a.targets.iter().map(move |target| reference(&refer("Goal", &goal_parts(source, i, target))))
        })
        .collect();
    let assessments: Vec<Json> =
        assessed().map(|(i, _)| reference(&refer("RiskAssessment", &assessment_parts(source, i)))).collect();
    let open = |key: &str| outlook.reviews.iter().any(|review| review.key == key);
    let mut keys: Vec<&str> = source.attended.keys().map(String::as_str).filter(|key| !open(key)).collect();
    keys.extend(outlook.reviews.iter().map(|review| review.key.as_str()));
    let activity: Vec<Json> = keys.iter().map(|key| activity(source, key)).collect();
    let list = |items: Vec<Json>| if items.is_empty() { Json::Null } else { Json::Array(items) };
    derived(
        "CarePlan",
        &injury.plan,
        json!({
            "text": narrative(source),
            "identifier": identifier("plan", &injury.plan),
            "instantiatesCanonical": [definition(protocol)],
            "status": "active",
            "intent": "plan",
            "title": title(source),
            "subject": subject(source),
            "period": days(start, end.max(start)),
            "created": injury.episode.known_since.to_string(),
            "author": author(),
            "addresses": condition(source),
            "supportingInfo": list(assessments),
            "goal": list(goals),
            "activity": list(activity),
            "note": notes(source).into_iter().map(|text| json!({ "text": text })).collect::<Vec<_>>(),
        }),
    )
}

/// One review of the plan: its request and, once it was held, what came of it.
fn activity(source: &Source<'_>, key: &str) -> Json {
    let request = format!("ServiceRequest/{}", review_id("ServiceRequest", source.injury, key));
    let mut activity = json!({ "reference": reference(&request) });
    let outcomes = source.attended.get(key).map(|on| outcomes(source.injury, key, *on)).unwrap_or_default();
    if let Some(members) = activity.as_object_mut().filter(|_| !outcomes.is_empty()) {
        members.insert("outcomeReference".to_owned(), Json::Array(outcomes));
    }
    activity
}

/// What came of a review held on a day: the Encounter or Appointment that says so, and what was found on that day.
pub fn outcomes(injury: &Injury, key: &str, on: Date) -> Vec<Json> {
    let findings = injury.episode.repairs.iter().flat_map(|followed| &followed.findings);
    let mut found: Vec<&str> =
        findings.filter(|finding| finding.on == on).map(|finding| finding.id.as_str()).collect();
    found.sort_unstable();
    let held = injury.held.get(key).into_iter().flatten().map(String::as_str);
    held.chain(found).map(reference).collect()
}

/// The definition that every plan follows, with its version: `canonical|version`.
pub fn definition(protocol: &Protocol) -> String {
    format!("{EP}/PlanDefinition/nerve-repair-follow-up|{}", protocol.version)
}

/// Cautions first, then what was assumed, then what could not be assigned.
fn notes(source: &Source<'_>) -> Vec<String> {
    let mut notes = vec![CAUTION.to_owned()];
    notes.extend(source.injury.assumptions.iter().cloned());
    notes.dedup();
    let unassigned = &source.intake.unassigned;
    if !unassigned.is_empty() {
        notes.push(format!(
            "These findings could not be assigned to one repair; name it in focus: {}.",
            unassigned.join(", ")
        ));
    }
    notes
}

fn narrative(source: &Source<'_>) -> Json {
    let mut text = Narrative::titled(&title(source)).paragraph(CAUTION);
    let mut targets: Vec<Vec<String>> = Vec::new();
    for (index, assessment) in source.outlook.assessments.iter().enumerate() {
        let Some(assessment) = assessment else { continue };
        let nerve =
            source.injury.episode.repairs.get(index).map_or("", |followed| followed.repair.nerve.display());
        for target in &assessment.targets {
            targets.push(target_row(nerve, target));
        }
    }
    text = text
        .heading("Expected")
        .table(&["nerve", "target", "next sign", "window", "seen so far", "in time"], &targets);
    let review = |review: &Review| {
        vec![
            review.on.to_string(),
            format!("{} to {}", review.opens_on, review.closes_on),
            purposes(review),
            if review.booked { "booked".to_owned() } else { "to book".to_owned() },
        ]
    };
    let reviews: Vec<Vec<String>> = source.outlook.reviews.iter().map(review).collect();
    text.heading("Reviews").table(&["preferred", "window", "for", "state"], &reviews).build()
}

fn target_row(nerve: &str, target: &TargetAssessment) -> Vec<String> {
    let next = next_sign(target);
    let window = |m: &MilestoneAssessment| format!("{} to {}", m.window.opens_on, m.window.closes_on);
    vec![
        nerve.to_owned(),
        target.target.place.display().to_owned(),
        next.map_or("none", |m| m.milestone.display()).to_owned(),
        next.map_or(String::new(), window),
        target
            .furthest_seen()
            .map_or("none".to_owned(), |(m, seen)| format!("{} on {}", m.display(), seen.on)),
        target.in_time.map_or("no limit".to_owned(), Probability::percent),
    ]
}

/// The next sign to be seen without instruments.
pub fn next_sign(target: &TargetAssessment) -> Option<&MilestoneAssessment> {
    let first = Milestone::first(target.target.place.kind());
    target.milestones.iter().find(|m| m.seen.is_none() && m.milestone >= first)
}

/// What a review is for, in words.
pub fn purposes(review: &Review) -> String {
    let mut words: Vec<&str> =
        review.purposes.iter().map(|requirement| requirement.purpose.display()).collect();
    words.dedup();
    if words.is_empty() { Purpose::Surveillance.display().to_owned() } else { words.join(", ") }
}

fn goal(source: &Source<'_>, index: usize, target: &TargetAssessment) -> Json {
    let end = Milestone::end(target.target.place.kind());
    let due = target.milestone(end);
    let (status, achievement) = if target.recovered() {
        ("completed", "achieved")
    } else if target.furthest_seen().is_some() {
        ("active", "improving")
    } else if target.overdue.is_some() {
        ("active", "no-progress")
    } else {
        ("active", "in-progress")
    };
    // The day of the sign that gave the status; before any, the day from which the target is awaited.
    let seen = if target.recovered() { due.and_then(|m| m.seen.as_ref()) } else { None };
    let seen = seen.or(target.furthest_seen().map(|(_, seen)| seen)).map(|seen| seen.on);
    let awaited =
        || source.injury.episode.repairs.get(index).map(|followed| followed.repair.growth_starts_on());
    let status_on = seen.or_else(awaited).map_or(Json::Null, |on| json!(on.to_string()));
    let due_on = due.map_or(Json::Null, |m| json!(m.window.closes_on.to_string()));
    derived(
        "Goal",
        &identity::id("Goal", &goal_parts(source, index, target)),
        json!({
            "identifier": identifier("goal", &format!("{}/{}", source.injury.plan, slug(target.target.place.key()))),
            "lifecycleStatus": status,
            "achievementStatus": { "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/goal-achievement", "code": achievement
            }] },
            "description": { "text": format!("{}: {}", target.target.place.display(), end.display()) },
            "subject": subject(source),
            "target": [{
                "measure": place(&target.target.place),
                "detailCodeableConcept": concept("milestone", end.code(), end.display()),
                "dueDate": due_on,
            }],
            "statusDate": status_on,
            "addresses": condition(source),
            "note": [{ "text": CAUTION }],
        }),
    )
}

fn risk_assessment(source: &Source<'_>, index: usize, assessment: &Assessment) -> Json {
    let Some(followed) = source.injury.episode.repairs.get(index) else { return Json::Null };
    let mut findings: Vec<(Date, &str)> = followed.findings.iter().map(|f| (f.on, f.id.as_str())).collect();
    findings.sort_unstable();
    let last = findings.last().map_or(followed.repair.growth_starts_on(), |(on, _)| *on);
    let mut basis = vec![reference(&followed.repair.id)];
    basis.extend(findings.iter().map(|(_, id)| reference(id)));
    let predictions: Vec<Json> = assessment
        .targets
        .iter()
        .flat_map(|target| target.milestones.iter().map(move |m| prediction(assessment, target, m)))
        .collect();
    derived(
        "RiskAssessment",
        &identity::id("RiskAssessment", &assessment_parts(source, index)),
        json!({
            "text": assessment_narrative(followed.repair.nerve.display(), assessment),
            "extension": assessment_extensions(assessment),
            "identifier": identifier("assessment", &format!("{}/{}", source.injury.plan, source.injury.episode.label(index))),
            "status": "final",
            "method": { "text": format!("recovery model, protocol version {}", source.protocol.version) },
            "subject": subject(source),
            "occurrenceDateTime": last.to_string(),
            "condition": source.injury.condition.as_ref().map_or(Json::Null, |condition| reference(condition)),
            "performer": author(),
            "basis": basis,
            "prediction": predictions,
            "note": [{ "text": CAUTION }],
        }),
    )
}

fn assessment_extensions(assessment: &Assessment) -> Vec<Json> {
    let [low, median, high] = assessment.rate.map(|rate| quantity(rate.0, 2, "mm/d"));
    let mut all = vec![
        extension("arrest-probability", "Decimal", percent(assessment.arrest)),
        extension_of(
            "growth-rate",
            vec![("median", "Quantity", median), ("low", "Quantity", low), ("high", "Quantity", high)],
        ),
    ];
    for target in &assessment.targets {
        for last in &target.salvage {
            all.push(extension_of(
                "last-useful-date",
                vec![
                    ("salvage", "Code", json!(last.salvage.code())),
                    ("structure", "CodeableConcept", place(&target.target.place)),
                    ("date", "Date", json!(last.on.to_string())),
                ],
            ));
        }
    }
    all
}

fn prediction(assessment: &Assessment, target: &TargetAssessment, milestone: &MilestoneAssessment) -> Json {
    let chance = target.in_time.unwrap_or(Probability(1.0 - assessment.arrest.0));
    let path = match target.target.basis {
        PathBasis::Measured => format!("path {:.0} mm as measured", target.target.path.0),
        PathBasis::Table { low, high, source } => format!(
            "path {:.0} mm ({:.0} to {:.0}) from the anatomy table: {source}",
            target.target.path.0, low.0, high.0
        ),
    };
    let seen = milestone.seen.as_ref().map_or(String::new(), |seen| format!("; seen on {}", seen.on));
    json!({
        "extension": [
            extension("target-structure", "CodeableConcept", place(&target.target.place)),
            extension("median-date", "Date", json!(milestone.window.median_on.to_string())),
        ],
        "outcome": concept("milestone", milestone.milestone.code(), milestone.milestone.display()),
        "probabilityDecimal": percent(chance),
        "qualitativeRisk": qualitative(chance),
        "whenPeriod": days(milestone.window.opens_on, milestone.window.closes_on),
        "rationale": format!("{path}{seen}"),
    })
}

/// A chance in words of HL7's code system of them, whose definitions give the limits: `high` is "more likely to occur than
/// not", `certain` and `negligible` leave one in a hundred.
fn qualitative(chance: Probability) -> Json {
    let (code, display) = match chance.0 {
        p if p >= 0.99 => ("certain", "Certain"),
        p if p > 0.5 => ("high", "High likelihood"),
        p if p >= 0.2 => ("moderate", "Moderate likelihood"),
        p if p >= 0.01 => ("low", "Low likelihood"),
        _ => ("negligible", "Negligible likelihood"),
    };
    json!({ "coding": [{
        "system": "http://terminology.hl7.org/CodeSystem/risk-probability", "code": code, "display": display
    }] })
}

fn assessment_narrative(nerve: &str, assessment: &Assessment) -> Json {
    let mut rows = Vec::new();
    for target in &assessment.targets {
        for m in &target.milestones {
            rows.push(vec![
                target.target.place.display().to_owned(),
                m.milestone.display().to_owned(),
                format!("{} to {}", m.window.opens_on, m.window.closes_on),
                m.window.median_on.to_string(),
                m.seen.as_ref().map_or(String::new(), |seen| seen.on.to_string()),
            ]);
        }
    }
    let [low, median, high] = assessment.rate;
    Narrative::titled(&format!("Recovery expected after repair of the {nerve}"))
        .paragraph(CAUTION)
        .paragraph(&format!(
            "The chance that the front has stopped in or near the repair is {}. Growth rate {:.1} mm a day (80 % between {:.1} and {:.1}). \
             Windows hold eight in ten repairs whose front has not stopped.",
            assessment.arrest.percent(),
            median.0,
            low.0,
            high.0
        ))
        .table(&["target", "sign", "window", "median", "seen"], &rows)
        .build()
}

/// What to examine at a review, one line a repair.
fn examination(source: &Source<'_>, review: &Review) -> Vec<String> {
    let line = |examine: &endplate_recovery::episode::Examination| {
        let nerve = source
            .injury
            .episode
            .repairs
            .get(examine.repair)
            .map_or("", |followed| followed.repair.nerve.display());
        let mut parts: Vec<String> = Vec::new();
        if let Some((low, high)) = examine.tinel {
            parts.push(format!(
                "Tinel sign, expected {:.0} to {:.0} mm distal to the proximal coaptation",
                low.0, high.0
            ));
        }
        let sign = |(place, milestone): &(Place, Milestone)| match place.kind() {
            Kind::Muscle => format!("{}: {}", place.display(), milestone.display()),
            Kind::Skin => format!("skin of {}: {}", place.display(), milestone.display()),
        };
        parts.extend(examine.places.iter().map(sign));
        format!("Examine the {nerve}: {}.", parts.join("; "))
    };
    review.examine.iter().map(line).collect()
}

fn service_request(source: &Source<'_>, review: &Review) -> Json {
    let Source { injury, .. } = source;
    let mut codes: Vec<Purpose> = review.purposes.iter().map(|requirement| requirement.purpose).collect();
    codes.dedup();
    if codes.is_empty() {
        codes.push(Purpose::Surveillance);
    }
    let detail: Vec<Json> =
        codes.iter().map(|purpose| concept("review-purpose", purpose.code(), purpose.display())).collect();
    let unsuited =
        review.misfit.iter().map(|misfit| json!({ "text": booking::unsuited(misfit, source.protocol) }));
    let mut notes = examination(source, review);
    notes.push(CAUTION.to_owned());
    derived(
        "ServiceRequest",
        &review_id("ServiceRequest", injury, &review.key),
        json!({
            "identifier": identifier("review", &format!("{}/{}", injury.plan, review.key)),
            "status": "active",
            "intent": "order",
            "code": concept("request", "review", "nerve repair review"),
            "orderDetail": detail,
            "subject": subject(source),
            "occurrencePeriod": days(review.opens_on, review.closes_on),
            "requester": author(),
            "reasonReference": condition(source),
            "patientInstruction": format!(
                "Please come to the clinic between {} and {}. If you cannot, tell the clinic so that another day is found.",
                review.opens_on, review.closes_on
            ),
            "note": review.moved.iter().map(booking::moved).chain(unsuited)
                .chain(notes.into_iter().map(|text| json!({ "text": text }))).collect::<Vec<_>>(),
        }),
    )
}

/// What there is to do, and what a scheduler should know of the day.
fn description(source: &Source<'_>, review: &Review) -> String {
    let unsuited = review.misfit.as_ref().map(|misfit| booking::unsuited(misfit, source.protocol));
    let crowded = || {
        let reviews_max = source.reviews_per_day_max.filter(|_| review.crowded)?;
        Some(capacity::crowded(review.on, review.opens_on, review.closes_on, reviews_max))
    };
    let wanted = format!("Book a review: {}", purposes(review));
    unsuited.or_else(crowded).map_or(wanted.clone(), |more| format!("{wanted}. {more}"))
}

fn task(source: &Source<'_>, review: &Review) -> Json {
    let Source { injury, .. } = source;
    let missed = injury.missed.iter().any(|(key, _)| *key == review.key);
    let (status, state, display) = if review.misfit.is_some() {
        ("accepted", "moved", "booked, but outside its window")
    } else if review.booked {
        ("accepted", "booked", "booked")
    } else if missed {
        ("requested", "missed", "missed, to book again")
    } else {
        ("requested", "to-book", "to book")
    };
    // The repair that the review looks at first; a review of all looks at the first of the plan.
    let examined = review.examine.first().map_or(0, |examination| examination.repair);
    let repair = injury.procedures.get(examined).or(injury.procedures.first());
    let mut input = vec![json!({ "type": { "text": "preferred date" }, "valueDate": review.on.to_string() })];
    if let Some(appointment) = injury.appointments.get(&review.key) {
        input.push(json!({ "type": { "text": "appointment" }, "valueReference": reference(appointment) }));
    }
    derived(
        "Task",
        &review_id("Task", injury, &review.key),
        json!({
            "identifier": identifier("task", &format!("{}/{}", injury.plan, review.key)),
            "basedOn": [plan_reference(source)],
            "status": status,
            "businessStatus": concept("review-state", state, display),
            "intent": "order",
            "code": concept("request", "review", "nerve repair review"),
            "description": description(source, review),
            "focus": reference(&format!("ServiceRequest/{}", review_id("ServiceRequest", injury, &review.key))),
            "for": subject(source),
            "authoredOn": injury.episode.known_since.to_string(),
            "requester": author(),
            "reasonReference": repair.map_or(Json::Null, |procedure| reference(&procedure.reference)),
            "owner": source.scheduler.reference(),
            "restriction": { "period": days(review.opens_on, review.closes_on) },
            "input": input,
        }),
    )
}
