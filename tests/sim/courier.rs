//! Checks what left for the receivers, message by message.

use crate::checker::{Checker, Violation, ensure};
use crate::network::{Manner, Sent};
use endplate_fhir::Json;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Most events that may come again after the service broke off (README, Delivery).
const AGAIN_MAX: u64 = 128;

#[derive(Default)]
struct Line {
    /// The number that must come next.
    next: u64,
    /// A message that was refused for good comes again if its Subscription was given up at that moment: then it is no dead letter.
    refused: Option<u64>,
    faults: u64,
    taken: BTreeSet<u64>,
    dead: BTreeSet<u64>,
    /// Dead letters that were asked for again: they come before what is newer.
    again: VecDeque<u64>,
    /// By event, what was sent.
    said: BTreeMap<String, String>,
    /// What each number tells of; and the other way round.
    tells: BTreeMap<u64, String>,
    numbers: BTreeMap<String, u64>,
}

/// Follows all receivers.
#[derive(Default)]
pub struct Courier {
    lines: BTreeMap<String, Line>,
}

impl Courier {
    /// Takes in an attempt.
    pub fn see(&mut self, sent: &Sent) -> Result<(), Violation> {
        if sent.message.event.is_empty() {
            return Ok(());
        }
        let line =
            self.lines.entry(sent.receiver.clone()).or_insert_with(|| Line { next: 1, ..Line::default() });
        let (name, numbers) = sent.message.event.rsplit_once('/').unwrap();
        let said = || format!("{} to {}", sent.message.event, sent.receiver);
        ensure(Checker::InOrder, name == sent.receiver, said)?;
        let (first, last) = numbers.split_once('-').unwrap_or((numbers, numbers));
        let (first, last): (u64, u64) = (first.parse().unwrap(), last.parse().unwrap());
        line.in_order(sent, first, last)?;
        line.same(sent, first)?;
        for number in first..=last {
            if sent.manner.takes() {
                line.taken.insert(number);
                line.dead.remove(&number);
            }
            if sent.manner == Manner::Rejects {
                line.dead.insert(number);
            }
        }
        Ok(())
    }

    /// The dead letters are asked for again.
    pub fn replayed(&mut self) {
        for line in self.lines.values_mut() {
            line.again.extend(std::mem::take(&mut line.dead));
        }
    }

    /// In the end a receiver has taken all of `raised` events.
    pub fn ended(&self, receiver: &str, raised: u64) -> Result<(), Violation> {
        let none = BTreeSet::new();
        let taken = self.lines.get(receiver).map_or(&none, |line| &line.taken);
        let missing: Vec<u64> = (1..=raised).filter(|number| !taken.contains(number)).collect();
        let more: Vec<&u64> = taken.iter().filter(|number| **number > raised).collect();
        ensure(Checker::InOrder, missing.is_empty() && more.is_empty(), || {
            format!("{receiver} was to be told {raised} events: missing {missing:?}, too many {more:?}")
        })
    }
}

impl Line {
    fn in_order(&mut self, sent: &Sent, first: u64, last: u64) -> Result<(), Violation> {
        let said = |next: u64| format!("{} to {} where {next} is next", sent.message.event, sent.receiver);
        if let Some(again) = self.again.front().copied() {
            ensure(Checker::InOrder, first == again, || said(again))?;
            // A message of several may hold what was taken before too.
            self.again.retain(|number| !(first..=last).contains(number) || !sent.manner.ends());
            return Ok(());
        }
        let is_next = first == self.next || self.refused == Some(first);
        let is_again = sent.faults > self.faults && first < self.next && first + AGAIN_MAX >= self.next;
        ensure(Checker::InOrder, (is_next || is_again) && last >= first, || said(self.next))?;
        self.faults = sent.faults;
        self.refused = (sent.manner == Manner::Rejects).then_some(first);
        self.next = if sent.manner.ends() { last + 1 } else { first };
        Ok(())
    }

    fn same(&mut self, sent: &Sent, first: u64) -> Result<(), Violation> {
        let body = format!("{} {}", sent.message.about, sent.message.body.as_deref().unwrap_or_default());
        let event = sent.message.event.clone();
        if let Some(before) = self.said.get(&event) {
            return ensure(Checker::SameEvent, *before == body, || format!("{event}: {before}\nthen {body}"));
        }
        for (number, told) in told(sent, first) {
            let before = self.tells.entry(number).or_insert_with(|| told.clone());
            ensure(Checker::SameEvent, *before == told, || {
                format!("{number} of {event}: {before}, then {told}")
            })?;
            let other = *self.numbers.entry(told.clone()).or_insert(number);
            ensure(Checker::SameEvent, other == number, || {
                format!("{told} is {other} and {number} of {event}")
            })?;
        }
        self.said.insert(event, body);
        Ok(())
    }
}

/// Number and version of each event in a message; a notification by topic names the version by its time.
fn told(sent: &Sent, first: u64) -> Vec<(u64, String)> {
    let body: Json = serde_json::from_str(sent.message.body.as_deref().unwrap()).unwrap();
    let Some(parameters) = body.pointer("/entry/0/resource/parameter").and_then(Json::as_array) else {
        return vec![(first, format!("{} {}", sent.message.about, body["meta"]["versionId"]))];
    };
    let part = |event: &Json, name: &str| {
        let parts = event["part"].as_array().into_iter().flatten();
        let mut named = parts.filter(|part| part["name"] == name);
        named.next().map_or_else(String::new, |part| {
            part.as_object()
                .unwrap()
                .iter()
                .filter(|(key, _)| *key != "name")
                .map(|(_, value)| value.to_string())
                .collect()
        })
    };
    let events = parameters.iter().filter(|one| one["name"] == "notification-event");
    events
        .map(|event| {
            let number = part(event, "event-number").trim_matches('"').parse().unwrap();
            (number, format!("{} {}", part(event, "focus"), part(event, "timestamp")))
        })
        .collect()
}
