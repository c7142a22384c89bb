//! Who wrote Subscriptions, and what was used up.

use super::failed;
use super::write::unsaid;
use endplate_followup::ports::{Maker, StoreError};
use jiff::Timestamp;
use sqlx::Row;
use sqlx::sqlite::{SqliteConnection, SqlitePool};

/// Who last wrote a Subscription.
pub(super) async fn maker(readers: &SqlitePool, subscription: &str) -> Result<Option<Maker>, StoreError> {
    const CONTEXT: &str = "reading who made a subscription";
    let row = sqlx::query("select client, registration, scope from maker where subscription = ?")
        .bind(subscription)
        .fetch_optional(readers)
        .await
        .map_err(failed(CONTEXT))?;
    let Some(row) = row else { return Ok(None) };
    let text = |at: usize| row.try_get(at).map_err(failed(CONTEXT));
    Ok(Some(Maker {
        subscription: subscription.to_owned(),
        client: text(0)?,
        registration: text(1)?,
        scope: text(2)?,
    }))
}

/// Keeps who wrote Subscriptions, in place of whoever wrote them before.
pub(super) async fn keep(connection: &mut SqliteConnection, makers: &[Maker]) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing who made a subscription";
    if makers.is_empty() {
        return Ok(());
    }
    let rows: Vec<_> =
        makers.iter().map(|one| (&one.subscription, &one.client, &one.registration, &one.scope)).collect();
    sqlx::query(
        "insert or replace into maker (subscription, client, registration, scope) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?)",
    )
    .bind(serde_json::to_string(&rows).map_err(unsaid(CONTEXT))?)
    .execute(connection)
    .await
    .map(|_| ())
    .map_err(failed(CONTEXT))
}

/// Notes a use, or refuses it with [`StoreError::Moved`] if there was one before.
pub(super) async fn use_once(
    connection: &mut SqliteConnection,
    key: &str,
    until: Timestamp,
    now: Timestamp,
) -> Result<(), StoreError> {
    const CONTEXT: &str = "noting a use";
    sqlx::query("delete from used where until_ms < ?")
        .bind(now.as_millisecond())
        .execute(&mut *connection)
        .await
        .map_err(failed(CONTEXT))?;
    let noted = sqlx::query("insert into used (key, until_ms) values (?, ?) on conflict (key) do nothing")
        .bind(key)
        .bind(until.as_millisecond())
        .execute(connection)
        .await
        .map_err(failed(CONTEXT))?;
    if noted.rows_affected() == 1 { Ok(()) } else { Err(StoreError::Moved) }
}
