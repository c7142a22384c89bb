//! The same path with a later clock: what the passing of time alone changes.

use crate::Endplate;
use crate::refusal::Refusal;

/// How many patients are listed at once.
const PAGE: usize = 500;

/// What a sweep did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SweepReport {
    /// Patients looked at.
    pub patients: usize,
    /// Of these, how many had something change.
    pub changed: usize,
}

/// The claim of a sweep.
const CLAIM: &str = "sweep";
/// After how many patients it is claimed again: a few seconds' work at most.
const KEPT_AFTER: usize = 50;

impl Endplate {
    /// Sweeps, unless another instance on the same store does so now; then nothing is done and nothing is said. A
    /// sweep that lost its claim on the way, as after a long pause of the machine, ends there: another one goes on.
    pub async fn sweep_alone(&self) -> Result<Option<SweepReport>, Refusal> {
        let today = self.clock.today();
        let mut report = SweepReport::default();
        let mut after: Option<String> = None;
        loop {
            if !self.claim(CLAIM).await? {
                return Ok(after.map(|_| report));
            }
            let patients = self.store.due(today, after.as_deref(), KEPT_AFTER).await?;
            let Some(last) = patients.last().cloned() else {
                self.claims.give_up(self.store.as_ref(), &[CLAIM.to_owned()]).await;
                return Ok(Some(report));
            };
            for patient in patients {
                report.changed += usize::from(self.revisit(&patient).await?);
                report.patients += 1;
            }
            after = Some(last);
        }
    }

    /// Looks again at every patient for whom the clock may have changed something by today. Costs what is due, not what is
    /// stored; a sweep repeated on the same day finds nothing to do.
    pub async fn sweep(&self, progress: &(dyn Fn(usize) + Sync)) -> Result<SweepReport, Refusal> {
        let today = self.clock.today();
        let mut report = SweepReport::default();
        let mut after: Option<String> = None;
        loop {
            let patients = self.store.due(today, after.as_deref(), PAGE).await?;
            let Some(last) = patients.last().cloned() else { return Ok(report) };
            for patient in patients {
                report.changed += usize::from(self.revisit(&patient).await?);
                report.patients += 1;
                progress(report.patients);
            }
            after = Some(last);
        }
    }
}
