//! Stores as earlier releases left them.

/// What each migration after the first made, undone, in words of both databases.
const UNDONE: [&[&str]; 7] = [
    &["drop table copying"],
    &["alter table event drop column traceparent", "alter table event drop column tracestate"],
    &["delete from date_row where param = 'Task.due:open'"],
    &["drop table if exists home", "drop table if exists gate"],
    &["drop index if exists reference_by_target"],
    &[],
    &["alter table resource_version drop column packed", "drop table packing"],
];

/// Has whoever opens a store of today write bodies as releases before migration 8 did: what they wrote can be taken back.
pub const AS_BEFORE: &str = "delete from packing";

/// The number of the last migration.
pub const LATEST: usize = 1 + UNDONE.len();

/// What makes a store of today the one of the release whose last migration had this number, from 1: its tables and no others.
pub fn taken_back_to(number: usize) -> Vec<String> {
    let undone = UNDONE[number - 1..].iter().rev().copied().flatten().map(|text| (*text).to_owned());
    undone.chain([format!("delete from _sqlx_migrations where version > {number}")]).collect()
}
