//! Versions that were read before they are asked for, many in one statement.
//!
//! A question to SQLite costs a change of threads and back, several times what it costs to send a notification on this machine.
//! Whoever works along a queue says what comes next, and finds it here. A version never changes, so nothing here is ever out of
//! date; it is given once and then forgotten.

use super::write::unsaid;
use super::{failed, instant, number};
use crate::packing::{self, body};
use crate::sql::history::deed_of;
use endplate_followup::ports::{Event, StoreError, Stored, Version};
use sqlx::sqlite::SqlitePool;
use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Bytes of bodies that are kept at most.
const BYTES_MAX: usize = 16 << 20;

type Key = (String, String, u64);
/// A version as a query gives it: kind, id, version, instant, deed, body in hexadecimal, since JSON has no bytes.
type Row = (String, String, u64, i64, i64, String);

#[derive(Debug, Default)]
struct Kept {
    bytes: usize,
    versions: HashMap<Key, Version>,
}

/// What was read ahead.
#[derive(Debug, Default)]
pub(super) struct Ahead(Mutex<Kept>);

impl Ahead {
    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Gives a version that was read ahead, once.
    pub(super) fn take(&self, kind: &str, id: &str, version: u64) -> Option<Version> {
        let mut kept = self.kept();
        if kept.versions.is_empty() {
            return None;
        }
        let version = kept.versions.remove(&(kind.to_owned(), id.to_owned(), version))?;
        kept.bytes -= version.stored.body.len();
        Some(version)
    }

    /// Reads the versions that these events tell of.
    pub(super) async fn read(&self, readers: &SqlitePool, events: &[Event]) -> Result<(), StoreError> {
        const CONTEXT: &str = "reading versions ahead";
        let names: Vec<_> = events
            .iter()
            .map(|event| (&event.notice.kind, &event.notice.id, number(event.notice.version)))
            .collect();
        // One row, since each row costs a change of threads.
        let rows: String = sqlx::query_scalar(concat!(
            "select json_group_array(json_array(r.kind, r.id, v.version, v.at_ms, v.deed, hex(",
            body!(sqlite),
            "))) \
             from json_each(?) j cross join resource r on r.kind = j.value ->> 0 and r.id = j.value ->> 1 \
             cross join resource_version v on v.resource = r.key and v.version = j.value ->> 2"
        ))
        .bind(serde_json::to_string(&names).map_err(unsaid(CONTEXT))?)
        .fetch_one(readers)
        .await
        .map_err(failed(CONTEXT))?;
        let rows: Vec<Row> = serde_json::from_str(&rows).map_err(unsaid(CONTEXT))?;
        let mut kept = self.kept();
        for (kind, id, version, at_ms, deed, kept_body) in rows {
            let body = body_of(&kept_body).map_err(failed(CONTEXT))?;
            if kept.bytes + body.len() > BYTES_MAX {
                *kept = Kept::default();
            }
            kept.bytes += body.len();
            let key = (kind.clone(), id.clone(), version);
            let stored = Stored { kind, id, version, at: instant(at_ms), body };
            let before = kept.versions.insert(key, Version { stored, deed: deed_of(deed) });
            kept.bytes -= before.map_or(0, |before| before.stored.body.len());
        }
        Ok(())
    }
}

fn body_of(hexadecimal: &str) -> Result<String, sqlx::Error> {
    let kept = hex::decode(hexadecimal).map_err(|error| sqlx::Error::Decode(error.into()))?;
    packing::unpacked(&kept)
}
