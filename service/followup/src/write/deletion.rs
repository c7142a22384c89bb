//! Deletions: what stands in their way, and what they leave.

use super::{Attempt, Incoming, Written, local_references};
use crate::dossier::Dossier;
use crate::element;
use crate::grant::Right;
use crate::ports::{Call, Deed, Put, RECORDS, Stored};
use crate::refusal::{Reason, Refusal};
use endplate_fhir::Json;
use endplate_fhir::issue::Code;
use std::collections::{BTreeMap, BTreeSet};

/// How many resources that refer to one are looked at.
const REFERRERS_MAX: usize = 1_000;

fn is_record(reference: &str) -> bool {
    reference.split_once('/').is_some_and(|(kind, _)| RECORDS.contains(&kind))
}

impl Attempt<'_> {
    /// Type and id of what is deleted.
    pub(super) fn deletions(&self) -> impl Iterator<Item = (&str, &str)> {
        self.incoming.iter().filter(|one| one.deletes).map(|one| (one.kind.as_str(), one.id.as_str()))
    }

    /// Refuses to delete what the patient's records, with everything newly derived, still refer to. `seen` collects who was
    /// looked at.
    pub(super) fn refuse_if_referred_to(
        &self,
        dossier: &Dossier,
        changed: &[Json],
        seen: &mut BTreeSet<String>,
    ) -> Result<(), Refusal> {
        if self.deletions().next().is_none() {
            return Ok(());
        }
        let mut records: BTreeMap<String, &Json> =
            dossier.entries().map(|((kind, id), entry)| (format!("{kind}/{id}"), &entry.resource)).collect();
        records.extend(changed.iter().map(|resource| (element::reference_of(resource), resource)));
        for (reference, resource) in records {
            if !is_record(&reference) {
                let targets = local_references(resource, &self.endplate.settings.base);
                let met = self.incoming.iter().filter(|one| one.deletes).find(|one| {
                    targets
                        .iter()
                        .any(|(_, to)| *to == format!("{}/{}", one.kind, one.id) && *to != reference)
                });
                if let Some(deleted) = met {
                    return Err(self.referred_to(deleted, &reference));
                }
            }
            seen.insert(reference);
        }
        Ok(())
    }

    /// Refuses to delete what any other resource refers to.
    pub(super) async fn refuse_if_referred_to_elsewhere(
        &self,
        seen: &BTreeSet<String>,
    ) -> Result<(), Refusal> {
        for deleted in self.incoming.iter().filter(|one| one.deletes) {
            let referrers = self.endplate.store.referrers(&deleted.kind, &deleted.id, REFERRERS_MAX).await?;
            let other = referrers.into_iter().map(|(kind, id)| format!("{kind}/{id}")).find(|reference| {
                let sent = self.incoming.iter().any(|one| {
                    (one.writes || one.deletes) && *reference == format!("{}/{}", one.kind, one.id)
                });
                !sent && !seen.contains(reference)
            });
            if let Some(reference) = other {
                return Err(self.referred_to(deleted, &reference));
            }
        }
        Ok(())
    }

    fn referred_to(&self, deleted: &Incoming, by: &str) -> Refusal {
        let kind = by.split_once('/').map_or(by, |(kind, _)| kind);
        let by = if self.endplate.reaches_all(Right::Read, kind) { by } else { "Another resource" };
        let text = format!(
            "{by} still refers to this resource; end it by its status, for example entered-in-error, or delete what refers \
             to it first."
        );
        let at = (deleted.kind.as_str(), deleted.index);
        self.refuse(Reason::Conflict, at, Code::Conflict, &deleted.kind, &text)
    }

    /// A version without a body for each resource that is deleted.
    pub(super) fn put_deletions(&mut self) {
        let ends = self.incoming.iter().filter(|one| one.deletes).map(|one| Put {
            stored: Stored {
                kind: one.kind.clone(),
                id: one.id.clone(),
                version: one.version + 1,
                at: self.now,
                body: String::new(),
            },
            deed: Deed::Deleted,
            patient: None,
            rows: Vec::new(),
        });
        self.change.puts.extend(ends);
        for one in self.incoming.iter().filter(|one| one.deletes && one.kind == "Subscription") {
            self.change.calls.push(Call { subscription: one.id.clone(), at: None });
            self.change.releases.push(one.id.clone());
        }
    }

    /// What a deletion is answered; the same whether the resource was there or not.
    pub(super) fn ended(&self, incoming: &Incoming) -> Written {
        Written {
            kind: incoming.kind.clone(),
            id: incoming.id.clone(),
            version: incoming.version + u64::from(incoming.deletes),
            at: self.now,
            created: false,
            deleted: true,
            body: String::new(),
            remarks: Vec::new(),
        }
    }
}
