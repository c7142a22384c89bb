//! The chain of AuditEvents, attacked with SQL behind the service's back: each attack is found, and where it was made.
//!
//! The hashes are those of FIPS 180-4 (SHA-256); `followup::audit::chain` holds one against sha256sum.

use crate::clinic::patient;
use crate::served::{Served, audited};
use endplate_followup::audit::chain::{Break, Walk};
use endplate_server::boot;
use endplate_server::config::StoreUrl;
use endplate_store::packing;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::path::Path;

/// Reads of one patient, so that there is something to attack.
const READS: usize = 8;

/// A trail on a file; the service that made it has ended.
async fn trail(file: &Path) {
    let mut config = audited();
    config.store = StoreUrl::Sqlite(file.to_owned());
    let served = Served::open_as(&config, "2026-03-02").await;
    served.put(&patient("p1", "1970-01-01")).await.done();
    for _ in 0..READS {
        assert_eq!(served.get("/fhir/Patient/p1").await.status, 200);
    }
    // Whatever waits is put on record before it stops.
    assert!(served.server.shutdown().await);
}

async fn walk(file: &Path, kept: Option<&str>) -> Walk {
    let store = boot::open_store(&StoreUrl::Sqlite(file.to_owned())).await.unwrap();
    let clock = crate::clinic::TurnedClock::at("2026-03-02");
    endplate_followup::Endplate::new(store, clock, crate::clinic::settings())
        .verify_audit(kept, &|_| {})
        .await
        .unwrap()
}

/// What is found after an attack on a fresh trail.
async fn after(sql: &str) -> (Option<Break>, Vec<String>) {
    after_with(|_| sql.to_owned()).await
}

/// The same of an attack by who knows the body of each link.
async fn after_with(sql: impl FnOnce(&[String]) -> String) -> (Option<Break>, Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    trail(&file).await;
    let whole = walk(&file, None).await;
    assert_eq!((whole.broken, whole.head.map(|link| link.number)), (None, Some(READS as u64 + 1)));
    let mut connection = SqliteConnectOptions::new().filename(&file).connect().await.unwrap();
    let ids = "select r.id from audit_link l join resource r on r.key = l.resource order by l.number";
    let ids: Vec<String> = sqlx::query_scalar(ids).fetch_all(&mut connection).await.unwrap();
    let bodies = "select v.packed from audit_link l join resource_version v on v.resource = l.resource order by l.number";
    let bodies: Vec<Vec<u8>> = sqlx::query_scalar(bodies).fetch_all(&mut connection).await.unwrap();
    let bodies: Vec<String> = bodies.iter().map(|packed| packing::unpacked(packed).unwrap()).collect();
    sqlx::raw_sql(AssertSqlSafe(sql(&bodies))).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    (walk(&file, None).await.broken, ids)
}

/// The key of the resource of a link.
fn of(number: usize) -> String {
    format!("(select resource from audit_link where number = {number})")
}

#[tokio::test]
async fn a_body_that_was_altered_is_found() {
    let (broken, ids) = after_with(|bodies| {
        let body = bodies[3].replace("\"0\"", "\"4\"");
        assert_ne!(body, bodies[3]);
        format!("update resource_version set body = '{body}', packed = null where resource = {}", of(4))
    })
    .await;
    assert_eq!(broken, Some(Break::Different { number: 4, id: ids[3].clone() }));
    // Another text, the packed body of another event, and bytes that cannot be unpacked.
    let altered = [
        "body = '{\"resourceType\":\"AuditEvent\"}', packed = null".to_owned(),
        format!("packed = (select packed from resource_version where resource = {})", of(5)),
        "packed = substr(packed, 1, 20)".to_owned(),
        "packed = null".to_owned(),
    ];
    for set in altered {
        let sql = format!("update resource_version set {set} where resource = {}", of(4));
        let (broken, ids) = after(&sql).await;
        assert_eq!(broken, Some(Break::Different { number: 4, id: ids[3].clone() }), "{set}");
    }
}

#[tokio::test]
async fn a_row_that_was_deleted_is_found() {
    let (broken, ids) = after(&format!("delete from resource_version where resource = {}", of(5))).await;
    assert_eq!(broken, Some(Break::Gone { number: 5, id: Some(ids[4].clone()) }));
    let (broken, _) = after("delete from audit_link where number = 3").await;
    assert_eq!(broken, Some(Break::Missing { number: 3 }));
    let closed = "update audit_link set number = number - 1 where number > 3";
    let (broken, ids) = after(&format!("delete from audit_link where number = 3; {closed}")).await;
    assert_eq!(broken, Some(Break::Different { number: 3, id: ids[3].clone() }));
}

#[tokio::test]
async fn a_row_that_was_put_in_is_found() {
    let resource = "insert into resource (key, kind, id, version, at_ms) values (9000, 'AuditEvent', 'false', 1, 0); \
                    insert into resource_version (resource, version, at_ms, body, deed) \
                    values (9000, 1, 0, '{\"resourceType\":\"AuditEvent\",\"id\":\"false\"}', 0)";
    assert_eq!(after(resource).await.0, Some(Break::Loose { id: "false".into() }));
    let link = format!("insert into audit_link values ({}, 9000, '{}')", READS + 2, "0".repeat(64));
    let (broken, _) = after(&format!("{resource}; {link}")).await;
    assert_eq!(broken, Some(Break::Different { number: READS as u64 + 2, id: "false".into() }));
    // A second version hides the first from every search.
    let again = format!(
        "insert into resource_version (resource, version, at_ms, body, deed, packed) select resource, 2, at_ms, body, 1, packed \
         from resource_version where resource = {0}; update resource set version = 2 where key = {0}",
        of(6)
    );
    let (broken, ids) = after(&again).await;
    assert_eq!(broken, Some(Break::Replaced { number: 6, id: ids[5].clone() }));
}

#[tokio::test]
async fn rows_that_were_exchanged_are_found() {
    let swap = "update audit_link set resource = (select sum(resource) from audit_link where number in (2, 7)) - resource \
                where number in (2, 7)";
    let (broken, ids) = after(swap).await;
    assert_eq!(broken, Some(Break::Different { number: 2, id: ids[6].clone() }));
    let (broken, _) = after(&format!("update resource set id = 'other' where key = {}", of(2))).await;
    assert_eq!(broken, Some(Break::Replaced { number: 2, id: "other".into() }));
}

/// Whoever can write the store can make a chain that holds. The end that was kept elsewhere is then not in it.
#[tokio::test]
async fn an_end_that_was_cut_off_is_found_by_a_hash_that_was_kept() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("store.db");
    trail(&file).await;
    let kept = walk(&file, None).await.head.unwrap().hash;
    assert_eq!(walk(&file, Some(&kept)).await.broken, None);
    // A trail that goes on still holds the hash.
    trail(&file).await;
    assert_eq!(walk(&file, Some(&kept)).await.broken, None);
    let mut connection = SqliteConnectOptions::new().filename(&file).connect().await.unwrap();
    let cut = "delete from resource_version where resource in (select resource from audit_link where number > 4); \
               delete from resource where key in (select resource from audit_link where number > 4); \
               delete from audit_link where number > 4";
    sqlx::raw_sql(cut).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    assert_eq!(walk(&file, None).await.broken, None);
    assert_eq!(walk(&file, Some(&kept)).await.broken, Some(Break::Forgotten { hash: kept }));
}
