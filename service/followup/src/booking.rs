//! What a scheduler should know of a booking that is taken though its day does not suit, in words.

use crate::element::text;
use crate::intake::{Injury, Intake};
use crate::plan::review_id;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_recovery::disturbance::{Cause, Misfit, Moved};
use endplate_recovery::protocol::Protocol;
use endplate_recovery::schedule::{Purpose, Requirement};

/// A warning for each booking that `sent`, an Appointment or a Task, makes outside the window of its review. The booking stands.
pub fn remarks(sent: &Json, intake: &Intake, protocol: &Protocol) -> Vec<Issue> {
    let kind = text(sent, &["resourceType"]).unwrap_or_default();
    let at = match kind {
        "Appointment" => "Appointment.start",
        "Task" => "Task.input",
        _ => return Vec::new(),
    };
    let name = crate::element::reference_of(sent);
    let of = |injury: &Injury| {
        let booked = injury.episode.bookings.iter().find(|booking| match kind {
            "Appointment" => injury.appointments.get(&booking.review) == Some(&name),
            _ => name == format!("Task/{}", review_id("Task", injury, &booking.review)),
        })?;
        let misfit = injury.episode.misfit(&booked.review, protocol)?;
        Some(Issue::warning(Code::BusinessRule, at, sentence(&misfit, protocol)))
    };
    intake.injuries.iter().filter_map(of).collect()
}

/// One sentence: which window, what is then seen late or too early, and until when something can still be done.
fn sentence(misfit: &Misfit, protocol: &Protocol) -> String {
    let side = if misfit.early { "before" } else { "after" };
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
    format!(
        "Booked all the same, but this day is {side} the window of the review, {} to {}: {}.",
        misfit.opens_on,
        misfit.closes_on,
        broken.join("; ")
    )
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
