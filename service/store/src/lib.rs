//! The durable side of Endplate's ports: SQLite, embedded.
//!
//! SQL lives here and nowhere else. Every function of the port [`endplate_followup::ports::Store`] sees one consistent snapshot;
//! a commit is on disk when it is acknowledged.

mod backup;
pub mod sqlite;

pub use backup::{BackupError, backup};
pub use sqlite::{OpenError, SqliteStore};
