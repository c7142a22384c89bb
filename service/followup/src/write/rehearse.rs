//! A write decided and not committed: what would be stored.

use super::{Attempt, check};
use crate::Endplate;
use crate::ports::Put;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::bundle::Entry;
use endplate_fhir::issue::Issue;

/// What a write would do.
#[derive(Debug)]
pub(crate) struct Rehearsal {
    /// What would be stored, derived resources too.
    pub puts: Vec<Put>,
    /// `Type/id` of each entry, in their order.
    pub names: Vec<(String, String)>,
}

impl Endplate {
    /// Decides a write on the present facts. `patient` is looked at even if no entry is about it.
    pub(crate) async fn rehearse(
        &self,
        entries: Vec<Entry>,
        bundled: bool,
        patient: Option<&str>,
    ) -> Result<Rehearsal, Refusal> {
        if let (false, [entry]) = (bundled, entries.as_slice()) {
            let issues = check::single(entry);
            if !issues.is_empty() {
                return Err(Refusal { reason: Reason::Malformed, issues });
            }
        }
        let issues: Vec<Issue> =
            entries.iter().flat_map(|entry| check::resource(entry, bundled, self)).collect();
        if issues.iter().any(Issue::is_error) {
            return Err(Refusal { reason: Reason::Unprocessable, issues });
        }
        let mut attempt = Attempt::new(self, bundled);
        attempt.patients.extend(patient.map(str::to_owned));
        // In a box: this future is large, and so is whoever awaits it.
        Box::pin(attempt.decide(entries)).await?;
        let names = attempt.incoming.into_iter().map(|incoming| (incoming.kind, incoming.id)).collect();
        Ok(Rehearsal { puts: attempt.change.puts, names })
    }
}
