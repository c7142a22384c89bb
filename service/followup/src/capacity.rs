//! How many reviews the clinic takes a day: what was proposed to this patient before, and how full the days are with others.
//!
//! Only the preferred day of a review that is not booked depends on it, never its window and never which reviews there are.

use crate::derivation::Context;
use crate::dossier::Dossier;
use crate::element::{self, coded, items, text};
use crate::intake::{Injury, ours};
use endplate_fhir::Json;
use endplate_fhir::search::{self, Clause, Match, Prefix, Query};
use endplate_recovery::episode::Outlook;
use endplate_recovery::schedule::capacity::Capacity;
use endplate_recovery::unit::Date;
use std::collections::BTreeMap;

/// States of a Task that takes a place on its day.
const TAKES_PLACE: [&str; 6] = ["requested", "received", "accepted", "ready", "in-progress", "on-hold"];

/// How many reviews of others there are on a day; a day that is not named has none as far as is known.
pub type Days = BTreeMap<Date, u32>;

/// No day has any.
pub static NONE: Days = Days::new();

/// The outlook of an injury: within the clinic's capacity, if it has one.
pub fn outlook(dossier: &Dossier, injury: &Injury, own: &[Date], context: &Context<'_>) -> Outlook {
    let Some(reviews_max) = context.reviews_per_day_max else {
        return injury.episode.outlook(context.protocol);
    };
    let mut others = context.others.clone();
    for day in own {
        *others.entry(*day).or_default() += 1;
    }
    let proposed = proposed(dossier, injury);
    let capacity = Capacity { reviews_max, others: &others, proposed: &proposed };
    injury.episode.outlook_within(context.protocol, Some(&capacity))
}

/// The days that the stored Tasks of a plan propose, by key of the review. The day of a former booking is no proposal.
fn proposed(dossier: &Dossier, injury: &Injury) -> BTreeMap<String, Date> {
    let of = |task: &Json| {
        let key = ours(task, "task")?.strip_prefix(&injury.plan)?.strip_prefix('/')?.to_owned();
        let day = day_of(task).filter(|_| !is_booked(task))?;
        Some((key, day))
    };
    dossier.all("Task").filter_map(of).collect()
}

/// Whether the Task of a review says that it is booked.
pub fn is_booked(task: &Json) -> bool {
    let state = task.get("businessStatus").and_then(|state| coded(state, "review-state"));
    matches!(state, Some("booked" | "moved"))
}

/// The day on which the Task of a review takes a place; none if it takes none.
pub fn day_of(task: &Json) -> Option<Date> {
    ours(task, "task")?;
    TAKES_PLACE.contains(&text(task, &["status"])?).then_some(())?;
    items(task, "input").find_map(|input| text(input, &["valueDate"])).and_then(day)
}

/// A day as a Task has it.
pub fn day(text: &str) -> Option<Date> {
    text.parse().ok().map(element::day)
}

/// Tasks of reviews that take a place on a day of this range, booked or planned.
pub fn places(from: Date, to: Date) -> Query {
    let code = crate::code::system("request");
    let asked = format!("Task?status={}&code={code}|review", TAKES_PLACE.join(","));
    // The criteria are written here: they can always be read.
    let mut query = search::criteria(&asked, "").unwrap_or_else(|_| Query::of("Task"));
    query.clauses.push(within("preferred", from, to));
    query
}

/// That a date parameter lies within a range of days.
pub fn within(param: &str, from: Date, to: Date) -> Clause {
    let (start_ms, end_ms) = (instant_ms(from), instant_ms(to.plus(1)) - 1);
    let any = vec![Match::Date { prefix: Prefix::Eq, start_ms, end_ms }];
    Clause { params: vec![param.to_owned()], negated: false, any }
}

/// The instant at which a day begins in the index, which has civil dates in UTC.
fn instant_ms(day: Date) -> i64 {
    const DAY_MS: i64 = 86_400_000;
    let epoch = jiff::civil::Date::constant(1970, 1, 1);
    i64::from(day.days_since(Date::from_civil(epoch))) * DAY_MS
}

/// The day that begins at an instant of the index.
pub fn day_at(ms: i64) -> Date {
    const DAY_MS: i64 = 86_400_000;
    let epoch = Date::from_civil(jiff::civil::Date::constant(1970, 1, 1));
    epoch.plus(i32::try_from(ms.div_euclid(DAY_MS)).unwrap_or(0))
}

/// What the Task of a review says whose day is full, as are all others that would do.
pub fn crowded(on: Date, opens_on: Date, closes_on: Date, reviews_max: u32) -> String {
    format!(
        "The clinic takes {reviews_max} reviews a day, and every day from {opens_on} to {closes_on} that would do is full. {on} \
         is proposed all the same: find room on it, or agree on another day."
    )
}
