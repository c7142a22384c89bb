//! A query as SQL: the one place where a statement is put together. Every value is bound; only text written here is pushed.
//!
//! `r` is always the resource that the nearest `select` is about: what a chain follows is a `select` of its own inside.

use super::{failed, number, stored};
use endplate_fhir::index::{self, ParamKind};
use endplate_fhir::search::{
    Asked, Clause, Cursor, Match, Part, Prefix, Query, Sort, SortValue, TokenSystem, Unit, fold,
};
use endplate_followup::ports::{Page, StoreError};
use sqlx::sqlite::{SqlitePool, SqliteRow};
use sqlx::{QueryBuilder, Row, Sqlite};

/// Columns before the sort values.
const COLUMNS: usize = 5;

/// One page, and how many match in all.
pub(super) async fn search(readers: &SqlitePool, query: &Query) -> Result<Page, StoreError> {
    const CONTEXT: &str = "searching";
    if query.count == 0 {
        let total: i64 =
            count(query).build_query_scalar().fetch_one(readers).await.map_err(failed(CONTEXT))?;
        return Ok(Page { total: total.unsigned_abs(), ..Page::default() });
    }
    let rows = page(query).build().fetch_all(readers).await.map_err(failed(CONTEXT))?;
    // Most searches find all there is on their first page, and then it need not be counted.
    if query.after.is_none() && rows.len() <= query.count {
        let resources: Vec<_> = rows.iter().map(stored).collect::<Result<_, _>>().map_err(failed(CONTEXT))?;
        return Ok(Page { total: resources.len() as u64, resources, next: None });
    }
    if !query.total {
        return cut(query, rows, 0).map_err(failed(CONTEXT));
    }
    // One transaction, so that the page and the count are of one snapshot.
    let mut snapshot = readers.begin().await.map_err(failed(CONTEXT))?;
    let total: i64 =
        count(query).build_query_scalar().fetch_one(&mut *snapshot).await.map_err(failed(CONTEXT))?;
    let rows = page(query).build().fetch_all(&mut *snapshot).await.map_err(failed(CONTEXT))?;
    snapshot.commit().await.map_err(failed(CONTEXT))?;
    cut(query, rows, total.unsigned_abs()).map_err(failed(CONTEXT))
}

/// One row more than asked for tells whether there is a next page.
fn cut(query: &Query, mut rows: Vec<SqliteRow>, total: u64) -> Result<Page, sqlx::Error> {
    let more = rows.len() > query.count;
    rows.truncate(query.count);
    let next = if more { rows.last().map(|row| cursor(query, row)).transpose()? } else { None };
    let resources = rows.iter().map(stored).collect::<Result<_, _>>()?;
    Ok(Page { resources, next, total })
}

/// The types of the resources with this id that are referred to by these parameters of a type.
pub(super) async fn referred(
    readers: &SqlitePool,
    kind: &str,
    params: &[String],
    id: &str,
) -> Result<Vec<String>, StoreError> {
    let mut sql: QueryBuilder<Sqlite> =
        QueryBuilder::new("select distinct t.kind from reference_row t where ");
    is_of(&mut sql, kind, params, "");
    sql.push(" and t.id = ").push_bind(id.to_owned()).push(" order by 1");
    sql.build_query_scalar().fetch_all(readers).await.map_err(failed("looking who is referred to"))
}

/// The type. Where a clause names a few resources, the type must not lead: the plus sign keeps the planner from walking through
/// all resources of the type in their order and asking each whether it is one of the few.
fn of_kind(sql: &mut QueryBuilder<Sqlite>, kind: &str, clauses: &[Clause]) {
    sql.push(if clauses.iter().any(names_a_few) { "+r.kind = " } else { "r.kind = " });
    sql.push_bind(kind.to_owned());
    sql.push(" and not r.deleted");
}

fn names_a_few(clause: &Clause) -> bool {
    let few = |asked: &Match| match asked {
        Match::Reference { .. }
        | Match::Text { part: Part::Start | Part::Whole, .. }
        | Match::Typed { .. }
        | Match::Identified { .. }
        | Match::Quantity { .. }
        | Match::Chain { .. }
        | Match::Referrer { .. } => true,
        Match::Token { .. } => is_looked_up(clause),
        Match::Date { .. } => !clause.params.iter().any(|param| param == "_lastUpdated"),
        _ => false,
    };
    !clause.negated && clause.any.iter().all(few)
}

/// Whether few resources share a token of this clause.
fn is_looked_up(clause: &Clause) -> bool {
    clause.params.iter().any(|param| matches!(param.as_str(), "identifier" | "telecom" | "url"))
}

/// How many values of a date parameter begin at which instant, among the resources that meet the query. No body is read.
pub(super) async fn counts(
    readers: &SqlitePool,
    query: &Query,
    param: &str,
) -> Result<Vec<(i64, u64)>, StoreError> {
    const CONTEXT: &str = "counting by day";
    let mut sql: QueryBuilder<Sqlite> = QueryBuilder::new(
        "select d.start_ms, count(*) from resource r cross join date_row d \
         on d.resource = r.key and d.param = ",
    );
    sql.push_bind(format!("{}.{param}", query.kind)).push(" where ");
    of_kind(&mut sql, &query.kind, &query.clauses);
    for clause in &query.clauses {
        sql.push(" and ");
        meets(&mut sql, &query.kind, clause);
    }
    sql.push(" group by 1 order by 1");
    let rows: Vec<(i64, i64)> = sql.build_query_as().fetch_all(readers).await.map_err(failed(CONTEXT))?;
    Ok(rows.into_iter().map(|(at_ms, count)| (at_ms, count.unsigned_abs())).collect())
}

fn count(query: &Query) -> QueryBuilder<Sqlite> {
    let mut sql: QueryBuilder<Sqlite> = QueryBuilder::new("select count(*) from resource r where ");
    of_kind(&mut sql, &query.kind, &query.clauses);
    for clause in &query.clauses {
        sql.push(" and ");
        meets(&mut sql, &query.kind, clause);
    }
    sql
}

/// The statement of one page: ordered by the sort values and, where these are equal, by id, so that the order is total. Which
/// resources are on the page is decided first, and only their bodies are read.
fn page(query: &Query) -> QueryBuilder<Sqlite> {
    let mut sql: QueryBuilder<Sqlite> =
        QueryBuilder::new("with page as materialized (select r.key, r.kind, r.id, r.version, r.at_ms");
    for (at, sort) in query.sort.iter().enumerate() {
        sql.push(", ");
        sort_value(&mut sql, &query.kind, sort);
        sql.push(format!(" as s{at}"));
    }
    sql.push(" from resource r where ");
    of_kind(&mut sql, &query.kind, &query.clauses);
    for clause in &query.clauses {
        sql.push(" and ");
        meets(&mut sql, &query.kind, clause);
    }
    let keys = keys(query);
    if let Some(after) = &query.after {
        sql.push(" and ");
        beyond_cursor(&mut sql, &keys, after);
    }
    in_order(&mut sql, &keys);
    sql.push(" limit ").push_bind(number(query.count as u64 + 1));
    sql.push(") select r.kind, r.id, r.version, r.at_ms, v.body");
    for at in 0..query.sort.len() {
        sql.push(format!(", s{at}"));
    }
    sql.push(" from page r cross join resource_version v on v.resource = r.key and v.version = r.version");
    in_order(&mut sql, &keys);
    sql
}

fn in_order(sql: &mut QueryBuilder<Sqlite>, keys: &[(String, bool)]) {
    sql.push(" order by ");
    for (at, (key, descending)) in keys.iter().enumerate() {
        sql.push(if at > 0 { ", " } else { "" }).push(key).push(if *descending { " desc" } else { "" });
    }
}

/// What the page is ordered by, and whether greatest first: the id goes with the first key, so that one index can serve both.
fn keys(query: &Query) -> Vec<(String, bool)> {
    let first = query.sort.first().is_some_and(|sort| sort.descending);
    let sorts = query.sort.iter().enumerate().map(|(at, sort)| (format!("s{at}"), sort.descending));
    sorts.chain([("r.id".to_owned(), first)]).collect()
}

/// Only what comes after the last resource of the page before.
fn beyond_cursor(sql: &mut QueryBuilder<Sqlite>, keys: &[(String, bool)], after: &Cursor) {
    let bind = |sql: &mut QueryBuilder<Sqlite>, at: usize| match after.values.get(at) {
        Some(SortValue::Time(ms)) => _ = sql.push_bind(*ms),
        Some(SortValue::Real(real)) => _ = sql.push_bind(*real),
        Some(SortValue::Text(text)) => _ = sql.push_bind(text.clone()),
        None => _ = sql.push_bind(after.id.clone()),
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

fn cursor(query: &Query, row: &SqliteRow) -> Result<Cursor, sqlx::Error> {
    let value = |(at, sort): (usize, &Sort)| {
        Ok(match kind_of(&query.kind, sort) {
            ParamKind::Date => SortValue::Time(row.try_get(COLUMNS + at)?),
            ParamKind::Number | ParamKind::Quantity => SortValue::Real(row.try_get(COLUMNS + at)?),
            _ => SortValue::Text(row.try_get(COLUMNS + at)?),
        })
    };
    let values = query.sort.iter().enumerate().map(value).collect::<Result<_, sqlx::Error>>()?;
    Ok(Cursor { values, id: row.try_get(1)? })
}

/// The value by which the results are ordered; resources without it come last.
fn sort_value(sql: &mut QueryBuilder<Sqlite>, kind: &str, sort: &Sort) {
    match sort.param.as_str() {
        "_id" => {
            sql.push("r.id");
            return;
        }
        "_lastUpdated" => {
            sql.push("r.at_ms");
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

/// That a row is one of some parameters.
fn is_of(sql: &mut QueryBuilder<Sqlite>, kind: &str, params: &[String], modifier: &str) {
    let name = |param: &String| format!("{kind}.{param}{modifier}");
    if let [param] = params {
        sql.push("t.param = ").push_bind(name(param));
        return;
    }
    sql.push("t.param in (");
    for (at, param) in params.iter().enumerate() {
        sql.push(if at > 0 { ", " } else { "" }).push_bind(name(param));
    }
    sql.push(")");
}

/// That `r` meets a clause.
fn meets(sql: &mut QueryBuilder<Sqlite>, kind: &str, clause: &Clause) {
    sql.push(if clause.negated { "not (" } else { "(" });
    if let Some((ids, by_kind)) = many(clause) {
        // Many at once are one list: the statement stays the same however many there are.
        if by_kind {
            sql.push("r.key in (select t.resource from json_each(").push_bind(ids);
            sql.push(") j cross join reference_row t where ");
            is_of(sql, kind, &clause.params, "");
            sql.push(" and t.id = j.value ->> 1 and t.kind = j.value ->> 0)");
        } else {
            sql.push("r.id in (select value from json_each(").push_bind(ids).push("))");
        }
    } else {
        for (at, asked) in clause.any.iter().enumerate() {
            sql.push(if at > 0 { " or " } else { "" });
            condition(sql, kind, clause, asked);
        }
        if clause.any.is_empty() {
            sql.push("0");
        }
    }
    sql.push(")");
}

/// More than a few values, if all are ids, or all are references with a type: as a JSON list, and whether they are references.
fn many(clause: &Clause) -> Option<(String, bool)> {
    const FEW: usize = 4;
    if clause.any.len() <= FEW {
        return None;
    }
    let ids = clause.any.iter().map(|asked| if let Match::Id(id) = asked { Some(id) } else { None });
    if let Some(ids) = ids.collect::<Option<Vec<_>>>() {
        return Some((serde_json::to_string(&ids).ok()?, false));
    }
    let references = clause.any.iter().map(|asked| match asked {
        Match::Reference { kind: Some(kind), id } => Some((kind, id)),
        _ => None,
    });
    let references = references.collect::<Option<Vec<_>>>()?;
    Some((serde_json::to_string(&references).ok()?, true))
}

/// Opens `r.key in (select … where …`: what narrows most is looked up first.
fn looked_up(sql: &mut QueryBuilder<Sqlite>, kind: &str, clause: &Clause, table: &str, modifier: &str) {
    sql.push("r.key in (select t.resource from ").push(table).push(" t where ");
    is_of(sql, kind, &clause.params, modifier);
}

/// Opens `exists (select … where t.resource = r.key and …`: the rest is checked row by row.
fn checked(sql: &mut QueryBuilder<Sqlite>, kind: &str, clause: &Clause, table: &str) {
    sql.push("exists (select 1 from ").push(table).push(" t where t.resource = r.key and ");
    is_of(sql, kind, &clause.params, "");
}

/// One value of a clause.
fn condition(sql: &mut QueryBuilder<Sqlite>, kind: &str, clause: &Clause, asked: &Match) {
    let is_last_updated = clause.params.iter().any(|param| param == "_lastUpdated");
    match asked {
        Match::Id(id) => {
            sql.push("r.id = ").push_bind(id.clone());
            return;
        }
        Match::Date { prefix, start_ms, end_ms } if is_last_updated => {
            return date(sql, *prefix, ("r.at_ms", "r.at_ms"), *start_ms, *end_ms);
        }
        Match::Present { .. } if is_last_updated => {
            sql.push("1");
            return;
        }
        Match::All(clauses) => {
            sql.push("(1");
            for clause in clauses {
                sql.push(" and ");
                meets(sql, kind, clause);
            }
        }
        Match::Chain { kind: target, clause: inner } => {
            // Cross join: first who meets the clause, then who refers to them.
            sql.push("r.key in (select t.resource from resource r cross join reference_row t where ");
            of_kind(sql, target, std::slice::from_ref(inner.as_ref()));
            sql.push(" and ");
            meets(sql, target, inner);
            sql.push(" and t.kind = r.kind and t.id = r.id and ");
            is_of(sql, kind, &clause.params, "");
        }
        Match::Referrer { kind: from, params, clause: inner } => {
            sql.push(
                "(r.kind, r.id) in (select t.kind, t.id from resource r cross join reference_row t where ",
            );
            of_kind(sql, from, std::slice::from_ref(inner.as_ref()));
            sql.push(" and ");
            meets(sql, from, inner);
            sql.push(" and t.resource = r.key and ");
            is_of(sql, from, params, "");
        }
        Match::Token { system, code } => {
            if is_looked_up(clause) {
                looked_up(sql, kind, clause, "token_row", "");
            } else {
                checked(sql, kind, clause, "token_row");
            }
            token(sql, system, code.as_deref());
        }
        Match::Identified { system, code } => {
            looked_up(sql, kind, clause, "token_row", ":identifier");
            token(sql, system, code.as_deref());
        }
        Match::Typed { system, code, value } => {
            looked_up(sql, kind, clause, "token_row", ":of-type");
            token(sql, &TokenSystem::Is(system.clone()), Some(&format!("{code}|{value}")));
        }
        Match::Below(uri) => {
            looked_up(sql, kind, clause, "token_row", "");
            begins_with(sql, "t.code", uri);
        }
        Match::Above(uri) => {
            looked_up(sql, kind, clause, "token_row", "");
            sql.push(" and substr(").push_bind(uri.clone()).push(", 1, length(t.code)) = t.code");
        }
        Match::Reference { kind: target, id } => {
            looked_up(sql, kind, clause, "reference_row", "");
            sql.push(" and t.id = ").push_bind(id.clone());
            if let Some(target) = target {
                sql.push(" and t.kind = ").push_bind(target.clone());
            }
        }
        Match::Date { prefix, start_ms, end_ms } => {
            looked_up(sql, kind, clause, "date_row", "");
            sql.push(" and ");
            date(sql, *prefix, ("t.start_ms", "t.end_ms"), *start_ms, *end_ms);
        }
        Match::Text { part, text } => {
            looked_up(sql, kind, clause, "text_row", "");
            match part {
                Part::Start => begins_with(sql, "t.value", text),
                Part::Anywhere => {
                    sql.push(" and instr(t.value, ").push_bind(text.clone()).push(") > 0");
                }
                Part::Whole => {
                    sql.push(" and t.value = ").push_bind(fold(text));
                    sql.push(" and t.exact = ").push_bind(text.clone());
                }
            }
        }
        Match::Quantity { prefix, asked, unit } => {
            looked_up(sql, kind, clause, "quantity_row", "");
            quantity(sql, *prefix, *asked, unit);
        }
        Match::Present { kind: target, system } => {
            present(sql, kind, clause, target.as_ref(), system.as_ref());
        }
    }
    sql.push(")");
}

fn present(
    sql: &mut QueryBuilder<Sqlite>,
    kind: &str,
    clause: &Clause,
    target: Option<&String>,
    system: Option<&String>,
) {
    let param = clause.params.first().and_then(|name| index::param(kind, name));
    let table = match param.map(|param| param.kind) {
        Some(ParamKind::Reference) => "reference_row",
        Some(ParamKind::Date) => "date_row",
        Some(ParamKind::Text) => "text_row",
        Some(ParamKind::Number | ParamKind::Quantity) => "quantity_row",
        _ => "token_row",
    };
    checked(sql, kind, clause, table);
    if let Some(target) = target {
        sql.push(" and t.kind = ").push_bind(target.clone());
    }
    if let Some(system) = system {
        sql.push(" and t.system = ").push_bind(system.clone());
    }
}

fn token(sql: &mut QueryBuilder<Sqlite>, system: &TokenSystem, code: Option<&str>) {
    if let Some(code) = code {
        sql.push(" and t.code = ").push_bind(code.to_owned());
    }
    match system {
        TokenSystem::Any => {}
        TokenSystem::None => _ = sql.push(" and t.system = ''"),
        TokenSystem::Is(system) => _ = sql.push(" and t.system = ").push_bind(system.clone()),
    }
}

/// A prefix as a range, which the index can serve.
fn begins_with(sql: &mut QueryBuilder<Sqlite>, column: &'static str, text: &str) {
    sql.push(" and ").push(column).push(" >= ").push_bind(text.to_owned());
    if let Some(beyond) = beyond(text) {
        sql.push(" and ").push(column).push(" < ").push_bind(beyond);
    }
}

/// The first text after all that begin with `text`: its last character made one greater. None if there is no such text.
fn beyond(text: &str) -> Option<String> {
    let mut chars = text.chars();
    let last = chars.next_back()?;
    let head = chars.as_str();
    (last..=char::MAX).nth(1).map_or_else(|| beyond(head), |next| Some(format!("{head}{next}")))
}

/// How an asked number and a stored range relate, as `Asked::holds` has it.
fn quantity(sql: &mut QueryBuilder<Sqlite>, prefix: Prefix, asked: Asked, unit: &Unit) {
    let (value, low, high) = (asked.value, asked.low, asked.high);
    let pair = |sql: &mut QueryBuilder<Sqlite>, begin: &str, first: f64, then: &str, second: f64| {
        sql.push(begin).push_bind(first).push(then).push_bind(second).push(")");
    };
    match prefix {
        Prefix::Eq => pair(sql, " and (t.low >= ", low, " and t.high < ", high),
        Prefix::Ne => pair(sql, " and not (t.low >= ", low, " and t.high < ", high),
        Prefix::Ap => pair(sql, " and (t.high >= ", low, " and t.low <= ", high),
        Prefix::Lt => _ = sql.push(" and t.low < ").push_bind(value),
        Prefix::Le => _ = sql.push(" and t.low <= ").push_bind(value),
        Prefix::Gt => _ = sql.push(" and t.high > ").push_bind(value),
        Prefix::Ge => _ = sql.push(" and t.high >= ").push_bind(value),
        Prefix::Sa => _ = sql.push(" and t.low > ").push_bind(value),
        Prefix::Eb => _ = sql.push(" and t.high < ").push_bind(value),
    }
    match unit {
        Unit::Any => {}
        Unit::Named(name) => {
            sql.push(" and (t.code = ").push_bind(name.clone());
            sql.push(" or t.unit = ").push_bind(name.clone()).push(")");
        }
        Unit::Coded { system, code } => {
            sql.push(" and t.system = ").push_bind(system.clone());
            sql.push(" and t.code = ").push_bind(code.clone());
        }
    }
}

/// How an asked range and a stored range relate: the R4 search page, section "Prefixes", as `Prefix::holds` has it. A stored
/// range never ends before it begins, which gives the index a bound on its beginning where there is one.
fn date(
    sql: &mut QueryBuilder<Sqlite>,
    prefix: Prefix,
    (low, high): (&'static str, &'static str),
    start: i64,
    end: i64,
) {
    let within = |sql: &mut QueryBuilder<Sqlite>| {
        sql.push("(").push(low).push(" >= ").push_bind(start);
        sql.push(" and ").push(high).push(" <= ").push_bind(end).push(")");
    };
    sql.push("(");
    match prefix {
        Prefix::Eq => {
            sql.push(low).push(" <= ").push_bind(end).push(" and ");
            within(sql);
        }
        Prefix::Ne => {
            sql.push("not ");
            within(sql);
        }
        Prefix::Gt => _ = sql.push(high).push(" > ").push_bind(end),
        Prefix::Lt => _ = sql.push(low).push(" < ").push_bind(start),
        Prefix::Ge => {
            sql.push(high).push(" > ").push_bind(end).push(" or ");
            within(sql);
        }
        Prefix::Le => {
            sql.push(low).push(" <= ").push_bind(end).push(" and (");
            sql.push(low).push(" < ").push_bind(start).push(" or ");
            within(sql);
            sql.push(")");
        }
        Prefix::Sa => _ = sql.push(low).push(" > ").push_bind(end),
        Prefix::Eb => _ = sql.push(high).push(" < ").push_bind(start),
        Prefix::Ap => {
            sql.push(low).push(" <= ").push_bind(end).push(" and ");
            sql.push(high).push(" >= ").push_bind(start);
        }
    }
    sql.push(")");
}
