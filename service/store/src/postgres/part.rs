//! In which part of the database a resource lies, where it was cut into parts by patient (`deploy/postgres/partition.sql`). The upper
//! bits of its key say it, and all its versions and rows lie where the key leads. A key is for good: what another patient is given later
//! stays where it is, and is found there as anywhere else.

use sha2::{Digest, Sha256};
use sqlx::postgres::PgConnection;

/// Bits of a key that tell resources apart. Above them stands the part.
const BITS: u32 = 54;

/// Whether the database was cut. Who starts before it is goes on as before: what it writes lies where nobody's is.
pub(super) async fn is_cut(connection: &mut PgConnection) -> Result<bool, sqlx::Error> {
    const IS_CUT: &str = "select exists (select 1 from pg_class where oid = to_regclass('resource_version') and relkind = 'p')";
    sqlx::query_scalar(IS_CUT).fetch_one(connection).await
}

/// What the key of a new resource begins at: 0 where it is nobody's, else one of 255 places, by a hash of the patient's id.
pub(super) fn beginning(patient: Option<&str>) -> i64 {
    let place = patient.map_or(0, |id| i64::from(Sha256::digest(id.as_bytes())[0] % 255) + 1);
    place << BITS
}
