//! What a booking on a day of its own choice does to a plan, and why a review is not where it was first planned.

use crate::assessment::Assessment;
use crate::episode::{Booking, Episode, Review};
use crate::protocol::Protocol;
use crate::schedule::Requirement;
use crate::unit::Date;

/// A booked day outside the window that the review would have without the booking.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misfit {
    /// First day of that window.
    pub opens_on: Date,
    /// Last day of that window.
    pub closes_on: Date,
    /// Whether the booked day is before the window; else it is after it.
    pub early: bool,
    /// Whether the day lies in the window that the repairs alone call for: then the window has moved away from it.
    pub suited: bool,
    /// What the review is for and does not serve on the booked day. Empty: the reviews are then too far apart.
    pub broken: Vec<Requirement>,
}

/// Why the window of a review is not the one that the repairs alone call for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// The findings changed what is expected when.
    Findings,
    /// The patient was seen, or another review was booked, on another day than planned.
    OtherDays,
}

/// The window that a review had by the repairs alone, and why it has another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moved {
    /// First day of the former window.
    pub opened_on: Date,
    /// Last day of the former window.
    pub closed_on: Date,
    /// Why.
    pub cause: Cause,
}

impl Episode {
    /// What the booking of the review `key` breaks; none if its day suits, or if the plan asks for no such review.
    pub fn misfit(&self, key: &str, protocol: &Protocol) -> Option<Misfit> {
        self.outlook(protocol).reviews.into_iter().find(|review| review.key == key)?.misfit
    }

    /// The same, with what is known already: `planned` are the reviews that the repairs alone call for.
    pub(crate) fn misfit_of(
        &self,
        booking: &Booking,
        assessments: &[Option<Assessment>],
        planned: &[Review],
        protocol: &Protocol,
    ) -> Option<Misfit> {
        let Booking { review: key, on } = booking;
        let others = self.bookings.iter().filter(|booking| booking.review != *key).cloned().collect();
        let without = Self { bookings: others, ..self.clone() };
        let named = |reviews: &[Review]| reviews.iter().find(|review| review.key == *key).cloned();
        let holds = |review: &Review| (review.opens_on..=review.closes_on).contains(on);
        let review = if without.is_eventless() {
            named(planned)
        } else {
            named(&without.lay_out(protocol, assessments, planned, None))
        };
        let review = review.filter(|review| !holds(review))?;
        let serves = |requirement: &Requirement| (requirement.opens_on..=requirement.closes_on).contains(on);
        Some(Misfit {
            opens_on: review.opens_on,
            closes_on: review.closes_on,
            early: *on < review.opens_on,
            suited: named(planned).is_some_and(|review| holds(&review)),
            broken: review.purposes.into_iter().filter(|requirement| !serves(requirement)).collect(),
        })
    }
}

impl Review {
    /// How this review differs from the one of its name in `planned`, the reviews that the repairs alone call for.
    pub(crate) fn moved_from(&self, planned: &[Self]) -> Option<Moved> {
        let was = planned.iter().find(|review| review.key == self.key)?;
        if (was.opens_on, was.closes_on) == (self.opens_on, self.closes_on) {
            return None;
        }
        let cause = if was.purposes == self.purposes { Cause::OtherDays } else { Cause::Findings };
        Some(Moved { opened_on: was.opens_on, closed_on: was.closes_on, cause })
    }
}
