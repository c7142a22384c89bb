//! The network of a world: receivers that take, refuse, say nothing, or take and are not heard. All that was sent is kept.

use crate::clock::SimClock;
use crate::dice::Dice;
use async_trait::async_trait;
use endplate_followup::ports::{Message, Outcome, Transport};
use jiff::SignedDuration;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

/// How long an attempt may take, in seconds, where the Subscription does not say (`webhook.timeout_s`).
const TIMEOUT_S: i64 = 15;

/// What comes of an attempt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    Takes,
    /// Takes it in the last second.
    Slow,
    /// No connection.
    Refuses,
    /// A connection and nothing more.
    Hangs,
    /// 500.
    Fails,
    /// 429 with `Retry-After`.
    AsksForTime,
    /// Takes it, and the answer never arrives.
    IsNotHeard,
    /// 422: never, as it is.
    Rejects,
}

impl Manner {
    /// Whether the receiver has the message.
    pub fn takes(self) -> bool {
        matches!(self, Self::Takes | Self::Slow | Self::IsNotHeard)
    }

    /// Whether the service knows that this message is over: taken, or never to be.
    pub fn ends(self) -> bool {
        matches!(self, Self::Takes | Self::Slow | Self::Rejects)
    }
}

const STORMS: [Manner; 5] =
    [Manner::Refuses, Manner::Hangs, Manner::Fails, Manner::AsksForTime, Manner::IsNotHeard];
const MISHAPS: [Manner; 8] = [
    Manner::Slow,
    Manner::Slow,
    Manner::Refuses,
    Manner::Hangs,
    Manner::Fails,
    Manner::AsksForTime,
    Manner::IsNotHeard,
    Manner::Rejects,
];

/// One attempt.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Id of the Subscription, as its endpoint says.
    pub receiver: String,
    pub message: Message,
    pub manner: Manner,
    /// How often something had gone wrong on this side by then, so that what was taken may come again.
    pub faults: u64,
}

#[derive(Debug)]
struct Line {
    storm: Option<Manner>,
    dice: Dice,
}

#[derive(Debug)]
struct State {
    lines: BTreeMap<String, Line>,
    sent: Vec<Sent>,
    faults: u64,
    is_calm: bool,
}

/// The network.
#[derive(Debug)]
pub struct Network {
    clock: Arc<SimClock>,
    seed: u64,
    state: Mutex<State>,
}

impl Network {
    pub fn new(seed: u64, clock: Arc<SimClock>) -> Self {
        let state = State { lines: BTreeMap::new(), sent: Vec::new(), faults: 0, is_calm: false };
        Self { clock, seed, state: Mutex::new(state) }
    }

    /// The address of a receiver.
    pub fn endpoint(receiver: &str) -> String {
        format!("https://hospital.example/{receiver}")
    }

    /// The weather changes for one receiver: a storm comes, or goes.
    pub fn change(&self, receiver: &str, dice: &mut Dice) {
        let storm = dice.happens(400).then(|| *dice.pick(&STORMS));
        self.line(receiver, |line| line.storm = storm);
    }

    /// From now on everything is taken.
    pub fn calm(&self) {
        self.state.lock().unwrap().is_calm = true;
    }

    /// The service broke off, or its store failed: what it was told may be forgotten.
    pub fn note_fault(&self) {
        self.state.lock().unwrap().faults += 1;
    }

    /// Attempts from this one on.
    pub fn sent_since(&self, from: usize) -> Vec<Sent> {
        self.state.lock().unwrap().sent[from..].to_vec()
    }

    fn line<T>(&self, receiver: &str, with: impl FnOnce(&mut Line) -> T) -> T {
        let mut state = self.state.lock().unwrap();
        let fresh = || Line { storm: None, dice: Dice::of(self.seed, receiver) };
        with(state.lines.entry(receiver.to_owned()).or_insert_with(fresh))
    }
}

#[async_trait]
impl Transport for Network {
    async fn send(&self, message: &Message) -> Outcome {
        let receiver = message.endpoint.rsplit('/').next().unwrap().to_owned();
        let is_calm = self.state.lock().unwrap().is_calm;
        let (manner, after_s) = self.line(&receiver, |line| {
            let mishap = line.dice.happens(60).then(|| *line.dice.pick(&MISHAPS));
            let after_s = line.dice.between(1, 3_600).unsigned_abs();
            let manner = line.storm.or(mishap).filter(|_| !is_calm);
            (manner.unwrap_or(Manner::Takes), after_s)
        });
        {
            let mut state = self.state.lock().unwrap();
            let faults = state.faults;
            state.sent.push(Sent { receiver, message: message.clone(), manner, faults });
        }
        let timeout_s = message.timeout_s.map_or(TIMEOUT_S, u64::cast_signed);
        let takes_s = match manner {
            Manner::Hangs | Manner::IsNotHeard => timeout_s,
            Manner::Slow => timeout_s - 1,
            _ => 0,
        };
        self.clock.turn(SignedDuration::from_secs(takes_s) + SignedDuration::from_millis(3));
        // Whoever else is served may go on meanwhile.
        tokio::task::yield_now().await;
        let unreachable = |reason: &str| Outcome::Unreachable { reason: reason.to_owned() };
        let refused = |status, retry_after_s| Outcome::Refused { status, retry_after_s };
        match manner {
            Manner::Takes | Manner::Slow => Outcome::Accepted,
            Manner::Refuses => unreachable("no connection could be made"),
            Manner::Hangs | Manner::IsNotHeard => unreachable("no answer in time"),
            Manner::Fails => refused(500, None),
            Manner::AsksForTime => refused(429, Some(after_s)),
            Manner::Rejects => refused(422, None),
        }
    }
}
