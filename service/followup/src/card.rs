//! Cards: what a CDS Hooks 2.0 client shows beside the chart or while a visit is booked.
//!
//! A card is made of what is derived at this instant, by the same code as the alerts and Tasks, so that it says what they say.
//! Its uuid is the id of what it is about, the CarePlan or the ServiceRequest of a review: whoever reports what became of it
//! names that. Nothing is asked of the client's FHIR server and its token is not looked at.

mod feedback;
mod request;

use crate::Endplate;
use crate::answer;
use crate::code;
use crate::derivation::{Context, derive};
use crate::document::CAUTION;
use crate::dossier::{Dossier, local};
use crate::element::{self, items, range, text, worded};
use crate::identity;
use crate::intake::{Injury, ours};
use crate::plan::{next_sign, purposes};
use crate::preview::is_derived;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_recovery::alert::Severity;
use endplate_recovery::assessment::Assessment;
use endplate_recovery::episode::Outlook;
use endplate_recovery::unit::Date;
use request::Request;
use serde_json::json;

/// A summary has fewer characters than this (CDS Hooks 2.0, card attributes).
const SUMMARY_BELOW: usize = 140;

/// What is asked for in every request.
const PREFETCH: &str = "Patient/{{context.patientId}}";

/// A service that a client may call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Service {
    /// The state of each repair, when a chart is opened.
    RepairState,
    /// What a booking outside its window breaks.
    ReviewBooking,
}

impl Service {
    /// All services.
    pub const ALL: [Self; 2] = [Self::RepairState, Self::ReviewBooking];

    /// Its id, as in its address.
    pub fn id(self) -> &'static str {
        match self {
            Self::RepairState => "repair-state",
            Self::ReviewBooking => "review-booking",
        }
    }

    /// The hook that calls it.
    pub fn hook(self) -> &'static str {
        match self {
            Self::RepairState => "patient-view",
            Self::ReviewBooking => "appointment-book",
        }
    }

    fn title(self) -> &'static str {
        match self {
            Self::RepairState => "State of each nerve repair",
            Self::ReviewBooking => "Booking of nerve repair reviews",
        }
    }

    fn description(self) -> &'static str {
        match self {
            Self::RepairState => {
                "For each followed nerve repair: what was expected and found, which alerts stand, which review is next."
            }
            Self::ReviewBooking => {
                "Warns of a review booked outside its window, and says what that breaks. Name the review in Appointment.basedOn."
            }
        }
    }

    /// The type of the resource that a card of this service is about.
    fn subject(self) -> &'static str {
        match self {
            Self::RepairState => "CarePlan",
            Self::ReviewBooking => "ServiceRequest",
        }
    }

    /// The service of an id.
    ///
    /// # Errors
    /// There is none.
    pub fn named(id: &str) -> Result<Self, Refusal> {
        Self::ALL.into_iter().find(|service| service.id() == id).ok_or_else(|| {
            let text = "There is no such service here. GET /cds-services lists those there are.";
            Refusal::new(Reason::NotFound, Issue::error(Code::NotFound, "", text))
        })
    }
}

/// What `GET /cds-services` answers.
pub fn discovery() -> Json {
    let one = |service: Service| {
        json!({
            "hook": service.hook(), "title": service.title(), "description": service.description(), "id": service.id(),
            "prefetch": { "patient": PREFETCH },
            "usageRequirements": "The patient must be known here, by the same id or by an identifier of the prefetched Patient. \
        The client's FHIR server is never called.",
        })
    };
    json!({ "services": Service::ALL.map(one) })
}

impl Endplate {
    /// Answers a call of a service: `{"cards": […]}`.
    ///
    /// # Errors
    /// The request is not of the service's form, or what is needed was neither sent nor is known here.
    pub async fn cards(&self, service: Service, request: &Json) -> Result<Json, Refusal> {
        let request = Request::read(service, request)?;
        let Some(patient) = request.patient(self).await? else { return Ok(json!({ "cards": [] })) };
        let today = element::day(self.clock.today());
        let (_, maps) = self.maps().await?;
        let (patient, mut dossier) = self.person(&patient).await?;
        dossier.translate(&maps);
        let kept = self.kept(&dossier).await?;
        let context = Context { kept: &kept, ..self.context(self.clock.now(), today) };
        let derivation = derive(&dossier, &patient, &context);
        for changed in derivation.changed {
            let name = |member| text(&changed, &[member]).unwrap_or_default().to_owned();
            dossier.lay(&name("resourceType"), &name("id"), changed.clone());
        }
        let chart = Chart { endplate: self, dossier: &dossier, today };
        let cards: Vec<Json> = match service {
            _ if derivation.intake.dead => Vec::new(),
            Service::RepairState => {
                let followed = derivation.intake.injuries.iter();
                followed
                    .filter(|one| !one.ended && !one.procedures.is_empty())
                    .map(|one| chart.state(one))
                    .collect()
            }
            Service::ReviewBooking => chart.bookings(request.appointments()),
        };
        let cards: Vec<Json> = cards.into_iter().map(full).collect();
        Ok(json!({ "cards": cards }))
    }
}

/// Everything about one patient at this instant.
struct Chart<'a> {
    endplate: &'a Endplate,
    dossier: &'a Dossier,
    today: Date,
}

impl Chart<'_> {
    /// The alerts of a plan that stand and may speak, gravest first.
    fn alerts(&self, injury: &Injury) -> Vec<&Json> {
        let prefix = format!("{}/", injury.plan);
        let mut all: Vec<&Json> = self
            .dossier
            .all("DetectedIssue")
            .filter(|issue| ours(issue, "alert").is_some_and(|value| value.starts_with(&prefix)))
            .filter(|issue| text(issue, &["identifiedPeriod", "end"]).is_none())
            .filter(|issue| answer::quiet_until(issue).is_none_or(|until| self.today >= until))
            .collect();
        all.sort_by_key(|issue| std::cmp::Reverse(severity(issue)));
        all
    }

    /// The card of one plan.
    fn state(&self, injury: &Injury) -> Json {
        let outlook = injury.episode.outlook(&self.endplate.settings.protocol);
        let alerts = self.alerts(injury);
        let indicator = match alerts.first().map(|issue| severity(issue)) {
            Some(Severity::High) => "critical",
            Some(Severity::Moderate) => "warning",
            Some(Severity::Low) | None => "info",
        };
        let mut nerves: Vec<&str> =
            injury.episode.repairs.iter().map(|followed| followed.repair.nerve.display()).collect();
        nerves.dedup();
        let mut kinds: Vec<&str> =
            alerts.iter().filter_map(|issue| issue.get("code").and_then(worded)).collect();
        kinds.dedup();
        let news = match (kinds.as_slice(), outlook.reviews.first()) {
            ([], Some(review)) => format!("no alert; next review by {}", review.closes_on),
            ([], None) => "no alert".to_owned(),
            (kinds, _) => kinds.join(", "),
        };
        let topic = alerts.first().and_then(|issue| items(issue.get("code")?, "coding").next());
        json!({
            "uuid": injury.plan,
            "summary": shortened(&format!("Nerve repair ({}): {news}", nerves.join(", "))),
            "indicator": indicator,
            "detail": self.detail(injury, &outlook, &alerts),
            "source": source(topic),
            "links": self.links(injury),
            "overrideReasons": override_reasons(),
        })
    }

    /// GitHub Markdown: alerts, the state of each repair, the next review, the cautions.
    fn detail(&self, injury: &Injury, outlook: &Outlook, alerts: &[&Json]) -> String {
        let mut lines: Vec<String> = Vec::new();
        for issue in alerts {
            let kind = issue.get("code").and_then(worded).unwrap_or_default();
            let said = text(issue, &["detail"]).unwrap_or_default().replace(CAUTION, "");
            lines.push(format!("- **{}**: {}", plain(kind), plain(said.trim())));
        }
        for (followed, assessment) in injury.episode.repairs.iter().zip(&outlook.assessments) {
            if let Some(assessment) = assessment {
                lines.push(format!(
                    "- {}, repaired {}: chance that the front has stopped {}",
                    plain(followed.repair.nerve.display()),
                    followed.repair.growth_starts_on(),
                    assessment.arrest.percent()
                ));
                lines.extend(targets(assessment));
            }
        }
        if let Some(review) = outlook.reviews.first() {
            let booked = if review.booked { "booked" } else { "not booked" };
            let late = if review.closes_on < self.today { "; **overdue**" } else { "" };
            lines.push(format!(
                "- Next review ({}): {} to {}, {booked}{late}",
                plain(&purposes(review)),
                review.opens_on,
                review.closes_on
            ));
        }
        format!("{}\n\n{CAUTION}", lines.join("\n"))
    }

    /// The recovery chart, where there is one, and the plan.
    fn links(&self, injury: &Injury) -> Json {
        let base = &self.endplate.settings.base;
        let of_plan = |forecast: &&Json| {
            is_derived(forecast)
                && items(forecast, "identifier")
                    .any(|one| text(one, &["value"]).is_some_and(|value| value.starts_with(&injury.plan)))
        };
        let mut links = Vec::new();
        for forecast in self.dossier.all("RiskAssessment").filter(of_plan) {
            let url = format!("{base}/{}/$chart?format=svg", element::reference_of(forecast));
            links.push(json!({ "label": "Recovery chart", "url": url, "type": "absolute" }));
        }
        let plan = format!("{base}/CarePlan/{}", injury.plan);
        links.push(json!({ "label": "Follow-up plan", "url": plan, "type": "absolute" }));
        Json::Array(links)
    }

    /// A card for each review that is being booked outside its window.
    fn bookings<'r>(&self, appointments: impl Iterator<Item = &'r Json>) -> Vec<Json> {
        let mut cards: Vec<Json> = Vec::new();
        for appointment in appointments {
            if let Some(card) = self.booking(appointment)
                && !cards.iter().any(|other| other.get("uuid") == card.get("uuid"))
            {
                cards.push(card);
            }
        }
        cards
    }

    fn booking(&self, appointment: &Json) -> Option<Json> {
        let request = self.review_of(appointment)?;
        let id = text(request, &["id"])?;
        let on = text(appointment, &["start"]).and_then(range)?.earliest;
        let window = element::period(request.get("occurrencePeriod")?)?;
        if on >= window.earliest && on <= window.latest {
            return None;
        }
        let (opens, closes) = (window.earliest, window.latest);
        let decision = |purpose: &Json| element::coded(purpose, "review-purpose") == Some("decision");
        let late = on > closes;
        let grave = late && items(request, "orderDetail").any(decision);
        let words: Vec<&str> = items(request, "orderDetail").filter_map(worded).collect();
        let what = if words.is_empty() { "review".to_owned() } else { words.join(", ") };
        let side = if late { "after" } else { "before" };
        let breaks = if grave {
            "After the window too little time is left to act before a last useful date."
        } else if late {
            "After the window what the review is for is seen too late, and the next reviews move."
        } else {
            "Before the window there is nothing to see yet, and the patient would have to come again."
        };
        let preferred = self.preferred(id).filter(|day| *day >= opens && *day <= closes);
        let best = preferred.map_or_else(String::new, |day| format!(", best on {day}"));
        let suggestion = preferred.and_then(|day| moved(appointment, id, day));
        Some(json!({
            "uuid": id,
            "summary": shortened(&format!("Nerve repair review on {on} is {side} its window, {opens} to {closes}")),
            "indicator": if grave { "critical" } else { "warning" },
            "detail": format!("The review for {} is due between {opens} and {closes}{best}. {breaks}\n\n{CAUTION}", plain(&what)),
            "source": source(None),
            "selectionBehavior": suggestion.as_ref().map(|_| "at-most-one"),
            "suggestions": suggestion.map(|one| vec![one]),
            "overrideReasons": override_reasons(),
        }))
    }

    /// The review that an Appointment is for: its ServiceRequest in `basedOn`, or its Task in `supportingInformation`.
    fn review_of(&self, appointment: &Json) -> Option<&Json> {
        let base = &self.endplate.settings.base;
        let known = |reference: &Json| self.dossier.resolve(&local(reference, base)?);
        let request = |one: &&Json| ours(one, "review").is_some();
        let direct = items(appointment, "basedOn").filter_map(known).find(request);
        let by_task = |one: &Json| known(known(one)?.get("focus")?);
        direct.or_else(|| items(appointment, "supportingInformation").filter_map(by_task).find(request))
    }

    /// The preferred date of a review, from its Task.
    fn preferred(&self, request: &str) -> Option<Date> {
        let focus = format!("ServiceRequest/{request}");
        let task =
            self.dossier.all("Task").find(|task| text(task, &["focus", "reference"]) == Some(&focus))?;
        items(task, "input")
            .find_map(|input| text(input, &["valueDate"]))
            .and_then(range)
            .map(|day| day.latest)
    }
}

/// The suggestion to book on another day at the same time; none for an Appointment that has no id to be updated by.
fn moved(appointment: &Json, request: &str, day: Date) -> Option<Json> {
    text(appointment, &["id"])?;
    let start = text(appointment, &["start"])?;
    let mut resource = appointment.clone();
    let end = text(appointment, &["end"]).filter(|end| end.get(..10) == start.get(..10));
    let members = resource.as_object_mut()?;
    members.insert("start".to_owned(), json!(format!("{day}{}", start.get(10..)?)));
    match end.and_then(|end| end.get(10..)) {
        Some(rest) => drop(members.insert("end".to_owned(), json!(format!("{day}{rest}")))),
        None => drop(members.shift_remove("end")),
    }
    let day = day.to_string();
    Some(json!({
        "label": format!("Book it on {day}"),
        "uuid": identity::id("suggestion", &[request, &day]),
        "isRecommended": true,
        "actions": [{ "type": "update", "description": format!("Move the appointment to {day}"), "resource": resource }],
    }))
}

/// What is next at each target, or what was seen there.
fn targets(assessment: &Assessment) -> impl Iterator<Item = String> {
    assessment.targets.iter().map(|target| {
        let seen = target
            .furthest_seen()
            .map(|(milestone, seen)| format!("{} seen {}", milestone.display(), seen.on));
        let next = next_sign(target).map(|next| {
            let window = next.window;
            format!("{} expected {} to {}", next.milestone.display(), window.opens_on, window.closes_on)
        });
        let chance = target.in_time.filter(|_| seen.is_none());
        let chance = chance.map(|chance| format!("chance of arriving in time {}", chance.percent()));
        let said: Vec<String> = [seen, next, chance].into_iter().flatten().collect();
        format!("  - {}: {}", plain(target.target.place.display()), said.join("; "))
    })
}

fn severity(issue: &Json) -> Severity {
    text(issue, &["severity"]).and_then(Severity::from_code).unwrap_or(Severity::Low)
}

fn source(topic: Option<&Json>) -> Json {
    json!({ "label": "Endplate: follow-up of nerve repairs", "topic": topic })
}

/// Why a card may be set aside.
fn override_reasons() -> Json {
    let one = |(code, display)| json!({ "system": code::system("override-reason"), "code": code, "display": display });
    Json::Array(
        [
            ("known", "Known and taken care of"),
            ("elsewhere", "Followed elsewhere"),
            ("patient-choice", "The patient's choice"),
            ("not-relevant", "Not relevant now"),
        ]
        .map(one)
        .to_vec(),
    )
}

/// Text of a record as Markdown shows it: no mark and no HTML in it.
fn plain(text: &str) -> String {
    let mut all = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '<' => all.push_str("&lt;"),
            '&' => all.push_str("&amp;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '#' | '|' | '~' => all.extend(['\\', letter]),
            '\n' | '\r' => all.push(' '),
            _ => all.push(letter),
        }
    }
    all
}

fn shortened(text: &str) -> String {
    if text.chars().count() < SUMMARY_BELOW {
        return text.to_owned();
    }
    text.chars().take(SUMMARY_BELOW - 2).chain(['…']).collect()
}

/// Without members that say nothing: no null, no empty text, list or object (CDS Hooks 2.0, JSON).
fn full(value: Json) -> Json {
    let says = |value: &Json| match value {
        Json::Null => false,
        Json::String(text) => !text.is_empty(),
        Json::Array(all) => !all.is_empty(),
        Json::Object(all) => !all.is_empty(),
        _ => true,
    };
    match value {
        Json::Object(all) => Json::Object(
            all.into_iter().map(|(name, value)| (name, full(value))).filter(|(_, v)| says(v)).collect(),
        ),
        Json::Array(all) => Json::Array(all.into_iter().map(full).filter(says).collect()),
        other => other,
    }
}
