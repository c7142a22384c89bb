//! One review as a VEVENT (RFC 5545 section 3.6.1).

use super::{CAUTION, Review};
use crate::capacity;
use crate::element::{coded, items, text, worded};
use endplate_fhir::Json;
use endplate_recovery::unit::Date;
use icalendar::{Component, Event, Property};
use jiff::{SignedDuration, Timestamp};

/// Who looks at a feed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sight {
    /// Whoever looks after one patient.
    Patient,
    /// Everybody in the clinic.
    Clinic,
}

/// Versions of an Appointment that count beside one version of its Task.
const OF_ONE_TASK: u64 = 1_000;

/// The day on which a review stands: that of the visit, or the booked or preferred one.
pub(super) fn day(task: &Json) -> Option<Date> {
    let held = text(task, &["executionPeriod", "end"]);
    let planned = || items(task, "input").find_map(|input| text(input, &["valueDate"]));
    held.or_else(planned).and_then(|on| on.get(..10)).and_then(capacity::day)
}

/// The event of a review; none if its Task holds no day.
pub(super) fn of(review: &Review, sight: Sight, base: &str) -> Option<Event> {
    let Review { task, version, stored, appointment } = review;
    let on = day(task)?;
    let status = text(task, &["status"]).unwrap_or_default();
    let is_booked = capacity::is_booked(task);
    let standing = match status {
        "cancelled" | "rejected" | "failed" | "entered-in-error" => "CANCELLED",
        "completed" => "CONFIRMED",
        _ if is_booked => "CONFIRMED",
        _ => "TENTATIVE",
    };
    // A booking that was given up has no time any more.
    let appointment = appointment.as_ref().filter(|(appointment, _)| {
        standing == "CONFIRMED" && (is_booked || text(appointment, &["status"]) == Some("fulfilled"))
    });
    let revised = appointment.map_or(stored.at, |(_, by)| by.at.max(stored.at));
    let mut event = Event::new();
    for (name, value) in [
        ("UID", stored.id.clone()),
        ("DTSTAMP", utc(revised)),
        ("LAST-MODIFIED", utc(revised)),
        ("SEQUENCE", sequence(*version, appointment.map_or(0, |(_, by)| by.version)).to_string()),
        ("STATUS", standing.to_owned()),
        ("CLASS", "PRIVATE".to_owned()),
        ("SUMMARY", format!("Clinic review ({})", clean(state(task)))),
        ("DESCRIPTION", description(task, sight)),
        ("URL", format!("{base}/Task/{}", stored.id)),
    ] {
        event.add_property(name, value);
    }
    let times = appointment.and_then(|(appointment, _)| times(appointment));
    // What has no time blocks no time.
    event.add_property("TRANSP", if times.is_some() { "OPAQUE" } else { "TRANSPARENT" });
    if let Some((start, end)) = times {
        event.add_property("DTSTART", utc(start));
        end.map(|end| event.add_property("DTEND", utc(end)));
    } else {
        let value = on.civil().strftime("%Y%m%d").to_string();
        event.append_property(Property::new("DTSTART", value).add_parameter("VALUE", "DATE").done());
    }
    Some(event)
}

/// RFC 5545 section 3.8.7.4: grows with every revision. Another Appointment is another version of the Task too.
fn sequence(task: u64, appointment: u64) -> u64 {
    let all = task.saturating_mul(OF_ONE_TASK) + appointment.min(OF_ONE_TASK - 1);
    all.min(i32::MAX.unsigned_abs().into())
}

/// An instant as a date with UTC time (form 2 of RFC 5545 section 3.3.5): right in every time zone without its rules.
fn utc(at: Timestamp) -> String {
    at.strftime("%Y%m%dT%H%M%SZ").to_string()
}

/// When an Appointment begins and, if it says so, ends: RFC 5545 section 3.8.2.2 has an end after the start.
fn times(appointment: &Json) -> Option<(Timestamp, Option<Timestamp>)> {
    let instant = |name: &str| text(appointment, &[name])?.parse::<Timestamp>().ok();
    let start = instant("start")?;
    let minutes = || appointment.get("minutesDuration").and_then(|minutes| minutes.to_string().parse().ok());
    let lasts = || start.checked_add(SignedDuration::from_mins(minutes()?)).ok();
    let end = instant("end").or_else(lasts).filter(|end| utc(*end) > utc(start));
    Some((start, end))
}

/// How far the booking has come, in words.
fn state(task: &Json) -> &str {
    let state = task.get("businessStatus");
    state.and_then(|state| worded(state).or_else(|| coded(state, "review-state"))).unwrap_or("to book")
}

fn description(task: &Json, sight: Sight) -> String {
    let edge = |name: &str| text(task, &["restriction", "period", name]).unwrap_or("?");
    let due = format!("Due between {} and {}.", edge("start"), edge("end"));
    let state = format!("State: {}.", state(task));
    let wanted = text(task, &["description"]).filter(|_| sight == Sight::Patient).map(str::to_owned);
    let lines: Vec<String> = [Some(due), Some(state), wanted, Some(CAUTION.to_owned())]
        .into_iter()
        .flatten()
        .map(|line| clean(&line))
        .collect();
    lines.join("\n")
}

/// Without control characters, which RFC 5545 section 3.1 does not allow in a text.
fn clean(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}
