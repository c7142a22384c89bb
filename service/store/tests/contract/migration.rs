//! Migrations that have been released stay as they are: a database that has one would be refused, and a fresh one be another. And each
//! only adds, so that an instance of the release before goes on beside it.

use endplate_tests::postgres;
use sha2::{Digest, Sha256};
use sqlx::{AssertSqlSafe, Connection, PgConnection, SqliteConnection};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// SHA-256 of each; a new one gets its line in the commit that brings it.
const RELEASED: [(&str, &str); 16] = [
    ("postgres/0001_house.sql", "243ed26471264dbeb77992d757b10313d40503b8b5ec3182182cc8d337489489"),
    ("postgres/0002_copying.sql", "30688cf56da41ab1461a973c4eecc62707e2b65ebeea6a1a4dfa51a3b4c4c75a"),
    ("postgres/0003_trace.sql", "8ee0f8f5e93271d93f40d8b353251c752c7961b665691d3bc49b809a9ff8f9e4"),
    ("postgres/0004_open.sql", "9ce979173141813a19a5ac635e1a8518cb060e7385a15c590ea025d9bab34fb2"),
    ("postgres/0005_instances.sql", "07cc39bd0b9e1adbabd19db8d11523bb78bd0549417c72fa5ce561008475f6b9"),
    ("postgres/0006_target.sql", "405b6d8b4b2405e69898d4c853517412932865caa9655586677dd57f8ba82234"),
    ("postgres/0007_unused.sql", "4079930aedc3eb8cd0e3a359b38277fe565447328b12be2d2d00e4685aa59740"),
    ("postgres/0008_packed.sql", "e71bdc016f2a49b1b5f3c1d2921f700ee2cb1f6e926fb73d000b96c2cffd0438"),
    ("sqlite/0001_house.sql", "ef3f5c258a89738a3b4cc53a46f0b0e3215cabf4cbc0f29fc0d131697ccdcf1f"),
    ("sqlite/0002_copying.sql", "c3328abee9c938e238e7e23f8022b416c4b643daa93037921e0a07866d26f89e"),
    ("sqlite/0003_trace.sql", "8ee0f8f5e93271d93f40d8b353251c752c7961b665691d3bc49b809a9ff8f9e4"),
    ("sqlite/0004_open.sql", "061c915721c13000c3a4f51583dc16dde2e55a667e934adfa3a910838f22d3cb"),
    ("sqlite/0005_instances.sql", "e8c2a147371a0f8cc8dc08832a0ac914071ccb3cde94389154c386d6f358396e"),
    ("sqlite/0006_target.sql", "37b10bb40c6e36adcbb9245c8f82d05ea9213e4a6b88eadac5f36f494fb4979f"),
    ("sqlite/0007_unused.sql", "4b09147176aa6f91d176ce633e184aaf310382450e2f6ca17f617e7b6a36872e"),
    ("sqlite/0008_packed.sql", "a87888a32b8c66e42736c15c7280e25450d4ae2959280c7d6f498b87e0862ccd"),
];

#[test]
fn a_released_migration_is_not_edited() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations");
    let mut found = BTreeMap::new();
    for dialect in ["postgres", "sqlite"] {
        for file in std::fs::read_dir(folder.join(dialect)).unwrap() {
            let path = file.unwrap().path();
            let name = format!("{dialect}/{}", path.file_name().unwrap().display());
            let hash = Sha256::digest(std::fs::read(&path).unwrap());
            found.insert(name, hex::encode(hash));
        }
    }
    let released = RELEASED.map(|(name, hash)| (name.to_owned(), hash.to_owned()));
    assert_eq!(found, BTreeMap::from(released));
}

/// The texts of a dialect's migrations, in order.
fn texts(dialect: &str) -> Vec<String> {
    let of_dialect = RELEASED.iter().filter(|(name, _)| name.starts_with(dialect));
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations");
    of_dialect.map(|(name, _)| std::fs::read_to_string(folder.join(name)).unwrap()).collect()
}

/// What statements of a release rest on: table, column or constraint, how it is, and whether an insert may leave it out.
type Shape = BTreeSet<(String, String, String, bool)>;

const SQLITE: &str = "\
    select m.name, c.name, c.type || ' ' || c.\"notnull\" || ' ' || (c.pk > 0), c.\"notnull\" = 0 or c.dflt_value is not null \
        from sqlite_schema m join pragma_table_info(m.name) c where m.type = 'table' \
    union all select tbl_name, name, coalesce(sql, ''), 0 from sqlite_schema where type = 'index' and (sql is null or sql like '%unique%')";

/// <https://www.postgresql.org/docs/15/information-schema.html>
const POSTGRES: &str = "\
    select table_name::text, column_name::text, data_type || ' ' || is_nullable || ' ' || coalesce(collation_name, ''), \
        is_nullable = 'YES' or column_default is not null or is_identity = 'YES' \
        from information_schema.columns where table_schema = 'public' \
    union all select conrelid::regclass::text, conname::text, pg_get_constraintdef(oid), false from pg_constraint \
        where connamespace = 'public'::regnamespace";

/// Everything of the release before is there as it was, and what is new on its tables may be left out.
fn assert_adds(before: &Shape, after: &Shape, number: usize) {
    assert_eq!(
        before.difference(after).collect::<Vec<_>>(),
        Vec::<&_>::new(),
        "migration {number} takes these away"
    );
    let tables: BTreeSet<_> = before.iter().map(|row| &row.0).collect();
    for (table, name, how, may_be_left_out) in after.difference(before).filter(|row| tables.contains(&row.0))
    {
        assert!(
            may_be_left_out,
            "migration {number}: an earlier release knows nothing of {table}.{name} ({how})"
        );
    }
}

#[tokio::test]
async fn an_earlier_release_finds_all_that_it_uses_in_sqlite() {
    let mut connection = SqliteConnection::connect("sqlite::memory:").await.unwrap();
    let mut before = Shape::new();
    for (text, number) in texts("sqlite").into_iter().zip(1..) {
        sqlx::raw_sql(AssertSqlSafe(text)).execute(&mut connection).await.unwrap();
        let after = sqlx::query_as(SQLITE).fetch_all(&mut connection).await.unwrap().into_iter().collect();
        assert_adds(&before, &after, number);
        before = after;
    }
    assert!(before.len() > 100, "{before:?}");
}

#[tokio::test]
async fn an_earlier_release_finds_all_that_it_uses_in_postgresql() {
    let mut connection = PgConnection::connect(&postgres::database().await).await.unwrap();
    let mut before = Shape::new();
    for (text, number) in texts("postgres").into_iter().zip(1..) {
        sqlx::raw_sql(AssertSqlSafe(text)).execute(&mut connection).await.unwrap();
        let after = sqlx::query_as(POSTGRES).fetch_all(&mut connection).await.unwrap().into_iter().collect();
        assert_adds(&before, &after, number);
        before = after;
    }
    assert!(before.len() > 100, "{before:?}");
}

#[test]
#[should_panic(expected = "an earlier release knows nothing of event.reason")]
fn a_column_that_an_insert_must_name_is_seen() {
    let row = |name: &str, may_be_left_out| {
        ("event".to_owned(), name.to_owned(), "text NO ".to_owned(), may_be_left_out)
    };
    assert_adds(&[row("kind", false)].into(), &[row("kind", false), row("reason", false)].into(), 9);
}
