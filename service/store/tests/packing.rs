//! Bodies that are packed: what an earlier build packed, what is damaged, and who packs.

use endplate_followup::ports::{Changeset, Deed, Put, Store, StoreError, Stored};
use endplate_store::open;
use endplate_tests::postgres;
use endplate_tests::release::{AS_BEFORE, taken_back_to};
use jiff::Timestamp;
use sha2::{Digest, Sha256};
use sqlx::{AssertSqlSafe, Connection, PgConnection, SqliteConnection};
use std::path::Path;

/// A body, and the frame that python-zstandard 0.25.0 (Zstandard 1.5.7, level 3) makes of it with our dictionary.
const BODY: &str = r#"{"resourceType":"Task","id":"t1","meta":{"versionId":"1","lastUpdated":"2025-01-15T08:00:00Z"},"status":"requested","intent":"order","description":"Nächste Kontrolle"}"#;
const FRAME: &str = "28b52ffd2717209f6aa8d50100c874313535224ec3a46368737465204b6f6e74726f6c6c65227d0a\
                     fcbcf709f1bab2d139018778069baed5a305e6283533b5e8ac3768c3235702227df8ba";

/// One of the two databases, told words of its own.
enum Database {
    Sqlite(String),
    Postgres(String),
}

impl Database {
    async fn both(folder: &Path) -> [Self; 2] {
        let file = format!("sqlite:{}", folder.join("packing.db").display());
        [Self::Sqlite(file), Self::Postgres(postgres::database().await)]
    }

    async fn store(&self) -> std::sync::Arc<dyn Store> {
        let (Self::Sqlite(address) | Self::Postgres(address)) = self;
        open(address).await.unwrap()
    }

    async fn tell(&self, words: &str) {
        let words = AssertSqlSafe(words.to_owned());
        match self {
            Self::Sqlite(address) => {
                let mut connection = SqliteConnection::connect(address).await.unwrap();
                sqlx::query(words).execute(&mut connection).await.unwrap();
            }
            Self::Postgres(address) => {
                let mut connection = PgConnection::connect(address).await.unwrap();
                sqlx::query(words).execute(&mut connection).await.unwrap();
            }
        }
    }

    /// How long body and packed body of a Task are.
    async fn lengths(&self, id: &str) -> (i64, Option<i64>) {
        let cast = if matches!(self, Self::Postgres(_)) { "::bigint" } else { "" };
        let words = AssertSqlSafe(format!(
            "select length(v.body){cast}, length(v.packed){cast} from resource_version v join resource r on r.key = v.resource \
             where r.id = '{id}'"
        ));
        match self {
            Self::Sqlite(address) => {
                let mut connection = SqliteConnection::connect(address).await.unwrap();
                sqlx::query_as(words).fetch_one(&mut connection).await.unwrap()
            }
            Self::Postgres(address) => {
                let mut connection = PgConnection::connect(address).await.unwrap();
                sqlx::query_as(words).fetch_one(&mut connection).await.unwrap()
            }
        }
    }

    /// Bytes as the database is told them.
    fn bytes(&self, hexadecimal: &str) -> String {
        match self {
            Self::Sqlite(_) => format!("x'{hexadecimal}'"),
            Self::Postgres(_) => format!("'\\x{hexadecimal}'"),
        }
    }
}

async fn keep(store: &dyn Store, id: &str) {
    let at = Timestamp::from_second(1_736_928_000).unwrap();
    let stored = Stored { kind: "Task".into(), id: id.into(), version: 1, at, body: BODY.into() };
    let put = Put { stored, deed: Deed::Created, patient: None, rows: Vec::new() };
    store.commit(Changeset { at: Some(at), puts: vec![put], ..Changeset::default() }).await.unwrap();
}

async fn body(store: &dyn Store, id: &str) -> Result<String, StoreError> {
    Ok(store.version("Task", id, 1).await?.unwrap().stored.body)
}

/// What is packed with a dictionary can be read with no other.
#[test]
fn a_dictionary_never_changes() {
    let first = Path::new(env!("CARGO_MANIFEST_DIR")).join("dictionary/1");
    let hash = hex::encode(Sha256::digest(std::fs::read(first).unwrap()));
    assert_eq!(hash, "2a7c02b06546d70aec32a070c9a76a56def433da7bd48a5ad8051b8d22828221");
}

#[tokio::test]
async fn what_another_library_packed_is_read_and_what_is_damaged_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    for database in Database::both(folder.path()).await {
        keep(database.store().await.as_ref(), "t1").await;
        let put = async |hexadecimal: &str| {
            let bytes = database.bytes(hexadecimal);
            database.tell(&format!("update resource_version set body = '', packed = {bytes}")).await;
            // A store that was opened anew has nothing in memory.
            body(database.store().await.as_ref(), "t1").await
        };
        assert_eq!(put(FRAME).await.unwrap(), BODY);
        let at = |place: usize, digits: &str| {
            format!("{}{digits}{}", &FRAME[..place], &FRAME[place + digits.len()..])
        };
        let damaged = [
            ("a byte of it", at(60, "00")),
            ("its checksum", at(FRAME.len() - 2, "00")),
            ("packed with another dictionary", at(10, "0000")),
            ("cut off", FRAME[..80].to_owned()),
            ("its beginning alone", FRAME[..8].to_owned()),
            ("it says that it is larger than any", "28b52ffde0ffffffffffffff7f010000".to_owned()),
            ("no text", "fffe".to_owned()),
        ];
        for (what, frame) in damaged {
            let error = put(&frame).await.expect_err(what);
            assert!(
                matches!(error, StoreError::Failed { context: "reading a version", .. }),
                "{what}: {error}"
            );
        }
    }
}

/// An instance of the release before reads no packed bodies: none are written while there may be one.
#[tokio::test]
async fn a_database_of_the_release_before_is_packed_once_it_is_said_so() {
    let folder = tempfile::tempdir().unwrap();
    for database in Database::both(folder.path()).await {
        keep(database.store().await.as_ref(), "new").await;
        let packed = database.lengths("new").await;
        let bytes = i64::try_from(BODY.len()).unwrap();
        assert!(packed.0 == 0 && packed.1.unwrap() * 2 < bytes, "{packed:?}");
        database.tell("delete from resource_version").await;
        database.tell("delete from resource").await;
        database.tell(AS_BEFORE).await;
        keep(database.store().await.as_ref(), "plain").await;
        let characters = i64::try_from(BODY.chars().count()).unwrap();
        assert_eq!(database.lengths("plain").await, (characters, None));
        // As it was before the migration, and then migrated.
        for words in taken_back_to(7) {
            database.tell(&words).await;
        }
        keep(database.store().await.as_ref(), "next").await;
        match &database {
            // One process serves the file, and it is this one.
            Database::Sqlite(_) => assert_eq!(database.lengths("next").await.0, 0),
            Database::Postgres(_) => {
                assert_eq!(database.lengths("next").await, (characters, None));
                database.tell("insert into packing values (1)").await;
                keep(database.store().await.as_ref(), "last").await;
                assert_eq!(database.lengths("last").await.0, 0);
            }
        }
        for id in ["plain", "next"] {
            assert_eq!(body(database.store().await.as_ref(), id).await.unwrap(), BODY);
        }
    }
}
