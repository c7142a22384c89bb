//! A query as SQL, for both databases. Every value is bound; only text written here is pushed.
//!
//! `r` is always the resource that the nearest `select` is about: what a chain follows is a `select` of its own inside.

use super::row::{Columns, stored};
use super::{Dialect, Statement};
use endplate_fhir::index::{self, ParamKind};
use endplate_fhir::search::{
    Asked, Clause, Cursor, Match, Part, Prefix, Query, Sort, SortValue, TOTAL_MAX, TokenSystem, Total, Unit,
    fold,
};
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

/// `from`: the resources `r` that may be meant; [`is_meant`] says which are. Where a clause names a few, nothing else must lead. SQLite is
/// kept from that by a plus sign. PostgreSQL plans for any value once it has planned for some: it then takes all that have some
/// common status to be as few as all that refer to one patient. An offset, which no join may cross, makes it decide which are the
/// few before it asks anything else of them, and one by one.
fn candidates(sql: &mut Statement, kind: &str, clauses: &[Clause]) {
    if !is_fenced(sql, clauses) {
        sql.push("resource r");
        return;
    }
    sql.push("(select r.* from resource r where ");
    of_kind(sql, kind, false);
    all_met(sql, kind, clauses.iter().filter(|clause| names_a_few(clause)), false);
    sql.push(" offset 0) r");
}

/// That `r`, one of the [`candidates`], is of a type and meets all clauses.
fn is_meant(sql: &mut Statement, kind: &str, clauses: &[Clause]) {
    if is_fenced(sql, clauses) {
        sql.push("true");
        all_met(sql, kind, clauses.iter().filter(|clause| !names_a_few(clause)), true);
    } else {
        of_kind(sql, kind, clauses.iter().any(names_a_few));
        all_met(sql, kind, clauses.iter(), false);
    }
}

/// Whether those that clauses name are decided first.
fn is_fenced(sql: &Statement, clauses: &[Clause]) -> bool {
    sql.dialect() == Dialect::Postgres && clauses.iter().any(names_a_few)
}

/// The type; `must_not_lead`: the planner would else walk through all resources of the type in their order.
fn of_kind(sql: &mut Statement, kind: &str, must_not_lead: bool) {
    sql.push(if must_not_lead { "+r.kind = " } else { "r.kind = " }).push_bind(kind);
    sql.push(" and not r.deleted");
}

/// `one_by_one`: what is asked of few resources is asked of each, which PostgreSQL must be told.
fn all_met<'a>(sql: &mut Statement, kind: &str, clauses: impl Iterator<Item = &'a Clause>, one_by_one: bool) {
    for clause in clauses {
        sql.push(" and ");
        meets(sql, kind, clause, one_by_one);
    }
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

/// The statement of how many values of a date parameter begin at which instant, among the resources that meet the query. No body
/// is read.
pub(crate) fn counts(dialect: Dialect, query: &Query, param: &str) -> Statement {
    // Cross join: of SQLite it keeps the order, and both know it.
    let mut sql = Statement::new(dialect, "select d.start_ms, count(*) from ");
    candidates(&mut sql, &query.kind, &query.clauses);
    sql.push(" cross join date_row d where d.resource = r.key and d.param = ")
        .push_bind(format!("{}.{param}", query.kind))
        .push(" and ");
    is_meant(&mut sql, &query.kind, &query.clauses);
    sql.push(" group by 1 order by 1");
    sql
}

/// The statement of how many match, as far as they are counted; see [`total`].
pub(crate) fn count(dialect: Dialect, query: &Query) -> Statement {
    let mut sql = Statement::new(dialect, "select count(*) from (select 1 from ");
    candidates(&mut sql, &query.kind, &query.clauses);
    sql.push(" where ");
    is_meant(&mut sql, &query.kind, &query.clauses);
    if query.total != Total::Whole {
        sql.push_limit(TOTAL_MAX + 1);
    }
    sql.push(") t");
    sql
}

/// How many match, from the row of [`count`].
pub(crate) fn total(query: &Query, row: &impl Columns) -> Result<Option<u64>, sqlx::Error> {
    let count = row.integer(0)?.unsigned_abs();
    Ok((query.total == Total::Whole || count <= TOTAL_MAX as u64).then_some(count))
}

/// The statement of one page: ordered by the sort values and, where these are equal, by id, so that the order is total. Which
/// resources are on the page is decided first, and only their bodies are read.
pub(crate) fn page(dialect: Dialect, query: &Query) -> Statement {
    let mut sql = Statement::new(dialect, "with page as materialized (");
    // PostgreSQL knows the names of sort values only outside of the `select` that makes them.
    let is_wrapped = dialect == Dialect::Postgres && query.after.is_some();
    sql.push(if is_wrapped { "select * from (" } else { "" });
    sql.push("select r.key, r.kind, r.id, r.version, r.at_ms");
    for (at, sort) in query.sort.iter().enumerate() {
        sql.push(", ");
        sort_value(&mut sql, &query.kind, sort);
        sql.push(format!(" as s{at}"));
    }
    sql.push(" from ");
    candidates(&mut sql, &query.kind, &query.clauses);
    sql.push(" where ");
    is_meant(&mut sql, &query.kind, &query.clauses);
    let keys = keys(query);
    if let Some(after) = &query.after {
        sql.push(if is_wrapped { ") r where " } else { " and " });
        beyond_cursor(&mut sql, &keys, after);
    }
    in_order(&mut sql, &keys);
    sql.push_limit(query.count + 1);
    sql.push(") select r.kind, r.id, r.version, r.at_ms, v.body");
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

/// What the page is ordered by, and whether greatest first: the id goes with the first key, so that one index can serve both.
fn keys(query: &Query) -> Vec<(String, bool)> {
    let first = query.sort.first().is_some_and(|sort| sort.descending);
    let sorts = query.sort.iter().enumerate().map(|(at, sort)| (format!("s{at}"), sort.descending));
    sorts.chain([("r.id".to_owned(), first)]).collect()
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
fn is_of(sql: &mut Statement, kind: &str, params: &[String], modifier: &str) {
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
fn meets(sql: &mut Statement, kind: &str, clause: &Clause, one_by_one: bool) {
    sql.push(if clause.negated { "not (" } else { "(" });
    if let Some((ids, by_kind)) = many(clause) {
        // Many at once are one list: the statement stays the same however many there are.
        if by_kind {
            sql.push("r.key in (select t.resource from ").push_elements(ids);
            sql.push(" j cross join reference_row t where ");
            is_of(sql, kind, &clause.params, "");
            sql.push(" and ").equals_id("t.id", "j.value ->> 1").push(" and t.kind = j.value ->> 0)");
        } else {
            sql.push("r.id in (select j.value ->> 0 from ").push_elements(ids).push(" j)");
        }
    } else {
        for (at, asked) in clause.any.iter().enumerate() {
            sql.push(if at > 0 { " or " } else { "" });
            condition(sql, kind, clause, asked, one_by_one);
        }
        if clause.any.is_empty() {
            sql.push("false");
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
    // PostgreSQL reads no such character out of JSON.
    let is_sayable = |text: &String| !text.contains('\0');
    let ids = clause
        .any
        .iter()
        .map(|asked| if let Match::Id(id) = asked { Some(id).filter(|id| is_sayable(id)) } else { None });
    if let Some(ids) = ids.collect::<Option<Vec<_>>>() {
        let ids: Vec<_> = ids.iter().map(|id| [id]).collect();
        return Some((serde_json::to_string(&ids).ok()?, false));
    }
    let references = clause.any.iter().map(|asked| match asked {
        Match::Reference { kind: Some(kind), id } if is_sayable(kind) && is_sayable(id) => Some((kind, id)),
        _ => None,
    });
    let references = references.collect::<Option<Vec<_>>>()?;
    Some((serde_json::to_string(&references).ok()?, true))
}

/// Opens `r.key in (select … where …`: what narrows most is looked up first.
fn looked_up(sql: &mut Statement, kind: &str, clause: &Clause, table: &str, modifier: &str) {
    sql.push("r.key in (select t.resource from ").push(table).push(" t where ");
    is_of(sql, kind, &clause.params, modifier);
}

/// Opens `exists (select … where t.resource = r.key and …`: the rest is checked row by row.
fn checked(sql: &mut Statement, kind: &str, clause: &Clause, table: &str) {
    sql.push("exists (select 1 from ").push(table).push(" t where t.resource = r.key and ");
    is_of(sql, kind, &clause.params, "");
}

/// Closes what [`checked`] opened; no join crosses an offset.
fn end_check(sql: &mut Statement, one_by_one: bool) {
    sql.push(if one_by_one { " offset 0)" } else { ")" });
}

/// One value of a clause.
fn condition(sql: &mut Statement, kind: &str, clause: &Clause, asked: &Match, one_by_one: bool) {
    let is_last_updated = clause.params.iter().any(|param| param == "_lastUpdated");
    match asked {
        Match::Id(id) => {
            sql.push("r.id = ").push_bind(id);
            return;
        }
        Match::Date { prefix, start_ms, end_ms } if is_last_updated => {
            return date(sql, *prefix, ("r.at_ms", "r.at_ms"), *start_ms, *end_ms);
        }
        Match::Present { .. } if is_last_updated => {
            sql.push("true");
            return;
        }
        Match::All(clauses) => {
            sql.push("(true");
            all_met(sql, kind, clauses.iter(), one_by_one);
        }
        Match::Chain { kind: target, clause: inner } => {
            referring(sql, "r.key in (select t.resource", target, inner);
            sql.push("t.kind = r.kind and ").equals_id("t.id", "r.id").push(" and ");
            is_of(sql, kind, &clause.params, "");
        }
        Match::Referrer { kind: from, params, clause: inner } => {
            referring(sql, "(r.kind, r.id) in (select t.kind, t.id", from, inner);
            sql.push("t.resource = r.key and ");
            is_of(sql, from, params, "");
        }
        Match::Token { system, code } if is_looked_up(clause) => {
            looked_up(sql, kind, clause, "token_row", "");
            token(sql, system, code.as_deref());
        }
        Match::Token { system, code } => {
            checked(sql, kind, clause, "token_row");
            // Of one resource there is nothing to look up by the code.
            if let Some(code) = code.as_ref().filter(|_| one_by_one) {
                sql.push(" and t.code = ").push_bind(code);
                token(sql, system, None);
            } else {
                token(sql, system, code.as_deref());
            }
            return end_check(sql, one_by_one);
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
            sql.push(" and ").begins_with("t.code", uri);
        }
        Match::Above(uri) => {
            looked_up(sql, kind, clause, "token_row", "");
            sql.push(" and substr(").push_bind(uri).push(", 1, length(t.code)) = t.code");
        }
        Match::Reference { kind: target, id } => {
            looked_up(sql, kind, clause, "reference_row", "");
            sql.push(" and ").equals("t.id", id);
            if let Some(target) = target {
                sql.push(" and t.kind = ").push_bind(target);
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
                Part::Start => _ = sql.push(" and ").begins_with("t.value", text),
                Part::Anywhere => {
                    let holds = if sql.dialect() == Dialect::Sqlite { "instr" } else { "strpos" };
                    sql.push(" and ").push(holds).push("(t.value, ").push_bind(text).push(") > 0");
                }
                Part::Whole => {
                    sql.push(" and ").equals("t.value", &fold(text));
                    sql.push(" and t.exact = ").push_bind(text);
                }
            }
        }
        Match::Quantity { prefix, asked, unit } => {
            looked_up(sql, kind, clause, "quantity_row", "");
            quantity(sql, *prefix, *asked, unit);
        }
        Match::Present { kind: target, system } => {
            present(sql, kind, clause, target.as_ref(), system.as_ref());
            return end_check(sql, one_by_one);
        }
    }
    sql.push(")");
}

/// Opens a `select` from the resources `r` of another type that meet a clause, and references `t`. Cross join: first who meets the
/// clause, then who refers to them or whom they refer to.
fn referring(sql: &mut Statement, select: &'static str, kind: &str, clause: &Clause) {
    let clauses = std::slice::from_ref(clause);
    sql.push(select).push(" from ");
    candidates(sql, kind, clauses);
    sql.push(" cross join reference_row t where ");
    is_meant(sql, kind, clauses);
    sql.push(" and ");
}

fn present(
    sql: &mut Statement,
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
        sql.push(" and t.kind = ").push_bind(target);
    }
    if let Some(system) = system {
        sql.push(" and t.system = ").push_bind(system);
    }
}

fn token(sql: &mut Statement, system: &TokenSystem, code: Option<&str>) {
    if let Some(code) = code {
        sql.push(" and ").equals("t.code", code);
    }
    match system {
        TokenSystem::Any => {}
        TokenSystem::None => _ = sql.push(" and t.system = ''"),
        TokenSystem::Is(system) => _ = sql.push(" and t.system = ").push_bind(system),
    }
}

/// How an asked number and a stored range relate, as `Asked::holds` has it.
fn quantity(sql: &mut Statement, prefix: Prefix, asked: Asked, unit: &Unit) {
    let (value, low, high) = (asked.value, asked.low, asked.high);
    let pair = |sql: &mut Statement, begin: &str, first: f64, then: &str, second: f64| {
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
            sql.push(" and (t.code = ").push_bind(name);
            sql.push(" or t.unit = ").push_bind(name).push(")");
        }
        Unit::Coded { system, code } => {
            sql.push(" and t.system = ").push_bind(system);
            sql.push(" and t.code = ").push_bind(code);
        }
    }
}

/// How an asked range and a stored range relate: the R4 search page, section "Prefixes", as `Prefix::holds` has it. A stored
/// range never ends before it begins, which gives the index a bound on its beginning where there is one.
fn date(
    sql: &mut Statement,
    prefix: Prefix,
    (low, high): (&'static str, &'static str),
    start: i64,
    end: i64,
) {
    let within = |sql: &mut Statement| {
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
