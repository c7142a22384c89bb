//! JSON Web Signatures (RFC 7515, compact form) and the keys that they are verified with (RFC 7517, RFC 7518).
//!
//! Only asymmetric algorithms are known, so that neither `none` nor a key taken as a secret can pass.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
use endplate_fhir::Json;
use ring::signature::{self, RsaPublicKeyComponents, UnparsedPublicKey};
use std::collections::BTreeSet;

/// How a token is signed (RFC 7518 section 3.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Algorithm {
    Rs256,
    Rs384,
    Es256,
    Es384,
}

impl Algorithm {
    /// What SMART App Launch 2.2.0 and CDS Hooks 2.0 ask of clients.
    pub(crate) const OF_CLIENTS: [Self; 2] = [Self::Rs384, Self::Es384];
    /// What is taken of other issuers.
    pub(crate) const OF_ISSUERS: [Self; 4] = [Self::Rs384, Self::Es384, Self::Rs256, Self::Es256];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Rs256 => "RS256",
            Self::Rs384 => "RS384",
            Self::Es256 => "ES256",
            Self::Es384 => "ES384",
        }
    }
}

/// A public key.
#[derive(Clone, Debug)]
pub(crate) struct Key {
    kid: String,
    /// The only algorithm that it is for, if it says.
    alg: Option<String>,
    public: Public,
}

#[derive(Clone, Debug)]
enum Public {
    Rsa {
        n: Vec<u8>,
        e: Vec<u8>,
    },
    /// An uncompressed point (SEC 1 section 2.3.3).
    P256(Vec<u8>),
    P384(Vec<u8>),
}

/// The keys of a set that can be used here: of RSA, P-256 and P-384, with a `kid`, for signatures.
///
/// # Errors
/// It is no key set, names two keys alike, or holds a private key. The text says what to change.
pub(crate) fn keys(set: &Json) -> Result<Vec<Key>, &'static str> {
    let all = set.get("keys").and_then(Json::as_array).ok_or("is no key set: give {\"keys\": […]}")?;
    let mut keys = Vec::new();
    let mut names = BTreeSet::new();
    for key in all {
        if key.get("d").is_some() || key.get("k").is_some() {
            return Err("holds a private or secret key: give public keys only, and replace that one");
        }
        let text = |name: &str| key.get(name).and_then(Json::as_str);
        let bytes = |name: &str| text(name).and_then(|text| BASE64.decode(text).ok());
        let point = |size: usize| {
            let (x, y) = (bytes("x")?, bytes("y")?);
            (x.len() == size && y.len() == size).then(|| [&[4][..], &x, &y].concat())
        };
        let public = match (text("kty"), text("crv")) {
            (Some("RSA"), _) => bytes("n").and_then(|n| Some(Public::Rsa { n, e: bytes("e")? })),
            (Some("EC"), Some("P-256")) => point(32).map(Public::P256),
            (Some("EC"), Some("P-384")) => point(48).map(Public::P384),
            _ => None,
        };
        let (Some(public), Some(kid)) = (public, text("kid")) else { continue };
        if text("use").is_some_and(|of| of != "sig") {
            continue;
        }
        if !names.insert(kid) {
            return Err("has two keys with the same kid: give each its own");
        }
        keys.push(Key { kid: kid.to_owned(), alg: text("alg").map(str::to_owned), public });
    }
    Ok(keys)
}

impl Key {
    pub(crate) fn is_named(&self, kid: &str) -> bool {
        self.kid == kid
    }

    fn verifies(&self, algorithm: Algorithm, message: &[u8], signature: &[u8]) -> bool {
        if self.alg.as_ref().is_some_and(|alg| alg != algorithm.name()) {
            return false;
        }
        let rsa = |n: &[u8], e: &[u8], parameters| {
            RsaPublicKeyComponents { n, e }.verify(parameters, message, signature).is_ok()
        };
        let point = |point: &[u8], algorithm| {
            UnparsedPublicKey::new(algorithm, point).verify(message, signature).is_ok()
        };
        match (&self.public, algorithm) {
            (Public::Rsa { n, e }, Algorithm::Rs256) => rsa(n, e, &signature::RSA_PKCS1_2048_8192_SHA256),
            (Public::Rsa { n, e }, Algorithm::Rs384) => rsa(n, e, &signature::RSA_PKCS1_2048_8192_SHA384),
            (Public::P256(key), Algorithm::Es256) => point(key, &signature::ECDSA_P256_SHA256_FIXED),
            (Public::P384(key), Algorithm::Es384) => point(key, &signature::ECDSA_P384_SHA384_FIXED),
            _ => false,
        }
    }
}

/// A token as it was sent: read, and not yet believed.
#[derive(Debug)]
pub(crate) struct Jws<'a> {
    pub algorithm: Algorithm,
    pub kid: String,
    pub typ: Option<String>,
    pub jku: Option<String>,
    pub claims: Json,
    signed: &'a str,
    signature: Vec<u8>,
}

impl<'a> Jws<'a> {
    /// Reads a token.
    ///
    /// # Errors
    /// It is none, or signed in a way that is not taken. The text says which part.
    pub(crate) fn parse(token: &'a str, algorithms: &[Algorithm]) -> Result<Self, &'static str> {
        const FORM: &str = "it is no JSON Web Token in compact form";
        let (signed, signature) = token.rsplit_once('.').ok_or(FORM)?;
        let (header, claims) = signed.split_once('.').ok_or(FORM)?;
        let json = |part: &str| {
            let value: Json = serde_json::from_slice(&BASE64.decode(part).ok()?).ok()?;
            value.is_object().then_some(value)
        };
        let (header, claims) = (json(header).ok_or(FORM)?, json(claims).ok_or(FORM)?);
        let text = |name: &str| header.get(name).and_then(Json::as_str);
        let alg = text("alg").unwrap_or_default();
        let algorithm = algorithms
            .iter()
            .find(|one| one.name() == alg)
            .ok_or("its alg is not taken; sign with ES384 or RS384")?;
        if header.get("crit").is_some() {
            return Err("its header has crit, and no extension is understood");
        }
        let kid = text("kid").ok_or("its header has no kid")?;
        Ok(Self {
            algorithm: *algorithm,
            kid: kid.to_owned(),
            typ: text("typ").map(str::to_owned),
            jku: text("jku").map(str::to_owned),
            claims,
            signed,
            signature: BASE64.decode(signature).map_err(|_| FORM)?,
        })
    }

    /// Whether one of these keys, and exactly one, has its name and has signed it.
    pub(crate) fn is_signed_by(&self, keys: &[Key]) -> bool {
        let mut named = keys.iter().filter(|key| key.is_named(&self.kid));
        match (named.next(), named.next()) {
            (Some(key), None) => key.verifies(self.algorithm, self.signed.as_bytes(), &self.signature),
            _ => false,
        }
    }

    /// A claim that is a text.
    pub(crate) fn text(&self, claim: &str) -> Option<&str> {
        self.claims.get(claim).and_then(Json::as_str).filter(|text| !text.is_empty())
    }

    /// A claim that is a time, in seconds since the epoch; a fraction is passed over (RFC 7519 section 2, NumericDate).
    pub(crate) fn time_s(&self, claim: &str) -> Option<i64> {
        let number = self.claims.get(claim)?;
        let real = || number.as_f64().filter(|real| real.abs() < 1e15).map(|real| real.floor() as i64);
        number.as_i64().or_else(real)
    }

    /// Whether it is for this audience (RFC 7519 section 4.1.3: one text, or several).
    pub(crate) fn is_for(&self, audience: &str) -> bool {
        match self.claims.get("aud") {
            Some(Json::String(one)) => one == audience,
            Some(Json::Array(several)) => several.iter().any(|one| one == audience),
            _ => false,
        }
    }
}
