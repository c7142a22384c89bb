//! Small facts to put into a store, and a generator whose seed is printed.

use endplate_fhir::index::{IndexRow, IndexValue, Number};
use endplate_followup::ports::{Changeset, Deed, Past, Put, Scope, Store, StoreError, Stored};
use jiff::Timestamp;

pub fn at(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap()
}

/// A version that says in its body which one it is, committed at as many milliseconds as its number.
pub fn put(kind: &str, id: &str, version: u64) -> Put {
    let stored = Stored {
        kind: kind.to_owned(),
        id: id.to_owned(),
        version,
        at: at(i64::try_from(version).unwrap()),
        body: format!(r#"{{"resourceType":"{kind}","id":"{id}","meta":{{"versionId":"{version}"}}}}"#),
    };
    let deed = if version == 1 { Deed::Created } else { Deed::Updated };
    Put { stored, deed, patient: None, rows: Vec::new() }
}

/// The end of a resource: a version without a body.
pub fn deletion(kind: &str, id: &str, version: u64) -> Put {
    let mut put = put(kind, id, version);
    put.stored.body.clear();
    Put { deed: Deed::Deleted, ..put }
}

/// Everything about one resource, newest first.
pub async fn history_of(store: &dyn Store, kind: &str, id: &str) -> Vec<Stored> {
    let past = Past { kind: Some(kind.into()), id: Some(id.into()), count: 1_000, ..Past::default() };
    let page = store.history(&past).await.unwrap();
    page.versions.into_iter().map(|version| version.stored).collect()
}

pub fn of_patient(patient: &str, put: Put) -> Put {
    Put { patient: Some(patient.to_owned()), ..put }
}

pub fn found_by(rows: &[IndexRow], put: Put) -> Put {
    Put { rows: rows.to_vec(), ..put }
}

pub fn written_at(ms: i64, mut put: Put) -> Put {
    put.stored.at = at(ms);
    put
}

pub fn change(puts: Vec<Put>) -> Changeset {
    Changeset { at: Some(at(1_000)), puts, ..Changeset::default() }
}

pub fn scope(key: &str, generation: u64) -> Scope {
    Scope { key: key.to_owned(), generation }
}

pub async fn commit(store: &dyn Store, puts: Vec<Put>) {
    store.commit(change(puts)).await.unwrap();
}

#[track_caller]
pub fn assert_moved(result: &Result<(), StoreError>) {
    assert!(matches!(result, Err(StoreError::Moved)), "{result:?}");
}

pub fn token(param: &'static str, system: Option<&str>, code: &str) -> IndexRow {
    IndexRow { param, value: IndexValue::Token { system: system.map(str::to_owned), code: code.to_owned() } }
}

pub fn reference(param: &'static str, kind: &str, id: &str) -> IndexRow {
    IndexRow { param, value: IndexValue::Reference { kind: kind.to_owned(), id: id.to_owned() } }
}

pub fn date(param: &'static str, start_ms: i64, end_ms: i64) -> IndexRow {
    IndexRow { param, value: IndexValue::Date { start_ms, end_ms } }
}

pub fn amount(param: &'static str, value: f64, code: &str) -> IndexRow {
    let (low, high) = (Number(value), Number(value));
    let (system, code, unit) = ("urn:u".to_owned(), code.to_owned(), format!("a {code}"));
    IndexRow { param, value: IndexValue::Quantity { low, high, system, code, unit } }
}

pub fn text(param: &'static str, value: &str) -> IndexRow {
    IndexRow { param, value: IndexValue::Text(value.to_owned()) }
}

/// SplitMix64 (Steele, Lea, Flood 2014).
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        eprintln!("seed {seed}");
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to `end`, `end` not included.
    pub fn below(&mut self, end: i64) -> i64 {
        i64::try_from(self.next() % end.unsigned_abs()).unwrap()
    }

    pub fn one<T: Clone>(&mut self, of: &[T]) -> T {
        let at = self.below(i64::try_from(of.len()).unwrap());
        of[usize::try_from(at).unwrap()].clone()
    }

    /// An interval near 0; now and then one end is open, as of a Period.
    pub fn interval(&mut self) -> (i64, i64) {
        let start = self.below(12) - 6;
        let end = start + self.below(5);
        match self.below(8) {
            0 => (i64::MIN, end),
            1 => (start, i64::MAX),
            _ => (start, end),
        }
    }
}
