//! On which day of its room a review is proposed, where the clinic takes only so many reviews a day.
//!
//! Which reviews there are and how far each may move depends on the facts of one episode alone. How full a day is depends on
//! other patients too, so it decides one thing only: the day inside that room. A day that was proposed before is kept while it
//! still suits and is not over-full; otherwise the nearest day that suits and has a place is taken.

use super::{Day, Problem};
use crate::unit::Date;
use std::collections::BTreeMap;

/// How many reviews a day the clinic takes, and how full its days are.
#[derive(Clone, Copy, Debug)]
pub struct Capacity<'a> {
    /// Most reviews on one day, booked and planned together.
    pub reviews_max: u32,
    /// Reviews of others on each day; a day that is not named has none.
    pub others: &'a BTreeMap<Date, u32>,
    /// The day that was proposed before, by key of the review.
    pub proposed: &'a BTreeMap<String, Date>,
}

impl Capacity<'_> {
    fn is_full(&self, day: Date) -> bool {
        self.others.get(&day).copied().unwrap_or(0) >= self.reviews_max
    }
}

/// A day for one review.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// The day.
    pub on: Date,
    /// Whether it is full without this review, as is every other day that would do.
    pub crowded: bool,
}

/// Finds a day for each of `days`, the answer to `problem`, in their order; `movable` are the keys of those that are not
/// booked. Booked reviews stay, be their day full or not.
pub fn places(
    problem: &Problem<'_>,
    days: &[Day],
    movable: &[Option<&str>],
    capacity: &Capacity<'_>,
) -> Vec<Place> {
    let arrangement = Arrangement { problem, days };
    let mut chosen = arrangement.kept(movable, capacity.proposed);
    let is_movable = |i: usize| movable.get(i).copied().flatten().is_some();
    // A review that moved may make room for another; none moves twice, since it moves to a day that is not full.
    while let Some((i, free)) = (0..days.len())
        .filter(|i| is_movable(*i))
        .find_map(|i| Some((i, arrangement.nearest(&chosen, i, capacity)?)))
    {
        chosen[i] = free;
    }
    let place = |(i, on)| Place { on, crowded: is_movable(i) && capacity.is_full(on) };
    chosen.into_iter().enumerate().map(place).collect()
}

/// The days as the facts have them, against which any other arrangement is held.
struct Arrangement<'a> {
    problem: &'a Problem<'a>,
    days: &'a [Day],
}

impl Arrangement<'_> {
    /// The days that were proposed before, as far as they still suit; else those of the facts.
    fn kept(&self, movable: &[Option<&str>], proposed: &BTreeMap<String, Date>) -> Vec<Date> {
        let facts: Vec<Date> = self.days.iter().map(|day| day.on).collect();
        let before = |i: usize| {
            let key = movable.get(i).copied().flatten()?;
            proposed.get(key).copied().filter(|on| self.is_in_room(i, *on))
        };
        let before: Vec<Option<Date>> = (0..facts.len()).map(before).collect();
        let all: Vec<Date> = before.iter().zip(&facts).map(|(before, on)| before.unwrap_or(*on)).collect();
        if self.suits(&all) {
            return all;
        }
        let mut chosen = facts;
        for (i, before) in before.iter().enumerate() {
            let Some(before) = before else { continue };
            let was = std::mem::replace(&mut chosen[i], *before);
            if !self.suits(&chosen) {
                chosen[i] = was;
            }
        }
        chosen
    }

    /// Where the chosen day is full, the nearest one that suits and has a place, the earlier of two.
    fn nearest(&self, chosen: &[Date], i: usize, capacity: &Capacity<'_>) -> Option<Date> {
        let wish = chosen.get(i).copied().filter(|wish| capacity.is_full(*wish))?;
        let Day { from, to, .. } = self.days.get(i)?;
        let reach = wish.days_since(*from).max(to.days_since(wish));
        let mut trial = chosen.to_vec();
        (1..=reach).flat_map(|away| [wish.plus(-away), wish.plus(away)]).find(|day| {
            trial[i] = *day;
            self.is_in_room(i, *day) && !capacity.is_full(*day) && self.suits(&trial)
        })
    }

    /// Whether a clinic day lies in the room of a review.
    fn is_in_room(&self, i: usize, day: Date) -> bool {
        self.days.get(i).is_some_and(|room| (room.from..=room.to).contains(&day))
            && self.problem.calendar.is_open(day)
    }

    /// Whether these days, one for each review, serve and space all that the days of the facts do.
    fn suits(&self, chosen: &[Date]) -> bool {
        let Problem { seen_on, requirements, spacing, .. } = self.problem;
        let mut previous = (*seen_on, *seen_on);
        for (on, day) in chosen.iter().zip(self.days) {
            let is_late = |on: Date, previous: Date| {
                let by = spacing.iter().filter_map(|spacing| spacing.next_by(previous)).min();
                by.is_some_and(|by| on > self.problem.caught_up(by))
            };
            // Where the clinic was closed too long, the facts have the review late already.
            let was_late = || is_late(day.on, previous.1) && *on <= day.on;
            if *on <= previous.0 || (is_late(*on, previous.0) && !was_late()) {
                return false;
            }
            previous = (*on, day.on);
        }
        requirements.iter().all(|one| {
            let serves = |day: &Date| (one.opens_on..=one.closes_on).contains(day);
            chosen.iter().any(serves) || !self.days.iter().any(|day| serves(&day.on))
        })
    }
}
