//! What an integration engineer expects of an R4 server, one test for each expectation, named after its number.
//!
//! Letters: A the REST interface, B search, C operations, D modelling (INV: R4's invariants), E subscriptions, F access (F02: as a
//! client), G12, H security and data integrity, I delivery and running (many of them beside the program that runs, in
//! `service/server`). What does not apply here is listed in `conformance/not-applicable.md` with the reason. `ledger` holds the two together.

mod a_rest;
mod b_pages;
mod b_search;
mod b_values;
mod c_operations;
pub mod d_examples;
mod d_extensions;
mod d_modelling;
mod d_records;
mod d_tasks;
mod e_subscriptions;
mod h_abuse;
mod h_audit;
mod h_data;
mod h_outgoing;
mod invariants;
mod invariants_of_resources;
mod verdicts;

use std::collections::BTreeSet;

const SOURCES: &[&str] = &[
    include_str!("conformance/a_rest/bundles.rs"),
    include_str!("conformance/a_rest/conditions.rs"),
    include_str!("conformance/a_rest/frame.rs"),
    include_str!("conformance/a_rest/patches.rs"),
    include_str!("conformance/a_rest/versions.rs"),
    include_str!("conformance/a_rest.rs"),
    include_str!("conformance/b_pages.rs"),
    include_str!("conformance/b_search.rs"),
    include_str!("conformance/b_values.rs"),
    include_str!("conformance/c_operations.rs"),
    include_str!("conformance/d_examples.rs"),
    include_str!("conformance/d_extensions.rs"),
    include_str!("conformance/c_operations/codes.rs"),
    include_str!("conformance/c_operations/definitions.rs"),
    include_str!("conformance/c_operations/plan.rs"),
    include_str!("conformance/c_operations/records.rs"),
    include_str!("conformance/c_operations/validate.rs"),
    include_str!("conformance/d_modelling.rs"),
    include_str!("conformance/d_records.rs"),
    include_str!("conformance/d_tasks.rs"),
    include_str!("access/backend.rs"),
    include_str!("access/bounds.rs"),
    include_str!("access/matrix.rs"),
    include_str!("access/secure.rs"),
    include_str!("conformance/e_subscriptions.rs"),
    include_str!("conformance/e_subscriptions/asked.rs"),
    include_str!("conformance/e_subscriptions/plain.rs"),
    include_str!("conformance/e_subscriptions/secrets.rs"),
    include_str!("conformance/e_subscriptions/states.rs"),
    include_str!("conformance/e_subscriptions/told.rs"),
    include_str!("../../../service/server/src/config/layer.rs"),
    include_str!("../../../service/server/tests/deploy/manifest.rs"),
    include_str!("../../../service/server/tests/deploy/restore.rs"),
    include_str!("../../../service/server/tests/it/command.rs"),
    include_str!("../../../service/server/tests/it/killed.rs"),
    include_str!("../../../service/server/tests/it/logs.rs"),
    include_str!("../../../service/server/tests/it/probes.rs"),
    include_str!("../../../service/server/tests/it/record.rs"),
    include_str!("conformance/h_abuse.rs"),
    include_str!("conformance/h_audit.rs"),
    include_str!("conformance/h_data.rs"),
    include_str!("conformance/h_outgoing.rs"),
    include_str!("conformance/invariants.rs"),
    include_str!("conformance/invariants_of_resources.rs"),
    include_str!("instances.rs"),
    include_str!("observed.rs"),
    include_str!("record_smart.rs"),
    include_str!("record_write.rs"),
    include_str!("site_protocol.rs"),
    include_str!("weather.rs"),
];

/// Every number that there is.
fn all() -> BTreeSet<String> {
    let series =
        |letter: &str, from: u32, to: u32| (from..=to).map(|n| format!("{letter}{n:02}")).collect::<Vec<_>>();
    [
        series("A", 1, 86),
        series("B", 1, 52),
        series("C", 1, 23),
        series("D", 0, 53),
        series("E", 1, 32),
        vec!["G12".to_owned()],
        series("F", 1, 20),
        series("H", 1, 29),
        series("H", 32, 32),
        series("INV", 1, 56),
        series("I", 1, 18),
    ]
    .concat()
    .into_iter()
    .collect()
}

/// The numbers that tests are named after: `fn a20_stale_if_match_is_412`, or several, `fn f08_f10_…`.
fn tested() -> BTreeSet<String> {
    let mut all = BTreeSet::new();
    for line in SOURCES.iter().flat_map(|source| source.lines()) {
        let line = line.trim_start();
        let Some(name) = line.strip_prefix("async fn ").or_else(|| line.strip_prefix("fn ")) else {
            continue;
        };
        let is_number = |part: &&str| {
            let digits = part.trim_start_matches(|c: char| c.is_ascii_lowercase());
            !digits.is_empty() && digits.len() < part.len() && digits.bytes().all(|b| b.is_ascii_digit())
        };
        all.extend(name.split('_').take_while(is_number).map(str::to_uppercase));
    }
    all
}

/// The numbers of the table of what does not apply, each with a reason.
fn not_applicable() -> BTreeSet<String> {
    let rows = include_str!("conformance/not-applicable.md").lines().filter_map(|line| {
        let mut cells = line.strip_prefix('|')?.split('|').map(str::trim);
        let (number, reason) = (cells.next()?, cells.next()?);
        let is_number = number.bytes().any(|b| b.is_ascii_digit());
        (is_number && reason.len() > 20).then(|| number.to_owned())
    });
    rows.collect()
}

#[test]
fn ledger_every_number_is_tested_or_said_not_to_apply() {
    let (all, tested, set_aside) = (all(), tested(), not_applicable());
    let missing: Vec<_> = all.iter().filter(|id| !tested.contains(*id) && !set_aside.contains(*id)).collect();
    let both: Vec<_> = tested.intersection(&set_aside).collect();
    let unknown: Vec<_> = tested.union(&set_aside).filter(|id| !all.contains(*id)).collect();
    assert!(
        missing.is_empty() && both.is_empty() && unknown.is_empty(),
        "neither: {missing:?}; both: {both:?}; unknown: {unknown:?}"
    );
}
