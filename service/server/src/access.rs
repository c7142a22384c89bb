//! Who may call: SMART App Launch 2.2.0, Backend Services, as a server; tokens of other issuers; CDS Hooks clients.
//!
//! What a caller may then do is kept by [`endplate_followup::grant`]. Without a client, an issuer or a hook in the settings
//! access is open, and the service listens on this machine alone.

pub(crate) mod discovery;
pub(crate) mod gate;
mod jws;
mod keyring;
mod limit;
mod signer;
pub(crate) mod token;

pub use keyring::KeySource;

use crate::caller::Caller;
use crate::config::access::AccessConfig;
use crate::error::Failure;
use crate::guard::Guard;
use endplate_fhir::issue::{Code, Issue};
use endplate_followup::grant::scope::Scope;
use endplate_followup::grant::{Grant, Registered};
use endplate_followup::ports::{Clock, Store, StoreError};
use endplate_followup::{Reason, Refusal};
use jiff::{SignedDuration, Timestamp};
use jws::{Algorithm, Jws};
use keyring::Keyring;
use limit::Limit;
use ring::digest::{SHA256, digest};
use signer::Signer;
use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, PoisonError};

/// The type of an access token (RFC 9068 section 2.1): an assertion is none, and none is an assertion.
const TOKEN_TYPE: &str = "at+jwt";
/// How far ahead an assertion may end (SMART App Launch 2.2.0, authenticating to the token endpoint): five minutes.
const ASSERTION_MAX: SignedDuration = SignedDuration::from_secs(300);
/// How many tokens are remembered as verified.
const VERIFIED_MAX: usize = 10_000;
/// How long a token is remembered as verified at most.
const VERIFIED_FOR: SignedDuration = SignedDuration::from_secs(300);
/// Longest `jti`.
const JTI_MAX: usize = 256;

/// Why a caller is not let in. The texts are ASCII without quotes, so that they fit into a header.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Denied {
    /// Nothing was shown.
    Nothing,
    /// What was shown is not valid; why.
    Invalid(String),
    /// It asked too often; it may again after so many seconds.
    TooOften(u64),
    /// The store cannot be used.
    Unavailable,
}

impl Denied {
    fn invalid(text: impl Into<String>) -> Self {
        Self::Invalid(text.into())
    }
}

/// Somebody who is registered, or for whom somebody registered speaks.
#[derive(Debug)]
struct Party {
    keys: Keyring,
    limit: Limit,
}

/// An issuer of tokens beside ourselves.
#[derive(Debug)]
struct Issuer {
    party: Party,
    audience: String,
}

/// A caller who was let in.
#[derive(Clone, Debug)]
struct Admitted {
    caller: Caller,
    grant: Arc<Grant>,
    /// Whose limit its requests count for.
    registration: String,
    until: Timestamp,
}

/// Access as it is configured.
pub(crate) struct Access {
    /// Where the service is, without `/fhir`: the issuer of our tokens.
    root: String,
    /// Where FHIR is: the audience of our tokens.
    base: String,
    clock: Arc<dyn Clock>,
    store: Arc<dyn Store>,
    clients: BTreeMap<String, Party>,
    issuers: BTreeMap<String, Issuer>,
    hooks: BTreeMap<String, Party>,
    registered: Arc<Registered>,
    signer: Signer,
    lifetime: SignedDuration,
    leeway: SignedDuration,
    /// Tokens that were verified, by their hash.
    verified: Mutex<HashMap<[u8; 32], Admitted>>,
}

/// The service without `/fhir`, where what is not FHIR has its addresses.
pub(crate) fn root(base: &str) -> &str {
    base.strip_suffix("/fhir").unwrap_or(base)
}

impl Access {
    /// Access as configured; none: it is open.
    ///
    /// # Errors
    /// A key or a scope cannot be used, or the address of keys is not called. The text names the setting.
    pub(crate) fn of(
        config: &AccessConfig,
        guard: &Guard,
        base: &str,
        clock: Arc<dyn Clock>,
        store: Arc<dyn Store>,
    ) -> Result<Option<Self>, String> {
        if !config.is_closed() {
            return Ok(None);
        }
        let http = keyring::client(guard).map_err(|_| "access: no HTTPS client can be made".to_owned())?;
        let party = |name: &str, keys: &KeySource, per_minute| {
            let keys = Keyring::of(name, keys, guard, &http)?;
            Ok::<_, String>(Party { keys, limit: Limit::per_minute(per_minute) })
        };
        let mut registered = Registered::new();
        let mut register = |name: &str, scopes: &str| {
            let scopes = scopes.split_whitespace().map(|text| Scope::parse(text, base));
            let scopes = scopes.collect::<Result<Vec<_>, _>>().map_err(|text| format!("{name}: {text}"))?;
            registered.insert(name.to_owned(), Grant::new(name, name, scopes));
            Ok::<(), String>(())
        };
        let mut clients = BTreeMap::new();
        for one in &config.clients {
            register(&one.id, &one.scopes)?;
            clients.insert(one.id.clone(), party(&one.id, &one.keys, one.requests_per_minute)?);
        }
        let mut issuers = BTreeMap::new();
        for one in &config.issuers {
            register(&one.issuer, &one.scopes)?;
            let audience = one.audience.clone().unwrap_or_else(|| base.to_owned());
            let party = party(&one.issuer, &one.keys, one.requests_per_minute)?;
            issuers.insert(one.issuer.clone(), Issuer { party, audience });
        }
        let mut hooks = BTreeMap::new();
        for one in &config.hooks {
            hooks.insert(one.issuer.clone(), party(&one.issuer, &one.keys, one.requests_per_minute)?);
        }
        let signer = Signer::of(config.signing_key.as_deref())
            .map_err(|wanted| format!("access.signing_key {wanted}"))?;
        let seconds = |duration| SignedDuration::try_from(duration).unwrap_or_default();
        Ok(Some(Self {
            root: root(base).to_owned(),
            base: base.to_owned(),
            clock,
            store,
            clients,
            issuers,
            hooks,
            registered: Arc::new(registered),
            signer,
            lifetime: seconds(config.token_lifetime),
            leeway: seconds(config.leeway),
            verified: Mutex::default(),
        }))
    }

    /// The most that each party may do.
    pub(crate) fn registered(&self) -> Arc<Registered> {
        Arc::clone(&self.registered)
    }

    /// The address of the token endpoint: the audience of assertions.
    pub(crate) fn token_url(&self) -> String {
        format!("{}/auth/token", self.root)
    }

    /// Lets in the bearer of an access token.
    async fn admit(&self, token: &str) -> Result<Admitted, Denied> {
        let now = self.clock.now();
        let mut hash = [0; 32];
        hash.copy_from_slice(digest(&SHA256, token.as_bytes()).as_ref());
        let known = self.verified().get(&hash).filter(|known| now < known.until).cloned();
        let admitted = if let Some(admitted) = known {
            admitted
        } else {
            let admitted = self.verify(token, now).await?;
            self.remember(hash, admitted.clone(), now);
            admitted
        };
        let party = self.clients.get(&admitted.registration);
        let party = party.or(self.issuers.get(&admitted.registration).map(|issuer| &issuer.party));
        party.map_or(Ok(()), |party| party.limit.take()).map_err(Denied::TooOften)?;
        Ok(admitted)
    }

    fn verified(&self) -> std::sync::MutexGuard<'_, HashMap<[u8; 32], Admitted>> {
        self.verified.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn remember(&self, hash: [u8; 32], mut admitted: Admitted, now: Timestamp) {
        let until = now.checked_add(VERIFIED_FOR).unwrap_or(now);
        admitted.until = admitted.until.min(until);
        let mut verified = self.verified();
        if verified.len() >= VERIFIED_MAX {
            verified.retain(|_, known| now < known.until);
        }
        if verified.len() >= VERIFIED_MAX {
            verified.clear();
        }
        verified.insert(hash, admitted);
    }

    /// Verifies an access token: signature, issuer, audience, times, scopes (SMART App Launch 2.2.0, RFC 9068 section 4).
    async fn verify(&self, token: &str, now: Timestamp) -> Result<Admitted, Denied> {
        let jws = Jws::parse(token, &Algorithm::OF_ISSUERS).map_err(Denied::invalid)?;
        let issuer = jws.text("iss").ok_or_else(|| Denied::invalid("it has no iss"))?;
        let scopes: Vec<Scope> = jws
            .text("scope")
            .unwrap_or_default()
            .split(' ')
            .filter_map(|text| Scope::parse(text, &self.base).ok())
            .collect();
        let client = jws.text("client_id").or(jws.text("sub")).unwrap_or_default();
        let until = if issuer == self.root {
            let own = jws::keys(&self.signer.published()).map_err(Denied::invalid)?;
            if jws.typ.as_deref() != Some(TOKEN_TYPE)
                || jws.algorithm != Algorithm::Es384
                || !jws.is_signed_by(&own)
            {
                return Err(Denied::invalid("its signature is not ours; ask for a new token"));
            }
            check_audience(&jws, &self.base)?;
            self.check_times(&jws, now)?
        } else {
            let other = self.issuers.get(issuer);
            let other = other.ok_or_else(|| Denied::invalid("its iss is not known here"))?;
            self.check_signature(&jws, &other.party.keys, now).await?;
            check_audience(&jws, &other.audience)?;
            self.check_times(&jws, now)?
        };
        let registration = if issuer == self.root { client } else { issuer };
        let most = self.registered.get(registration);
        let most = most.ok_or_else(|| Denied::invalid("its client is not registered any more"))?;
        let caller = Caller {
            client: Some(client.to_owned()),
            issuer: Some(issuer.to_owned()),
            token_id: jws.text("jti").map(str::to_owned),
        };
        let grant = Arc::new(most.narrowed(client, scopes));
        Ok(Admitted { caller, grant, registration: registration.to_owned(), until })
    }

    /// Lets in a CDS Hooks client that calls `url` (CDS Hooks 2.0, trusting CDS clients).
    async fn admit_hook(&self, token: &str, url: &str) -> Result<Caller, Denied> {
        let now = self.clock.now();
        let jws = Jws::parse(token, &Algorithm::OF_CLIENTS).map_err(Denied::invalid)?;
        let issuer = jws.text("iss").ok_or_else(|| Denied::invalid("it has no iss"))?;
        let party = self.hooks.get(issuer).ok_or_else(|| Denied::invalid("its iss is not known here"))?;
        check_type(&jws)?;
        self.check_signature(&jws, &party.keys, now).await?;
        check_audience(&jws, url)?;
        self.check_times(&jws, now)?;
        if jws.time_s("iat").is_none() {
            return Err(Denied::invalid("it has no iat"));
        }
        let id = self.use_up(&jws, issuer, now).await?;
        party.limit.take().map_err(Denied::TooOften)?;
        Ok(Caller { client: Some(issuer.to_owned()), issuer: Some(issuer.to_owned()), token_id: Some(id) })
    }

    /// Whether a client is who it says (SMART App Launch 2.2.0, asymmetric authentication). Gives its id.
    async fn authenticate(&self, assertion: &str) -> Result<(String, &Grant), Denied> {
        let now = self.clock.now();
        let jws = Jws::parse(assertion, &Algorithm::OF_CLIENTS).map_err(Denied::invalid)?;
        let client = jws.text("iss").ok_or_else(|| Denied::invalid("it has no iss"))?;
        if jws.text("sub") != Some(client) {
            return Err(Denied::invalid("its sub is not its iss; both are the id of the client"));
        }
        let (Some(party), Some(most)) = (self.clients.get(client), self.registered.get(client)) else {
            return Err(Denied::invalid("no client of this id is registered"));
        };
        check_type(&jws)?;
        self.check_signature(&jws, &party.keys, now).await?;
        check_audience(&jws, &self.token_url())?;
        let until = self.check_times(&jws, now)?;
        if until.duration_since(now) > ASSERTION_MAX + self.leeway + self.leeway {
            return Err(Denied::invalid("its exp is more than 5 minutes ahead"));
        }
        self.use_up(&jws, client, now).await?;
        party.limit.take().map_err(Denied::TooOften)?;
        Ok((client.to_owned(), most))
    }

    async fn check_signature(&self, jws: &Jws<'_>, keys: &Keyring, now: Timestamp) -> Result<(), Denied> {
        // A token does not say where its keys are: that is registered.
        if jws.jku.as_ref().is_some_and(|jku| !keys.is_at(jku)) {
            return Err(Denied::invalid("its jku is not the registered address of the keys; leave it out"));
        }
        let keys = keys.keys(&jws.kid, now).await.map_err(Denied::invalid)?;
        if jws.is_signed_by(&keys) {
            return Ok(());
        }
        Err(Denied::invalid("its signature is not by the registered key that its kid names"))
    }

    /// `exp`, and `nbf` and `iat` if they are there, each with the leeway. Gives the end, leeway included.
    fn check_times(&self, jws: &Jws<'_>, now: Timestamp) -> Result<Timestamp, Denied> {
        let wrong = |claim: &str, at_s: i64, what: &str| {
            let at = Timestamp::from_second(at_s).map_or_else(|_| at_s.to_string(), |at| at.to_string());
            let now = Timestamp::from_second(now.as_second()).unwrap_or(now);
            Denied::invalid(format!("its {claim} is {at}, and here it is {now}; {what}"))
        };
        let exp_s = jws.time_s("exp").ok_or_else(|| Denied::invalid("it has no exp"))?;
        let until = Timestamp::from_second(exp_s).and_then(|exp| exp.checked_add(self.leeway));
        let until = until.map_err(|_| Denied::invalid("its exp is no time"))?;
        if now >= until {
            return Err(wrong("exp", exp_s, "it has expired"));
        }
        let latest = now.checked_add(self.leeway).map_or(i64::MAX, Timestamp::as_second);
        for claim in ["nbf", "iat"] {
            if let Some(at_s) = jws.time_s(claim).filter(|at_s| *at_s > latest) {
                return Err(wrong(claim, at_s, "it is not valid yet"));
            }
        }
        Ok(until)
    }

    /// Uses up the `jti` of a token, which is remembered for as long as the token would be taken.
    async fn use_up(&self, jws: &Jws<'_>, issuer: &str, now: Timestamp) -> Result<String, Denied> {
        let id = jws.text("jti").filter(|id| id.len() <= JTI_MAX);
        let id = id.ok_or_else(|| Denied::invalid("it has no jti of 1 to 256 bytes"))?;
        let until = jws.time_s("exp").and_then(|exp| Timestamp::from_second(exp).ok());
        let until = until.and_then(|exp| exp.checked_add(self.leeway).ok()).unwrap_or(Timestamp::MAX);
        // A length before each, so that no two pairs make one key.
        let key = format!("{}:{issuer}{id}", issuer.len());
        match self.store.use_once(&key, until, now).await {
            Ok(true) => Ok(id.to_owned()),
            Ok(false) => Err(Denied::invalid("its jti was used before; sign a new one for each request")),
            Err(error) => {
                if let StoreError::Failed { context, source } = &error {
                    tracing::error!(context, error = %source, "the store failed");
                }
                Err(Denied::Unavailable)
            }
        }
    }
}

/// Where access is open there is nothing to get in by.
fn is_open() -> Failure {
    let text = "Access is open here: send requests without a token.";
    Refusal::new(Reason::NotFound, Issue::error(Code::NotSupported, "", text)).into()
}

/// Whether a file holds keys that can be used here.
///
/// # Errors
/// It does not; the text continues a sentence that begins with the file.
pub(crate) fn check_keys(bytes: &[u8]) -> Result<(), &'static str> {
    let keys = keyring::parse(bytes)?;
    if keys.is_empty() { Err("holds no key of RSA, P-256 or P-384 with a kid") } else { Ok(()) }
}

fn check_audience(jws: &Jws<'_>, audience: &str) -> Result<(), Denied> {
    if jws.is_for(audience) {
        return Ok(());
    }
    Err(Denied::invalid(format!("its aud is another; it must be {audience}")))
}

/// What a client signs is a plain JWT, and no access token.
fn check_type(jws: &Jws<'_>) -> Result<(), Denied> {
    match jws.typ.as_deref() {
        Some("JWT") => Ok(()),
        _ => Err(Denied::invalid("its header must have typ JWT")),
    }
}
