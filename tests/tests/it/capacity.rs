//! A clinic that takes only so many reviews a day: planned reviews keep off full days, and where they cannot, it is said.

use crate::clinic::{
    Clinic, TurnedClock, after, appointment, gap, injury, patient, repair, settings, state, target, text,
    tinel,
};
use crate::served::{self, Served};
use endplate_fhir::Json;
use endplate_followup::{Endplate, Settings};
use endplate_store::SqliteStore;
use std::collections::BTreeMap;
use std::sync::Arc;

async fn bounded(date: &str, most: u32) -> Clinic {
    let store = Arc::new(SqliteStore::open("sqlite::memory:").await.unwrap());
    let clock = TurnedClock::at(date);
    let settings = Settings { reviews_per_day_max: Some(most), ..settings() };
    Clinic { endplate: Endplate::new(store, clock.clone(), settings), clock }
}

/// The `n`th patient, operated on in the same way on the same day.
fn records(n: usize) -> [Json; 3] {
    let targets = [gap(30.0), target("extensor-digitorum", 80.0), target("extensor-indicis", 160.0)];
    let (p, c, r) = (format!("p{n}"), format!("c{n}"), format!("r{n}"));
    [
        patient(&p, "1995-05-05"),
        injury(&c, &p, "2026-02-23"),
        repair(&r, &p, &c, "autograft", "posterior-interosseous", "2026-03-02", &targets),
    ]
}

async fn put(clinic: &Clinic, n: usize) {
    for resource in records(n) {
        clinic.put(resource).await.unwrap();
    }
}

fn day(task: &Json) -> &str {
    text(task, "/input/0/valueDate")
}

fn is_crowded(task: &Json) -> bool {
    text(task, "/description").contains("reviews a day, and every day from")
}

/// Whether day and window of every open review agree, and no day has more than it may unless it is said.
fn held_to(tasks: &[Json], most: usize) -> BTreeMap<String, usize> {
    let mut days: BTreeMap<String, usize> = BTreeMap::new();
    for task in tasks {
        let window = text(task, "/restriction/period/start")..=text(task, "/restriction/period/end");
        assert!(state(task).1 != "to-book" || window.contains(&day(task)), "{task}");
        *days.entry(day(task).to_owned()).or_default() += 1;
    }
    for (day_of, count) in days.iter().filter(|(_, count)| **count > most) {
        let said = tasks
            .iter()
            .filter(|task| day(task) == day_of && (is_crowded(task) || state(task).1 != "to-book"));
        assert!(said.count() >= count - most, "{count} on {day_of} and nothing is said");
    }
    days
}

/// Twelve patients with the same operation on the same day would all come on the same days.
#[tokio::test]
async fn planned_reviews_keep_off_full_days_and_keep_their_windows() {
    let (free, bound) = (bounded("2026-03-03", 1_000).await, bounded("2026-03-03", 3).await);
    for n in 0..12 {
        put(&free, n).await;
        put(&bound, n).await;
    }
    let (wanted, found) = (free.open_tasks().await, bound.open_tasks().await);
    assert_eq!(wanted.len(), found.len());
    // Which reviews there are and their windows are those of the facts.
    let window = |tasks: &[Json]| -> BTreeMap<String, String> {
        tasks.iter().map(|task| (text(task, "/id").to_owned(), task["restriction"].to_string())).collect()
    };
    assert_eq!(window(&wanted), window(&found));
    assert!(held_to(&wanted, 1_000).values().any(|count| *count == 12), "all on one day if they may");
    let days = held_to(&found, 3);
    assert!(days.values().all(|count| *count <= 3), "{days:?}");
    assert!(found.iter().all(|task| !is_crowded(task)));
    // The first patients have the days that the facts prefer.
    let of = |tasks: &[Json], patient: &str| -> Vec<String> {
        let own = tasks.iter().filter(|task| text(task, "/for/reference") == format!("Patient/{patient}"));
        own.map(|task| day(task).to_owned()).collect()
    };
    for patient in ["p0", "p1", "p2"] {
        assert_eq!(of(&wanted, patient), of(&found, patient));
    }
    assert_ne!(of(&wanted, "p3"), of(&found, "p3"));
}

/// What was proposed stays, whatever becomes free, and looking again changes nothing.
#[tokio::test]
async fn a_proposal_is_kept_until_it_must_move() {
    let clinic = bounded("2026-03-03", 2).await;
    for n in 0..5 {
        put(&clinic, n).await;
    }
    let days = |tasks: &[Json], but: &str| -> BTreeMap<String, String> {
        let others = tasks.iter().filter(|task| text(task, "/for/reference") != but);
        others.map(|task| (text(task, "/id").to_owned(), day(task).to_owned())).collect()
    };
    let before = clinic.open_tasks().await;
    let mut gone = records(0)[2].clone();
    gone["status"] = "entered-in-error".into();
    clinic.put(gone).await.unwrap();
    for n in 1..5 {
        clinic
            .put(tinel(&format!("o{n}"), &format!("p{n}"), &format!("r{n}"), "2026-03-03", 0.0))
            .await
            .unwrap();
    }
    let after = clinic.open_tasks().await;
    let kept = days(&before, "Patient/p0");
    let now = days(&after, "Patient/p0");
    let same = kept.iter().filter(|(id, day)| now.get(*id) == Some(day)).count();
    // The finding is a visit: what it changes moves, nothing else.
    assert!(same * 4 >= kept.len() * 3, "{same} of {} kept", kept.len());
    let then = clinic.versions().await;
    clinic.sweep_on("2026-03-03").await;
    assert_eq!(clinic.versions().await, then);
}

/// A booking takes the last place, though others are planned there: it is taken with a warning, and the next sweep moves one.
#[tokio::test]
async fn a_booking_on_a_full_day_is_taken_and_makes_the_planned_move() {
    let clinic = bounded("2026-03-03", 2).await;
    for n in 0..3 {
        put(&clinic, n).await;
    }
    let wound = |tasks: &[Json], n: usize| -> Json {
        let own = tasks.iter().filter(|task| text(task, "/for/reference") == format!("Patient/p{n}"));
        own.min_by_key(|task| text(task, "/restriction/period/start").to_owned()).unwrap().clone()
    };
    let tasks = clinic.open_tasks().await;
    let (first, third) = (wound(&tasks, 0), wound(&tasks, 2));
    let on = day(&first).to_owned();
    assert_eq!(day(&wound(&tasks, 1)), on);
    assert_ne!(day(&third), on, "the day is full");
    let written = clinic.put(appointment("a1", "p2", &third, "booked", &on)).await.unwrap();
    let said: Vec<&str> = written.remarks.iter().map(|remark| remark.text.as_str()).collect();
    assert!(said.iter().any(|text| text.contains("there are 2 others on")), "{said:?}");
    clinic.sweep_on("2026-03-03").await;
    let tasks = clinic.open_tasks().await;
    assert_eq!(state(&wound(&tasks, 2)), ("accepted", "booked"));
    let days = held_to(&tasks, 2);
    assert!(days.values().all(|count| *count <= 2), "{days:?}");
}

/// Where every day of a window is full, it is said, and unsaid when a day has room again.
#[tokio::test]
async fn a_maximum_that_cannot_be_kept_is_said() {
    let clinic = bounded("2026-03-03", 1).await;
    // The wound check has a window of a few clinic days only.
    let mut n = 0;
    let crowded = loop {
        put(&clinic, n).await;
        let tasks = clinic.open_tasks().await;
        held_to(&tasks, 1);
        if let Some(task) = tasks.iter().find(|task| is_crowded(task)) {
            break task.clone();
        }
        n += 1;
        assert!(n < 30, "thirty patients find a day of their own each");
    };
    assert!(n > 1, "the first patients have room");
    let narrative = text(&crowded, "/text/div");
    assert!(narrative.contains("The clinic takes 1 reviews a day"), "{narrative}");
    let full = day(&crowded).to_owned();
    // Whoever has that day is no longer followed.
    let other =
        clinic.open_tasks().await.into_iter().find(|task| day(task) == full && task["id"] != crowded["id"]);
    let who = text(&other.unwrap(), "/for/reference").trim_start_matches("Patient/p").parse().unwrap();
    let mut gone = records(who)[2].clone();
    gone["status"] = "entered-in-error".into();
    clinic.put(gone).await.unwrap();
    clinic.sweep_on(&after("2026-03-03", 1)).await;
    let freed = clinic.get("Task", text(&crowded, "/id")).await;
    assert!(!is_crowded(&freed), "{freed}");
}

/// Writes at the same moment do not take the last place twice.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn two_writes_at_once_do_not_take_the_last_place_twice() {
    let clinic = Arc::new(bounded("2026-03-03", 2).await);
    let writes: Vec<_> = (0..12)
        .map(|n| {
            let clinic = Arc::clone(&clinic);
            tokio::spawn(async move { put(&clinic, n).await })
        })
        .collect();
    for written in writes {
        written.await.unwrap();
    }
    let tasks = clinic.open_tasks().await;
    held_to(&tasks, 2);
    let over = tasks.iter().filter(|task| is_crowded(task)).count();
    let days = tasks.iter().fold(BTreeMap::<&str, usize>::new(), |mut days, task| {
        *days.entry(day(task)).or_default() += 1;
        days
    });
    let excess: usize = days.values().map(|count| count.saturating_sub(2)).sum();
    assert!(excess <= over, "{excess} too many, {over} said: {days:?}");
}

/// One transaction with several patients counts its own reviews too.
#[tokio::test]
async fn a_transaction_counts_what_it_brings_itself() {
    let clinic = bounded("2026-03-03", 2).await;
    let entries: Vec<Json> = (0..5)
        .flat_map(records)
        .map(|resource| {
            let url = format!("{}/{}", text(&resource, "/resourceType"), text(&resource, "/id"));
            serde_json::json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
        })
        .collect();
    let bundle = serde_json::json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    clinic.endplate.transaction(bundle).await.unwrap();
    let days = held_to(&clinic.open_tasks().await, 2);
    assert!(days.values().all(|count| *count <= 2), "{days:?}");
}

/// `moved`: the booking and the window of a review have come apart. A scheduler finds such reviews by their state and reads why.
#[tokio::test]
async fn a_booking_and_a_window_that_come_apart_are_found_as_moved() {
    let served = Served::open("2026-03-03").await;
    for resource in records(1) {
        served.put(&resource).await.done();
    }
    let moved = async || served.all("Task?business-status=moved&status=accepted").await;
    let tasks = served.all("Task?status=requested&_sort=due").await;
    let review = tasks[3].clone();
    let on = day(&review).to_owned();
    served.put(&appointment("a1", "p1", &review, "booked", &on)).await.done();
    assert!(moved().await.is_empty());
    let id = text(&review, "/id").to_owned();
    let read = async || served.get(&format!("/fhir/Task/{id}")).await.json();
    assert_eq!(state(&read().await), ("accepted", "booked"));

    // The patient is seen early and the front has hardly moved: without the booking the next review would be sooner.
    served.clock.turn_to("2026-07-01");
    served.put(&tinel("o1", "p1", "r1", "2026-06-30", 5.0)).await.done();
    let all = moved().await;
    assert_eq!(all.len(), 1, "{:?}", read().await);
    let task = &all[0];
    assert_eq!((text(task, "/id"), day(task)), (id.as_str(), on.as_str()), "the booking stands");
    let why = "has moved away from its booked day, which is now";
    assert!(text(task, "/description").contains(why), "{task}");
    assert!(text(task, "/text/div").contains(why), "{task}");
    let request = served.get(&format!("/fhir/{}", text(task, "/focus/reference"))).await.json();
    let notes: Vec<&str> =
        request["note"].as_array().unwrap().iter().map(|note| text(note, "/text")).collect();
    assert!(notes.iter().any(|note| note.contains(why)), "{notes:?}");

    // Sent again as it is, it says nothing new; another day in the window settles it.
    served.put(task).await.done();
    assert_eq!(state(&read().await), ("accepted", "moved"));
    let window = text(&request, "/note/0/text");
    let sentence = notes.iter().find(|note| note.contains(why)).unwrap_or(&window);
    let suits = sentence.split(" it: ").nth(1).and_then(|rest| rest.get(..10)).unwrap();
    served.put(&appointment("a1", "p1", &review, "booked", suits)).await.done();
    assert!(moved().await.is_empty(), "{}", read().await);
    assert_eq!(state(&read().await), ("accepted", "booked"));
    // A day outside the window is moved from the beginning; whose doing it is is said.
    served.put(&appointment("a1", "p1", &review, "booked", "2028-12-01")).await.done();
    let all = moved().await;
    assert!(text(&all[0], "/description").contains("The booked day is after the window"), "{all:?}");
}

/// The setting, from the file to the plan.
#[tokio::test]
async fn the_bound_is_a_setting_of_the_clinic() {
    let mut config = served::config();
    assert_eq!(config.clinic_reviews_per_day_max, None, "no bound unless somebody sets one");
    config.clinic_reviews_per_day_max = Some(1);
    let served = Served::open_as(&config, "2026-03-03").await;
    for resource in records(1).iter().chain(&records(2)) {
        served.put(resource).await.done();
    }
    let tasks = served.all("Task?status=requested").await;
    assert!(held_to(&tasks, 1).values().all(|count| *count == 1));
}
