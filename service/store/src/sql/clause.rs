//! What clauses ask, as SQL for both databases.
//!
//! A clause is said in one of two ways. It *leads*: rows of the values that it names are looked up, and say which resources have them. Or
//! it is *checked*: resources that are come to in another way are asked for rows of their own. Which way is the cheaper one depends on how
//! many have those values, which neither database knows: see [`lead`](super::lead).
//!
//! `r` is always the resource that the nearest `select` is about: what a chain follows is a `select` of its own inside.

use super::lead::{Leads, is_probed, is_settled, leader};
use super::{Dialect, Statement, number};
use endplate_fhir::index::{self, ParamKind};
use endplate_fhir::search::{Asked, Clause, Match, Part, Prefix, Query, TOTAL_MAX, TokenSystem, Unit, fold};
use std::borrow::Cow;

/// The statement of how many rows each clause finds, as far as anybody counts; none where that decides nothing: one is sure to find few, or
/// must lead, or there is none of which it is easily said.
pub(crate) fn probe(dialect: Dialect, query: &Query) -> Option<Statement> {
    if is_settled(&query.clauses) {
        return None;
    }
    let mut sql = Statement::new(dialect, "select ");
    for (at, clause) in query.clauses.iter().filter(|clause| is_probed(clause)).enumerate() {
        sql.push(if at > 0 { ", " } else { "" }).push("(select count(*) from (select 1 from (");
        keys(&mut sql, &query.kind, clause, Keys::AtLeast);
        sql.push(") k").push_limit(TOTAL_MAX + 1).push(") t)");
    }
    Some(sql)
}

/// `from`: the resources `r` that may be meant; [`is_meant`] says which are. Where clauses lead, nothing else must. SQLite is kept from
/// that by a plus sign. PostgreSQL plans for any value once it has planned for some: it then takes all that have some common status to be
/// as few as all that refer to one patient. An offset, which no join may cross, makes it decide what leads before it asks anything else.
pub(super) fn candidates(sql: &mut Statement, kind: &str, clauses: &[Clause], leads: &Leads) {
    if !is_fenced(sql, leads) {
        sql.push("resource r");
        return;
    }
    sql.push("(select r.* from resource r where ");
    of_kind(sql, kind, false);
    all_led(sql, kind, clauses, leads);
    sql.push(" offset 0) r");
}

/// That `r`, one of the [`candidates`] or of those that a [`walk`] comes to, is of a type and meets all clauses.
pub(super) fn is_meant(sql: &mut Statement, kind: &str, clauses: &[Clause], leads: &Leads) {
    let is_fenced = is_fenced(sql, leads);
    if is_fenced {
        sql.push("true");
    } else {
        of_kind(sql, kind, leads.any());
        all_led(sql, kind, clauses, leads);
    }
    for clause in leads.of(clauses, false) {
        sql.push(" and ");
        checked(sql, kind, clause, is_fenced);
    }
}

/// Opens `from`: the resources `r` that a walk comes to; what `order` says bounds and orders it.
pub(super) fn walk(sql: &mut Statement, kind: &str, order: impl FnOnce(&mut Statement)) {
    sql.push("(select r.* from resource r where ");
    of_kind(sql, kind, false);
    order(sql);
    sql.push_limit(Leads::WALK_MAX).push(") r");
}

/// That a walk comes to all resources of the type.
pub(super) fn is_all(sql: &mut Statement, kind: &str) {
    sql.push("(select count(*) from (select 1 from resource r where ");
    of_kind(sql, kind, false);
    sql.push_limit(Leads::WALK_MAX + 1).push(") t) <= ").push_bind(number(Leads::WALK_MAX as u64));
}

/// Whether it is decided first which resources may be meant.
fn is_fenced(sql: &Statement, leads: &Leads) -> bool {
    leads.is_walk() || sql.dialect() == Dialect::Postgres && leads.any()
}

/// The type; `must_not_lead`: the planner would else walk through all resources of the type in their order.
fn of_kind(sql: &mut Statement, kind: &str, must_not_lead: bool) {
    sql.push(if must_not_lead { "+r.kind = " } else { "r.kind = " }).push_bind(kind);
    sql.push(" and not r.deleted");
}

fn all_led(sql: &mut Statement, kind: &str, clauses: &[Clause], leads: &Leads) {
    for clause in leads.of(clauses, true) {
        sql.push(" and r.key in (");
        keys(sql, kind, clause, Keys::All);
        sql.push(")");
    }
}

/// That a row is one of some parameters.
pub(super) fn is_of(sql: &mut Statement, kind: &str, params: &[String], modifier: &str) {
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

/// Which keys are asked for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Keys {
    /// Those of what meets a clause.
    All,
    /// These and perhaps more, which takes no list of them all.
    AtLeast,
}

/// The keys of the resources that meet a clause that can lead; some more than once, and those of deleted ones and other types not always
/// left out.
fn keys(sql: &mut Statement, kind: &str, clause: &Clause, which: Keys) {
    if let Some((references, true)) = many(clause) {
        listed(sql, kind, clause, references);
        return;
    }
    for (at, asked) in clause.any.iter().enumerate() {
        sql.push(if at > 0 { " union all " } else { "" });
        keys_of(sql, kind, clause, asked, which);
    }
}

/// The same for one value.
fn keys_of(sql: &mut Statement, kind: &str, clause: &Clause, asked: &Match, which: Keys) {
    match asked {
        Match::All(clauses) if clauses.len() == 1 || which == Keys::AtLeast => {
            // One that can lead has a leader.
            if let Some(clause) = leader(clauses) {
                keys(sql, kind, clause, which);
            }
        }
        Match::All(clauses) => {
            let leads = Leads::expected(clauses);
            sql.push("select r.key from ");
            candidates(sql, kind, clauses, &leads);
            sql.push(" where ");
            is_meant(sql, kind, clauses, &leads);
        }
        Match::Chain { kind: target, clause: inner } => {
            referring(sql, "t.resource", "", target, inner);
            sql.push("t.kind = r.kind and ").equals_id("t.id", "r.id").push(" and ");
            is_of(sql, kind, &clause.params, "");
        }
        Match::Referrer { kind: from, params, clause: inner } => {
            referring(sql, "o.key", " cross join resource o", from, inner);
            sql.push("t.resource = r.key and o.kind = t.kind and o.id = t.id and o.kind = ").push_bind(kind);
            sql.push(" and ");
            is_of(sql, from, params, "");
        }
        _ => {
            let (table, modifier) = rows_of(asked);
            sql.push("select t.resource from ").push(table).push(" t where ");
            is_of(sql, kind, &clause.params, modifier);
            match which {
                Keys::All => holds(sql, asked, true),
                Keys::AtLeast => holds(sql, &by_index(asked), true),
            }
        }
    }
}

/// The keys of what refers to one of many, which are one list: the statement stays the same however many there are.
fn listed(sql: &mut Statement, kind: &str, clause: &Clause, references: String) {
    sql.push("select t.resource from ").push_elements(references);
    sql.push(" j cross join reference_row t where ");
    is_of(sql, kind, &clause.params, "");
    sql.push(" and ").equals_id("t.id", "j.value ->> 1").push(" and t.kind = j.value ->> 0");
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

/// Opens a `select` from the resources `r` of another type that meet a clause, and references `t`. Cross join: first who meets the
/// clause, then who refers to them or whom they refer to.
fn referring(sql: &mut Statement, what: &str, beside: &str, kind: &str, clause: &Clause) {
    let clauses = std::slice::from_ref(clause);
    let leads = Leads::expected(clauses);
    sql.push("select ").push(what).push(" from ");
    candidates(sql, kind, clauses, &leads);
    sql.push(" cross join reference_row t").push(beside).push(" where ");
    is_meant(sql, kind, clauses, &leads);
    sql.push(" and ");
}

/// That `r` meets a clause; `one_by_one`: each is asked, whatever the database would rather do.
fn checked(sql: &mut Statement, kind: &str, clause: &Clause, one_by_one: bool) {
    sql.push(if clause.negated { "not (" } else { "(" });
    match many(clause) {
        Some((ids, false)) => {
            sql.push("r.id in (select j.value ->> 0 from ").push_elements(ids).push(" j)");
        }
        Some((references, true)) => {
            sql.push("r.key in (");
            listed(sql, kind, clause, references);
            sql.push(")");
        }
        None if clause.any.is_empty() => _ = sql.push("false"),
        None => {
            for (at, asked) in clause.any.iter().enumerate() {
                sql.push(if at > 0 { " or " } else { "" });
                condition(sql, kind, clause, asked, one_by_one);
            }
        }
    }
    sql.push(")");
}

/// One value of a clause that is checked.
fn condition(sql: &mut Statement, kind: &str, clause: &Clause, asked: &Match, one_by_one: bool) {
    let is_last_updated = clause.params.iter().any(|param| param == "_lastUpdated");
    match asked {
        Match::Id(id) => _ = sql.push("r.id = ").push_bind(id),
        Match::Date { prefix, start_ms, end_ms } if is_last_updated => {
            date(sql, *prefix, ("r.at_ms", "r.at_ms"), *start_ms, *end_ms);
        }
        Match::Present { .. } if is_last_updated => _ = sql.push("true"),
        Match::All(clauses) => {
            sql.push("(true");
            for clause in clauses {
                sql.push(" and ");
                checked(sql, kind, clause, one_by_one);
            }
            sql.push(")");
        }
        Match::Chain { .. } | Match::Referrer { .. } => {
            sql.push("r.key in (");
            keys_of(sql, kind, clause, asked, Keys::All);
            sql.push(")");
        }
        Match::Present { kind: target, system } => {
            let param = clause.params.first().and_then(|name| index::param(kind, name));
            let table = match param.map(|param| param.kind) {
                Some(ParamKind::Reference) => "reference_row",
                Some(ParamKind::Date) => "date_row",
                Some(ParamKind::Text) => "text_row",
                Some(ParamKind::Number | ParamKind::Quantity) => "quantity_row",
                _ => "token_row",
            };
            has_row(sql, kind, clause, (table, ""), one_by_one, |sql| {
                if let Some(target) = target {
                    sql.push(" and t.kind = ").push_bind(target);
                }
                if let Some(system) = system {
                    sql.push(" and t.system = ").push_bind(system);
                }
            });
        }
        _ => has_row(sql, kind, clause, rows_of(asked), one_by_one, |sql| holds(sql, asked, false)),
    }
}

/// That `r` has a row of which something holds. No join crosses an offset: PostgreSQL would else look for all rows of which it holds.
fn has_row(
    sql: &mut Statement,
    kind: &str,
    clause: &Clause,
    (table, modifier): (&'static str, &'static str),
    one_by_one: bool,
    holds: impl Fn(&mut Statement),
) {
    sql.push("exists (select 1 from ").push(table).push(" t where t.resource = r.key and ");
    is_of(sql, kind, &clause.params, modifier);
    holds(sql);
    sql.push(if one_by_one && sql.dialect() == Dialect::Postgres { " offset 0)" } else { ")" });
}

/// As much of a value as an index knows: neither systems nor units.
fn by_index(asked: &Match) -> Cow<'_, Match> {
    match asked {
        Match::Token { code: Some(code), .. } | Match::Identified { code: Some(code), .. } => {
            Cow::Owned(Match::Token { system: TokenSystem::Any, code: Some(code.clone()) })
        }
        Match::Quantity { prefix, asked, .. } => {
            Cow::Owned(Match::Quantity { prefix: *prefix, asked: *asked, unit: Unit::Any })
        }
        _ => Cow::Borrowed(asked),
    }
}

/// In which table the rows of a value stand, and what their parameter has behind its name.
fn rows_of(asked: &Match) -> (&'static str, &'static str) {
    match asked {
        Match::Identified { .. } => ("token_row", ":identifier"),
        Match::Typed { .. } => ("token_row", ":of-type"),
        Match::Reference { .. } => ("reference_row", ""),
        Match::Date { .. } => ("date_row", ""),
        Match::Text { .. } => ("text_row", ""),
        Match::Quantity { .. } => ("quantity_row", ""),
        _ => ("token_row", ""),
    }
}

/// That the row `t` has a value; `by_value`: as an index of the values can serve it. Of one resource there is nothing to look up by them.
fn holds(sql: &mut Statement, asked: &Match, by_value: bool) {
    let equals = |sql: &mut Statement, column: &'static str, text: &str| {
        sql.push(" and ");
        if by_value {
            sql.equals(column, text);
        } else {
            sql.push(column).push(" = ").push_bind(text);
        }
    };
    match asked {
        Match::Token { system, code } | Match::Identified { system, code } => {
            if let Some(code) = code {
                equals(sql, "t.code", code);
            }
            of_system(sql, system);
        }
        Match::Typed { system, code, value } => {
            equals(sql, "t.code", &format!("{code}|{value}"));
            sql.push(" and t.system = ").push_bind(system);
        }
        Match::Below(uri) => _ = sql.push(" and ").begins_with("t.code", uri),
        Match::Above(uri) => {
            sql.push(" and substr(").push_bind(uri).push(", 1, length(t.code)) = t.code");
        }
        Match::Reference { kind, id } => {
            equals(sql, "t.id", id);
            if let Some(kind) = kind {
                sql.push(" and t.kind = ").push_bind(kind);
            }
        }
        Match::Date { prefix, start_ms, end_ms } => {
            sql.push(" and ");
            date(sql, *prefix, ("t.start_ms", "t.end_ms"), *start_ms, *end_ms);
        }
        Match::Text { part: Part::Start, text } => _ = sql.push(" and ").begins_with("t.value", text),
        Match::Text { part: Part::Anywhere, text } => {
            let holds = if sql.dialect() == Dialect::Sqlite { "instr" } else { "strpos" };
            sql.push(" and ").push(holds).push("(t.value, ").push_bind(text).push(") > 0");
        }
        Match::Text { part: Part::Whole, text } => {
            equals(sql, "t.value", &fold(text));
            sql.push(" and t.exact = ").push_bind(text);
        }
        Match::Quantity { prefix, asked, unit } => quantity(sql, *prefix, *asked, unit),
        // These have no rows of their own.
        Match::Id(_)
        | Match::Present { .. }
        | Match::Chain { .. }
        | Match::Referrer { .. }
        | Match::All(_) => {}
    }
}

fn of_system(sql: &mut Statement, system: &TokenSystem) {
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
