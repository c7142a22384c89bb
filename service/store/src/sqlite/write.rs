//! The one writer. It takes what is waiting, applies all of it in one transaction, and makes it durable with one commit
//! before it answers any. A write is refused before it has written anything; if one fails, all are taken back and each is
//! tried again in a transaction of its own.
//!
//! Each text that is sent to SQLite costs a change of threads, so a write is few texts of several statements. sqlx counts `?N` that a
//! later statement of a text leaves out as parameters of it, and then leaves the last ones empty: a text of several statements has
//! either `?` alone, or in each statement every number from 1 on.

use super::recent::Recent;
use super::{day, failed, number, outbox};
use crate::packing;
use crate::sql::history;
use crate::sql::row::Rows;
use endplate_fhir::index;
use endplate_followup::ports::{Attempt, Changeset, Deed, Link, Note, Put, RECORDS, Replay, StoreError};
use jiff::Timestamp;
use sqlx::sqlite::SqliteConnection;
use sqlx::{QueryBuilder, Sqlite};
use std::collections::{BTreeMap, HashSet};
use std::hash::Hash;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};

/// Writes that may wait; the next one waits to wait.
const WAITING_MAX: usize = 256;
/// Writes made durable together.
const TOGETHER_MAX: usize = 64;
/// Rows in one insert; SQLite takes 32,766 parameters.
const ROWS_MAX: usize = 2_000;

/// What a write is.
pub(super) enum Work {
    Commit(Box<Changeset>),
    /// What became of a receiver's events.
    Settle(String, Vec<Attempt>),
    /// Dead letters of a receiver: what waits since before this instant, and why.
    Park(String, Timestamp, String),
    Replay(Replay, Timestamp),
    Note(Vec<Note>),
    /// Something that may be used once.
    Use {
        key: String,
        until: Timestamp,
        now: Timestamp,
    },
}

impl Work {
    fn puts(&self) -> &[Put] {
        match self {
            Self::Commit(change) => &change.puts,
            Self::Settle(..) | Self::Park(..) | Self::Replay(..) | Self::Note(_) | Self::Use { .. } => &[],
        }
    }
}

/// What a write is answered: of how many events it changed the state, where that is asked for.
type Answer = Result<u64, StoreError>;

/// A write that waits, and who waits for it.
struct Job {
    work: Work,
    /// The bodies of what it puts, packed, where the store packs: while others write.
    packed: Vec<Option<Vec<u8>>>,
    answer: oneshot::Sender<Answer>,
}

/// The way to the writer.
#[derive(Clone, Debug)]
pub(super) struct Writer {
    jobs: mpsc::Sender<Job>,
    packs: bool,
}

impl Writer {
    /// Starts the writer on its own connection and on a thread of its own: between two statements it would otherwise wait until one of
    /// the threads that decide writes, each some milliseconds at a stretch, is free.
    pub(super) fn start(
        connection: SqliteConnection,
        packs: bool,
        recent: Option<Arc<Recent>>,
    ) -> std::io::Result<Self> {
        let (jobs, waiting) = mpsc::channel(WAITING_MAX);
        let runtime = tokio::runtime::Builder::new_current_thread().build()?;
        let write = move || runtime.block_on(run(connection, waiting, recent));
        std::thread::Builder::new().name("sqlite-writer".to_owned()).spawn(write)?;
        Ok(Self { jobs, packs })
    }

    /// Whether the writer is there.
    pub(super) fn check(&self) -> Result<(), StoreError> {
        if self.jobs.is_closed() { Err(gone()) } else { Ok(()) }
    }

    /// Has it done, and waits until it is durable.
    pub(super) async fn send(&self, work: Work) -> Answer {
        let (answer, answered) = oneshot::channel();
        let packed = match &work {
            Work::Commit(change) => packing::all_packed(change.puts.iter().chain(&change.audit), self.packs),
            _ => Vec::new(),
        };
        self.jobs.send(Job { work, packed, answer }).await.map_err(|_| gone())?;
        answered.await.map_err(|_| gone())?
    }
}

fn gone() -> StoreError {
    StoreError::Failed { context: "reaching the writer", source: "the writer has stopped".into() }
}

/// Serves until nobody can ask any more.
async fn run(
    mut connection: SqliteConnection,
    mut waiting: mpsc::Receiver<Job>,
    recent: Option<Arc<Recent>>,
) {
    let mut jobs = Vec::with_capacity(TOGETHER_MAX);
    while waiting.recv_many(&mut jobs, TOGETHER_MAX).await > 0 {
        together(&mut connection, &mut jobs, recent.as_deref()).await;
    }
}

/// Applies and answers all jobs: in one transaction, or, where that fails, each in its own.
async fn together(connection: &mut SqliteConnection, jobs: &mut Vec<Job>, recent: Option<&Recent>) {
    let mut size = jobs.len();
    while !jobs.is_empty() {
        if let Err(error) = execute(connection, "begin immediate", "beginning a write").await {
            return fail(jobs.drain(..), &error);
        }
        // Nobody else can write from here to the commit.
        let mark = recent.and_then(Recent::mark);
        let size_now = size.min(jobs.len());
        match apply(connection, jobs.iter().take(size_now)).await {
            Ok(answers) => {
                if let Some(recent) = recent {
                    recent.committed(mark, jobs.iter().take(size_now).flat_map(|job| job.work.puts()));
                }
                for (job, answer) in jobs.drain(..size_now).zip(answers) {
                    // Whoever no longer waits does not need the answer.
                    let _ = job.answer.send(answer);
                }
            }
            Err(error) => {
                // SQLite itself may have taken the transaction back, as it does where the disk is full.
                if let Err(again) = execute(connection, "rollback", "taking a write back").await {
                    tracing::debug!(error = %again, "nothing to take back");
                }
                if size_now == 1 {
                    fail(jobs.drain(..1), &error);
                }
                size = 1;
            }
        }
    }
}

/// Applies jobs and commits; gives what each is to be answered. An error means that none of them may stand.
async fn apply(
    connection: &mut SqliteConnection,
    jobs: impl Iterator<Item = &Job>,
) -> Result<Vec<Answer>, StoreError> {
    let mut answers = Vec::new();
    for job in jobs {
        let answer = match &job.work {
            Work::Commit(change) => commit(connection, change, &job.packed).await.map(|()| 0),
            Work::Settle(receiver, attempts) => {
                outbox::settle(connection, receiver, attempts).await.map(|()| 0)
            }
            Work::Note(notes) => super::record::keep(connection, notes).await.map(|()| 0),
            Work::Park(receiver, before, reason) => outbox::park(connection, receiver, *before, reason).await,
            Work::Replay(which, now) => outbox::replay(connection, which, *now).await,
            Work::Use { key, until, now } => {
                super::access::use_once(connection, key, *until, *now).await.map(|()| 0)
            }
        };
        match answer {
            Ok(_) | Err(StoreError::Moved) => answers.push(answer),
            Err(error) => return Err(error),
        }
    }
    execute(connection, "commit", "making a write durable").await?;
    Ok(answers)
}

/// Tells all of these that the same thing failed.
fn fail(jobs: impl Iterator<Item = Job>, error: &StoreError) {
    let (context, text) = match error {
        StoreError::Failed { context, source } => (*context, source.to_string()),
        StoreError::Moved => ("making a write durable", error.to_string()),
    };
    for job in jobs {
        let source = text.clone().into();
        let _ = job.answer.send(Err(StoreError::Failed { context, source }));
    }
}

async fn execute(
    connection: &mut SqliteConnection,
    sql: &'static str,
    context: &'static str,
) -> Result<(), StoreError> {
    sqlx::query(sql).execute(connection).await.map(|_| ()).map_err(failed(context))
}

/// Applies one changeset, or refuses it before anything is written.
async fn commit(
    connection: &mut SqliteConnection,
    change: &Changeset,
    packed: &[Option<Vec<u8>>],
) -> Result<(), StoreError> {
    let puts: Vec<&Put> = change.puts.iter().chain(&change.audit).collect();
    let Facts { places, head, found } = check(connection, change, &puts).await?;
    if change.deletions().next().is_some() {
        refuse_referred(connection, change, &puts).await?;
    }
    move_on(connection, change).await?;
    let parts = puts.chunks(ROWS_MAX).zip(places.chunks(ROWS_MAX)).zip(packed.chunks(ROWS_MAX));
    for ((puts, places), packed) in parts {
        put(connection, puts, places, packed).await?;
    }
    index(connection, &puts, &places, &found).await?;
    let audited = places.get(change.puts.len()..).unwrap_or_default();
    let audited: Vec<i64> = audited.iter().map(|place| place.key).collect();
    super::chain::append(connection, head, &change.audit, &audited).await?;
    outbox::raise(connection, change).await?;
    outbox::arrange(connection, change).await?;
    super::access::keep(connection, &change.makers).await
}

/// What a write is told before it writes.
struct Facts {
    /// Where each put's resource stands.
    places: Vec<Place>,
    /// The last link of the chain of AuditEvents.
    head: Option<Link>,
    /// What the resources that are there are found by so far.
    found: Found,
}

/// Where the resource of a put stands.
struct Place {
    /// Its key; a new resource gets the next one.
    key: i64,
    /// What is there of it: its patient, and whether it is deleted; none of a new one.
    before: Option<(Option<String>, bool)>,
}

/// What is known of a resource: key, version, patient, deleted.
type Known = (Option<i64>, u64, Option<String>, i64);

/// Counters that moved and targets that are gone, the last key, what is known, the last link, and the rows of tokens, references, dates and texts.
type Checked = (i64, i64, String, i64, String, String, String, String, String);

/// Refuses if a counter has moved, if what is referred to is gone, or if the current version of a resource is not the one before that
/// which is to be written.
async fn check(
    connection: &mut SqliteConnection,
    change: &Changeset,
    puts: &[&Put],
) -> Result<Facts, StoreError> {
    const CONTEXT: &str = "checking what a write rests on";
    let rested_on = change.scopes.iter().chain(&change.reads);
    let scopes: Vec<_> = rested_on.map(|scope| (&scope.key, number(scope.generation))).collect();
    let names: Vec<_> = puts.iter().map(|put| (&put.stored.kind, &put.stored.id)).collect();
    // One row, since each row costs a change of threads.
    let row: Checked = sqlx::query_as(
        "with known as materialized (select r.key \
             from json_each(?2) j join resource r on r.kind = j.value ->> 0 and r.id = j.value ->> 1) \
         select \
         (select count(*) from json_each(?1) j left join scope s on s.key = j.value ->> 0 \
             where coalesce(s.generation, 0) <> j.value ->> 1) \
         + (select count(*) from json_each(?3) j left join resource r on r.kind = j.value ->> 0 and r.id = j.value ->> 1 \
             where coalesce(r.deleted, 1)), \
         (select coalesce(max(key), 0) from resource), \
         (select json_group_array(json_array(r.key, coalesce(r.version, 0), r.patient, coalesce(r.deleted, 0)) order by j.key) \
             from json_each(?2) j left join resource r on r.kind = j.value ->> 0 and r.id = j.value ->> 1), \
         (select coalesce(max(number), 0) from audit_link), \
         coalesce((select hash from audit_link order by number desc limit 1), ''), \
         (select json_group_array(json_array(t.param, t.code, t.system, t.resource)) \
             from known k cross join token_row t on t.resource = k.key), \
         (select json_group_array(json_array(t.param, t.id, t.kind, t.resource)) \
             from known k cross join reference_row t on t.resource = k.key), \
         (select json_group_array(json_array(t.param, t.start_ms, t.end_ms, t.resource)) \
             from known k cross join date_row t on t.resource = k.key), \
         (select json_group_array(json_array(t.param, t.value, t.exact, t.resource)) \
             from known k cross join text_row t on t.resource = k.key)",
    )
    .bind(serde_json::to_string(&scopes).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&names).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&change.targets).map_err(unsaid(CONTEXT))?)
    .fetch_one(connection)
    .await
    .map_err(failed(CONTEXT))?;
    let (moved, mut last, known, number_of_head, hash, tokens, references, dates, texts) = row;
    let known: Vec<Known> = serde_json::from_str(&known).map_err(unsaid(CONTEXT))?;
    let before = |put: &Put| put.stored.version.checked_sub(1);
    if moved > 0 || puts.iter().zip(&known).any(|(put, known)| before(put) != Some(known.1)) {
        return Err(StoreError::Moved);
    }
    let mut next = || {
        last += 1;
        last
    };
    let place = |(key, _, patient, deleted): Known| match key {
        Some(key) => Place { key, before: Some((patient, deleted != 0)) },
        None => Place { key: next(), before: None },
    };
    let places = known.into_iter().map(place).collect();
    let head = (number_of_head > 0).then(|| Link { number: number_of_head.unsigned_abs(), hash });
    let found = Found::of([&tokens, &references, &dates, &texts]).map_err(unsaid(CONTEXT))?;
    Ok(Facts { places, head, found })
}

/// Refuses if something that stays refers to what is deleted.
async fn refuse_referred(
    connection: &mut SqliteConnection,
    change: &Changeset,
    puts: &[&Put],
) -> Result<(), StoreError> {
    const CONTEXT: &str = "checking what refers to a resource";
    let deleted: Vec<_> = change.deletions().map(|put| (&put.stored.kind, &put.stored.id)).collect();
    let written: Vec<_> = puts.iter().map(|put| (&put.stored.kind, &put.stored.id)).collect();
    let is_referred: bool = sqlx::query_scalar(
        "select exists (select 1 from json_each(?1) d cross join json_each(?2) p cross join reference_row t \
             join resource r on r.key = t.resource \
             where t.param = p.value and t.id = d.value ->> 1 and t.kind = d.value ->> 0 \
             and r.kind not in (select value from json_each(?3)) \
             and (r.kind, r.id) not in (select value ->> 0, value ->> 1 from json_each(?4)))",
    )
    .bind(serde_json::to_string(&deleted).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&index::reference_params()).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&RECORDS).map_err(unsaid(CONTEXT))?)
    .bind(serde_json::to_string(&written).map_err(unsaid(CONTEXT))?)
    .fetch_one(connection)
    .await
    .map_err(failed(CONTEXT))?;
    if is_referred { Err(StoreError::Moved) } else { Ok(()) }
}

/// Moves each counter by one, and writes the agenda; of two dates of one patient the last holds.
async fn move_on(connection: &mut SqliteConnection, change: &Changeset) -> Result<(), StoreError> {
    const CONTEXT: &str = "moving counters and writing the agenda";
    let moved: Vec<_> =
        change.scopes.iter().map(|scope| (&scope.key, number(scope.generation).saturating_add(1))).collect();
    let agenda: BTreeMap<_, _> =
        change.agenda.iter().map(|agenda| (&agenda.patient, agenda.due_on.map(day))).collect();
    if moved.is_empty() && agenda.is_empty() {
        return Ok(());
    }
    let agenda: Vec<_> = agenda.into_iter().collect();
    let agenda = serde_json::to_string(&agenda).map_err(unsaid(CONTEXT))?;
    sqlx::query(
        "insert into scope (key, generation) select value ->> 0, value ->> 1 from json_each(?) where true \
         on conflict (key) do update set generation = excluded.generation; \
         delete from agenda where patient in (select value ->> 0 from json_each(?) where value ->> 1 is null); \
         insert into agenda (patient, due_day) select value ->> 0, value ->> 1 from json_each(?) \
         where value ->> 1 is not null on conflict (patient) do update set due_day = excluded.due_day",
    )
    .bind(serde_json::to_string(&moved).map_err(unsaid(CONTEXT))?)
    .bind(&agenda)
    .bind(&agenda)
    .execute(connection)
    .await
    .map(|_| ())
    .map_err(failed(CONTEXT))
}

/// Writes versions and makes them current. Of a resource that is there, only what changes is set: an index is written anew for
/// each of its columns that is set, be it to the same value.
async fn put(
    connection: &mut SqliteConnection,
    puts: &[&Put],
    places: &[Place],
    packed: &[Option<Vec<u8>>],
) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing resources";
    let (mut new, mut known, mut moved) = (Vec::new(), Vec::new(), Vec::new());
    for (&Put { stored, deed, patient, .. }, Place { key, before }) in puts.iter().zip(places) {
        let is_deleted = *deed == Deed::Deleted;
        let (version, at_ms) = (number(stored.version), stored.at.as_millisecond());
        match before {
            None => {
                new.push((key, &stored.kind, &stored.id, version, at_ms, patient, i64::from(is_deleted)));
            }
            Some((of, was_deleted)) => {
                known.push((key, version, at_ms));
                if of != patient || *was_deleted != is_deleted {
                    moved.push((key, patient, i64::from(is_deleted)));
                }
            }
        }
    }
    let mut write = sqlx::query(
        "insert into resource (key, kind, id, version, at_ms, patient, deleted) \
         select value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5, value ->> 6 from json_each(?); \
         update resource set version = j.value ->> 1, at_ms = j.value ->> 2 from json_each(?) j where resource.key = j.value ->> 0; \
         update resource set patient = j.value ->> 1, deleted = j.value ->> 2 from json_each(?) j where resource.key = j.value ->> 0",
    );
    for rows in [serde_json::to_string(&new), serde_json::to_string(&known), serde_json::to_string(&moved)] {
        write = write.bind(rows.map_err(unsaid(CONTEXT))?);
    }
    write.execute(&mut *connection).await.map_err(failed(CONTEXT))?;
    let mut insert: QueryBuilder<Sqlite> =
        QueryBuilder::new("insert into resource_version (resource, version, at_ms, body, deed, packed) ");
    insert.push_values(puts.iter().zip(places).zip(packed), |mut row, ((put, place), packed)| {
        row.push_bind(place.key)
            .push_bind(number(put.stored.version))
            .push_bind(put.stored.at.as_millisecond())
            .push_bind(if packed.is_some() { "" } else { &put.stored.body })
            .push_bind(history::number_of(put.deed))
            .push_bind(packed.as_deref());
    });
    insert.build().execute(connection).await.map(|_| ()).map_err(failed(CONTEXT))
}

/// Each table's rows as SQL takes them: a JSON array of arrays, in the order of its columns.
fn told(rows: &Rows<'_>) -> Result<[String; 5], serde_json::Error> {
    use serde_json::to_string;
    Ok([
        to_string(&rows.tokens)?,
        to_string(&rows.references)?,
        to_string(&rows.dates)?,
        to_string(&rows.texts)?,
        to_string(&rows.quantities)?,
    ])
}

/// What some resources are found by so far, as [`Rows`] has it, but for quantities: a number that is read back may not be the same
/// to the bit.
struct Found {
    tokens: Vec<(String, String, String, i64)>,
    references: Vec<(String, String, String, i64)>,
    dates: Vec<(String, i64, i64, i64)>,
    texts: Vec<(String, String, String, i64)>,
}

impl Found {
    /// Of each table's rows as SQL gives them.
    fn of([tokens, references, dates, texts]: [&str; 4]) -> Result<Self, serde_json::Error> {
        use serde_json::from_str;
        Ok(Self {
            tokens: from_str(tokens)?,
            references: from_str(references)?,
            dates: from_str(dates)?,
            texts: from_str(texts)?,
        })
    }

    /// Leaves of `rows` what is not there yet; gives each table's rows that are there and should not be, as SQL takes them.
    fn leave_new(&self, rows: &mut Rows<'_>) -> Result<[String; 4], serde_json::Error> {
        fn four((a, b, c, key): &(String, String, String, i64)) -> (&str, &str, &str, i64) {
            (a, b, c, *key)
        }
        let (tokens, stay) = differ(
            self.tokens.iter().map(four),
            rows.tokens.iter().map(|(a, b, c, key)| (a.as_str(), b.as_ref(), *c, *key)),
        );
        let tokens = serde_json::to_string(&tokens)?;
        drop_those(&mut rows.tokens, stay);
        let (references, stay) = differ(
            self.references.iter().map(four),
            rows.references.iter().map(|(a, b, c, key)| (a.as_str(), *b, *c, *key)),
        );
        let references = serde_json::to_string(&references)?;
        drop_those(&mut rows.references, stay);
        let (dates, stay) = differ(self.dates.iter(), rows.dates.iter());
        let dates = serde_json::to_string(&dates)?;
        drop_those(&mut rows.dates, stay);
        let (texts, stay) = differ(
            self.texts.iter().map(four),
            rows.texts.iter().map(|(a, b, c, key)| (a.as_str(), b.as_str(), *c, *key)),
        );
        let texts = serde_json::to_string(&texts)?;
        drop_those(&mut rows.texts, stay);
        Ok([tokens, references, dates, texts])
    }
}

/// What is in `before` alone, and of each row `after` whether it was there before.
fn differ<T: Eq + Hash>(
    before: impl Iterator<Item = T>,
    after: impl Iterator<Item = T>,
) -> (Vec<T>, Vec<bool>) {
    let mut gone: HashSet<T> = before.collect();
    let stay = after.map(|row| gone.remove(&row)).collect();
    (gone.into_iter().collect(), stay)
}

fn drop_those<T>(rows: &mut Vec<T>, those: Vec<bool>) {
    let mut those = those.into_iter();
    rows.retain(|_| those.next() != Some(true));
}

/// The rows that a JSON array of arrays names.
macro_rules! gone {
    () => {
        "with gone as materialized (select value ->> 0 as a, value ->> 1 as b, value ->> 2 as c, value ->> 3 as d from json_each(?)) "
    };
}

/// Makes these versions what their resources are found by. A row that stays is not touched: most of a new version is as it was,
/// each page that changes is written to the disk, and to tell a row to SQL costs more than to compare it here.
async fn index(
    connection: &mut SqliteConnection,
    puts: &[&Put],
    places: &[Place],
    found: &Found,
) -> Result<(), StoreError> {
    const CONTEXT: &str = "writing index rows";
    if puts.is_empty() {
        return Ok(());
    }
    let keys: Vec<i64> = places.iter().map(|place| place.key).collect();
    let mut rows = Rows::of(puts, &keys);
    let known: Vec<i64> =
        places.iter().filter(|place| place.before.is_some()).map(|place| place.key).collect();
    let gone = found.leave_new(&mut rows).map_err(unsaid(CONTEXT))?;
    let [tokens, references, dates, texts, quantities] = told(&rows).map_err(unsaid(CONTEXT))?;
    // By the resource, and then row by row: the planner would rather walk through all that have the same parameter and code.
    let mut write = sqlx::query(concat!(
        gone!(),
        "delete from token_row where resource in (select d from gone) \
             and (+param, +code, +system, +resource) in (select a, b, c, d from gone); ",
        gone!(),
        "delete from reference_row where resource in (select d from gone) \
             and (+param, +id, +kind, +resource) in (select a, b, c, d from gone); ",
        gone!(),
        "delete from date_row where resource in (select d from gone) \
             and (+param, +start_ms, +end_ms, +resource) in (select a, b, c, d from gone); ",
        gone!(),
        "delete from text_row where resource in (select d from gone) \
             and (+param, +value, +exact, +resource) in (select a, b, c, d from gone); \
         delete from quantity_row where resource in (select value from json_each(?)) \
             and (param, low, high, code, system, unit, resource) not in (select value ->> 0, value ->> 1, value ->> 2, \
             value ->> 3, value ->> 4, value ->> 5, value ->> 6 from json_each(?)); \
         insert or ignore into token_row (param, code, system, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into reference_row (param, id, kind, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into date_row (param, start_ms, end_ms, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into text_row (param, value, exact, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3 from json_each(?); \
         insert or ignore into quantity_row (param, low, high, code, system, unit, resource) \
             select value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5, value ->> 6 from json_each(?)",
    ));
    for rows in gone {
        write = write.bind(rows);
    }
    write = write.bind(serde_json::to_string(&known).map_err(unsaid(CONTEXT))?).bind(quantities.clone());
    for rows in [tokens, references, dates, texts, quantities] {
        write = write.bind(rows);
    }
    write.execute(connection).await.map(|_| ()).map_err(failed(CONTEXT))
}

/// What could not be written as JSON for a statement.
pub(super) fn unsaid(context: &'static str) -> impl Fn(serde_json::Error) -> StoreError {
    move |source| StoreError::Failed { context, source: Box::new(source) }
}
