//! The one way out: reading. Searching is in [`mod@crate::search`].

use crate::Endplate;
use crate::ports::Stored;
use crate::refusal::Refusal;
use endplate_fhir::TYPES;

impl Endplate {
    /// The current version of a resource.
    pub async fn read(&self, kind: &str, id: &str) -> Result<Stored, Refusal> {
        if !TYPES.contains(&kind) {
            return Err(Refusal::unknown_type());
        }
        self.store.read(kind, id).await?.ok_or_else(Refusal::not_found)
    }

    /// Whether the service can take requests.
    pub async fn ready(&self) -> Result<(), Refusal> {
        Ok(self.store.check().await?)
    }
}
