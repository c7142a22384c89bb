//! Faults that no service must have, put in on purpose so that each checker is seen to fail.

use endplate_fhir::Json;
use endplate_followup::ports::{Changeset, Compartment, Put, Stored, Version, Waiting};
use jiff::Span;
use jiff::civil::Date;
use serde_json::json;
use std::sync::atomic::{AtomicU64, Ordering};

/// One fault, or none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    None,
    /// Every twentieth commit is acknowledged and not made.
    ForgetsCommits,
    /// Of a larger commit the last version is missing.
    KeepsHalves,
    /// Forecasts are not stored with the records they follow from.
    LeavesOutForecasts,
    /// The clinic's date runs three weeks ahead.
    RunsAhead,
    /// Nobody is ever due.
    NeverLooks,
    /// What was told is taken for less grave than it was, and told again.
    TellsAgain,
    /// Events leave in the reverse order.
    TurnsRound,
    /// What is sent again has other bytes.
    SendsOtherBytes,
    /// Each sweep looks at everybody, and finds that something is missing.
    WritesAnew,
    /// The dead are followed.
    FollowsTheDead,
    /// Each message is written twice.
    WritesTwice,
    /// A number is stored otherwise than it was said.
    Rounds,
}

/// A fault at work.
#[derive(Debug)]
pub struct Flaw {
    fault: Fault,
    count: AtomicU64,
}

impl Flaw {
    pub fn new(fault: Fault) -> Self {
        Self { fault, count: AtomicU64::new(0) }
    }

    fn count(&self) -> u64 {
        self.count.fetch_add(1, Ordering::SeqCst) + 1
    }

    /// What the service gives to be committed.
    pub fn derived(&self, mut change: Changeset) -> Changeset {
        match self.fault {
            Fault::LeavesOutForecasts => change.puts.retain(|put| put.stored.kind != "RiskAssessment"),
            Fault::WritesTwice => {
                let messages = change.puts.iter().filter(|put| put.stored.kind == "Communication");
                let again: Vec<Put> = messages.map(|put| renamed(put.clone())).collect();
                change.puts.extend(again);
            }
            Fault::Rounds => {
                for put in &mut change.puts {
                    put.stored.body = put.stored.body.replace("percent", "per cent").replace("0.1", "0.10");
                }
            }
            _ => {}
        }
        change
    }

    /// What the store makes of a commit; none: nothing.
    pub fn kept(&self, mut change: Changeset) -> Option<Changeset> {
        match self.fault {
            Fault::ForgetsCommits if self.count().is_multiple_of(20) => return None,
            Fault::KeepsHalves if change.puts.len() > 10 => drop(change.puts.pop()),
            _ => {}
        }
        Some(change)
    }

    /// What is read of a patient.
    pub fn read(&self, mut compartment: Compartment) -> Compartment {
        let change: fn(&str, &mut Json) = match self.fault {
            Fault::TellsAgain => |kind, resource| {
                if kind == "DetectedIssue" {
                    resource["severity"] = json!("low");
                }
            },
            Fault::WritesAnew => |kind, resource| {
                if kind == "Goal" {
                    resource.as_object_mut().unwrap().shift_remove("achievementStatus");
                }
            },
            Fault::FollowsTheDead => |kind, resource| {
                if kind == "Patient" {
                    resource.as_object_mut().unwrap().shift_remove("deceasedDateTime");
                }
            },
            _ => return compartment,
        };
        for Stored { kind, body, .. } in &mut compartment.resources {
            if matches!(kind.as_str(), "DetectedIssue" | "Goal" | "Patient") {
                let mut resource: Json = serde_json::from_str(body).unwrap();
                change(kind, &mut resource);
                *body = resource.to_string();
            }
        }
        compartment
    }

    /// Until when patients are due; none: nobody is.
    pub fn due(&self, on: Date) -> Option<Date> {
        match self.fault {
            Fault::NeverLooks => None,
            Fault::WritesAnew => Some(on.saturating_add(Span::new().days(400))),
            _ => Some(on),
        }
    }

    /// What waits for receivers.
    pub fn queued(&self, mut waiting: Waiting) -> Waiting {
        if self.fault == Fault::TurnsRound {
            for queue in &mut waiting.queues {
                queue.events.reverse();
            }
        }
        waiting
    }

    /// A version that is told.
    pub fn told(&self, version: Option<Version>) -> Option<Version> {
        let mut version = version?;
        if self.fault == Fault::SendsOtherBytes {
            let head = format!("{{\"language\":\"x-{}\",", self.count());
            version.stored.body = version.stored.body.replacen('{', &head, 1);
        }
        Some(version)
    }
}

fn renamed(mut put: Put) -> Put {
    let other = put.stored.id.chars().rev().collect::<String>();
    put.stored.body = put.stored.body.replacen(&put.stored.id, &other, 1);
    put.stored.id = other;
    put
}
