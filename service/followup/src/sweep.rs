//! The same path with a later clock: what the passing of time alone changes.

use crate::Endplate;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::issue::{Code, Issue};
use futures_util::FutureExt;
use futures_util::stream::{self, StreamExt};
use std::panic::AssertUnwindSafe;

/// How many patients are listed at once.
const PAGE: usize = 500;

/// What a sweep did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SweepReport {
    /// Patients looked at.
    pub patients: usize,
    /// Of these, how many had something change.
    pub changed: usize,
    /// The ids of those who were passed over, since nothing could be derived for them that may be stored. They stay due.
    pub passed_over: Vec<String>,
}

/// The claim of a sweep.
const CLAIM: &str = "sweep";
/// After how many patients it is claimed again: a few seconds' work at most.
const KEPT_AFTER: usize = 50;

impl Endplate {
    /// Sweeps, unless another instance on the same store does so now; then nothing is said. A sweep that lost its claim on the way,
    /// as after a long pause of the machine, ends there and is that other instance's.
    pub async fn sweep_alone(&self) -> Result<Option<SweepReport>, Refusal> {
        let mut report = SweepReport::default();
        let mut after: Option<String> = None;
        loop {
            if !self.claim(CLAIM).await? {
                return Ok(None);
            }
            match self.sweep_on(after.as_deref(), KEPT_AFTER, &mut report, &|_| {}).await {
                Ok(Some(last)) => after = Some(last),
                done => {
                    // Another instance may be able to do what this one is not.
                    self.give_up_claim(CLAIM).await;
                    return done.map(|_| Some(report));
                }
            }
        }
    }

    /// Looks again at every patient for whom the clock may have changed something by today. Costs what is due, not what is
    /// stored; a sweep repeated on the same day finds nothing to do.
    pub async fn sweep(&self, progress: &(dyn Fn(usize) + Sync)) -> Result<SweepReport, Refusal> {
        let mut report = SweepReport::default();
        let mut after: Option<String> = None;
        loop {
            after = self.sweep_on(after.as_deref(), PAGE, &mut report, progress).await?;
            if after.is_none() {
                return Ok(report);
            }
        }
    }

    /// Looks at the next patients who are due; gives the last of them, none at the end.
    async fn sweep_on(
        &self,
        after: Option<&str>,
        most: usize,
        report: &mut SweepReport,
        progress: &(dyn Fn(usize) + Sync),
    ) -> Result<Option<String>, Refusal> {
        let patients = self.store.due(self.clock.today(), after, most).await?;
        // Where places are few, whoever comes first has the better day: by id, not by chance.
        let together = self.settings.reviews_per_day_max.map_or(self.sweep_together.get(), |_| 1);
        let endplate = self.clone();
        let looks = stream::iter(patients.clone()).map(move |patient| look(endplate.clone(), patient));
        let mut looks = looks.buffered(together);
        while let Some((patient, look)) = looks.next().await {
            match look {
                Ok(changed) => report.changed += usize::from(changed),
                // All others would fail too.
                Err(refusal) if refusal.reason == Reason::Unavailable => return Err(refusal),
                // Somebody writes to these records again and again, and each write derives what follows.
                Err(refusal) if refusal.reason == Reason::Conflict => {
                    tracing::info!("a patient's records were being written and are looked at later");
                }
                // What is wrong is wrong with this patient's records, and the others need not wait until somebody mends it.
                Err(refusal) => {
                    tracing::error!(
                        reason = ?refusal.reason,
                        "a patient was passed over by the sweep and stays due: endplate sweep names who"
                    );
                    report.passed_over.push(patient);
                }
            }
            report.patients += 1;
            progress(report.patients);
        }
        Ok(patients.last().cloned())
    }
}

/// Looks at a patient. A fault of the service that shows in these records alone must not keep it from all the others.
async fn look(endplate: Endplate, patient: String) -> (String, Result<bool, Refusal>) {
    let changed = AssertUnwindSafe(endplate.revisit(&patient)).catch_unwind().await.unwrap_or_else(|_| {
        let text = "The service failed while it looked at this patient's records.";
        Err(Refusal::new(Reason::Fault, Issue::error(Code::Exception, "", text)))
    });
    (patient, changed)
}
