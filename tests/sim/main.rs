//! The simulated world: random clinics over years of simulated time, with a clock that jumps, a network that fails and a process
//! that ends at named points. All of it follows from a seed.
//!
//! `SIM_SEED=n cargo test -p endplate-tests --test sim` lives through one seed; `SIM_SEEDS=n` through n of them, from `SIM_FROM` on.
#![allow(missing_docs)]

mod chart;
mod checker;
// Shared with the other tests, which use all of it.
#[allow(dead_code)]
#[path = "../tests/it/clinic.rs"]
mod clinic;
mod clock;
mod courier;
mod dice;
mod flaw;
mod ground;
mod hospital;
mod network;
mod shaky;
#[allow(dead_code)]
#[path = "../tests/it/stores.rs"]
mod stores;
mod world;

use checker::{Checker, Violation};
use flaw::Fault;
use ground::Ground;
use std::ops::Range;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use world::{Trace, run};

/// Seeds of a normal run.
const SEEDS: u64 = 5;

/// A number from the environment.
fn given(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{name} is a whole number, not {text}")))
}

fn seeds() -> Range<u64> {
    if let Some(seed) = given("SIM_SEED") {
        return seed..seed + 1;
    }
    let from = given("SIM_FROM").unwrap_or(1);
    from..from + given("SIM_SEEDS").unwrap_or(SEEDS)
}

fn lived(seed: u64, ground: &Ground, fault: Fault, only: Option<Checker>) -> Result<Trace, Violation> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(run(seed, ground, fault, only))
}

fn again(seed: u64) -> String {
    format!("SIM_SEED={seed} cargo test -p endplate-tests --test sim")
}

/// Lives through worlds, two at a time; what must not be, with the command that repeats it.
fn all(seeds: Range<u64>) -> Vec<String> {
    let next = AtomicU64::new(seeds.start);
    let wrong = Mutex::new(Vec::new());
    let work = || {
        loop {
            let seed = next.fetch_add(1, Ordering::SeqCst);
            if seed >= seeds.end {
                return;
            }
            match lived(seed, &Ground::sqlite(), Fault::None, None) {
                Ok(trace) => println!("seed {seed}: {trace:?}"),
                Err(Violation { checker, what }) => {
                    let told = format!("{checker:?}: {what}\n{}\n", again(seed));
                    println!("{told}");
                    wrong.lock().unwrap().push(told);
                }
            }
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(work);
        scope.spawn(work);
    });
    wrong.into_inner().unwrap()
}

#[test]
fn worlds_hold() {
    let seeds = seeds();
    println!("seeds {seeds:?}");
    let wrong = all(seeds);
    assert!(wrong.is_empty(), "{} worlds went wrong, see above; the first: {}", wrong.len(), wrong[0]);
}

/// The same world on each kind of store, and on the first one again, leaves the same bytes.
#[test]
fn stores_agree() {
    let seed = given("SIM_SEED").unwrap_or(4);
    let on =
        |ground: Ground| lived(seed, &ground, Fault::None, None).unwrap_or_else(|wrong| panic!("{wrong:?}"));
    let first = on(Ground::sqlite());
    for ground in Ground::all() {
        let name = format!("{ground:?}");
        assert_eq!(on(ground), first, "{:?} on {name}\n{}", Checker::Agreed, again(seed));
    }
    // That it can fail: one letter more is another world.
    let other = lived(seed, &Ground::sqlite(), Fault::Rounds, Some(Checker::Agreed));
    assert_ne!(other.map(|trace| trace.digest).ok(), Some(first.digest));
}

/// A checker, and nothing but it, finds a fault that was put in, in one of the first worlds.
fn finds(checker: Checker, fault: Fault) {
    let found =
        (1..20).find_map(|seed| Some((seed, lived(seed, &Ground::sqlite(), fault, Some(checker)).err()?)));
    let (seed, violation) = found.unwrap_or_else(|| panic!("{checker:?} does not see {fault:?}"));
    println!("{fault:?} in world {seed}: {:.300}", violation.what);
    assert_eq!(violation.checker, checker);
}

#[test]
fn a_commit_that_is_forgotten_is_found() {
    finds(Checker::Kept, Fault::ForgetsCommits);
}

#[test]
fn a_commit_that_is_half_made_is_found() {
    finds(Checker::Kept, Fault::KeepsHalves);
}

#[test]
fn a_repair_without_its_forecast_is_found() {
    finds(Checker::Planned, Fault::LeavesOutForecasts);
}

#[test]
fn an_alert_before_its_time_is_found() {
    finds(Checker::InTime, Fault::RunsAhead);
}

#[test]
fn an_alert_that_is_not_raised_is_found() {
    finds(Checker::Punctual, Fault::NeverLooks);
}

#[test]
fn an_alert_that_is_told_twice_is_found() {
    finds(Checker::Once, Fault::TellsAgain);
}

#[test]
fn events_out_of_order_are_found() {
    finds(Checker::InOrder, Fault::TurnsRound);
}

#[test]
fn an_event_that_comes_again_as_another_is_found() {
    finds(Checker::SameEvent, Fault::SendsOtherBytes);
}

#[test]
fn a_sweep_that_never_comes_to_rest_is_found() {
    finds(Checker::Idle, Fault::WritesAnew);
}

#[test]
fn an_alert_about_the_dead_is_found() {
    finds(Checker::AtRest, Fault::FollowsTheDead);
}

#[test]
fn a_second_message_of_a_day_is_found() {
    finds(Checker::OneADay, Fault::WritesTwice);
}
