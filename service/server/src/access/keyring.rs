//! The public keys of others: from a file, or from where they publish them.

use super::jws::{self, Key};
use crate::guard::{self, Guard};
use crate::webhook::cause;
use endplate_fhir::Json;
use jiff::{SignedDuration, Timestamp};
use reqwest::header::CACHE_CONTROL;
use reqwest::{Client, Url};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Mutex;
use tracing::warn;

/// Largest key set.
const BYTES_MAX: usize = 256 * 1024;
/// How long keys are kept where their publisher does not say.
const KEPT_S: i64 = 300;
/// How long keys are kept at most, whatever their publisher says.
const KEPT_MAX_S: i64 = 3_600;
/// How soon keys are fetched again for a name that is not among them, or after a failure.
const AGAIN_AFTER: SignedDuration = SignedDuration::from_secs(10);
/// How long fetching may take.
const PATIENCE: Duration = Duration::from_secs(5);

/// Where keys are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum KeySource {
    /// A file; it is read at every use, so that it can be exchanged.
    File(PathBuf),
    /// An address, with https; on this machine also with http. The guard says whether it is called.
    Url(Url),
}

impl KeySource {
    /// Reads a setting.
    ///
    /// # Errors
    /// An address that is not safe; the text continues a sentence that begins with the key.
    pub fn parse(text: &str) -> Result<Self, String> {
        if !text.contains("://") {
            return if text.is_empty() {
                Err("must be the path of a JWKS file, or an https URL".to_owned())
            } else {
                Ok(Self::File(text.into()))
            };
        }
        let wrong =
            || "must be the path of a JWKS file, or an https URL without user and password".to_owned();
        let url: Url = text.parse().map_err(|_| wrong())?;
        let is_here = matches!(url.host_str(), Some("127.0.0.1" | "[::1]"));
        let is_safe = url.scheme() == "https" || (url.scheme() == "http" && is_here);
        if is_safe && url.username().is_empty() && url.password().is_none() {
            Ok(Self::Url(url))
        } else {
            Err(wrong())
        }
    }
}

/// Why keys are not at hand. For people; it names no address.
pub(crate) type Unread = &'static str;

/// What was fetched.
#[derive(Debug, Default)]
struct Fetched {
    keys: Arc<Vec<Key>>,
    /// Until when it may be used; none: nothing was fetched.
    until: Option<Timestamp>,
    /// When it was last tried.
    tried_at: Option<Timestamp>,
}

/// The keys of one party.
#[derive(Debug)]
pub(crate) struct Keyring {
    /// Whose, as it is registered.
    party: String,
    source: KeySource,
    client: Client,
    fetched: Mutex<Fetched>,
}

impl Keyring {
    /// Those of a registered party, fetched by a client of [`client`].
    ///
    /// # Errors
    /// Their address is not called. The text names the party and says what to change.
    pub(crate) fn of(
        party: &str,
        source: &KeySource,
        guard: &Guard,
        client: &Client,
    ) -> Result<Self, String> {
        if let KeySource::Url(url) = source {
            guard
                .check(url.as_str())
                .map_err(|blocked| format!("access: jwks of {party} is not called: {blocked}"))?;
        }
        let (party, source, client) = (party.to_owned(), source.clone(), client.clone());
        Ok(Self { party, source, client, fetched: Mutex::default() })
    }

    /// Whether a header `jku` names the address of these keys.
    pub(crate) fn is_at(&self, jku: &str) -> bool {
        matches!(&self.source, KeySource::Url(url) if url.as_str() == jku)
    }

    /// The keys now; fetched once more if none of them has this name and that was not done just before.
    ///
    /// # Errors
    /// They cannot be read.
    pub(crate) async fn keys(&self, kid: &str, now: Timestamp) -> Result<Arc<Vec<Key>>, Unread> {
        let url = match &self.source {
            KeySource::File(path) => {
                let text = tokio::fs::read(path).await.map_err(|_| "its key file cannot be read")?;
                return parse(&text).map(Arc::new);
            }
            KeySource::Url(url) => url,
        };
        let mut fetched = self.fetched.lock().await;
        let is_fresh = fetched.until.is_some_and(|until| now < until);
        if is_fresh && fetched.keys.iter().any(|key| key.is_named(kid)) {
            return Ok(Arc::clone(&fetched.keys));
        }
        let tried_lately = fetched.tried_at.is_some_and(|at| now.duration_since(at).abs() < AGAIN_AFTER);
        let failed_lately = tried_lately && fetched.until.is_none();
        if failed_lately || (is_fresh && tried_lately) {
            return if is_fresh {
                Ok(Arc::clone(&fetched.keys))
            } else {
                Err("its keys could not be fetched")
            };
        }
        fetched.tried_at = Some(now);
        match self.fetch(url).await {
            Ok((keys, kept_s)) => {
                fetched.keys = Arc::new(keys);
                fetched.until = now.checked_add(SignedDuration::from_secs(kept_s)).ok();
                Ok(Arc::clone(&fetched.keys))
            }
            // What is still fresh can be used; what is not is not used for want of something better.
            Err(_) if is_fresh => Ok(Arc::clone(&fetched.keys)),
            Err(reason) => {
                fetched.until = None;
                Err(reason)
            }
        }
    }

    async fn fetch(&self, url: &Url) -> Result<(Vec<Key>, i64), Unread> {
        // Whoever calls is told nothing of the registered address, and whoever runs the service why nothing comes of it.
        let unread = |reason: &str| {
            warn!(party = self.party, reason, "the keys of a registered party could not be fetched");
            "its keys could not be fetched"
        };
        let response = self.client.get(url.clone()).send().await;
        let response = response.map_err(|error| match guard::blocked(&error) {
            Some(blocked) => unread(&blocked.to_string()),
            None => unread(cause(&error)),
        })?;
        if !response.status().is_success() {
            return Err(unread(&format!("the answer is {}", response.status().as_u16())));
        }
        let said = response.headers().get(CACHE_CONTROL).and_then(|value| value.to_str().ok());
        let kept_s = kept_s(said);
        let bytes = guard::body(response, BYTES_MAX).await;
        let bytes = bytes
            .ok_or_else(|| unread(&format!("the answer broke off, or is larger than {BYTES_MAX} bytes")))?;
        Ok((parse(&bytes).map_err(unread)?, kept_s))
    }
}

/// Reads a key set.
pub(crate) fn parse(bytes: &[u8]) -> Result<Vec<Key>, Unread> {
    let set: Json = serde_json::from_slice(bytes).map_err(|_| "is no key set: it is no JSON")?;
    jws::keys(&set)
}

/// A client for keys, which may take no long time.
pub(crate) fn client(guard: &Guard) -> Result<Client, reqwest::Error> {
    guard.client().timeout(PATIENCE).build()
}

/// How long an answer may be kept, in seconds (RFC 9111 section 5.2.2).
fn kept_s(cache_control: Option<&str>) -> i64 {
    let Some(said) = cache_control else { return KEPT_S };
    let mut kept = KEPT_S;
    for directive in said.split(',').map(|one| one.trim().to_ascii_lowercase()) {
        match directive.split_once('=') {
            None if directive == "no-store" || directive == "no-cache" => return 0,
            Some(("max-age", age)) => kept = age.trim_matches('"').parse().unwrap_or(0),
            _ => {}
        }
    }
    kept.clamp(0, KEPT_MAX_S)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;
    use crate::guard::Names;
    use async_trait::async_trait;
    use std::net::{IpAddr, Ipv4Addr};
    use tokio::net::TcpListener;

    /// A name that leads to this machine.
    struct Here;

    #[async_trait]
    impl Names for Here {
        async fn addresses(&self, _: &str) -> std::io::Result<Vec<IpAddr>> {
            Ok(vec![Ipv4Addr::LOCALHOST.into()])
        }
    }

    /// OWASP, Server-Side Request Forgery Prevention Cheat Sheet: a name is looked at when it is connected to. With the network
    /// allowed the same name is called: port and name were right.
    #[tokio::test]
    async fn keys_are_not_fetched_from_where_a_name_may_not_lead() {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let source = KeySource::parse(&format!("https://login.example:{port}/jwks")).expect("a source");
        let mut config = Config::of_defaults().expect("the defaults");
        let fetch = async |config: &Config| {
            let guard = Guard::of_settings(config).asking(Arc::new(Here));
            let client = client(&guard).expect("a client");
            let keys = Keyring::of("login", &source, &guard, &client).expect("an address");
            keys.keys("any", Timestamp::UNIX_EPOCH).await.map(|_| ()).expect_err("no keys")
        };
        config.webhook_allowed_networks = Vec::new();
        assert_eq!(fetch(&config).await, "its keys could not be fetched");
        config.webhook_allowed_networks = vec!["127.0.0.0/8".parse().expect("a network")];
        // Whoever is connected to first is the second of the two: the first never came.
        let (taken, refused) = tokio::join!(
            async {
                let (stream, _) = listener.accept().await.expect("a connection");
                drop(stream);
                listener
            },
            fetch(&config)
        );
        assert_eq!(refused, "its keys could not be fetched");
        let listener = taken.into_std().expect("a listener");
        assert_eq!(listener.accept().expect_err("nobody else").kind(), std::io::ErrorKind::WouldBlock);
    }

    // RFC 9111 section 5.2.2.
    #[test]
    fn keys_are_kept_as_long_as_their_publisher_says_and_no_longer() {
        for (said, kept) in [
            (None, 300),
            (Some("public"), 300),
            (Some("max-age=60"), 60),
            (Some("public, Max-Age=\"60\""), 60),
            (Some("max-age=86400"), 3_600),
            (Some("max-age=60, no-store"), 0),
            (Some("no-cache"), 0),
            (Some("max-age=soon"), 0),
        ] {
            assert_eq!(kept_s(said), kept, "{said:?}");
        }
    }

    #[test]
    fn keys_are_fetched_only_where_nobody_can_exchange_them() {
        for text in ["https://records.example/jwks", "http://127.0.0.1:9/jwks", "/etc/endplate/record.json"] {
            assert!(KeySource::parse(text).is_ok(), "{text}");
        }
        for text in [
            "",
            "http://records.example/jwks",
            "https://u:p@records.example/jwks",
            "file:///etc/keys",
            "http://localhost/jwks",
        ] {
            assert!(KeySource::parse(text).is_err(), "{text}");
        }
    }
}
