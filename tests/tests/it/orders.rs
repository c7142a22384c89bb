//! One patient's history in every order of arrival: what stands at the end is the same, byte for byte apart from versions and
//! times. What was withdrawn on the way is history and may differ.
//!
//! A message that the service cannot take yet, because it refers to what has not come or corrects what has not come
//! (`If-Match`, FHIR R4 http.html#concurrency), is sent again after the next one, as an integration engine does. Orders that
//! have led to the same state need to be followed once from there.

use crate::clinic::{
    Clinic, TurnedClock, appointment, encounter, gap, interosseous_graft, motor, patient, repair, settings,
    stands, target, text, tinel, with,
};
use crate::memory::MemoryStore;
use endplate_fhir::Json;
use endplate_followup::{Endplate, Reason};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// One message: a resource, and the version it corrects.
#[derive(Clone)]
struct Message(Json, Option<&'static str>);

/// What there is after some messages, and which have been sent and were not taken yet.
struct State {
    store: MemoryStore,
    sent: u32,
    waiting: Vec<usize>,
    /// How many orders lead here.
    orders: u64,
}

struct History {
    today: &'static str,
    messages: Vec<Message>,
}

impl History {
    /// Sends message `index`; true if it was taken.
    async fn send(&self, store: &Arc<MemoryStore>, index: usize) -> bool {
        let Message(resource, corrects) = self.messages[index].clone();
        let endplate = Endplate::new(store.clone(), TurnedClock::at(self.today), settings());
        let (kind, id) = (text(&resource, "/resourceType").to_owned(), text(&resource, "/id").to_owned());
        match endplate.update(&kind, &id, resource, corrects).await {
            Ok(_) => true,
            Err(refusal) => {
                let not_yet = matches!(refusal.reason, Reason::Unprocessable | Reason::PreconditionFailed);
                assert!(not_yet, "{refusal:?}");
                false
            }
        }
    }

    /// What there is after one more message, and after what then can be taken.
    async fn after(&self, state: &State, index: usize) -> State {
        let store = Arc::new(state.store.fork());
        let mut waiting = state.waiting.clone();
        waiting.push(index);
        let mut before = usize::MAX;
        while before > waiting.len() {
            before = waiting.len();
            let mut left = Vec::new();
            for index in waiting {
                if !self.send(&store, index).await {
                    left.push(index);
                }
            }
            waiting = left;
        }
        let store = Arc::into_inner(store).unwrap();
        State { store, sent: state.sent | 1 << index, waiting, orders: state.orders }
    }

    /// All end states, each with how many orders lead to it; and how many states were on the way.
    async fn ends(&self) -> (BTreeMap<String, u64>, usize) {
        let all = (1_u32 << self.messages.len()) - 1;
        let first = State { store: MemoryStore::default(), sent: 0, waiting: Vec::new(), orders: 1 };
        let mut level = vec![first];
        let mut steps = 0;
        for _ in 0..self.messages.len() {
            let mut next: BTreeMap<String, State> = BTreeMap::new();
            for state in &level {
                for index in (0..self.messages.len()).filter(|index| state.sent & (1 << index) == 0) {
                    let reached = self.after(state, index).await;
                    steps += 1;
                    let key =
                        format!("{} {:?} {}", reached.sent, reached.waiting, reached.store.everything());
                    next.entry(key).and_modify(|same| same.orders += reached.orders).or_insert(reached);
                }
            }
            level = next.into_values().collect();
        }
        let mut ends: BTreeMap<String, u64> = BTreeMap::new();
        for state in level {
            assert_eq!(state.sent, all);
            assert!(state.waiting.is_empty(), "never taken: {:?}", state.waiting);
            *ends.entry(standing(&state.store)).or_default() += state.orders;
        }
        (ends, steps)
    }
}

/// What stands: records as sent, the plan, open reviews, goals, forecasts, alerts that nobody has cleared.
fn standing(store: &MemoryStore) -> String {
    let all = store.all();
    let lines: Vec<String> = all.iter().filter(|one| stands(one)).map(Json::to_string).collect();
    lines.join("\n")
}

const FINGERS: &str = "extensor-digitorum";

/// The open Task of the review `key` once `records` are known.
async fn review(today: &str, records: &[Json], key: &str) -> Json {
    Clinic::with(today, records.iter().cloned()).await.task(key).await
}

fn plain(resources: impl IntoIterator<Item = Json>) -> Vec<Message> {
    resources.into_iter().map(|resource| Message(resource, None)).collect()
}

/// A finding, its correction and a booking.
async fn corrected() -> History {
    let records = interosseous_graft();
    let today = "2026-07-10";
    let task = review(today, &records, "surveillance-1").await;
    let mut messages = plain(records);
    let seen = motor("m1", "p1", "r1", FINGERS, "2026-07-06", 1);
    messages.push(Message(with(&seen, "valueInteger", json!(0)), Some("1")));
    messages.push(Message(seen, None));
    let on = text(&task, "/input/0/valueDate").to_owned();
    messages.push(Message(appointment("a1", "p1", &task, "booked", &on), None));
    History { today, messages }
}

/// A second graft, a finding about each, and a booking.
async fn repaired_twice() -> History {
    let today = "2026-12-20";
    let targets = [gap(50.0), target(FINGERS, 80.0), target("extensor-indicis", 160.0)];
    let second = repair("r2", "p1", "c1", "autograft", "posterior-interosseous", "2026-12-07", &targets);
    let mut records = interosseous_graft().to_vec();
    records.push(second);
    let task = review(today, &records, "baseline-posterior-interosseous-2").await;
    let mut messages = plain(records);
    messages.push(Message(motor("m1", "p1", "r1", FINGERS, "2026-11-20", 0), None));
    messages.push(Message(appointment("a1", "p1", &task, "booked", "2027-01-15"), None));
    History { today, messages }
}

/// A no-show, then a visit with a finding.
async fn attended() -> History {
    let today = "2026-04-20";
    let records = interosseous_graft();
    let task = review(today, &records, "baseline-posterior-interosseous").await;
    let mut messages = plain(records);
    messages.push(Message(appointment("a1", "p1", &task, "noshow", "2026-04-09"), None));
    messages.push(Message(encounter("e1", "p1", &task, "finished", "2026-04-14"), None));
    messages.push(Message(tinel("o1", "p1", "r1", "2026-04-14", 12.0), None));
    History { today, messages }
}

/// Two records of one person, merged.
fn merged() -> History {
    let today = "2026-07-10";
    let [old, condition, operation] = interosseous_graft();
    let survivor = json!({
        "resourceType": "Patient", "id": "p2", "birthDate": "1995-05-05",
        "link": [{ "other": { "reference": "Patient/p1" }, "type": "replaces" }],
    });
    let given_up =
        with(&old, "link", json!([{ "other": { "reference": "Patient/p2" }, "type": "replaced-by" }]));
    let mut messages = plain([old, condition, operation]);
    messages.push(Message(patient("p2", "1995-05-05"), None));
    messages.push(Message(survivor, Some("1")));
    messages.push(Message(given_up, Some("1")));
    messages.push(Message(motor("m1", "p2", "r1", FINGERS, "2026-07-06", 0), None));
    History { today, messages }
}

/// A finding that was a mistake, and a tendon transfer.
fn mistaken() -> History {
    let today = "2027-03-10";
    let wrong = tinel("o2", "p1", "r1", "2026-11-02", 160.0);
    let transfer = repair(
        "r2",
        "p1",
        "c1",
        "tendon-transfer",
        "posterior-interosseous",
        "2027-03-01",
        &[target(FINGERS, 0.0)],
    );
    let mut messages = plain(interosseous_graft());
    messages.push(Message(with(&wrong, "status", json!("entered-in-error")), Some("1")));
    messages.push(Message(wrong, None));
    messages.push(Message(transfer, None));
    History { today, messages }
}

/// A patient who died, with two findings. A booking could never come after the death: there is no review to book.
fn dead() -> History {
    let records = interosseous_graft();
    let death = with(&records[0], "deceasedDateTime", json!("2026-07-08"));
    let mut messages = plain(records);
    messages.push(Message(death, Some("1")));
    messages.push(Message(tinel("o1", "p1", "r1", "2026-06-01", 20.0), None));
    messages.push(Message(motor("m1", "p1", "r1", FINGERS, "2026-06-01", 0), None));
    History { today: "2026-07-10", messages }
}

async fn one_end(name: &str, history: History) {
    let all: u64 = (1..=history.messages.len() as u64).product();
    let (ends, steps) = history.ends().await;
    let orders: u64 = ends.values().sum();
    println!("{name}: {orders} orders in {steps} steps, {} ends", ends.len());
    assert_eq!(orders, all);
    if ends.len() > 1 {
        let ends: Vec<BTreeSet<&str>> = ends.keys().map(|end| end.lines().collect()).collect();
        let only = |a: &BTreeSet<&str>, b: &BTreeSet<&str>| {
            a.difference(b).map(|line| (*line).to_owned()).collect::<Vec<_>>().join("\n")
        };
        panic!("{name}: {}\n---\n{}", only(&ends[0], &ends[1]), only(&ends[1], &ends[0]));
    }
}

#[tokio::test]
async fn a_corrected_finding_and_a_booking_in_all_720_orders() {
    one_end("corrected", corrected().await).await;
}

#[tokio::test]
async fn a_second_repair_and_a_booking_in_all_720_orders() {
    one_end("repaired twice", repaired_twice().await).await;
}

#[tokio::test]
async fn a_missed_and_a_held_review_in_all_720_orders() {
    one_end("attended", attended().await).await;
}

#[tokio::test]
async fn a_merger_in_all_5040_orders() {
    one_end("merged", merged()).await;
}

#[tokio::test]
async fn a_mistaken_finding_and_a_tendon_transfer_in_all_720_orders() {
    one_end("mistaken", mistaken()).await;
}

#[tokio::test]
async fn a_death_in_all_720_orders() {
    one_end("dead", dead()).await;
}
