//! Whether the service lives and whether it can serve: the truth, each part by its name.

use crate::http::Phase;
use endplate_followup::Endplate;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::{AbortHandle, JoinHandle};
use tracing::{error, info, warn};

/// How long the store may take to answer.
const STORE_TIME: Duration = Duration::from_secs(2);

/// One thing that must hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Check {
    /// What is looked at. The same words for as long as the process runs.
    pub name: String,
    /// What is wrong, as a sentence that shows nothing that is secret; none: it holds.
    pub problem: Option<&'static str>,
}

/// What is known of the parts of the service.
pub(crate) struct Health {
    phase: watch::Receiver<Phase>,
    /// Whether R4's definitions are in memory. They are read at the start, beside everything else.
    definitions: OnceLock<()>,
    /// The tasks that work on their own; none until they were started.
    workers: OnceLock<Vec<(String, AbortHandle)>>,
    /// How many times all this was looked at.
    looks: AtomicU64,
    told: Mutex<Told>,
}

/// What the log was last told.
#[derive(Default)]
struct Told {
    /// The look that it was told of.
    look: u64,
    /// What that look found wrong.
    wrong: BTreeSet<String>,
}

impl Health {
    pub(crate) fn new(phase: watch::Receiver<Phase>) -> Self {
        Self {
            phase,
            definitions: OnceLock::new(),
            workers: OnceLock::new(),
            looks: AtomicU64::new(0),
            told: Mutex::default(),
        }
    }

    /// Reads R4's definitions, which are otherwise read with the first request that needs them.
    pub(crate) fn load(self: &std::sync::Arc<Self>) -> JoinHandle<()> {
        let health = std::sync::Arc::clone(self);
        tokio::task::spawn_blocking(move || {
            let problems =
                endplate_fhir::validate::resource(&serde_json::json!({ "resourceType": "Patient" }));
            if problems.is_empty() {
                let _ = health.definitions.set(());
            } else {
                error!("the definitions of this build are not whole");
            }
        })
    }

    /// Notes which tasks must live.
    pub(crate) fn started(&self, workers: Vec<(String, AbortHandle)>) {
        let _ = self.workers.set(workers);
    }

    /// Whether the process can make progress: none of its workers has died. It asks nothing of anybody.
    pub(crate) fn is_alive(&self) -> bool {
        // At the end they are done.
        *self.phase.borrow() == Phase::Stopping || self.workers().all(|check| check.problem.is_none())
    }

    /// Everything that must hold for requests to be served.
    pub(crate) async fn checks(&self, endplate: &Endplate) -> Vec<Check> {
        let look = self.looks.fetch_add(1, Ordering::SeqCst);
        let check = |name: &str, problem| Check { name: name.to_owned(), problem };
        let phase = match *self.phase.borrow() {
            Phase::Running => None,
            _ => Some("The service is stopping."),
        };
        let definitions =
            self.definitions.get().is_none().then_some("The definitions of R4 are not read yet.");
        let store = match tokio::time::timeout(STORE_TIME, endplate.ready()).await {
            Ok(Ok(())) => None,
            Ok(Err(_)) => Some("The store cannot be used now, or lacks migrations of this build."),
            Err(_) => Some("The store does not answer in time."),
        };
        let starting = self.workers.get().is_none().then_some("The workers are not started yet.");
        let lasting: Vec<Check> = [check("store", store)].into_iter().chain(self.workers()).collect();
        self.tell(look, &lasting);
        [check("phase", phase), check("definitions", definitions)]
            .into_iter()
            .chain(starting.map(|problem| check("workers", Some(problem))))
            .chain(lasting)
            .collect()
    }

    /// Puts into the log what does not hold any more, and what holds again: whoever reads it later sees since when nobody was sent here.
    ///
    /// Several look at a time, and one that waited for a store that was away comes to its end after one that found it
    /// there again. What such a one saw is over, and is not told.
    fn tell(&self, look: u64, checks: &[Check]) {
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if look < told.look {
            return;
        }
        told.look = look;
        for Check { name, problem } in checks {
            match problem {
                Some(problem) if told.wrong.insert(name.clone()) => {
                    warn!(check = name, problem, "not ready");
                }
                None if told.wrong.remove(name) => info!(check = name, "holds again"),
                _ => {}
            }
        }
    }

    fn workers(&self) -> impl Iterator<Item = Check> {
        self.workers.get().into_iter().flatten().map(|(name, task)| Check {
            name: name.clone(),
            problem: task.is_finished().then_some("This worker has died; the service must be started again."),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn i03_a_look_that_ends_after_a_later_one_is_not_told() {
        let (_phase, phases) = watch::channel(Phase::Running);
        let health = Health::new(phases);
        let store = |problem| [Check { name: "store".to_owned(), problem }];
        let wrong = || health.told.lock().expect("no panic").wrong.len();
        health.tell(1, &store(Some("away")));
        assert_eq!(wrong(), 1);
        health.tell(3, &store(None));
        health.tell(2, &store(Some("away")));
        assert_eq!(wrong(), 0, "the look before saw what is over");
        health.tell(4, &store(Some("away")));
        assert_eq!(wrong(), 1);
    }
}
