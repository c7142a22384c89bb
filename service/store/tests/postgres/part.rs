//! A database that was cut into parts by patient when it was in use already.

use crate::{at, change, overdue, put};
use endplate_fhir::index::{IndexRow, IndexValue, Number};
use endplate_fhir::search::{Query, criteria};
use endplate_followup::ports::{Changeset, Put, Store};
use endplate_store::copy::copy;
use endplate_store::{PostgresStore, open};
use endplate_tests::postgres;
use jiff::civil::Date;
use sqlx::Connection;
use std::collections::BTreeSet;

const SCRIPT: &str = include_str!("../../../../deploy/postgres/partition.sql");
const PATIENTS: usize = 40;

/// A Task of a patient, with a row in each table.
fn task(patient: usize, number: usize, version: u64) -> Put {
    let code = if version == 1 { "requested" } else { "completed" };
    let rows = [
        ("status", IndexValue::Token { system: None, code: code.to_owned() }),
        ("owner", IndexValue::Reference { kind: "Practitioner".to_owned(), id: "n".to_owned() }),
        ("due", IndexValue::Date { start_ms: 8, end_ms: 9 }),
        ("name", IndexValue::Text(format!("Task {number}"))),
        (
            "length",
            IndexValue::Quantity {
                low: Number(1.5),
                high: Number(2.5),
                system: "http://unitsofmeasure.org".to_owned(),
                code: "mm".to_owned(),
                unit: "mm".to_owned(),
            },
        ),
    ];
    let rows = rows.map(|(param, value)| IndexRow { param, value }).to_vec();
    Put { rows, patient: Some(format!("p{patient}")), ..put(&format!("t{patient}-{number}"), version) }
}

/// A resource of nobody.
fn of_nobody(id: &str) -> Put {
    Put { patient: None, ..overdue(id) }
}

/// What the store says of itself, however it lies.
async fn told(store: &dyn Store) -> Vec<String> {
    let mut told = Vec::new();
    for version in [1, 2] {
        told.push(format!("{:?}", store.version("Task", "t3-0", version).await.unwrap()));
    }
    for query in ["Task?status=requested", "Task?owner=Practitioner/n&_sort=-due", "Task?due=gt1970"] {
        let query = Query { count: 500, ..criteria(query, "http://127.0.0.1").unwrap() };
        told.push(format!("{:?}", store.search(&query).await.unwrap()));
    }
    for patient in 0..PATIENTS {
        told.push(format!("{:?}", store.compartment(&format!("p{patient}")).await.unwrap()));
    }
    told.push(format!("{:?}", store.chain(0, 9).await.unwrap()));
    told.push(format!("{:?}", store.tally(at(1_000), Date::constant(1970, 1, 1)).await.unwrap()));
    told
}

#[tokio::test]
async fn a_database_in_use_is_cut_by_patient_and_says_what_it_said() {
    let address = postgres::database().await;
    let store = PostgresStore::open(&address).await.unwrap();
    for patient in 0..PATIENTS {
        let audit = vec![Put { patient: None, ..put(&format!("a{patient}"), 1) }];
        let mut puts = vec![task(patient, 0, 1), task(patient, 1, 1)];
        puts.push(of_nobody(&format!("n{patient}")));
        store.commit(Changeset { audit, ..change(puts) }).await.unwrap();
        store.commit(change(vec![task(patient, 0, 2)])).await.unwrap();
    }
    let before = told(&store).await;
    drop(store);

    cut(&address).await;
    let mut connection = sqlx::PgConnection::connect(&address).await.unwrap();
    let store = PostgresStore::open(&address).await.unwrap();
    assert_eq!(told(&store).await, before);

    // And it goes on: old and new resources of old and new patients.
    for patient in 0..PATIENTS {
        let puts = vec![task(patient, 1, 2), task(patient, 2, 1), task(patient + PATIENTS, 0, 1)];
        let audit = vec![Put { patient: None, ..put(&format!("b{patient}"), 1) }];
        store.commit(Changeset { audit, ..change(puts) }).await.unwrap();
    }
    let mut used = BTreeSet::new();
    for table in ["resource_version", "token_row", "reference_row", "date_row", "text_row", "quantity_row"] {
        let parts = format!(
            "select r.patient, substr(t.tableoid::regclass::text, {}), count(*) from {table} t \
             join resource r on r.key = t.resource group by 1, 2 order by 1, 2",
            table.len() + 2
        );
        let parts: Vec<(Option<String>, String, i64)> =
            sqlx::query_as(sqlx::AssertSqlSafe(parts)).fetch_all(&mut connection).await.unwrap();
        let of_patients = parts.into_iter().filter_map(|(patient, part, _)| Some((patient?, part)));
        let of_patients: Vec<_> = of_patients.collect();
        let patients: BTreeSet<_> = of_patients.iter().map(|(patient, _)| patient).collect();
        assert_eq!(patients.len(), of_patients.len(), "each lies in one part of {table}");
        assert_eq!(patients.len(), 2 * PATIENTS, "{table}");
        used.extend(of_patients);
    }
    let patients: BTreeSet<_> = used.iter().map(|(patient, _)| patient).collect();
    assert_eq!(patients.len(), used.len(), "each lies in the same part of every table");
    let parts: BTreeSet<_> = used.iter().map(|(_, part)| part).collect();
    assert!(parts.len() > 10, "patients are spread: {parts:?}");

    let audited = "select count(distinct v.tableoid) from resource_version v join resource r on r.key = v.resource \
                   where r.patient is null";
    let audited: i64 = sqlx::query_scalar(audited).fetch_one(&mut connection).await.unwrap();
    assert!(audited > 10, "what is nobody's is spread too: {audited}");

    let again = sqlx::raw_sql(SCRIPT).execute(&mut connection).await.unwrap_err().to_string();
    assert!(again.contains("has been cut into parts before"), "{again}");
}

pub async fn cut(address: &str) {
    drop(PostgresStore::open(address).await.unwrap());
    let mut connection = sqlx::PgConnection::connect(address).await.unwrap();
    sqlx::raw_sql(SCRIPT).execute(&mut connection).await.unwrap();
}

/// A store says what it said elsewhere, and goes on: new resources, to which it gives keys of its own. Gives what it says then.
async fn goes_on(address: &str, number: usize, before: &[String]) -> Vec<String> {
    let store = open(address).await.unwrap();
    assert!(number == 0 || told(store.as_ref()).await == before, "{address}");
    for patient in 0..PATIENTS {
        let puts = vec![task(patient, number, 1), of_nobody(&format!("n{patient}-{number}"))];
        store.commit(change(puts)).await.unwrap();
    }
    told(store.as_ref()).await
}

/// Something else rests on a table: nothing is cut, and what comes next gets keys that nothing has.
#[tokio::test]
async fn a_cut_that_fails_changes_nothing() {
    let address = postgres::database().await;
    goes_on(&address, 0, &[]).await;
    let mut connection = sqlx::PgConnection::connect(&address).await.unwrap();
    // Keys have gaps: a commit that is refused has drawn some.
    for made in ["select setval('resource_key_seq', 1000)", "create view report as select * from text_row"] {
        sqlx::raw_sql(made).execute(&mut connection).await.unwrap();
    }
    let store = open(&address).await.unwrap();
    store.commit(change(vec![task(0, 100, 1)])).await.unwrap();
    let before = told(store.as_ref()).await;
    let failed = sqlx::raw_sql(SCRIPT).execute(&mut connection).await.unwrap_err().to_string();
    assert!(failed.contains("text_row"), "{failed}");
    goes_on(&address, 1, &before).await;
}

/// Keys say nothing to a store that is not cut, and may be any when it is cut later.
#[tokio::test]
async fn what_was_cut_is_copied_to_a_file_and_back_and_cut_again() {
    let folder = tempfile::tempdir().unwrap();
    let file = format!("sqlite:{}", folder.path().join("endplate.db").display());
    let (first, last) = (postgres::database().await, postgres::database().await);
    cut(&first).await;
    let told = goes_on(&first, 0, &[]).await;
    copy(&first, &file, &|_| {}).await.unwrap();
    let told = goes_on(&file, 1, &told).await;
    copy(&file, &last, &|_| {}).await.unwrap();
    let told = goes_on(&last, 2, &told).await;
    cut(&last).await;
    goes_on(&last, 3, &told).await;
    let mut connection = sqlx::PgConnection::connect(&last).await.unwrap();
    let whole: (i64, i64) =
        sqlx::query_as("select count(*), count(distinct resource % 18014398509481984) from resource_version")
            .fetch_one(&mut connection)
            .await
            .unwrap();
    let all = i64::try_from(2 * PATIENTS * 4).unwrap();
    assert_eq!(whole, (all, all), "the lower bits alone tell resources apart");
}
