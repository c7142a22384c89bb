//! Keys by which this service proves who it is as a client: read from files, used to sign, published without their secrets.
//!
//! SMART App Launch 2.2.0, asymmetric client authentication, asks for RS384 and ES384: which one follows from the key.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest;
use ring::rand::{SecureRandom, SystemRandom};
use ring::rsa::{self, KeyPairComponents, PublicKeyComponents};
use ring::signature::{ECDSA_P384_SHA384_FIXED_SIGNING, EcdsaKeyPair, KeyPair, RSA_PKCS1_SHA384};
use rustls::pki_types::PrivateKeyDer;
use rustls::pki_types::pem::PemObject;
use serde_json::{Value as Json, json};
use std::path::Path;

/// The least size of an RSA key, in bits (RFC 7518, section 3.3).
const RSA_BITS_MIN: usize = 2048;
/// Bytes of a coordinate of P-384.
const P384_BYTES: usize = 48;

/// Why a key cannot be used. The text continues a sentence that begins with where the key was named, and holds nothing of it.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// The file cannot be read.
    #[error("names the file {path}, which cannot be read ({reason}): check the path and who may read it")]
    Unreadable {
        /// The file as it was given.
        path: String,
        /// What the system said.
        reason: std::io::ErrorKind,
    },
    /// The file holds no such key.
    #[error(
        "names the file {path}, which holds no private key of RSA ({RSA_BITS_MIN} bits or more) or EC P-384: give one as PEM \
         (PKCS#8, not encrypted) or as a JWK with its private members"
    )]
    Unusable {
        /// The file as it was given.
        path: String,
    },
}

enum Pair {
    Rsa(Box<rsa::KeyPair>),
    Ec(Box<EcdsaKeyPair>),
}

/// A private key with its name.
pub struct Key {
    id: String,
    pair: Pair,
}

impl std::fmt::Debug for Key {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "Key({}, {})", self.id, self.algorithm())
    }
}

impl Key {
    /// Reads a key from a file: PEM, or a JWK. Without an `id` of its own it is named by its `kid`, else by its thumbprint
    /// (RFC 7638).
    ///
    /// # Errors
    /// The file cannot be read, or holds no key that can be used.
    pub fn of_file(path: &Path, id: Option<&str>) -> Result<Self, KeyError> {
        let shown = path.display().to_string();
        let bytes = match std::fs::read(path) {
            Ok(bytes) => bytes,
            Err(error) => return Err(KeyError::Unreadable { path: shown, reason: error.kind() }),
        };
        let jwk: Option<Json> = serde_json::from_slice(&bytes).ok();
        let kid = jwk.as_ref().and_then(|jwk| jwk["kid"].as_str());
        let pair = match &jwk {
            Some(jwk) => pair_of_jwk(jwk),
            None => PrivateKeyDer::from_pem_slice(&bytes).ok().and_then(|der| pair_of_der(&der)),
        };
        let mut key = Self { id: String::new(), pair: pair.ok_or(KeyError::Unusable { path: shown })? };
        key.id = id.or(kid).map_or_else(|| key.thumbprint(), str::to_owned);
        Ok(key)
    }

    /// Its name, `kid`.
    pub fn id(&self) -> &str {
        &self.id
    }

    /// How it signs: `RS384` or `ES384` (RFC 7518, section 3.1).
    pub fn algorithm(&self) -> &'static str {
        match self.pair {
            Pair::Rsa(_) => "RS384",
            Pair::Ec(_) => "ES384",
        }
    }

    /// The public part as a JWK.
    pub fn public(&self) -> Json {
        let mut jwk = self.members();
        jwk["kid"] = json!(self.id);
        jwk["alg"] = json!(self.algorithm());
        jwk["use"] = json!("sig");
        jwk["key_ops"] = json!(["verify"]);
        jwk
    }

    /// What makes the public key, in the order of RFC 7638, section 3.
    fn members(&self) -> Json {
        match &self.pair {
            Pair::Rsa(pair) => {
                let PublicKeyComponents { n, e }: PublicKeyComponents<Vec<u8>> = pair.public().into();
                json!({ "e": encoded(&e), "kty": "RSA", "n": encoded(&n) })
            }
            Pair::Ec(pair) => {
                // SEC 1, section 2.3.3: 04, x, y.
                let point = pair.public_key().as_ref();
                let (x, y) = point.get(1..).unwrap_or_default().split_at(P384_BYTES.min(point.len() - 1));
                json!({ "crv": "P-384", "kty": "EC", "x": encoded(x), "y": encoded(y) })
            }
        }
    }

    fn thumbprint(&self) -> String {
        encoded(digest::digest(&digest::SHA256, self.members().to_string().as_bytes()).as_ref())
    }

    /// A signed JWT (RFC 7515, compact) with these claims; none if this machine gives no random numbers.
    pub fn signed(&self, claims: &Json) -> Option<String> {
        let random = SystemRandom::new();
        let header = json!({ "alg": self.algorithm(), "kid": self.id, "typ": "JWT" });
        let text =
            format!("{}.{}", encoded(header.to_string().as_bytes()), encoded(claims.to_string().as_bytes()));
        let signature = match &self.pair {
            Pair::Rsa(pair) => {
                let mut signature = vec![0; pair.public().modulus_len()];
                pair.sign(&RSA_PKCS1_SHA384, &random, text.as_bytes(), &mut signature).ok()?;
                signature
            }
            Pair::Ec(pair) => pair.sign(&random, text.as_bytes()).ok()?.as_ref().to_vec(),
        };
        Some(format!("{text}.{}", encoded(&signature)))
    }
}

/// A name that nobody can guess and that comes once: `jti` of a JWT.
pub fn unique() -> Option<String> {
    let mut bytes = [0; 16];
    SystemRandom::new().fill(&mut bytes).ok()?;
    Some(encoded(&bytes))
}

fn encoded(bytes: &[u8]) -> String {
    URL_SAFE_NO_PAD.encode(bytes)
}

fn pair_of_der(der: &PrivateKeyDer<'_>) -> Option<Pair> {
    let rsa = match der {
        PrivateKeyDer::Pkcs1(der) => rsa::KeyPair::from_der(der.secret_pkcs1_der()),
        PrivateKeyDer::Pkcs8(der) => rsa::KeyPair::from_pkcs8(der.secret_pkcs8_der()),
        _ => return None,
    };
    if let Ok(pair) = rsa {
        return large(pair);
    }
    let PrivateKeyDer::Pkcs8(der) = der else { return None };
    let der = der.secret_pkcs8_der();
    let pair = EcdsaKeyPair::from_pkcs8(&ECDSA_P384_SHA384_FIXED_SIGNING, der, &SystemRandom::new());
    pair.ok().map(|pair| Pair::Ec(Box::new(pair)))
}

fn large(pair: rsa::KeyPair) -> Option<Pair> {
    (pair.public().modulus_len() * 8 >= RSA_BITS_MIN).then(|| Pair::Rsa(Box::new(pair)))
}

/// RFC 7518, sections 6.2.2 and 6.3.2.
#[allow(non_snake_case, reason = "the library names the members as RFC 8017 does")]
fn pair_of_jwk(jwk: &Json) -> Option<Pair> {
    let part = |name: &str| URL_SAFE_NO_PAD.decode(jwk[name].as_str()?).ok();
    match jwk["kty"].as_str()? {
        "RSA" => {
            let public_key = PublicKeyComponents { n: part("n")?, e: part("e")? };
            let (d, p, q) = (part("d")?, part("p")?, part("q")?);
            let (dP, dQ, qInv) = (part("dp")?, part("dq")?, part("qi")?);
            let components = KeyPairComponents { public_key, d, p, q, dP, dQ, qInv };
            large(rsa::KeyPair::from_components(&components).ok()?)
        }
        "EC" if jwk["crv"] == "P-384" => {
            let point = [&[4], part("x")?.as_slice(), part("y")?.as_slice()].concat();
            let (algorithm, random) = (&ECDSA_P384_SHA384_FIXED_SIGNING, SystemRandom::new());
            let pair = EcdsaKeyPair::from_private_key_and_public_key(algorithm, &part("d")?, &point, &random);
            pair.ok().map(|pair| Pair::Ec(Box::new(pair)))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 7638, section 3.1: the example key and its thumbprint.
    #[test]
    fn a_thumbprint_is_that_of_the_rfc() {
        let n = "0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3oknjhMs\
                 tn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6qMQvRL5hajrn1n91CbOpbI\
                 SD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJzKnqDKgw"
            .replace(char::is_whitespace, "");
        let members = json!({ "e": "AQAB", "kty": "RSA", "n": n });
        let hash = digest::digest(&digest::SHA256, members.to_string().as_bytes());
        assert_eq!(encoded(hash.as_ref()), "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs");
    }

    #[test]
    fn a_key_that_cannot_be_used_is_refused_without_its_content() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("key.pem");
        let read = || Key::of_file(&path, None).expect_err("refused").to_string();
        assert!(read().contains("cannot be read (entity not found)"), "{}", read());
        for text in [
            "",
            "s3cret",
            "{\"kty\":\"oct\",\"k\":\"s3cret\"}",
            "{\"kty\":\"EC\",\"crv\":\"P-256\",\"d\":\"s3cret\"}",
        ] {
            std::fs::write(&path, text).expect("written");
            assert!(read().contains("EC P-384") && !read().contains("s3cret"), "{}", read());
        }
    }
}
