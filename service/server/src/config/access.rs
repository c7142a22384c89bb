//! Who may call, as it is configured: the tables `[[access.clients]]`, `[[access.issuers]]` and `[[access.hooks]]`.

use super::{ConfigError, Layers};
use crate::access::KeySource;
use endplate_followup::grant::scope::Scope;
use std::collections::BTreeSet;
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::time::Duration;
use toml::{Table, Value};

/// A client that gets tokens here.
#[derive(Clone, Debug)]
pub struct Client {
    /// Its id.
    pub id: String,
    /// Its public keys.
    pub keys: KeySource,
    /// The most that it may ask for, with spaces between.
    pub scopes: String,
    /// How often it may ask.
    pub requests_per_minute: NonZeroU32,
}

/// Another issuer of tokens.
#[derive(Clone, Debug)]
pub struct Issuer {
    /// What its tokens have as `iss`.
    pub issuer: String,
    /// Its public keys.
    pub keys: KeySource,
    /// What its tokens have as `aud`; none: the URL of this service.
    pub audience: Option<String>,
    /// The most that its tokens may hold, with spaces between.
    pub scopes: String,
    /// How often its clients may ask together.
    pub requests_per_minute: NonZeroU32,
}

/// A CDS Hooks client.
#[derive(Clone, Debug)]
pub struct Hook {
    /// What its tokens have as `iss`.
    pub issuer: String,
    /// Its public keys.
    pub keys: KeySource,
    /// How often it may call.
    pub requests_per_minute: NonZeroU32,
}

/// Access as it is configured.
#[derive(Clone, Debug)]
pub struct AccessConfig {
    /// Clients that get tokens here.
    pub clients: Vec<Client>,
    /// Other issuers of tokens.
    pub issuers: Vec<Issuer>,
    /// CDS Hooks clients.
    pub hooks: Vec<Hook>,
    /// The PEM file of the service's own key; none: a new one at each start.
    pub signing_key: Option<PathBuf>,
    /// How long a token of ours is valid.
    pub token_lifetime: Duration,
    /// By how much the clocks of others may differ.
    pub leeway: Duration,
}

impl AccessConfig {
    /// Whether anybody is registered: then nobody else gets in.
    pub fn is_closed(&self) -> bool {
        !(self.clients.is_empty() && self.issuers.is_empty() && self.hooks.is_empty())
    }

    pub(super) fn read(layers: &Layers) -> Result<Self, ConfigError> {
        let minute = layers.within("access.requests_per_minute", 1, 1_000_000)?;
        let usual = u32::try_from(minute).ok().and_then(NonZeroU32::new).unwrap_or(NonZeroU32::MIN);
        let mut names = BTreeSet::new();
        let mut once = |row: &Row<'_>, name: &str| {
            let is_new = names.insert(name.to_owned());
            if is_new { Ok(()) } else { Err(row.wrong("names somebody twice: give each party one table")) }
        };
        let mut clients = Vec::new();
        for mut row in rows(layers, "access.clients", &["id", "jwks", "scopes", "requests_per_minute"])? {
            let id = row.text("id")?;
            once(&row, &id)?;
            let (keys, scopes) = (row.keys()?, row.scopes(layers)?);
            clients.push(Client { id, keys, scopes, requests_per_minute: row.per_minute(usual)? });
        }
        let mut issuers = Vec::new();
        let known = ["issuer", "jwks", "audience", "scopes", "requests_per_minute"];
        for mut row in rows(layers, "access.issuers", &known)? {
            let issuer = row.text("issuer")?;
            once(&row, &issuer)?;
            let (keys, scopes) = (row.keys()?, row.scopes(layers)?);
            let audience =
                if row.table.contains_key("audience") { Some(row.text("audience")?) } else { None };
            let requests_per_minute = row.per_minute(usual)?;
            issuers.push(Issuer { issuer, keys, audience, scopes, requests_per_minute });
        }
        let mut hooks = Vec::new();
        let mut callers = BTreeSet::new();
        for mut row in rows(layers, "access.hooks", &["issuer", "jwks", "requests_per_minute"])? {
            let issuer = row.text("issuer")?;
            if !callers.insert(issuer.clone()) {
                return Err(row.wrong("names somebody twice: give each party one table"));
            }
            hooks.push(Hook { issuer, keys: row.keys()?, requests_per_minute: row.per_minute(usual)? });
        }
        let signing_key = layers.text("access.signing_key");
        Ok(Self {
            clients,
            issuers,
            hooks,
            signing_key: (!signing_key.is_empty()).then(|| signing_key.into()),
            token_lifetime: Duration::from_secs(layers.within("access.token_lifetime_s", 10, 300)?),
            leeway: Duration::from_secs(layers.within("access.leeway_s", 0, 120)?),
        })
    }
}

/// One table of a list.
struct Row<'a> {
    layers: &'a Layers,
    key: String,
    table: &'a Table,
}

fn rows<'a>(layers: &'a Layers, key: &str, known: &[&str]) -> Result<Vec<Row<'a>>, ConfigError> {
    let mut rows = Vec::new();
    for (at, table) in layers.tables(key).iter().enumerate() {
        let row = Row { layers, key: format!("{key}[{at}]"), table };
        if let Some(name) = table.keys().find(|name| !known.contains(&name.as_str())) {
            return Err(row.wrong(format!("has an unknown key {name}; known are {}", known.join(", "))));
        }
        rows.push(row);
    }
    Ok(rows)
}

impl Row<'_> {
    fn wrong(&self, wanted: impl Into<String>) -> ConfigError {
        self.layers.wrong_in_tables(&self.key, wanted)
    }

    fn text(&mut self, name: &str) -> Result<String, ConfigError> {
        let text = self.table.get(name).and_then(Value::as_str).filter(|text| !text.trim().is_empty());
        text.map(str::to_owned).ok_or_else(|| self.wrong(format!("must have {name}, a text")))
    }

    fn keys(&mut self) -> Result<KeySource, ConfigError> {
        let keys = KeySource::parse(&self.text("jwks")?);
        let keys = keys.map_err(|wanted| self.wrong(format!("has jwks, which {wanted}")))?;
        // A file is there from the start; what is fetched may come later.
        if let KeySource::File(path) = &keys {
            let bytes =
                std::fs::read(path).map_err(|_| self.wrong("has jwks, a file that cannot be read"))?;
            crate::access::check_keys(&bytes)
                .map_err(|why| self.wrong(format!("has jwks, a file that {why}")))?;
        }
        Ok(keys)
    }

    fn scopes(&mut self, layers: &Layers) -> Result<String, ConfigError> {
        let text = self.text("scopes")?;
        for scope in text.split_whitespace() {
            Scope::parse(scope, layers.text("base_url"))
                .map_err(|why| self.wrong(format!("has the scope {scope}, but {why}")))?;
        }
        Ok(text)
    }

    fn per_minute(&mut self, usual: NonZeroU32) -> Result<NonZeroU32, ConfigError> {
        let Some(value) = self.table.get("requests_per_minute") else { return Ok(usual) };
        let number =
            value.as_integer().and_then(|number| u32::try_from(number).ok()).and_then(NonZeroU32::new);
        number.ok_or_else(|| self.wrong("has requests_per_minute, which must be a whole number from 1"))
    }
}
