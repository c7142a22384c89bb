//! A query as SQL: the one place where a statement is put together. Every value is bound; only text written here is pushed.

use super::{failed, number, stored};
use endplate_fhir::search::{Clause, Cursor, Match, Prefix, Query, Sort, TokenSystem};
use endplate_followup::ports::{Page, StoreError};
use sqlx::sqlite::{SqlitePool, SqliteRow};
use sqlx::{QueryBuilder, Row, Sqlite};

/// One page, and how many match in all.
pub(super) async fn search(readers: &SqlitePool, query: &Query) -> Result<Page, StoreError> {
    const CONTEXT: &str = "searching";
    let rows = page(query).build().fetch_all(readers).await.map_err(failed(CONTEXT))?;
    // Most searches find all there is on their first page, and then it need not be counted.
    if query.after.is_none() && rows.len() <= query.count {
        let resources: Vec<_> = rows.iter().map(stored).collect::<Result<_, _>>().map_err(failed(CONTEXT))?;
        return Ok(Page { total: resources.len() as u64, resources, next: None });
    }
    // One transaction, so that the page and the count are of one snapshot.
    let mut snapshot = readers.begin().await.map_err(failed(CONTEXT))?;
    let mut count: QueryBuilder<Sqlite> = QueryBuilder::new("select count(*) from resource r where ");
    of_kind(&mut count, query);
    conditions(&mut count, query);
    let total: i64 = count.build_query_scalar().fetch_one(&mut *snapshot).await.map_err(failed(CONTEXT))?;
    let mut rows = page(query).build().fetch_all(&mut *snapshot).await.map_err(failed(CONTEXT))?;
    snapshot.commit().await.map_err(failed(CONTEXT))?;
    // One row more than asked for tells whether there is a next page.
    let more = rows.len() > query.count;
    rows.truncate(query.count);
    let next = if more { rows.last().map(cursor).transpose().map_err(failed(CONTEXT))? } else { None };
    let resources = rows.iter().map(stored).collect::<Result<_, _>>().map_err(failed(CONTEXT))?;
    Ok(Page { resources, next, total: total.unsigned_abs() })
}

/// The type. Where a clause names a few resources, the type must not lead: the plus sign keeps the planner from walking through
/// all resources of the type in their order and asking each whether it is one of the few.
fn of_kind(sql: &mut QueryBuilder<Sqlite>, query: &Query) {
    let narrow = |clause: &Clause| {
        let few = |asked: &Match| match asked {
            Match::Reference { .. } | Match::Text(_) => true,
            Match::Token { .. } => clause.param == "identifier",
            Match::Date { .. } => clause.param != "_lastUpdated",
            Match::Id(_) => false,
        };
        !clause.negated && clause.any.iter().all(few)
    };
    sql.push(if query.clauses.iter().any(narrow) { "+r.kind = " } else { "r.kind = " });
    sql.push_bind(query.kind.clone());
    sql.push(" and not r.deleted");
}

fn cursor(row: &SqliteRow) -> Result<Cursor, sqlx::Error> {
    Ok(Cursor { value_ms: row.try_get(5)?, id: row.try_get(1)? })
}

/// The statement of one page: ordered by the sort value and, where that is equal, by id, so that the order is total.
fn page(query: &Query) -> QueryBuilder<Sqlite> {
    let mut sql: QueryBuilder<Sqlite> =
        QueryBuilder::new("select r.kind, r.id, r.version, r.at_ms, v.body, ");
    sort_value(&mut sql, query);
    sql.push(
        " as sort_ms from resource r join resource_version v on v.resource = r.key and v.version = r.version where ",
    );
    of_kind(&mut sql, query);
    conditions(&mut sql, query);
    let descending = query.sort.as_ref().is_some_and(|sort| sort.descending);
    if let Some(after) = &query.after {
        sql.push(" and (sort_ms, r.id) ").push(if descending { "<" } else { ">" }).push(" (");
        sql.push_bind(after.value_ms).push(", ").push_bind(after.id.clone()).push(")");
    }
    sql.push(if descending {
        " order by sort_ms desc, r.id desc limit "
    } else {
        " order by sort_ms, r.id limit "
    });
    sql.push_bind(number(query.count as u64 + 1));
    sql
}

/// The value by which the results are ordered; resources without it come last.
fn sort_value(sql: &mut QueryBuilder<Sqlite>, query: &Query) {
    match &query.sort {
        None => {
            sql.push("0");
        }
        Some(Sort { param, .. }) if param == "_id" => {
            sql.push("0");
        }
        Some(Sort { param, .. }) if param == "_lastUpdated" => {
            sql.push("r.at_ms");
        }
        Some(Sort { param, descending }) => {
            let missing = if *descending { i64::MIN } else { i64::MAX };
            sql.push("coalesce((select ").push(if *descending { "max(d.end_ms)" } else { "min(d.start_ms)" });
            sql.push(" from date_row d where d.resource = r.key and d.param = ");
            sql.push_bind(format!("{}.{param}", query.kind));
            sql.push("), ").push_bind(missing).push(")");
        }
    }
}

/// Every clause must hold.
fn conditions(sql: &mut QueryBuilder<Sqlite>, query: &Query) {
    for clause in &query.clauses {
        sql.push(if clause.negated { " and not (" } else { " and (" });
        for (i, asked) in clause.any.iter().enumerate() {
            if i > 0 {
                sql.push(" or ");
            }
            condition(sql, query, clause, asked);
        }
        if clause.any.is_empty() {
            sql.push("0");
        }
        sql.push(")");
    }
}

/// One value of a clause. References and dates narrow most, so they are looked up first; the rest is checked row by row.
fn condition(sql: &mut QueryBuilder<Sqlite>, query: &Query, clause: &Clause, asked: &Match) {
    let param = format!("{}.{}", query.kind, clause.param);
    match asked {
        Match::Id(id) => {
            sql.push("r.id = ").push_bind(id.clone());
        }
        Match::Token { system, code } => {
            let identifier = clause.param == "identifier";
            sql.push(if identifier {
                "r.key in (select t.resource from token_row t where t.param = "
            } else {
                "exists (select 1 from token_row t where t.resource = r.key and t.param = "
            });
            sql.push_bind(param);
            if let Some(code) = code {
                sql.push(" and t.code = ").push_bind(code.clone());
            }
            match system {
                TokenSystem::Any => {}
                TokenSystem::None => {
                    sql.push(" and t.system = ''");
                }
                TokenSystem::Is(system) => {
                    sql.push(" and t.system = ").push_bind(system.clone());
                }
            }
            sql.push(")");
        }
        Match::Reference { kind, id } => {
            sql.push("r.key in (select t.resource from reference_row t where t.param = ").push_bind(param);
            sql.push(" and t.id = ").push_bind(id.clone());
            if let Some(kind) = kind {
                sql.push(" and t.kind = ").push_bind(kind.clone());
            }
            sql.push(")");
        }
        Match::Date { prefix, start_ms, end_ms } if clause.param == "_lastUpdated" => {
            date(sql, *prefix, ("r.at_ms", "r.at_ms"), *start_ms, *end_ms);
        }
        Match::Date { prefix, start_ms, end_ms } => {
            sql.push("r.key in (select t.resource from date_row t where t.param = ")
                .push_bind(param)
                .push(" and ");
            date(sql, *prefix, ("t.start_ms", "t.end_ms"), *start_ms, *end_ms);
            sql.push(")");
        }
        Match::Text(text) => {
            // A prefix as a range, which the index can serve.
            sql.push("r.key in (select t.resource from text_row t where t.param = ").push_bind(param);
            sql.push(" and t.value >= ").push_bind(text.clone());
            if let Some(beyond) = beyond(text) {
                sql.push(" and t.value < ").push_bind(beyond);
            }
            sql.push(")");
        }
    }
}

/// The first text after all that begin with `text`: its last character made one greater. None if there is no such text.
fn beyond(text: &str) -> Option<String> {
    let mut chars = text.chars();
    let last = chars.next_back()?;
    let head = chars.as_str();
    (last..=char::MAX).nth(1).map_or_else(|| beyond(head), |next| Some(format!("{head}{next}")))
}

/// How an asked range and a stored range relate: the R4 search page, section "Prefixes", as `Prefix::holds` has it.
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
        Prefix::Eq => within(sql),
        Prefix::Ne => {
            sql.push("not ");
            within(sql);
        }
        Prefix::Gt => {
            sql.push(high).push(" > ").push_bind(end);
        }
        Prefix::Lt => {
            sql.push(low).push(" < ").push_bind(start);
        }
        Prefix::Ge => {
            sql.push(high).push(" > ").push_bind(end).push(" or ");
            within(sql);
        }
        Prefix::Le => {
            sql.push(low).push(" < ").push_bind(start).push(" or ");
            within(sql);
        }
        Prefix::Sa => {
            sql.push(low).push(" > ").push_bind(end);
        }
        Prefix::Eb => {
            sql.push(high).push(" < ").push_bind(start);
        }
    }
    sql.push(")");
}
