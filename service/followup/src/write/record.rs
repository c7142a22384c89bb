//! What the service itself puts on record: written once, and nothing follows from it.

use super::entrance::ATTEMPTS_MAX;
use super::{Attempt, check};
use crate::Endplate;
use crate::element::text;
use crate::ports::{Changeset, Put, StoreError};
use crate::refusal::Refusal;
use endplate_fhir::Json;

impl Endplate {
    /// Puts those of these AuditEvents on record that are not there yet, all together.
    pub(crate) async fn record_events(&self, events: Vec<Json>) -> Result<(), Refusal> {
        let at = self.clock.now();
        let mut audit: Vec<Put> = Vec::new();
        for event in events {
            let put = self.event(event, at)?;
            let twice = audit.iter().any(|other| other.stored.id == put.stored.id);
            if !twice && self.store.latest("AuditEvent", &put.stored.id).await?.is_none() {
                audit.push(put);
            }
        }
        if audit.is_empty() {
            return Ok(());
        }
        // Refused if somebody has put one of them there meanwhile; whoever sends again is told that it is there.
        Ok(self.settle_on_record(Changeset { at: Some(at), audit, ..Changeset::default() }).await?)
    }

    /// Stores those of these resources that are not there yet, all together.
    pub(crate) async fn record(&self, resources: Vec<Json>) -> Result<(), Refusal> {
        for resource in &resources {
            check::own(resource)?;
        }
        for _ in 0..ATTEMPTS_MAX {
            let mut attempt = Attempt::new(self, false);
            attempt.listen().await?;
            for resource in &resources {
                let name = |member| text(resource, &[member]).unwrap_or_default();
                let (kind, id) = (name("resourceType"), name("id"));
                let twice =
                    attempt.change.puts.iter().any(|put| put.stored.kind == kind && put.stored.id == id);
                if !twice && self.store.read(kind, id).await?.is_none() {
                    attempt.put_one(resource.clone(), 1);
                }
            }
            if attempt.change.puts.is_empty() {
                return Ok(());
            }
            match self.settle(attempt.change).await {
                Err(StoreError::Moved) => {}
                done => return Ok(done?),
            }
        }
        Err(StoreError::Moved.into())
    }
}
