//! What is known of hospital record servers.

use super::write::Work;
use super::{SqliteStore, failed, number};
use crate::sql::record::{bookmark, counterpart, dead_letter, unread};
use async_trait::async_trait;
use endplate_followup::ports::{Bookmark, Counterpart, Counterparts, DeadLetter, Note, StoreError, Unread};
use jiff::Timestamp;
use sqlx::sqlite::{SqliteConnection, SqlitePool};

#[async_trait]
impl Counterparts for SqliteStore {
    async fn counterpart(
        &self,
        record: &str,
        kind: &str,
        id: &str,
    ) -> Result<Option<Counterpart>, StoreError> {
        let sql = "select record, kind, id, their_id, their_version, our_version, diverged from counterpart \
                   where record = ? and kind = ? and id = ?";
        counterpart_by(&self.readers, sql, [record, kind, id]).await
    }

    async fn counterpart_of(
        &self,
        record: &str,
        kind: &str,
        their_id: &str,
    ) -> Result<Option<Counterpart>, StoreError> {
        let sql = "select record, kind, id, their_id, their_version, our_version, diverged from counterpart \
                   where record = ? and kind = ? and their_id = ?";
        counterpart_by(&self.readers, sql, [record, kind, their_id]).await
    }

    async fn bookmarks(&self, record: &str) -> Result<Vec<Bookmark>, StoreError> {
        const CONTEXT: &str = "reading how far a record server was read";
        let rows = sqlx::query(
            "select record, kind, until_ms, read_at_ms, problem from bookmark where record = ? order by kind",
        );
        let rows = rows.bind(record).fetch_all(&self.readers).await.map_err(failed(CONTEXT))?;
        rows.iter().map(bookmark).collect::<Result<_, _>>().map_err(failed(CONTEXT))
    }

    async fn unread(&self, record: &str, limit: usize) -> Result<Vec<Unread>, StoreError> {
        const CONTEXT: &str = "reading what was not taken in";
        let rows = sqlx::query(
            "select record, kind, their_id, their_version, at_ms, reason from unread where record = ? \
             order by at_ms desc, kind, their_id limit ? + 0",
        );
        let rows = rows.bind(record).bind(number(limit as u64)).fetch_all(&self.readers).await;
        let rows = rows.map_err(failed(CONTEXT))?;
        rows.iter().map(unread).collect::<Result<_, _>>().map_err(failed(CONTEXT))
    }

    async fn dead_letters(&self, receiver: &str, limit: usize) -> Result<Vec<DeadLetter>, StoreError> {
        const CONTEXT: &str = "reading dead letters";
        let rows = sqlx::query(
            "select e.number, e.kind, e.id, e.version, coalesce(a.at_ms, e.raised_at_ms), coalesce(a.reason, '') \
             from event e left join attempt a \
             on a.receiver = e.receiver and a.number = e.number and a.attempt = e.attempts \
             where e.receiver = ? and e.settled = 3 order by e.number desc limit ? + 0",
        );
        let rows = rows.bind(receiver).bind(number(limit as u64)).fetch_all(&self.readers).await;
        let rows = rows.map_err(failed(CONTEXT))?;
        rows.iter().map(dead_letter).collect::<Result<_, _>>().map_err(failed(CONTEXT))
    }

    async fn note(&self, notes: Vec<Note>) -> Result<(), StoreError> {
        self.writer.send(Work::Note(notes)).await.map(|_| ())
    }
}

/// The counterpart that a statement finds by three names.
async fn counterpart_by(
    readers: &SqlitePool,
    sql: &'static str,
    names: [&str; 3],
) -> Result<Option<Counterpart>, StoreError> {
    const CONTEXT: &str = "reading a counterpart";
    let [record, kind, id] = names;
    let row = sqlx::query(sql).bind(record).bind(kind).bind(id);
    let row = row.fetch_optional(readers).await.map_err(failed(CONTEXT))?;
    row.as_ref().map(counterpart).transpose().map_err(failed(CONTEXT))
}

/// Writes all notes, in their order.
pub(super) async fn keep(connection: &mut SqliteConnection, notes: &[Note]) -> Result<(), StoreError> {
    for note in notes {
        let query = match note {
            // `replace` also takes away the row of another resource that the same one there stood for.
            Note::Counterpart(one) => sqlx::query(
                "insert or replace into counterpart \
                 (record, kind, id, their_id, their_version, our_version, diverged) values (?, ?, ?, ?, ?, ?, ?)",
            )
            .bind(&one.record)
            .bind(&one.kind)
            .bind(&one.id)
            .bind(&one.their_id)
            .bind(&one.their_version)
            .bind(number(one.our_version))
            .bind(one.diverged),
            Note::Bookmark(one) => sqlx::query(
                "insert or replace into bookmark (record, kind, until_ms, read_at_ms, problem) values (?, ?, ?, ?, ?)",
            )
            .bind(&one.record)
            .bind(&one.kind)
            .bind(one.until.map(Timestamp::as_millisecond))
            .bind(one.read_at.as_millisecond())
            .bind(&one.problem),
            Note::Unread(one) => sqlx::query(
                "insert or replace into unread (record, kind, their_id, their_version, at_ms, reason) \
                 values (?, ?, ?, ?, ?, ?)",
            )
            .bind(&one.record)
            .bind(&one.kind)
            .bind(&one.their_id)
            .bind(&one.their_version)
            .bind(one.at.as_millisecond())
            .bind(&one.reason),
            Note::Taken { record, kind, their_id } => {
                sqlx::query("delete from unread where record = ? and kind = ? and their_id = ?")
                    .bind(record)
                    .bind(kind)
                    .bind(their_id)
            }
        };
        query.execute(&mut *connection).await.map_err(failed("writing what is known of a record server"))?;
    }
    Ok(())
}
