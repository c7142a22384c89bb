//! The service's own key, with which it signs the tokens that it gives: ES384.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
use endplate_fhir::Json;
use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom, SystemRandom};
use ring::signature::{ECDSA_P384_SHA384_FIXED_SIGNING as ES384, EcdsaKeyPair, KeyPair};
use rustls::pki_types::PrivatePkcs8KeyDer;
use rustls::pki_types::pem::PemObject;
use serde_json::json;
use std::fmt;
use std::path::Path;

/// A key pair and what is published of it.
pub(crate) struct Signer {
    pair: EcdsaKeyPair,
    random: SystemRandom,
    kid: String,
    public: Json,
}

// The key itself is shown nowhere.
impl fmt::Debug for Signer {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.debug_struct("Signer").field("kid", &self.kid).finish_non_exhaustive()
    }
}

impl Signer {
    /// The key of a file, or a new one, which ends with the process.
    ///
    /// # Errors
    /// The file holds no such key; the text continues a sentence that begins with the setting.
    pub(crate) fn of(file: Option<&Path>) -> Result<Self, String> {
        let random = SystemRandom::new();
        let wrong = || {
            "must be a PEM file with a private key of the curve P-384 in PKCS#8 that this service can read"
                .to_owned()
        };
        let pair = if let Some(path) = file {
            let key = PrivatePkcs8KeyDer::from_pem_file(path).map_err(|_| wrong())?;
            EcdsaKeyPair::from_pkcs8(&ES384, key.secret_pkcs8_der(), &random).map_err(|_| wrong())?
        } else {
            let made = EcdsaKeyPair::generate_pkcs8(&ES384, &random).map_err(|_| wrong())?;
            EcdsaKeyPair::from_pkcs8(&ES384, made.as_ref(), &random).map_err(|_| wrong())?
        };
        // An uncompressed point (SEC 1 section 2.3.3): 4, x, y.
        let point = pair.public_key().as_ref().get(1..97).ok_or_else(wrong)?;
        let (x, y) = point.split_at(48);
        let (x, y) = (BASE64.encode(x), BASE64.encode(y));
        // RFC 7638: the members that make the key, in the order of their names.
        let members = format!(r#"{{"crv":"P-384","kty":"EC","x":"{x}","y":"{y}"}}"#);
        let kid = BASE64.encode(digest(&SHA256, members.as_bytes()));
        let public =
            json!({ "kty": "EC", "crv": "P-384", "use": "sig", "alg": "ES384", "kid": kid, "x": x, "y": y });
        Ok(Self { pair, random, kid, public })
    }

    /// The key set that others verify our tokens with (RFC 7517).
    pub(crate) fn published(&self) -> Json {
        json!({ "keys": [self.public] })
    }

    /// A token of these claims, with the type of RFC 9068.
    ///
    /// # Errors
    /// The machine gives no randomness.
    pub(crate) fn token(&self, claims: &Json) -> Result<String, ring::error::Unspecified> {
        let header = json!({ "alg": "ES384", "typ": super::TOKEN_TYPE, "kid": self.kid });
        let part = |json: &Json| BASE64.encode(json.to_string());
        let signed = format!("{}.{}", part(&header), part(claims));
        let signature = self.pair.sign(&self.random, signed.as_bytes())?;
        Ok(format!("{signed}.{}", BASE64.encode(signature)))
    }

    /// A text that nobody guesses.
    ///
    /// # Errors
    /// The machine gives no randomness.
    pub(crate) fn name(&self) -> Result<String, ring::error::Unspecified> {
        let mut bytes = [0; 16];
        self.random.fill(&mut bytes)?;
        Ok(BASE64.encode(bytes))
    }
}
