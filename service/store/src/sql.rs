//! What both databases are told alike. A [`Statement`] is put together here and nowhere else; what is special to a database is
//! a [`Dialect`] apart.

pub(crate) mod clause;
pub(crate) mod history;
pub(crate) mod lead;
pub(crate) mod outbox;
pub(crate) mod page;
pub(crate) mod record;
pub(crate) mod row;
pub(crate) mod search;
pub(crate) mod tally;

use sqlx::SqlSafeStr;
use sqlx::migrate::{Migration, MigrationType, Migrator};
use std::borrow::Cow;
use std::fmt::{Display, Write};

/// The names of the migrations, in order. Both databases have the same ones.
const MIGRATIONS: [&str; MIGRATION as usize] =
    ["house", "copying", "trace", "open", "instances", "target", "unused", "packed"];

/// The number of the last migration.
pub(crate) const MIGRATION: i64 = 8;

/// The migrations of one database, from their texts.
pub(crate) fn migrator(texts: [&'static str; MIGRATIONS.len()]) -> Migrator {
    let migration = |(number, (name, sql)): (i64, (&'static str, &'static str))| {
        Migration::new(number, Cow::Borrowed(name), MigrationType::Simple, sql.into_sql_str(), false)
    };
    Migrator::with_migrations((1..).zip(MIGRATIONS.into_iter().zip(texts)).map(migration).collect())
}

/// The databases, where their words differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dialect {
    Sqlite,
    Postgres,
}

/// A value that is bound.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Value {
    Integer(i64),
    Real(f64),
    Text(String),
    Flag(bool),
    /// Nothing, where a text might be.
    NoText,
    /// Nothing, where a whole number might be.
    NoInteger,
    /// Bytes, or nothing.
    MaybeBytes(Option<Vec<u8>>),
}

impl From<i64> for Value {
    fn from(value: i64) -> Self {
        Self::Integer(value)
    }
}

impl From<f64> for Value {
    fn from(value: f64) -> Self {
        Self::Real(value)
    }
}

impl From<&str> for Value {
    fn from(value: &str) -> Self {
        Self::Text(value.to_owned())
    }
}

impl From<&String> for Value {
    fn from(value: &String) -> Self {
        Self::Text(value.clone())
    }
}

impl From<String> for Value {
    fn from(value: String) -> Self {
        Self::Text(value)
    }
}

/// A statement that grows, and the values bound to it.
#[derive(Debug)]
pub(crate) struct Statement {
    dialect: Dialect,
    text: String,
    values: Vec<Value>,
}

impl Statement {
    /// How many characters of a text PostgreSQL has in an index: an index row must fit a third of a page, and texts are as long
    /// as people make them.
    const HEAD: usize = 128;

    pub(crate) fn new(dialect: Dialect, text: &str) -> Self {
        Self { dialect, text: text.to_owned(), values: Vec::new() }
    }

    pub(crate) fn dialect(&self) -> Dialect {
        self.dialect
    }

    /// The text and what is bound to it, in order.
    pub(crate) fn into_parts(self) -> (String, Vec<Value>) {
        (self.text, self.values)
    }

    /// Adds text that is written in this crate.
    pub(crate) fn push(&mut self, text: impl Display) -> &mut Self {
        // Writing to a String does not fail.
        let _ = write!(self.text, "{text}");
        self
    }

    /// Adds a value.
    pub(crate) fn push_bind(&mut self, value: impl Into<Value>) -> &mut Self {
        self.values.push(value.into());
        match self.dialect {
            Dialect::Sqlite => self.push("?"),
            Dialect::Postgres => self.push(format_args!("${}", self.values.len())),
        }
    }

    /// At most so many rows. SQLite reads a number that stands alone after `limit` while it prepares the statement, and prepares it
    /// anew each time that one is bound; of a sum it does not.
    pub(crate) fn push_limit(&mut self, rows: usize) -> &mut Self {
        self.push(" limit ").push_bind(number(rows as u64)).push(" + 0")
    }

    /// The rows of a JSON array, each with its element in `value`.
    pub(crate) fn push_elements(&mut self, json: String) -> &mut Self {
        match self.dialect {
            Dialect::Sqlite => self.push("json_each(").push_bind(json).push(")"),
            Dialect::Postgres => self.push("json_array_elements(").push_bind(json).push("::json)"),
        }
    }

    /// A text column as its index has it.
    fn push_head(&mut self, column: &'static str) -> &mut Self {
        match self.dialect {
            Dialect::Sqlite => self.push(column),
            Dialect::Postgres => self.push(format_args!("left({column}, {})", Self::HEAD)),
        }
    }

    /// What of a text an index can be asked for, and whether that is not all of it.
    fn head<'a>(&self, text: &'a str) -> (&'a str, bool) {
        match text.char_indices().nth(Self::HEAD - 1) {
            Some((at, last)) if self.dialect == Dialect::Postgres => (&text[..at + last.len_utf8()], true),
            _ => (text, false),
        }
    }

    /// That a text column holds `text`, as an index can serve it.
    pub(crate) fn equals(&mut self, column: &'static str, text: &str) -> &mut Self {
        let (head, is_cut) = self.head(text);
        self.push_head(column).push(" = ").push_bind(head);
        if is_cut {
            self.push(" and ").push(column).push(" = ").push_bind(text);
        }
        self
    }

    /// That a text column begins with `text`, as an index can serve it: a prefix as a range.
    pub(crate) fn begins_with(&mut self, column: &'static str, text: &str) -> &mut Self {
        let (head, is_cut) = self.head(text);
        self.push_head(column).push(" >= ").push_bind(head);
        if let Some(beyond) = beyond(head) {
            self.push(" and ").push_head(column).push(" < ").push_bind(beyond);
        }
        if is_cut {
            self.push(" and left(").push(column).push(format_args!(", {}) = ", text.chars().count()));
            self.push_bind(text);
        }
        self
    }

    /// That a text column and the id of a resource are the same, as an index of the column can serve it.
    pub(crate) fn equals_id(&mut self, column: &'static str, id: &'static str) -> &mut Self {
        self.push_head(column).push(" = ").push(id)
    }
}

/// The first text after all that begin with `text`: its last character made one greater. None if there is no such text.
fn beyond(text: &str) -> Option<String> {
    let mut chars = text.chars();
    let last = chars.next_back()?;
    let head = chars.as_str();
    (last..=char::MAX).nth(1).map_or_else(|| beyond(head), |next| Some(format!("{head}{next}")))
}

/// A count as a database has it.
pub(crate) fn number(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}
