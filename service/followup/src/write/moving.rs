//! Moving the plans of a patient to the present protocol.

use super::Attempt;
use super::entrance::ATTEMPTS_MAX;
use crate::Endplate;
use crate::kept::Moved;
use crate::ports::StoreError;
use crate::refusal::Refusal;
use endplate_fhir::Json;
use std::collections::BTreeMap;

impl Endplate {
    /// Derives the plans of a patient with the present protocol, whichever they followed, and commits that unless it is a
    /// preview. Says what changes.
    pub(crate) async fn move_patient(&self, patient: &str, preview: bool) -> Result<Moved, Refusal> {
        let parsed = |body: &str| serde_json::from_str::<Json>(body).unwrap_or(Json::Null);
        for _ in 0..ATTEMPTS_MAX {
            let mut attempt = Attempt::new(self, false);
            attempt.moves = true;
            attempt.patients.insert(patient.to_owned());
            attempt.derive().await?;
            let stored = self.store.compartment(patient).await?.resources;
            let before: BTreeMap<(String, String), Json> =
                stored.into_iter().map(|one| ((one.kind, one.id), parsed(&one.body))).collect();
            let mut moved = Moved::default();
            for put in &attempt.change.puts {
                let key = (put.stored.kind.clone(), put.stored.id.clone());
                moved.note(before.get(&key), &parsed(&put.stored.body));
            }
            if preview {
                return Ok(moved);
            }
            attempt.audit()?;
            match self.settle_on_record(attempt.change).await {
                Ok(()) => return Ok(moved),
                Err(StoreError::Moved) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(StoreError::Moved.into())
    }
}
