//! What is known of hospital record servers.

use super::{PostgresStore, failed, plain};
use super::{pool::Pool, write::refused};
use crate::sql::number;
use crate::sql::record::{bookmark, counterpart, dead_letter, unread};
use async_trait::async_trait;
use endplate_followup::ports::{Bookmark, Counterpart, Counterparts, DeadLetter, Note, StoreError, Unread};
use jiff::Timestamp;
use sqlx::Postgres;
use sqlx::postgres::{PgArguments, PgConnection};
use sqlx::query::Query;

#[async_trait]
impl Counterparts for PostgresStore {
    async fn counterpart(
        &self,
        record: &str,
        kind: &str,
        id: &str,
    ) -> Result<Option<Counterpart>, StoreError> {
        let sql = "select record, kind, id, their_id, their_version, our_version, diverged from counterpart \
                   where record = $1 and kind = $2 and id = $3";
        counterpart_by(&self.readers, sql, [record, kind, id]).await
    }

    async fn counterpart_of(
        &self,
        record: &str,
        kind: &str,
        their_id: &str,
    ) -> Result<Option<Counterpart>, StoreError> {
        let sql = "select record, kind, id, their_id, their_version, our_version, diverged from counterpart \
                   where record = $1 and kind = $2 and their_id = $3";
        counterpart_by(&self.readers, sql, [record, kind, their_id]).await
    }

    async fn bookmarks(&self, record: &str) -> Result<Vec<Bookmark>, StoreError> {
        const CONTEXT: &str = "reading how far a record server was read";
        let rows = sqlx::query(
            "select record, kind, until_ms, read_at_ms, problem from bookmark where record = $1 order by kind",
        );
        let rows = rows.bind(plain(record)).fetch_all(&self.readers).await.map_err(failed(CONTEXT))?;
        rows.iter().map(bookmark).collect::<Result<_, _>>().map_err(failed(CONTEXT))
    }

    async fn unread(&self, record: &str, limit: usize) -> Result<Vec<Unread>, StoreError> {
        const CONTEXT: &str = "reading what was not taken in";
        let rows = sqlx::query(
            "select record, kind, their_id, their_version, at_ms, reason from unread where record = $1 \
             order by at_ms desc, kind, their_id limit $2",
        );
        let rows = rows.bind(plain(record)).bind(number(limit as u64)).fetch_all(&self.readers).await;
        let rows = rows.map_err(failed(CONTEXT))?;
        rows.iter().map(unread).collect::<Result<_, _>>().map_err(failed(CONTEXT))
    }

    async fn dead_letters(&self, receiver: &str, limit: usize) -> Result<Vec<DeadLetter>, StoreError> {
        const CONTEXT: &str = "reading dead letters";
        let rows = sqlx::query(
            "select e.number, e.kind, e.id, e.version, coalesce(a.at_ms, e.raised_at_ms), coalesce(a.reason, '') \
             from event e left join attempt a \
             on a.receiver = e.receiver and a.number = e.number and a.attempt = e.attempts \
             where e.receiver = $1 and e.settled = 3 order by e.number desc limit $2",
        );
        let rows = rows.bind(plain(receiver)).bind(number(limit as u64)).fetch_all(&self.readers).await;
        let rows = rows.map_err(failed(CONTEXT))?;
        rows.iter().map(dead_letter).collect::<Result<_, _>>().map_err(failed(CONTEXT))
    }

    async fn note(&self, notes: Vec<Note>) -> Result<(), StoreError> {
        loop {
            match keep(&self.writers, &notes).await {
                // Somebody else noted the same at the same time. They are done now.
                Err(StoreError::Moved) => {}
                done => return done,
            }
        }
    }
}

/// The counterpart that a statement finds by three names.
async fn counterpart_by(
    readers: &Pool,
    sql: &'static str,
    names: [&str; 3],
) -> Result<Option<Counterpart>, StoreError> {
    const CONTEXT: &str = "reading a counterpart";
    let [record, kind, id] = names.map(plain);
    let row = sqlx::query(sql).bind(record).bind(kind).bind(id);
    let row = row.fetch_optional(readers).await.map_err(failed(CONTEXT))?;
    row.as_ref().map(counterpart).transpose().map_err(failed(CONTEXT))
}

/// Writes all notes, in their order.
async fn keep(writers: &Pool, notes: &[Note]) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing what is known of a record server";
    let mut transaction = writers.begin("begin").await.map_err(refused(CONTEXT))?;
    for note in notes {
        if let Note::Counterpart(one) = note {
            forget_counterparts(&mut transaction, one).await.map_err(refused(CONTEXT))?;
        }
        writing(note).execute(&mut *transaction).await.map_err(refused(CONTEXT))?;
    }
    transaction.commit().await.map_err(refused(CONTEXT))
}

/// What was known of the same resource, here or there.
async fn forget_counterparts(connection: &mut PgConnection, one: &Counterpart) -> Result<(), sqlx::Error> {
    let old =
        sqlx::query("delete from counterpart where record = $1 and kind = $2 and (id = $3 or their_id = $4)");
    let old =
        old.bind(plain(&one.record)).bind(plain(&one.kind)).bind(plain(&one.id)).bind(plain(&one.their_id));
    old.execute(connection).await.map(|_| ())
}

fn writing(note: &Note) -> Query<'_, Postgres, PgArguments> {
    match note {
        Note::Counterpart(one) => sqlx::query(
            "insert into counterpart (record, kind, id, their_id, their_version, our_version, diverged) \
             values ($1, $2, $3, $4, $5, $6, $7)",
        )
        .bind(plain(&one.record))
        .bind(plain(&one.kind))
        .bind(plain(&one.id))
        .bind(plain(&one.their_id))
        .bind(one.their_version.as_deref().map(plain))
        .bind(number(one.our_version))
        .bind(one.diverged),
        Note::Bookmark(one) => sqlx::query(
            "insert into bookmark (record, kind, until_ms, read_at_ms, problem) values ($1, $2, $3, $4, $5) \
             on conflict (record, kind) do update set until_ms = excluded.until_ms, \
             read_at_ms = excluded.read_at_ms, problem = excluded.problem",
        )
        .bind(plain(&one.record))
        .bind(plain(&one.kind))
        .bind(one.until.map(Timestamp::as_millisecond))
        .bind(one.read_at.as_millisecond())
        .bind(one.problem.as_deref().map(plain)),
        Note::Unread(one) => sqlx::query(
            "insert into unread (record, kind, their_id, their_version, at_ms, reason) values ($1, $2, $3, $4, $5, $6) \
             on conflict (record, kind, their_id) do update set their_version = excluded.their_version, \
             at_ms = excluded.at_ms, reason = excluded.reason",
        )
        .bind(plain(&one.record))
        .bind(plain(&one.kind))
        .bind(plain(&one.their_id))
        .bind(one.their_version.as_deref().map(plain))
        .bind(one.at.as_millisecond())
        .bind(plain(&one.reason)),
        Note::Taken { record, kind, their_id } => {
            sqlx::query("delete from unread where record = $1 and kind = $2 and their_id = $3")
                .bind(plain(record))
                .bind(plain(kind))
                .bind(plain(their_id))
        }
    }
}
