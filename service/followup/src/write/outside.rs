//! What a write may not bring: what lies outside the grant of whoever sends it.

use super::{Attempt, Incoming, check, resolve};
use crate::element::text;
use crate::grant::Right;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{index, search};

impl Attempt<'_> {
    /// Refuses resources that do not meet the search parameters of the scope they are written by, and Subscriptions to what the
    /// client may not read.
    pub(super) fn refuse_outside(&self) -> Result<(), Refusal> {
        let Some(grant) = &self.endplate.grant else { return Ok(()) };
        let base = &self.endplate.settings.base;
        for one in self.incoming.iter().filter(|one| one.writes) {
            let rows = || index::rows(&one.resource, base);
            if !grant.allows(resolve::right(one.method), &one.kind, &one.id, &rows) {
                let text = "The resource does not meet the search parameters of the scope that it is written by; send one that \
                            does, or ask for a wider scope.";
                let refusal = Refusal::new(Reason::Forbidden, Issue::error(Code::Forbidden, "", text));
                return Err(self.of_entry(refusal, one));
            }
            if one.kind == "Subscription"
                && let Ok(asked) =
                    search::criteria(text(&one.resource, &["criteria"]).unwrap_or_default(), base)
            {
                self.endplate
                    .permit(Right::Read, &asked.kind)
                    .map_err(|refusal| self.of_entry(refusal, one))?;
            }
        }
        Ok(())
    }

    fn of_entry(&self, refusal: Refusal, one: &Incoming) -> Refusal {
        if self.bundled { check::placed(refusal, &one.kind, one.index) } else { refusal }
    }
}
