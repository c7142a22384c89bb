//! Who asked for a write, on record in the commit of the write.

use super::{Attempt, Incoming, text};
use crate::Endplate;
use crate::audit::event::Event;
use crate::ports::{Changeset, StoreError};
use crate::refusal::Refusal;
use endplate_fhir::bundle::Method;
use endplate_fhir::reference;
use std::collections::{BTreeMap, BTreeSet};

impl Endplate {
    /// Commits; the request that called is on record with it, if the change holds an AuditEvent.
    pub(super) async fn settle_on_record(&self, change: Changeset) -> Result<(), StoreError> {
        let is_audited = !change.audit.is_empty();
        self.settle(change).await?;
        if let Some(call) = self.call.as_ref().filter(|_| is_audited) {
            call.is_on_record();
        }
        Ok(())
    }
}

impl Attempt<'_> {
    /// Adds the AuditEvents of this write: one for each patient whose records it changes, naming what was sent of each. A write
    /// that changes nothing has nothing to commit; it is put on record with the reads.
    pub(super) fn audit(&mut self) -> Result<(), Refusal> {
        let Some(call) = self.endplate.call.clone() else { return Ok(()) };
        if self.change.puts.is_empty() {
            return Ok(());
        }
        let mut about: BTreeMap<Option<String>, Vec<String>> = BTreeMap::new();
        for incoming in &self.incoming {
            let named = self.named(incoming);
            let mut patients = self.patients_of(incoming);
            if patients.is_empty() {
                patients.insert(None);
            }
            for patient in patients {
                about.entry(patient).or_default().push(named.clone());
            }
        }
        if self.incoming.is_empty() {
            about.extend(self.patients.iter().map(|patient| (Some(patient.clone()), Vec::new())));
        }
        let interaction = match (call.interaction(), self.incoming.first()) {
            // Each entry of a batch stands for itself.
            (Some("batch"), Some(first)) => Some(interaction(first.method)),
            (interaction, _) => interaction,
        };
        let mut audit = Vec::new();
        for (patient, about) in about {
            let event = Event { interaction, about, ..Event::of(&call, self.now) };
            self.endplate.tell(&event, &patient.into_iter().collect(), &mut audit)?;
        }
        self.change.audit.extend(audit);
        Ok(())
    }

    /// The version that is now current, or the resource where there is none.
    fn named(&self, incoming: &Incoming) -> String {
        let (kind, id) = (&incoming.kind, &incoming.id);
        let is_it = |put: &&crate::ports::Put| put.stored.kind == *kind && put.stored.id == *id;
        let version = self.change.puts.iter().find(is_it).map_or(incoming.version, |put| put.stored.version);
        if version == 0 { format!("{kind}/{id}") } else { format!("{kind}/{id}/_history/{version}") }
    }

    /// Whom it is about, and was about before.
    fn patients_of(&self, incoming: &Incoming) -> BTreeSet<Option<String>> {
        let base = &self.endplate.settings.base;
        let after = (!incoming.deletes).then_some(&incoming.resource);
        let after = after.filter(|resource| text(resource, &["resourceType"]).is_some());
        let before = incoming.before();
        let both = after.into_iter().chain(before.as_ref());
        both.filter_map(|resource| reference::patient_of(resource, base)).map(Some).collect()
    }
}

/// R4's code of what an entry asks for.
pub(super) fn interaction(method: Method) -> &'static str {
    match method {
        Method::Delete => "delete",
        Method::Post => "create",
        Method::Put => "update",
        Method::Patch => "patch",
        _ => "read",
    }
}
