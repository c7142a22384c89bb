//! Whether the service lives and whether it can serve: the truth, each part by its name.

use crate::http::Phase;
use endplate_followup::Endplate;
use std::collections::BTreeSet;
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
    /// What was last found wrong, and told.
    wrong: Mutex<BTreeSet<String>>,
}

impl Health {
    pub(crate) fn new(phase: watch::Receiver<Phase>) -> Self {
        Self { phase, definitions: OnceLock::new(), workers: OnceLock::new(), wrong: Mutex::default() }
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
        self.tell(&lasting);
        [check("phase", phase), check("definitions", definitions)]
            .into_iter()
            .chain(starting.map(|problem| check("workers", Some(problem))))
            .chain(lasting)
            .collect()
    }

    /// Puts into the log what does not hold any more, and what holds again: whoever reads it later sees since when nobody was sent here.
    fn tell(&self, checks: &[Check]) {
        let mut wrong = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        for Check { name, problem } in checks {
            match problem {
                Some(problem) if wrong.insert(name.clone()) => {
                    warn!(check = name, problem, "not ready");
                }
                None if wrong.remove(name) => info!(check = name, "holds again"),
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
