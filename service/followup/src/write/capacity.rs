//! A write within the clinic's capacity: reviews that are not booked keep off days that are full.
//!
//! Every day on which this write puts a review more is a scope of its own, `Task?preferred=2026-03-16`, so that of two writes
//! that take the last place of a day one is decided again. Every other day that it leaves as it is, is only read. A booking is
//! taken though its day is full: people know why. Then whoever is merely planned on that day is looked at again.

use super::Attempt;
use crate::booking;
use crate::capacity::{self, Days};
use crate::derivation::{Context, Derivation, derive};
use crate::dossier::Dossier;
use crate::element::{self, text};
use crate::ports::{Agenda, Scope};
use crate::refusal::Refusal;
use endplate_fhir::search::{COUNT_MAX, Query, Total};
use endplate_fhir::{Json, reference, search};
use endplate_recovery::unit::Date;
use std::collections::BTreeMap;

/// What a write knows of the days.
#[derive(Default)]
pub(super) struct Diary {
    /// Reviews that are stored on a day.
    stored: BTreeMap<Date, i64>,
    /// Of the days on which the decision rests, the counter as it was before they were counted.
    rests_on: BTreeMap<Date, Scope>,
    /// What this write changes so far.
    change: BTreeMap<Date, i64>,
}

impl Diary {
    /// How many reviews there are on a day, but for those of whoever is being looked at.
    fn others(&self) -> Days {
        let days = self.stored.keys().chain(self.change.keys());
        let sum = |day: &Date| {
            let of = |all: &BTreeMap<Date, i64>| all.get(day).copied().unwrap_or(0);
            (*day, u32::try_from((of(&self.stored) + of(&self.change)).max(0)).unwrap_or(u32::MAX))
        };
        days.map(sum).collect()
    }

    fn add(&mut self, day: Date, reviews: i64) {
        *self.change.entry(day).or_default() += reviews;
    }
}

/// One review on a day.
struct Planned {
    on: Date,
    booked: bool,
    /// First and last day of its window.
    window: Option<(Date, Date)>,
}

impl Planned {
    fn of(task: &Json) -> Option<Self> {
        let end = |name: &str| text(task, &["restriction", "period", name]).and_then(capacity::day);
        let window = end("start").zip(end("end"));
        Some(Self { on: capacity::day_of(task)?, booked: capacity::is_booked(task), window })
    }
}

impl Attempt<'_> {
    /// Derives everything about one person, the preferred days within the clinic's capacity.
    pub(super) async fn derive_person(
        &mut self,
        dossier: &Dossier,
        patient: &str,
        context: &Context<'_>,
    ) -> Result<Derivation, Refusal> {
        let Some(reviews_max) = context.reviews_per_day_max else {
            return Ok(derive(dossier, patient, context));
        };
        let before: Vec<Date> = stored_days(dossier);
        for day in &before {
            self.diary.add(*day, -1);
        }
        loop {
            let others = self.diary.others();
            let derivation = derive(dossier, patient, &Context { others: &others, ..*context });
            // What is over takes no place from anybody.
            let planned: Vec<Planned> =
                planned(dossier, &derivation).into_iter().filter(|one| one.on >= self.today).collect();
            let news = self.count(&planned).await?;
            let others = self.diary.others();
            let is_full = |one: &&Planned| others.get(&one.on).is_some_and(|count| *count >= reviews_max);
            let full: Vec<&Planned> = planned.iter().filter(|one| !one.booked).filter(is_full).collect();
            if !news || full.is_empty() {
                self.rest_on_days(&planned, &before);
                self.say_overfull(&planned, &before, &derivation, patient, reviews_max).await?;
                for one in &planned {
                    self.diary.add(one.on, 1);
                }
                return Ok(derivation);
            }
            for (opens_on, closes_on) in full.iter().filter_map(|one| one.window) {
                self.look_around(opens_on, closes_on).await?;
            }
        }
    }

    /// Counts the reviews on the days on which the decision rests, each after its counter was read. True if any is new.
    async fn count(&mut self, planned: &[Planned]) -> Result<bool, Refusal> {
        let mut news = false;
        for day in planned.iter().map(|one| one.on) {
            if self.diary.rests_on.contains_key(&day) {
                continue;
            }
            let key = format!("Task?preferred={day}");
            let generation = self.endplate.store.generation(&key).await?;
            let counts = self.endplate.store.counts(&capacity::places(day, day), "preferred").await?;
            let count: u64 = counts.iter().map(|(_, count)| count).sum();
            self.diary.stored.insert(day, i64::try_from(count).unwrap_or(i64::MAX));
            self.diary.rests_on.insert(day, Scope { key, generation });
            news = true;
        }
        Ok(news)
    }

    /// Learns how full the days of a window are. Those that are over count as full.
    async fn look_around(&mut self, opens_on: Date, closes_on: Date) -> Result<(), Refusal> {
        let from = opens_on.max(self.today);
        let mut found: BTreeMap<Date, i64> = BTreeMap::new();
        for past in 0..from.days_since(opens_on) {
            found.insert(opens_on.plus(past), i64::from(u32::MAX));
        }
        let counts = self.endplate.store.counts(&capacity::places(from, closes_on), "preferred").await?;
        found.extend(
            counts
                .into_iter()
                .map(|(at, count)| (capacity::day_at(at), i64::try_from(count).unwrap_or(i64::MAX))),
        );
        for (day, count) in found {
            // What the decision rests on was counted with more care.
            if !self.diary.rests_on.contains_key(&day) {
                self.diary.stored.insert(day, count);
            }
        }
        Ok(())
    }

    /// Days that have a review more move their counters; of the others it only counts that nobody else moved them.
    fn rest_on_days(&mut self, planned: &[Planned], before: &[Date]) {
        for (day, more) in more(planned, before) {
            let Some(scope) = self.diary.rests_on.get(&day).cloned() else { continue };
            if more {
                self.change.reads.retain(|read| read.key != scope.key);
                self.rest_on(scope);
            } else if !self.change.scopes.contains(&scope) && !self.change.reads.contains(&scope) {
                self.change.reads.push(scope);
            }
        }
    }

    /// Bookings that make a day over-full: whoever sent one is told, and whoever is planned there is looked at again.
    async fn say_overfull(
        &mut self,
        planned: &[Planned],
        before: &[Date],
        derivation: &Derivation,
        patient: &str,
        reviews_max: u32,
    ) -> Result<(), Refusal> {
        let others = self.diary.others();
        let more = more(planned, before);
        let overfull: BTreeMap<Date, u32> = planned
            .iter()
            .filter(|one| one.booked && more.get(&one.on) == Some(&true))
            .filter_map(|one| Some((one.on, *others.get(&one.on)?)))
            .filter(|(_, others)| *others >= reviews_max)
            .collect();
        if overfull.is_empty() {
            return Ok(());
        }
        for incoming in self.incoming.iter().filter(|incoming| incoming.writes) {
            let found = booking::overfull(&incoming.resource, &derivation.intake, &overfull, reviews_max);
            let name = format!("{}/{}", incoming.kind, incoming.id);
            self.remarks.entry(name).or_default().extend(found);
        }
        for day in overfull.keys() {
            let mut query: Query = capacity::places(*day, *day);
            let unbooked = search::criteria("Task?business-status=to-book,missed", "");
            query.clauses.extend(unbooked.map(|query| query.clauses).unwrap_or_default());
            let query = Query { count: COUNT_MAX, total: Total::None, ..query };
            let base = &self.endplate.settings.base;
            for stored in self.endplate.store.search(&query).await?.resources {
                let task = endplate_fhir::json::stored(&stored.body);
                let other = reference::patient_of(&task, base).filter(|other| other != patient);
                let due_on = Some(self.today.civil());
                self.change.agenda.extend(other.map(|patient| Agenda { patient, due_on }));
            }
        }
        Ok(())
    }
}

/// Each day with a review, and whether it has more than before.
fn more(planned: &[Planned], before: &[Date]) -> BTreeMap<Date, bool> {
    let count = |day: Date, days: &mut dyn Iterator<Item = Date>| days.filter(|one| *one == day).count();
    let is_more = |day: Date| {
        count(day, &mut planned.iter().map(|one| one.on)) > count(day, &mut before.iter().copied())
    };
    planned.iter().map(|one| (one.on, is_more(one.on))).collect()
}

/// The days on which what is stored takes places.
fn stored_days(dossier: &Dossier) -> Vec<Date> {
    let of = |(_, entry): (&(String, String), &crate::dossier::Entry)| {
        let stored = entry.stored.as_ref().filter(|stored| stored.kind == "Task")?;
        if entry.incoming {
            capacity::day_of(&endplate_fhir::json::stored(&stored.body))
        } else {
            capacity::day_of(&entry.resource)
        }
    };
    dossier.entries().filter_map(of).collect()
}

/// The reviews as they are once everything that was derived is stored.
fn planned(dossier: &Dossier, derivation: &Derivation) -> Vec<Planned> {
    let mut tasks: BTreeMap<String, &Json> =
        dossier.all("Task").map(|task| (element::reference_of(task), task)).collect();
    let is_task = |one: &&Json| text(one, &["resourceType"]) == Some("Task");
    tasks.extend(derivation.changed.iter().filter(is_task).map(|task| (element::reference_of(task), task)));
    tasks.into_values().filter_map(Planned::of).collect()
}
