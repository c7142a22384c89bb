//! Who calls.

/// Who sends a request, as far as the service knows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Caller {
    /// The registered client's id; none: access is open (loopback).
    pub client: Option<String>,
    /// Issuer of the token.
    pub issuer: Option<String>,
    /// `jti` of the token: enough to find it, useless to whoever reads it.
    pub token_id: Option<String>,
}
