//! All repairs of one injury in one patient, followed together.

use crate::assessment::{Assessment, Finding, assess};
use crate::disturbance::{Misfit, Moved};
use crate::milestone::Milestone;
use crate::protocol::Protocol;
use crate::repair::{Place, Repair, RepairedNerve, Technique};
use crate::schedule::capacity::{self, Capacity};
use crate::schedule::{self, Calendar, Problem, Purpose, Requirement, Spacing};
use crate::unit::{Date, DateRange, Mm};

/// Everything known of one injury.
#[derive(Clone, Debug, PartialEq)]
pub struct Episode {
    /// The injury. Its earliest date starts the denervation clock, which no second repair resets.
    pub injured: DateRange,
    /// Its repairs with their findings, in order of operation.
    pub repairs: Vec<Followed>,
    /// Days on which the patient was seen since the first operation.
    pub visits: Vec<Date>,
    /// Reviews that are booked, or were and the patient has not come.
    pub bookings: Vec<Booking>,
    /// Keys of reviews that are over; a new review never takes one of them.
    pub closed: Vec<String>,
    /// The day on which the first of its repairs became known here. What was due before then is not held against anyone.
    pub known_since: Date,
}

/// One repair and what was found since.
#[derive(Clone, Debug, PartialEq)]
pub struct Followed {
    /// The repair.
    pub repair: Repair,
    /// Its findings, in any order.
    pub findings: Vec<Finding>,
}

/// A booked review.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Booking {
    /// Key of the review.
    pub review: String,
    /// The booked day.
    pub on: Date,
}

/// What follows from an episode: what is believed of each repair, and when to look.
#[derive(Clone, Debug)]
pub struct Outlook {
    /// One for each repair, in the same order; none where nothing regenerates or every target was taken over.
    pub assessments: Vec<Option<Assessment>>,
    /// Reviews still to come, in order.
    pub reviews: Vec<Review>,
}

/// One clinic visit with its purposes.
#[derive(Clone, Debug, PartialEq)]
pub struct Review {
    /// Names the review within its episode, for as long as it serves the same end.
    pub key: String,
    /// The preferred day; the booked one if it is booked.
    pub on: Date,
    /// First day of its window.
    pub opens_on: Date,
    /// Last day of its window.
    pub closes_on: Date,
    /// What it is for, in order of weight.
    pub purposes: Vec<Requirement>,
    /// Whether it is booked.
    pub booked: bool,
    /// Whether every day that would do is full, the preferred one too, so that the clinic takes more that day than it means to.
    pub crowded: bool,
    /// What to examine.
    pub examine: Vec<Examination>,
    /// Where the repairs alone would have it, if that is elsewhere, and why it is not there.
    pub moved: Option<Moved>,
    /// Of a booked review: what its day breaks, if it is outside the window that the review would have without the booking.
    pub misfit: Option<Misfit>,
}

/// What to examine of one repair at a review.
#[derive(Clone, Debug, PartialEq)]
pub struct Examination {
    /// Index of the repair.
    pub repair: usize,
    /// Where the Tinel sign should be by then, p10 to p90, mm from the proximal coaptation; none where no one needs to look.
    pub tinel: Option<(Mm, Mm)>,
    /// Which places, and the next sign of each.
    pub places: Vec<(Place, Milestone)>,
}

impl Episode {
    /// The later operation that took over `place` from repair `index`, if any.
    ///
    /// A second repair of the same nerve cuts the axons of the first on their way to every target; a nerve or tendon transfer
    /// takes over the targets it names.
    pub fn taken_over_by(&self, index: usize, place: &Place) -> Option<usize> {
        let first = &self.repairs.get(index)?.repair;
        let later = |&(_, other): &(usize, &Followed)| {
            let other = &other.repair;
            let again = other.technique.regenerates()
                && other.technique != Technique::NerveTransfer
                && other.nerve == first.nerve
                && other.side == first.side;
            other.technique != Technique::Neurolysis
                && (again || other.targets.iter().any(|target| target.place == *place))
        };
        self.repairs.iter().enumerate().skip(index + 1).find(later).map(|(i, _)| i)
    }

    /// Assesses every repair and plans the reviews, each on the day that the facts alone prefer.
    pub fn outlook(&self, protocol: &Protocol) -> Outlook {
        self.outlook_within(protocol, None)
    }

    /// The same, each review on a day of its window that is not full, where there is one.
    pub fn outlook_within(&self, protocol: &Protocol, capacity: Option<&Capacity<'_>>) -> Outlook {
        let assessments = self.assess(protocol, true);
        let reviews = self.reviews(protocol, &assessments, capacity);
        Outlook { assessments, reviews }
    }

    fn assess(&self, protocol: &Protocol, with_findings: bool) -> Vec<Option<Assessment>> {
        let one = |(index, followed): (usize, &Followed)| {
            let Followed { repair, findings } = followed;
            let follows = |place: &Place| self.taken_over_by(index, place).is_none();
            let any = repair.targets.iter().any(|target| follows(&target.place));
            let findings = if with_findings { findings.as_slice() } else { &[] };
            (repair.technique.regenerates() && any)
                .then(|| assess(repair, self.injured, findings, protocol, follows))
        };
        self.repairs.iter().enumerate().map(one).collect()
    }

    /// The last day on which the patient was seen; the first operation if never since.
    pub fn seen_on(&self) -> Date {
        let operated = self.repairs.iter().map(|followed| followed.repair.growth_starts_on()).min();
        let operated = operated.unwrap_or(self.known_since);
        self.visits.iter().copied().max().map_or(operated, |visit| visit.max(operated))
    }

    /// A short name of a repair within its episode, such as `radial` or `radial-2`.
    pub fn label(&self, index: usize) -> String {
        let name = |followed: &Followed| match &followed.repair.nerve {
            RepairedNerve::Known(nerve) => nerve.code().to_owned(),
            RepairedNerve::Named(text) => slug(text),
        };
        let Some(this) = self.repairs.get(index).map(name) else { return String::new() };
        let before = self.repairs.iter().take(index).filter(|followed| name(followed) == this).count();
        if before == 0 { this } else { format!("{this}-{}", before + 1) }
    }

    /// Reviews still to come.
    ///
    /// First the reviews that the repairs alone call for, then, with all that was found and done since, the fewest that are
    /// still needed, keeping as many of the former where they were. So the plan depends on facts only, not on the order in
    /// which they arrived, and yet moves as little as it can.
    fn reviews(
        &self,
        protocol: &Protocol,
        assessments: &[Option<Assessment>],
        capacity: Option<&Capacity<'_>>,
    ) -> Vec<Review> {
        let unseen = Self { visits: Vec::new(), bookings: Vec::new(), closed: Vec::new(), ..self.clone() };
        if self.is_eventless() {
            return unseen.lay_out(protocol, assessments, &[], capacity);
        }
        let planned = unseen.lay_out(protocol, &self.assess(protocol, false), &[], None);
        let mut reviews = self.lay_out(protocol, assessments, &planned, capacity);
        for booking in &self.bookings {
            if let Some(review) =
                reviews.iter_mut().find(|review| review.booked && review.key == booking.review)
            {
                review.misfit = self.misfit_of(booking, assessments, &planned, protocol);
            }
        }
        reviews
    }

    /// Whether nothing happened since the operations.
    pub(crate) fn is_eventless(&self) -> bool {
        self.visits.is_empty()
            && self.bookings.is_empty()
            && self.repairs.iter().all(|followed| followed.findings.is_empty())
    }

    /// The reviews, as many of `planned` as can staying where they are.
    pub(crate) fn lay_out(
        &self,
        protocol: &Protocol,
        assessments: &[Option<Assessment>],
        planned: &[Review],
        capacity: Option<&Capacity<'_>>,
    ) -> Vec<Review> {
        let seen_on = self.seen_on();
        let requirements = self.requirements(protocol, assessments, seen_on);
        let followed = self.repairs.iter().zip(assessments).filter(|(_, assessment)| assessment.is_some());
        let spacing: Vec<Spacing> = followed
            .map(|(followed, _)| Spacing::of(followed.repair.growth_starts_on(), &protocol.schedule))
            .collect();
        let booked: Vec<Date> = self.bookings.iter().map(|booking| booking.on).collect();
        let open: Vec<Date> = planned.iter().map(|review| review.on).collect();
        let problem = Problem {
            seen_on,
            not_before: self.known_since,
            catch_up: protocol.schedule.catch_up,
            requirements: &requirements,
            spacing: &spacing,
            calendar: Calendar::of(&protocol.schedule),
            booked: &booked,
            open: &open,
        };
        let days = schedule::days(&problem);
        let mut reviews: Vec<Review> =
            days.iter().map(|day| self.review(day, &requirements, planned)).collect();
        tell_apart(&mut reviews, &self.closed);
        if let Some(capacity) = capacity {
            let movable: Vec<Option<&str>> =
                reviews.iter().map(|review| (!review.booked).then_some(review.key.as_str())).collect();
            let places = capacity::places(&problem, &days, &movable, capacity);
            for (review, place) in reviews.iter_mut().zip(places) {
                (review.on, review.crowded) = (place.on, place.crowded);
            }
        }
        for review in &mut reviews {
            review.examine = examinations(review, assessments);
            review.moved = review.moved_from(planned);
        }
        reviews
    }

    fn review(&self, day: &schedule::Day, requirements: &[Requirement], planned: &[Review]) -> Review {
        let mut purposes: Vec<Requirement> =
            day.serves.iter().filter_map(|index| requirements.get(*index)).cloned().collect();
        purposes.sort_by_key(|requirement| requirement.purpose);
        let booking = self.bookings.iter().find(|booking| booking.on == day.on);
        let stayed = planned.iter().find(|review| review.on == day.on);
        let key = match (booking, stayed) {
            (Some(booking), _) => booking.review.clone(),
            (None, Some(review)) => review.key.clone(),
            (None, None) => self.key(day.on, &purposes),
        };
        Review {
            key,
            on: day.on,
            opens_on: day.from,
            closes_on: day.to,
            purposes,
            booked: booking.is_some(),
            crowded: false,
            examine: Vec::new(),
            moved: None,
            misfit: None,
        }
    }

    /// The name of a review: its weightiest purpose, or the quarter in which it keeps the spacing.
    fn key(&self, on: Date, purposes: &[Requirement]) -> String {
        if let Some(first) = purposes.first() {
            return format!("{}-{}", first.purpose.code(), first.subject);
        }
        let operated = self.repairs.iter().map(|followed| followed.repair.growth_starts_on()).min();
        let days = on.days_since(operated.unwrap_or(on));
        format!("{}-{}", Purpose::Surveillance.code(), days / 91)
    }

    /// Everything that a review after `seen_on` must serve.
    fn requirements(
        &self,
        protocol: &Protocol,
        assessments: &[Option<Assessment>],
        seen_on: Date,
    ) -> Vec<Requirement> {
        let mut all = Vec::new();
        for (index, (followed, assessment)) in self.repairs.iter().zip(assessments).enumerate() {
            let label = self.label(index);
            operation_requirements(&followed.repair, &label, assessment.is_some(), protocol, &mut all);
            if let Some(assessment) = assessment {
                let last = followed.repair.growth_starts_on().plus(protocol.schedule.outcome[1]);
                let before = all.len();
                sign_requirements(assessment, &label, protocol, &mut all);
                // The outcome examination ends the follow-up of a repair, whatever might still come.
                let signs = all.split_off(before);
                all.extend(signs.into_iter().filter(|requirement| requirement.opens_on <= last).map(
                    |requirement| Requirement { closes_on: requirement.closes_on.min(last), ..requirement },
                ));
            }
        }
        all.retain(|requirement| requirement.opens_on > seen_on && self.still_asked(requirement));
        all
    }

    /// A wound check or a baseline that was due before the repair was known here is not asked for any more.
    fn still_asked(&self, requirement: &Requirement) -> bool {
        let early =
            matches!(requirement.purpose, Purpose::Wound | Purpose::Baseline | Purpose::Rehabilitation);
        !(early && requirement.closes_on < self.known_since)
    }
}

/// What to examine at a review: at the baseline everything, at a wound check nothing, otherwise what may show by then.
fn examinations(review: &Review, assessments: &[Option<Assessment>]) -> Vec<Examination> {
    let only = |purpose| !review.purposes.is_empty() && review.purposes.iter().all(|p| p.purpose == purpose);
    if only(Purpose::Wound) {
        return Vec::new();
    }
    let baseline = review.purposes.iter().any(|p| p.purpose == Purpose::Baseline);
    let mut all = Vec::new();
    for (repair, assessment) in assessments.iter().enumerate() {
        let Some(assessment) = assessment.as_ref() else { continue };
        if review.on < assessment.growth_starts_on {
            continue;
        }
        let next = |target: &crate::assessment::TargetAssessment| {
            let next = target
                .milestones
                .iter()
                .find(|m| m.seen.is_none() && m.milestone >= Milestone::first(target.target.place.kind()))?;
            (baseline || next.window.opens_on <= review.closes_on)
                .then(|| (target.target.place.clone(), next.milestone))
        };
        let places: Vec<_> = assessment.targets.iter().filter_map(next).collect();
        let day = crate::unit::Days(f64::from(review.on.days_since(assessment.growth_starts_on)));
        let unseen = assessment.targets.iter().any(|target| target.furthest_seen().is_none());
        let tinel = unseen.then(|| assessment.belief.front_band(day));
        if tinel.is_some() || !places.is_empty() {
            all.push(Examination { repair, tinel, places });
        }
    }
    all
}

/// What the operation itself asks for.
fn operation_requirements(
    repair: &Repair,
    label: &str,
    followed: bool,
    protocol: &Protocol,
    all: &mut Vec<Requirement>,
) {
    let on = repair.growth_starts_on();
    let mut ask = |purpose, [first, last]: [i32; 2], subject: String| {
        all.push(Requirement { purpose, subject, opens_on: on.plus(first), closes_on: on.plus(last) });
    };
    ask(Purpose::Wound, protocol.schedule.wound, label.to_owned());
    if repair.technique == Technique::TendonTransfer {
        for (i, days) in protocol.schedule.rehabilitation.iter().enumerate() {
            ask(Purpose::Rehabilitation, *days, format!("{label}-{}", i + 1));
        }
    }
    if followed {
        ask(Purpose::Baseline, protocol.schedule.baseline, label.to_owned());
        ask(Purpose::Outcome, protocol.schedule.outcome, label.to_owned());
    }
}

/// What the expected signs and the last useful dates ask for.
fn sign_requirements(assessment: &Assessment, label: &str, protocol: &Protocol, all: &mut Vec<Requirement>) {
    let [early, late] = protocol.schedule.decision_before_last_date;
    for target in &assessment.targets {
        let place = slug(target.target.place.key());
        if target.furthest_seen().is_none()
            && let Some(first) = target.milestone(Milestone::first(target.target.place.kind()))
        {
            all.push(Requirement {
                purpose: Purpose::Milestone,
                subject: format!("{label}-{place}"),
                opens_on: first.window.median_on,
                closes_on: first.window.closes_on,
            });
        }
        if target.recovered() {
            continue;
        }
        for last in &target.salvage {
            all.push(Requirement {
                purpose: Purpose::Decision,
                subject: format!("{label}-{place}-{}", last.salvage.code()),
                opens_on: last.on.plus(-early),
                closes_on: last.on.plus(-late),
            });
        }
    }
}

/// Two reviews of one name become `name` and `name-b`; so does one whose name belonged to a review that is over. A booked review
/// keeps its name, whichever comes first: somebody has told the patient of it.
fn tell_apart(reviews: &mut [Review], closed: &[String]) {
    let booked: Vec<String> =
        reviews.iter().filter(|review| review.booked).map(|review| review.key.clone()).collect();
    for i in 0..reviews.len() {
        let (before, rest) = reviews.split_at_mut(i);
        if let Some(this) = rest.first_mut().filter(|review| !review.booked) {
            let mut suffix = b'b';
            let base = this.key.clone();
            let taken = |key: &String| {
                closed.contains(key) || booked.contains(key) || before.iter().any(|review| review.key == *key)
            };
            while taken(&this.key) && suffix <= b'z' {
                this.key = format!("{base}-{}", char::from(suffix));
                suffix += 1;
            }
        }
    }
}

/// Lower-case letters and digits, everything else a hyphen.
pub fn slug(text: &str) -> String {
    let mut slug: String =
        text.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
    while slug.contains("--") {
        slug = slug.replace("--", "-");
    }
    slug.trim_matches('-').to_owned()
}
