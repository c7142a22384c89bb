//! In which part of the database a resource lies, where it was cut into parts by patient (`deploy/postgres/partition.sql`). The upper
//! bits of its key say it, and all its versions and rows lie where the key leads. A key is for good: what another patient is given later
//! stays where it is, and is found there as anywhere else.

use endplate_followup::ports::Put;
use sha2::{Digest, Sha256};
use sqlx::postgres::PgConnection;

/// Bits of a key that tell resources apart. Above them stand eight that say where it lies.
pub(crate) const BITS: u32 = 54;

/// Whether the database was cut. Who started before goes on as before: what it makes lies in the first part.
pub(super) async fn is_cut(connection: &mut PgConnection) -> Result<bool, sqlx::Error> {
    const IS_CUT: &str = "select exists (select 1 from pg_class where oid = to_regclass('resource_version') and relkind = 'p')";
    sqlx::query_scalar(IS_CUT).fetch_one(connection).await
}

/// What the key of a new resource begins at: one of 256 places, by a hash of its patient's id, or of its own where it is nobody's.
pub(super) fn beginning(put: &Put) -> i64 {
    let whose = put.patient.as_ref().unwrap_or(&put.stored.id);
    i64::from(Sha256::digest(whose.as_bytes())[0]) << BITS
}
