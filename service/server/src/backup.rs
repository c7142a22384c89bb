//! `endplate backup`: a copy of the store while services use it.

use crate::config::Config;
use crate::fault::Fault;
use endplate_store::BackupError;
use std::error::Error;
use std::path::Path;

/// Copies the configured store into the new file `to`, and says how large it is.
///
/// # Errors
/// The store is of another kind, or `to` is there already (2); it cannot be read or copied (3).
pub async fn run(config: &Config, to: &Path) -> Result<String, Fault> {
    let bytes = endplate_store::backup(&config.store.to_string(), to).await.map_err(|error| fault(&error))?;
    Ok(format!("copied {} to {}, {bytes} bytes\n", config.store, to.display()))
}

fn fault(error: &BackupError) -> Fault {
    let cause = error.source().map(|cause| format!(" ({cause})")).unwrap_or_default();
    match error {
        BackupError::Kind | BackupError::Taken { .. } => Fault::Usage(error.to_string()),
        _ => Fault::Environment(format!("{error}{cause}").replace('\n', " ")),
    }
}
