//! Rows: what is read from the columns of either database, and what is written to them.

use super::tally::{OPEN_UNTIL, open_until};
use crate::packing;
use endplate_fhir::index::IndexValue;
use endplate_fhir::search::fold;
use endplate_followup::ports::{Deed, Put, Stored};
use jiff::Timestamp;
use jiff::civil::Date;
use std::borrow::Cow;
use std::cmp::Ordering;

/// The columns of a row that was read.
pub(crate) trait Columns {
    fn integer(&self, at: usize) -> Result<i64, sqlx::Error>;
    fn real(&self, at: usize) -> Result<f64, sqlx::Error>;
    fn text(&self, at: usize) -> Result<String, sqlx::Error>;
    fn maybe_bytes(&self, at: usize) -> Result<Option<&[u8]>, sqlx::Error>;
    fn flag(&self, at: usize) -> Result<bool, sqlx::Error>;
    fn maybe_integer(&self, at: usize) -> Result<Option<i64>, sqlx::Error>;
    fn maybe_text(&self, at: usize) -> Result<Option<String>, sqlx::Error>;
}

macro_rules! columns {
    ($row:ty: $($name:ident $value:ty,)+) => {
        impl Columns for $row {
            $(fn $name(&self, at: usize) -> Result<$value, sqlx::Error> {
                sqlx::Row::try_get(self, at)
            })+

            fn maybe_bytes(&self, at: usize) -> Result<Option<&[u8]>, sqlx::Error> {
                sqlx::Row::try_get(self, at)
            }
        }
    };
    ($row:ty) => {
        columns!($row: integer i64, real f64, text String, flag bool, maybe_integer Option<i64>, maybe_text Option<String>,);
    };
}

columns!(sqlx::sqlite::SqliteRow);
columns!(sqlx::postgres::PgRow);

/// A body where it is compared with what it was, or none: one that was altered so that it cannot be unpacked stands as it is.
pub(crate) fn compared_body(row: &impl Columns, at: usize) -> Result<Option<String>, sqlx::Error> {
    let as_it_is = |kept: &[u8]| String::from_utf8_lossy(kept).into_owned();
    Ok(row.maybe_bytes(at)?.map(|kept| packing::unpacked(kept).unwrap_or_else(|_| as_it_is(kept))))
}

/// A stored version from the columns kind, id, version, at_ms, body.
pub(crate) fn stored(row: &impl Columns) -> Result<Stored, sqlx::Error> {
    Ok(Stored {
        kind: row.text(0)?,
        id: row.text(1)?,
        version: row.integer(2)?.unsigned_abs(),
        at: instant(row.integer(3)?),
        body: packing::unpacked(row.maybe_bytes(4)?.unwrap_or_default())?,
    })
}

/// Rows of the index tables, each with the key of its resource at the end.
#[derive(Default)]
pub(crate) struct Rows<'a> {
    /// Parameter, code, system.
    pub tokens: Vec<(String, Cow<'a, str>, &'a str, i64)>,
    /// Parameter, id, type.
    pub references: Vec<(String, &'a str, &'a str, i64)>,
    /// Parameter, first and last millisecond.
    pub dates: Vec<(String, i64, i64, i64)>,
    /// Parameter, value without case and accents, value as it stands.
    pub texts: Vec<(String, String, &'a str, i64)>,
    /// Parameter, least and greatest value, code, system, unit.
    pub quantities: Vec<(String, f64, f64, &'a str, &'a str, &'a str, i64)>,
}

impl<'a> Rows<'a> {
    /// What these versions are found by; the keys are those of the resources. A deletion is found by nothing.
    pub(crate) fn of(puts: &[&'a Put], keys: &[i64]) -> Self {
        let mut rows = Self::default();
        for (put, key) in puts.iter().zip(keys).filter(|(put, _)| put.deed != Deed::Deleted) {
            // The instant of the version itself is a column of the resource.
            for row in put.rows.iter().filter(|row| row.param != "_lastUpdated") {
                rows.add(format!("{}.{}", put.stored.kind, row.param), &row.value, *key);
            }
            if let Some(end_ms) = open_until(put) {
                rows.dates.push((OPEN_UNTIL.to_owned(), end_ms, end_ms, *key));
            }
        }
        once(&mut rows.tokens);
        once(&mut rows.references);
        once(&mut rows.dates);
        once(&mut rows.texts);
        once(&mut rows.quantities);
        rows
    }

    fn add(&mut self, param: String, value: &'a IndexValue, key: i64) {
        match value {
            IndexValue::Token { system, code } => {
                self.tokens.push((param, code.into(), system.as_deref().unwrap_or_default(), key));
            }
            IndexValue::Identified { system, code } => {
                let param = format!("{param}:identifier");
                self.tokens.push((param, code.into(), system.as_deref().unwrap_or_default(), key));
            }
            IndexValue::Typed { system, code, value } => {
                self.tokens.push((format!("{param}:of-type"), format!("{code}|{value}").into(), system, key));
            }
            IndexValue::Reference { kind, id } => self.references.push((param, id, kind, key)),
            IndexValue::Date { start_ms, end_ms } => self.dates.push((param, *start_ms, *end_ms, key)),
            IndexValue::Text(value) => self.texts.push((param, fold(value), value, key)),
            IndexValue::Quantity { low, high, system, code, unit } => {
                self.quantities.push((param, low.0, high.0, code, system, unit, key));
            }
        }
    }
}

/// Each row once, and in the order of the index by which it is found.
fn once<T: PartialOrd>(rows: &mut Vec<T>) {
    rows.sort_unstable_by(|a, b| a.partial_cmp(b).unwrap_or(Ordering::Equal));
    rows.dedup();
}

/// An instant of a column.
pub(crate) fn instant(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap_or(Timestamp::UNIX_EPOCH)
}

/// Days since 1970-01-01.
pub(crate) fn day(date: Date) -> i64 {
    date.duration_since(Date::constant(1970, 1, 1)).as_hours().div_euclid(24)
}
