//! The durable side of Endplate's ports: SQLite, embedded, or PostgreSQL.
//!
//! SQL lives here and nowhere else. Every function of the port [`endplate_followup::ports::Store`] sees one consistent snapshot;
//! a commit is on disk when it is acknowledged. Both databases have the same functions and give the same results.

mod backup;
pub mod copy;
mod open;
pub mod packing;
pub mod postgres;
mod sql;
pub mod sqlite;

pub use backup::{BackupError, backup};
pub use copy::{CopyError, copy};
pub use open::{OpenError, open, open_beside};
pub use postgres::PostgresStore;
pub use sqlite::SqliteStore;
