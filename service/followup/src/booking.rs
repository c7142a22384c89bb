//! What a scheduler should know of a booking that is taken though its day does not suit, in words.

use crate::element::text;
use crate::intake::{Injury, Intake};
use crate::plan::review_id;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_recovery::disturbance::{Cause, Misfit, Moved};
use endplate_recovery::episode::Booking;
use endplate_recovery::protocol::Protocol;
use endplate_recovery::schedule::{Purpose, Requirement};
use endplate_recovery::unit::Date;
use std::collections::BTreeMap;

/// A warning for each booking that `sent`, an Appointment or a Task, makes outside the window of its review. The booking stands.
pub fn remarks(sent: &Json, intake: &Intake, protocol: &Protocol) -> Vec<Issue> {
    let of = |(at, injury, booked): (&'static str, &Injury, &Booking)| {
        let misfit = injury.episode.misfit(&booked.review, protocol)?;
        let side = if misfit.early { "before" } else { "after" };
        let text = format!(
            "Booked all the same, but this day is {side} the window of the review, {}",
            broken(&misfit, protocol)
        );
        Some(Issue::warning(Code::BusinessRule, at, text))
    };
    made(sent, intake).into_iter().filter_map(of).collect()
}

/// A warning for each booking that `sent` makes on one of these days, with how many other reviews each has already.
pub fn overfull(sent: &Json, intake: &Intake, days: &BTreeMap<Date, u32>, reviews_max: u32) -> Vec<Issue> {
    let of = |(at, _, booked): (&'static str, &Injury, &Booking)| {
        let others = days.get(&booked.on)?;
        let text = format!(
            "Booked all the same, but the clinic takes {reviews_max} reviews a day, and there are {others} others on {} already.",
            booked.on
        );
        Some(Issue::warning(Code::BusinessRule, at, text))
    };
    made(sent, intake).into_iter().filter_map(of).collect()
}

/// The bookings that an Appointment or a Task makes, and the element that says when.
fn made<'a>(sent: &Json, intake: &'a Intake) -> Vec<(&'static str, &'a Injury, &'a Booking)> {
    let kind = text(sent, &["resourceType"]).unwrap_or_default();
    let at = match kind {
        "Appointment" => "Appointment.start",
        "Task" => "Task.input",
        _ => return Vec::new(),
    };
    let name = crate::element::reference_of(sent);
    let of = |injury: &'a Injury| {
        let booked = injury.episode.bookings.iter().find(|booking| match kind {
            "Appointment" => injury.appointments.get(&booking.review) == Some(&name),
            _ => name == format!("Task/{}", review_id("Task", injury, &booking.review)),
        })?;
        Some((at, injury, booked))
    };
    intake.injuries.iter().filter_map(of).collect()
}

/// What a scheduler should know of a review whose booked day is outside its window. Whether the window moved away or the day
/// was chosen outside it is told by the window that the operation alone had.
pub fn unsuited(misfit: &Misfit, protocol: &Protocol) -> String {
    let side = if misfit.early { "before" } else { "after" };
    let what = if misfit.suited {
        format!("The window of this review has moved away from its booked day, which is now {side} it:")
    } else {
        format!("The booked day is {side} the window of this review:")
    };
    format!("{what} {} Book another day, or keep this one knowingly.", broken(misfit, protocol))
}

/// Which window, what is then seen late or too early, and until when something can still be done.
fn broken(misfit: &Misfit, protocol: &Protocol) -> String {
    let broken = |requirement: &Requirement| {
        let Requirement { purpose, subject, opens_on, closes_on } = requirement;
        match purpose {
            Purpose::Decision => {
                let [_, late] = protocol.schedule.decision_before_last_date;
                format!(
                    "{} ({subject}) belongs between {opens_on} and {closes_on}, the last useful date being {}",
                    purpose.display(),
                    closes_on.plus(late)
                )
            }
            _ => format!("{} ({subject}) belongs between {opens_on} and {closes_on}", purpose.display()),
        }
    };
    let mut broken: Vec<String> = misfit.broken.iter().map(broken).collect();
    if broken.is_empty() {
        broken.push("the reviews are then further apart than the protocol has them".to_owned());
    }
    format!("{} to {}: {}.", misfit.opens_on, misfit.closes_on, broken.join("; "))
}

/// Why a review is not where it was first planned, for people.
pub fn moved(moved: &Moved) -> Json {
    let Moved { opened_on, closed_on, cause } = moved;
    let why = match cause {
        Cause::Findings => "what was found since changes when which sign is due",
        Cause::OtherDays => "the patient was seen, or another review was booked, on another day than planned",
    };
    let text = format!("Moved from {opened_on} to {closed_on}, as the operation alone had it: {why}.");
    serde_json::json!({ "text": text })
}
