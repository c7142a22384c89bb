//! Who wrote Subscriptions, and what was used up.

use super::{failed, plain, pool::Pool};
use endplate_followup::ports::{Maker, StoreError};
use jiff::Timestamp;

/// Who last wrote a Subscription.
pub(super) async fn maker(readers: &Pool, subscription: &str) -> Result<Option<Maker>, StoreError> {
    let row: Option<(String, String, String)> =
        sqlx::query_as("select client, registration, scope from maker where subscription = $1")
            .bind(plain(subscription))
            .fetch_optional(readers)
            .await
            .map_err(failed("reading who made a subscription"))?;
    let subscription = subscription.to_owned();
    Ok(row.map(|(client, registration, scope)| Maker { subscription, client, registration, scope }))
}

/// Notes a use and says whether it is the first. Some of what is over is forgotten, unless another instance is about to.
pub(super) async fn use_once(
    writers: &Pool,
    key: &str,
    until: Timestamp,
    now: Timestamp,
) -> Result<bool, StoreError> {
    let noted = sqlx::query(
        "with forgotten as (delete from used where key in \
             (select key from used where until_ms < $3 and key <> $1 order by until_ms limit 100 for update skip locked)) \
         insert into used as u (key, until_ms) values ($1, $2) \
         on conflict (key) do update set until_ms = excluded.until_ms where u.until_ms < $3",
    )
    .bind(plain(key))
    .bind(until.as_millisecond())
    .bind(now.as_millisecond())
    .execute(writers)
    .await
    .map_err(failed("noting a use"))?;
    Ok(noted.rows_affected() == 1)
}
