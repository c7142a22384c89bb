//! A copy of an SQLite store, made while services use it.

use sqlx::error::DatabaseError;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{ConnectOptions, Connection};
use std::error::Error;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How many numbers of events a copy leaves out: more than any receiver is told of between two copies.
pub(crate) const NUMBERS_LEFT_OUT: i64 = 1_000_000;

/// Why there is no copy. The text says what to change.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// Not an SQLite file.
    #[error(
        "only a store in an SQLite file is copied here; copy a PostgreSQL database with pg_dump, as deploy/README.md says"
    )]
    Kind,
    /// Nothing is written over.
    #[error("{} is there already; give a file that is not", .path.display())]
    Taken {
        /// The file that was given.
        path: PathBuf,
    },
    /// The store cannot be read.
    #[error("the store {} cannot be read; check that it is there and that it is a store", .path.display())]
    Store {
        /// Where it should be.
        path: PathBuf,
        /// The cause.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// The copy cannot be written.
    #[error("{} cannot be written; check that its folder exists, can be written and has room for the whole store", .path.display())]
    Copy {
        /// The file that was given.
        path: PathBuf,
        /// The cause.
        #[source]
        source: Box<dyn Error + Send + Sync>,
    },
    /// What was copied is damaged.
    #[error("the store {} is damaged ({first}); restore an earlier copy", .path.display())]
    Damaged {
        /// The store.
        path: PathBuf,
        /// The first thing that SQLite found.
        first: String,
    },
}

/// Copies the store at `address` into the new file `to`, which only its owner can read, and gives its length in bytes.
///
/// The copy is of one moment and holds all that was acknowledged before; writers and readers are not held up. `to` is there when
/// the copy is whole, was checked and is on disk, and not before: until then it is `to` with `.partial` after it.
///
/// A service that goes on from the copy gives no event a number that was given after it was made: whoever was told of that one would
/// take the other for a repeat. So the copy's receivers are at a later number than the store's.
///
/// # Errors
/// Each of [`BackupError`]; then there is no `to`.
pub async fn backup(address: &str, to: &Path) -> Result<u64, BackupError> {
    let path = address.strip_prefix("sqlite:").filter(|path| *path != ":memory:").ok_or(BackupError::Kind)?;
    let path = Path::new(path);
    if fs::symlink_metadata(to).is_ok() {
        return Err(BackupError::Taken { path: to.to_owned() });
    }
    let mut partial = OsString::from(to);
    partial.push(".partial");
    let partial = PathBuf::from(partial);
    let done = copy(path, &partial, to).await;
    if done.is_err() {
        _ = fs::remove_file(&partial);
    }
    done
}

async fn copy(path: &Path, partial: &Path, to: &Path) -> Result<u64, BackupError> {
    let unread = |source| BackupError::Store { path: path.to_owned(), source };
    let unwritten = |source| BackupError::Copy { path: to.to_owned(), source };
    let failed = |error: io::Error| unwritten(error.into());
    let name = partial.to_str().ok_or_else(|| unwritten("its name is not UTF-8".into()))?;
    let mut store = open(path).await.map_err(|error| unread(error.into()))?;
    let migrations = "select count(*) from _sqlx_migrations";
    let _: i64 =
        sqlx::query_scalar(migrations).fetch_one(&mut store).await.map_err(|error| unread(error.into()))?;
    // What an earlier copy left that was cut off.
    _ = fs::remove_file(partial);
    let file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(partial).map_err(failed)?;
    let copied = sqlx::query("vacuum into ?").bind(name).execute(&mut store).await;
    copied.map_err(|error| match error.as_database_error().filter(|error| is_damage(*error)) {
        Some(damage) => BackupError::Damaged { path: path.to_owned(), first: damage.message().to_owned() },
        None => unwritten(error.into()),
    })?;
    store.close().await.map_err(|error| unread(error.into()))?;

    let mut copy = open(partial).await.map_err(|error| unwritten(error.into()))?;
    let found = sqlx::query_scalar("pragma quick_check(1)").fetch_one(&mut copy).await;
    let found: String = found.map_err(|error| unwritten(error.into()))?;
    let left_out = "update receiver set last_number = last_number + ?";
    let left_out = sqlx::query(left_out).bind(NUMBERS_LEFT_OUT).execute(&mut copy).await;
    left_out.map_err(|error| unwritten(error.into()))?;
    copy.close().await.map_err(|error| unwritten(error.into()))?;
    if found != "ok" {
        return Err(BackupError::Damaged { path: path.to_owned(), first: found });
    }

    file.sync_all().map_err(failed)?;
    fs::rename(partial, to).map_err(failed)?;
    let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
    file.metadata().map(|data| data.len()).map_err(failed)
}

/// SQLITE_CORRUPT in the low byte (sqlite.org, Result and Error Codes).
fn is_damage(error: &dyn DatabaseError) -> bool {
    error.code().and_then(|code| code.parse::<u32>().ok()).is_some_and(|code| code & 0xff == 11)
}

/// A file that is there, as it is: no tables are made or brought up to date.
async fn open(path: &Path) -> Result<SqliteConnection, sqlx::Error> {
    let options = SqliteConnectOptions::new().filename(path).create_if_missing(false);
    options.busy_timeout(Duration::from_secs(10)).disable_statement_logging().connect().await
}
