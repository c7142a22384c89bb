//! A query as SQL, for both databases. Every value is bound; only text written here is pushed. What its clauses ask is said by
//! [`clause`](super::clause).

use super::clause::{candidates, is_all, is_meant, is_of, walk};
use super::lead::Leads;
use super::row::{Columns, stored};
use super::{Dialect, Statement, number};
use crate::packing;
use endplate_fhir::index::{self, ParamKind};
use endplate_fhir::search::{Cursor, Query, Sort, SortValue, TOTAL_MAX, Total};
use endplate_followup::ports::Page;

/// Columns before the sort values of a page.
const COLUMNS: usize = 5;

/// The types of the resources with this id that are referred to by these parameters of a type.
pub(crate) fn referred(dialect: Dialect, kind: &str, params: &[String], id: &str) -> Statement {
    let mut sql = Statement::new(dialect, "select distinct t.kind from reference_row t where ");
    is_of(&mut sql, kind, params, "");
    sql.push(" and ");
    sql.equals("t.id", id).push(" order by 1");
    sql
}

/// The statement of how many values of a date parameter begin at which instant, among the resources that meet the query. No body
/// is read.
pub(crate) fn counts(dialect: Dialect, query: &Query, param: &str) -> Statement {
    // Cross join: of SQLite it keeps the order, and both know it.
    let mut sql = Statement::new(dialect, "select d.start_ms, count(*) from ");
    let leads = Leads::expected(&query.clauses);
    candidates(&mut sql, &query.kind, &query.clauses, &leads);
    sql.push(" cross join date_row d where d.resource = r.key and d.param = ")
        .push_bind(format!("{}.{param}", query.kind))
        .push(" and ");
    is_meant(&mut sql, &query.kind, &query.clauses, &leads);
    sql.push(" group by 1 order by 1");
    sql
}

/// The statement of how many match, as far as they are counted; see [`total`].
pub(crate) fn count(dialect: Dialect, query: &Query, leads: &Leads) -> Statement {
    if leads.is_walk() {
        // As far as a walk comes; what lies beyond may be any number.
        let mut sql = Statement::new(dialect, "select case when ");
        is_all(&mut sql, &query.kind);
        sql.push(" then (select count(*) from ");
        walk(&mut sql, &query.kind, |_| {});
        sql.push(" where ");
        is_meant(&mut sql, &query.kind, &query.clauses, leads);
        sql.push(") else ").push_bind(number(TOTAL_MAX as u64 + 1)).push(" end");
        return sql;
    }
    let mut sql = Statement::new(dialect, "select count(*) from (select 1 from ");
    candidates(&mut sql, &query.kind, &query.clauses, leads);
    sql.push(" where ");
    is_meant(&mut sql, &query.kind, &query.clauses, leads);
    if query.total != Total::Whole {
        sql.push_limit(TOTAL_MAX + 1);
    }
    sql.push(") t");
    sql
}

/// Whether the matches beyond a page are counted: not where somebody can do without and it would take long.
pub(crate) fn is_counted(query: &Query, leads: &Leads) -> bool {
    match query.total {
        Total::None => false,
        Total::Near => !leads.is_common(),
        Total::Whole => true,
    }
}

/// How many match, from the row of [`count`].
pub(crate) fn total(query: &Query, row: &impl Columns) -> Result<Option<u64>, sqlx::Error> {
    let count = row.integer(0)?.unsigned_abs();
    Ok((query.total == Total::Whole || count <= TOTAL_MAX as u64).then_some(count))
}

/// The statement of one page: ordered by the sort values and, where these are equal, by id, so that the order is total. Which
/// resources are on the page is decided first, and only their bodies are read.
pub(crate) fn page(dialect: Dialect, query: &Query, leads: &Leads) -> Statement {
    let mut sql = Statement::new(dialect, "with page as materialized (");
    // PostgreSQL knows the names of sort values only outside of the `select` that makes them.
    let is_wrapped = dialect == Dialect::Postgres && query.after.is_some() && !leads.is_walk();
    sql.push(if is_wrapped { "select * from (" } else { "" });
    sql.push("select r.key, r.kind, r.id, r.version, r.at_ms");
    for (at, sort) in query.sort.iter().enumerate() {
        sql.push(", ");
        sort_value(&mut sql, &query.kind, sort);
        sql.push(format!(" as s{at}"));
    }
    sql.push(" from ");
    if leads.is_walk() {
        walk(&mut sql, &query.kind, |sql| {
            let columns = keys(query, |_, sort| column(sort).to_owned());
            if let Some(after) = &query.after {
                sql.push(" and ");
                beyond_cursor(sql, &columns, after);
            }
            in_order(sql, &columns);
        });
    } else {
        candidates(&mut sql, &query.kind, &query.clauses, leads);
    }
    sql.push(" where ");
    is_meant(&mut sql, &query.kind, &query.clauses, leads);
    let keys = keys(query, |at, _| format!("s{at}"));
    if let Some(after) = query.after.as_ref().filter(|_| !leads.is_walk()) {
        sql.push(if is_wrapped { ") r where " } else { " and " });
        beyond_cursor(&mut sql, &keys, after);
    }
    // A walk is in that order already, and SQLite would check all that it comes to before it gave the first.
    if !leads.is_walk() || dialect == Dialect::Postgres {
        in_order(&mut sql, &keys);
    }
    sql.push_limit(query.count + 1);
    sql.push(") select r.kind, r.id, r.version, r.at_ms, ").push(packing::column(dialect));
    for at in 0..query.sort.len() {
        sql.push(format!(", s{at}"));
    }
    sql.push(" from page r cross join resource_version v where v.resource = r.key and v.version = r.version");
    in_order(&mut sql, &keys);
    sql
}

fn in_order(sql: &mut Statement, keys: &[(String, bool)]) {
    sql.push(" order by ");
    for (at, (key, descending)) in keys.iter().enumerate() {
        sql.push(if at > 0 { ", " } else { "" }).push(key).push(if *descending { " desc" } else { "" });
    }
}

/// What the page is ordered by, each by its name, and whether greatest first: the id goes with the first key, so that one index can serve
/// both.
fn keys(query: &Query, name: impl Fn(usize, &Sort) -> String) -> Vec<(String, bool)> {
    let first = query.sort.first().is_some_and(|sort| sort.descending);
    let sorts = query.sort.iter().enumerate().map(|(at, sort)| (name(at, sort), sort.descending));
    sorts.chain([("r.id".to_owned(), first)]).collect()
}

/// The column of the resource that an order goes by which can be walked.
fn column(sort: &Sort) -> &'static str {
    if sort.param == "_lastUpdated" { "r.at_ms" } else { "r.id" }
}

/// Only what comes after the last resource of the page before.
fn beyond_cursor(sql: &mut Statement, keys: &[(String, bool)], after: &Cursor) {
    let bind = |sql: &mut Statement, at: usize| match after.values.get(at) {
        Some(SortValue::Time(ms)) => _ = sql.push_bind(*ms),
        Some(SortValue::Real(real)) => _ = sql.push_bind(*real),
        Some(SortValue::Text(text)) => _ = sql.push_bind(text),
        None => _ = sql.push_bind(&after.id),
    };
    let operator = |descending: bool| if descending { " < " } else { " > " };
    let first = keys.first().is_some_and(|key| key.1);
    if keys.iter().all(|key| key.1 == first) {
        // As one row value, which an index can serve.
        let names: Vec<&str> = keys.iter().map(|key| key.0.as_str()).collect();
        sql.push(format!("({})", names.join(", "))).push(operator(first)).push("(");
        for at in 0..keys.len() {
            sql.push(if at > 0 { ", " } else { "" });
            bind(sql, at);
        }
        sql.push(")");
        return;
    }
    for (at, (key, descending)) in keys.iter().enumerate() {
        sql.push("(").push(key).push(operator(*descending));
        bind(sql, at);
        if at + 1 < keys.len() {
            sql.push(" or (").push(key).push(" = ");
            bind(sql, at);
            sql.push(" and ");
        }
    }
    sql.push("))".repeat(keys.len() - 1)).push(")");
}

/// The kind of value that a sort parameter has.
fn kind_of(kind: &str, sort: &Sort) -> ParamKind {
    index::param(kind, &sort.param).map_or(ParamKind::Token, |param| param.kind)
}

/// A page from the rows of its statement: one row more than asked for tells whether there is a next one.
pub(crate) fn cut<R: Columns>(
    query: &Query,
    mut rows: Vec<R>,
    total: Option<u64>,
) -> Result<Page, sqlx::Error> {
    let more = rows.len() > query.count;
    rows.truncate(query.count);
    let next = if more { rows.last().map(|row| cursor(query, row)).transpose()? } else { None };
    let resources = rows.iter().map(stored).collect::<Result<_, _>>()?;
    Ok(Page { resources, next, total })
}

fn cursor(query: &Query, row: &impl Columns) -> Result<Cursor, sqlx::Error> {
    let value = |(at, sort): (usize, &Sort)| {
        Ok(match kind_of(&query.kind, sort) {
            ParamKind::Date => SortValue::Time(row.integer(COLUMNS + at)?),
            ParamKind::Number | ParamKind::Quantity => SortValue::Real(row.real(COLUMNS + at)?),
            _ => SortValue::Text(row.text(COLUMNS + at)?),
        })
    };
    let values = query.sort.iter().enumerate().map(value).collect::<Result<_, sqlx::Error>>()?;
    Ok(Cursor { values, id: row.text(1)? })
}

/// The value by which the results are ordered; resources without it come last.
fn sort_value(sql: &mut Statement, kind: &str, sort: &Sort) {
    match sort.param.as_str() {
        "_id" | "_lastUpdated" => {
            sql.push(column(sort));
            return;
        }
        _ => {}
    }
    let (table, least, greatest) = match kind_of(kind, sort) {
        ParamKind::Date => ("date_row", "start_ms", "end_ms"),
        ParamKind::Number | ParamKind::Quantity => ("quantity_row", "low", "high"),
        ParamKind::Text => ("text_row", "value", "value"),
        _ => ("token_row", "code", "code"),
    };
    sql.push("coalesce((select ");
    sql.push(if sort.descending { format!("max(d.{greatest})") } else { format!("min(d.{least})") });
    sql.push(" from ").push(table).push(" d where d.resource = r.key and d.param = ");
    sql.push_bind(format!("{kind}.{}", sort.param)).push("), ");
    match (kind_of(kind, sort), sort.descending) {
        (ParamKind::Date, true) => sql.push_bind(i64::MIN),
        (ParamKind::Date, false) => sql.push_bind(i64::MAX),
        (ParamKind::Number | ParamKind::Quantity, true) => sql.push_bind(f64::MIN),
        (ParamKind::Number | ParamKind::Quantity, false) => sql.push_bind(f64::MAX),
        (_, true) => sql.push_bind(""),
        (_, false) => sql.push_bind("\u{10FFFF}"),
    };
    sql.push(")");
}
