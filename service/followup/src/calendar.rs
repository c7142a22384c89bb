//! Reviews as an iCalendar feed (RFC 5545): those of a patient, and those of the clinic between two days.
//!
//! A feed is a view of the Tasks. Calendars read it again and again, so it is the same text for as long as nothing was written:
//! it knows no clock, and its stamps are those of the resources. A patient's feed says what each review is for; the clinic's
//! lies open on many screens and says only when and how far the booking has come, with a link to the Task for whoever may
//! read it.

mod event;

use crate::Endplate;
use crate::capacity::{self, within};
use crate::document::CAUTION;
use crate::element::{self, items, text};
use crate::grant::Right;
use crate::intake::ours;
use crate::ports::Stored;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::search::{self, Clause, Match, Query, Total};
use endplate_fhir::{Json, json};
use endplate_recovery::unit::Date;
use event::Sight;
use icalendar::{Calendar, Property};
use std::collections::BTreeMap;

/// Types that a feed shows.
const SHOWN: [&str; 2] = ["Appointment", "Task"];

/// Most reviews of one feed.
pub const REVIEWS_MAX: usize = 5_000;
/// Longest range of the clinic's feed, days.
pub const RANGE_DAYS_MAX: i32 = 366;
/// Where the clinic's feed begins if nobody says, days before today.
const BEFORE_DAYS: i32 = 30;
/// How long the clinic's feed is if nobody says, days.
const RANGE_DAYS: i32 = 210;

/// RFC 5545 section 3.6: a calendar holds at least one component. Where there is no review, it is the definition of UTC.
const NO_REVIEW: &str = "BEGIN:VTIMEZONE\r\nTZID:UTC\r\nBEGIN:STANDARD\r\nDTSTART:19700101T000000\r\nTZOFFSETFROM:+0000\r\n\
                         TZOFFSETTO:+0000\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n";

/// A Task of a review with the Appointment that it was booked by.
struct Review {
    task: Json,
    version: u64,
    stored: Stored,
    appointment: Option<(Json, Stored)>,
}

impl Endplate {
    /// All reviews of a patient, those that were withdrawn too.
    ///
    /// # Errors
    /// The patient is not there, or has more than [`REVIEWS_MAX`] reviews.
    pub async fn patient_calendar(&self, patient: &str) -> Result<String, Refusal> {
        self.permit_all(Right::Search, &SHOWN)?;
        self.read("Patient", patient).await?;
        let clauses = search::in_compartment_of(patient, "Task").into_iter().collect();
        let reviews = self.reviews(clauses).await?;
        Ok(self.calendar("Reviews of one patient", Sight::Patient, &reviews))
    }

    /// The clinic's reviews from one day to another, both included and at most [`RANGE_DAYS_MAX`] days apart. Without them, from
    /// thirty days ago on for seven months.
    ///
    /// # Errors
    /// A day that cannot be read, a range that is empty or too long, or more than [`REVIEWS_MAX`] reviews.
    pub async fn clinic_calendar(&self, from: Option<&str>, to: Option<&str>) -> Result<String, Refusal> {
        self.permit_all(Right::Search, &SHOWN)?;
        let today = element::day(self.clock.today());
        let from = match (from, to) {
            (Some(from), _) => day(from, "from")?,
            (None, Some(to)) => day(to, "to")?.plus(-RANGE_DAYS),
            (None, None) => today.plus(-BEFORE_DAYS),
        };
        let to = to.map_or(Ok(from.plus(RANGE_DAYS)), |to| day(to, "to"))?;
        if to < from {
            return Err(refused(format!(
                "The range ends before it begins: send from and to with from <= to, not {from} and {to}."
            )));
        }
        if to.days_since(from) >= RANGE_DAYS_MAX {
            return Err(refused(format!(
                "The range is too long: send from and to at most {RANGE_DAYS_MAX} days apart."
            )));
        }
        // Held reviews stand on the day on which they were held, the others on their booked or preferred day.
        let mut clause = within("preferred", from, to);
        clause.params.push("period".to_owned());
        let mut reviews = self.reviews(vec![clause]).await?;
        reviews.retain(|review| event::day(&review.task).is_some_and(|on| (from..=to).contains(&on)));
        Ok(self.calendar("Clinic reviews", Sight::Clinic, &reviews))
    }

    /// The reviews that meet these clauses, in order of their Task's id.
    async fn reviews(&self, clauses: Vec<Clause>) -> Result<Vec<Review>, Refusal> {
        let query = Query { clauses, count: REVIEWS_MAX, total: Total::None, ..Query::of("Task") };
        let page = self.store.search(&query).await?;
        if page.next.is_some() {
            return Err(refused(format!("There are more than {REVIEWS_MAX} reviews: send a shorter range.")));
        }
        let read = |stored: Stored| Review {
            task: json::stored(&stored.body),
            version: stored.version,
            stored,
            appointment: None,
        };
        let tasks = page.resources.into_iter().map(read);
        let mut reviews: Vec<Review> = tasks.filter(|one| ours(&one.task, "task").is_some()).collect();
        let appointments = self.appointments(&reviews).await?;
        for review in &mut reviews {
            let booked = booked_by(&review.task).and_then(|id| appointments.get(&id));
            review.appointment = booked.map(|stored| (json::stored(&stored.body), stored.clone()));
        }
        Ok(reviews)
    }

    /// The Appointments that the reviews name, by id.
    async fn appointments(&self, reviews: &[Review]) -> Result<BTreeMap<String, Stored>, Refusal> {
        let any: Vec<Match> =
            reviews.iter().filter_map(|review| booked_by(&review.task)).map(Match::Id).collect();
        if any.is_empty() {
            return Ok(BTreeMap::new());
        }
        let clause = Clause { params: vec!["_id".to_owned()], negated: false, any };
        let query = Query {
            clauses: vec![clause],
            count: REVIEWS_MAX,
            total: Total::None,
            ..Query::of("Appointment")
        };
        let found = self.store.search(&query).await?.resources;
        Ok(found.into_iter().map(|stored| (stored.id.clone(), stored)).collect())
    }

    fn calendar(&self, name: &str, sight: Sight, reviews: &[Review]) -> String {
        let mut calendar = Calendar::empty();
        // NAME, DESCRIPTION and REFRESH-INTERVAL of a calendar: RFC 7986 sections 5.1, 5.2 and 5.7.
        calendar.append_property(("VERSION", "2.0"));
        calendar.append_property(("PRODID", "-//Endplate//Reviews//EN"));
        calendar.append_property(("NAME", name));
        calendar.append_property(("DESCRIPTION", CAUTION));
        let refresh = Property::new("REFRESH-INTERVAL", "PT1H").add_parameter("VALUE", "DURATION").done();
        calendar.append_property(refresh);
        calendar.extend(reviews.iter().filter_map(|review| event::of(review, sight, &self.settings.base)));
        let written = calendar.to_string();
        let written = if calendar.components.is_empty() {
            written.replace("END:VCALENDAR", &format!("{NO_REVIEW}END:VCALENDAR"))
        } else {
            written
        };
        within_75_octets(&written)
    }
}

/// Id of the Appointment by which a review is, or was, booked.
fn booked_by(task: &Json) -> Option<String> {
    let named = items(task, "input").find_map(|input| text(input, &["valueReference", "reference"]))?;
    named.strip_prefix("Appointment/").map(str::to_owned)
}

fn day(sent: &str, name: &str) -> Result<Date, Refusal> {
    let wrong = || refused(format!("The parameter {name} is no date: write it as 2026-03-16."));
    // Years of four digits, so that every day before and after can be reckoned.
    let is_near = sent.len() == 10 && ("1900-01-01".."2200-01-01").contains(&sent);
    capacity::day(sent).filter(|_| is_near).ok_or_else(wrong)
}

fn refused(text: String) -> Refusal {
    Refusal::new(Reason::Malformed, Issue::error(Code::Value, "", text))
}

/// RFC 5545 section 3.1: a line has at most 75 octets. The library folds, but lets the last part of a line have one more.
fn within_75_octets(text: &str) -> String {
    let mut folded = String::with_capacity(text.len() + 64);
    for line in text.split_inclusive("\r\n") {
        let mut rest = line;
        while rest.trim_end_matches("\r\n").len() > 75 {
            let at = (1..=75).rev().find(|at| rest.is_char_boundary(*at)).unwrap_or(rest.len());
            let (head, tail) = rest.split_at(at);
            folded.push_str(head);
            folded.push_str("\r\n ");
            rest = tail;
        }
        folded.push_str(rest);
    }
    folded
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 5545 section 3.1: at most 75 octets without the line break; what was folded unfolds to what it was.
    #[test]
    fn a_line_has_at_most_75_octets() {
        for length in 1..400 {
            for letter in ["x", "\u{e9}", "\u{1F9E0}", " "] {
                let value = format!("a{}", letter.repeat(length));
                let mut calendar = Calendar::empty();
                calendar.append_property(("DESCRIPTION", value.as_str()));
                let folded = within_75_octets(&calendar.to_string());
                assert!(folded.split("\r\n").all(|line| line.len() <= 75), "{letter} {length}");
                assert!(
                    folded.replace("\r\n ", "").contains(&format!("DESCRIPTION:{value}\r\n")),
                    "{letter} {length}"
                );
            }
        }
    }
}
