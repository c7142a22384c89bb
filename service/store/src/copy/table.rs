//! The tables that a copy takes over, in the order of their columns. What is not here is made anew: who has claimed what, and what
//! PostgreSQL has of the end of a chain and of which database it is.

use crate::sql::{Dialect, Statement, Value};
use sha2::{Digest, Sha256};

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Column {
    /// A whole number.
    Integer,
    /// A whole number or nothing.
    MaybeInteger,
    /// A number.
    Real,
    /// A text.
    Text,
    /// A text or nothing.
    MaybeText,
    /// Yes or no.
    Flag,
    /// Bytes or nothing.
    MaybeBytes,
}

/// By what a table is cut into pieces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    /// By a column of numbers.
    Number(&'static str),
    /// By its first columns, so many.
    Names(usize),
}

/// A table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// Its columns, in order.
    pub columns: &'static [(&'static str, Column)],
    /// By what it is cut into pieces.
    pub key: Key,
    /// Which rows count, if not all.
    pub only: Option<&'static str>,
}

use Column::{Flag, Integer, MaybeBytes, MaybeInteger, MaybeText, Real, Text};

const fn table(name: &'static str, key: Key, columns: &'static [(&'static str, Column)]) -> Table {
    Table { name, columns, key, only: None }
}

/// Every table that is copied.
pub const TABLES: [Table; 19] = [
    table(
        "resource",
        Key::Number("key"),
        &[
            ("key", Integer),
            ("kind", Text),
            ("id", Text),
            ("version", Integer),
            ("at_ms", Integer),
            ("patient", MaybeText),
            ("deleted", Flag),
        ],
    ),
    table(
        "resource_version",
        Key::Number("key"),
        &[
            ("key", Integer),
            ("resource", Integer),
            ("version", Integer),
            ("at_ms", Integer),
            ("body", Text),
            ("deed", Integer),
            ("packed", MaybeBytes),
        ],
    ),
    table(
        "token_row",
        Key::Number("resource"),
        &[("param", Text), ("code", Text), ("system", Text), ("resource", Integer)],
    ),
    table(
        "reference_row",
        Key::Number("resource"),
        &[("param", Text), ("id", Text), ("kind", Text), ("resource", Integer)],
    ),
    table(
        "date_row",
        Key::Number("resource"),
        &[("param", Text), ("start_ms", Integer), ("end_ms", Integer), ("resource", Integer)],
    ),
    table(
        "text_row",
        Key::Number("resource"),
        &[("param", Text), ("value", Text), ("exact", Text), ("resource", Integer)],
    ),
    table(
        "quantity_row",
        Key::Number("resource"),
        &[
            ("param", Text),
            ("low", Real),
            ("high", Real),
            ("code", Text),
            ("system", Text),
            ("unit", Text),
            ("resource", Integer),
        ],
    ),
    Table {
        // PostgreSQL keeps a row of a counter that was read before anybody moved it.
        only: Some("generation > 0"),
        ..table("scope", Key::Names(1), &[("key", Text), ("generation", Integer)])
    },
    table("agenda", Key::Names(1), &[("patient", Text), ("due_day", Integer)]),
    table("audit_link", Key::Number("number"), &[("number", Integer), ("resource", Integer), ("hash", Text)]),
    table(
        "receiver",
        Key::Names(1),
        &[
            ("key", Text),
            ("last_number", Integer),
            ("first", MaybeInteger),
            ("failures", Integer),
            ("failing_since_ms", MaybeInteger),
            ("next_at_ms", Integer),
            ("last_at_ms", Integer),
            ("last_outcome", MaybeText),
            ("last_reason", MaybeText),
            ("held", Flag),
        ],
    ),
    table(
        "event",
        Key::Names(2),
        &[
            ("receiver", Text),
            ("number", Integer),
            ("kind", Text),
            ("id", Text),
            ("version", Integer),
            ("raised_at_ms", Integer),
            ("queued_at_ms", Integer),
            ("attempts", Integer),
            ("settled", Integer),
            ("traceparent", MaybeText),
            ("tracestate", MaybeText),
        ],
    ),
    table(
        "maker",
        Key::Names(1),
        &[("subscription", Text), ("client", Text), ("registration", Text), ("scope", Text)],
    ),
    table("used", Key::Names(1), &[("key", Text), ("until_ms", Integer)]),
    table(
        "attempt",
        Key::Names(3),
        &[
            ("receiver", Text),
            ("number", Integer),
            ("attempt", Integer),
            ("at_ms", Integer),
            ("outcome", Text),
            ("reason", MaybeText),
        ],
    ),
    table(
        "counterpart",
        Key::Names(3),
        &[
            ("record", Text),
            ("kind", Text),
            ("id", Text),
            ("their_id", Text),
            ("their_version", MaybeText),
            ("our_version", Integer),
            ("diverged", Flag),
        ],
    ),
    table(
        "bookmark",
        Key::Names(2),
        &[
            ("record", Text),
            ("kind", Text),
            ("until_ms", MaybeInteger),
            ("read_at_ms", Integer),
            ("problem", MaybeText),
        ],
    ),
    table(
        "unread",
        Key::Names(3),
        &[
            ("record", Text),
            ("kind", Text),
            ("their_id", Text),
            ("their_version", MaybeText),
            ("at_ms", Integer),
            ("reason", Text),
        ],
    ),
    table("subscription_call", Key::Names(1), &[("subscription", Text), ("at_ms", Integer)]),
];

impl Table {
    pub(super) fn names(&self) -> String {
        self.columns.iter().map(|column| column.0).collect::<Vec<_>>().join(", ")
    }

    pub(super) fn kinds(&self) -> Vec<Column> {
        self.columns.iter().map(|column| column.1).collect()
    }

    pub(super) fn select(&self, dialect: Dialect) -> Statement {
        let mut sql = Statement::new(dialect, "select ");
        sql.push(self.names()).push(" from ").push(self.name);
        sql
    }

    /// A total order: of index rows, all columns make it.
    pub(super) fn order(&self) -> String {
        let rest = self.names();
        match self.key {
            Key::Number(column) => format!(" order by {column}, {rest}"),
            Key::Names(_) => format!(" order by {rest}"),
        }
    }

    /// Only what comes after a place.
    pub(super) fn beyond(&self, sql: &mut Statement, place: Option<&str>) {
        self.compare(sql, " > ", place);
    }

    /// Only what does not come after a place.
    pub(super) fn until(&self, sql: &mut Statement, place: Option<&str>) {
        self.compare(sql, " <= ", place);
    }

    fn compare(&self, sql: &mut Statement, operator: &str, place: Option<&str>) {
        let Some(place) = place else { return };
        match self.key {
            Key::Number(column) => {
                sql.push(" and ").push(column).push(operator);
                sql.push_bind(place.parse::<i64>().unwrap_or(i64::MIN));
            }
            Key::Names(count) => {
                let values: Vec<serde_json::Value> = serde_json::from_str(place).unwrap_or_default();
                let names: Vec<_> = self.columns.iter().take(count).map(|column| column.0).collect();
                sql.push(format_args!(" and ({})", names.join(", "))).push(operator).push("(");
                for (at, value) in values.iter().enumerate() {
                    sql.push(if at > 0 { ", " } else { "" });
                    match value.as_i64() {
                        Some(number) => sql.push_bind(number),
                        None => sql.push_bind(value.as_str().unwrap_or_default()),
                    };
                }
                sql.push(")");
            }
        }
    }
}

/// The place after a row whose key columns these are, as a JSON array.
pub(super) fn place(key: &[Value]) -> String {
    let values = key.iter().map(|value| match value {
        Value::Integer(number) => serde_json::Value::from(*number),
        Value::Text(text) => serde_json::Value::from(text.as_str()),
        _ => serde_json::Value::Null,
    });
    serde_json::Value::Array(values.collect()).to_string()
}

/// Adds a value to a hash: what it is, how long, and its bytes.
pub(super) fn feed(hash: &mut Sha256, value: &Value) {
    match value {
        Value::Integer(number) => {
            hash.update(b"i");
            hash.update(number.to_le_bytes());
        }
        Value::Real(number) => {
            hash.update(b"r");
            hash.update(number.to_bits().to_le_bytes());
        }
        Value::Flag(flag) => hash.update([b'f', u8::from(*flag)]),
        Value::Text(text) => {
            hash.update(b"t");
            hash.update((text.len() as u64).to_le_bytes());
            hash.update(text);
        }
        Value::MaybeBytes(Some(bytes)) => {
            hash.update(b"b");
            hash.update((bytes.len() as u64).to_le_bytes());
            hash.update(bytes);
        }
        Value::NoText | Value::NoInteger | Value::MaybeBytes(None) => hash.update(b"n"),
    }
}
