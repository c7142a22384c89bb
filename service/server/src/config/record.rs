//! Hospital record servers in the configuration: the tables `[[record]]`.

use super::{ConfigError, Layers};
use crate::keys::Key;
use endplate_followup::Record;
use endplate_followup::record::{READABLE, WRITABLE};
use jiff::SignedDuration;
use reqwest::Url;
use serde::Deserialize;
use serde_json::{Value as Json, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use toml::{Table, Value};

/// A record server, checked. What each setting means stands in `config.default.toml`.
#[derive(Clone, Debug)]
pub struct RecordConfig {
    /// As the use cases know it.
    pub record: Record,
    /// Its FHIR base.
    pub base: Url,
    /// How this service gets in.
    pub auth: RecordAuth,
    /// For one request.
    pub timeout: Duration,
    /// Between two readings.
    pub read_every: Duration,
}

/// How this service gets into a record server.
#[derive(Clone, Debug)]
pub enum RecordAuth {
    /// Nobody asks.
    None,
    /// SMART Backend Services.
    Smart(Arc<SmartConfig>),
}

/// What it takes to be a client of SMART Backend Services.
#[derive(Debug)]
pub struct SmartConfig {
    /// As the record server registered it.
    pub client_id: String,
    /// At least one; the last one signs.
    pub keys: Vec<Key>,
    /// What is asked for.
    pub scope: String,
}

impl RecordConfig {
    /// The names of those that are read, and what types.
    pub fn read(records: &[Self]) -> Vec<(String, Vec<String>)> {
        let read = records.iter().filter(|server| !server.record.reads.is_empty());
        read.map(|server| (server.record.name.clone(), server.record.reads.clone())).collect()
    }

    /// The public keys of all record servers, as a JWK Set (RFC 7517, section 5): each name once.
    pub fn public_keys(records: &[Self]) -> Json {
        let smart = records.iter().filter_map(|record| match &record.auth {
            RecordAuth::Smart(smart) => Some(smart),
            RecordAuth::None => None,
        });
        let keys: BTreeMap<&str, Json> =
            smart.flat_map(|smart| &smart.keys).map(|key| (key.id(), key.public())).collect();
        json!({ "keys": keys.into_values().collect::<Vec<_>>() })
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    name: String,
    base_url: String,
    #[serde(default)]
    write: Vec<String>,
    #[serde(default)]
    read: Vec<String>,
    #[serde(default)]
    same_ids: bool,
    #[serde(default = "read_every_s")]
    read_every_s: u64,
    #[serde(default = "read_overlap_s")]
    read_overlap_s: u64,
    #[serde(default = "page")]
    page: u64,
    #[serde(default = "timeout_s")]
    timeout_s: u64,
    #[serde(default)]
    auth: Auth,
    client_id: Option<String>,
    scope: Option<String>,
    #[serde(default)]
    key: Vec<RawKey>,
}

#[derive(Deserialize, Default, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
enum Auth {
    #[default]
    None,
    Smart,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawKey {
    file: PathBuf,
    kid: Option<String>,
}

fn read_every_s() -> u64 {
    60
}

fn read_overlap_s() -> u64 {
    300
}

fn page() -> u64 {
    100
}

fn timeout_s() -> u64 {
    30
}

/// Reads all tables `[[record]]`.
pub(super) fn records(layers: &Layers) -> Result<Vec<RecordConfig>, ConfigError> {
    let (tables, origin) = layers.records();
    let mut names = BTreeSet::new();
    let one = |(at, table): (usize, &Table)| {
        let wrong = |key: &str, wanted: String| ConfigError::Value {
            key: format!("record[{at}]{key}"),
            origin: origin.clone(),
            wanted,
        };
        let raw: Raw = Value::Table(table.clone()).try_into().map_err(|error: toml::de::Error| {
            wrong("", format!("cannot be read: {}", error.message().replace('\n', " ")))
        })?;
        if !names.insert(raw.name.clone()) {
            return Err(wrong(".name", "is the name of another record server too".to_owned()));
        }
        checked(&raw, &wrong)
    };
    tables.iter().enumerate().map(one).collect()
}

fn checked(raw: &Raw, wrong: &dyn Fn(&str, String) -> ConfigError) -> Result<RecordConfig, ConfigError> {
    let is_name = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if raw.name.is_empty() || raw.name.len() > 32 || !raw.name.chars().all(is_name) {
        return Err(wrong(".name", "must be 1 to 32 of a to z, 0 to 9 and -".to_owned()));
    }
    let base = raw.base_url.trim_end_matches('/');
    let url: Option<Url> = base.parse().ok().filter(|url: &Url| {
        let plain = url.username().is_empty() && url.password().is_none();
        matches!(url.scheme(), "http" | "https") && plain && url.query().is_none() && url.fragment().is_none()
    });
    let Some(url) = url else {
        let wanted = "must be an http or https URL without user, query or fragment";
        return Err(wrong(".base_url", wanted.to_owned()));
    };
    for (key, types, known) in [(".write", &raw.write, &WRITABLE[..]), (".read", &raw.read, &READABLE[..])] {
        if let Some(other) = types.iter().find(|one| !known.contains(&one.as_str())) {
            return Err(wrong(key, format!("names {other}; known are {}", known.join(", "))));
        }
    }
    let within = |key: &str, value: u64, least: u64, most: u64| match value {
        value if (least..=most).contains(&value) => Ok(value),
        _ => Err(wrong(key, format!("must be between {least} and {most}"))),
    };
    let overlap_s = within(".read_overlap_s", raw.read_overlap_s, 0, 86_400)?;
    let record = Record {
        name: raw.name.clone(),
        base: base.to_owned(),
        writes: raw.write.clone(),
        reads: raw.read.clone(),
        same_ids: raw.same_ids,
        overlap: SignedDuration::from_secs(i64::try_from(overlap_s).unwrap_or(0)),
        page: usize::try_from(within(".page", raw.page, 1, 1000)?).unwrap_or(1000),
    };
    Ok(RecordConfig {
        base: url,
        timeout: Duration::from_secs(within(".timeout_s", raw.timeout_s, 1, 120)?),
        read_every: Duration::from_secs(within(".read_every_s", raw.read_every_s, 1, 86_400)?),
        auth: auth(raw, &record, wrong)?,
        record,
    })
}

fn auth(
    raw: &Raw,
    record: &Record,
    wrong: &dyn Fn(&str, String) -> ConfigError,
) -> Result<RecordAuth, ConfigError> {
    if raw.auth == Auth::None {
        let told = raw.client_id.is_some() || raw.scope.is_some() || !raw.key.is_empty();
        let wanted = "must be smart where client_id, scope or key is given";
        return if told { Err(wrong(".auth", wanted.to_owned())) } else { Ok(RecordAuth::None) };
    }
    let Some(client_id) = raw.client_id.clone().filter(|id| !id.is_empty()) else {
        return Err(wrong(
            ".client_id",
            "must be the client's id, as the record server registered it".to_owned(),
        ));
    };
    if raw.key.is_empty() {
        return Err(wrong(".key", "must name at least one key: [[record.key]] with file".to_owned()));
    }
    let mut keys: Vec<Key> = Vec::new();
    for (at, key) in raw.key.iter().enumerate() {
        let at = format!(".key[{at}]");
        let read =
            Key::of_file(&key.file, key.kid.as_deref()).map_err(|error| wrong(&at, error.to_string()))?;
        if keys.iter().any(|other| other.id() == read.id()) {
            return Err(wrong(&at, "has the same kid as another key of this record server".to_owned()));
        }
        keys.push(read);
    }
    let scope = raw.scope.clone().filter(|scope| !scope.is_empty()).unwrap_or_else(|| scope(record));
    Ok(RecordAuth::Smart(Arc::new(SmartConfig { client_id, keys, scope })))
}

/// The least that does the work: what is written is also read and searched for; what is read, and what is referred to and so
/// looked for by its identifier, is read and searched.
fn scope(record: &Record) -> String {
    let written = record.writes.iter().map(|kind| format!("system/{kind}.crus"));
    let mut others: Vec<&str> = record.reads.iter().map(String::as_str).collect();
    if !record.writes.is_empty() && !record.same_ids {
        others.extend(READABLE.iter().copied().filter(|kind| !record.reads.iter().any(|read| read == kind)));
    }
    let read = others.into_iter().map(|kind| format!("system/{kind}.rs"));
    written.chain(read).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use crate::config::{Config, Layers, Sources};

    fn read(text: &str) -> Result<Config, String> {
        let file = Some(("site.toml".to_owned(), text.to_owned()));
        let layers =
            Layers::read(&Sources { file, ..Sources::default() }).map_err(|error| error.to_string())?;
        Config::new(&layers).map_err(|error| error.to_string())
    }

    #[test]
    fn a_record_server_is_read_from_its_table() {
        let config = read(
            "[[record]]\nname = \"main\"\nbase_url = \"https://record.example/fhir/\"\nwrite = [\"Task\"]\nread = [\"Patient\"]\n",
        );
        let record = &config.expect("read").records[0];
        assert_eq!((record.record.base.as_str(), record.record.page), ("https://record.example/fhir", 100));
        assert_eq!(record.record.overlap.as_secs(), 300);
        assert_eq!(
            super::scope(&record.record).split(' ').take(3).collect::<Vec<_>>(),
            ["system/Task.crus", "system/Patient.rs", "system/Condition.rs"]
        );
    }

    #[test]
    fn what_cannot_be_is_named_with_what_to_write() {
        let base = "name = \"main\"\nbase_url = \"https://record.example/fhir\"\n";
        for (text, wanted) in [
            (
                "name = \"main\"\n".to_owned(),
                "record[0] (from site.toml) cannot be read: missing field `base_url`",
            ),
            (
                format!("{base}writes = []\n"),
                "record[0] (from site.toml) cannot be read: unknown field `writes`",
            ),
            (
                format!("{base}write = [\"Patient\"]\n"),
                "record[0].write (from site.toml) names Patient; known are Device, Goal",
            ),
            (format!("{base}page = 0\n"), "record[0].page (from site.toml) must be between 1 and 1000"),
            (format!("{base}client_id = \"x\"\n"), "record[0].auth (from site.toml) must be smart"),
            (format!("{base}auth = \"smart\"\n"), "record[0].client_id (from site.toml) must be"),
            (
                format!("{base}auth = \"smart\"\nclient_id = \"x\"\n"),
                "record[0].key (from site.toml) must name",
            ),
            (
                format!("{base}auth = \"smart\"\nclient_id = \"x\"\nkey = [{{ file = \"/nowhere\" }}]\n"),
                "record[0].key[0] (from site.toml) names the file /nowhere, which cannot be read",
            ),
            (format!("{base}[[record]]\n{base}"), "record[1].name (from site.toml) is the name of another"),
            (
                "name = \"Main\"\nbase_url = \"https://record.example\"\n".to_owned(),
                "record[0].name (from site.toml) must be 1",
            ),
            (
                "name = \"main\"\nbase_url = \"https://u:p@record.example\"\n".to_owned(),
                "record[0].base_url (from site.toml)",
            ),
        ] {
            let error = read(&format!("[[record]]\n{text}")).expect_err(wanted);
            assert!(error.starts_with(wanted), "{error}");
        }
        assert!(
            read("record = 1")
                .expect_err("no table")
                .starts_with("record (from site.toml) must be tables [[record]]")
        );
    }
}
