//! What a query asks: R4 search parameters read into clauses, and whether a resource meets them.

use crate::index::{IndexRow, IndexValue};
use crate::is_id;
use crate::issue::Issue;
use std::fmt::{self, Write as _};
use std::str::FromStr;

mod clause;
mod request;
mod value;

pub use clause::in_compartment_of;
pub use request::{Include, Request, request};
pub use value::fold;

/// How many resources a page holds when the query does not say.
pub const COUNT_DEFAULT: usize = 50;
/// How many resources a page holds at most.
pub const COUNT_MAX: usize = 500;
/// How many values a search may ask for in all; a store puts each of them into one statement.
pub const VALUES_MAX: usize = 200;
/// How many references a chain, or a search by what refers to a resource, may follow.
pub const CHAIN_MAX: usize = 3;
/// How many parameters a search may sort by.
pub const SORT_MAX: usize = 5;

/// How a date or a number is compared (R4 search, prefixes).
#[allow(missing_docs, reason = "each variant is the R4 prefix of the same name, described at `holds`")]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Prefix {
    Eq,
    Ne,
    Lt,
    Le,
    Gt,
    Ge,
    Sa,
    Eb,
    Ap,
}

impl Prefix {
    /// Whether the interval `[row_start, row_end]` of a resource meets the asked interval `[start, end]`, all in
    /// milliseconds, ends included. R4 search, prefixes: `eq` the asked interval holds the resource's whole; `gt`/`lt`
    /// the resource's reaches beyond; `ge`/`le` either; `sa`/`eb` it lies wholly beyond; `ap` they overlap.
    pub fn holds(self, start: i64, end: i64, row_start: i64, row_end: i64) -> bool {
        let within = start <= row_start && row_end <= end;
        match self {
            Self::Eq => within,
            Self::Ne => !within,
            Self::Lt => row_start < start,
            Self::Le => row_start < start || within,
            Self::Gt => row_end > end,
            Self::Ge => row_end > end || within,
            Self::Sa => row_start > end,
            Self::Eb => row_end < start,
            Self::Ap => row_start <= end && row_end >= start,
        }
    }
}

/// A number as it was asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked {
    /// The number itself. All comparisons but `eq`, `ne` and `ap` are with it.
    pub value: f64,
    /// The least that the written precision may mean; for `ap` a tenth less than the number.
    pub low: f64,
    /// What is just more than the written precision may mean; for `ap` a tenth more than the number, included.
    pub high: f64,
}

impl Asked {
    /// Whether what lies between `row_low` and `row_high`, both included, meets it.
    /// R4 search, number: `eq` and `ne` to the precision written, the others to the number exactly, `ap` within a tenth.
    pub fn holds(self, prefix: Prefix, row_low: f64, row_high: f64) -> bool {
        let within = self.low <= row_low && row_high < self.high;
        match prefix {
            Prefix::Eq => within,
            Prefix::Ne => !within,
            Prefix::Lt => row_low < self.value,
            Prefix::Le => row_low <= self.value,
            Prefix::Gt => row_high > self.value,
            Prefix::Ge => row_high >= self.value,
            Prefix::Sa => row_low > self.value,
            Prefix::Eb => row_high < self.value,
            Prefix::Ap => row_low <= self.high && row_high >= self.low,
        }
    }
}

/// The system part of a token.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TokenSystem {
    /// `code`: whatever the system.
    Any,
    /// `|code`: no system.
    None,
    /// `system|code` or `system|`.
    Is(String),
}

impl TokenSystem {
    fn meets(&self, system: Option<&str>) -> bool {
        match self {
            Self::Any => true,
            Self::None => system.is_none(),
            Self::Is(asked) => system == Some(asked),
        }
    }
}

/// The unit part of a quantity.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unit {
    /// `5.4`: whatever the unit.
    Any,
    /// `5.4||mg`: as code or as text.
    Named(String),
    /// `5.4|system|code`.
    Coded {
        /// The system of the code.
        system: String,
        /// The code.
        code: String,
    },
}

impl Unit {
    fn meets(&self, row_system: &str, row_code: &str, row_unit: &str) -> bool {
        match self {
            Self::Any => true,
            Self::Named(name) => name == row_code || name == row_unit,
            Self::Coded { system, code } => system == row_system && code == row_code,
        }
    }
}

/// How much of a text must be there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// It begins with what was asked, without regard to case and accents.
    Start,
    /// It contains what was asked, without regard to case and accents.
    Anywhere,
    /// It is what was asked, letter for letter.
    Whole,
}

/// One value asked for.
#[derive(Clone, Debug, PartialEq)]
pub enum Match {
    /// A code or identifier; also a URI or a canonical URL, then of any system.
    Token {
        /// Its system.
        system: TokenSystem,
        /// Its code; nothing for any code of the system.
        code: Option<String>,
    },
    /// An identifier by its type (`:of-type`).
    Typed {
        /// System of the type's code.
        system: String,
        /// The type's code.
        code: String,
        /// The identifier's value.
        value: String,
    },
    /// The business identifier of a reference (`:identifier`).
    Identified {
        /// Its system.
        system: TokenSystem,
        /// Its value; nothing for any value of the system.
        code: Option<String>,
    },
    /// A URI that begins with this one (`:below`).
    Below(String),
    /// A URI with which this one begins (`:above`).
    Above(String),
    /// A resource referred to.
    Reference {
        /// Its type; nothing for any type, empty for what is not of this service.
        kind: Option<String>,
        /// Its id, or the whole reference if it is not of this service.
        id: String,
    },
    /// A date or instant.
    Date {
        /// How it is compared.
        prefix: Prefix,
        /// The first millisecond since the epoch that it may mean.
        start_ms: i64,
        /// The last.
        end_ms: i64,
    },
    /// A text.
    Text {
        /// How much of it must be there.
        part: Part,
        /// The text; [`fold`]ed unless the whole is asked for.
        text: String,
    },
    /// A number or an amount.
    Quantity {
        /// How it is compared.
        prefix: Prefix,
        /// The number.
        asked: Asked,
        /// The unit.
        unit: Unit,
    },
    /// Any value at all (`:missing`, negated).
    Present {
        /// The only type of resource that counts, for references; nothing for all.
        kind: Option<String>,
        /// The only system that counts, for tokens; nothing for all.
        system: Option<String>,
    },
    /// A resource's own id.
    Id(String),
    /// A reference to a resource that meets a clause of its own (chain).
    Chain {
        /// The resource's type.
        kind: String,
        /// What it must meet.
        clause: Box<Clause>,
    },
    /// A resource that refers to this one and meets a clause of its own (`_has`).
    Referrer {
        /// The referring resource's type.
        kind: String,
        /// The parameters by which it refers to this one.
        params: Vec<String>,
        /// What it must meet.
        clause: Box<Clause>,
    },
    /// The resource itself meets all of these: one of several bounds within which a client may look.
    All(Vec<Clause>),
}

impl Match {
    /// Whether one row's value meets it. Ids and what needs other resources are met by no row.
    pub fn meets(&self, value: &IndexValue) -> bool {
        match (self, value) {
            (Self::Token { system, code }, IndexValue::Token { system: row_system, code: row_code })
            | (
                Self::Identified { system, code },
                IndexValue::Identified { system: row_system, code: row_code },
            ) => system.meets(row_system.as_deref()) && code.as_ref().is_none_or(|code| code == row_code),
            (
                Self::Typed { system, code, value },
                IndexValue::Typed { system: row_system, code: row_code, value: row_value },
            ) => system == row_system && code == row_code && value == row_value,
            (Self::Below(uri), IndexValue::Token { code, .. }) => code.starts_with(uri.as_str()),
            (Self::Above(uri), IndexValue::Token { code, .. }) => uri.starts_with(code.as_str()),
            (Self::Reference { kind, id }, IndexValue::Reference { kind: row_kind, id: row_id }) => {
                id == row_id && kind.as_ref().is_none_or(|kind| kind == row_kind)
            }
            (
                Self::Date { prefix, start_ms, end_ms },
                IndexValue::Date { start_ms: row_start, end_ms: row_end },
            ) => prefix.holds(*start_ms, *end_ms, *row_start, *row_end),
            (Self::Text { part, text }, IndexValue::Text(row)) => match part {
                Part::Start => fold(row).starts_with(text.as_str()),
                Part::Anywhere => fold(row).contains(text.as_str()),
                Part::Whole => row == text,
            },
            (
                Self::Quantity { prefix, asked, unit },
                IndexValue::Quantity { low, high, system, code, unit: row_unit },
            ) => asked.holds(*prefix, low.0, high.0) && unit.meets(system, code, row_unit),
            (Self::Present { kind: Some(kind), .. }, IndexValue::Reference { kind: row_kind, .. }) => {
                kind == row_kind
            }
            (Self::Present { system: Some(system), .. }, IndexValue::Token { system: row_system, .. }) => {
                row_system.as_ref() == Some(system)
            }
            (Self::Present { kind: None, system: None }, value) => {
                !matches!(value, IndexValue::Typed { .. } | IndexValue::Identified { .. })
            }
            _ => false,
        }
    }

    /// Whether a resource's own rows decide it, today and for ever.
    fn is_of_rows(&self) -> bool {
        match self {
            Self::All(clauses) => clauses.iter().flat_map(|clause| &clause.any).all(Self::is_of_rows),
            Self::Chain { .. } | Self::Referrer { .. } | Self::Date { prefix: Prefix::Ap, .. } => false,
            _ => true,
        }
    }
}

/// One parameter of a query: any of its values will do.
#[derive(Clone, Debug, PartialEq)]
pub struct Clause {
    /// The parameters in whose rows a value may stand; none where no row is asked.
    pub params: Vec<String>,
    /// Whether the resource must meet none of the values instead (`:not`, `:missing=true`).
    pub negated: bool,
    /// The values.
    pub any: Vec<Match>,
}

impl Clause {
    /// Whether a resource with this id and rows meets it. What needs other resources is not met.
    pub fn matches(&self, id: &str, rows: &[IndexRow]) -> bool {
        let met = self.any.iter().any(|asked| match asked {
            Match::Id(asked) => asked == id,
            Match::All(clauses) => clauses.iter().all(|clause| clause.matches(id, rows)),
            _ => rows
                .iter()
                .any(|row| self.params.iter().any(|param| param == row.param) && asked.meets(&row.value)),
        });
        met != self.negated
    }
}

/// One key of the order of the results.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sort {
    /// `_lastUpdated`, `_id`, or a parameter with rows of its own that are no references.
    pub param: String,
    /// Greatest first.
    pub descending: bool,
}

/// A value that results are ordered by.
#[derive(Clone, Debug, PartialEq)]
pub enum SortValue {
    /// Milliseconds since the epoch.
    Time(i64),
    /// A number.
    Real(f64),
    /// A text or code.
    Text(String),
}

/// The last resource of a page: the next page begins after it.
///
/// Its text form is opaque to clients: they follow the `next` link.
#[derive(Clone, Debug, PartialEq)]
pub struct Cursor {
    /// The values of the sort parameters, in their order.
    pub values: Vec<SortValue>,
    /// The id, which decides between equal values.
    pub id: String,
}

impl fmt::Display for Cursor {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        for value in &self.values {
            match value {
                SortValue::Time(ms) => write!(formatter, "i{ms}~")?,
                SortValue::Real(real) => write!(formatter, "r{:x}~", real.to_bits())?,
                SortValue::Text(text) => {
                    formatter.write_char('t')?;
                    text.bytes().try_for_each(|byte| write!(formatter, "{byte:02x}"))?;
                    formatter.write_char('~')?;
                }
            }
        }
        formatter.write_str(&self.id)
    }
}

impl Cursor {
    /// Reads the text form.
    pub fn parse(text: &str) -> Option<Self> {
        let mut parts = text.split('~');
        let id = parts.next_back().filter(|id| is_id(id))?.to_owned();
        let values = parts.map(sort_value).collect::<Option<Vec<_>>>()?;
        Some(Self { values, id })
    }
}

fn sort_value(text: &str) -> Option<SortValue> {
    let hex = |at: usize, text: &str| u8::from_str_radix(text.get(at..at + 2)?, 16).ok();
    match text.split_at_checked(1)? {
        ("i", ms) => i64::from_str(ms).ok().map(SortValue::Time),
        ("r", bits) => u64::from_str_radix(bits, 16).ok().map(|bits| SortValue::Real(f64::from_bits(bits))),
        ("t", digits) => {
            let bytes =
                (0..digits.len()).step_by(2).map(|at| hex(at, digits)).collect::<Option<Vec<u8>>>()?;
            String::from_utf8(bytes).ok().map(SortValue::Text)
        }
        _ => None,
    }
}

/// A search of one type. All clauses must be met.
#[derive(Clone, Debug, PartialEq)]
pub struct Query {
    /// The type.
    pub kind: String,
    /// What must be met.
    pub clauses: Vec<Clause>,
    /// The order; by id where that leaves a choice.
    pub sort: Vec<Sort>,
    /// How many resources a page holds, at most [`COUNT_MAX`]; 0 if only their number is asked.
    pub count: usize,
    /// Where the page begins.
    pub after: Option<Cursor>,
    /// How far all that match are counted.
    pub total: Total,
}

/// Up to how many matches are counted unless more is asked for. To count all of a large store would take longer than a page of them is
/// worth.
pub const TOTAL_MAX: usize = 10_000;

/// How far the matches of a search are counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Total {
    /// Not at all: `_total=none`.
    None,
    /// As far as [`TOTAL_MAX`]. Where there are more, or only a look at very many would tell, nobody knows how many.
    #[default]
    Near,
    /// To the end: `_total=accurate`, or only their number is asked for.
    Whole,
}

impl Query {
    /// All resources of a type, a page at a time.
    pub fn of(kind: &str) -> Self {
        Self {
            kind: kind.to_owned(),
            clauses: Vec::new(),
            sort: Vec::new(),
            count: COUNT_DEFAULT,
            after: None,
            total: Total::Near,
        }
    }

    /// Whether a resource with this type, id and rows meets all clauses. What needs other resources is not met: see
    /// [`Query::is_of_rows`].
    pub fn matches(&self, kind: &str, id: &str, rows: &[IndexRow]) -> bool {
        self.kind == kind && self.clauses.iter().all(|clause| clause.matches(id, rows))
    }

    /// Whether the resource alone decides: no clause needs other resources or the present time.
    pub fn is_of_rows(&self) -> bool {
        self.clauses.iter().flat_map(|clause| &clause.any).all(Match::is_of_rows)
    }

    /// Gives `ap` on dates its meaning: a tenth of the time between then and `now_ms` to either side (R4 search, prefixes).
    pub fn settle(&mut self, now_ms: i64) {
        self.clauses.iter_mut().for_each(|clause| settle(clause, now_ms));
    }
}

fn settle(clause: &mut Clause, now_ms: i64) {
    for asked in &mut clause.any {
        match asked {
            Match::Date { prefix: Prefix::Ap, start_ms, end_ms } => {
                let middle = start_ms.midpoint(*end_ms);
                let tenth = i64::try_from(middle.abs_diff(now_ms) / 10).unwrap_or(i64::MAX);
                *start_ms = start_ms.saturating_sub(tenth);
                *end_ms = end_ms.saturating_add(tenth);
            }
            Match::Chain { clause, .. } | Match::Referrer { clause, .. } => settle(clause, now_ms),
            _ => {}
        }
    }
}

/// Reads the decoded parameters of a search of `kind` that is no request of its own, such as a condition: nothing is passed
/// over, and nothing may shape an answer. `base` is the URL of this service, for absolute references.
///
/// # Errors
/// All problems at once: an unknown type, parameter, modifier or prefix, and values of the wrong form.
pub fn parse(kind: &str, pairs: &[(String, String)], base: &str) -> Result<Query, Vec<Issue>> {
    let request = request(kind, pairs, base, true)?;
    if request.shapes_answer() {
        return Err(vec![request::no_shape()]);
    }
    Ok(request.query)
}

/// Reads a search as text, such as the criteria of a Subscription: `Task?status=requested&owner=Practitioner/1`.
pub fn criteria(text: &str, base: &str) -> Result<Query, Vec<Issue>> {
    let (kind, rest) = text.split_once('?').unwrap_or((text, ""));
    let pairs: Vec<(String, String)> = form_urlencoded::parse(rest.as_bytes()).into_owned().collect();
    parse(kind, &pairs, base)
}

#[cfg(test)]
mod tests;
