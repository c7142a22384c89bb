//! Whose turn it is: of the programs that have one file open, such as the service and a command beside it, one delivers, sweeps and
//! reads record servers. It holds the lock of a file beside the store until it ends; however it ends, the system takes the lock back.

use endplate_followup::ports::StoreError;
use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// The turn of one open store.
#[derive(Debug)]
pub(super) struct Turn {
    path: PathBuf,
    held: Mutex<Option<File>>,
}

impl Turn {
    /// Beside this store; it is nobody's until it is taken.
    pub(super) fn beside(store: &Path) -> Self {
        let mut path = store.as_os_str().to_owned();
        path.push("-turn");
        Self { path: path.into(), held: Mutex::new(None) }
    }

    /// Takes it, or says that another program has it.
    pub(super) fn take(&self) -> Result<bool, StoreError> {
        let failed =
            |source: std::io::Error| StoreError::Failed { context: "claiming work", source: source.into() };
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if held.is_some() {
            return Ok(true);
        }
        let file = File::options().create(true).append(true).open(&self.path).map_err(failed)?;
        match file.try_lock() {
            Ok(()) => *held = Some(file),
            Err(TryLockError::WouldBlock) => {}
            Err(TryLockError::Error(error)) => return Err(failed(error)),
        }
        Ok(held.is_some())
    }
}
