//! When to look: the fewest clinic days that serve every purpose.
//!
//! Each purpose of an episode is a closed interval of dates, and reviews may not lie further apart than the protocol
//! allows. The fewest days that stab every interval and keep the spacing are found from left to right: the latest clinic
//! day not after the earliest closing date of an open requirement nor after the spacing limit. The greedy choice is optimal
//! by exchange: moving a day later never hurts what comes after it. Going from right to left with the earliest days gives
//! the other end of the room each review has; the days are then settled inside this room so that every review can move a
//! little without breaking anything. Requirements of all repairs go in together, so that a patient with three repaired
//! nerves comes once, not three times.
//!
//! The schedule depends on facts only, never on today: a review that was missed stays due.

pub mod capacity;

use crate::protocol;
use crate::unit::Date;

/// What a review is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Purpose {
    /// Wound check.
    Wound,
    /// Baseline examination.
    Baseline,
    /// Rehabilitation after a tendon transfer.
    Rehabilitation,
    /// Before a last useful date.
    Decision,
    /// The first sign of a target is due.
    Milestone,
    /// Outcome examination.
    Outcome,
    /// Keeps the spacing.
    Surveillance,
}

impl Purpose {
    /// All purposes; the first of a review's purposes in this order names it.
    pub const ALL: [Self; 7] = [
        Self::Wound,
        Self::Baseline,
        Self::Rehabilitation,
        Self::Decision,
        Self::Milestone,
        Self::Outcome,
        Self::Surveillance,
    ];

    /// Its code in `CodeSystem/review-purpose`.
    pub fn code(self) -> &'static str {
        match self {
            Self::Wound => "wound",
            Self::Baseline => "baseline",
            Self::Rehabilitation => "rehabilitation",
            Self::Decision => "decision",
            Self::Milestone => "milestone",
            Self::Outcome => "outcome",
            Self::Surveillance => "surveillance",
        }
    }

    /// As a person would write it.
    pub fn display(self) -> &'static str {
        match self {
            Self::Wound => "wound check",
            Self::Baseline => "baseline examination",
            Self::Rehabilitation => "rehabilitation after tendon transfer",
            Self::Decision => "decision before a last useful date",
            Self::Milestone => "first sign due",
            Self::Outcome => "outcome examination",
            Self::Surveillance => "surveillance",
        }
    }
}

/// One thing that a review must serve: any day from `opens_on` to `closes_on` will do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Requirement {
    /// What for.
    pub purpose: Purpose,
    /// Tells requirements of the same purpose apart, and names the review: `radial-2`, `extensor-digitorum`.
    pub subject: String,
    /// First day.
    pub opens_on: Date,
    /// Last day.
    pub closes_on: Date,
}

/// How far apart the reviews of one repair may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spacing {
    /// The operation.
    pub from: Date,
    /// From here on `long` applies.
    pub long_from: Date,
    /// From here on the outcome examination ends it.
    pub until: Date,
    /// Days between reviews before `long_from`.
    pub short: i32,
    /// Days between reviews from then on.
    pub long: i32,
}

impl Spacing {
    /// Of a repair operated on `from`.
    pub fn of(from: Date, schedule: &protocol::Schedule) -> Self {
        Self {
            from,
            long_from: from.plus(schedule.first_year),
            until: from.plus(schedule.outcome[0]),
            short: schedule.spacing_first_year,
            long: schedule.spacing_second_year,
        }
    }

    /// The latest day for the review after one on `day`; none if this repair asks for no further one.
    fn next_by(&self, day: Date) -> Option<Date> {
        let day = day.max(self.from);
        if day >= self.until {
            None
        } else {
            Some(day.plus(if day < self.long_from { self.short } else { self.long }))
        }
    }

    /// The earliest day from which `next` is near enough.
    fn near_enough(&self, next: Date) -> Date {
        if next <= self.from.plus(self.short) {
            return Date::from_civil(jiff::civil::Date::MIN);
        }
        let short = next.plus(-self.short);
        let day = if short < self.long_from { short } else { self.long_from.max(next.plus(-self.long)) };
        day.min(self.until)
    }
}

/// The days on which the clinic sees patients.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Calendar {
    weekdays: [bool; 7],
    closed: Vec<Date>,
    /// Days that count as open whatever the calendar says: reviews that are already booked.
    extra: Vec<Date>,
}

impl Calendar {
    /// From the protocol's weekdays and closed dates. A clinic without weekdays is taken as open every day.
    pub fn of(schedule: &protocol::Schedule) -> Self {
        let weekdays =
            if schedule.clinic_weekdays.contains(&true) { schedule.clinic_weekdays } else { [true; 7] };
        let mut closed = schedule.closed.clone();
        closed.sort_unstable();
        Self { weekdays, closed, extra: Vec::new() }
    }

    /// Whether the clinic sees patients on `day`.
    pub fn is_open(&self, day: Date) -> bool {
        let weekday = self.weekdays.get(usize::from(day.weekday())).copied().unwrap_or(true);
        (weekday && self.closed.binary_search(&day).is_err()) || self.extra.contains(&day)
    }

    /// The last clinic day not after `day` and not before `from`.
    fn not_after(&self, day: Date, from: Date) -> Option<Date> {
        let mut day = day;
        while day >= from {
            if self.is_open(day) {
                return Some(day);
            }
            day = day.plus(-1);
        }
        None
    }

    /// The first clinic day not before `day`. A clinic closed for ten years on end gets `day` itself.
    fn not_before(&self, day: Date) -> Date {
        (0..3660).map(|days| day.plus(days)).find(|day| self.is_open(*day)).unwrap_or(day)
    }
}

/// What to schedule.
#[derive(Clone, Debug)]
pub struct Problem<'a> {
    /// The last day on which the patient was seen; at the beginning the operation.
    pub seen_on: Date,
    /// No review can be planned before this day.
    pub not_before: Date,
    /// What was due before `not_before` is due within this many days from it.
    pub catch_up: i32,
    /// What must be served by reviews after `seen_on`.
    pub requirements: &'a [Requirement],
    /// One entry for each repair under surveillance.
    pub spacing: &'a [Spacing],
    /// When the clinic is open.
    pub calendar: Calendar,
    /// Booked days: fixed points.
    pub booked: &'a [Date],
    /// Days of reviews that should stay where they are if that costs no further review.
    pub open: &'a [Date],
}

impl Problem<'_> {
    /// A date by which something is due, moved to where it can still be met.
    fn caught_up(&self, due: Date) -> Date {
        if due < self.not_before { self.not_before.plus(self.catch_up) } else { due }
    }
}

/// One day on which the patient should come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Day {
    /// The preferred day.
    pub on: Date,
    /// The review may move from here ...
    pub from: Date,
    /// ... to here without breaking a requirement, the other reviews staying where they are.
    pub to: Date,
    /// Which requirements it serves, as indices; none: it keeps the spacing.
    pub serves: Vec<usize>,
}

/// The fewest days; among those, the ones that keep most of `open`; settled so that each has room to move.
pub fn days(problem: &Problem<'_>) -> Vec<Day> {
    let mut fixed: Vec<Date> = problem.booked.iter().copied().filter(|day| *day > problem.seen_on).collect();
    fixed.sort_unstable();
    fixed.dedup();
    let mut line = Line::new(problem, &fixed);
    if !problem.open.is_empty() {
        let kept = keep_most(&line, problem.open);
        if !kept.is_empty() {
            fixed.extend(kept);
            fixed.sort_unstable();
            fixed.dedup();
            line = Line::new(problem, &fixed);
        }
    }
    settle(&line)
}

/// The requirements on the axis of days, with the fixed days as requirements of their own.
struct Line<'a> {
    problem: &'a Problem<'a>,
    calendar: Calendar,
    fixed: Vec<Date>,
    /// Opening dates in order, each with the earliest closing date among all that open then or later.
    opening: Vec<(Date, Date)>,
}

impl<'a> Line<'a> {
    fn new(problem: &'a Problem<'a>, fixed: &[Date]) -> Self {
        let mut opening: Vec<(Date, Date)> = problem
            .requirements
            .iter()
            .map(|requirement| (requirement.opens_on, requirement.closes_on.max(requirement.opens_on)))
            .chain(fixed.iter().map(|day| (*day, *day)))
            .collect();
        opening.sort_unstable();
        let mut earliest = Date::from_civil(jiff::civil::Date::MAX);
        for entry in opening.iter_mut().rev() {
            earliest = earliest.min(entry.1);
            entry.1 = earliest;
        }
        let calendar = Calendar { extra: fixed.to_vec(), ..problem.calendar.clone() };
        Self { problem, calendar, fixed: fixed.to_vec(), opening }
    }

    /// The latest day by which a review must follow one on `day`; none if nothing is left to do.
    fn due_by(&self, day: Date) -> Option<Date> {
        let next = self.opening.partition_point(|(opens, _)| *opens <= day);
        let closing = self.opening.get(next).map(|(_, closes)| *closes)?;
        let spaced = self.problem.spacing.iter().filter_map(|spacing| spacing.next_by(day)).min();
        Some(self.problem.caught_up(spaced.map_or(closing, |spaced| spaced.min(closing))))
    }

    /// The latest clinic day for the review after one on `day`.
    ///
    /// Where the clinic is closed throughout, the first clinic day after: late is better than never, and the window says so.
    fn latest_after(&self, day: Date) -> Option<Date> {
        let due = self.due_by(day)?;
        let first = day.plus(1).max(self.problem.not_before);
        Some(self.calendar.not_after(due, first).unwrap_or_else(|| self.calendar.not_before(due.max(first))))
    }

    /// The greedy days: their number is the fewest possible.
    fn latest(&self) -> Vec<Date> {
        let mut days = Vec::new();
        let mut day = self.problem.seen_on;
        while let Some(next) = self.latest_after(day) {
            days.push(next);
            day = next;
        }
        days
    }

    /// The earliest day of each of the reviews of `latest` that still leaves the same number to follow.
    fn earliest(&self, latest: &[Date]) -> Vec<Date> {
        let mut days = latest.to_vec();
        let mut next: Option<Date> = None;
        for day in days.iter_mut().rev() {
            let opens = self
                .opening
                .iter()
                .filter(|(opens, _)| self.closes_before(*opens, next))
                .map(|(opens, _)| *opens);
            let mut from = opens.max().unwrap_or(self.problem.seen_on.plus(1));
            if let Some(next) = next {
                from = self.problem.spacing.iter().map(|s| s.near_enough(next)).fold(from, Date::max);
            }
            *day = (*day).min(self.calendar.not_before(from));
            next = Some(*day);
        }
        days
    }

    /// Whether some requirement that opens on `opens` closes before `next`, so that it must be served earlier.
    fn closes_before(&self, opens: Date, next: Option<Date>) -> bool {
        let Some(next) = next else { return true };
        let closes = |requirement: &Requirement| requirement.closes_on.max(requirement.opens_on);
        self.fixed.iter().any(|day| *day == opens && *day < next)
            || self.problem.requirements.iter().any(|r| r.opens_on == opens && closes(r) < next)
    }
}

/// Which of the open days can stay without costing a further review: the most that can.
///
/// From each day the next is either an open day or the latest possible: a day that moves anyway does best to move late. Among
/// all such chains the shortest is taken, and among those the one through most open days.
fn keep_most(line: &Line<'_>, open: &[Date]) -> Vec<Date> {
    struct Best {
        reviews: usize,
        kept: usize,
        next: Option<Date>,
    }
    fn best(line: &Line<'_>, open: &[Date], day: Date, known: &mut Vec<(Date, Best)>) -> (usize, usize) {
        if let Some((_, found)) = known.iter().find(|(of, _)| *of == day) {
            return (found.reviews, found.kept);
        }
        let mut choice = Best { reviews: 0, kept: 0, next: None };
        if let Some(latest) = line.latest_after(day) {
            let first = day.plus(1).max(line.problem.not_before);
            let stays =
                open.iter().copied().filter(|d| (first..=latest).contains(d) && line.calendar.is_open(*d));
            for next in std::iter::once(latest).chain(stays) {
                let (reviews, kept) = best(line, open, next, known);
                let (reviews, kept) = (reviews + 1, kept + usize::from(open.contains(&next)));
                let better = choice.next.is_none()
                    || (reviews, std::cmp::Reverse(kept), next)
                        < (choice.reviews, std::cmp::Reverse(choice.kept), choice.next.unwrap_or(next));
                if better {
                    choice = Best { reviews, kept, next: Some(next) };
                }
            }
        }
        let found = (choice.reviews, choice.kept);
        known.push((day, choice));
        found
    }
    let mut known = Vec::new();
    best(line, open, line.problem.seen_on, &mut known);
    let mut kept = Vec::new();
    let mut day = line.problem.seen_on;
    while let Some(next) = known.iter().find(|(of, _)| *of == day).and_then(|(_, best)| best.next) {
        if open.contains(&next) {
            kept.push(next);
        }
        day = next;
    }
    kept
}

/// Places each review in the room between its earliest and its latest day, leaving an even share of the room to those after
/// it, and says how far each may move.
fn settle(line: &Line<'_>) -> Vec<Day> {
    let latest = line.latest();
    let earliest = line.earliest(&latest);
    let count = latest.len();
    let mut chosen: Vec<Date> = Vec::with_capacity(count);
    let mut day = line.problem.seen_on;
    for (i, earliest) in earliest.iter().enumerate() {
        let Some(to) = line.latest_after(day) else { break };
        let from = (*earliest).max(day.plus(1)).max(line.problem.not_before).min(to);
        let room = to.days_since(from);
        let middle = to.plus(-room / 2);
        // Where an earlier day takes nothing from the reviews after it, the middle of the room is best.
        let costs_nothing = line.latest_after(middle) == line.latest_after(to);
        let share = room / i32::try_from(count - i + 1).unwrap_or(i32::MAX);
        let wish = if costs_nothing { middle } else { to.plus(-share) };
        day = line.calendar.not_after(wish, from).unwrap_or_else(|| line.calendar.not_before(wish)).min(to);
        chosen.push(day);
    }
    rooms(line, &chosen)
}

/// How far each review may move with the others where they are, and which requirements it serves.
fn rooms(line: &Line<'_>, chosen: &[Date]) -> Vec<Day> {
    let requirements = line.problem.requirements;
    let served_on =
        |requirement: &Requirement, day: Date| (requirement.opens_on..=requirement.closes_on).contains(&day);
    let mut rooms: Vec<Day> =
        chosen.iter().map(|on| Day { on: *on, from: *on, to: *on, serves: Vec::new() }).collect();
    for (index, requirement) in requirements.iter().enumerate() {
        // The first day that serves it; where the clinic was closed throughout, the first day after it opened.
        let first = chosen.iter().position(|day| served_on(requirement, *day));
        let first = first.or_else(|| chosen.iter().position(|day| *day >= requirement.opens_on));
        if let Some(room) = first.and_then(|i| rooms.get_mut(i)) {
            room.serves.push(index);
        }
    }
    for i in 0..rooms.len() {
        let previous = if i == 0 { line.problem.seen_on } else { chosen[i - 1] };
        let next = chosen.get(i + 1).copied();
        let mut from = previous.plus(1).max(line.problem.not_before);
        let mut to = next.map_or(Date::from_civil(jiff::civil::Date::MAX), |next| next.plus(-1));
        for requirement in requirements.iter().filter(|r| served_on(r, chosen[i])) {
            let elsewhere = chosen.iter().enumerate().any(|(k, day)| k != i && served_on(requirement, *day));
            if !elsewhere {
                from = from.max(requirement.opens_on);
                to = to.min(line.problem.caught_up(requirement.closes_on));
            }
        }
        // What lapsed before it could be met is due soon.
        let lapsed = rooms[i].serves.iter().filter_map(|index| requirements.get(*index));
        for requirement in lapsed.filter(|requirement| requirement.closes_on < line.problem.not_before) {
            to = to.min(line.problem.caught_up(requirement.closes_on));
        }
        for spacing in line.problem.spacing {
            to = spacing.next_by(previous).map_or(to, |by| to.min(line.problem.caught_up(by)));
            from = next.map_or(from, |next| from.max(spacing.near_enough(next)));
        }
        rooms[i].from = from.min(chosen[i]);
        rooms[i].to = if next.is_none() && to.civil() == jiff::civil::Date::MAX {
            chosen[i]
        } else {
            to.max(chosen[i])
        };
    }
    rooms
}
