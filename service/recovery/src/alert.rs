//! Which alerts stand.
//!
//! An alert stands from the day its condition is met until it is cleared; raising and clearing have different thresholds, so
//! that nothing flickers. What concerns several targets of one repair is one alert, not several, and a front that stands
//! still is not reported a second time as axons that will be late.

mod finding;
mod recovery;

use crate::assessment::Assessment;
use crate::episode::{Episode, Outlook, Review};
use crate::milestone::Milestone;
use crate::protocol::Protocol;
use crate::repair::Place;
use crate::schedule::Purpose;
use crate::unit::{Date, Mm};

/// What an alert is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// A review's window opens soon and it has no booking.
    ReviewUnbooked,
    /// A review's window has closed and the patient was not seen.
    ReviewOverdue,
    /// The patient did not come to a booked review.
    ReviewMissed,
    /// A sign that should have been there by now was looked for and not found.
    RecoveryOverdue,
    /// The front has probably stopped.
    FrontStatic,
    /// Axons will probably not reach a muscle in time.
    ReachInDoubt,
    /// A last useful date is near and there is no sign.
    SalvageClosing,
    /// A finding that cannot be.
    FindingInconsistent,
    /// An alert of high severity has no answer.
    AlertUnanswered,
    /// Every target has reached its end milestone.
    Recovered,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 10] = [
        Self::ReviewUnbooked,
        Self::ReviewOverdue,
        Self::ReviewMissed,
        Self::RecoveryOverdue,
        Self::FrontStatic,
        Self::ReachInDoubt,
        Self::SalvageClosing,
        Self::FindingInconsistent,
        Self::AlertUnanswered,
        Self::Recovered,
    ];

    /// Its code in `CodeSystem/alert-kind`.
    pub fn code(self) -> &'static str {
        match self {
            Self::ReviewUnbooked => "review-unbooked",
            Self::ReviewOverdue => "review-overdue",
            Self::ReviewMissed => "review-missed",
            Self::RecoveryOverdue => "recovery-overdue",
            Self::FrontStatic => "front-static",
            Self::ReachInDoubt => "reach-in-doubt",
            Self::SalvageClosing => "salvage-closing",
            Self::FindingInconsistent => "finding-inconsistent",
            Self::AlertUnanswered => "alert-unanswered",
            Self::Recovered => "recovered",
        }
    }

    /// As a person would write it.
    pub fn display(self) -> &'static str {
        match self {
            Self::ReviewUnbooked => "review not booked",
            Self::ReviewOverdue => "review overdue",
            Self::ReviewMissed => "review missed",
            Self::RecoveryOverdue => "recovery overdue",
            Self::FrontStatic => "front static",
            Self::ReachInDoubt => "reach in doubt",
            Self::SalvageClosing => "salvage closing",
            Self::FindingInconsistent => "finding inconsistent",
            Self::AlertUnanswered => "alert unanswered",
            Self::Recovered => "recovered",
        }
    }

    /// The kind of a code.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.code() == code)
    }

    /// Who is told.
    pub fn audience(self) -> &'static [Audience] {
        match self {
            Self::ReviewUnbooked | Self::ReviewMissed => &[Audience::Scheduler],
            Self::ReviewOverdue | Self::Recovered => &[Audience::Scheduler, Audience::Surgeon],
            Self::AlertUnanswered => &[Audience::ClinicLead],
            _ => &[Audience::Surgeon],
        }
    }
}

/// Who is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Audience {
    /// Whoever books reviews.
    Scheduler,
    /// Whoever did the repair.
    Surgeon,
    /// Whoever leads the clinic.
    ClinicLead,
}

/// How much it matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// For information.
    Low,
    /// Should be acted on.
    Moderate,
    /// A chance may be lost.
    High,
}

impl Severity {
    /// FHIR's code.
    pub fn code(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Moderate => "moderate",
            Self::High => "high",
        }
    }

    /// The severity of a code.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::Low, Self::Moderate, Self::High].into_iter().find(|severity| severity.code() == code)
    }
}

/// A number or date that an alert rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Fact {
    /// What it is, such as `expected by` or `chance of arrest`.
    pub name: String,
    /// Its value.
    pub value: Value,
}

/// The value of a fact, with its unit.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A date.
    On(Date),
    /// A chance, 0 to 1.
    Chance(f64),
    /// A length.
    Length(Mm),
    /// Words.
    Text(String),
}

/// An alert that stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Alert {
    /// What it is about.
    pub kind: Kind,
    /// Tells alerts of one kind in one episode apart, for as long as they stand.
    pub subject: String,
    /// How much it matters.
    pub severity: Severity,
    /// Since when its condition has been met.
    pub since: Date,
    /// The repair concerned, as an index.
    pub repair: Option<usize>,
    /// The review concerned, as its key.
    pub review: Option<String>,
    /// The numbers it rests on.
    pub facts: Vec<Fact>,
    /// The findings it rests on.
    pub findings: Vec<String>,
    /// The muscles and territories it is about, where it is not about the repair or the review as a whole.
    pub places: Vec<Place>,
    /// The alert it reports on, for one that says that another has no answer.
    pub of: Option<(Kind, String)>,
    /// One plain sentence or two: what, since when, what can still be done and until when.
    pub sentence: String,
}

/// An alert as it was before: whether it stood, and what became of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Previous {
    /// Its kind.
    pub kind: Kind,
    /// Its subject.
    pub subject: String,
    /// Its severity.
    pub severity: Severity,
    /// Whether it stood.
    pub stands: bool,
    /// When it was raised.
    pub raised_on: Date,
    /// When somebody was last told of it: from then on an answer is awaited.
    pub asked_on: Date,
    /// What came back.
    pub answer: Answer,
    /// Until when somebody wants to hear nothing of it; it speaks again on that day.
    pub quiet_until: Option<Date>,
    /// What was declined.
    pub declined: Declined,
}

/// For which muscles a salvage was declined.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Declined {
    /// None.
    #[default]
    Nowhere,
    /// These, by [`Place::key`].
    At(Vec<String>),
    /// Whatever the alert is about.
    Everywhere,
}

impl Declined {
    /// Whether it was declined for this place.
    pub fn covers(&self, place: &Place) -> bool {
        match self {
            Self::Nowhere => false,
            Self::At(keys) => keys.iter().any(|key| key == place.key()),
            Self::Everywhere => true,
        }
    }
}

/// What came back from those who were told, the weightiest last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Answer {
    /// Nothing.
    None,
    /// That the message arrived. It ends the waiting, but confirms and declines nothing.
    Received,
    /// Acknowledged, or put off to a day that has not come yet.
    Given,
    /// That a finding is right although it cannot be.
    Confirmed,
    /// Declined: what was proposed is not wanted.
    Declined,
}

impl Previous {
    /// Whether somebody has answered.
    fn answered(&self) -> bool {
        self.answer >= Answer::Given
    }

    /// Whether it stands and nobody has reacted.
    fn waits(&self) -> bool {
        self.stands && self.answer == Answer::None
    }
}

/// Everything that decides which alerts stand.
#[derive(Clone, Copy, Debug)]
pub struct Situation<'a> {
    /// The facts.
    pub episode: &'a Episode,
    /// What follows from them.
    pub outlook: &'a Outlook,
    /// Booked reviews to which the patient did not come and that are not booked again: key of the review and the day.
    pub missed: &'a [(String, Date)],
    /// Alerts of this episode as they were.
    pub previous: &'a [Previous],
    /// The day.
    pub today: Date,
    /// The thresholds.
    pub protocol: &'a Protocol,
}

impl Situation<'_> {
    /// The alerts that stand, in order of kind and subject.
    pub fn alerts(&self) -> Vec<Alert> {
        let mut alerts = Vec::new();
        alerts.extend(self.review_overdue());
        self.review_unbooked(&alerts.clone(), &mut alerts);
        self.review_missed(&mut alerts);
        for (index, assessment) in self.outlook.assessments.iter().enumerate() {
            if let Some(assessment) = assessment {
                let repair = About { index, assessment, label: self.episode.label(index) };
                alerts.extend(self.recovery_overdue(&repair));
                let stalled = self.front_static(&repair);
                if stalled.is_none() {
                    alerts.extend(self.reach_in_doubt(&repair));
                }
                alerts.extend(stalled);
                alerts.extend(self.salvage_closing(&repair));
                self.inconsistent(&repair, &mut alerts);
            }
        }
        alerts.extend(self.recovered());
        let unanswered = self.unanswered(&alerts);
        alerts.extend(unanswered);
        alerts.sort_by(|a, b| (a.kind, &a.subject).cmp(&(b.kind, &b.subject)));
        alerts
    }

    /// The first day after today on which the clock alone may raise, change or clear an alert.
    pub fn next_look(&self) -> Option<Date> {
        let alert = &self.protocol.alert;
        let mut days = Vec::new();
        for review in &self.outlook.reviews {
            days.push(review.opens_on.plus(-alert.unbooked_before));
            days.push(review.closes_on.plus(alert.overdue_grace + 1));
        }
        for target in self.outlook.assessments.iter().flatten().flat_map(|assessment| &assessment.targets) {
            for last in &target.salvage {
                days.push(last.on.plus(-alert.salvage_notice));
                days.push(last.on.plus(-self.salvage_kept()));
                days.push(last.on.plus(1));
            }
            // From then on a muscle without a sign is late, and its last useful date weighs more.
            days.push(target.first_expected.closes_on.plus(1));
        }
        // So does an examination that has become old.
        let last = self.episode.repairs.iter().filter_map(|r| r.findings.iter().map(|f| f.on).max());
        days.extend(last.map(|on| on.plus(self.protocol.schedule.spacing_first_year + 1)));
        for previous in self.previous.iter().filter(|previous| previous.stands) {
            days.extend(previous.quiet_until);
            if previous.waits() {
                days.push(previous.asked_on.plus(alert.unanswered + 1));
            }
        }
        // An alert raised today may go unanswered too.
        days.push(self.today.plus(alert.unanswered + 1));
        days.into_iter().filter(|day| *day > self.today).min()
    }

    /// How long before a last useful date an alert about it is kept once it was raised, in days.
    fn salvage_kept(&self) -> i32 {
        let notice = self.protocol.alert.salvage_notice;
        notice + notice / 2
    }

    fn before(&self, kind: Kind, subject: &str) -> Option<&Previous> {
        self.previous.iter().find(|previous| previous.kind == kind && previous.subject == subject)
    }

    fn stood(&self, kind: Kind, subject: &str) -> bool {
        self.before(kind, subject).is_some_and(|previous| previous.stands)
    }

    /// Whether somebody wants to hear nothing of this alert for now. One that became graver is heard all the same.
    pub fn is_quiet(&self, alert: &Alert) -> bool {
        self.before(alert.kind, &alert.subject).is_some_and(|previous| {
            previous.stands
                && alert.severity <= previous.severity
                && previous.quiet_until.is_some_and(|until| self.today < until)
        })
    }

    fn is_overdue(&self, review: &Review) -> bool {
        self.today > review.closes_on.plus(self.protocol.alert.overdue_grace)
    }

    /// One alert for all reviews whose window has closed: the patient is lost once, not once for each review.
    fn review_overdue(&self) -> Option<Alert> {
        let overdue: Vec<&Review> =
            self.outlook.reviews.iter().filter(|review| self.is_overdue(review)).collect();
        let first = overdue.first()?;
        let decision = overdue.iter().flat_map(|r| &r.purposes).any(|p| p.purpose == Purpose::Decision);
        let further = match overdue.len() {
            1 => String::new(),
            n => {
                format!(" {} further review{} since then also passed.", n - 1, if n == 2 { "" } else { "s" })
            }
        };
        let weight = if decision { " It held a decision before a last useful date." } else { "" };
        let sentence = format!(
            "The review for {} was due by {} and the patient has not been seen.{weight}{further} Book the earliest clinic day.",
            purposes(first),
            first.closes_on,
        );
        Some(Alert {
            kind: Kind::ReviewOverdue,
            subject: first.key.clone(),
            severity: if decision { Severity::High } else { Severity::Moderate },
            since: first.closes_on,
            repair: None,
            review: Some(first.key.clone()),
            facts: vec![
                fact("due by", Value::On(first.closes_on)),
                fact("last seen", Value::On(self.episode.seen_on())),
            ],
            findings: Vec::new(),
            places: Vec::new(),
            of: None,
            sentence,
        })
    }

    fn review_unbooked(&self, overdue: &[Alert], alerts: &mut Vec<Alert>) {
        for review in self.outlook.reviews.iter().filter(|review| !review.booked) {
            let soon = self.today >= review.opens_on.plus(-self.protocol.alert.unbooked_before);
            let missed = self.missed.iter().any(|(key, _)| *key == review.key);
            let reported = overdue.iter().any(|alert| alert.review.as_ref() == Some(&review.key));
            if soon && !missed && !reported && !self.is_overdue(review) {
                alerts.push(Alert {
                    kind: Kind::ReviewUnbooked,
                    subject: review.key.clone(),
                    severity: Severity::Low,
                    since: review.opens_on.plus(-self.protocol.alert.unbooked_before),
                    repair: None,
                    review: Some(review.key.clone()),
                    facts: vec![
                        fact("window opens", Value::On(review.opens_on)),
                        fact("window closes", Value::On(review.closes_on)),
                    ],
                    findings: Vec::new(),
                    places: Vec::new(),
                    of: None,
                    sentence: format!(
                        "The review for {} has no booking; its window is {} to {}, best on {}.",
                        purposes(review),
                        review.opens_on,
                        review.closes_on,
                        review.on
                    ),
                });
            }
        }
    }

    fn review_missed(&self, alerts: &mut Vec<Alert>) {
        for (key, on) in self.missed {
            let review = self.outlook.reviews.iter().find(|review| review.key == *key && !review.booked);
            if let Some(review) = review.filter(|review| !self.is_overdue(review)) {
                alerts.push(Alert {
                    kind: Kind::ReviewMissed,
                    subject: key.clone(),
                    severity: Severity::Moderate,
                    since: *on,
                    repair: None,
                    review: Some(key.clone()),
                    facts: vec![
                        fact("missed", Value::On(*on)),
                        fact("window closes", Value::On(review.closes_on)),
                    ],
                    findings: Vec::new(),
                    places: Vec::new(),
                    of: None,
                    sentence: format!(
                        "The patient did not come to the review for {} on {on}; book it again by {}.",
                        purposes(review),
                        review.closes_on
                    ),
                });
            }
        }
    }

    fn recovered(&self) -> Option<Alert> {
        let mut targets = self.outlook.assessments.iter().flatten().flat_map(|a| &a.targets).peekable();
        targets.peek()?;
        // Whoever does not want to finish early has said so.
        if self.before(Kind::Recovered, "episode").is_some_and(|before| before.answer == Answer::Declined) {
            return None;
        }
        let mut last: Option<Date> = None;
        let mut findings = Vec::new();
        for target in targets {
            let end = target.milestone(Milestone::end(target.target.place.kind()))?.seen.as_ref()?;
            last = last.max(Some(end.on));
            findings.push(end.finding.clone());
        }
        let since = last?;
        Some(Alert {
            kind: Kind::Recovered,
            subject: "episode".to_owned(),
            severity: Severity::Low,
            since,
            repair: None,
            review: None,
            facts: vec![fact("last end milestone seen", Value::On(since))],
            findings,
            places: Vec::new(),
            of: None,
            sentence: format!(
                "Every target has reached its end milestone, the last on {since}; the plan may be finished early if the surgeon agrees."
            ),
        })
    }

    fn unanswered(&self, standing: &[Alert]) -> Vec<Alert> {
        let mut alerts = Vec::new();
        for alert in standing.iter().filter(|alert| alert.severity == Severity::High) {
            let Some(previous) = self.before(alert.kind, &alert.subject) else { continue };
            let waited = self.today.days_since(previous.asked_on);
            // One that became graver today is told of today.
            let known = previous.severity >= alert.severity;
            let to_surgeon = alert.kind.audience().contains(&Audience::Surgeon);
            if previous.waits()
                && known
                && !self.is_quiet(alert)
                && to_surgeon
                && waited > self.protocol.alert.unanswered
            {
                alerts.push(Alert {
                    kind: Kind::AlertUnanswered,
                    subject: format!("{}-{}", alert.kind.code(), alert.subject),
                    severity: Severity::High,
                    since: previous.asked_on.plus(self.protocol.alert.unanswered),
                    repair: alert.repair,
                    review: alert.review.clone(),
                    facts: vec![
                        fact("raised", Value::On(previous.raised_on)),
                        fact("last told", Value::On(previous.asked_on)),
                    ],
                    findings: Vec::new(),
                    places: Vec::new(),
                    of: Some((alert.kind, alert.subject.clone())),
                    sentence: format!(
                        "An alert to the surgeon has had no answer since {}: {}",
                        previous.asked_on, alert.sentence
                    ),
                });
            }
        }
        alerts
    }
}

/// The repair an alert is about.
struct About<'a> {
    index: usize,
    assessment: &'a Assessment,
    label: String,
}

impl About<'_> {
    /// An alert about this repair, the rest to be filled in.
    fn alert(&self, sentence: String) -> Alert {
        Alert {
            kind: Kind::RecoveryOverdue,
            subject: self.label.clone(),
            severity: Severity::Moderate,
            since: self.assessment.growth_starts_on,
            repair: Some(self.index),
            review: None,
            facts: Vec::new(),
            findings: Vec::new(),
            places: Vec::new(),
            of: None,
            sentence,
        }
    }
}

fn fact(name: &str, value: Value) -> Fact {
    Fact { name: name.to_owned(), value }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// What a review is for, in words.
fn purposes(review: &Review) -> String {
    let mut words: Vec<&str> =
        review.purposes.iter().map(|requirement| requirement.purpose.display()).collect();
    words.dedup();
    if words.is_empty() { Purpose::Surveillance.display().to_owned() } else { words.join(", ") }
}
