//! What a world stands on: stores that outlive the process, each opened anew after every end.
//!
//! A kind of store is a variant, how it is opened, and a line in [`Ground::all`]: the seed of `stores_agree` is lived through on each,
//! and must leave the same bytes.

use crate::shaky::standing_still;
use endplate_followup::ports::Store;
use endplate_store::{PostgresStore, SqliteStore};
use std::sync::Arc;
use tempfile::TempDir;
use tokio::runtime::{Builder, Handle, Runtime};

/// What is durable, and the threads that its stores run on.
#[derive(Debug)]
pub struct Ground {
    kind: Kind,
    home: Runtime,
}

#[derive(Debug)]
enum Kind {
    /// One file, in a folder that goes away with this value.
    Sqlite(TempDir),
    /// The address of one database, on a server that goes away with this process.
    Postgres(String),
}

fn home() -> Runtime {
    Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("threads")
}

impl Ground {
    fn of(kind: Kind) -> Self {
        Self { kind, home: home() }
    }

    /// An empty SQLite file.
    pub fn sqlite() -> Self {
        Self::of(Kind::Sqlite(tempfile::tempdir().expect("a folder")))
    }

    /// An empty PostgreSQL database.
    pub fn postgres() -> Self {
        let home = home();
        let address = {
            let _home = home.enter();
            standing_still(endplate_tests::postgres::database())
        };
        Self { kind: Kind::Postgres(address), home }
    }

    /// Each kind of store there is, empty.
    pub fn all() -> Vec<Self> {
        vec![Self::sqlite(), Self::postgres()]
    }

    /// Where its stores run.
    pub fn home(&self) -> Handle {
        self.home.handle().clone()
    }

    /// Opens it, as a process does that starts.
    pub fn open(&self) -> Arc<dyn Store> {
        let _home = self.home.enter();
        match &self.kind {
            Kind::Sqlite(folder) => {
                let address = format!("sqlite:{}", folder.path().join("world.db").display());
                Arc::new(standing_still(SqliteStore::open(&address)).expect("opened"))
            }
            Kind::Postgres(address) => {
                Arc::new(standing_still(PostgresStore::open(address)).expect("opened"))
            }
        }
    }
}
