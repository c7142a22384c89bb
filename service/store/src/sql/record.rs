//! Rows of what is known of record servers.

use super::row::{Columns, instant};
use endplate_followup::ports::{Bookmark, Counterpart, DeadLetter, Unread};

pub(crate) fn counterpart(row: &impl Columns) -> Result<Counterpart, sqlx::Error> {
    Ok(Counterpart {
        record: row.text(0)?,
        kind: row.text(1)?,
        id: row.text(2)?,
        their_id: row.text(3)?,
        their_version: row.maybe_text(4)?,
        our_version: row.integer(5)?.unsigned_abs(),
        diverged: row.flag(6)?,
    })
}

pub(crate) fn bookmark(row: &impl Columns) -> Result<Bookmark, sqlx::Error> {
    Ok(Bookmark {
        record: row.text(0)?,
        kind: row.text(1)?,
        until: row.maybe_integer(2)?.map(instant),
        read_at: instant(row.integer(3)?),
        problem: row.maybe_text(4)?,
    })
}

pub(crate) fn unread(row: &impl Columns) -> Result<Unread, sqlx::Error> {
    Ok(Unread {
        record: row.text(0)?,
        kind: row.text(1)?,
        their_id: row.text(2)?,
        their_version: row.maybe_text(3)?,
        at: instant(row.integer(4)?),
        reason: row.text(5)?,
    })
}

pub(crate) fn dead_letter(row: &impl Columns) -> Result<DeadLetter, sqlx::Error> {
    Ok(DeadLetter {
        number: row.integer(0)?.unsigned_abs(),
        kind: row.text(1)?,
        id: row.text(2)?,
        version: row.integer(3)?.unsigned_abs(),
        at: instant(row.integer(4)?),
        reason: row.text(5)?,
    })
}
