//! Which alerts stand.
//!
//! An alert stands from the day its condition is met until it is cleared; raising and clearing have different thresholds, so
//! that nothing flickers. What concerns several targets of one repair is one alert, not several, and a front that stands
//! still is not reported a second time as axons that will be late.

use crate::anatomy;
use crate::assessment::{Assessment, Finding, Sign, TargetAssessment};
use crate::episode::{Episode, Followed, Outlook, Review};
use crate::milestone::Milestone;
use crate::protocol::Protocol;
use crate::repair::{Place, RepairedNerve};
use crate::salvage::{LastUseful, Salvage};
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
    /// Whether somebody has answered: acknowledged, declined, snoozed or handed it over.
    pub answered: bool,
    /// Whether the answer was to decline.
    pub declined: bool,
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
                days.push(last.on.plus(1));
            }
        }
        for previous in self.previous.iter().filter(|previous| previous.stands && !previous.answered) {
            days.push(previous.raised_on.plus(alert.unanswered + 1));
        }
        // An alert raised today may go unanswered too.
        days.push(self.today.plus(alert.unanswered + 1));
        days.into_iter().filter(|day| *day > self.today).min()
    }

    fn before(&self, kind: Kind, subject: &str) -> Option<&Previous> {
        self.previous.iter().find(|previous| previous.kind == kind && previous.subject == subject)
    }

    fn stood(&self, kind: Kind, subject: &str) -> bool {
        self.before(kind, subject).is_some_and(|previous| previous.stands)
    }

    fn is_overdue(&self, review: &Review) -> bool {
        self.today > review.closes_on.plus(self.protocol.alert.overdue_grace)
    }

    /// One alert for all reviews whose window has closed: the patient is lost once, not once for each review.
    fn review_overdue(&self) -> Option<Alert> {
        let overdue: Vec<&Review> = self.outlook.reviews.iter().filter(|review| self.is_overdue(review)).collect();
        let first = overdue.first()?;
        let decision = overdue.iter().flat_map(|r| &r.purposes).any(|p| p.purpose == Purpose::Decision);
        let further = match overdue.len() {
            1 => String::new(),
            n => format!(" {} further review{} since then also passed.", n - 1, if n == 2 { "" } else { "s" }),
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
                    sentence: format!(
                        "The patient did not come to the review for {} on {on}; book it again by {}.",
                        purposes(review),
                        review.closes_on
                    ),
                });
            }
        }
    }

    fn recovery_overdue(&self, about: &About<'_>) -> Option<Alert> {
        let missing: Vec<_> = about
            .assessment
            .targets
            .iter()
            .filter_map(|target| target.overdue.as_ref().map(|missing| (target, missing)))
            .collect();
        let (target, first) = missing.first()?;
        let others = match missing.len() {
            1 => String::new(),
            n => format!(", nor at {} further target{}", n - 1, if n == 2 { "" } else { "s" }),
        };
        let sentence = format!(
            "{}: {} was expected at {} by {} and was not found on {}{others}. {}",
            capital(self.nerve(about.index)),
            first.milestone.display(),
            target.target.place.display(),
            first.expected_by,
            first.looked.on,
            self.still_possible(about.assessment),
        );
        let mut facts = Vec::new();
        for (target, missing) in &missing {
            facts.push(fact(&format!("{} expected by", target.target.place.display()), Value::On(missing.expected_by)));
            facts.push(fact(&format!("{} looked for", target.target.place.display()), Value::On(missing.looked.on)));
        }
        facts.push(fact("chance of arrest", Value::Chance(about.assessment.arrest.0)));
        Some(Alert {
            kind: Kind::RecoveryOverdue,
            severity: Severity::Moderate,
            since: first.looked.on,
            facts,
            findings: missing.iter().map(|(_, missing)| missing.looked.finding.clone()).collect(),
            ..about.alert(sentence)
        })
    }

    fn front_static(&self, about: &About<'_>) -> Option<Alert> {
        let alert = &self.protocol.alert;
        let chance = about.assessment.arrest;
        let threshold = if self.stood(Kind::FrontStatic, &about.label) {
            alert.arrest_probability_clear
        } else {
            alert.arrest_probability
        };
        let standstill = about.assessment.standstill.as_ref();
        if chance < threshold && standstill.is_none() {
            return None;
        }
        let followed = self.episode.repairs.get(about.index)?;
        let last = followed.findings.iter().filter(|f| f.on <= self.today).max_by_key(|f| (f.on, &f.id))?;
        let seen = match standstill {
            Some(s) => format!(
                "the Tinel sign was at {:.0} mm on {} and at {:.0} mm on {}",
                s.from_at.0, s.from.on, s.to_at.0, s.to.on
            ),
            None => format!("the findings up to {} fit a front that has stopped", last.on),
        };
        let sentence = format!(
            "{}: {seen}; the chance that the front has stopped in or near the repair is {}. {}",
            capital(self.nerve(about.index)),
            chance.percent(),
            self.still_possible(about.assessment),
        );
        let mut facts = vec![
            fact("chance of arrest", Value::Chance(chance.0)),
            fact("chance of arrest before any finding", Value::Chance(about.assessment.arrest_prior.0)),
        ];
        if let Some(s) = standstill {
            facts.push(fact("Tinel sign before", Value::Length(s.from_at)));
            facts.push(fact("Tinel sign now", Value::Length(s.to_at)));
        }
        Some(Alert {
            kind: Kind::FrontStatic,
            severity: Severity::High,
            since: last.on,
            facts,
            findings: recent(followed),
            ..about.alert(sentence)
        })
    }

    fn reach_in_doubt(&self, about: &About<'_>) -> Option<Alert> {
        let alert = &self.protocol.alert;
        let stood = self.stood(Kind::ReachInDoubt, &about.label);
        let threshold = if stood { alert.in_time_probability_clear } else { alert.in_time_probability };
        let doubtful: Vec<(&TargetAssessment, f64)> = about
            .assessment
            .targets
            .iter()
            .filter(|target| target.furthest_seen().is_none())
            .filter(|target| target.salvage.iter().any(|last| last.on >= self.today))
            .filter_map(|target| target.in_time.filter(|chance| *chance < threshold).map(|chance| (target, chance.0)))
            .collect();
        let (worst, chance) = *doubtful.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let limit = worst.limit_on?;
        let sentence = format!(
            "{}: the chance that axons reach {} by {limit} is {}{}. {}",
            capital(self.nerve(about.index)),
            worst.target.place.display(),
            crate::unit::Probability(chance).percent(),
            if doubtful.len() > 1 { format!(" ({} muscles are in doubt)", doubtful.len()) } else { String::new() },
            self.still_possible(about.assessment),
        );
        let followed = self.episode.repairs.get(about.index)?;
        let latest = followed.findings.iter().map(|finding| finding.on).max();
        Some(Alert {
            kind: Kind::ReachInDoubt,
            severity: Severity::High,
            since: latest.unwrap_or_else(|| followed.repair.growth_starts_on()),
            facts: doubtful
                .iter()
                .map(|(target, chance)| {
                    fact(&format!("{} in time", target.target.place.display()), Value::Chance(*chance))
                })
                .collect(),
            findings: recent(followed),
            ..about.alert(sentence)
        })
    }

    fn salvage_closing(&self, about: &About<'_>) -> Option<Alert> {
        let before = self.before(Kind::SalvageClosing, &about.label);
        if before.is_some_and(|previous| previous.declined) {
            return None;
        }
        let stood = before.is_some_and(|previous| previous.stands && !previous.answered);
        let near = |last: &&LastUseful| {
            let left = last.on.days_since(self.today);
            // Once raised it stands until it is answered, even when the date has gone by.
            left <= self.protocol.alert.salvage_notice && (left >= 0 || stood)
        };
        let mut closing: Vec<(&TargetAssessment, &LastUseful)> = Vec::new();
        for target in about.assessment.targets.iter().filter(|target| target.furthest_seen().is_none()) {
            closing.extend(target.salvage.iter().filter(near).map(|last| (target, last)));
        }
        closing.sort_by_key(|(_, last)| last.on);
        let ahead = closing.iter().find(|(_, last)| last.on >= self.today);
        let (target, last) = ahead.or(closing.first())?;
        let when = if last.on >= self.today {
            format!("is useful until {}, in {} days", last.on, last.on.days_since(self.today))
        } else {
            format!("was useful until {}", last.on)
        };
        let sentence = format!(
            "{}: no sign has been seen at {}, and a {} {when}. {}",
            capital(self.nerve(about.index)),
            target.target.place.display(),
            last.salvage.display(),
            self.still_possible(about.assessment),
        );
        let followed = self.episode.repairs.get(about.index)?;
        Some(Alert {
            kind: Kind::SalvageClosing,
            severity: Severity::High,
            since: closing.first()?.1.on.plus(-self.protocol.alert.salvage_notice),
            facts: closing
                .iter()
                .map(|(target, last)| {
                    let name = format!("{} at {} useful until", last.salvage.display(), target.target.place.display());
                    fact(&name, Value::On(last.on))
                })
                .collect(),
            findings: recent(followed),
            ..about.alert(sentence)
        })
    }

    /// Findings that cannot be. Once somebody has answered, a finding counts as confirmed.
    fn inconsistent(&self, about: &About<'_>, alerts: &mut Vec<Alert>) {
        let Some(followed) = self.episode.repairs.get(about.index) else { return };
        for (finding, against, what) in impossible(followed, self.protocol) {
            if self.before(Kind::FindingInconsistent, &finding.id).is_some_and(|previous| previous.answered) {
                continue;
            }
            alerts.push(Alert {
                kind: Kind::FindingInconsistent,
                subject: finding.id.clone(),
                severity: Severity::Moderate,
                since: finding.on,
                facts: vec![fact("found", Value::Text(what.clone()))],
                findings: std::iter::once(finding.id.clone()).chain(against).collect(),
                ..about.alert(format!("{}: {what}. Correct the finding or confirm it.", capital(self.nerve(about.index))))
            });
        }
    }

    fn recovered(&self) -> Option<Alert> {
        let mut targets = self.outlook.assessments.iter().flatten().flat_map(|a| &a.targets).peekable();
        targets.peek()?;
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
            sentence: format!(
                "Every target has reached its end milestone, the last on {since}; the plan may be finished early if the surgeon agrees."
            ),
        })
    }

    fn unanswered(&self, standing: &[Alert]) -> Vec<Alert> {
        let mut alerts = Vec::new();
        for alert in standing.iter().filter(|alert| alert.severity == Severity::High) {
            let Some(previous) = self.before(alert.kind, &alert.subject) else { continue };
            let waited = self.today.days_since(previous.raised_on);
            let to_surgeon = alert.kind.audience().contains(&Audience::Surgeon);
            if previous.stands && !previous.answered && to_surgeon && waited > self.protocol.alert.unanswered {
                alerts.push(Alert {
                    kind: Kind::AlertUnanswered,
                    subject: format!("{}-{}", alert.kind.code(), alert.subject),
                    severity: Severity::High,
                    since: previous.raised_on.plus(self.protocol.alert.unanswered),
                    repair: alert.repair,
                    review: alert.review.clone(),
                    facts: vec![fact("raised", Value::On(previous.raised_on))],
                    findings: Vec::new(),
                    sentence: format!(
                        "An alert to the surgeon has had no answer since {}: {}",
                        previous.raised_on, alert.sentence
                    ),
                });
            }
        }
        alerts
    }

    fn nerve(&self, index: usize) -> &str {
        self.episode.repairs.get(index).map_or("the repair", |followed| followed.repair.nerve.display())
    }

    /// What can still be done for the muscles without a sign, and until when.
    fn still_possible(&self, assessment: &Assessment) -> String {
        let waiting = || assessment.targets.iter().filter(|target| target.furthest_seen().is_none());
        let until = |salvage: Salvage| {
            let dates = waiting().flat_map(|target| &target.salvage).filter(|last| last.salvage == salvage);
            dates.map(|last| last.on).filter(|on| *on >= self.today).min()
        };
        if waiting().all(|target| target.salvage.is_empty()) {
            return "Skin has no last useful date.".to_owned();
        }
        match (until(Salvage::SecondGraft), until(Salvage::DistalTransfer)) {
            (Some(graft), Some(transfer)) => format!(
                "A second graft would still reach the first of the muscles in time until {graft}, a distal nerve transfer until {transfer}; a tendon transfer has no last date."
            ),
            (Some(graft), None) => format!(
                "A second graft would still reach the first of the muscles in time until {graft}; a tendon transfer has no last date."
            ),
            (None, Some(transfer)) => format!(
                "A distal nerve transfer would still reach the first of the muscles in time until {transfer}; a tendon transfer has no last date."
            ),
            (None, None) => {
                "The last useful dates of a second graft and of a distal nerve transfer have passed; a tendon transfer has no last date."
                    .to_owned()
            }
        }
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
    let mut words: Vec<&str> = review.purposes.iter().map(|requirement| requirement.purpose.display()).collect();
    words.dedup();
    if words.is_empty() { Purpose::Surveillance.display().to_owned() } else { words.join(", ") }
}

/// The findings of the last examination and the Tinel signs before it: what a judgement of the front rests on.
fn recent(followed: &Followed) -> Vec<String> {
    let last = followed.findings.iter().map(|finding| finding.on).max();
    let kept = |finding: &&Finding| Some(finding.on) == last || matches!(finding.sign, Sign::Tinel(_));
    followed.findings.iter().filter(kept).map(|finding| finding.id.clone()).collect()
}

/// Findings that cannot be, each with those it contradicts and a sentence.
fn impossible<'a>(followed: &'a Followed, protocol: &Protocol) -> Vec<(&'a Finding, Vec<String>, String)> {
    let Followed { repair, findings } = followed;
    let mut all = Vec::new();
    let reach = repair.end().0 + protocol.evidence.tinel_beyond_end_sd * repair.tinel_sd(protocol).0;
    for finding in findings {
        if finding.on < repair.operated.earliest {
            all.push((finding, Vec::new(), format!("a finding is dated {}, before the operation", finding.on)));
        }
        if let Sign::Tinel(at) = finding.sign
            && at.0 > reach
        {
            let end = repair.end().0;
            let what = format!("a Tinel sign at {:.0} mm on {} lies beyond the end of the nerve ({end:.0} mm)", at.0, finding.on);
            all.push((finding, Vec::new(), what));
        }
    }
    fallen(followed, protocol, &mut all);
    out_of_order(followed, &mut all);
    all
}

/// Grades that went backwards by two or more from one examination to the next.
fn fallen<'a>(followed: &'a Followed, protocol: &Protocol, all: &mut Vec<(&'a Finding, Vec<String>, String)>) {
    let mut sorted: Vec<&Finding> = followed.findings.iter().collect();
    sorted.sort_by(|a, b| (a.on, &a.id).cmp(&(b.on, &b.id)));
    for (i, finding) in sorted.iter().enumerate() {
        let grade = |sign: &Sign| match sign {
            Sign::Motor(_, grade) => Some((i32::from(grade.value()), format!("M{}", grade.value()))),
            Sign::Sensory(_, grade) => Some((*grade as i32, grade.code().to_owned())),
            _ => None,
        };
        let same = |other: &&&Finding| {
            other.sign.place() == finding.sign.place()
                && std::mem::discriminant(&other.sign) == std::mem::discriminant(&finding.sign)
                && other.on < finding.on
        };
        let Some((now, written)) = grade(&finding.sign) else { continue };
        let Some(earlier) = sorted.iter().take(i).rev().find(same) else { continue };
        let Some((then, before)) = grade(&earlier.sign) else { continue };
        if then - now >= i32::from(protocol.evidence.grade_fall) {
            let place = finding.sign.place().map_or("", Place::display);
            let what = format!("{place} was {before} on {} and {written} on {}", earlier.on, finding.on);
            all.push((finding, vec![earlier.id.clone()], what));
        }
    }
}

/// A distal muscle against gravity on the day on which a clearly proximal one on the same nerve shows nothing.
fn out_of_order<'a>(followed: &'a Followed, all: &mut Vec<(&'a Finding, Vec<String>, String)>) {
    let RepairedNerve::Known(nerve) = followed.repair.nerve else { return };
    for distal in &followed.findings {
        let Sign::Motor(Place::Known(far), grade) = &distal.sign else { continue };
        if grade.value() < 3 {
            continue;
        }
        let silent = followed.findings.iter().find(|other| match &other.sign {
            Sign::Motor(Place::Known(near), grade) => {
                grade.value() == 0 && other.on == distal.on && anatomy::clearly_distal(nerve, *near, *far)
            }
            _ => false,
        });
        if let Some(silent) = silent {
            let near = silent.sign.place().map_or("", Place::display);
            let what = format!("{} moves against gravity on {} while {near}, closer to the repair, shows nothing", far.display(), distal.on);
            all.push((distal, vec![silent.id.clone()], what));
        }
    }
}
