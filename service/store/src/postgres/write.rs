//! Commits. Each is a transaction of four round trips: begin, lock and check, write, commit.
//!
//! What a decision rests on is locked before it is compared: counters that move, counters that are only read, resources. Each
//! kind is locked in the order of its keys, so that commits of any number of instances wait for each other and seldom stand in
//! each other's way; where they do, the database ends one and its caller decides again.

use super::{part, plain, plains, pool::Pool};
use crate::packing::all_packed;
use crate::sql::history::number_of;
use crate::sql::number;
use crate::sql::row::{Rows, day};
use endplate_fhir::index;
use endplate_followup::ports::{COMMON_SCOPES, Changeset, Put, RECORDS, Scope, StoreError};
use jiff::Timestamp;
use sqlx::postgres::PgConnection;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::LazyLock;

/// Locks what a commit rests on and tells how it stands, once it is let through the gate. `nextval` gives the keys of new resources,
/// each within its part.
const CHECK: &str = "\
with passed as materialized (select 1 from gate for share), \
written as materialized \
    (select key, generation from scope where key = any($1::text[]) order by key for update), \
rested as materialized \
    (select key, generation from scope where key = any($2::text[]) order by key for share), \
known as materialized \
    (select r.key, r.kind, r.id, r.version from unnest($3::text[], $4::text[]) u (kind, id) \
    join resource r on r.kind = u.kind and r.id = u.id order by r.kind, r.id for update of r) \
select array(select key from written), array(select generation from written), \
    array(select key from rested), array(select generation from rested), \
    array(select kind from known), array(select id from known), \
    array(select key from known), array(select version from known), \
    array(select nextval('resource_key_seq') + u.beginning from unnest($5::bigint[]) u (beginning)), \
    (select count(*) from unnest($6::text[], $7::text[]) u (kind, id) left join resource r on r.kind = u.kind and r.id = u.id \
        where r.key is null or r.deleted), exists (select 1 from passed)";

/// Waits until all who have passed the gate are done, and keeps it closed until the end of the transaction. Everybody else waits behind
/// whoever waits here, so not for long.
const CLOSE: &str = "set local lock_timeout = '3s'; lock table gate in exclusive mode";

/// Writes everything at once, index rows by [`rows_text`]: where nothing changes that there was before there is nothing to compare.
static WRITES: LazyLock<[String; 2]> = LazyLock::new(|| [false, true].map(write_text));

/// The statement that writes. `compares`: among the resources are some that there were before.
fn write_text(compares: bool) -> String {
    let mut at = 11;
    let rows: String = INDEX_TABLES.iter().map(|table| rows_text(table, &mut at, compares)).collect();
    let old = "old as materialized (select array(select key from put where version > 1) as keys), ";
    let old = if compares { old } else { "" };
    format!(
        "\
with moved as (update scope s set generation = s.generation + 1 from unnest($1::text[]) u (key) where s.key = u.key), \
begun as (insert into scope (key, generation) select u.key, 1 from unnest($2::text[]) u (key) order by u.key collate \"C\"), \
put as materialized (select * from \
    unnest($3::bigint[], $4::text[], $5::text[], $6::bigint[], $7::bigint[], $8::text[], $9::bigint[], $10::text[], $43::bytea[]) \
    with ordinality u (key, kind, id, version, at_ms, patient, deed, body, packed, place)), \
made as (insert into resource (key, kind, id, version, at_ms, patient, deleted) \
    select key, kind, id, version, at_ms, patient, deed = 2 from put where version = 1 order by place), \
changed as (update resource r set version = p.version, at_ms = p.at_ms, patient = p.patient, deleted = p.deed = 2 \
    from put p where r.key = p.key and p.version > 1), \
kept as (insert into resource_version (resource, version, at_ms, body, deed, packed) \
    select key, version, at_ms, body, deed, packed from put order by place), \
{old}{rows}\
notice as materialized (select *, \
        row_number() over (partition by receiver order by place) as nth, \
        count(*) over (partition by receiver) as many from \
    unnest($34::text[], $35::text[], $36::text[], $37::bigint[]) with ordinality \
    u (receiver, kind, id, version, place)), \
counted as (insert into receiver as r (key, last_number, first) \
    select receiver, count(*), 1 from notice group by receiver order by receiver collate \"C\" \
    on conflict (key) do update set last_number = r.last_number + excluded.last_number, \
    first = coalesce(r.first, r.last_number + 1) returning key, last_number), \
raised as (insert into event (receiver, number, kind, id, version, raised_at_ms, queued_at_ms, traceparent, tracestate) \
    select n.receiver, c.last_number - n.many + n.nth, n.kind, n.id, n.version, $38, $38, $41, $42 \
    from notice n join counted c on c.key = n.receiver), \
due as materialized (select * from unnest($39::text[], $40::bigint[]) u (patient, due_day)), \
not_due as (delete from agenda a using due d where a.patient = d.patient and d.due_day is null) \
insert into agenda (patient, due_day) select patient, due_day from due where due_day is not null order by patient collate \"C\" \
on conflict (patient) do update set due_day = excluded.due_day"
    )
}

/// What a resource can be found by: tables, with their columns and types.
const INDEX_TABLES: [(&str, &[(&str, &str)]); 5] = [
    ("token_row", &[("param", "text"), ("code", "text"), ("system", "text"), ("resource", "bigint")]),
    ("reference_row", &[("param", "text"), ("id", "text"), ("kind", "text"), ("resource", "bigint")]),
    ("date_row", &[("param", "text"), ("start_ms", "bigint"), ("end_ms", "bigint"), ("resource", "bigint")]),
    ("text_row", &[("param", "text"), ("value", "text"), ("exact", "text"), ("resource", "bigint")]),
    (
        "quantity_row",
        &[
            ("param", "text"),
            ("low", "double precision"),
            ("high", "double precision"),
            ("code", "text"),
            ("system", "text"),
            ("unit", "text"),
            ("resource", "bigint"),
        ],
    ),
];

/// How the rows of one table are written, which are bound from `at` on. One that stays is not touched: most of a new version is as it
/// was.
fn rows_text((table, columns): &(&str, &[(&str, &str)]), at: &mut usize, compares: bool) -> String {
    let names = columns.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ");
    let bound = columns.iter().map(|(_, kind)| {
        *at += 1;
        format!("${}::{kind}[]", *at - 1)
    });
    let bound = bound.collect::<Vec<_>>().join(", ");
    let before = "resource = any((select keys from old)::bigint[])";
    if !compares {
        return format!(
            "new_{table} as (insert into {table} ({names}) select * from unnest({bound}) u ({names})), "
        );
    }
    format!(
        "now_{table} as materialized (select * from unnest({bound}) u ({names})), \
        no_{table} as (delete from {table} where {before} and ({names}) not in (select * from now_{table})), \
        new_{table} as (insert into {table} ({names}) select * from now_{table} except \
            select {names} from {table} where {before}), "
    )
}

/// What [`CHECK`] answers.
type Stands = (
    Vec<String>,
    Vec<i64>,
    Vec<String>,
    Vec<i64>,
    Vec<String>,
    Vec<String>,
    Vec<i64>,
    Vec<i64>,
    Vec<i64>,
    i64,
    bool,
);

/// How the tables were found when the store was opened.
#[derive(Clone, Copy, Debug)]
pub(super) struct Form {
    /// They are cut into parts by patient: a new resource gets a key in the part of its patient.
    pub is_cut: bool,
    /// Bodies are packed.
    pub packs: bool,
}

/// Applies a changeset whole, or refuses it.
pub(super) async fn commit(writers: &Pool, form: Form, change: &Changeset) -> Result<(), StoreError> {
    let packed = all_packed(puts(change), form.packs);
    let begun = writers.begin("begin isolation level read committed").await;
    let mut transaction = begun.map_err(refused("beginning a write"))?;
    match apply(&mut transaction, form, change, packed).await {
        Ok(()) => transaction.commit().await.map_err(refused("making a write durable")),
        Err(error) => {
            // At once, since others may wait for its locks. A connection that is gone has nothing to take back.
            if let Err(again) = transaction.rollback().await {
                tracing::debug!(error = %again, "nothing to take back");
            }
            Err(error)
        }
    }
}

async fn apply(
    connection: &mut PgConnection,
    form: Form,
    change: &Changeset,
    packed: Vec<Option<Vec<u8>>>,
) -> Result<(), StoreError> {
    // Whoever refers to something has passed the gate, and is seen by whoever deletes it, or sees that it is gone.
    let is_common = |scope: &Scope| COMMON_SCOPES.contains(&scope.key.as_str());
    if change.scopes.iter().any(is_common) || change.deletions().next().is_some() {
        let closed = sqlx::raw_sql(CLOSE).execute(&mut *connection).await;
        closed.map_err(refused("waiting for writes that rest on what this one changes"))?;
    }
    let checked = check(connection, form, change).await?;
    if !checked.unknown.is_empty() {
        rest_on_nothing(connection, &checked.unknown).await?;
    }
    if change.deletions().next().is_some() {
        refuse_referred(connection, change).await?;
    }
    let keys = checked.keys.clone();
    let audited = keys.get(change.puts.len()..).unwrap_or_default();
    write(connection, change, checked, packed).await?;
    arrange(connection, change).await.map_err(refused("arranging deliveries"))?;
    // The last thing before the commit, since all others who have something to append wait for it.
    super::chain::append(connection, &change.audit, audited).await
}

/// What is written: new versions, and then the AuditEvents of them.
fn puts(change: &Changeset) -> impl Iterator<Item = &Put> + Clone {
    change.puts.iter().chain(&change.audit)
}

/// What a commit needs to know once it may go on.
struct Checked<'a> {
    /// Counters that stand in the store and move.
    moved: Vec<Cow<'a, str>>,
    /// Counters that begin with this commit.
    begun: Vec<Cow<'a, str>>,
    /// Counters that are only read and do not stand in the store.
    unknown: Vec<Cow<'a, str>>,
    /// The key of each put's resource; a new resource gets the next one.
    keys: Vec<i64>,
}

/// Refuses if a counter has moved, if what is referred to is gone, or if the current version of a resource is not the one before that
/// which is to be written.
async fn check<'a>(
    connection: &mut PgConnection,
    form: Form,
    change: &'a Changeset,
) -> Result<Checked<'a>, StoreError> {
    let names = |scopes: &'a [Scope]| scopes.iter().map(|scope| key_of(&scope.key)).collect::<BTreeSet<_>>();
    let (scopes, reads) = (names(&change.scopes), names(&change.reads));
    let kinds: Vec<_> = puts(change).map(|put| put.stored.kind.as_str()).collect();
    let ids: Vec<_> = puts(change).map(|put| put.stored.id.as_str()).collect();
    let fresh = puts(change).filter(|put| put.stored.version == 1);
    let beginnings: Vec<i64> = fresh.map(|put| if form.is_cut { part::beginning(put) } else { 0 }).collect();
    let stands: Stands = sqlx::query_as(CHECK)
        .bind(scopes.iter().map(AsRef::as_ref).collect::<Vec<&str>>())
        .bind(reads.iter().map(AsRef::as_ref).collect::<Vec<&str>>())
        .bind(kinds)
        .bind(ids)
        .bind(beginnings)
        .bind(plains(change.targets.iter().map(|(kind, _)| kind.as_str())))
        .bind(plains(change.targets.iter().map(|(_, id)| id.as_str())))
        .fetch_one(connection)
        .await
        .map_err(refused("checking what a write rests on"))?;
    let (written, written_at, rested, rested_at, kinds, ids, keys, versions, fresh, gone, _) = stands;
    let written: HashMap<_, _> = written.into_iter().zip(written_at).collect();
    let rested: HashMap<_, _> = rested.into_iter().zip(rested_at).collect();
    let known: HashMap<_, _> = kinds.into_iter().zip(ids).zip(keys.into_iter().zip(versions)).collect();
    let stays = |scope: &Scope, at: &HashMap<String, i64>| {
        at.get(key_of(&scope.key).as_ref()).copied().unwrap_or(0) == number(scope.generation)
    };
    let still = change.scopes.iter().all(|scope| stays(scope, &written))
        && change.reads.iter().all(|scope| stays(scope, &rested));
    let mut fresh = fresh.into_iter();
    let key = |put: &Put| {
        let (stored, before) = (&put.stored, put.stored.version.checked_sub(1)?);
        match known.get(&(stored.kind.clone(), stored.id.clone())) {
            Some((key, version)) => (*version == number(before)).then_some(*key),
            None if before == 0 => fresh.next(),
            None => None,
        }
    };
    let keys: Option<Vec<i64>> = puts(change).map(key).collect();
    let Some(keys) = keys.filter(|_| still && gone == 0) else { return Err(StoreError::Moved) };
    let (moved, begun) = scopes.into_iter().partition(|key| written.contains_key(key.as_ref()));
    let unknown = reads.into_iter().filter(|key| !rested.contains_key(key.as_ref())).collect();
    Ok(Checked { moved, begun, unknown, keys })
}

/// Makes counters that nobody has moved yet, so that there is something to lock: whoever would be the first to move one has to
/// wait until this commit is over.
async fn rest_on_nothing(connection: &mut PgConnection, unknown: &[Cow<'_, str>]) -> Result<(), StoreError> {
    const CONTEXT: &str = "checking what a write rests on";
    let keys: Vec<&str> = unknown.iter().map(AsRef::as_ref).collect();
    sqlx::query("insert into scope (key, generation) select u.key, 0 from unnest($1::text[]) u (key) order by u.key collate \"C\" on conflict (key) do nothing")
        .bind(&keys)
        .execute(&mut *connection)
        .await
        .map_err(refused(CONTEXT))?;
    let rows: Vec<i64> =
        sqlx::query_scalar("select generation from scope where key = any($1::text[]) order by key for share")
            .bind(&keys)
            .fetch_all(connection)
            .await
            .map_err(refused(CONTEXT))?;
    if rows.iter().all(|generation| *generation == 0) { Ok(()) } else { Err(StoreError::Moved) }
}

/// Refuses if something that stays refers to what is deleted. The gate is closed: nobody else is about to.
async fn refuse_referred(connection: &mut PgConnection, change: &Changeset) -> Result<(), StoreError> {
    let is_referred: bool = sqlx::query_scalar(
        "select exists (select 1 from unnest($1::text[], $2::text[]) d (kind, id) \
             join reference_row t on t.param = any($3::text[]) and left(t.id, 128) = d.id and t.kind = d.kind \
             join resource r on r.key = t.resource \
             where r.kind <> all($4::text[]) and (r.kind, r.id) not in (select * from unnest($5::text[], $6::text[])))",
    )
    .bind(plains(change.deletions().map(|put| put.stored.kind.as_str())))
    .bind(plains(change.deletions().map(|put| put.stored.id.as_str())))
    .bind(index::reference_params())
    .bind(RECORDS)
    .bind(puts(change).map(|put| put.stored.kind.as_str()).collect::<Vec<_>>())
    .bind(puts(change).map(|put| put.stored.id.as_str()).collect::<Vec<_>>())
    .fetch_one(connection)
    .await
    .map_err(refused("checking what refers to a resource"))?;
    if is_referred { Err(StoreError::Moved) } else { Ok(()) }
}

async fn write(
    connection: &mut PgConnection,
    change: &Changeset,
    checked: Checked<'_>,
    packed: Vec<Option<Vec<u8>>>,
) -> Result<(), StoreError> {
    let Checked { moved, begun, keys, .. } = checked;
    let puts: Vec<&Put> = puts(change).collect();
    let rows = Rows::of(&puts, &keys);
    let (tokens, references, dates) = (&rows.tokens, &rows.references, &rows.dates);
    let (texts, quantities) = (&rows.texts, &rows.quantities);
    let notices = &change.notices;
    let at = change.at.unwrap_or(Timestamp::UNIX_EPOCH);
    // Of two dates of one patient the last holds.
    let agenda: BTreeMap<&str, _> =
        change.agenda.iter().map(|agenda| (agenda.patient.as_str(), agenda.due_on.map(day))).collect();
    let stored = || puts.iter().map(|put| &put.stored);
    let bodies =
        stored().zip(&packed).map(|(stored, packed)| if packed.is_some() { "" } else { &stored.body });
    let [writes, compares] = &*WRITES;
    let text = if puts.iter().any(|put| put.stored.version > 1) { compares } else { writes };
    sqlx::query(text.as_str())
        .bind(moved)
        .bind(begun)
        .bind(&keys)
        .bind(stored().map(|stored| stored.kind.as_str()).collect::<Vec<_>>())
        .bind(stored().map(|stored| stored.id.as_str()).collect::<Vec<_>>())
        .bind(stored().map(|stored| number(stored.version)).collect::<Vec<_>>())
        .bind(stored().map(|stored| stored.at.as_millisecond()).collect::<Vec<_>>())
        .bind(puts.iter().map(|put| put.patient.as_deref()).collect::<Vec<_>>())
        .bind(puts.iter().map(|put| number_of(put.deed)).collect::<Vec<_>>())
        .bind(bodies.collect::<Vec<_>>())
        .bind(plains(tokens.iter().map(|row| row.0.as_str())))
        .bind(plains(tokens.iter().map(|row| row.1.as_ref())))
        .bind(plains(tokens.iter().map(|row| row.2)))
        .bind(tokens.iter().map(|row| row.3).collect::<Vec<_>>())
        .bind(plains(references.iter().map(|row| row.0.as_str())))
        .bind(plains(references.iter().map(|row| row.1)))
        .bind(plains(references.iter().map(|row| row.2)))
        .bind(references.iter().map(|row| row.3).collect::<Vec<_>>())
        .bind(plains(dates.iter().map(|row| row.0.as_str())))
        .bind(dates.iter().map(|row| row.1).collect::<Vec<_>>())
        .bind(dates.iter().map(|row| row.2).collect::<Vec<_>>())
        .bind(dates.iter().map(|row| row.3).collect::<Vec<_>>())
        .bind(plains(texts.iter().map(|row| row.0.as_str())))
        .bind(plains(texts.iter().map(|row| row.1.as_str())))
        .bind(plains(texts.iter().map(|row| row.2)))
        .bind(texts.iter().map(|row| row.3).collect::<Vec<_>>())
        .bind(plains(quantities.iter().map(|row| row.0.as_str())))
        .bind(quantities.iter().map(|row| row.1).collect::<Vec<_>>())
        .bind(quantities.iter().map(|row| row.2).collect::<Vec<_>>())
        .bind(plains(quantities.iter().map(|row| row.3)))
        .bind(plains(quantities.iter().map(|row| row.4)))
        .bind(plains(quantities.iter().map(|row| row.5)))
        .bind(quantities.iter().map(|row| row.6).collect::<Vec<_>>())
        .bind(notices.iter().map(|notice| notice.receiver.as_str()).collect::<Vec<_>>())
        .bind(notices.iter().map(|notice| notice.kind.as_str()).collect::<Vec<_>>())
        .bind(notices.iter().map(|notice| notice.id.as_str()).collect::<Vec<_>>())
        .bind(notices.iter().map(|notice| number(notice.version)).collect::<Vec<_>>())
        .bind(at.as_millisecond())
        .bind(agenda.keys().copied().collect::<Vec<_>>())
        .bind(agenda.values().copied().collect::<Vec<_>>())
        .bind(change.trace.as_ref().map(|trace| trace.parent.as_str()))
        .bind(change.trace.as_ref().and_then(|trace| trace.state.as_deref()))
        .bind(&packed)
        .execute(connection)
        .await
        .map(|_| ())
        .map_err(refused("writing resources"))
}

/// Who wrote Subscriptions, when they are looked at, and what waits for some and may go. Few writes have any of these.
async fn arrange(connection: &mut PgConnection, change: &Changeset) -> Result<(), sqlx::Error> {
    if !change.makers.is_empty() {
        // Of two of one Subscription the last holds, here and below.
        let makers: BTreeMap<&str, _> =
            change.makers.iter().map(|maker| (maker.subscription.as_str(), maker)).collect();
        sqlx::query(
            "insert into maker (subscription, client, registration, scope) \
             select * from unnest($1::text[], $2::text[], $3::text[], $4::text[]) \
             on conflict (subscription) do update set client = excluded.client, \
             registration = excluded.registration, scope = excluded.scope",
        )
        .bind(plains(makers.keys().copied()))
        .bind(plains(makers.values().map(|maker| maker.client.as_str())))
        .bind(plains(makers.values().map(|maker| maker.registration.as_str())))
        .bind(plains(makers.values().map(|maker| maker.scope.as_str())))
        .execute(&mut *connection)
        .await?;
    }
    if !change.calls.is_empty() {
        let calls: BTreeMap<&str, _> = change
            .calls
            .iter()
            .map(|call| (call.subscription.as_str(), call.at.map(Timestamp::as_millisecond)))
            .collect();
        sqlx::query(
            "with call as (select * from unnest($1::text[], $2::bigint[]) u (subscription, at_ms)), \
             none as (delete from subscription_call s using call c \
                 where s.subscription = c.subscription and c.at_ms is null) \
             insert into subscription_call (subscription, at_ms) select * from call where at_ms is not null \
             on conflict (subscription) do update set at_ms = excluded.at_ms",
        )
        .bind(plains(calls.keys().copied()))
        .bind(calls.values().copied().collect::<Vec<_>>())
        .execute(&mut *connection)
        .await?;
    }
    if !change.releases.is_empty() {
        let at = change.at.unwrap_or(Timestamp::UNIX_EPOCH);
        sqlx::query(
            "update receiver set held = false, next_at_ms = least(next_at_ms, $2) where key = any($1::text[])",
        )
        .bind(plains(change.releases.iter().map(String::as_str)))
        .bind(at.as_millisecond())
        .execute(connection)
        .await?;
    }
    Ok(())
}

/// A counter's key as the store has it. Its beginning is enough: whoever shares it waits for the other, and no more.
pub(super) fn key_of(key: &str) -> Cow<'_, str> {
    const CHARS_MAX: usize = 256;
    plain(key.char_indices().nth(CHARS_MAX).map_or(key, |(end, _)| &key[..end]))
}

/// A failure while writing. Whoever was first with the same counter or resource, or holds a lock that the other waits for, has
/// moved the facts.
pub(super) fn refused(context: &'static str) -> impl Fn(sqlx::Error) -> StoreError {
    move |source| {
        let moved = source.as_database_error().is_some_and(|error| {
            let taken = [
                "scope_once",
                "resource_once",
                "resource_version_once",
                "counterpart_once",
                "counterpart_theirs_once",
            ];
            let is_taken = |name: &str| taken.contains(&name) || is_version_of_part(name);
            // https://www.postgresql.org/docs/current/errcodes-appendix.html: serialization_failure, deadlock_detected.
            matches!(error.code().as_deref(), Some("40001" | "40P01"))
                || error.constraint().is_some_and(is_taken)
        });
        if moved { StoreError::Moved } else { super::failed(context)(source) }
    }
}

/// Whether a key is what `resource_version_once` is called in a part: PostgreSQL names it by the part and the columns.
fn is_version_of_part(name: &str) -> bool {
    name.starts_with("resource_version_") && name.ends_with("_resource_version_key")
}
